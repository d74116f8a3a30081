"""The language of the instruments: SCPI-1999 over IEEE 488.2, as much of it as a bench needs.

Headers in short and long form, compound messages with the path rule of SCPI-1999 volume 1, 6.2.4 (where the relative
header is unknown the absolute one is tried, as many instruments do), channel lists, NR3 numbers, definite-length
blocks, and the error queue of volume 2, 21.8 with its numbers.
"""

from __future__ import annotations

import itertools
import re
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass

__all__ = ["Pending", "ScpiDevice", "ScpiError", "block", "boolean", "channels", "number", "numbers"]

_QUEUE = 20
_DIGITS = 4  # of a channel's number; longer ranges would be counted through one by one
_TEXTS = {
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -171: "Invalid expression",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -310: "System error",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
}


class ScpiError(Exception):
    """A message the instrument does not carry out; it goes to the error queue.

    Parameters
    ----------
    number
        Of SCPI-1999 volume 2, 21.8.
    detail
        What this instrument adds to the standard's text.
    """

    def __init__(self, number: int, detail: str = "") -> None:
        self.number = number
        self.detail = detail
        super().__init__(f"{number} {detail}")


@dataclass(frozen=True, slots=True)
class Pending:
    """Something takes bench time: at most `timeout_s` [s], less when `ready` says so; then `answer` is asked."""

    timeout_s: float
    ready: Callable[[], bool] | None = None
    answer: Callable[[], str | bytes] | None = None


Answer = str | bytes | Pending | None
Handler = Callable[[list[str]], Answer]


def numbers(*values: float) -> str:
    """Values as NR3 numbers of IEEE 488.2 8.7.4, separated by commas."""
    return ",".join(f"{value:+.7E}" for value in values)


def block(data: bytes) -> bytes:
    """A definite-length arbitrary block of IEEE 488.2 8.7.9: # , count of digits, length, data."""
    length = str(len(data)).encode()
    return b"#%d%s%s" % (len(length), length, data)


def number(text: str, low: float, high: float) -> float:
    """A number within limits; raises `ScpiError` -104 or -222."""
    try:
        value = float(text)
    except ValueError:
        raise ScpiError(-104, f"{text} is no number") from None
    if not low <= value <= high:
        raise ScpiError(-222, f"{text} is not within {low:g} and {high:g}")
    return value


def boolean(text: str) -> bool:
    """ON, OFF, 1 or 0; raises `ScpiError` -224."""
    word = text.strip().upper()
    if word in ("ON", "1"):
        return True
    if word in ("OFF", "0"):
        return False
    raise ScpiError(-224, f"{text} is neither ON nor OFF")


_LIST = re.compile(r"^\(@(?P<body>[0-9:, ]+)\)$")


def channels(text: str) -> tuple[str, ...]:
    """Numbers of a channel list such as (@1,3) or (@101:104); raises `ScpiError` -171."""
    match = _LIST.match(text.strip())
    found: list[str] = []
    if match:
        for part in match["body"].split(","):
            first, colon, last = part.strip().partition(":")
            if not first.isdigit() or (colon and not last.isdigit()):
                break
            if max(len(first), len(last)) > _DIGITS:
                raise ScpiError(-171, f"{part[:20]} is no channel")
            found += [str(k) for k in range(int(first), int(last or first) + 1)]
        else:
            return tuple(found)
    raise ScpiError(-171, f"{text} is no channel list")


class ScpiDevice:
    """An instrument's ear and mouth: commands by header, an error queue, a status byte.

    Parameters
    ----------
    identity
        Answer to *IDN?.
    """

    def __init__(self, identity: str) -> None:
        self.identity = identity
        self._handlers: dict[str, Handler] = {}
        self._errors: deque[tuple[int, str]] = deque()
        self._events = 128  # power on
        self._parsed: dict[str, list[tuple[str, list[str]]]] = {}
        self.command("*IDN?", lambda _: self.identity)
        self.command("*RST", self._reset)
        self.command("*CLS", self._clear)
        self.command("*ESR?", self._event_status)
        self.command("*WAI", lambda _: Pending(60.0, self.idle))
        self.command("*OPC?", lambda _: Pending(self.longest_operation_s(), self.idle, lambda: "1"))
        self.command("SYSTem:ERRor[:NEXT]?", self._next_error)

    # What an instrument adds

    def command(self, pattern: str, handler: Handler) -> None:
        """Answer a header, written as in SCPI: capitals are the short form, brackets may be left out."""
        for header in _forms(pattern):
            self._handlers[header] = handler

    def reset(self) -> None:
        """Back to the state after *RST."""

    def idle(self) -> bool:
        """Whether all operations are finished."""
        return True

    def longest_operation_s(self) -> float:
        """After what time *OPC? answers whatever happens [s]."""
        return 60.0

    # Errors

    def error(self, number: int, detail: str = "") -> None:
        """Put an error into the queue."""
        self._events |= {1: 32, 2: 16, 3: 8, 4: 4}.get(-number // 100, 8)
        if len(self._errors) >= _QUEUE:
            self._errors[-1] = (-350, _TEXTS[-350])
            return
        text = _TEXTS.get(number, "Device-specific error")
        self._errors.append((number, f"{text}; {detail}" if detail else text))

    def _next_error(self, _: list[str]) -> str:
        number, text = self._errors.popleft() if self._errors else (0, "No error")
        return f'{number},"{text}"'

    def _event_status(self, _: list[str]) -> str:
        events, self._events = self._events, 0
        return str(events)

    def _clear(self, _: list[str]) -> None:
        self._errors.clear()
        self._events = 0

    def _reset(self, _: list[str]) -> None:
        self.reset()

    # Messages

    def run(self, line: str) -> Generator[Pending, None, bytes]:
        """Carry out one program message; yields what takes time, returns the answer without its terminator."""
        units = self._parsed.get(line)
        if units is None:
            units = _units(line)
            if len(self._parsed) < 512:
                self._parsed[line] = units
        answers: list[bytes] = []
        path = ""
        for header, arguments in units:
            try:
                handler, path = self._find(header, path)
                answer = handler(arguments)
                while isinstance(answer, Pending):
                    yield answer
                    answer = answer.answer() if answer.answer is not None else None
            except ScpiError as error:
                self.error(error.number, error.detail)
                continue
            if answer is not None:
                answers.append(answer if isinstance(answer, bytes) else answer.encode())
        return b";".join(answers)

    def _find(self, header: str, path: str) -> tuple[Handler, str]:
        if header.startswith("*"):
            handler = self._handlers.get(header)
            if handler is None:
                raise ScpiError(-113, header)
            return handler, path
        for full in (header[1:],) if header.startswith(":") else (path + header, header):
            handler = self._handlers.get(full)
            if handler is not None:
                return handler, full[: full.rfind(":") + 1]
        raise ScpiError(-113, header)


def _units(line: str) -> list[tuple[str, list[str]]]:
    """Message units of a line: header in capitals, and parameters."""
    found: list[tuple[str, list[str]]] = []
    for unit in _split(line, ";"):
        text = unit.strip()
        if not text:
            continue
        header, _, rest = text.partition(" ")
        found.append((header.upper(), [part.strip() for part in _split(rest, ",")] if rest.strip() else []))
    return found


def _split(text: str, separator: str) -> list[str]:
    """Parts between separators that stand neither in quotes nor in parentheses."""
    if separator not in text:
        return [text]
    parts, depth, quoted, start = [], 0, "", 0
    for k, character in enumerate(text):
        if quoted:
            quoted = "" if character == quoted else quoted
        elif character in "\"'":
            quoted = character
        elif character == "(":
            depth += 1
        elif character == ")":
            depth -= 1
        elif character == separator and depth <= 0:
            parts.append(text[start:k])
            start = k + 1
    return [*parts, text[start:]]


def _forms(pattern: str) -> set[str]:
    """All ways to write a header."""
    if pattern.startswith("*"):
        return {pattern}
    query = pattern.endswith("?")
    choices: list[tuple[str, ...]] = []
    for node in re.findall(r"\[:?[A-Za-z]+\]|:?[A-Za-z]+", pattern.rstrip("?")):
        name = node.strip("[:]")
        short = "".join(c for c in name if c.isupper())
        forms = {short, name.upper()}
        choices.append((*sorted(forms), "") if node.startswith("[") else tuple(sorted(forms)))
    return {":".join(part for part in parts if part) + ("?" if query else "") for parts in itertools.product(*choices)}
