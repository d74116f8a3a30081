"""One lock file for each thing that two processes must not change at once.

The operating system's lock (`flock`) decides, so a process that dies lets go by itself; the file's text only says who
holds it. Where the system or the file system has no such lock, making the file is the lock, and one that was left
behind has to be deleted by hand: guessing that its owner is dead could let two in.
"""

from __future__ import annotations

import os
import socket
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from brickbook.book._files import os_fault
from brickbook.core.errors import BookError, Fault

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None

__all__ = ["Holder", "hold"]

_WAIT = "Wait until it has finished, or end it."


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock, or held it when it died."""

    pid: int
    host: str

    def text(self) -> str:
        """For a message."""
        return f"process {self.pid} on {self.host}"


@contextmanager
def hold(path: Path, *, name: str) -> Iterator[Holder | None]:
    """Hold a lock file for the length of a `with` block.

    Parameters
    ----------
    path
        The lock file; it is made, and deleted at the end.
    name
        What to call it in a message.

    Yields
    ------
    Holder or None
        The process that died holding the lock, where there was one: its work may be unfinished.

    Raises
    ------
    BookError
        When another holds it (the message says who), or the file cannot be made.
    """
    try:
        descriptor, stale = _acquire(path, name)
    except OSError as error:
        raise BookError(os_fault(name, "locked", error)) from error
    try:
        yield stale
    finally:
        _release(descriptor, path)


def _release(descriptor: int, path: Path) -> None:
    mine = _is_at(descriptor, path)  # not when somebody deleted it by hand: another may have made it anew
    if fcntl is None:
        os.close(descriptor)  # without POSIX an open file cannot be deleted
    try:
        if mine:
            path.unlink(missing_ok=True)
    finally:
        if fcntl is not None:
            os.close(descriptor)  # after the deletion, so that nobody can have taken the file in between


def _acquire(path: Path, name: str) -> tuple[int, Holder | None]:
    if fcntl is None:
        return _make(path, name), None
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            stale = _take(descriptor, name)
            if _is_at(descriptor, path):
                _sign(descriptor)
                return descriptor, stale
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)  # its last holder deleted it between our opening and locking: once more


def _take(descriptor: int, name: str) -> Holder | None:
    """Lock an open file; gives the holder that died, if any."""
    assert fcntl is not None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise BookError(Fault(name, "", _held_by(_read(descriptor)), _WAIT)) from None
    stale = _read(descriptor)
    if stale is not None and stale.host != socket.gethostname():
        # the lock may not reach from machine to machine, so this is no proof that the other is gone
        remedy = f"If that process no longer runs, delete {name}."
        raise BookError(Fault(name, "", _held_by(stale), remedy))
    return stale


def _make(path: Path, name: str) -> int:
    """Lock by making the file, where the system has nothing better."""
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666)
    except FileExistsError:
        reader = os.open(path, os.O_RDONLY)
        holder = _read(reader)
        os.close(reader)
        remedy = f"Wait until it has finished; if that process no longer runs, delete {name}."
        raise BookError(Fault(name, "", _held_by(holder), remedy)) from None
    _sign(descriptor)
    return descriptor


def _held_by(holder: Holder | None) -> str:
    return f"is held by {holder.text() if holder else 'another process'}."


def _sign(descriptor: int) -> None:
    os.ftruncate(descriptor, 0)
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, f'pid = {os.getpid()}\nhost = "{socket.gethostname()}"\n'.encode())
    os.fsync(descriptor)


def _read(descriptor: int) -> Holder | None:
    """Who signed the file; `None` for an empty file or one that is being signed."""
    os.lseek(descriptor, 0, os.SEEK_SET)
    try:
        data = tomllib.loads(os.read(descriptor, 4096).decode("utf-8"))
        return Holder(int(data["pid"]), str(data["host"]))
    except (ValueError, KeyError, TypeError):
        return None


def _is_at(descriptor: int, path: Path) -> bool:
    """Whether the open file is still the one the path names."""
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False
