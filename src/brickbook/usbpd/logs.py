"""Readers of message logs in simple open shapes.

A message log is comma-, semicolon- or tab-separated text with one header line and one line per
frame or reset:

``time_s`` (or ``time_ms``, ``time_us``), ``port``, ``sop``, ``header``; optional ``objects`` (words
separated by spaces) or ``object_1`` to ``object_7``; optional ``direction``; optional ``crc``.
Header, objects and CRC are hexadecimal, with or without ``0x``. A reset has an empty header. Lines
that start with ``#`` are comments. A list of words is read by ``read_words``.
"""

import io
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.usbpd.crc import crc32_many
from brickbook.usbpd.describe import parse_words
from brickbook.usbpd.errors import LogError, WordError
from brickbook.usbpd.messages import MAX_OBJECTS, Sop
from brickbook.usbpd.records import SOP_CODES, MessageLog

_TIME_COLUMNS = {"time_s": 1.0, "time_ms": 1e-3, "time_us": 1e-6}
_OBJECT_COLUMNS = tuple(f"object_{number}" for number in range(1, MAX_OBJECTS + 1))
_KNOWN = (*_TIME_COLUMNS, "port", "sop", "header", "objects", *_OBJECT_COLUMNS, "direction", "crc")
_SOP_NAMES = {
    **{str(sop): code for code, sop in enumerate(SOP_CODES)},
    "SOP_PRIME": SOP_CODES.index(Sop.SOP_PRIME),
    "SOP_DOUBLE_PRIME": SOP_CODES.index(Sop.SOP_DOUBLE_PRIME),
    "HARD RESET": SOP_CODES.index(Sop.HARD_RESET),
    "CABLE RESET": SOP_CODES.index(Sop.CABLE_RESET),
}
_DIRECTION_NAMES = {"": 0, "from-source": 1, "from-sink": 2, "from-cable": 3}
_WORD = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,8})")
_FAULTS_SHOWN = 20
_NO_CODE = 0xFFFF_FFFF
_T = TypeVar("_T", bound=np.generic)


@dataclass(frozen=True, slots=True)
class _Fault:
    rows: NDArray[np.int64]
    column: str
    texts: tuple[str, ...]
    expected: str


@dataclass(frozen=True, slots=True)
class _Texts:
    """A column as its distinct texts and one code per row: logs repeat themselves."""

    codes: NDArray[np.int64]
    distinct: list[str]

    def per_row(self, values: NDArray[_T]) -> NDArray[_T]:
        return values[self.codes]

    def mask(self, good: list[bool]) -> NDArray[np.bool_]:
        return np.array(good, dtype=np.bool_)[self.codes]


def _texts(column: pl.Series) -> _Texts:
    distinct = column.unique()
    order = distinct.to_physical().fill_null(_NO_CODE).to_numpy()
    codes = column.to_physical().fill_null(_NO_CODE).to_numpy()
    sorter = np.argsort(order)
    found = sorter[np.searchsorted(order, codes, sorter=sorter)]
    texts = [(text or "").strip() for text in distinct.cast(pl.String).to_list()]
    return _Texts(np.asarray(found, dtype=np.int64), texts)


def read_words(path: Path) -> list[int]:
    """Read a list of power data objects from a file.

    Parameters
    ----------
    path
        Text file: hexadecimal words separated by white space, commas or semicolons, ``#`` for
        comments.

    Returns
    -------
    list of int
        The words in order.

    Raises
    ------
    LogError
        If the file is not UTF-8 text or a token is not a word; names file, line and column.
    """
    try:
        return parse_words(path.read_text(encoding="utf-8-sig"), name=path.name)
    except (WordError, UnicodeDecodeError) as error:
        raise LogError(
            str(error) if isinstance(error, WordError) else f"{path.name}: not UTF-8 text: {error}"
        ) from error


def read_message_log(path: Path) -> MessageLog:
    """Read a message log from a file.

    Parameters
    ----------
    path
        File in the shape described at the top of this module.

    Returns
    -------
    MessageLog
        Rows in order of time; rows that had to be moved are counted in ``out_of_order_count``.

    Raises
    ------
    LogError
        If a column is unknown or missing, or a value cannot be read: names file, line and column,
        and lists up to 20 faults at once.
    """
    return parse_message_log(path.read_bytes(), name=path.name)


def parse_message_log(data: bytes, *, name: str = "log") -> MessageLog:
    """Read a message log from memory.

    Parameters
    ----------
    data
        Text in the shape described at the top of this module, UTF-8.
    name
        What to call the log in errors, such as its file name.

    Returns
    -------
    MessageLog
        Rows in order of time; rows that had to be moved are counted in ``out_of_order_count``.

    Raises
    ------
    LogError
        If a column is unknown or missing, or a value cannot be read.
    """
    columns, separator, header_line, offset = _columns(data, name)
    body = data[offset:]
    lines, blank, commented = _data_lines(body, header_line)
    place = f"{name}, header on line {header_line}"
    frame = _frame(body, columns, separator, place, commented=commented)
    if lines.size != frame.height:
        raise LogError(f"{name}: {frame.height} rows on {lines.size} lines; quoted line breaks are not read")
    if np.any(blank):
        frame, lines = frame.filter(~blank), lines[~blank]
    table = {column: _texts(frame[column]) for column in columns if column not in _TIME_COLUMNS}
    return _build(frame, table, lines, name)


def _frame(body: bytes, columns: list[str], separator: str, place: str, *, commented: bool) -> pl.DataFrame:
    """Read the columns: time as numbers where that works, else as text; the rest categorical."""
    types: dict[str, type[pl.DataType]] = dict.fromkeys(columns, pl.Categorical)
    time = next(column for column in columns if column in _TIME_COLUMNS)
    decimal_comma = separator == ";"
    for time_type in (pl.Float64, pl.String):
        try:
            return pl.read_csv(
                body,
                separator=separator,
                comment_prefix="#" if commented else None,
                schema=types | {time: time_type},
                decimal_comma=decimal_comma,
                truncate_ragged_lines=False,
            )
        except pl.exceptions.PolarsError as error:
            # A number that cannot be read is reported with its line once it is text.
            if time_type is pl.String:
                raise LogError(
                    f"{place}: a line does not have its {len(columns)} columns: {str(error).splitlines()[0]}"
                ) from error
    raise AssertionError("both types were tried")


def _columns(data: bytes, name: str) -> tuple[list[str], str, int, int]:
    """Find the header line and check its columns; its line number and place in the data."""
    line_number = offset = 0
    text = ""
    for raw in io.BytesIO(data):
        line_number += 1
        if raw.strip() and not raw.startswith(b"#"):
            text = raw.decode("utf-8-sig", errors="replace").rstrip("\r\n")
            break
        offset += len(raw)
    if not text:
        raise LogError(f"{name}: no header line; expected columns such as {', '.join(_KNOWN[:6])}")
    separator = max(",;\t", key=text.count)
    columns = [part.strip().strip('"').lower() for part in text.split(separator)]
    place = f"{name}, line {line_number}"
    for position, column in enumerate(columns, start=1):
        if column not in _KNOWN:
            raise LogError(f"{place}, column {position}: unknown column {column!r}; known are {', '.join(_KNOWN)}")
        if column in columns[: position - 1]:
            raise LogError(f"{place}, column {position}: column {column!r} is there twice")
    for column in ("port", "sop", "header"):
        if column not in columns:
            raise LogError(f"{place}: column {column!r} is missing")
    if sum(column in _TIME_COLUMNS for column in columns) != 1:
        raise LogError(f"{place}: expected exactly one of {', '.join(_TIME_COLUMNS)}")
    if "objects" in columns and any(column in _OBJECT_COLUMNS for column in columns):
        raise LogError(f"{place}: give either 'objects' or 'object_1' to 'object_7', not both")
    return columns, separator, line_number, offset


def _data_lines(body: bytes, header_line: int) -> tuple[NDArray[np.int64], NDArray[np.bool_], bool]:
    """Line numbers of the rows below the header, which are blank, and whether any is a comment."""
    letters = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(letters == ord("\n"))
    following = letters[ends[ends < letters.size - 1] + 1]
    if not np.any((following == ord("#")) | (following == ord("\n")) | (following == ord("\r"))):
        rows = ends.size - body.endswith(b"\n")
        lines = np.arange(header_line + 1, header_line + 1 + rows, dtype=np.int64)
        return lines, np.zeros(rows, dtype=np.bool_), False
    kept = [
        (number, not raw.strip())
        for number, raw in enumerate(io.BytesIO(body), start=header_line)
        if number > header_line and not raw.startswith(b"#")
    ]
    return (
        np.array([number for number, _ in kept], dtype=np.int64),
        np.array([blank for _, blank in kept], dtype=np.bool_),
        bool(np.any(following == ord("#"))),
    )


def _build(frame: pl.DataFrame, table: dict[str, _Texts], lines: NDArray[np.int64], name: str) -> MessageLog:
    faults: list[_Fault] = []
    time_s = _times(frame, faults)
    port_names, port = _ports(table["port"], faults)
    sop = _codes(table, "sop", _SOP_NAMES, faults)
    direction = np.zeros(frame.height, np.uint8)
    if "direction" in table:
        direction = _codes(table, "direction", _DIRECTION_NAMES, faults)
    is_reset = sop >= SOP_CODES.index(Sop.HARD_RESET)
    header = _headers(table["header"], is_reset, faults)
    word_count, objects = _objects(table, frame.height, faults)
    if not faults:
        _check_counts(table, is_reset, header, (word_count, objects), faults)
    backwards = int(np.count_nonzero(time_s[1:] < time_s[:-1]))
    conflict = (direction > 0) & (sop == 0) & ((direction == 1) != ((header & 0x0100) != 0))
    log = MessageLog(
        name,
        port_names,
        time_s,
        port,
        sop,
        direction,
        header,
        word_count,
        objects,
        lines,
        backwards,
        int(np.count_nonzero(conflict)),
    )
    if "crc" in table and not faults:
        _check_crcs(table["crc"], log, faults)
    if faults:
        raise LogError(_fault_text(faults, lines, name))
    if not backwards:
        return log
    order = np.argsort(time_s, kind="stable")
    arrays = ("time_s", "port", "sop", "direction", "header", "word_count", "objects", "line")
    moved: dict[str, Any] = {array: getattr(log, array)[order] for array in arrays}
    return replace(log, **moved)


def _fault(
    column: str,
    texts: _Texts,
    bad: NDArray[np.bool_],
    expected: str,
    faults: list[_Fault],
) -> None:
    rows = np.flatnonzero(bad)
    if rows.size:
        shown = tuple(texts.distinct[code] for code in texts.codes[rows[:_FAULTS_SHOWN]].tolist())
        faults.append(_Fault(rows.astype(np.int64), column, shown, expected))


def _times(frame: pl.DataFrame, faults: list[_Fault]) -> NDArray[np.float64]:
    column = next(name for name in frame.columns if name in _TIME_COLUMNS)
    values = frame[column]
    if values.dtype == pl.String:
        values = values.str.strip_chars().cast(pl.Float64, strict=False)
    time = values.fill_null(float("nan")).to_numpy() * _TIME_COLUMNS[column]
    rows = np.flatnonzero(~np.isfinite(time))
    if rows.size:
        texts = [str(frame[column][row] or "") for row in rows[:_FAULTS_SHOWN].tolist()]
        faults.append(_Fault(rows.astype(np.int64), column, tuple(texts), "a finite number"))
    return np.asarray(time, dtype=np.float64)


def _ports(texts: _Texts, faults: list[_Fault]) -> tuple[tuple[str, ...], NDArray[np.uint16]]:
    names = sorted(set(texts.distinct))
    bad = texts.mask([text == "" for text in texts.distinct])
    _fault("port", texts, bad, "the name of a port", faults)
    codes = np.array([names.index(text) for text in texts.distinct], dtype=np.uint16)
    return tuple(names), texts.per_row(codes)


def _codes(table: dict[str, _Texts], column: str, names: dict[str, int], faults: list[_Fault]) -> NDArray[np.uint8]:
    texts = table[column]
    found = [names.get(text, names.get(text.upper())) for text in texts.distinct]
    known = ", ".join(name for name in names if name)
    bad = texts.mask([code is None for code in found])
    _fault(column, texts, bad, f"one of {known}", faults)
    return texts.per_row(np.array([code or 0 for code in found], dtype=np.uint8))


def _headers(texts: _Texts, is_reset: NDArray[np.bool_], faults: list[_Fault]) -> NDArray[np.uint16]:
    words = [_hex(text, 16) for text in texts.distinct]
    unread = texts.mask([word is None for word in words])
    expected = "a 16-bit hexadecimal word such as 0x61A1"
    _fault("header", texts, unread & ~is_reset, expected, faults)
    given = texts.mask([text != "" for text in texts.distinct])
    _fault("header", texts, given & is_reset, "nothing, for a reset has no header", faults)
    header = texts.per_row(np.array([word or 0 for word in words], dtype=np.uint16))
    header[is_reset] = 0
    return header


def _hex(text: str, bits: int) -> int | None:
    """Value of a hexadecimal word, or nothing when it is not one of so many bits."""
    match = _WORD.fullmatch(text)
    if match is None:
        return None
    value = int(match.group(1), 16)
    return value if value < 1 << bits else None


def _objects(table: dict[str, _Texts], rows: int, faults: list[_Fault]) -> tuple[NDArray[np.uint8], NDArray[np.uint32]]:
    if "objects" in table:
        texts = table["objects"]
        listed = [[_hex(word, 32) for word in text.split()] for text in texts.distinct]
        bad = [None in words or len(words) > MAX_OBJECTS for words in listed]
        expected = "up to 7 hexadecimal words of 32 bits separated by spaces"
        _fault("objects", texts, texts.mask(bad), expected, faults)
        known = np.zeros((len(listed), MAX_OBJECTS), dtype=np.uint32)
        for code, words in enumerate(listed):
            if not bad[code]:
                known[code, : len(words)] = [word or 0 for word in words]
        sizes = np.array([min(len(words), MAX_OBJECTS) for words in listed], dtype=np.uint8)
        return texts.per_row(sizes), np.take(known, texts.codes, axis=0)
    objects = np.zeros((rows, MAX_OBJECTS), dtype=np.uint32)
    count = np.zeros(rows, dtype=np.uint8)
    ended = np.zeros(rows, dtype=np.bool_)
    for number, column in enumerate(_OBJECT_COLUMNS):
        if column not in table:
            # A column left out counts as empty, so that a later one is found to be out of place.
            ended[:] = True
            continue
        texts = table[column]
        words = [_hex(text, 32) for text in texts.distinct]
        empty = texts.mask([text == "" for text in texts.distinct])
        unread = texts.mask([word is None for word in words])
        _fault(column, texts, unread & ~empty, "a 32-bit hexadecimal word", faults)
        _fault(column, texts, ended & ~empty, "nothing after a missing object", faults)
        ended |= empty
        objects[:, number] = texts.per_row(np.array([word or 0 for word in words], np.uint32))
        count += ~empty
    return count, objects


def _check_counts(
    table: dict[str, _Texts],
    is_reset: NDArray[np.bool_],
    header: NDArray[np.uint16],
    counted: tuple[NDArray[np.uint8], NDArray[np.uint32]],
    faults: list[_Fault],
) -> None:
    word_count, objects = counted
    column = "objects" if "objects" in table else "header"
    texts = table[column]
    _fault(column, texts, is_reset & (word_count > 0), "no objects for a reset", faults)
    told = (header >> np.uint16(12)).astype(np.uint8) & np.uint8(7)
    extended = ~is_reset & (header >= 0x8000)
    bare = extended & (word_count == 0)
    _fault(column, texts, bare, "the extended header of an extended message", faults)
    # A long unchunked extended message says 0 objects; its data size must fit the words given
    # (from memory, medium).
    head = objects[:, 0] & np.uint32(0xFFFF)
    spare = 4 * word_count.astype(np.int64) - 2 - (head & np.uint32(0x1FF))
    fits = (head < 0x8000) & (spare >= 0) & (spare < 4)
    bad = ~is_reset & ~bare & (told != word_count) & ~(extended & (told == 0) & fits)
    _fault(column, texts, bad, "as many objects as the header counts in bits 14:12", faults)


def _check_crcs(texts: _Texts, log: MessageLog, faults: list[_Fault]) -> None:
    words = [_hex(text, 32) for text in texts.distinct]
    given = texts.mask([text != "" for text in texts.distinct])
    unread = texts.mask([word is None for word in words])
    _fault("crc", texts, given & unread, "a 32-bit hexadecimal word, or nothing", faults)
    rows = np.flatnonzero(given & ~unread & ~log.is_reset)
    data = np.empty((rows.size, 2 + 4 * MAX_OBJECTS), dtype=np.uint8)
    data[:, :2] = log.header[rows, None].astype("<u2").view(np.uint8)
    data[:, 2:] = np.ascontiguousarray(log.objects[rows].astype("<u4")).view(np.uint8)
    computed = crc32_many(data, 2 + 4 * log.word_count[rows].astype(np.int64))
    told = np.array([word or 0 for word in words], dtype=np.uint32)[texts.codes[rows]]
    wrong = np.zeros(len(log), dtype=np.bool_)
    wrong[rows] = computed != told
    _fault("crc", texts, wrong, "the CRC-32 of header and objects", faults)


def _fault_text(faults: list[_Fault], lines: NDArray[np.int64], name: str) -> str:
    shown: list[tuple[int, str]] = []
    for fault in faults:
        for row, text in zip(fault.rows.tolist(), fault.texts, strict=False):
            line = int(lines[row])
            shown.append((line, f"{name}, line {line}, column {fault.column!r}: {text!r}; expected {fault.expected}"))
    total = sum(fault.rows.size for fault in faults)
    shown.sort()
    text = "\n".join(message for _, message in shown[:_FAULTS_SHOWN])
    return text if total <= _FAULTS_SHOWN else f"{text}\nand {total - _FAULTS_SHOWN} more faults"
