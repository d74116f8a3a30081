"""Observation sheets: what each port offered, and gave, while some ports were occupied; written by hand or a recorder.

```text
occupied,port,kind,words,voltage_v,current_a,protocol,drawn_v,drawn_a,instrument,interrupted,note
C1,C1,,0x0801912C 0x0002D12C 0x000640E1,,,,,,,,
C1,C1,fixed,,20,,,19.93,2.25,load-bank,,held for a minute
A1+C1,A1,legacy,,5,2.4,BC 1.2 DCP,,,,,
A1+C1,C1,,0x0801912C 0x0002D0DE,,,,,,,yes,
```

A row tells of one port with one set of occupied ports, in one of two ways: `words` holds its source capabilities in
hexadecimal, parted by blanks; or `kind` (fixed, pps, spr-avs, epr-avs or legacy) and `voltage_v` ("9", or "3.3-11" for
a range) name one mode, with `current_a` as offered, or `drawn_v` and `drawn_a` as measured at the largest load the port
held, or both. `interrupted` says whether this port's power stopped when the last device was plugged in: yes, no, or
empty. Lines that begin with "#" are left out; columns that are not needed may be left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, cast

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, ReadError
from brickbook.core.observation import Draw, Observation, Offer, OfferKind
from brickbook.core.shape import Shape
from brickbook.core.table import RawFile, Table
from brickbook.readers.layout import split_line
from brickbook.readers.text import decode, detect_encoding, fail
from brickbook.usbpd import (
    EprAvsSupply,
    PdoKind,
    PowerDataObject,
    SprAvsSupply,
    WordError,
    available_current_a,
    decode_source_pdo,
    parse_words,
)

__all__ = ["OBSERVATION_HEADER", "offers_of_words", "read_observations"]

OBSERVATION_HEADER = (
    *("occupied", "port", "kind", "words", "voltage_v", "current_a", "protocol", "drawn_v", "drawn_a"),
    *("instrument", "interrupted", "note"),
)
_NEEDED = ("occupied", "port")
_DELIMITERS: tuple[Literal[",", ";", "\t"], ...] = (",", ";", "\t")
_KINDS = ("fixed", "pps", "spr-avs", "epr-avs", "legacy")
_RANGED = ("pps", "spr-avs", "epr-avs")
_MOST_V, _MOST_A = 60.0, 20.0  # beyond what any USB port gives: a slip of the pen
_TRUTH: Mapping[str, bool | None] = {"": None, "yes": True, "no": False}


class _BadRow(Exception):  # noqa: N818 - becomes a Fault
    """What is wrong with a row."""

    def __init__(self, column: str, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.column, self.problem, self.remedy = column, problem, remedy


def read_observations(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape | None = None,  # noqa: ARG001 - an observation sheet has one form and needs no shape
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
) -> tuple[Table, ...]:
    """An observation sheet as one table without columns, its rows in `observations`.

    Parameters
    ----------
    data, name, raw, shape, conditions, instruments
        As for `read_table`; the shape is not looked at. A row's own instrument goes before the index's for
        `port_current_a`.

    Raises
    ------
    ReadError
        With every faulty row: line, column, what was found, what was expected.
    """
    text = decode(data, detect_encoding(data)[0], name)
    rows = [(k, text.line(k)) for k in range(1, text.count + 1)]
    rows = [(k, line) for k, line in rows if line.strip(' \t,;"') and not line.lstrip().startswith("#")]
    delimiter, header = _header(rows[0] if rows else (1, ""), name)
    meter = (instruments or {}).get("port_current_a", "")
    faults: list[Fault] = []
    found: list[Observation] = []
    for line, row in rows[1:]:
        try:
            found.append(_observation(line, split_line(row, delimiter), header, meter))
        except _BadRow as bad:
            place = f"line {line}, {bad.column}" if bad.column else f"line {line}"
            faults.append(Fault(name, place, bad.problem, bad.remedy))
    if faults:
        raise ReadError(*faults)
    if not found:
        raise fail(name, rows[0][0], "there is no observation below the header.", "Write one to a row.")
    lines = np.array([observation.line for observation in found], dtype=np.int64)
    given = conditions if conditions is not None else Conditions()
    return (Table(raw, {}, lines, given, observations=tuple(found)),)


def offers_of_words(words: Sequence[int]) -> tuple[Offer, ...]:
    """The modes that source capabilities offer, in their order; empty and reserved objects offer none.

    An SPR AVS object with two currents is two modes, 9 V to 15 V and 15 V to 20 V (USB PD R3.2 Table 6.14). An EPR AVS
    object's current is that at its highest voltage.
    """
    offers: list[Offer] = []
    for word in words:
        pdo = decode_source_pdo(word)
        if pdo.is_empty or pdo.kind == PdoKind.RESERVED:
            continue
        offers += _offers(pdo)
    return tuple(offers)


def _offers(pdo: PowerDataObject) -> list[Offer]:
    low, high = pdo.min_voltage_v or 0.0, pdo.max_voltage_v or 0.0
    if isinstance(pdo, SprAvsSupply):
        first, second = pdo.current_9_to_15_v_a, pdo.current_15_to_20_v_a
        both = [Offer("spr-avs", 9.0, 15.0, first, 15.0 * first)]
        return [*both, Offer("spr-avs", 15.0, 20.0, second, 20.0 * second)] if second else both
    kind = cast("OfferKind", str(pdo.kind).replace("_", "-"))
    power = pdo.max_power_w or 0.0
    if isinstance(pdo, EprAvsSupply):
        return [Offer(kind, low, high, (available_current_a(pdo, high) or 0.0) if high > 0 else 0.0, power)]
    current = pdo.max_current_a if pdo.max_current_a is not None else (power / high if high > 0 else 0.0)
    return [Offer(kind, low, high, current, power)]


def _header(row: tuple[int, str], name: str) -> tuple[str, dict[str, int]]:
    line, text = row
    best: list[str] = []
    delimiter = ","
    for mark in _DELIMITERS:
        cells = [cell.casefold() for cell in split_line(text, mark)]
        if len(set(cells) & set(OBSERVATION_HEADER)) > len(set(best) & set(OBSERVATION_HEADER)):
            best, delimiter = cells, mark
    while best and not best[-1]:
        best.pop()
    wrong = [cell for cell in best if cell not in OBSERVATION_HEADER]
    lost = [cell for cell in _NEEDED if cell not in best]
    if wrong or lost or len(set(best)) != len(best):
        what = f"{wrong[0]!r} is no column of an observation sheet" if wrong and not lost else ""
        what = what or (f"there is no column {lost[0]!r}" if lost else "a column stands twice")
        raise fail(name, line, f"{what}.", f"The first row is {','.join(OBSERVATION_HEADER)}.")
    return delimiter, {cell: k for k, cell in enumerate(best)}


def _observation(line: int, cells: list[str], header: Mapping[str, int], meter: str) -> Observation:
    while len(cells) > len(header) and not cells[-1]:
        cells.pop()
    if len(cells) > len(header):
        raise _BadRow(
            "",
            f"{len(cells)} fields, but the header has {len(header)}.",
            "Part words by blanks; a note with a comma needs quotes around it.",
        )
    cell = {key: cells[at] if at < len(cells) else "" for key, at in header.items()}
    occupied = tuple(part.strip() for part in cell["occupied"].split("+"))
    if not all(occupied) or len(set(occupied)) != len(occupied):
        raise _BadRow("occupied", f"{cell['occupied']!r} is no list of ports.", 'Join their ids with "+": C1+A1.')
    if cell["port"] not in occupied:
        raise _BadRow(
            "port", f"port {cell['port']!r} is not among the occupied ports {cell['occupied']!r}.", "Add it there."
        )
    stopped = cell.get("interrupted", "").casefold()
    if stopped not in _TRUTH:
        raise _BadRow("interrupted", f"{cell['interrupted']!r} is neither yes nor no.", "Leave it empty if not noted.")
    words, offers, draw = _told(cell, meter)
    return Observation(
        occupied=tuple(sorted(occupied)),
        port=cell["port"],
        line=line,
        words=words,
        offers=offers,
        draw=draw,
        interrupted=_TRUTH[stopped],
        note=cell.get("note", ""),
    )


def _told(cell: Mapping[str, str], meter: str) -> tuple[tuple[int, ...], tuple[Offer, ...], Draw | None]:
    by_hand = [key for key in ("kind", "voltage_v", "current_a", "protocol", "drawn_v", "drawn_a") if cell.get(key)]
    if cell.get("words"):
        if by_hand:
            raise _BadRow(by_hand[0], "a row with words names no mode of its own.", "Give the mode a row of its own.")
        try:
            words = tuple(parse_words(cell["words"]))
        except WordError as error:
            problem = f"{str(error).partition(': ')[2]}."
            raise _BadRow("words", problem, "Part words by blanks.") from error
        return words, offers_of_words(words), None
    kind = cell.get("kind", "").casefold()
    if kind not in _KINDS:
        found = f"{cell['kind']!r} is no kind of mode." if kind else "there are neither words nor a kind of mode."
        raise _BadRow("kind", found, f"Give words, or one of {', '.join(_KINDS)}.")
    low, high = _volts(cell.get("voltage_v", ""), kind)
    mode = Offer(cast("OfferKind", kind), low, high, 0.0, 0.0, cell.get("protocol", ""))
    offers: tuple[Offer, ...] = ()
    if cell.get("current_a"):
        amps = _number(cell, "current_a", _MOST_A)
        offers = (Offer(mode.kind, low, high, amps, high * amps, mode.protocol),)
    drawn = [key for key in ("drawn_v", "drawn_a") if cell.get(key)]
    if len(drawn) == 1:
        missing = "drawn_a" if drawn == ["drawn_v"] else "drawn_v"
        raise _BadRow(missing, "drawn_v and drawn_a go together.", "Write both, or neither.")
    if not drawn and not offers:
        raise _BadRow(
            "current_a", "neither an offered nor a drawn current.", "Write current_a, or drawn_v and drawn_a."
        )
    draw = None
    if drawn:
        volts, amps = _number(cell, "drawn_v", _MOST_V), _number(cell, "drawn_a", _MOST_A)
        draw = Draw(mode.label, volts, amps, cell.get("instrument", "") or meter)
    return (), offers, draw


def _volts(text: str, kind: str) -> tuple[float, float]:
    parts = [part.strip() for part in text.replace("–", "-").split("-")]
    ends = [_number({"voltage_v": part}, "voltage_v", _MOST_V) for part in parts]
    if kind in _RANGED and len(ends) == 2 and ends[0] < ends[1]:
        return ends[0], ends[1]
    if kind not in _RANGED and len(ends) == 1:
        return ends[0], ends[0]
    wanted = 'a range such as "3.3-11"' if kind in _RANGED else "one voltage"
    raise _BadRow("voltage_v", f"a {kind} mode has {wanted}, found {text!r}.", "")


def _number(cell: Mapping[str, str], key: str, most: float) -> float:
    try:
        value = float(cell[key])
    except ValueError:
        value = -1.0
    if not 0.0 < value <= most:
        raise _BadRow(key, f"{cell[key]!r} is not a number above 0 and up to {most:g}.", "Use a decimal point.")
    return value
