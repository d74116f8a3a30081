"""One run at a time on a bench."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

from brickbook.bench.errors import BenchError
from brickbook.core.errors import Fault

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None

__all__ = ["only_run"]

_FILE = ".bench.lock"


@contextmanager
def only_run(root: Path) -> Iterator[None]:
    """Hold the bench of a book for the length of a `with` block; a process that dies lets go by itself.

    Raises
    ------
    BenchError
        When another run holds it.
    """
    descriptor = os.open(root / _FILE, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        if fcntl is not None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                problem = "another run uses the bench."
                raise BenchError(Fault(_FILE, "", problem, "Wait until it has ended, or end it.")) from None
        yield
    finally:
        os.close(descriptor)
