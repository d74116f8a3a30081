"""From a run's folder into the charger's raw folder; doing it twice takes nothing in twice."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Self

from brickbook.bench.sheet import sheet_shape
from brickbook.book import Book
from brickbook.core.conditions import Scalar

__all__ = ["Deposit", "take_in"]


@dataclass(frozen=True, slots=True)
class Deposit:
    """A file of a run on its way into the book.

    Parameters
    ----------
    file
        Its name in the run's folder, and wanted in raw/.
    studies, reader, conditions, instruments, ranges, recording, taken, note
        As in the index of raw files.
    columns
        Of a meter log, for its shape.
    """

    file: str
    studies: tuple[str, ...]
    reader: str
    conditions: Mapping[str, Scalar] = field(default_factory=dict)
    instruments: Mapping[str, str] = field(default_factory=dict)
    ranges: Mapping[str, float] = field(default_factory=dict)
    columns: tuple[str, ...] = ()
    recording: str = ""
    taken: str = ""
    note: str = ""

    def fields(self) -> dict[str, Any]:
        """For a journal."""
        return asdict(self)

    @classmethod
    def of(cls, fields: Mapping[str, Any]) -> Self:
        """From a journal."""
        lists = {key: tuple(fields[key]) for key in ("studies", "columns")}
        return cls(**{**fields, **lists})


def take_in(book: Book, slug: str, folder: Path, deposits: Iterable[Deposit], imported: str) -> list[str]:
    """Take files into raw/ and give their names there; what is there already with the same content keeps its name.

    Raises
    ------
    BookError
        When a file cannot be taken in.
    """
    names = []
    for deposit in deposits:
        data = (folder / deposit.file).read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        index = book.index(slug)
        same = next((entry for entry in index if entry.sha256 == digest), None)
        if same is not None:
            names.append(same.path)
            continue
        shape = ""
        if deposit.columns:
            made = sheet_shape(deposit.columns)
            book.save_shape(made)
            shape = made.id
        name = _free_name(deposit.file, {entry.path.casefold() for entry in index})
        entry = book.import_raw(
            slug,
            data,
            name=name,
            studies=deposit.studies,
            reader=deposit.reader,
            shape=shape,
            recording=deposit.recording,
            taken=deposit.taken,
            imported=imported,
            conditions=deposit.conditions,
            ranges=deposit.ranges,
            instruments=deposit.instruments,
            note=deposit.note,
        )
        names.append(entry.path)
    return names


def _free_name(file: str, taken: set[str]) -> str:
    path, number = Path(file), 1
    while file.casefold() in taken:
        number += 1
        file = f"{path.stem}-{number}{path.suffix}"
    return file
