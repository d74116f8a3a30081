"""Reading and writing files so that nothing is ever half written, and every failure names its file."""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import stat
from pathlib import Path

from brickbook.core.errors import BookError, Fault

__all__ = [
    "file_digest",
    "is_leftover",
    "os_fault",
    "read_bytes",
    "read_text",
    "relative_name",
    "text_of",
    "write_atomic",
]

_PREFIX, _SUFFIX = ".brickbook-", ".part"
_counter = itertools.count()

_REMEDIES = {
    errno.EACCES: "Check who may read and write it.",
    errno.EPERM: "Check who may read and write it.",
    errno.EROFS: "The disk or folder is read-only: use a copy of the book.",
    errno.ENOSPC: "The disk is full: free some space and try again. Nothing was changed.",
    errno.EDQUOT: "The disk quota is used up: free some space and try again. Nothing was changed.",
    errno.ENOENT: "Check the path.",
    errno.ENAMETOOLONG: "Give it a shorter name.",
}


def relative_name(root: Path, path: Path) -> str:
    """The path as the user knows it: relative to the book with forward slashes, where it is inside the book."""
    try:
        return path.relative_to(root).as_posix()
    except ValueError:
        return str(path)


def os_fault(name: str, doing: str, error: OSError) -> Fault:
    """The fault that says which file could not be read or written, and why."""
    why = os.strerror(error.errno) if error.errno else str(error)
    remedy = _REMEDIES.get(error.errno or 0, "Check the disk and the file.")
    return Fault(name, "", f"cannot be {doing}: {why[:1].lower()}{why[1:]}.", remedy)


def read_bytes(path: Path, name: str) -> bytes:
    """Content of a file.

    Raises
    ------
    BookError
        When it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise BookError(os_fault(name, "read", error)) from error


def file_digest(path: Path, name: str) -> str:
    """SHA-256 of a file's content in hexadecimal, read piece by piece.

    Raises
    ------
    BookError
        When it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return str(hashlib.file_digest(file, "sha256").hexdigest())
    except OSError as error:
        raise BookError(os_fault(name, "read", error)) from error


def text_of(content: bytes, name: str) -> str:
    """Content as UTF-8 text; a byte order mark at the start is kept, as the text must go back as it came.

    Raises
    ------
    BookError
        When it is not UTF-8; the line of the first wrong byte is named.
    """
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problem = f"is not UTF-8 text: byte 0x{content[error.start]:02x} is not valid there."
        raise BookError(Fault(name, f"line {line}", problem, "Save the file as UTF-8.")) from error


def read_text(path: Path, name: str) -> str | None:
    """Text of a file, or `None` where there is none.

    Raises
    ------
    BookError
        When it is there and cannot be read, or is not UTF-8.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BookError(os_fault(name, "read", error)) from error
    return text_of(content, name)


def write_atomic(path: Path, content: bytes, *, name: str = "") -> None:
    """Write a file so that a reader, or a power cut, meets the old content or the new, never a part.

    A temporary file in the same folder is written, flushed to the disk and renamed over the target, then the folder is
    flushed. Folders that are missing are made. A symbolic link is followed, so that it stays a link; the mode of an
    existing file is kept.

    Parameters
    ----------
    path
        Target.
    content
        All of the new content.
    name
        What to call the file in a message; the path by default.

    Raises
    ------
    BookError
        When it cannot be written; the target is then as it was before.
    """
    name = name or str(path)
    try:
        target = Path(os.path.realpath(path))
        target.parent.mkdir(parents=True, exist_ok=True)
        temporary = _write_temporary(target, content)
        try:
            _rename(temporary, target)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        _flush_folder(target.parent)
    except OSError as error:
        raise BookError(os_fault(name, "written", error)) from error


def is_leftover(file_name: str) -> bool:
    """Whether a file is the temporary file of a write that was interrupted."""
    return file_name.startswith(_PREFIX) and file_name.endswith(_SUFFIX)


def _write_temporary(target: Path, content: bytes) -> Path:
    while True:
        temporary = target.parent / f"{_PREFIX}{os.getpid()}-{next(_counter)}{_SUFFIX}"
        try:
            descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        except FileExistsError:  # left by an earlier process that had the same number
            continue
        break
    try:
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        if target.exists():
            temporary.chmod(stat.S_IMODE(target.stat().st_mode))
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary


def _rename(temporary: Path, target: Path) -> None:
    temporary.replace(target)


def _flush_folder(folder: Path) -> None:
    """Make the rename itself durable, on systems that can open a folder."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
