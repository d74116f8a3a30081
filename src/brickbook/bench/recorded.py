"""Links that remember, and links that replay: a session with an instrument as a list of what was sent and answered."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from brickbook.bench.errors import LinkError, LinkTimeout
from brickbook.bench.link import Link

__all__ = ["Exchange", "RecordingLink", "ReplayLink"]


@dataclass(frozen=True, slots=True)
class Exchange:
    """One exchange: what was sent, and the answer; `None` where none came in time."""

    kind: Literal["write", "query", "block", "reopen"]
    sent: str
    answer: str | bytes | None = ""


class RecordingLink:
    """Passes everything on to another link and keeps it.

    Parameters
    ----------
    link
        The link that does the work.
    """

    def __init__(self, link: Link) -> None:
        self._link = link
        self.exchanges: list[Exchange] = []

    def write(self, text: str) -> None:
        """Send a message."""
        self.exchanges.append(Exchange("write", text))
        self._link.write(text)

    def query(self, text: str) -> str:
        """Send a question and give its answer."""
        return str(self._keep("query", text))

    def read_block(self, text: str) -> bytes:
        """Send a question and give the block that answers it."""
        answer = self._keep("block", text)
        assert isinstance(answer, bytes)
        return answer

    def reopen(self) -> None:
        """Close and open anew."""
        self.exchanges.append(Exchange("reopen", ""))
        self._link.reopen()

    def close(self) -> None:
        """Let go."""
        self._link.close()

    def _keep(self, kind: Literal["query", "block"], text: str) -> str | bytes:
        answer: str | bytes | None = None
        try:
            answer = self._link.query(text) if kind == "query" else self._link.read_block(text)
        finally:
            self.exchanges.append(Exchange(kind, text, answer))
        return answer


class ReplayLink:
    """Answers as a session did, and refuses whatever departs from it.

    Parameters
    ----------
    name
        Of the instrument, for messages.
    exchanges
        The session, in order.
    """

    def __init__(self, name: str, exchanges: Iterable[Exchange]) -> None:
        self.name = name
        self.left = list(exchanges)

    def write(self, text: str) -> None:
        """Send a message."""
        self._next("write", text)

    def query(self, text: str) -> str:
        """Send a question and give its answer."""
        return str(self._next("query", text))

    def read_block(self, text: str) -> bytes:
        """Send a question and give the block that answers it."""
        answer = self._next("block", text)
        assert isinstance(answer, bytes)
        return answer

    def reopen(self) -> None:
        """Close and open anew."""
        self._next("reopen", "")

    def close(self) -> None:
        """Let go."""

    def _next(self, kind: str, text: str) -> str | bytes:
        expected = self.left.pop(0) if self.left else None
        if expected is None or (expected.kind, expected.sent) != (kind, text):
            told = f"{expected.kind} {expected.sent!r}" if expected else "nothing more"
            raise LinkError(self.name, text, f"{kind} {text!r} came, the session has {told}.")
        if expected.answer is None:
            raise LinkTimeout(self.name, text, "no answer in time.")
        return expected.answer
