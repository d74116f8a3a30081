"""Captures as text: rows of samples, with a time column or with the interval in the words before them.

The first lines are looked at closely, then the rows stream through in pieces of some megabytes, so that a file of any
length needs little memory. What cannot be read as a number becomes a missing sample and is counted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import BinaryIO

import numpy as np
import polars as pl

from brickbook.core.capture import INVALID, Capture
from brickbook.readers.captures_head import Head, read_head
from brickbook.readers.captures_labels import Found, Labels, capture_of
from brickbook.readers.captures_store import Spool
from brickbook.readers.captures_time import TimeCheck
from brickbook.readers.units import UnitProblem, conversion, is_unit, split_header

__all__ = ["read_text_capture"]

_LOOK = 1 << 15  # bytes looked at before the rows stream
_ROWS = 64  # rows looked at
_PIECE = 1 << 24  # bytes parsed at a time: smaller and larger pieces are slower
_WIDEST = 1000
_NUMBER = re.compile(r"\s*[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?\s*")
_NOTHING = re.compile(
    r"\s*(?:|[+-]?nan|[+-]?inf(?:inity)?|n/?a|-+|\*+|ovld|overload|overflow|ol|clip(?:ping|ped)?)\s*", re.IGNORECASE
)
_TIME_WORD = re.compile(r"\s*(?:time|t|zeit|temps|tiempo|tempo|x|x-axis|second|seconds|time_s)\b", re.IGNORECASE)
_INDEX_WORD = re.compile(r"\s*(?:index|sample|samples|point|n|no\.?|nr\.?|#|i)\s*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class _Layout:
    """What the first lines tell.

    Parameters
    ----------
    data_byte, data_line
        Where the rows begin: byte in the UTF-8 text, and line from 1.
    fields
        Fields of a row.
    columns
        Places of the columns of numbers, the clock's apart.
    clock
        Place of the time or index column; -1 where there is none.
    is_index
        Whether the clock counts samples and not seconds.
    """

    delimiter: str
    comma: bool
    data_byte: int
    data_line: int
    fields: int
    columns: tuple[int, ...]
    headers: tuple[str, ...]
    units: tuple[str, ...]
    clock: int
    clock_unit: str
    is_index: bool
    head: Head


def read_text_capture(path: Path, labels: Labels) -> Capture:
    """A text file of samples.

    Raises
    ------
    ReadError
        When there are no rows of numbers, times run backwards or jump, or most of a column is no number.
    """
    with path.open("rb") as stream:
        encoding, skip = _encoding(stream.read(4))
        stream.seek(skip)
        first = _look(stream, encoding)
        layout = _layout(first, labels)
        stream.seek(skip)
        try:
            return _stream(stream, encoding, layout, labels)
        except pl.exceptions.PolarsError as error:
            told = (str(error).splitlines() or ["damaged"])[0][:200]
            raise labels.fault("", f"cannot be read as text: {told}.", "Copy it from the source anew.") from error


def _encoding(start: bytes) -> tuple[str, int]:
    for mark, name in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if start.startswith(mark):
            return name, len(mark)
    return "utf-8", 0


def _look(stream: BinaryIO, encoding: str) -> str:
    """The first lines, as text."""
    data = stream.read(_LOOK)
    text = data.decode(encoding, errors="replace")
    if len(data) == _LOOK:  # the last line is cut
        text = text[: text.rfind("\n") + 1] or text
    return text


def _layout(text: str, labels: Labels) -> _Layout:
    lines = re.split(r"\r\n|\n|\r", text)
    if lines and not lines[-1].strip():
        lines.pop()
    if not any(line.strip() for line in lines):
        raise labels.fault("", "is empty.", "Record it anew, or take its entry out of the index.")
    best: tuple[tuple[int, bool, int], str, bool] | None = None
    for delimiter, comma in ((";", True), ("\t", True), (";", False), (",", False), ("\t", False), (" ", False)):
        start, count = _rows_from(lines, delimiter, comma=comma)
        # more rows win, then rows of nothing but numbers, then more fields; a decimal comma must be there to be taken
        # for one
        if count and comma and not any("," in line for line in lines[start:]):
            continue
        if not count:
            continue
        cells = [_split(line, delimiter) for line in lines[start : start + count]]
        pure = all(_is_number(cell, comma=comma) for row in cells for cell in row)
        score = (count, pure, len(cells[0]))
        if best is None or score > best[0]:
            best = (score, delimiter, comma)
    if best is None:
        raise labels.fault(
            "",
            "has no rows of numbers in its first lines.",
            "Name the reader that fits it, or export the samples as text.",
        )
    (_, _, fields), delimiter, comma = best
    if fields > _WIDEST:
        told = f"has rows of {fields} fields; {_WIDEST} are the most a capture has."
        raise labels.fault("", told, "Name the reader that fits it, or export a sample to a row.")
    start, _ = _rows_from(lines, delimiter, comma=comma)
    while start and _is_row(lines[start - 1], delimiter, fields, comma=comma):  # it begins with samples missing
        start -= 1
    rows = [_split(line, delimiter) for line in lines[start : start + _ROWS] if line.strip()]
    numeric = [k for k in range(fields) if all(k < len(r) and _is_number(r[k], comma=comma) for r in rows)]
    numeric = [k for k in numeric if 2 * sum(bool(_NUMBER.fullmatch(r[k])) for r in rows) > len(rows)]
    above = [(k, _split(line, delimiter)) for k, line in enumerate(lines[:start]) if line.strip()]
    headers, units, used = _headers(above, fields, numeric)
    pairs = [_pair(cells) for k, cells in above if k not in used]
    if numeric and numeric[0] > 0:  # words stand in the first columns of the rows themselves
        pairs += [_pair(cells[: numeric[0]]) for cells in (_split(line, delimiter) for line in lines[start:])]
        pairs += [_pair(cells[: numeric[0]]) for _, cells in above]
    head = read_head(pair for pair in pairs if pair is not None)
    clock, is_index = _clock(rows, numeric, headers, head, labels, comma=comma)
    taken = tuple(k for k in numeric if k != clock)
    if not taken:
        raise labels.fault("", "has a time column and nothing else.", "Export the channels as well.")
    clock_header = headers[clock] if clock >= 0 else ""
    clock_unit = (units[clock] or split_header(clock_header)[1] or "s") if clock >= 0 else ""
    data_byte = sum(len(line.encode()) for line in _kept_ends(text)[:start])
    return _Layout(
        delimiter=delimiter,
        comma=comma,
        data_byte=data_byte,
        data_line=start + 1,
        fields=fields,
        columns=taken,
        headers=tuple(headers[k] or f"column {k + 1}" for k in taken),
        units=tuple(units[k] or split_header(headers[k])[1] for k in taken),
        clock=clock,
        clock_unit=clock_unit,
        is_index=is_index,
        head=head,
    )


def _kept_ends(text: str) -> list[str]:
    return re.findall(r"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+$", text)


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    cells = [cell.strip().strip('"') for cell in line.split(delimiter)]
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    return cells


def _is_number(cell: str, *, comma: bool) -> bool:
    if _NOTHING.fullmatch(cell):
        return True
    return bool(_NUMBER.fullmatch(cell)) and ("." if comma else ",") not in cell


def _is_row(line: str, delimiter: str, fields: int, *, comma: bool) -> bool:
    cells = _split(line, delimiter)
    numbers = sum(bool(_NUMBER.fullmatch(cell)) for cell in cells)
    return len(cells) == fields > 1 and numbers > 0 and all(_is_number(cell, comma=comma) for cell in cells)


def _rows_from(lines: list[str], delimiter: str, *, comma: bool) -> tuple[int, int]:
    """Index of the first row of numbers, and how many follow it, among the lines looked at.

    A row has a number in its last field; the rows reach to the end of the lines, or for 64 lines.
    """

    @cache  # lines beyond the first rows are not looked at
    def shape_of(index: int) -> int:
        cells = _split(lines[index], delimiter)
        if not _NUMBER.fullmatch(cells[-1] if cells else "") or not _is_number(cells[-1], comma=comma):
            return 0
        return (
            len(cells) if all(_NUMBER.fullmatch(c) and _is_number(c, comma=comma) for c in cells[1:]) else -len(cells)
        )

    at = 0
    while at < len(lines):
        if shape_of(at) == 0:
            at += 1
            continue
        fields = abs(shape_of(at))
        count = 0
        for k, line in enumerate(lines[at : at + _ROWS], start=at):
            shape = shape_of(k)
            if abs(shape) == fields or not line.strip():
                count += shape != 0
            elif shape == 0 and all(_NOTHING.fullmatch(c) or _NUMBER.fullmatch(c) for c in _split(line, delimiter)):
                count += 1  # a row with samples missing, or cut short
            else:
                break
        needed = min(3, len(lines) - at)
        reaches = count >= min(_ROWS, len(lines) - at) - 1
        rows = [_split(line, delimiter) for line in lines[at : at + count]]
        first = rows[0]
        last_numbers = all(_NUMBER.fullmatch(r[-1]) or _NOTHING.fullmatch(r[-1]) for r in rows if r)
        plain = _NUMBER.fullmatch(first[0]) or fields > 2
        if count >= needed and reaches and last_numbers and plain:
            return at, count
        at += 1
    return 0, 0


def _headers(
    above: list[tuple[int, list[str]]], fields: int, numeric: list[int]
) -> tuple[list[str], list[str], set[int]]:
    """Headers and units of all fields, and the lines they were taken from."""
    headers, units, used = [""] * fields, [""] * fields, set()
    rest = [(k, cells) for k, cells in above if len(cells) == fields]
    if rest and rest[-1][0] == above[-1][0]:
        k, cells = rest[-1]
        own = [cells[j] for j in numeric]
        if all(is_unit(c) or not c for c in own) and any(own) and len(rest) > 1:
            units = [c.strip("[]() ") for c in cells]
            used.add(k)
            k, cells = rest[-2]
            own = [cells[j] for j in numeric]
        if not any(_NUMBER.fullmatch(c) for c in own):
            headers = cells
            used.add(k)
    return headers, units, used


def _pair(cells: list[str]) -> tuple[str, str, str] | None:
    filled = [c for c in cells if c]
    if len(filled) == 1:
        parts = re.split(r"\s*[:=]\s*|\s{2,}", filled[0].lstrip("#; "), maxsplit=1)
        return (parts[0], parts[1], "") if len(parts) == 2 else None
    if len(filled) < 2:
        return None
    return filled[0].lstrip("#; ").rstrip(" :="), filled[1], filled[2] if len(filled) > 2 else ""


def _clock(
    rows: list[list[str]], numeric: list[int], headers: list[str], head: Head, labels: Labels, *, comma: bool
) -> tuple[int, bool]:
    """Place of the time or index column (-1: none), and whether it counts samples."""
    if not numeric:
        raise labels.fault("", "has no column of numbers.", "Export the samples as text.")
    first = numeric[0]
    stated = head.interval_s is not None or labels.number("interval_s") or labels.number("sample_rate_hz")
    if len(numeric) == 1:
        return -1, False
    values = np.array([_value(r[first], comma=comma) for r in rows if first < len(r)])
    steps = np.diff(values)
    if _TIME_WORD.match(headers[first]) and not _INDEX_WORD.match(headers[first]):
        return first, False
    counts = bool(len(steps)) and bool((steps == 1.0).all())
    if counts and (stated or _INDEX_WORD.match(headers[first])):
        return first, True
    if stated and headers[first]:
        return -1, False
    rises = bool(len(steps)) and bool((steps >= 0).all()) and bool((steps > 0).any())
    if rises and (headers[first] == "" or is_unit(split_header(headers[first])[1])):
        unit = split_header(headers[first])[1]
        if not unit or _is_time(unit):
            return first, False
    return -1, False


def _is_time(unit: str) -> bool:
    try:
        conversion(unit, "s")
    except UnitProblem:
        return False
    return True


def _value(cell: str, *, comma: bool) -> float:
    try:
        return float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        return float("nan")


def _pieces(stream: BinaryIO, encoding: str, skip: int) -> Iterator[bytes]:
    """The rows as UTF-8, each piece ending with a line."""
    if encoding != "utf-8":
        yield from _decoded_pieces(stream, encoding, skip)
        return
    stream.seek(skip, 1)
    buffer = bytearray(_PIECE)  # used again and again: fresh memory costs as much as the reading
    kept = 0
    while True:
        if kept == len(buffer):  # a line longer than the buffer
            buffer += bytes(len(buffer))
        got = stream.readinto(memoryview(buffer)[kept:])  # type: ignore[attr-defined]
        if not got:
            break
        filled = kept + got
        end = buffer.rfind(b"\n", 0, filled) + 1
        if end:
            yield bytes(memoryview(buffer)[:end])
            buffer[: filled - end] = buffer[end:filled]
        kept = filled - end
    if buffer[:kept].strip():
        yield bytes(buffer[:kept])


def _decoded_pieces(stream: BinaryIO, encoding: str, skip: int) -> Iterator[bytes]:
    left, wide = b"", b""
    while data := stream.read(_PIECE):
        data = wide + data
        cut = len(data) // 2 * 2
        wide, text = data[cut:], data[:cut].decode(encoding, errors="replace").encode()
        gone = min(skip, len(text))
        text, skip = left + text[gone:], skip - gone
        end = text.rfind(b"\n") + 1
        if end:
            yield text[:end]
        left = text[end:]
    if left.strip():
        yield left


def _stream(stream: BinaryIO, encoding: str, layout: _Layout, labels: Labels) -> Capture:
    factor = 1.0
    if layout.clock >= 0 and not layout.is_index:
        try:
            factor = conversion(layout.clock_unit, "s").factor
        except UnitProblem as problem:
            raise labels.fault("time column", f"{problem}.", "Correct the unit, or the column's name.") from problem
    wanted = sorted((*layout.columns, *((layout.clock,) if layout.clock >= 0 else ())))
    spool = Spool(len(layout.columns))
    check = TimeCheck(labels, "the time column", first_line=layout.data_line)
    missing = np.zeros(len(layout.columns), dtype=np.int64)
    first_missing = [0] * len(layout.columns)
    cut = False
    for piece in _pieces(stream, encoding, layout.data_byte):
        table = _parsed(piece, layout, wanted)
        if not piece.endswith(b"\n") and len(table):
            table, cut = _without_cut_row(table, piece, layout)
        columns = [table[f"column_{k + 1}"].to_numpy() for k in layout.columns]
        if layout.clock >= 0:
            clock = table[f"column_{layout.clock + 1}"].to_numpy()
            blank = np.isnan(clock)
            if blank.any():
                kept = ~(blank & np.all([np.isnan(c) for c in columns], axis=0))
                clock, columns = clock[kept], [c[kept] for c in columns]
            check.add(clock if factor == 1.0 else clock * factor)
        for k, column in enumerate(columns):
            # one sum tells whether a column has anything but readings
            with np.errstate(over="ignore", invalid="ignore"):
                total = abs(column.sum())
            lost = 0 if total < INVALID else int(np.count_nonzero(~(np.abs(column) < INVALID)))
            if lost and not missing[k]:
                first_missing[k] = layout.data_line + spool.count + int((~(np.abs(column) < INVALID)).argmax())
            missing[k] += lost
        spool.add(*columns)
    return _finished(spool, check, layout, labels, missing, first_missing, cut=cut)


def _parsed(piece: bytes, layout: _Layout, wanted: list[int]) -> pl.DataFrame:
    if layout.delimiter == " ":
        piece = re.sub(rb"[ \t]+", b" ", re.sub(rb"(?m)^[ \t]+|[ \t]+$", b"", piece))
    if b"\r" in piece[:4096] and b"\n" not in piece[:4096]:
        piece = piece.replace(b"\r", b"\n")
    schema = {f"column_{k + 1}": pl.Float64 if k in wanted else pl.String for k in range(layout.fields)}
    table = pl.read_csv(
        piece,
        has_header=False,
        separator=layout.delimiter,
        schema=schema,
        columns=[f"column_{k + 1}" for k in wanted],
        ignore_errors=True,
        extra_columns="ignore",
        truncate_ragged_lines=True,
        missing_columns="insert",
        decimal_comma=layout.comma,
        infer_schema=False,
        raise_if_empty=False,
    )
    return table.select(pl.all().fill_null(float("nan")))


def _without_cut_row(table: pl.DataFrame, piece: bytes, layout: _Layout) -> tuple[pl.DataFrame, bool]:
    """The last line has no end: when fields of it are missing the file was cut there."""
    last = piece.rsplit(b"\n", 1)[-1].decode("utf-8", errors="replace")
    cells = _split(last.rstrip("\r"), layout.delimiter)
    whole = len(cells) >= max(layout.columns) + 1 and re.search(r"[\d.,]\s*\"?$", last) is not None
    return (table, False) if whole else (table[:-1], True)


def _finished(
    spool: Spool,
    check: TimeCheck,
    layout: _Layout,
    labels: Labels,
    missing: np.ndarray[tuple[int], np.dtype[np.int64]],
    first_missing: list[int],
    *,
    cut: bool,
) -> Capture:
    if not spool.count:
        raise labels.fault("", "holds no rows of numbers.", "Record it anew.")
    notes: list[str] = []
    if cut:
        notes.append("ends within a row: the file was cut short, and its last row is not used.")
    for header, lost, line in zip(layout.headers, missing, first_missing, strict=True):
        if lost > spool.count // 2:
            raise labels.fault(
                f"line {line}",
                f"{lost} of {spool.count} entries of column {header!r} are no numbers.",
                "Check that it is a capture, and its decimal mark.",
            )
        if lost:
            notes.append(f"{lost} samples of {header} are missing or no numbers, the first in line {line}.")
    announced = layout.head.number("points")
    if announced is not None and int(announced) not in (spool.count, spool.count + 1):
        notes.append(f"{int(announced)} samples are announced, {spool.count} are there.")
    interval, start = layout.head.interval_s, layout.head.number("start_s", "s") or 0.0
    peaks = False
    if layout.clock >= 0 and layout.is_index:
        steps, _, more = check.finish(None)
        if abs(steps - 1.0) > 1e-6:
            raise labels.fault("", f"its index steps by {steps:g} where 1 is expected.", "Samples are missing.")
        notes += more
    elif layout.clock >= 0:
        peaks = check.peak_detect
        said = labels.number("interval_s")
        interval, start, more = check.finish(None if peaks else interval or said)
        notes += more
    gain = layout.head.number("gain")
    scaled = gain is not None and all(not unit for unit in layout.units)
    reference, origin = layout.head.number("reference") or 0.0, layout.head.number("origin") or 0.0
    found = [
        Found(
            header,
            samples,
            unit=unit or layout.head.text("unit"),
            gain=gain if scaled and gain is not None else 1.0,
            offset=origin - reference * gain if scaled and gain is not None else 0.0,
        )
        for header, unit, samples in zip(layout.headers, layout.units, spool.finish(), strict=True)
    ]
    return capture_of(
        labels,
        found,
        interval,
        start_s=start,
        start=layout.head.text("date"),
        acquisition="peak-detect" if peaks else "sample",
        notes=notes,
    )
