"""One run at a time on an instrument, whichever charger it is for and whichever machine it runs on."""

from __future__ import annotations

import hashlib
import re
import socket
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from brickbook.bench.errors import BenchError
from brickbook.book import hold
from brickbook.core.errors import BookError, Fault

__all__ = ["only_run"]

_REACHED_FROM_ANYWHERE = re.compile(r"TCPIP\d*::(?!127\.|localhost|\[?::1)", re.IGNORECASE)


@contextmanager
def only_run(root: Path, addresses: Iterable[str] = ()) -> Iterator[None]:
    """Hold the instruments of a run for the length of a `with` block; a process that dies lets go by itself.

    Two benches with instruments of their own measure at the same time; two that would use the same one do not.

    Parameters
    ----------
    root
        The book.
    addresses
        VISA resource names; one that is not on the network is this machine's own.

    Raises
    ------
    BenchError
        When another run holds one of them: the message says who.
    """
    with ExitStack() as stack:
        for address in sorted(set(filter(None, addresses))):
            whole = address if _REACHED_FROM_ANYWHERE.match(address) else f"{socket.gethostname()} {address}"
            name = f".bench-{hashlib.sha256(whole.encode()).hexdigest()[:12]}.lock"
            try:
                stack.enter_context(hold(root / name, name=name))
            except BookError as error:
                faults = (Fault(address, "", fault.problem, fault.remedy) for fault in error.faults)
                raise BenchError(*faults) from error
        yield
