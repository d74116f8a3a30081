"""Where the table begins in a log, and its cells as text with the line each stands on."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.core.errors import ReadError
from brickbook.core.shape import Shape, normalise_header
from brickbook.core.table import Dropped
from brickbook.readers.numbers import MISSING, OVERLOAD, Marks, marks_of, one_number
from brickbook.readers.text import FileText, fail

__all__ = ["Cells", "Place", "cells_of", "find_table", "split_line", "strip_comment"]

IntArray = NDArray[np.int64]
_COMMENTS = ("#", "//", "%", "!", "*")


@dataclass(frozen=True, slots=True)
class Place:
    """Where the table stands: lines from 1; `header` and `units` are 0 where there is no such line."""

    header: int
    units: int
    first: int
    headers: tuple[str, ...]
    unit_texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Cells:
    """The table's cells.

    Parameters
    ----------
    columns
        Position to cells; text, or float64 where the fast way could take numbers at once; null is an empty cell.
    lines
        Line of each row, shape (n,).
    dropped
        Lines left out, counted.
    """

    columns: dict[int, pl.Series]
    lines: IntArray
    dropped: tuple[Dropped, ...] = ()


def split_line(line: str, delimiter: str) -> list[str]:
    """Fields of one line, quotes taken off (RFC 4180), blanks around them too."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
    except csv.Error:  # a field longer than the parser takes is no reading: it is judged as it stands
        return [cell.strip() for cell in line.split(delimiter)]


def strip_comment(line: str) -> str:
    """A header line without the comment mark some meters put before it."""
    plain = line.lstrip()
    for mark in _COMMENTS:
        if plain.startswith(mark):
            return plain.lstrip(mark).lstrip()
    return line


def trimmed(cells: Sequence[str]) -> list[str]:
    """Headers without the empty ones that trailing delimiters leave."""
    kept = list(cells)
    while kept and not kept[-1]:
        kept.pop()
    return kept


def named(headers: Sequence[str], width: int) -> list[str]:
    """Headers with a number in place of a name for empty ones; one may be missing at the end."""
    filled = [header or f"column {k}" for k, header in enumerate(headers, start=1)]
    if len(filled) == width - 1 and filled:
        filled.append(f"column {width}")
    return filled


def find_table(text: FileText, shape: Shape) -> Place | None:
    """The header line of a shape in a file, and where its data begin; `None` when the headers are not there."""
    wanted = [normalise_header(header) for header in shape.headers]
    if not shape.header_row:
        return _first_data(text, shape)
    delimiter = shape.delimiter
    least = len(trimmed([h if h != f"column {k}" else "" for k, h in enumerate(wanted, start=1)])) - 1
    starts, ends = text.bounds
    body = text.body
    mark = delimiter.encode()
    # header words may hold quotes or the comment mark, so lines are compared field by field, but only likely ones
    for number, start, end in _bounds(starts, ends):
        if delimiter != " " and body.count(mark, start, end) < least:
            continue
        line = strip_comment(body[start:end].decode())
        if '"' not in line and delimiter != " " and not _begins(line, delimiter, wanted[0]):
            continue
        if delimiter == " ":
            headers = spaced_headers(line, len(wanted))
        elif '"' not in line and len(line.split(delimiter)) > len(wanted) + 8:
            continue
        else:
            headers = trimmed(_safe_split(line, delimiter))
        headers = named(headers, len(wanted))
        if (
            not headers
            or normalise_header(headers[0]) != wanted[0]
            or [normalise_header(header) for header in headers] != wanted
        ):
            continue
        units = _next_filled(text, number + 1) if shape.unit_row else 0
        unit_texts: tuple[str, ...] = ()
        if units:
            unit_line = strip_comment(text.line(units))
            unit_texts = tuple(cell.strip("[]() -") for cell in _safe_split(unit_line, delimiter))
        return Place(number, units, (units or number) + 1, tuple(headers), unit_texts)
    return None


def _begins(line: str, delimiter: str, first: str) -> bool:
    """Whether the first field is the first header; an empty one stands for "column 1"."""
    return (normalise_header(line.partition(delimiter)[0]) or "column 1") == first


def _bounds(starts: IntArray, ends: IntArray, block: int = 4096) -> Iterator[tuple[int, int, int]]:
    """Number, start and end of each line, taken out of the arrays by the block: most often the first is enough."""
    for begin in range(0, len(starts), block):
        part = slice(begin, begin + block)
        yield from zip(range(begin + 1, begin + 1 + block), starts[part].tolist(), ends[part].tolist(), strict=False)


def spaced_headers(line: str, count: int) -> list[str]:
    """Headers of a table aligned by blanks: single words, or parted by two blanks or more where words hold one."""
    words = line.split()
    if len(words) == count:
        return words
    wide = [part.strip() for part in line.replace("\t", "  ").split("  ") if part.strip()]
    return wide if len(wide) == count else words


def _safe_split(line: str, delimiter: str) -> list[str]:
    try:
        return split_line(line, delimiter)
    except csv.Error:
        return []


def _next_filled(text: FileText, number: int) -> int:
    for line in range(number, min(number + 5, text.count) + 1):
        if text.line(line).strip():
            return line
    return 0


def _first_data(text: FileText, shape: Shape) -> Place | None:
    """First line of a file without header: as wide as the shape, and every cell that is used may be a reading."""
    used = {normalise_header(column.header) for column in shape.columns if column.column}
    used |= {normalise_header(header) for header in shape.time.headers}
    at = [k for k, header in enumerate(shape.headers) if normalise_header(header) in used]
    marks = marks_of(shape)
    width = len(shape.headers)
    for number in range(1, text.count + 1):
        cells = _safe_split(text.line(number), shape.delimiter)
        if len(cells) == width + 1 and not cells[-1]:
            cells.pop()
        if len(cells) == width and any(cells) and all(_may_be_reading(cells[k], marks) for k in at):
            return Place(0, 0, number, shape.headers)
    return None


def _may_be_reading(cell: str, marks: Marks) -> bool:
    """A number, a time, or a word for a missing reading."""
    word = cell.strip().casefold()
    known = word in MISSING or word in OVERLOAD or word in marks.missing
    return known or one_number(cell, marks) is not None or (word[:1].isdigit() and bool(re.search(r"\d[:./-]\d", word)))


def cells_of(text: FileText, shape: Shape, place: Place, wanted: dict[int, bool]) -> Cells:
    """Cells of the wanted columns below the header.

    Parameters
    ----------
    wanted
        Position of each wanted column, and whether it holds numbers (which may then come as float64).

    Raises
    ------
    ReadError
        On a row with too few or too many fields, or a quote that is never closed.
    """
    if place.first > text.count:
        return Cells({k: pl.Series([], dtype=pl.String) for k in wanted}, np.empty(0, dtype=np.int64))
    starts, ends = (bound[place.first - 1 :] for bound in text.bounds)
    lines = np.arange(place.first, text.count + 1, dtype=np.int64)
    keep, dropped = _kept(text.body, starts, ends, lines, shape)
    if not keep.any():
        return Cells({k: pl.Series([], dtype=pl.String) for k in wanted}, np.empty(0, dtype=np.int64), dropped)
    begin = int(starts[0])
    if shape.delimiter == " " or text.body.find(b'"', begin) >= 0:
        return _slow(text, shape, place, keep, wanted, dropped)
    if keep.all():
        body = text.body[begin:]
    else:
        last = int(np.flatnonzero(keep)[-1])
        if keep[: last + 1].all():
            body = text.body[begin : int(ends[last])]
        else:
            raw = text.body
            body = b"\n".join(raw[s:e] for s, e in zip(starts[keep].tolist(), ends[keep].tolist(), strict=True))
    surplus = _surplus(body, int(keep.sum()), shape.delimiter.encode(), len(place.headers))
    if surplus is None:
        return _slow(text, shape, place, keep, wanted, dropped)
    frame = _frame(body, shape, len(place.headers) + surplus, wanted)
    assert len(frame) == int(keep.sum())
    return Cells({k: frame[str(k)] for k in wanted}, lines[keep], dropped)


def _kept(
    body: bytes, starts: IntArray, ends: IntArray, lines: IntArray, shape: Shape
) -> tuple[NDArray[np.bool_], tuple[Dropped, ...]]:
    """Which lines are rows: not blank, not a comment, not behind the footer."""
    keep = ends > starts
    first = np.zeros(len(starts), dtype=np.uint8)
    first[keep] = np.frombuffer(body, dtype=np.uint8)[starts[keep]]
    # a row of nothing but delimiters is a blank line that went through a spreadsheet
    hollow = np.isin(first, np.frombuffer((shape.delimiter + ' \t"').encode(), dtype=np.uint8)) & keep
    blank = (shape.delimiter + ' \t"').encode()
    for k in np.flatnonzero(hollow).tolist():
        if not body[starts[k] : ends[k]].strip(blank):
            keep[k] = False
    dropped: list[Dropped] = []
    if shape.footer:
        mark = shape.footer.encode()
        likely = np.flatnonzero((first == mark[0]) & keep).tolist()
        at = next((k for k in likely if body.startswith(mark, int(starts[k]))), None)
        if at is not None:
            count = int(keep[at:].sum())
            dropped.append(Dropped(count, f"line from the footer {shape.footer!r} on", int(lines[at])))
            keep[at:] = False
    if shape.comment:
        mark = shape.comment.encode()
        likely = np.flatnonzero((first == mark[0]) & keep).tolist()
        comments = [k for k in likely if body.startswith(mark, int(starts[k]))]
        if comments:
            keep[comments] = False
            dropped.append(
                Dropped(len(comments), f"comment line, begins with {shape.comment!r}", int(lines[comments[0]]))
            )
    return keep, tuple(dropped)


def _frame(body: bytes, shape: Shape, width: int, wanted: dict[int, bool]) -> pl.DataFrame:
    """Rows without quotes and of one width: polars, told the type of every column."""
    for numeric in (True, False):
        schema = {str(k): pl.Float64 if numeric and wanted.get(k, False) else pl.String for k in range(width)}
        try:
            frame = pl.read_csv(
                body,
                has_header=False,
                separator=shape.delimiter,
                quote_char=None,
                schema=schema,
                columns=sorted(wanted),
                decimal_comma=numeric and shape.decimal == ",",
                infer_schema=False,
            )
        except pl.exceptions.ComputeError:
            if not numeric:
                raise
            continue  # some cell is no number: take text, and say which
        if not numeric or _numbers_stand(frame, body, shape, wanted):
            return frame
    raise AssertionError("text can always be read as text")


def _numbers_stand(frame: pl.DataFrame, body: bytes, shape: Shape, wanted: dict[int, bool]) -> bool:
    """Whether numbers read at once may be trusted: all finite, and no stray mark of the other kind."""
    if shape.thousands:
        return False
    numeric = [frame[str(k)] for k, number in wanted.items() if number]
    if any(not bool(column.drop_nulls().is_finite().all()) for column in numeric):
        return False
    if shape.decimal == ",":  # polars takes 4.5 for a number there, too
        texts = [frame[str(k)] for k, number in wanted.items() if not number]
        dots = sum(int(column.str.count_matches(".", literal=True).sum() or 0) for column in texts)
        return body.count(b".") == dots
    return True


def _surplus(body: bytes, rows: int, mark: bytes, width: int) -> int | None:
    """1 when every row ends in one delimiter too many, 0 when none does; `None` when rows differ.

    Every row is counted: polars fills a short row up in silence, and a long one too when its last columns are not read.
    """
    total = body.count(mark)
    surplus = (total - rows * (width - 1)) // rows
    per_row = width + surplus  # delimiters of a row, its line end included
    if surplus not in (0, 1) or total != rows * (per_row - 1):
        return None
    data = np.frombuffer(body, dtype=np.uint8)
    at = np.flatnonzero((data == mark[0]) | (data == 10))
    if not body.endswith(b"\n"):
        at = np.append(at, len(body))
    ends = at[per_row - 1 :: per_row]
    if len(at) != rows * per_row or not bool((data[ends[:-1]] == 10).all()):
        return None
    if surplus and not bool((data[ends - 1] == mark[0]).all()):
        return None
    return surplus


def ragged(name: str, line: int, found: int, shape: Shape, *, last: bool) -> ReadError:
    """The fault of a row with a wrong number of fields."""
    width = len(shape.headers)
    remedy = (
        f"Raw files are never edited: export the log again, or set footer in shape {shape.id} to what the line begins "
        "with, so that lines from there on are left out."
    )
    if found < width and last:
        remedy += " The last line is often cut short when logging stops."
    if found > width and shape.delimiter == ",":
        remedy += " A decimal comma in a file parted by commas looks like this."
    fields = "field" if found == 1 else "fields"
    return fail(name, line, f"{found} {fields}, but the header has {width}.", remedy)


def _slow(
    text: FileText,
    shape: Shape,
    place: Place,
    keep: NDArray[np.bool_],
    wanted: dict[int, bool],
    dropped: tuple[Dropped, ...],
) -> Cells:
    """With quotes or aligned by blanks: row by row."""
    width = len(place.headers)
    columns: dict[int, list[str]] = {k: [] for k in wanted}
    lines: list[int] = []
    last = int(np.flatnonzero(keep)[-1]) + place.first
    for line, cells in _rows(text, shape, place, keep):
        if len(cells) == width + 1 and not cells[-1]:
            cells.pop()
        if len(cells) != width:
            raise ragged(text.name, line, len(cells), shape, last=line == last)
        lines.append(line)
        for k, column in columns.items():
            column.append(cells[k])
    return Cells(
        {k: pl.Series(column, dtype=pl.String) for k, column in columns.items()},
        np.array(lines, dtype=np.int64),
        dropped,
    )


def _rows(text: FileText, shape: Shape, place: Place, keep: NDArray[np.bool_]) -> Iterator[tuple[int, list[str]]]:
    """Line and fields of each row. A quoted field may run over line ends; the row then has its first line."""
    starts, ends = text.bounds
    chosen = (np.flatnonzero(keep) + place.first).tolist()
    numbers = iter(chosen)
    if shape.delimiter == " ":
        for number in numbers:
            yield number, text.line(number).split()
        return
    current = {"first": 0}

    def source() -> Iterator[str]:
        for number in numbers:
            current["first"] = current["first"] or number
            yield text.body[starts[number - 1] : ends[number - 1]].decode() + "\n"

    reader = csv.reader(source(), delimiter=shape.delimiter, skipinitialspace=True, strict=True)
    while True:
        current["first"] = 0
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise fail(
                text.name,
                current["first"],
                f"the quotes do not fit: {error}.",
                "A quoted field ends with a quote before the next delimiter, and a quote inside it is doubled.",
            ) from error
        yield current["first"], [cell.strip() for cell in cells]
