"""The index of a charger's raw files: which file belongs to which study, taken how, when and with what."""

from __future__ import annotations

import functools
import re
import tomllib
import unicodedata
from dataclasses import dataclass, field, replace
from typing import Annotated, Literal

from annotated_types import MinLen

from brickbook.book._check import Format, TomlText, as_conditions, load, moment, parse
from brickbook.book._write import table_text
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BookError, Fault
from brickbook.core.table import RawFile

__all__ = ["IndexEntry", "entry_text", "name_key", "name_problem", "read_index", "with_entry"]

_INDEX_NAME = "index.toml"
_SHA256 = re.compile(r"[0-9a-f]{64}")
_LONGEST_NAME = 200  # bytes; file systems allow 255, and a temporary or lock name must fit as well


@dataclass(frozen=True, slots=True)
class IndexEntry:
    """One `[[file]]` of raw/index.toml.

    Parameters
    ----------
    path
        Of the file inside raw/, with forward slashes.
    sha256
        Of its bytes as they came, in hexadecimal.
    studies
        Ids of the studies that use it.
    reader
        Id of the reader that understands it.
    shape
        Id in shapes.toml of how its columns are to be understood; empty for readers that need none.
    recording
        Files with the same word are one recording; the path by default.
    clock_offset_s
        Added to the file's time [s].
    align
        "stated": the offset is as stated; "load-steps": it is found from the load steps of the recording's first file.
    taken, imported
        When the readings began and when the file was taken in, ISO 8601; empty when not known.
    conditions
        Under what the readings were taken.
    ranges
        Column to the full scale in use [unit of the column].
    instruments
        Quantity or column to the instrument's name in bench.toml.
    note
        Anything else, for people.
    """

    path: Annotated[str, MinLen(1)]
    sha256: Annotated[str, MinLen(1)]
    studies: Annotated[tuple[Annotated[str, MinLen(1)], ...], MinLen(1)]
    reader: Annotated[str, MinLen(1)]
    shape: str = ""
    recording: str = ""
    clock_offset_s: float = 0.0
    align: Literal["stated", "load-steps"] = "stated"
    taken: str = ""
    imported: str = ""
    conditions: Annotated[Conditions, as_conditions] = field(default_factory=Conditions)
    ranges: dict[str, float] = field(default_factory=dict)
    instruments: dict[str, str] = field(default_factory=dict)
    note: str = ""

    def __post_init__(self) -> None:
        if not self.recording:
            object.__setattr__(self, "recording", self.path)

    @property
    def raw(self) -> RawFile:
        """The file as figures name it."""
        return RawFile(self.path, self.sha256)


@dataclass(frozen=True, slots=True)
class _Index:
    file: tuple[IndexEntry, ...] = ()


def name_problem(path: str) -> str:
    """Why a path cannot name a raw file; empty when it can.

    Only names that every common file system can hold are taken, so that a book can be copied anywhere.
    """
    if not path:
        return "is empty"
    if path.startswith("/") or re.match(r"[A-Za-z]:", path):
        return "is an absolute path; it must be relative to raw/"
    parts = path.split("/")
    if ".." in parts:
        return 'has ".." in it; it must stay inside raw/'
    if "" in parts or "." in parts:
        return 'has an empty part or "." in it'
    bad = next((c for c in path if c in '\\:*?"<>|' or unicodedata.category(c) in ("Cc", "Cs", "Cf", "Zl", "Zp")), "")
    if bad:
        return f"has the character {bad!a} in it, which not every file system allows"
    for part in parts:
        if part.startswith(".") or part[-1] in ". " or part[0] == " ":
            return f"has the part {part!r}, which begins with a dot or a space or ends with one"
    if len(path.encode()) > _LONGEST_NAME:
        return f"is longer than {_LONGEST_NAME} bytes"
    if name_key(path) == _INDEX_NAME:
        return "is the name of the index itself"
    return ""


def name_key(path: str) -> str:
    """What makes two names the same file on some file system: case and Unicode composition do not count."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


_FORMATS = {
    "sha256": Format(lambda text: bool(_SHA256.fullmatch(text)), "a SHA-256, 64 digits 0-9 a-f"),
    "taken": moment,
    "imported": moment,
}


@functools.lru_cache(maxsize=256)
def read_index(file: str, text: str) -> tuple[IndexEntry, ...]:
    """The text of an index.toml as entries, in the file's order.

    Raises
    ------
    BookError
        With all its faults; a path that leaves raw/ and a file that is named twice are among them.
    """
    toml = parse(file, text)
    faults: list[Fault] = []
    entries: tuple[IndexEntry, ...] = ()
    try:
        entries = load(_Index, toml, _FORMATS).file
    except BookError as error:
        faults += error.faults
    faults += _path_faults(toml)
    if faults:
        raise BookError(*faults)
    return entries


def _path_faults(toml: TomlText) -> list[Fault]:
    faults = []
    seen: dict[tuple[str, str], str] = {}
    entries = toml.data.get("file")
    for place, entry in enumerate(entries if isinstance(entries, list) else ()):
        if not isinstance(entry, dict):
            continue
        path, digest = entry.get("path"), entry.get("sha256")
        if isinstance(path, str) and path:
            problem = name_problem(path)
            if problem:
                at = ("file", place, "path")
                faults.append(toml.fault(at, f'"{path}" {problem}.', "Correct the path."))
            first = seen.setdefault(("path", name_key(path)), path)
            if first is not path:
                problem = f'"{path}" is named a second time; the first entry is "{first}".'
                faults.append(toml.fault(("file", place, "path"), problem, "Keep one entry for each file."))
                continue
            if isinstance(digest, str) and _SHA256.fullmatch(digest):
                first = seen.setdefault(("sha256", digest), path)
                if first is not path:
                    problem = f'is that of "{first}" as well: one file under two names would be counted twice.'
                    faults.append(toml.fault(("file", place, "sha256"), problem, "Keep one of the two entries."))
    return faults


def entry_text(entry: IndexEntry) -> str:
    """An entry as TOML; what is at its default is left out."""
    plain = replace(entry)
    if entry.recording == entry.path:
        object.__setattr__(plain, "recording", "")
    return table_text("[[file]]", plain)


def with_entry(file: str, text: str, entry: IndexEntry) -> str:
    """The text of an index with one entry more at its end; everything that was there stays as it is.

    Raises
    ------
    BookError
        When the text has faults, or the entry would be one.
    """
    before = read_index(file, text)
    block = entry_text(entry)
    if "\r\n" in text:
        block = block.replace("\n", "\r\n")
    end = "\r\n" if "\r\n" in text else "\n"
    gap = "" if not text else end if text.endswith("\n") else end * 2
    longer = f"{text}{gap}{block}"
    try:
        tomllib.loads(longer.removeprefix("\ufeff"))
        fits = read_index(file, longer) == (*before, entry)
    except tomllib.TOMLDecodeError:
        fits = False
    if not fits:
        problem = "another entry cannot be added: the entries are not written as [[file]] tables."
        raise BookError(Fault(file, "", problem, "Write each entry as a [[file]] table of its own."))
    return longer
