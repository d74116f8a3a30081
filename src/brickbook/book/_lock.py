"""One lock file for each thing that two processes must not change at once.

On one machine the operating system's lock (`flock`) decides, so a process that dies lets go by itself; the file's text
says who holds it. On a folder that several machines share, that lock may not reach from one to the other, so the file
itself decides there: it is made in one step with its text in it (a link to a finished file), and a file signed on
another machine is never taken over, however old it is. One that was left behind is deleted by hand, or broken on
purpose (`break_lock`): guessing that its owner is dead could let two in. Machines must have names of their own.
"""

from __future__ import annotations

import contextlib
import getpass
import itertools
import json
import os
import socket
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

from brickbook.book._files import os_fault
from brickbook.core.errors import BookError, Fault

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None

__all__ = ["Holder", "break_lock", "hold"]

_WAIT = "Wait until it has finished, or end it."
_LONGEST_COMMAND = 160
_counter = itertools.count()


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock, or held it when it died.

    Parameters
    ----------
    pid, host
        The process.
    user, since, command
        Who began it, when it took the lock (UTC) and what it was told to do; empty where that is not known.
    """

    pid: int
    host: str
    user: str = field(default="", compare=False)
    since: str = field(default="", compare=False)
    command: str = field(default="", compare=False)

    def text(self) -> str:
        """For a message."""
        when = f"since {self.since}" if self.since else ""
        who = ", ".join(filter(None, (self.user, when)))
        more = ": ".join(filter(None, (who, self.command)))
        return f"process {self.pid} on {self.host}" + (f" ({more})" if more else "")


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
    dead: Holder | None = None
    while True:
        _make_signed(path)
        try:
            descriptor = os.open(path, os.O_RDWR)
        except FileNotFoundError:  # its holder has just finished
            continue
        try:
            stale = _take(descriptor, name)
            if _is_at(descriptor, path):
                if stale is None:
                    if _read(descriptor) is None:  # made without links
                        _sign(descriptor)
                    return descriptor, dead
                # made anew rather than signed anew: another machine must never see it without a text
                dead = stale
                path.unlink(missing_ok=True)
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)  # or its last holder deleted it between our opening and locking: once more


def _make_signed(path: Path) -> None:
    """Make the file in one step with its text in it, unless it is there: never seen half made on another machine."""
    if path.exists():
        return
    own = path.with_name(f".brickbook-{socket.gethostname()}-{os.getpid()}-{next(_counter)}.part")
    descriptor = os.open(own, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o666)
    try:
        _sign(descriptor)
        with contextlib.suppress(FileExistsError):
            os.link(own, path)
    except OSError as error:
        if not own.exists() or isinstance(error, FileNotFoundError):
            raise
        # a file system without links: made empty, and signed by whoever locks it
        with contextlib.suppress(FileExistsError):
            os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666))
    finally:
        os.close(descriptor)
        own.unlink(missing_ok=True)


def _take(descriptor: int, name: str) -> Holder | None:
    """Lock an open file; gives the holder that died, if any."""
    assert fcntl is not None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise BookError(Fault(name, "", _held_by(_read(descriptor)), _WAIT)) from None
    stale = _read(descriptor)
    if stale is not None and stale == Holder(os.getpid(), socket.gethostname()):
        return None  # the text this very process made the file with
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


def _me() -> Holder:
    try:
        user = getpass.getuser()
    except (KeyError, OSError):  # a user the system knows no name of
        user = str(os.getuid()) if hasattr(os, "getuid") else ""
    since = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    command = " ".join([Path(sys.argv[0] or "python").name, *sys.argv[1:]])
    return Holder(os.getpid(), socket.gethostname(), user, since, command[:_LONGEST_COMMAND])


def _sign(descriptor: int) -> None:
    me = _me()
    words = {"host": me.host, "user": me.user, "since": me.since, "command": me.command}
    # a JSON text in ASCII is a TOML text too, but for half characters, which no name of a user or a file has to have
    lines = [f"{key} = {json.dumps(word.encode(errors='replace').decode())}" for key, word in words.items()]
    os.ftruncate(descriptor, 0)
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, "\n".join([f"pid = {me.pid}", *lines, ""]).encode())
    os.fsync(descriptor)


def _read(descriptor: int) -> Holder | None:
    """Who signed the file; `None` for an empty file or one that is being signed."""
    os.lseek(descriptor, 0, os.SEEK_SET)
    try:
        data = tomllib.loads(os.read(descriptor, 4096).decode("utf-8"))
        more = (str(data.get(key, "")) for key in ("user", "since", "command"))
        return Holder(int(data["pid"]), str(data["host"]), *more)
    except (ValueError, KeyError, TypeError):
        return None


def break_lock(path: Path, *, name: str) -> Holder | None:
    """Delete a lock whose holder is known to be gone; gives who had it, if the file says so.

    Only a person can know that of another machine. What this machine can find out, it does: a lock that a living
    process of it holds is not broken.

    Raises
    ------
    BookError
        When a process of this machine holds it, or the file cannot be deleted.
    """
    try:
        descriptor = os.open(path, os.O_RDWR)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BookError(os_fault(name, "read", error)) from error
    try:
        holder = _read(descriptor)
        if fcntl is not None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise BookError(Fault(name, "", _held_by(holder), _WAIT)) from None
        if _is_at(descriptor, path):
            path.unlink(missing_ok=True)
    except OSError as error:
        raise BookError(os_fault(name, "deleted", error)) from error
    finally:
        os.close(descriptor)
    return holder


def _is_at(descriptor: int, path: Path) -> bool:
    """Whether the open file is still the one the path names."""
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False
