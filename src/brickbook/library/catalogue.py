"""The catalogue: all chargers of a book, or of several, as Parquet files that any tool can query.

derived/_catalogue/ holds chargers, figures, errors, findings and groups as Parquet, made from the entries of all
chargers. An entry is made again only when its charger's result is newer; the files are written again when an entry has
changed.
Queries run in an embedded in-memory DuckDB over these files: there is no database file that could be locked.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import polars as pl

from brickbook.analysis import load
from brickbook.book import Book
from brickbook.core.conditions import Scalar
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, Fault
from brickbook.library.entries import ENTRY_FILE, Entry, entry_bytes, read_entry
from brickbook.library.tabling import tables

__all__ = ["Catalogue", "Refreshed", "open_catalogue", "refresh_catalogue", "write_entry"]

FOLDER = "_catalogue"  # no charger's folder can be called so
_MADE = "made.json"
_FORMAT = 5
_TABLES = ("chargers", "figures", "errors", "findings", "groups")
_ROWS = 50_000  # of a row group: a query for one figure reads few of them


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What bringing a catalogue up to date did.

    Parameters
    ----------
    chargers
        In the catalogue now.
    made
        Entries made anew.
    rebuilt
        Whether the files were written again.
    missing
        Chargers of the book without a result: they are not in the catalogue.
    """

    chargers: int
    made: int
    rebuilt: bool
    missing: tuple[str, ...] = ()


def write_entry(book: Book, slug: str) -> None:
    """Make the entry of a charger from its stored result.

    Raises
    ------
    BookError
        When the charger has not been analysed.
    """
    book.write(book.derived(slug) / ENTRY_FILE, entry_bytes(load(book, slug), book.instruments))


def refresh_catalogue(book: Book) -> Refreshed:
    """Bring the catalogue of a book up to date with its stored results.

    An entry is made anew when its charger's result is newer, and the files when an entry has changed, come or gone.
    Nothing is analysed here: a result that is older than the raw files is taken as it lies there.

    Raises
    ------
    BookError
        When a result or an entry cannot be read.
    """
    stamps, made, missing = _stamps(book, book.chargers())
    folder = book.derived() / FOLDER
    known = _made(folder)
    rebuild = known != stamps
    if rebuild:
        _write(folder, book.derived(), list(stamps))
        state = {name: _stat(folder / f"{name}.parquet") for name in _TABLES}
        text = json.dumps({"format": _FORMAT, "entries": stamps, "files": state})
        book.write(folder / _MADE, text.encode())
    return Refreshed(len(stamps), made, rebuild, missing)


def open_catalogue(books: Iterable[Book], *, refresh: bool = True) -> Catalogue:
    """The catalogue of one book or several.

    Parameters
    ----------
    books
        At least one; told apart by their titles, or by their folders where two have one title.
    refresh
        Bring each up to date first.

    Raises
    ------
    BookError
        When a book is named twice, or has no catalogue and `refresh` is false.
    """
    opened = list(books)
    if not opened:
        raise ValueError("a catalogue needs a book")
    roots = [book.root for book in opened]
    twice = [root for root in roots if roots.count(root) > 1]
    if twice:
        raise BookError(Fault(str(twice[0]), "", "is named twice.", "Name each book once."))
    results = tuple(refresh_catalogue(book) for book in opened) if refresh else ()
    titles = [book.title for book in opened]
    names = [t if titles.count(t) == 1 else f"{t} ({b.root})" for t, b in zip(titles, opened, strict=True)]
    folders = {}
    for name, book in zip(names, opened, strict=True):
        folder = book.derived() / FOLDER
        if _made(folder) is None:
            raise BookError(Fault(f"derived/{FOLDER}", "", "the book has no catalogue yet.", "Run: brickbook compare"))
        folders[name] = folder
    return Catalogue(folders, results)


class Catalogue:
    """Tables of all chargers, for SQL.

    Tables: `chargers`, `figures`, `errors`, `findings`, `groups`. See docs/reference/catalogue.md.

    Parameters
    ----------
    folders
        Name of each book to the folder of its Parquet files.
    refreshed
        What was done to bring them up to date.
    """

    def __init__(self, folders: Mapping[str, Path], refreshed: Sequence[Refreshed] = ()) -> None:
        self.books = tuple(folders)
        self.refreshed = tuple(refreshed)
        self.connection = duckdb.connect(":memory:")
        for table in _TABLES:
            parts = [
                f"SELECT {_text(name)} AS book, * FROM {_text(str(folder / f'{table}.parquet'))}"  # noqa: S608 - quoted
                for name, folder in folders.items()
            ]
            self.connection.execute(f"CREATE VIEW {table} AS {' UNION ALL BY NAME '.join(parts)}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the files."""
        self.connection.close()

    def rows(self, sql: str, parameters: Sequence[Scalar] = ()) -> list[dict[str, Any]]:
        """The rows of a query, each as a dictionary.

        Raises
        ------
        BookError
            When DuckDB refuses the query; its words are in the message.
        """
        try:
            result = self.connection.execute(sql, list(parameters))
            names = [column[0] for column in result.description or ()]
            return [dict(zip(names, row, strict=True)) for row in result.fetchall()]
        except duckdb.Error as error:
            raise BookError(Fault("query", "", str(error).splitlines()[0])) from error


def _stamps(book: Book, slugs: Sequence[str]) -> tuple[dict[str, list[int]], int, tuple[str, ...]]:
    """Stamp of each charger's entry, how many were made anew, and the chargers without a result."""
    stamps: dict[str, list[int]] = {}
    missing = []
    made = 0
    derived = str(book.derived())
    for slug in slugs:
        entry, result = _stat(f"{derived}/{slug}/{ENTRY_FILE}"), _stat(f"{derived}/{slug}/result.json")
        if result is None:
            missing.append(slug)
            continue
        if entry is None or entry[0] < result[0]:
            write_entry(book, slug)
            made += 1
            entry = _stat(f"{derived}/{slug}/{ENTRY_FILE}")
        assert entry is not None
        stamps[slug] = entry
    return stamps, made, tuple(missing)


def _stat(path: Path | str) -> list[int] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - ten thousand of them: Path.stat takes twice as long
    except OSError:
        return None
    return [found.st_mtime_ns, found.st_size]


def _made(folder: Path) -> dict[str, list[int]] | None:
    """Entries the files were made from; `None` when they are not there, or not those that made.json speaks of."""
    try:
        made = json_of((folder / _MADE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(made, dict) or made.get("format") != _FORMAT:
        return None
    state = {name: _stat(folder / f"{name}.parquet") for name in _TABLES}
    entries = made.get("entries")
    return entries if made.get("files") == state and isinstance(entries, dict) else None


def _write(folder: Path, derived: Path, slugs: Sequence[str]) -> None:
    home = str(derived)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in tables([_entry(home, slug) for slug in slugs], slugs).items():
            part = folder / f".{name}.{os.getpid()}.part"
            try:
                frame.write_parquet(part, compression="lz4", row_group_size=_ROWS)
                part.replace(folder / f"{name}.parquet")
            finally:
                part.unlink(missing_ok=True)
    except (OSError, pl.exceptions.PolarsError) as error:
        why = getattr(error, "strerror", None) or (str(error).splitlines() or ["no reason told"])[0]
        problem = f"cannot be written: {why[:1].lower()}{why[1:]}."
        remedy = "Check that the disk is neither full nor read-only."
        raise BookError(Fault(f"derived/{folder.name}", "", problem, remedy)) from error


def _entry(derived: str, slug: str) -> Entry:
    try:
        with open(f"{derived}/{slug}/{ENTRY_FILE}", "rb") as file:  # noqa: PTH123 - as for os.stat below
            return read_entry(file.read())
    except (OSError, ValueError) as error:
        name = f"derived/{slug}/{ENTRY_FILE}"
        raise BookError(Fault(name, "", f"cannot be read: {error}.", "Delete it: it is made again.")) from error


def _text(words: str) -> str:
    """Words as an SQL text."""
    return "'" + words.replace("'", "''") + "'"
