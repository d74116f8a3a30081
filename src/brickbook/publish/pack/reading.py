"""A data pack from a stranger: looked at whole before anything of it is used, and read within bounds.

A zip file can lie in many ways: names that lead out of the folder, links, one name twice, members that share bytes or
grow without end. Every name, size and place is checked against the directory first; while a member is read, its bytes
are counted and hashed, and nothing is kept that SHA256SUMS does not vouch for. SHA256SUMS shows that a pack is whole
and unchanged since it was made, not who made it.
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from brickbook.book import slug_problem
from brickbook.core.errors import BrickbookError, Fault, ReadError
from brickbook.publish.pack.archive import PIECE
from brickbook.publish.pack.descriptor import FORMAT

__all__ = ["Bounds", "Pack"]

_SUMS = "SHA256SUMS"
_DESCRIPTOR = "datapackage.json"
_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")
_BROKEN = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError,
    ValueError, OverflowError, OSError, RecursionError, MemoryError, IndexError,
)  # fmt: skip
_RESERVED = re.compile(r"(?i)(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?")


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a pack may be at most.

    Parameters
    ----------
    files
        Number of files.
    content
        Size of all files [B].
    ratio, small
        Size of all files over the size of the pack, for content above `small` [B]: real packs stay far below.
    text
        Size of a file that is read at once [B].
    """

    files: int = 20_000
    content: int = 1 << 38
    ratio: float = 200.0
    small: int = 1 << 28
    text: int = 1 << 28


class Pack:
    """A pack that has been opened and whose directory is in order; use as a context.

    Parameters
    ----------
    path
        The zip file.
    bounds
        What it may be at most.

    Raises
    ------
    ReadError
        With all that is wrong with its directory.
    """

    def __init__(self, path: Path, bounds: Bounds | None = None) -> None:
        self.path = path
        self.name = path.name
        self.bounds = bounds or Bounds()
        try:
            self._size = path.stat().st_size
            self._zip = zipfile.ZipFile(path)
        except _BROKEN as error:
            raise ReadError(self._cannot(error)) from error
        try:
            self._infos = self._checked_names()
            self._sums: dict[str, str] = {}
            self._sums = self._read_sums()
            self.about = self._read_about()
        except BaseException:
            self._zip.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._zip.close()

    @property
    def slug(self) -> str:
        """The charger's folder name."""
        return str(self.about["charger"])

    @property
    def tier(self) -> str:
        """Which kind it is: only a "full" one holds the raw files."""
        return str(self.about["tier"])

    @property
    def files(self) -> tuple[str, ...]:
        """Paths of all files, sorted."""
        return tuple(sorted(self._infos))

    @property
    def content(self) -> int:
        """Size of all files as the directory states it [B]."""
        return sum(info.file_size for info in self._infos.values())

    def size(self, path: str) -> int:
        """Size of a file as the directory states it [B]; 0 when it is not in the pack."""
        info = self._infos.get(path)
        return info.file_size if info is not None else 0

    def read(self, path: str) -> bytes:
        """A file that is small enough to be held, once its SHA-256 is right.

        Raises
        ------
        ReadError
            When it is not in the pack, too large, or not what SHA256SUMS says.
        """
        out = bytearray()
        if path in self._infos and self._infos[path].file_size > self.bounds.text:
            raise self._wrong(path, f"is larger than {self.bounds.text} bytes.", "No pack of ours holds such a file.")
        self.pour(path, out.extend)
        return bytes(out)

    def copy(self, path: str, target: Path, tell: Callable[[int], None] | None = None) -> None:
        """Write a file to a new place, piece by piece; it stays there only if its SHA-256 is right.

        Raises
        ------
        ReadError
            As `read`; also when it cannot be written.
        """
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as out:
                self.pour(path, out.write, tell)
        except OSError as error:
            target.unlink(missing_ok=True)
            problem = f"cannot be written: {(error.strerror or str(error)).lower()}."
            raise ReadError(Fault(str(target), "", problem, "Check the disk.")) from error
        except BrickbookError:
            target.unlink(missing_ok=True)
            raise

    def pour(self, path: str, sink: Callable[[bytes], Any], tell: Callable[[int], None] | None = None) -> None:
        """Give a file's bytes to a sink, piece by piece, and then check them."""
        info = self._infos.get(path)
        if info is None:
            raise self._wrong(path, "is missing from the pack.", "Get the pack again from its publisher.")
        digest, size = hashlib.sha256(), 0
        with self._member(info) as source:
            while piece := self._piece(source, path):
                size += len(piece)
                if size > info.file_size:
                    raise self._wrong(path, "is longer than the pack's directory says.", "Do not use this pack.")
                digest.update(piece)
                sink(piece)
                if tell is not None:
                    tell(len(piece))
        if size != info.file_size:
            raise self._wrong(path, "is shorter than the pack's directory says.", "Get the pack again.")
        if path != _SUMS and digest.hexdigest() != self._sums.get(path):
            raise self._wrong(path, "is not what SHA256SUMS says: it was changed or damaged.", "Get the pack again.")

    def _piece(self, source: Any, path: str) -> bytes:
        try:
            return bytes(source.read(PIECE))
        except _BROKEN as error:
            raise self._wrong(path, "cannot be unpacked: it is damaged.", "Get the pack again.") from error

    @contextmanager
    def _member(self, info: zipfile.ZipInfo) -> Iterator[Any]:
        try:
            source = self._zip.open(info)
        except _BROKEN as error:
            raise self._wrong(info.filename, "cannot be unpacked: it is damaged.", "Get the pack again.") from error
        with source:
            yield source

    def _checked_names(self) -> dict[str, zipfile.ZipInfo]:
        """Members by path, once all of the directory is in order."""
        infos = self._zip.infolist()
        faults: list[Fault] = []
        if len(infos) > self.bounds.files:
            raise ReadError(Fault(self.name, "", f"holds {len(infos)} files; {self.bounds.files} are the most."))
        seen: dict[str, str] = {}
        out = {}
        for info in infos:
            name = info.orig_filename if info.orig_filename != info.filename else info.filename
            problem = _name_problem(name) or _kind_problem(info)
            if problem:
                faults.append(Fault(self.name, ascii(name), problem, "Nothing was unpacked."))
                continue
            key = unicodedata.normalize("NFC", name.rstrip("/")).casefold()
            if key in seen:
                problem = f"is there twice, also as {seen[key]!a}."
                faults.append(Fault(self.name, ascii(name), problem, "Nothing was unpacked."))
                continue
            seen[key] = name
            if not info.is_dir():
                out[name] = info
        faults += self._size_faults(list(out.values())) + _nested(seen, self.name)
        if faults:
            raise ReadError(*faults[:20])
        return out

    def _size_faults(self, infos: list[zipfile.ZipInfo]) -> list[Fault]:
        content = sum(info.file_size for info in infos)
        packed = sum(info.compress_size for info in infos)
        bounds = self.bounds
        if content > bounds.content:
            return [Fault(self.name, "", f"would unpack to {content} bytes; {bounds.content} are the most.")]
        if content > bounds.small and content > bounds.ratio * max(self._size, 1):
            grows = content / max(self._size, 1)
            problem = f"would grow {grows:.0f} times when unpacked; {bounds.ratio:.0f} times is the most."
            return [Fault(self.name, "", problem, "Nothing was unpacked.")]
        ends = 0
        for info in sorted(infos, key=lambda one: one.header_offset):
            if info.header_offset < ends:
                problem = "shares bytes with another file: no honest pack is made so."
                return [Fault(self.name, ascii(info.filename), problem, "Nothing was unpacked.")]
            ends = info.header_offset + 30 + info.compress_size
        if packed > self._size or ends > self._size:
            return [Fault(self.name, "", "is cut off: its directory names more bytes than it has.", "Get it again.")]
        return []

    def _read_sums(self) -> dict[str, str]:
        if _SUMS not in self._infos:
            problem = "holds no SHA256SUMS: it is not a data pack of Brickbook."
            raise ReadError(Fault(self.name, "", problem, "Name a file that brickbook pack made."))
        lines = self._text(_SUMS).splitlines()
        sums: dict[str, str] = {}
        faults = []
        for number, line in enumerate(lines, start=1):
            match = _LINE.fullmatch(line)
            if match is None or match[2] in sums:
                faults.append(Fault(self.name, f"{_SUMS} line {number}", "is not a SHA-256 and a path of its own."))
            else:
                sums[match[2]] = match[1]
        files = set(self._infos) - {_SUMS}
        faults += [
            Fault(self.name, ascii(path), "is in SHA256SUMS and missing from the pack.", "Get the pack again.")
            for path in sorted(set(sums) - files)
        ]
        faults += [
            Fault(self.name, ascii(path), "is in the pack and not in SHA256SUMS.", "Do not use this pack.")
            for path in sorted(files - set(sums))
        ]
        if faults:
            raise ReadError(*faults[:20])
        return sums

    def _read_about(self) -> dict[str, Any]:
        try:
            data = json.loads(self._text(_DESCRIPTOR))
        except _BROKEN as error:
            raise self._wrong(_DESCRIPTOR, "is not JSON.", "Get the pack again.") from error
        about = data.get("brickbook") if isinstance(data, dict) else None
        known = ("charger", "tier", "software", "code")
        if not isinstance(about, dict) or not all(isinstance(about.get(key), str) for key in known):
            raise self._wrong(
                _DESCRIPTOR, "does not say which charger the pack is of.", "It is not a pack of Brickbook."
            )
        if about.get("format") != FORMAT:
            problem = f"is of format {about.get('format')!a}; this version reads format {FORMAT}."
            raise self._wrong(_DESCRIPTOR, problem, "Use the version of Brickbook that made it, or a later one.")
        if slug_problem(about["charger"]) or about["tier"] not in ("summary", "full"):
            raise self._wrong(_DESCRIPTOR, "names no charger or tier that can be.", "Do not use this pack.")
        return about

    def _text(self, path: str) -> str:
        content = self.read(path)
        try:
            return content.decode("utf-8")
        except UnicodeDecodeError as error:
            raise self._wrong(path, "is not UTF-8 text.", "Get the pack again.") from error

    def _wrong(self, path: str, problem: str, remedy: str) -> ReadError:
        return ReadError(Fault(self.name, path if path.isascii() else ascii(path), problem, remedy))

    def _cannot(self, error: BaseException) -> Fault:
        if isinstance(error, FileNotFoundError):
            return Fault(str(self.path), "", "is not there.", "Check the path.")
        if isinstance(error, OSError) and error.strerror:
            return Fault(str(self.path), "", f"cannot be read: {error.strerror.lower()}.", "Check the file.")
        return Fault(str(self.path), "", "is not a zip file, or is damaged.", "Get the pack again.")


def _name_problem(name: str) -> str:
    """Why a member's name cannot be used; empty when it can."""
    path = name.removesuffix("/")
    if not path or len(path.encode("utf-8", "replace")) > 400:
        return "has no name, or one that is too long."
    if path.startswith("/") or re.match(r"[A-Za-z]:", path) or "\\" in path:
        return "is an absolute path, or one with a backslash."
    parts = path.split("/")
    if ".." in parts or "." in parts or "" in parts:
        return "leads out of the folder, or has an empty part."
    if any(unicodedata.category(c) in ("Cc", "Cs", "Cf", "Co", "Cn", "Zl", "Zp") or c in ':*?"<>|' for c in path):
        return "has a character that not every file system allows."
    for part in parts:
        if part[-1] in ". " or part[0] in ". " or _RESERVED.fullmatch(part):
            return "has a part that not every file system allows."
    return ""


def _kind_problem(info: zipfile.ZipInfo) -> str:
    """Why a member is not a plain file or folder."""
    mode = info.external_attr >> 16
    kind = stat.S_IFMT(mode)
    if kind == stat.S_IFLNK:
        return "is a link."
    if kind not in (0, stat.S_IFDIR if info.is_dir() else stat.S_IFREG):
        return "is not a plain file."
    if info.flag_bits & 0x1:
        return "is encrypted."
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "is packed in a way that is not used here."
    if info.is_dir() and info.file_size:
        return "is a folder with content."
    return ""


def _nested(seen: dict[str, str], pack: str) -> list[Fault]:
    """Files whose path goes through another file."""
    folders = {key for key, name in seen.items() if name.endswith("/")}
    out = []
    for key, name in seen.items():
        above = key.rpartition("/")[0]
        while above:
            if above in seen and above not in folders:
                out.append(Fault(pack, ascii(name), "lies in a file, not in a folder.", "Nothing was unpacked."))
                break
            above = above.rpartition("/")[0]
    return out
