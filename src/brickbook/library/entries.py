"""A charger's entry for the catalogue: what of its result is needed beside those of all others.

One small file for each charger, derived/<slug>/entry-<format>.bin, made from its result.json and read by the
ten thousand: numbers as arrays, words as 64-bit digests. The words themselves stand at the end of the file, compressed,
and are read only when a digest has not been met in another charger. Such a file is a cache: it may be deleted.

    a line of magic; a line of JSON: facts of the charger, lengths of what follows; FIGURE rows; ERROR rows; FINDING
    rows; digests of the sources of error; digests of all words; the words, a line of JSON each, zlib-compressed

A figure's budget is kept in the form comparison needs: errors of instruments, which figures of other chargers may
share, one by one with their sign; other bounds as one number; scatter as one number with its degrees of freedom.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brickbook.analysis.codec import finding_json
from brickbook.analysis.store import Stored
from brickbook.core.figure import Component, Figure
from brickbook.library.likeness import alike_conditions, alike_text

__all__ = [
    "ENTRY_FILE",
    "ERROR",
    "FACTS",
    "FIGURE",
    "FINDING",
    "FINDING_WORDS",
    "Entry",
    "SplitBudget",
    "entry_bytes",
    "read_entry",
    "split_budget",
]

ENTRY_FILE = "entry-3.bin"  # the number rises when what is in it changes
_MAGIC = b"Brickbook entry 3\n"
FACTS = ("title", "maker", "model", "form", "ports", "power_w", "price", "currency", "sample_date")
FINDING_WORDS = (
    "rule", "title", "origin", "sense", "limit", "limit_high", "decision", "market", "source", "reading",
)  # fmt: skip

FIGURE = np.dtype(
    [
        ("kind", "<u8"),  # digest of [study, name, unit, alike]
        ("at", "<u8"),  # digest of the conditions as JSON
        ("flags", "<u8"),  # digest of the flags as JSON
        ("value", "<f8"),
        ("u", "<f8"),
        ("lower", "<f8"),
        ("upper", "<f8"),
        ("stated_u", "<f8"),
        ("scatter_u", "<f8"),
        ("scatter_dof", "<f8"),
        ("errors", "<u8"),  # how many of the ERROR rows are its own; they stand in the figures' order
    ]
)  # all of eight bytes: the rows of many entries are turned to columns as one table of numbers
ERROR = np.dtype([("source", "<u4"), ("u", "<f4")])  # place among the entry's sources, signed contribution
FINDING = np.dtype([("figure", "<u4"), ("kind", "<u8"), ("p_conform", "<f8")])
Rows = NDArray[np.void]
Digests = NDArray[np.uint64]


@dataclass(frozen=True, slots=True, eq=False)
class Entry:
    """An entry as read.

    Parameters
    ----------
    facts
        Of the charger, in the order of `FACTS`.
    figures, errors, findings
        Rows; those of findings name the figure's row.
    sources
        Digests of the sources of error, in the order ERROR rows count them.
    digests, packed
        Of all words, and the words themselves, still compressed.
    """

    facts: tuple[Any, ...]
    figures: Rows
    errors: Rows
    findings: Rows
    sources: Digests
    digests: Digests
    packed: bytes

    def plain(self) -> bytes:
        """All words, a line of JSON each, in the order of `digests`."""
        return zlib.decompress(self.packed)

    def words(self) -> dict[int, Any]:
        """Digest to words."""
        lines = self.plain().decode().split("\n") if len(self.digests) else []
        return {digest: json.loads(line) for digest, line in zip(self.digests.tolist(), lines, strict=True)}


def read_entry(data: bytes) -> Entry:
    """The entry in a file's content.

    Raises
    ------
    ValueError
        When it is none, or cut short.
    """
    if not data.startswith(_MAGIC):
        raise ValueError("it does not begin as an entry of this version does")
    end = data.index(b"\n", len(_MAGIC))
    head = json.loads(data[len(_MAGIC) : end])
    place = end + 1
    parts: list[NDArray[Any]] = []
    for kind, count in zip((FIGURE, ERROR, FINDING, _DIGEST, _DIGEST), head["rows"], strict=True):
        parts.append(np.frombuffer(data, kind, count, place))
        place += kind.itemsize * count
    if len(data) - place != head["packed"]:
        raise ValueError(f"it should go on for {head['packed']} bytes and has {len(data) - place}")
    figures, errors, findings, sources, digests = parts
    return Entry(tuple(head["facts"]), figures, errors, findings, sources, digests, data[place:])


_DIGEST = np.dtype("<u8")


@dataclass(frozen=True, slots=True)
class SplitBudget:
    """A budget seen from other chargers.

    Parameters
    ----------
    shared
        Source to signed contribution, for errors another charger's figure may have in common.
    stated_u
        Other bounds together [unit of the figure].
    scatter_u
        Scatter together [unit of the figure].
    scatter_dof
        Its degrees of freedom: the fewest of its parts, where a part makes more than 1 % of the variance.
    """

    shared: Mapping[str, float]
    stated_u: float
    scatter_u: float
    scatter_dof: float


def split_budget(figure: Figure, instruments: Collection[str]) -> SplitBudget:
    """What a figure's uncertainty has in common with other chargers' and what not.

    Shared is the accuracy of an instrument on a range: "<instrument>: <quantity> <range>", of kind B, one unknown
    fraction of a bound. Own is scatter (kind A), what differs from reading to reading ("..., linearity at <point>"),
    what comes from one recording ("<recording>: own noise"; recordings of two chargers may well have one name), and
    resistances "as stated": the same adapter may have been used for both chargers, but nothing says so, and taking
    its error as not shared never makes a difference look surer than it is.

    Parameters
    ----------
    figure
        The figure.
    instruments
        Names in bench.toml: only their errors are shared.
    """
    shared = {c.source: c.sign * c.u for c in figure.budget if _is_shared(c, instruments)}
    own = [c for c in figure.budget if c.source not in shared]
    scatter = [c for c in own if math.isfinite(c.dof)]
    variance = sum(c.u**2 for c in scatter)
    return SplitBudget(
        shared,
        math.sqrt(sum(c.u**2 for c in own if not math.isfinite(c.dof))),
        math.sqrt(variance),
        min((c.dof for c in scatter if c.u**2 > 0.01 * variance), default=math.inf),
    )


def _is_shared(component: Component, instruments: Collection[str]) -> bool:
    name, colon, _ = component.source.partition(": ")
    return component.kind == "B" and bool(colon) and name in instruments and ", linearity at " not in component.source


def entry_bytes(stored: Stored, instruments: Collection[str]) -> bytes:
    """The entry of a charger, from its stored result and the names of the book's instruments."""
    charger = stored.charger
    price, sample = charger.get("price") or {}, charger.get("sample") or {}
    port_count = len(charger["ports"])
    facts = (
        charger["name"],
        charger["maker"],
        charger["model"],
        charger["form"],
        port_count,
        charger["nameplate"]["total_power_w"],
        price.get("amount"),
        price.get("currency"),
        sample.get("date"),
    )
    words: dict[int, str] = {}
    place = {figure.key: k for k, figure in reversed(list(enumerate(stored.figures)))}
    sources: dict[int, int] = {}
    figures, errors = [], []
    for figure in stored.figures:
        split = split_budget(figure, instruments)
        kind = [figure.study, figure.name, figure.unit, alike_text(alike_conditions(figure, port_count))]
        figures.append(
            (
                _digest(kind, words),
                _digest(dict(figure.conditions), words),
                _digest(list(figure.flags), words),
                figure.value,
                figure.u,
                figure.lower,
                figure.upper,
                split.stated_u,
                split.scatter_u,
                split.scatter_dof,
                len(split.shared),
            )
        )
        errors += [(sources.setdefault(_digest(name, words), len(sources)), u) for name, u in split.shared.items()]
    findings = []
    for finding in stored.findings:
        plain = finding_json(finding)
        said = [plain[name] for name in FINDING_WORDS]
        findings.append((place[finding.figure], _digest(said, words), finding.p_conform))
    arrays = [
        np.array(rows, dtype=kind)
        for rows, kind in (
            (figures, FIGURE),
            (errors, ERROR),
            (findings, FINDING),
            (list(sources), _DIGEST),
            (list(words), _DIGEST),
        )
    ]
    packed = zlib.compress("\n".join(words.values()).encode())
    head = json.dumps({"facts": facts, "rows": [len(a) for a in arrays], "packed": len(packed)}, ensure_ascii=False)
    return b"".join([_MAGIC, head.encode(), b"\n", *(array.tobytes() for array in arrays), packed])


def _digest(said: Any, words: dict[int, str]) -> int:
    """64-bit digest of some words, which are kept; of a hundred thousand, two share one with probability 3e-10."""
    text = json.dumps(said, ensure_ascii=False, sort_keys=True)
    digest = int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "little")
    words[digest] = text
    return digest
