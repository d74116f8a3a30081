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
import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.analysis import load
from brickbook.book import Book
from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.library.entries import (
    ENTRY_FILE,
    ERROR,
    FACTS,
    FIGURE,
    FINDING,
    FINDING_WORDS,
    Entry,
    entry_bytes,
    read_entry,
)

__all__ = ["Catalogue", "Refreshed", "open_catalogue", "refresh_catalogue", "write_entry"]

IntArray = NDArray[np.int64]

FOLDER = "_catalogue"  # no charger's folder can be called so
_MADE = "made.json"
_FORMAT = 4
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
    derived = book.derived()
    for slug in slugs:
        entry, result = _stat(derived / slug / ENTRY_FILE), _stat(derived / slug / "result.json")
        if result is None:
            missing.append(slug)
            continue
        if entry is None or entry[0] < result[0]:
            write_entry(book, slug)
            made += 1
            entry = _stat(derived / slug / ENTRY_FILE)
        assert entry is not None
        stamps[slug] = entry
    return stamps, made, tuple(missing)


def _stat(path: Path) -> list[int] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - ten thousand of them: Path.stat takes twice as long
    except OSError:
        return None
    return [found.st_mtime_ns, found.st_size]


def _made(folder: Path) -> dict[str, list[int]] | None:
    """Entries the files were made from; `None` when they are not there, or not those that made.json speaks of."""
    try:
        made = json.loads((folder / _MADE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(made, dict) or made.get("format") != _FORMAT:
        return None
    state = {name: _stat(folder / f"{name}.parquet") for name in _TABLES}
    entries = made.get("entries")
    return entries if made.get("files") == state and isinstance(entries, dict) else None


def _write(folder: Path, derived: Path, slugs: Sequence[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in _tables([_entry(derived / slug / ENTRY_FILE) for slug in slugs], slugs).items():
        part = folder / f".{name}.{os.getpid()}.part"
        frame.write_parquet(part, compression="lz4", row_group_size=_ROWS)
        part.replace(folder / f"{name}.parquet")


def _entry(path: Path) -> Entry:
    try:
        return read_entry(path.read_bytes())
    except (OSError, ValueError) as error:
        name = f"derived/{path.parent.name}/{path.name}"
        raise BookError(Fault(name, "", f"cannot be read: {error}.", "Delete it: it is made again.")) from error


def _tables(entries: Sequence[Entry], slugs: Sequence[str]) -> dict[str, pl.DataFrame]:
    """The tables; figures sorted by study, name, what they share, and charger, and numbered so."""
    names = pl.Series(slugs, dtype=pl.String)
    chargers = pl.DataFrame(
        {"charger": names} | {fact: [e.facts[k] for e in entries] for k, fact in enumerate(FACTS)},
        schema_overrides={"ports": pl.Int32, "power_w": pl.Float64, "price": pl.Float64}
        | dict.fromkeys(_WORDY, pl.String),
    )
    rows, owner = _joined([e.figures for e in entries], FIGURE)
    errors, error_owner = _joined([e.errors for e in entries], ERROR)
    findings, finding_owner = _joined([e.findings for e in entries], FINDING)
    first = np.cumsum([0, *(len(e.figures) for e in entries)])
    words = _Words(entries)
    kinds, kind = words.of(rows["kind"], owner)
    ats, at = words.of(rows["at"], owner)
    flags, flag = words.of(rows["flags"], owner)
    told = pl.DataFrame(kinds, schema=dict.fromkeys(("study", "name", "unit", "alike"), pl.String), orient="row")
    group = told.select(pl.struct("study", "name", "alike", "unit").rank("dense"))["study"].to_numpy()
    order = np.lexsort((owner, group[kind]))
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.arange(len(order))
    spelt = told.with_columns(pl.all().cast(pl.Categorical))
    figures = pl.DataFrame(
        {
            "id": pl.Series(np.arange(len(order)), dtype=pl.UInt32),
            "charger": names.cast(pl.Categorical).gather(owner[order]),
            **{name: spelt[name].gather(kind[order]) for name in spelt.columns},
            **{name: _number(rows[name][order]) for name in _NUMBERS},
            "conditions": _texts(ats).gather(at[order]),
            "flags": _texts(flags).gather(flag[order]),
        }
    )
    sources, source = words.of(errors["source"], error_owner)
    # errors stand in the figures' old order, each figure's together: they are copied stretch by stretch
    count = np.bincount(first[error_owner] + errors["figure"], minlength=len(order))
    start, length = (np.cumsum(count) - count)[order], count[order]
    sequence = np.repeat(start - (np.cumsum(length) - length), length) + np.arange(len(errors))
    shared = pl.DataFrame(
        {
            "id": pl.Series(np.repeat(np.arange(len(order)), length), dtype=pl.UInt32),
            "source": pl.Series(sources, dtype=pl.String).cast(pl.Categorical).gather(source[sequence]),
            "u": errors["u"][sequence],
        }
    )
    rules, rule = words.of(findings["kind"], finding_owner)
    of = number[first[finding_owner] + findings["figure"]] if len(findings) else np.zeros(0, dtype=np.int64)
    by_figure = np.argsort(of, kind="stable")
    said = pl.DataFrame(rules, schema=_FINDING_SCHEMA, orient="row")
    judged = figures[of[by_figure]].select("id", "charger", "study", "name")
    judged = judged.hstack(said[rule[by_figure]]).with_columns(p_conform=_number(findings["p_conform"][by_figure]))
    groups = told.hstack(_chargers_of(kind, owner, len(kinds))).sort("study", "name", "alike", "unit")
    return {"chargers": chargers, "figures": figures, "errors": shared, "findings": judged, "groups": groups}


def _chargers_of(kind: IntArray, owner: IntArray, count: int) -> pl.DataFrame:
    """How many chargers have each kind of figure."""
    pairs = pl.DataFrame({"kind": kind, "owner": owner}).unique()["kind"].to_numpy()
    return pl.DataFrame({"chargers": pl.Series(np.bincount(pairs, minlength=count), dtype=pl.UInt32)})


_WORDY = ("title", "maker", "model", "form", "currency", "sample_date")
_NUMBERS = ("value", "u", "lower", "upper", "stated_u", "scatter_u", "scatter_dof")
_FINDING_SCHEMA: dict[str, Any] = {
    name if name != "source" else "clause": pl.Float64 if name.startswith("limit") else pl.String
    for name in FINDING_WORDS
}


class _Words:
    """Words by their digests, taken from the first charger that has them."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._entries = entries
        self._known: dict[int, Any] = {}

    def of(self, digests: IntArray, owner: IntArray) -> tuple[list[Any], IntArray]:
        """The different words, and for each digest which of them."""
        column = np.ascontiguousarray(digests)
        kinds = (
            pl.DataFrame({"digest": column, "row": np.arange(len(column))})
            .group_by("digest")
            .agg(pl.min("row"))
            .sort("digest")
        )
        said = [self._said(digest, int(owner[row])) for digest, row in kinds.iter_rows()]
        return said, np.searchsorted(kinds["digest"].to_numpy(), column)

    def _said(self, digest: int, charger: int) -> Any:
        if digest not in self._known:
            self._known.update(self._entries[charger].words())
        return self._known[digest]


def _joined(parts: Sequence[NDArray[np.void]], kind: np.dtype[np.void]) -> tuple[Any, IntArray]:
    """Rows of all entries, and the entry each is from."""
    # as bytes: to join rows of named fields, numpy would look at each field of each part
    empty = np.zeros(0, np.uint8)
    return np.concatenate([empty, *(part.view(np.uint8) for part in parts)]).view(kind), np.repeat(
        np.arange(len(parts)), np.array([len(part) for part in parts], dtype=np.int64)
    )


def _number(values: Any) -> pl.Series:
    """Numbers; NaN and infinity, which other tools read in many ways, are null."""
    series = pl.Series(values, dtype=pl.Float64)
    finite = series.is_finite()
    return series if finite.all() else series.set(~finite, None)


def _texts(words: Sequence[Any]) -> pl.Series:
    """Words as JSON."""
    return pl.Series([json.dumps(w, ensure_ascii=False) for w in words], dtype=pl.String).cast(pl.Categorical)


def _text(words: str) -> str:
    """Words as an SQL text."""
    return "'" + words.replace("'", "''") + "'"
