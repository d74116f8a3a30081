"""Cells to numbers, strictly: a cell is a number, a known word for "no reading", or a fault.

Overflow: an instrument that cannot give a reading answers 9.9E37 (infinity), -9.9E37, or 9.91E37 (not a number),
SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (clause numbers from memory). They look like numbers to every parser, so they
are taken out by size.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.core.errors import Fault
from brickbook.core.shape import Shape
from brickbook.core.table import Dropped

__all__ = ["CellFault", "Marks", "NumberColumn", "marks_of", "numbers_of", "one_number"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MISSING = frozenset(
    {
        "",
        "-",
        "--",
        "---",
        "----",
        "-----",
        "–",
        "—",
        "nan",
        "-nan",
        "+nan",
        "n/a",
        "na",
        "n.a.",
        "#n/a",
        "null",
        "none",
    }
)
OVERLOAD = frozenset(
    {
        *("ol", "+ol", "-ol", "o.l", "o.l.", "ovl", "ovld", "ovrld", "overload", "overflow", "over", "overrange"),
        *("over range", "inf", "+inf", "-inf", "infinity", "+infinity", "-infinity", "****", "*****", "******"),
    }
)
SCPI_OVERFLOW = 9.89e37  # anything from here on is no reading
SCPI_NAN = 9.905e37  # and from here on it is "not a number", 9.91E37, rather than infinity, 9.9E37


@dataclass(frozen=True, slots=True)
class Marks:
    """How numbers are written: decimal mark, mark between thousands, further words for "no reading"."""

    decimal: str = "."
    thousands: str = ""
    missing: frozenset[str] = frozenset()

    @property
    def plain(self) -> str:
        """Pattern of a number without thousands marks."""
        d = re.escape(self.decimal)
        return rf"^[+-]?(?:[0-9]+(?:{d}[0-9]*)?|{d}[0-9]+)(?:[eE][+-]?[0-9]{{1,3}})?$"

    @property
    def grouped(self) -> str:
        """Pattern of a number with its thousands marks in place."""
        d, t = re.escape(self.decimal), re.escape(self.thousands)
        return rf"^[+-]?[0-9]{{1,3}}(?:{t}[0-9]{{3}})+(?:{d}[0-9]*)?$"


@dataclass(frozen=True, slots=True)
class CellFault:
    """The first bad cell of a column, and how many more there are."""

    line: int
    problem: str
    remedy: str
    more: int = 0

    def fault(self, file: str, header: str) -> Fault:
        """As an error shows it."""
        more = f" ({self.more} more like it in this column.)" if self.more else ""
        return Fault(file, f"line {self.line}, column {header!r}", self.problem, self.remedy + more)


@dataclass(frozen=True, slots=True)
class NumberColumn:
    """A column of readings as written, NaN where there is none, and what was left out."""

    values: FloatArray
    dropped: tuple[Dropped, ...]


def marks_of(shape: Shape) -> Marks:
    """The marks a shape states."""
    return Marks(shape.decimal, shape.thousands, frozenset(word.strip().casefold() for word in shape.missing))


def numbers_of(cells: pl.Series, lines: IntArray, header: str, marks: Marks, shape_id: str) -> NumberColumn | CellFault:
    """Numbers of a column of text cells.

    Parameters
    ----------
    cells
        Text, shape (n,); null is an empty cell.
    lines
        Line of each cell, shape (n,).
    header
        Header, for the reasons of what was dropped.
    marks
        How numbers are written.
    shape_id
        For the remedy.
    """
    text = cells.fill_null("").str.strip_chars()
    good = text.str.contains(marks.plain)
    plain = text
    if marks.thousands:
        grouped = text.str.contains(marks.grouped)
        if bool(grouped.any()):
            bare = text.str.contains(rf"^[+-]?[0-9]{{4,}}(?:{re.escape(marks.decimal)}|$)") & ~grouped
            first = _first(bare)
            if first is not None:
                return CellFault(
                    int(lines[first]),
                    f"cell {text[first]!r} has no mark between thousands, others of this column have it: "
                    "they cannot be told apart from decimals.",
                    f'Check the column; if no mark is meant, set thousands = "" in shape {shape_id}.',
                    int(bare.sum()) - 1,
                )
            plain = pl.select(
                pl.when(grouped).then(text.str.replace_all(marks.thousands, "", literal=True)).otherwise(text)
            ).to_series()
            good = good | grouped
    if marks.decimal == ",":
        plain = plain.str.replace(",", ".", literal=True)
    values = plain.set(~good, None).cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy().copy()
    taken = good.to_numpy()
    too_large = taken & ~np.isfinite(values)
    if too_large.any():
        first = int(np.argmax(too_large))
        return CellFault(int(lines[first]), f"cell {text[first]!r} is too large for a number.", "Check the line.")
    fault, dropped = _words(text, ~taken, lines, header, marks, shape_id)
    if fault is not None:
        return fault
    return NumberColumn(*take_overflow(values, lines, header, dropped))


def take_overflow(
    values: FloatArray, lines: IntArray, header: str, dropped: Sequence[Dropped] = ()
) -> tuple[FloatArray, tuple[Dropped, ...]]:
    """Values with the SCPI overflow numbers taken out and counted (in place)."""
    with np.errstate(invalid="ignore"):
        beyond = np.abs(values) >= SCPI_OVERFLOW
    found = list(dropped)
    if beyond.any():
        nan = np.abs(values) > SCPI_NAN
        for mask, what in ((beyond & ~nan, "overload, sent as 9.9E37"), (nan, "not a number, sent as 9.91E37")):
            if mask.any():
                found.append(Dropped(int(mask.sum()), f"{header}: {what}", int(lines[int(np.argmax(mask))])))
        values[beyond] = np.nan
    return values, tuple(found)


def _words(
    text: pl.Series, odd: NDArray[np.bool_], lines: IntArray, header: str, marks: Marks, shape_id: str
) -> tuple[CellFault | None, list[Dropped]]:
    """Sort cells that are no numbers into known words, counted, and faults."""
    where = np.flatnonzero(odd)
    if len(where) == 0:
        return None, []
    kinds: dict[str, list[int]] = {}
    bad: list[int] = []
    for at, cell in zip(where.tolist(), text.gather(where).to_list(), strict=True):
        word = cell.casefold()
        if word in MISSING or word in marks.missing:
            kinds.setdefault(f"{header}: missing, written {cell!r}", []).append(at)
        elif word in OVERLOAD:
            kinds.setdefault(f"{header}: overload, written {cell!r}", []).append(at)
        else:
            bad.append(at)
    if bad:
        cell = text[bad[0]]
        problem, remedy = explain(cell, marks, shape_id)
        return CellFault(int(lines[bad[0]]), problem, remedy, len(bad) - 1), []
    return None, [Dropped(len(at), reason, int(lines[at[0]])) for reason, at in kinds.items()]


def explain(cell: str, marks: Marks, shape_id: str) -> tuple[str, str]:
    """Why a cell is not a number, and what to do."""
    shown = repr(cell if len(cell) <= 40 else cell[:37] + "...")
    other = "," if marks.decimal == "." else "."
    if re.fullmatch(r"[+-]?[0-9]{1,3}(?:[.,' ][0-9]{3})*[.,][0-9]+", cell) and len(re.findall(r"[.,' ]", cell)) > 1:
        return (
            f"cell {shown} has a mark between thousands as well as a decimal mark.",
            f"If that is how the meter writes, set decimal and thousands in shape {shape_id}.",
        )
    if re.search(Marks(other).plain, cell):
        return (
            f"cell {shown} has the decimal mark {other!r}, the shape says {marks.decimal!r}.",
            f"Import the file with a new guess, or set decimal = {_quoted(other)} in shape {shape_id}.",
        )
    if re.match(r"[+-]?[0-9]+(?:[.,][0-9]+)?\s*[^\d\s.,]", cell):
        return (
            f"cell {shown} is a number with something behind it; a unit belongs in the header or a unit row.",
            "Have the meter log plain numbers.",
        )
    return (
        f"cell {shown} is neither a number nor a known word for a missing reading.",
        f"If the meter means a missing reading by it, add it to `missing` of shape {shape_id}.",
    )


def one_number(cell: str, marks: Marks) -> float | None:
    """The number in a cell, or `None` when there is none; overflow counts as a number here."""
    text = cell.strip()
    if re.search(marks.plain, text):
        return float(text.replace(",", ".") if marks.decimal == "," else text)
    if marks.thousands and re.search(marks.grouped, text):
        text = text.replace(marks.thousands, "")
        return float(text.replace(",", ".") if marks.decimal == "," else text)
    return None


def _first(mask: pl.Series) -> int | None:
    return mask.arg_max() if bool(mask.any()) else None


def _quoted(text: str) -> str:
    return f'"{text}"'
