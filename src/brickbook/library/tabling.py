"""The entries of all chargers as the tables of the catalogue.

Two million figures are a few seconds' work only when no step looks at them one by one: rows are turned to columns at
once, sorted by a radix sort of small numbers, and words are handled once for each different one.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.library.entries import FACTS, FIGURE, FINDING, FINDING_WORDS, Entry

__all__ = ["tables"]

IntArray = NDArray[np.int64]
Digests = NDArray[np.uint64]

_BLOCK = 4096
_MANY = 200_000
_WORDY = ("title", "maker", "model", "form", "currency", "sample_date")
_COLUMNS = tuple(FIGURE.names or ())
_NUMBERS = ("value", "u", "lower", "upper", "stated_u", "scatter_u", "scatter_dof")
_FINDING_SCHEMA: dict[str, Any] = {
    name if name != "source" else "clause": pl.Float64 if name.startswith("limit") else pl.String
    for name in FINDING_WORDS
}


def tables(entries: Sequence[Entry], slugs: Sequence[str]) -> dict[str, pl.DataFrame]:
    """The tables; figures sorted by study, name, what they share, and charger, and numbered so."""
    names = pl.Series(slugs, dtype=pl.String)
    chargers = pl.DataFrame(
        {"charger": names} | {fact: [e.facts[k] for e in entries] for k, fact in enumerate(FACTS)},
        schema_overrides={"ports": pl.Int32, "power_w": pl.Float64, "price": pl.Float64}
        | dict.fromkeys(_WORDY, pl.String),
    )
    words = _Words(entries)
    rows = _joined([e.figures.view(np.uint64) for e in entries], np.uint64).reshape(-1, len(_COLUMNS))
    owner = _owners([len(e.figures) for e in entries])
    kinds, kind = words.of(np.ascontiguousarray(rows[:, 0]))
    told = pl.DataFrame(
        [json.loads(text) for text in kinds],
        schema=dict.fromkeys(("study", "name", "unit", "alike"), pl.String),
        orient="row",
    )
    group = told.select(pl.struct("study", "name", "alike", "unit").rank("dense"))["study"].to_numpy()
    # rows stand by charger already: a stable sort by group leaves them so within each; 16 bits are sorted by radix
    order = np.argsort(group.astype(np.uint16 if len(group) < 1 << 16 else np.uint32)[kind], kind="stable")
    count = rows[:, _COLUMNS.index("errors")].astype(np.int64)
    begin = np.cumsum(count) - count
    columns = dict(zip(_COLUMNS, _turned(rows, order), strict=True))
    del rows
    whose, kind = owner[order], kind[order]
    ats, at = words.of(columns["at"])
    flags, flag = words.of(columns["flags"])
    spelt = told.with_columns(pl.all().cast(pl.Categorical))
    figures = pl.DataFrame(
        {
            "id": pl.Series(np.arange(len(order), dtype=np.uint32)),
            "charger": names.cast(pl.Categorical).gather(whose),
            **{name: spelt[name].gather(kind) for name in spelt.columns},
            **{name: _number(columns[name].view(np.float64)) for name in _NUMBERS},
            "conditions": _few(ats).gather(at),
            "flags": _few(flags).gather(flag),
        }
    )
    del columns
    return {
        "chargers": chargers,
        "figures": figures,
        "errors": _errors(entries, words, whose, begin[order], count[order]),
        "findings": _findings(entries, words, figures, order),
        "groups": told.hstack(_chargers_of(kind, whose, len(kinds))).sort("study", "name", "alike", "unit"),
    }


def _turned(rows: Digests, order: IntArray) -> Digests:
    """Rows in a new order as columns, some thousand at a time so that they stay in the processor's cache."""
    out = np.empty((rows.shape[1], len(rows)), rows.dtype)
    for start in range(0, len(rows), _BLOCK):
        out[:, start : start + _BLOCK] = rows[order[start : start + _BLOCK]].T
    return out


def _errors(entries: Sequence[Entry], words: _Words, whose: IntArray, begin: IntArray, count: IntArray) -> pl.DataFrame:
    """Errors in the figures' new order: copied stretch by stretch from where each figure's begin."""
    # eight bytes a row, moved as one number: place among the entry's sources, and the contribution
    rows = _joined([e.errors.view(np.uint64) for e in entries], np.uint64)
    moved = rows[np.repeat(begin - (np.cumsum(count) - count), count) + np.arange(len(rows))].view(np.uint32)
    first = np.cumsum([0, *(len(e.sources) for e in entries)], dtype=np.int64)[:-1]
    local = _joined([e.sources for e in entries], np.uint64)
    sources, code = words.of(local)
    told = pl.Series([json.loads(text) for text in sources], dtype=pl.String).cast(pl.Categorical)
    return pl.DataFrame(
        {
            "id": pl.Series(np.repeat(np.arange(len(count), dtype=np.uint32), count)),
            "source": told.gather(code[moved[::2] + np.repeat(first[whose], count)]),
            "u": pl.Series(moved[1::2].view(np.float32)),
        }
    )


def _findings(entries: Sequence[Entry], words: _Words, figures: pl.DataFrame, order: IntArray) -> pl.DataFrame:
    rows = _joined([e.findings.view(np.uint8) for e in entries], np.uint8).view(FINDING)
    owner = _owners([len(e.findings) for e in entries])
    first = np.cumsum([0, *(len(e.figures) for e in entries)], dtype=np.int64)[:-1]
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.arange(len(order))
    rules, rule = words.of(np.ascontiguousarray(rows["kind"]))
    of = number[first[owner] + rows["figure"]] if len(rows) else np.zeros(0, dtype=np.int64)
    by_figure = np.argsort(of, kind="stable")
    said = pl.DataFrame([json.loads(text) for text in rules], schema=_FINDING_SCHEMA, orient="row")
    said = said.with_columns(pl.col(pl.String).cast(pl.Categorical))
    judged = figures.select("id", "charger", "study", "name")[of[by_figure]]
    return judged.hstack(said[rule[by_figure]]).with_columns(p_conform=_number(rows["p_conform"][by_figure]))


def _chargers_of(kind: IntArray, owner: IntArray, count: int) -> pl.DataFrame:
    """How many chargers have each kind of figure; rows of one kind stand together, and in them those of a charger."""
    new = np.ones(len(kind), dtype=bool)
    new[1:] = (kind[1:] != kind[:-1]) | (owner[1:] != owner[:-1])
    return pl.DataFrame({"chargers": pl.Series(np.bincount(kind[new], minlength=count), dtype=pl.UInt32)})


class _Words:
    """Words by their digests, as JSON.

    Entries with the same digests have the same words, which are read once. All others are joined as one text and cut by
    the lines, so that no word of two million becomes an object of its own.
    """

    def __init__(self, entries: Sequence[Entry]) -> None:
        different = list({entry.digests.tobytes(): entry for entry in entries if len(entry.digests)}.values())
        text = b"\n".join(entry.plain() for entry in different).decode()
        known = pl.DataFrame(
            {
                "digest": _joined([entry.digests for entry in different], np.uint64),
                "text": pl.Series([text]).str.split("\n").explode() if different else pl.Series([], dtype=pl.String),
            }
        )
        known = known.unique("digest").sort("digest")
        self._digests, self._texts = known["digest"].to_numpy(), known["text"]

    def of(self, digests: Digests) -> tuple[pl.Series, IntArray]:
        """The different words, and for each digest which of them."""
        kinds = np.sort(pl.Series(digests).unique().to_numpy()) if len(digests) else digests
        return self._texts.gather(np.searchsorted(self._digests, kinds)), _places(kinds, digests)


def _places(kinds: Digests, digests: Digests) -> IntArray:
    """Place of each digest among the sorted different ones."""
    # by its lowest bits where they tell all apart: a look into a small table instead of a search
    for bits in (10, 14, 18):
        low = (kinds & np.uint64((1 << bits) - 1)).astype(np.int64)
        if len(kinds) <= 1 << (bits - 3) and len(np.unique(low)) == len(kinds):
            table = np.zeros(1 << bits, dtype=np.int64)
            table[low] = np.arange(len(kinds))
            return table[(digests & np.uint64((1 << bits) - 1)).astype(np.int64)]
    return np.searchsorted(kinds, digests).astype(np.int64)


def _joined(parts: Sequence[NDArray[Any]], kind: Any) -> NDArray[Any]:
    """All parts behind each other."""
    return np.concatenate([np.zeros(0, kind), *parts])


def _owners(counts: Sequence[int]) -> IntArray:
    """Number of the entry that each row is from."""
    return np.repeat(np.arange(len(counts)), np.array(counts, dtype=np.int64))


def _number(values: NDArray[Any]) -> pl.Series:
    """Numbers; NaN and infinity, which other tools read in many ways, are null."""
    finite = np.isfinite(values)
    series = pl.Series(np.ascontiguousarray(values, dtype=np.float64))
    return series if finite.all() else series.set(pl.Series(~finite), None)


def _few(words: pl.Series) -> pl.Series:
    """Words as categories where these are few: of millions each would be looked up for nothing."""
    return words.cast(pl.Categorical) if len(words) < _MANY else words
