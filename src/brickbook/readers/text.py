"""From bytes to lines of text, strictly: what is not text in the stated encoding is refused with its line."""

from __future__ import annotations

import codecs
import functools
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.errors import Fault, ReadError
from brickbook.core.shape import Encoding

__all__ = ["FileText", "decode", "detect_encoding", "fail"]

LONGEST_LINE = 1_000_000
_BOMS: tuple[tuple[bytes, Encoding], ...] = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
# First bytes of files people mistake for logs, and what to do with them.
_SIGNATURES = (
    (b"PK\x03\x04", "a ZIP archive or a spreadsheet workbook", "Export the sheet as CSV and import that."),
    (b"\xd0\xcf\x11\xe0", "an office document of the old binary kind", "Export the sheet as CSV and import that."),
    (b"%PDF", "a PDF document", "Export the readings as CSV and import that."),
    (b"\x1f\x8b", "a gzip archive", "Unpack it and import what is inside."),
    (b"\x89PNG", "a picture", "Import the log itself, not a picture of it."),
    (b"\xff\xd8\xff", "a picture", "Import the log itself, not a picture of it."),
)
_CONTROL = re.compile(rb"[\x01-\x08\x0e-\x1f\x7f]")


@dataclass(frozen=True)
class FileText:
    """A file as text: UTF-8 bytes without byte-order mark, lines ended by a line feed.

    Lines are counted from 1 as a text editor shows them: CR LF, LF and CR alone each end one.
    """

    name: str
    body: bytes

    @functools.cached_property
    def bounds(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Start and end (exclusive, line feed left out) of each line, as offsets into `body`."""
        ends = np.flatnonzero(np.frombuffer(self.body, dtype=np.uint8) == 10)
        if not self.body.endswith(b"\n"):
            ends = np.append(ends, len(self.body))
        starts = np.empty_like(ends)
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
        return starts, ends

    @property
    def count(self) -> int:
        """How many lines there are."""
        return len(self.bounds[0])

    def line(self, number: int) -> str:
        """Text of a line, counted from 1."""
        starts, ends = self.bounds
        return self.body[starts[number - 1] : ends[number - 1]].decode()


def fail(name: str, line: int, problem: str, remedy: str = "") -> ReadError:
    """An error at a line of a file; line 0 is the whole file."""
    return ReadError(Fault(name, f"line {line}" if line else "", problem, remedy))


def detect_encoding(data: bytes) -> tuple[Encoding, str]:
    """Encoding of a file and the reason for it."""
    for bom, encoding in _BOMS:
        if data.startswith(bom):
            return encoding, "byte-order mark"
    head = data[:4096]
    pairs = len(head) // 2
    if pairs >= 4 and head[1::2].count(0) > 0.6 * pairs and head[0::2].count(0) < 0.1 * pairs:
        return "utf-16-le", "every second byte is zero"
    if pairs >= 4 and head[0::2].count(0) > 0.6 * pairs and head[1::2].count(0) < 0.1 * pairs:
        return "utf-16-be", "every second byte is zero"
    if data.isascii():
        return "utf-8", "plain ASCII"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", "not valid UTF-8"
    return "utf-8", "valid UTF-8"


def decode(data: bytes, encoding: Encoding, name: str) -> FileText:
    """The text of a file.

    Raises
    ------
    ReadError
        When the file is empty, is a document of another kind, is not text in that encoding, holds NUL or control
        characters, or a line longer than a million characters.
    """
    blank = b"\r\n\t \x00\xef\xbb\xbf\xff\xfe"
    if not data[:4096].strip(blank) and not data.strip(blank):
        raise fail(name, 0, "the file is empty.", "Check that the instrument finished writing it, and copy it again.")
    for signature, kind, remedy in _SIGNATURES:
        if data.startswith(signature):
            raise fail(name, 0, f"this is {kind}, not a log in text form.", remedy)
    found = next((e for bom, e in _BOMS if data.startswith(bom)), None)
    if found is not None and found != encoding:
        raise fail(
            name,
            1,
            f"the byte-order mark says {found}, the shape says {encoding}.",
            f'Set encoding = "{found}" in the shape, or import the file with a new guess.',
        )
    text = _utf8(data, encoding, name)
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"\xe2\x88\x92" in text:  # U+2212: a minus sign that no number parser takes
        text = text.replace(b"\xe2\x88\x92", b"-")
    _refuse_binary(text, name)
    result = FileText(name, text)
    starts, ends = result.bounds
    longest = int(np.argmax(ends - starts))
    length = int(ends[longest] - starts[longest])
    if length > LONGEST_LINE:
        raise fail(
            name,
            longest + 1,
            f"the line is {length} bytes long; a log's line has at most {LONGEST_LINE}.",
            "Check that this is a log in text form with a line for each row.",
        )
    return result


def _utf8(data: bytes, encoding: Encoding, name: str) -> bytes:
    """The text as UTF-8 without byte-order mark."""
    if encoding == "utf-8":
        data = data.removeprefix(codecs.BOM_UTF8)
        if data.isascii():
            return data
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = _line_of(data, error.start, encoding)
        bad = " ".join(f"{byte:02X}" for byte in data[error.start : error.start + 2])
        if encoding == "cp1252":
            remedy = "Check that this is a log in text form."
        elif encoding == "utf-8":
            remedy = 'Set encoding = "cp1252" in the shape if the meter writes Latin-1, or import it with a new guess.'
        else:
            remedy = "The file may have been cut short: copy it again."
        raise fail(name, line, f"bytes {bad} are not {encoding} text.", remedy) from error
    if encoding == "utf-8":
        return data
    return text.removeprefix("\ufeff").encode()


def _line_of(data: bytes, offset: int, encoding: Encoding) -> int:
    """Line of an offset, counted from 1."""
    before = data[:offset]
    if encoding.startswith("utf-16"):
        return before.decode(encoding, "replace").count("\n") + 1
    return before.count(b"\n") + 1


def _refuse_binary(text: bytes, name: str) -> None:
    nul = text.find(b"\0")
    if nul >= 0:
        raise fail(
            name,
            text.count(b"\n", 0, nul) + 1,
            "there is a NUL byte: this is not text, or text in another encoding.",
            "Check the encoding (UTF-16 has a zero in every second byte), or copy the file again: a log cut off by a "
            "power failure often ends in zeros.",
        )
    control = _CONTROL.search(text, 0, 65_536)
    if control is not None:
        raise fail(
            name,
            text.count(b"\n", 0, control.start()) + 1,
            f"there is a control character ({control[0][0]:02X}): this is not a log in text form.",
            "Export the readings as CSV and import that.",
        )
