"""The catalogue: all chargers of a book, or of several, as Parquet files that any tool can query.

derived/_catalogue/ holds chargers.parquet, figures.parquet and findings.parquet, made from each charger's entry. When
some chargers have changed, only their entries are read again. Queries run in an embedded in-memory DuckDB over these
files: there is no database file that could be locked.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import numpy as np
import polars as pl

from brickbook.analysis import load
from brickbook.book import Book
from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.library.entries import ENTRY_FILE, ENTRY_SCHEMA, entry_bytes

__all__ = ["Catalogue", "Refreshed", "open_catalogue", "refresh_catalogue", "write_entry"]

FOLDER = "_catalogue"  # no charger's folder can be called so
_MADE = "made.json"
_FORMAT = 1
_TABLES = ("chargers", "figures", "findings")
_CHARGER = ("title", "maker", "model", "form", "ports", "power_w", "price", "currency", "sample_date")
_FIGURE = tuple(name for name in ENTRY_SCHEMA if name not in _CHARGER and name != "findings")
_ROWS = 50_000  # of a row group: a query for one figure reads few of them


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What bringing a catalogue up to date did.

    Parameters
    ----------
    chargers
        In the catalogue now.
    read, kept, gone
        Entries read again, entries taken over, chargers that are no longer there.
    missing
        Chargers of the book without a result: they are not in the catalogue.
    """

    chargers: int
    read: int
    kept: int
    gone: int
    missing: tuple[str, ...] = ()


def write_entry(book: Book, slug: str) -> None:
    """Make the entry of a charger from its stored result.

    Raises
    ------
    BookError
        When the charger has not been analysed.
    """
    book.write(book.derived(slug) / ENTRY_FILE, entry_bytes(load(book, slug)))


def refresh_catalogue(book: Book) -> Refreshed:
    """Bring the catalogue of a book up to date with its stored results.

    A charger is read again when its result is newer than its entry, or its entry another than the catalogue was made
    from. Nothing is analysed here: a result that is older than the raw files is taken as it lies there.
    """
    slugs = book.chargers()
    stamps, missing = _stamps(book, slugs)
    folder = book.derived() / FOLDER
    made = _made(folder)
    known: Mapping[str, Sequence[int]] = made.get("entries", {})
    changed = [slug for slug, stamp in stamps.items() if list(known.get(slug, ())) != list(stamp)]
    gone = [slug for slug in known if slug not in stamps]
    if changed or gone or not made:
        fresh = set(changed)
        _write(folder, book.derived(), changed, [slug for slug in stamps if slug not in fresh])
        state = {name: _stat(folder / f"{name}.parquet") for name in _TABLES}
        text = json.dumps({"format": _FORMAT, "entries": stamps, "files": state})
        book.write(folder / _MADE, text.encode())
    return Refreshed(len(stamps), len(changed), len(stamps) - len(changed), len(gone), missing)


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
        When a book has no catalogue and `refresh` is false.
    """
    opened = list(books)
    if not opened:
        raise ValueError("a catalogue needs a book")
    results = tuple(refresh_catalogue(book) for book in opened) if refresh else ()
    titles = [book.title for book in opened]
    names = [t if titles.count(t) == 1 else f"{t} ({b.root})" for t, b in zip(titles, opened, strict=True)]
    folders = {}
    for name, book in zip(names, opened, strict=True):
        folder = book.derived() / FOLDER
        if not _made(folder):
            raise BookError(Fault(f"derived/{FOLDER}", "", "the book has no catalogue yet.", "Run: brickbook compare"))
        folders[name] = folder
    return Catalogue(folders, results)


class Catalogue:
    """Tables of all chargers, for SQL.

    Tables: `chargers`, `figures`, `findings`, and the view `shared_errors` of each figure's instrument errors. See
    docs/reference/catalogue.md.

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
        self.connection.execute(
            "CREATE VIEW shared_errors AS SELECT book, charger, study, name, alike, conditions, "
            "unnest(shared, recursive := true) FROM figures"
        )

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


def _stamps(book: Book, slugs: Sequence[str]) -> tuple[dict[str, list[int]], tuple[str, ...]]:
    """Stamp of each charger's entry, made anew where its result is newer; and the chargers without a result."""
    stamps: dict[str, list[int]] = {}
    missing = []
    derived = book.derived()
    for slug in slugs:
        entry, result = _stat(derived / slug / ENTRY_FILE), _stat(derived / slug / "result.json")
        if result is None:
            missing.append(slug)
            continue
        if entry is None or entry[0] < result[0]:
            write_entry(book, slug)
            entry = _stat(derived / slug / ENTRY_FILE)
        assert entry is not None
        stamps[slug] = entry
    return stamps, tuple(missing)


def _stat(path: Path) -> list[int] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - ten thousand of them: Path.stat takes twice as long
    except OSError:
        return None
    return [found.st_mtime_ns, found.st_size]


def _made(folder: Path) -> dict[str, Any]:
    """What the files were made from; empty when they are not there, of another format, or not those it speaks of."""
    try:
        made = json.loads((folder / _MADE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(made, dict) or made.get("format") != _FORMAT:
        return {}
    state = {name: _stat(folder / f"{name}.parquet") for name in _TABLES}
    return made if made.get("files") == state else {}


def _write(folder: Path, derived: Path, changed: Sequence[str], kept: Sequence[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    fresh = _tables(derived, changed)
    for name, frame in fresh.items():
        path = folder / f"{name}.parquet"
        if kept:
            keep = pl.Series("charger", list(kept), dtype=pl.String)
            old = pl.read_parquet(path).filter(pl.col("charger").is_in(keep.implode()))
            frame = pl.concat([old, frame])  # noqa: PLW2901
        order = ("study", "name", "charger") if name != "chargers" else ("charger",)
        part = folder / f".{name}.{os.getpid()}.part"
        frame.sort(*order, maintain_order=True).write_parquet(
            part, compression="zstd", compression_level=1, row_group_size=_ROWS
        )
        part.replace(path)


def _tables(derived: Path, slugs: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Chargers, figures and findings of some entries."""
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        parts = list(pool.map(lambda slug: _entry(derived / slug / ENTRY_FILE), slugs))
    if parts:
        names = pl.Series(slugs).gather(np.repeat(np.arange(len(parts)), [len(part) for part in parts]))
        whole = pl.concat(parts).with_columns(charger=names)
    else:
        whole = pl.DataFrame(schema={**ENTRY_SCHEMA, "charger": pl.String})
    figures = whole.filter(pl.col("study").is_not_null())
    findings = (
        figures.filter(pl.col("findings").list.len() > 0)
        .select("charger", "study", "name", "value", "unit", "u", "conditions", "findings")
        .explode("findings")
        .unnest("findings")
    )
    return {
        "chargers": whole.filter(pl.col("study").is_null()).select("charger", *_CHARGER),
        "figures": figures.select("charger", *_FIGURE),
        "findings": findings,
    }


def _entry(path: Path) -> pl.DataFrame:
    try:
        frame = pl.read_ipc_stream(path)
    except (OSError, pl.exceptions.PolarsError) as error:
        name = f"derived/{path.parent.name}/{path.name}"
        raise BookError(Fault(name, "", "cannot be read.", "Delete it: it is made again.")) from error
    if dict(frame.schema) != ENTRY_SCHEMA:
        name = f"derived/{path.parent.name}/{path.name}"
        raise BookError(Fault(name, "", "is not an entry of this version.", "Delete it: it is made again."))
    return frame


def _text(words: str) -> str:
    """Words as an SQL text."""
    return "'" + words.replace("'", "''") + "'"
