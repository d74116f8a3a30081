"""All chargers of a book at one glance: key figures, findings, and whether results are up to date."""

from __future__ import annotations

import functools
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from brickbook.analysis import code_digest, is_current
from brickbook.book import Book
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BookError
from brickbook.core.figure import Figure
from brickbook.core.page import Cell
from brickbook.library.catalogue import Catalogue
from brickbook.studies import STUDIES

__all__ = ["COLUMNS", "Freshness", "Line", "Result", "overview"]

Result = Literal["none", "current", "stale"]
_HEADLINES = tuple((s.id, h) for s in STUDIES for h in s.headlines if h.index)
COLUMNS: tuple[str, ...] = tuple(h.title for _, h in _HEADLINES)
_TOPS = ("book.toml", "bench.toml", "house-rules.toml", "shapes.toml")
_HEAD_BYTES = 400  # result.json begins with the digests it was made from


@dataclass(frozen=True, slots=True)
class Line:
    """A charger that was analysed.

    Parameters
    ----------
    charger
        Folder name.
    facts
        Row of the catalogue: title, maker, model, form, ports, power_w, price, currency, sample_date.
    cells
        A figure or `None` for each of `COLUMNS`, without method and sources.
    decisions
        How many findings of each decision.
    """

    charger: str
    facts: Mapping[str, Any]
    cells: tuple[Cell, ...]
    decisions: Mapping[str, int]


def overview(catalogue: Catalogue) -> dict[str, Line]:
    """Folder name to line, for all chargers of a catalogue of one book."""
    names = sorted({(study, h.name) for study, h in _HEADLINES})
    marks = ", ".join(["(?, ?)"] * len(names))
    found = catalogue.rows(
        "SELECT charger, study, name, unit, value, u, lower, upper, conditions, flags FROM figures "  # noqa: S608
        f"WHERE (study, name) IN ({marks}) ORDER BY charger, id",
        [word for pair in names for word in pair],
    )
    figures: dict[tuple[str, str, str], list[Figure]] = {}
    for row in found:
        figures.setdefault((row["charger"], row["study"], row["name"]), []).append(_figure(row))
    decisions: dict[str, dict[str, int]] = {}
    for row in catalogue.rows("SELECT charger, decision, count(*) AS n FROM findings GROUP BY charger, decision"):
        decisions.setdefault(row["charger"], {})[row["decision"]] = int(row["n"])
    lines = {}
    for facts in catalogue.rows("SELECT * FROM chargers ORDER BY charger"):
        slug = facts["charger"]
        cells = tuple(h.pick(figures.get((slug, study, h.name), ())) for study, h in _HEADLINES)
        lines[slug] = Line(slug, facts, cells, decisions.get(slug, {}))
    return lines


def _figure(row: Mapping[str, Any]) -> Figure:
    nan = float("nan")
    return Figure(
        study=row["study"],
        name=row["name"],
        value=row["value"],
        unit=row["unit"],
        u=row["u"],
        conditions=_conditions(row["conditions"]),
        method="",
        sources=(),
        lower=nan if row["lower"] is None else row["lower"],
        upper=nan if row["upper"] is None else row["upper"],
        flags=_flags(row["flags"]),
    )


@functools.lru_cache(maxsize=65_536)
def _conditions(text: str) -> Conditions:
    return Conditions.of(json.loads(text))


@functools.lru_cache(maxsize=4096)
def _flags(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))


@dataclass
class Freshness:
    """Whether results are up to date, for many chargers and often.

    `is_current` reads every raw file, which is right before a figure is quoted and too slow for a thousand chargers on
    each look. Here a result counts as current when this code made it and no file it was made from is newer; where one
    is, `is_current` decides, once for each state of the files.

    Parameters
    ----------
    book
        The book.
    budget
        How many results may still be read through; beyond that a newer file alone makes a result stale.
    """

    book: Book
    budget: int = 1_000_000
    _known: dict[str, tuple[object, Result]] = field(default_factory=dict)

    def of(self, slug: str) -> Result:
        """The state of a charger's result."""
        result = _stat(self.book.derived() / slug / "result.json")
        if result is None:
            return "none"
        inputs = self._inputs(slug)
        state = (result, inputs)
        known = self._known.get(slug)
        if known is not None and known[0] == state:
            return known[1]
        newest = max((at for at, _ in inputs), default=0)
        answer: Result
        if not _made_by_this_code(self.book.derived() / slug / "result.json"):
            answer = "stale"
        elif newest <= result[0]:
            answer = "current"
        elif self.budget <= 0:
            return "stale"  # not kept: the next look may read it through
        else:
            self.budget -= 1
            answer = "current" if self._is_current(slug) else "stale"
        self._known[slug] = (state, answer)
        return answer

    def _is_current(self, slug: str) -> bool:
        try:
            return is_current(self.book, slug)
        except BookError:
            return False

    def _inputs(self, slug: str) -> tuple[tuple[int, int], ...]:
        folder = self.book.root / "chargers" / slug
        found = [_stat(self.book.root / name) for name in _TOPS]
        found.append(_stat(folder / "charger.toml"))
        found += _tree(folder / "raw")
        return tuple(one or (0, -1) for one in found)


def _tree(folder: Path) -> list[tuple[int, int] | None]:
    """Stamps of all files in a folder, sorted by path."""
    found: list[tuple[str, tuple[int, int]]] = []
    waiting = [str(folder)]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as inside:
                for item in inside:
                    if item.is_dir(follow_symlinks=False):
                        waiting.append(item.path)
                    else:
                        stat = item.stat()
                        found.append((item.path, (stat.st_mtime_ns, stat.st_size)))
        except OSError:
            continue
    return [stamp for _, stamp in sorted(found)]


def _stat(path: Path) -> tuple[int, int] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - thousands of them: Path.stat takes twice as long
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _made_by_this_code(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return code_digest().encode() in file.read(_HEAD_BYTES)
    except OSError:
        return False
