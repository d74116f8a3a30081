"""How bytes reach an instrument. The only module that knows the VISA library.

What the library leaves open on a socket, and what is done about it:

- it has no read termination unless told: both terminations are always given;
- opening a dead port succeeds: a caller asks who is there at once, and `OSError` is translated as its own errors are;
- an answer that comes after the timeout would be taken for the next answer, and clearing drains only what has come
  already: after a timeout the link is closed and opened anew;
- messages are held back until the last one is acknowledged (Nagle): that is switched off;
- a block of bytes may hold the terminator: it is read by count, with the termination off.
"""

from __future__ import annotations

import functools
import socket
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, cast

import pyvisa
from pyvisa import constants
from pyvisa.resources import MessageBasedResource, SerialInstrument, TCPIPSocket

from brickbook.bench.errors import LinkError, LinkGarbage, LinkTimeout

__all__ = ["Link", "LinkSettings", "VisaLink"]

_LARGEST_BLOCK = 1 << 30
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """How a link is set.

    Parameters
    ----------
    read_termination, write_termination
        What ends an answer, and a message.
    timeout_s
        Longest wait for an answer [s].
    baud_rate
        Of a serial port.
    """

    read_termination: str = "\n"
    write_termination: str = "\n"
    timeout_s: float = 2.0
    baud_rate: int = 9600


class Link(Protocol):
    """A line to one instrument; text goes without terminations. All methods raise `LinkError`."""

    def write(self, text: str) -> None:
        """Send a message."""
        ...

    def query(self, text: str) -> str:
        """Send a question and give its answer; raises `LinkTimeout` when none comes in time."""
        ...

    def read_block(self, text: str) -> bytes:
        """Send a question and give the bytes of the IEEE 488.2 definite-length block that answers it."""
        ...

    def reopen(self) -> None:
        """Close and open anew, so that nothing said before can be heard again."""
        ...

    def close(self) -> None:
        """Let go; never raises."""
        ...


class VisaLink:
    """A link by a VISA resource name: LAN, serial or USB.

    Parameters
    ----------
    name
        Of the instrument, for messages.
    address
        VISA resource name.
    settings
        Terminations and timeout.

    Raises
    ------
    LinkError
        When it cannot be opened. A dead socket opens all the same: ask who is there at once.
    """

    def __init__(self, name: str, address: str, settings: LinkSettings | None = None) -> None:
        self.name, self.address, self.settings = name, address, settings or LinkSettings()
        self._resource: MessageBasedResource | None = self._open()

    def write(self, text: str) -> None:
        """Send a message."""
        with _Translated(self, text) as resource:
            resource.write(text)

    def query(self, text: str) -> str:
        """Send a question and give its answer."""
        with _Translated(self, text) as resource:
            resource.write(text)
            return resource.read().strip()

    def read_block(self, text: str) -> bytes:
        """Send a question and give the bytes of its block (IEEE 488.2, 8.7.9)."""
        with _Translated(self, text) as resource:
            resource.write(text)
            resource.read_termination = None
            try:
                return self._block(resource, text)
            finally:
                resource.read_termination = self.settings.read_termination

    def reopen(self) -> None:
        """Close and open anew."""
        self.close()
        self._resource = self._open()

    def close(self) -> None:
        """Let go; never raises."""
        resource, self._resource = self._resource, None
        if resource is not None:
            try:
                resource.close()
            except (pyvisa.Error, OSError):
                return  # the other side is gone already

    def _block(self, resource: MessageBasedResource, text: str) -> bytes:
        mark = resource.read_bytes(1)
        digits = resource.read_bytes(1) if mark == b"#" else b""
        if not digits.isdigit() or digits == b"0":
            found = (mark + digits).decode("ascii", "backslashreplace")
            raise LinkGarbage(self.name, text, f"a block begins with # and its length, the answer begins with {found}.")
        length = resource.read_bytes(int(digits))
        if not length.isdigit() or int(length) > _LARGEST_BLOCK:
            raise LinkGarbage(self.name, text, f"{length!r} is no length of a block.")
        left, pieces = int(length), []
        while left:
            pieces.append(resource.read_bytes(min(left, _PIECE), break_on_termchar=False))
            left -= len(pieces[-1])
        resource.read_bytes(len(self.settings.read_termination))
        return b"".join(pieces)

    def _open(self) -> MessageBasedResource:
        wait_s = self.settings.timeout_s
        try:
            resource = cast("MessageBasedResource", _manager().open_resource(self.address, timeout=1000.0 * wait_s))
            # the library's own are none for answers, so that the first one never ends
            resource.read_termination = self.settings.read_termination
            resource.write_termination = self.settings.write_termination
            if isinstance(resource, TCPIPSocket):
                _send_at_once(resource)
            if isinstance(resource, SerialInstrument):
                resource.baud_rate = self.settings.baud_rate
        except (pyvisa.Error, OSError, ValueError, ImportError) as error:
            remedy = "Check that it is switched on and connected, and its address in bench.toml."
            raise LinkError(self.name, self.address, f"cannot be opened: {error}.", remedy) from error
        return resource


class _Translated:
    """The open resource for the length of a `with` block, the library's errors translated."""

    def __init__(self, link: VisaLink, sent: str) -> None:
        self._link, self._sent = link, sent

    def __enter__(self) -> MessageBasedResource:
        resource = self._link._resource  # noqa: SLF001 - one class in two halves
        if resource is None:
            raise LinkError(self._link.name, self._sent, "the link is closed.")
        return resource

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        name, sent = self._link.name, self._sent
        if isinstance(error, pyvisa.VisaIOError) and error.error_code == constants.StatusCode.error_timeout:
            waited = f"no answer within {self._link.settings.timeout_s:g} s."
            raise LinkTimeout(name, sent, waited, "Is it busy, or is the question none of its words?") from error
        if isinstance(error, UnicodeDecodeError):
            raise LinkGarbage(name, sent, f"the answer is no text: {error.object[:20]!r}.") from error
        if isinstance(error, (pyvisa.Error, OSError)):
            remedy = "Check that it is switched on and connected."
            raise LinkError(name, sent, f"the connection failed: {error}.", remedy) from error


def _send_at_once(resource: TCPIPSocket) -> None:
    """Switch off the delay of small messages: the library has no attribute for it on plain sockets (0.8.1)."""
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    line = getattr(session, "interface", None)
    if isinstance(line, socket.socket):
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@functools.cache
def _manager() -> pyvisa.ResourceManager:
    return pyvisa.ResourceManager("@py")
