"""Tables taken together on one clock: a `Recording`. Only the time column is moved; nothing is resampled."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import Fault, ReadError
from brickbook.core.table import Recording, Table
from brickbook.readers.align import NoAlignment, Offset, load_signal, step_offset
from brickbook.readers.times import repeats

__all__ = ["Part", "assemble"]


@dataclass(frozen=True, slots=True)
class Part:
    """A table and what the index says about putting it together with others.

    Parameters
    ----------
    table
        The file, read.
    recording
        Parts with the same word are one recording.
    studies
        Studies it is for.
    clock_offset_s
        Added to the file's time [s].
    align
        "stated": by date and time where the files tell it, and by `clock_offset_s`. "load-steps": in addition by the
        offset that lays this file's load steps on those of the recording's first file.
    ranges
        Full scale in use, by quantity or column.
    """

    table: Table
    recording: str
    studies: tuple[str, ...]
    clock_offset_s: float = 0.0
    align: Literal["stated", "load-steps"] = "stated"
    ranges: Mapping[str, float] = field(default_factory=dict)


def assemble(parts: Sequence[Part]) -> tuple[Recording, ...]:
    """Recordings from tables, in the order of their first parts.

    The zero of a recording's clock is that of its first file, `clock_offset_s` added. Others with a date and time are
    placed by it; elapsed times are taken as they are; then `clock_offset_s` is added and, where asked for, the offset
    found from the load steps.

    Raises
    ------
    ReadError
        When files of one recording contradict each other (conditions, ranges), one tells its zone and another does
        not, or load steps do not tell one offset.
    """
    groups: dict[str, list[Part]] = {}
    for part in parts:
        groups.setdefault(part.recording, []).append(part)
    return tuple(_recording(name, group) for name, group in groups.items())


def _recording(name: str, parts: list[Part]) -> Recording:
    notes: list[str] = []
    tables: list[Table] = []
    for part in parts:
        table = _placed(part, parts[0], tables[0] if tables else None, notes)
        tables.append(table)
        if "time_s" in table.columns:
            same = repeats(table.columns["time_s"])
            if len(same):
                rows = "row repeats" if len(same) == 1 else "rows repeat"
                notes.append(
                    f"{table.raw.path}: {len(same)} {rows} the time of the row before, the first in line "
                    f"{int(table.lines[same[0]])}; kept in the file's order."
                )
    ranges: dict[str, float] = {}
    for part in parts:
        for key, value in part.ranges.items():
            if ranges.setdefault(key, value) != value:
                raise _clash(name, part, f"range of {key}", ranges[key], value)
    studies = tuple(dict.fromkeys(study for part in parts for study in part.studies))
    return Recording(name, studies, tuple(tables), _conditions(name, parts), tuple(notes), ranges)


def _placed(part: Part, first: Part, reference: Table | None, notes: list[str]) -> Table:
    """A table on the recording's clock; `reference` is the first one, placed, or `None` for the first itself."""
    table, path = part.table, part.table.raw.path
    if "time_s" not in table.columns:
        return table
    if reference is None:
        if part.align == "load-steps":
            raise ReadError(
                Fault(
                    path,
                    "align",
                    'the first file of a recording has no other to align with, but says align = "load-steps".',
                    "Set it for the second file instead.",
                )
            )
        if part.clock_offset_s:
            notes.append(f"{path}: {part.clock_offset_s:+.6g} s added to its time, as stated.")
        return _moved(table, part.clock_offset_s)
    shift = part.clock_offset_s
    if table.start and first.table.start:
        apart = _seconds_between(first.table, table)
        first_s, own_s = (float(t.columns["time_s"][0]) for t in (first.table, table))
        shift += apart + first_s - own_s
        notes.append(f"{path}: starts {apart:+.6g} s from {first.table.raw.path} by date and time.")
    elif bool(table.start) != bool(first.table.start) and part.align == "stated":
        told, untold = (path, first.table.raw.path) if table.start else (first.table.raw.path, path)
        notes.append(
            f"{untold} tells no date and {told} does: their clocks are taken to have started together, save for the "
            "stated offset."
        )
    if part.clock_offset_s:
        notes.append(f"{path}: {part.clock_offset_s:+.6g} s added to its time, as stated.")
    if part.align == "load-steps":
        found = _from_steps(reference, _moved(table, shift))
        shift += found.offset_s
        notes.append(
            f"{path}: {found.offset_s:+.4f} s added to its time, found from {found.steps} load steps it shares with "
            f"{reference.raw.path} (standard uncertainty {found.u_s:.2g} s, correlation {found.correlation:.3f})."
        )
    return _moved(table, shift)


def _moved(table: Table, shift_s: float) -> Table:
    """The table with its time moved, nothing else touched."""
    if shift_s == 0.0:
        return table
    return replace(table, columns={**table.columns, "time_s": table.columns["time_s"] + shift_s})


def _seconds_between(first: Table, second: Table) -> float:
    """From the start of the first to the start of the second [s]."""
    a, b = dt.datetime.fromisoformat(first.start), dt.datetime.fromisoformat(second.start)
    if (a.tzinfo is None) != (b.tzinfo is None):
        told, untold = (second, first) if a.tzinfo is None else (first, second)
        raise ReadError(
            Fault(
                untold.raw.path,
                "",
                f"its times state no zone, those of {told.raw.path} in the same recording do.",
                'State it as time.utc_offset = "+02:00" in the shape of the file without.',
            )
        )
    return (b - a).total_seconds()


def _from_steps(reference: Table, table: Table) -> Offset:
    a, b = load_signal(reference), load_signal(table)
    advice = 'State the offset as clock_offset_s with align = "stated".'
    for which, found in ((reference, a), (table, b)):
        if found is None or "time_s" not in which.columns:
            raise ReadError(
                Fault(
                    which.raw.path,
                    "align",
                    "there is no power or current whose steps could be aligned.",
                    advice,
                )
            )
    assert a is not None
    assert b is not None
    try:
        return step_offset(reference.columns["time_s"], a[1], table.columns["time_s"], b[1])
    except NoAlignment as problem:
        raise ReadError(
            Fault(
                table.raw.path,
                "align",
                f"the offset to {reference.raw.path} cannot be found from load steps ({a[0]} and {b[0]}): {problem}.",
                advice,
            )
        ) from problem


def _conditions(name: str, parts: list[Part]) -> Conditions:
    """Conditions of all files together; ports and their contracts are joined, anything else must agree."""
    all_of = [part.table.conditions for part in parts]
    ports = list(dict.fromkeys(str(c["port"]) for c in all_of if "port" in c))
    merged: dict[str, Scalar] = {}
    contracts: list[str] = []
    for part, conditions in zip(parts, all_of, strict=True):
        for key, value in conditions.items():
            if len(ports) > 1 and key in ("port", "contract"):
                if key == "contract":
                    contracts.append(f"{conditions['port']} {value}" if "port" in conditions else str(value))
                continue
            if key in merged and not Conditions.of({key: merged[key]}).matches({key: value}):
                raise _clash(name, part, key, merged[key], value)
            merged.setdefault(key, value)
    if len(ports) > 1:
        merged.setdefault("ports", "+".join(sorted(ports)))
        if contracts:
            merged.setdefault("contract", " + ".join(sorted(dict.fromkeys(contracts))))
    return Conditions.of(merged)


def _clash(name: str, part: Part, what: str, have: Scalar, new: Scalar) -> ReadError:
    return ReadError(
        Fault(
            part.table.raw.path,
            what,
            f"it says {new!r}, another file of recording {name!r} says {have!r}.",
            "Correct raw/index.toml, or give the files recordings of their own.",
        )
    )
