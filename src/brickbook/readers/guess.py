"""A first guess of a file's shape, with the reason for each part, for a person to confirm."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from brickbook.core.shape import Shape, ShapeColumn, fingerprint, normalise_header
from brickbook.readers.guess_columns import ColumnGuess, guess_columns, guess_long, long_roles
from brickbook.readers.guess_time import guess_time
from brickbook.readers.layout import find_table, named, spaced_headers, split_line, strip_comment, trimmed
from brickbook.readers.numbers import MISSING, OVERLOAD, Marks
from brickbook.readers.text import FileText, decode, detect_encoding, fail
from brickbook.readers.units import is_unit

__all__ = ["Guess", "guess_shape", "matching_shape"]

Delimiter = Literal[",", ";", "\t", "|", " "]
_SAMPLE_LINES = 400
_HEAD_BYTES = 262_144
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"),
    ",": re.compile(r"[+-]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][+-]?\d{1,3})?"),
}
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:(?P<mark>[,.' ])\d{3})(?:(?P=mark)\d{3})*(?:[.,]\d+)?")
_TIMELIKE = re.compile(
    r"(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})?[T ,]*(\d{1,4}:\d\d(:\d\d([.,]\d+)?)?)?( ?[AaPp][Mm])?( ?(Z|[+-]\d\d:?\d\d))?"
)
_SHOWN = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "blanks"}


@dataclass(frozen=True, slots=True)
class Guess:
    """What a file seems to be.

    Parameters
    ----------
    shape
        To be confirmed or corrected, then kept.
    columns
        Each header with what it was taken for, why, and how sure that is. The time comes first.
    unmapped
        Headers that were taken for nothing.
    header_line, first_line
        Line of the header (0: none) and of the first row.
    notes
        The other decisions, one line each: encoding, delimiter, decimal mark, units.
    """

    shape: Shape
    columns: tuple[ColumnGuess, ...]
    unmapped: tuple[str, ...]
    header_line: int
    first_line: int
    notes: tuple[str, ...]

    @property
    def preamble_lines(self) -> int:
        """Lines above the header."""
        return (self.header_line or self.first_line) - 1

    @property
    def sure(self) -> bool:
        """Whether nothing needs a second look."""
        return all(column.confidence == "sure" for column in self.columns)


@dataclass(frozen=True, slots=True)
class _Grid:
    """The best way to see a table in the lines: rows of equal width, mostly numbers."""

    delimiter: Delimiter
    first: int  # index of the first row
    rows: list[list[str]]
    score: float


def matching_shape(data: bytes, shapes: Sequence[Shape], *, name: str = "the file") -> Shape | None:
    """The first of the known shapes whose headers stand in the file, or `None`.

    The preamble may have another length and the data be others; the headers must be the same in the same order.
    """
    texts: dict[str, FileText | None] = {}
    detected, _ = detect_encoding(data)
    for shape in shapes:
        if not shape.header_row:
            continue
        if shape.encoding not in texts:
            texts[shape.encoding] = decode(data, shape.encoding, name) if _may_be(data, shape, detected) else None
        text = texts[shape.encoding]
        if text is not None and find_table(text, shape) is not None:
            return shape
    return None


def _may_be(data: bytes, shape: Shape, detected: str) -> bool:
    """Whether the bytes can be in a shape's encoding; ASCII is both UTF-8 and cp1252."""
    return shape.encoding == detected or (
        data.isascii() and shape.encoding in ("utf-8", "cp1252") and b"\0" not in data
    )


def guess_shape(data: bytes, name: str) -> Guess:
    """The shape a log seems to have.

    Parameters
    ----------
    data
        The file's bytes; the first 256 kB decide, unless the preamble is longer.
    name
        Path for messages.

    Raises
    ------
    ReadError
        When no table can be seen: empty, binary, only a preamble.
    """
    encoding, why = detect_encoding(data)
    text = decode(data, encoding, name)
    lines = _head(text)
    grid = _best_grid(lines)
    if grid is None and text.count > len(lines):
        lines = [text.line(k) for k in range(1, text.count + 1)]
        grid = _best_grid(lines)
    if grid is None:
        raise fail(
            name,
            0,
            f"no rows of numbers are to be seen in {text.count} lines: a preamble without readings, or no log at all.",
            "Check that the log was stopped and saved before it was copied.",
        )
    header_at, unit_at, headers, comment = _header(lines, grid)
    width = len(headers)
    rows = [row[:width] + [""] * (width - len(row)) for row in grid.rows]
    columns = [[row[k] for row in rows] for k in range(width)]
    decimal, thousands, decimal_why = _decimal(columns, grid.delimiter)
    units = _unit_row(lines, unit_at, grid.delimiter, width)
    notes = [
        f"encoding {encoding}: {why}",
        f"delimiter {_SHOWN[grid.delimiter]}: {len(grid.rows)} rows of {width} fields",
        f"decimal mark {decimal!r}: {decimal_why}",
        f"header in line {header_at + 1}" if header_at is not None else "no header: columns are numbered",
    ]
    if unit_at is not None:
        notes.append(f"units in line {unit_at + 1}")
    if header_at is None:
        above = next((k for k in range(grid.first - 1, -1, -1) if lines[k].strip()), None)
        fields = 0 if above is None else len(trimmed(_fields(strip_comment(lines[above]), grid.delimiter)))
        if above is not None and fields > width:
            notes.append(
                f"line {above + 1} above the rows has {fields} fields, they have {width}: "
                "it is not taken as their header"
            )
    if thousands:
        notes.append(f"mark between thousands {thousands!r}: it stands before three digits, with a decimal mark behind")
    marks = Marks(decimal, thousands)
    time = guess_time(headers, units, columns, marks)
    shape_parts = {
        "id": fingerprint(grid.delimiter, headers, header_row=header_at is not None),
        "delimiter": grid.delimiter,
        "headers": tuple(headers),
        "time": time.time,
        "decimal": decimal,
        "thousands": thousands,
        "encoding": encoding,
        "header_row": header_at is not None,
        "unit_row": unit_at is not None,
        "comment": comment,
    }
    roles = long_roles(headers, columns, time)
    if roles is not None:
        series, guesses = guess_long(roles, headers, columns, marks)
        shape = Shape(
            columns=series,
            layout="long",
            quantity_header=roles.quantity,
            channel_header=roles.channel,
            value_header=roles.value,
            unit_header=roles.unit,
            **shape_parts,  # type: ignore[arg-type]
        )
    else:
        guesses = guess_columns(headers, units, columns, time, marks)
        used = tuple(ShapeColumn(g.header, g.column, "" if g.from_unit_row else g.unit) for g in guesses if g.column)
        shape = Shape(columns=used, **shape_parts)  # type: ignore[arg-type]
    twice = sorted({h for h in headers if [normalise_header(x) for x in headers].count(normalise_header(h)) > 1})
    if twice:
        notes.append(f"header {twice[0]!r} stands more than once: its columns cannot be told apart and are not used")
    if not any(column.column for column in shape.columns):
        notes.append("no column was recognised: say which is what")
    return Guess(
        shape=shape,
        columns=(*time.guesses, *guesses),
        unmapped=tuple(g.header for g in guesses if not g.column),
        header_line=header_at + 1 if header_at is not None else 0,
        first_line=grid.first + 1,
        notes=tuple(notes),
    )


def _head(text: FileText) -> list[str]:
    """Whole lines of the first part of the file."""
    cut = text.body[:_HEAD_BYTES]
    if len(text.body) > _HEAD_BYTES:
        cut = cut[: cut.rfind(b"\n") + 1] or text.body
    return cut.decode().rstrip("\n").split("\n")


def _cell_kind(cell: str) -> float:
    """1 for what may stand in a table of readings, less for an empty cell, 0 for words."""
    if not cell:
        return 0.2
    word = cell.casefold()
    if word in MISSING or word in OVERLOAD:
        return 0.5
    if any(pattern.fullmatch(cell) for pattern in _NUMBER.values()) or _GROUPED.fullmatch(cell):
        return 1.0
    return 1.0 if any(c.isdigit() for c in cell) and _TIMELIKE.fullmatch(cell) else 0.0


def _best_grid(lines: list[str]) -> _Grid | None:
    grids = [grid for delimiter in get_args(Delimiter) if (grid := _grid(lines, delimiter)) is not None]
    best = max(grids, key=lambda grid: grid.score, default=None)
    if best is not None and best.delimiter == "," and len(best.rows[0]) == 2:
        # two whole numbers under a single header are one number with a decimal comma
        whole = all(re.fullmatch(r"[+-]?\d+", row[0]) and re.fullmatch(r"\d+", row[1]) for row in best.rows)
        if whole and _header_width(lines, best.first, ",") == 1:
            return _Grid(";", best.first, [[",".join(row)] for row in best.rows], best.score)
    return best


def _fields(line: str, delimiter: Delimiter) -> list[str]:
    try:
        return split_line(line, delimiter)
    except csv.Error:
        return []


def _grid(lines: list[str], delimiter: Delimiter) -> _Grid | None:
    """The longest run of like rows under one delimiter."""
    best: tuple[int, list[list[str]]] = (0, [])
    run: list[list[str]] = []
    begin, skipped = 0, 0
    for at, line in enumerate(lines):
        if not line.strip(delimiter + " \t"):
            skipped += 1
            continue
        if delimiter != " " and delimiter not in line and delimiter != ",":
            cells: list[str] = []
        else:
            cells = _fields(line, delimiter)
        good = bool(cells) and _is_row(cells)
        if good and run and _joins(run, cells):
            run.append(cells)
        elif good:
            run, begin = [cells], at
        elif run and line.lstrip().startswith(("#", "//", "%", "!")):
            continue
        else:
            run = []
        # from a run of one row any later run may take over; a settled one only gives way to a longer one
        if len(run) > len(best[1]) or (len(run) == len(best[1]) and run and len(run[0]) > len(best[1][0])):
            best = (begin, run)
        if len(best[1]) >= _SAMPLE_LINES:
            break
    first, rows = best
    if not rows:
        return None
    if all(len(row) > 1 and not row[-1] for row in rows) and _header_width(lines, first, delimiter) < len(rows[0]):
        rows = [row[:-1] for row in rows]
    width = len(rows[0])
    if width == 1 and delimiter != ",":
        return None
    header_fits = _header_width(lines, first, delimiter) in (width, width + 1)
    numeric = sum(_cell_kind(cell) for row in rows for cell in row) / (len(rows) * width)
    score = len(rows) * numeric * (1.0 + 0.01 * width) * (2.0 if header_fits else 1.0) * (1.0 if width > 1 else 0.5)
    if len(rows) == 1 and not header_fits:
        return None
    if delimiter == " " and width > 1 and any(":" in row[0] or ":" in row[-1] for row in rows) and width == 2:
        score *= 0.5  # a date and a time parted by a blank are not yet a table
    return _Grid(delimiter, first, rows, score)


def _joins(run: list[list[str]], cells: list[str]) -> bool:
    """Whether a row has the width of those before it; one empty field at the end counts for nothing (in place)."""
    width = len(run[0])
    if len(cells) == width + 1 and not cells[-1]:
        cells.pop()
    elif len(cells) == width - 1 > 0 and not any(row[-1] for row in run):
        for row in run:
            row.pop()
    return len(cells) == len(run[0])


def _is_row(cells: list[str]) -> bool:
    """Whether fields look like a row of readings; words may stand in up to half of them (long files)."""
    kinds = [_cell_kind(cell) for cell in cells]
    if sum(kind == 1.0 for kind in kinds) == 0:
        return False
    return sum(kind == 0.0 for kind in kinds) <= (len(cells) + 1) // 2 if len(cells) > 2 else 0.0 not in kinds


def _header_width(lines: list[str], first: int, delimiter: Delimiter) -> int:
    at = first - 1
    while at >= 0 and not lines[at].strip():
        at -= 1
    if at < 0:
        return -1
    cells = _fields(strip_comment(lines[at]), delimiter)
    return len(trimmed(cells))


def _header(lines: list[str], grid: _Grid) -> tuple[int | None, int | None, list[str], str]:
    """Index of the header and of the unit row, the headers, and the mark of comment lines."""
    width = len(grid.rows[0])
    above = [at for at in range(grid.first - 1, -1, -1) if lines[at].strip()][:3]
    comment = next((m for m in ("#", "//", "%", "!") if any(x.lstrip().startswith(m) for x in lines[grid.first :])), "")
    candidates: list[tuple[int, list[str]]] = []
    for at in above:
        line = strip_comment(lines[at])
        cells = spaced_headers(line, width) if grid.delimiter == " " else _fields(line, grid.delimiter)
        candidates.append((at, trimmed(cells)))
    numbered = [f"column {k + 1}" for k in range(width)]
    if not candidates:
        return None, None, numbered, comment
    at, cells = candidates[0]
    unit_at = None
    if _are_units(cells, width) and len(candidates) > 1 and _are_words(candidates[1][1], width):
        unit_at = at
        at, cells = candidates[1]
    if not _are_words(cells, width):
        return None, None, numbered, comment
    return at, unit_at, named(cells, width), comment


def _are_units(cells: list[str], width: int) -> bool:
    filled = [cell for cell in cells if cell.strip("[]() -")]
    if not filled:  # empty brackets, or a line of dashes
        return any(cells)
    return len(cells) <= width and sum(_unit_like(cell) for cell in filled) >= 0.6 * len(filled)


def _unit_like(cell: str) -> bool:
    plain = cell.strip("[]() ")
    return is_unit(plain) or plain in ("C", "F", "1", "hh:mm:ss", "var")


def _are_words(cells: list[str], width: int) -> bool:
    """Whether fields can be headers: as many as the rows have, and no numbers among them."""
    if not cells or len(cells) > width or len(cells) < width - 1:
        return False
    return not any(_cell_kind(cell) == 1.0 for cell in cells) and any(any(c.isalpha() for c in cell) for cell in cells)


def _unit_row(lines: list[str], unit_at: int | None, delimiter: Delimiter, width: int) -> list[str]:
    if unit_at is None:
        return [""] * width
    cells = [cell.strip("[]() -") for cell in _fields(strip_comment(lines[unit_at]), delimiter)]
    return (cells + [""] * width)[:width]


def _decimal(
    columns: list[list[str]], delimiter: Delimiter
) -> tuple[Literal[".", ","], Literal["", ",", ".", " ", "'"], str]:
    """Decimal mark and mark between thousands, from the cells that are no times."""
    cells = [cell for column in columns for cell in column if any(c.isdigit() for c in cell) and ":" not in cell]
    cells = [cell for cell in cells if not re.fullmatch(r"\d{1,4}([-/.])\d{1,2}\1\d{1,4}", cell)]
    for cell in cells:  # both marks in one cell: the last is the decimal mark
        both = re.fullmatch(r"[+-]?\d{1,3}(?:([,.' ])\d{3})+([.,])\d*", cell)
        if both and both[1] != both[2]:
            return both[2], both[1], f"cell {cell!r}"  # type: ignore[return-value]
    comma = [cell for cell in cells if _NUMBER[","].fullmatch(cell) and "," in cell]
    dot = [cell for cell in cells if _NUMBER["."].fullmatch(cell) and "." in cell]
    if comma and not dot and delimiter != ",":
        three = all(re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell) for cell in comma)
        doubt = " (always three digits behind it: make sure it is not a mark between thousands)" if three else ""
        return ",", "", f"cell {comma[0]!r}{doubt}"
    if dot:
        return ".", "", f"cell {dot[0]!r}"
    return ".", "", "no cell has one"
