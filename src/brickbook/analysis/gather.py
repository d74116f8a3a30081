"""From a charger's folder to recordings: every raw file verified, read by its shape, put on one clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.book import Book, IndexEntry
from brickbook.core.capture import Capture
from brickbook.core.errors import BookError, BrickbookError, Fault
from brickbook.core.figure import Note
from brickbook.core.table import Recording, Rows, Table
from brickbook.readers import CAPTURE_READERS, READERS, CapturePart, Part, assemble, join_captures, read_capture

__all__ = ["Gathered", "gather"]


@dataclass(frozen=True, slots=True)
class Gathered:
    """Recordings in the index's order, and what the tester must know about them."""

    recordings: tuple[Recording, ...]
    notes: tuple[Note, ...]
    entries: tuple[IndexEntry, ...]


def gather(book: Book, slug: str, study_ids: Sequence[str] | None = None, *, only: str = "") -> Gathered:
    """Read all raw files of a charger, or those of `only` one study.

    Raises
    ------
    BrickbookError
        With every fault of every file: a changed or missing raw file stops the analysis, it is never left out quietly.
    """
    entries = book.index(slug)
    faults: list[Fault] = []
    notes: list[Note] = []
    parts: list[Part] = []
    captures: list[CapturePart] = []
    for place, entry in enumerate(entries):
        if only and only not in entry.studies:
            continue
        faults += _known(slug, place, entry, study_ids)
        try:
            if entry.reader in CAPTURE_READERS:
                captures.append(CapturePart(_capture(book, slug, entry), entry.recording, entry.studies))
                continue
            tables = _tables(book, slug, entry)
        except BrickbookError as error:
            faults += error.faults
            continue
        for table in tables:
            notes += _dropped(entry, table)
            parts.append(
                Part(
                    table=table,
                    recording=entry.recording,
                    studies=entry.studies,
                    clock_offset_s=entry.clock_offset_s,
                    align=entry.align,
                    ranges=entry.ranges,
                )
            )
    stray = book.check_raw(slug) if not faults and not only else ()
    notes += [Note("", "warning", f"Not used: {fault}") for fault in stray]
    if faults:
        raise BookError(*faults)
    return Gathered(join_captures(assemble(parts), captures), tuple(notes), entries)


def _capture(book: Book, slug: str, entry: IndexEntry) -> Capture:
    return read_capture(
        entry.reader,
        book.raw_path(slug, entry),
        name=f"chargers/{slug}/raw/{entry.path}",
        raw=entry.raw,
        conditions=entry.conditions,
        instruments=entry.instruments,
        ranges=entry.ranges,
    )


def _tables(book: Book, slug: str, entry: IndexEntry) -> tuple[Table, ...]:
    data = book.raw_bytes(slug, entry)
    if entry.reader not in READERS:
        return ()
    shape = None
    if entry.shape:
        shape = book.shapes.get(entry.shape)
        if shape is None:
            problem = f"{entry.path} needs shape {entry.shape!r}, which is not there."
            raise BookError(Fault("shapes.toml", "", problem, "Import the file again, or restore shapes.toml."))
    return READERS[entry.reader](
        data,
        name=f"chargers/{slug}/raw/{entry.path}",
        raw=entry.raw,
        shape=shape,
        conditions=entry.conditions,
        instruments=entry.instruments,
    )


def _known(slug: str, place: int, entry: IndexEntry, study_ids: Sequence[str] | None) -> list[Fault]:
    file = f"chargers/{slug}/raw/index.toml"
    faults = [
        Fault(
            file, f"file[{place}].studies", f"{s!r} is not a study.", f"The studies are {', '.join(study_ids or ())}."
        )
        for s in entry.studies
        if study_ids is not None and s not in study_ids
    ]
    if entry.reader not in READERS and entry.reader not in CAPTURE_READERS:
        known = ", ".join(sorted((*READERS, *CAPTURE_READERS)))
        faults.append(
            Fault(file, f"file[{place}].reader", f"{entry.reader!r} is not a reader.", f"The readers are {known}.")
        )
    return faults


def _dropped(entry: IndexEntry, table: Table) -> list[Note]:
    notes = []
    for drop in table.dropped:
        text = f"{entry.path}: {drop.count} readings left out ({drop.reason}), the first in line {drop.first_line}."
        rows = Rows(entry.raw, drop.first_line, drop.first_line)
        notes += [Note(study, "info", text, entry.conditions, (rows,)) for study in entry.studies]
    return notes
