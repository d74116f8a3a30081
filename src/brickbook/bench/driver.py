"""An instrument spoken to by its dialect: generic, the same code for every role."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import NoReturn

from brickbook.bench.dialect import Command, Dialect
from brickbook.bench.errors import InstrumentError, LinkError, LinkGarbage
from brickbook.bench.link import Link
from brickbook.bench.roles import OPERATIONS
from brickbook.core.errors import Fault
from brickbook.core.instrument import Instrument

__all__ = ["Driver"]

_MOST_ERRORS = 20
_READY_TRIES = 3


class Driver:
    """One instrument.

    After any failure of the link it is opened anew and asked who it is, so that no late answer is taken for another
    one's; what was being asked is void, and the failure is raised.

    Parameters
    ----------
    name, instrument
        As in bench.toml.
    dialect
        How to speak to it.
    link
        The line to it.
    report
        Is told the text of each error the instrument or the link reports.
    """

    def __init__(
        self,
        name: str,
        instrument: Instrument,
        dialect: Dialect,
        link: Link,
        report: Callable[[str, str], None] = lambda _name, _text: None,
    ) -> None:
        self.name, self.instrument, self.dialect = name, instrument, dialect
        self._link, self._report = link, report
        self.idn = ""

    # Opening

    def identify(self) -> str:
        """Ask who is there; the first thing said on a link.

        Raises
        ------
        LinkError
            When nobody answers.
        InstrumentError
            When it is not who it was, or not who the dialect is for.
        """
        idn = self._link.query(self.dialect.identity_ask)
        if self.dialect.identity_expect and not re.search(self.dialect.identity_expect, idn):
            expected = f"expected to match {self.dialect.identity_expect!r}."
            self._fail(self.dialect.identity_ask, f"{idn!r} answers, {expected}", "Check address and dialect.")
        if self.idn and idn != self.idn:
            self._fail(self.dialect.identity_ask, f"{idn!r} answers, it was {self.idn!r} before.")
        self.idn = idn
        return idn

    def start(self) -> None:
        """Send what the dialect has for the beginning, and pass over old errors; raises `LinkError`."""
        for text in self.dialect.start:
            self._link.write(text)
        self.errors()

    def recover(self) -> None:
        """Open the link anew and make sure of who is there; raises as `identify`."""
        self._link.reopen()
        self.identify()

    def close(self) -> None:
        """Let go."""
        self._link.close()

    # Operations

    def can(self, operation: str) -> bool:
        """Whether its dialect has the operation."""
        return self.dialect.has(operation)

    def do(self, operation: str, **fills: float | str) -> None:
        """Have it do something, wait until done, and make sure that it reports no error.

        Raises
        ------
        LinkError
            When it cannot be talked to.
        InstrumentError
            When it reports an error.
        """
        command = self._command(operation)
        sent = [self._filled(command, text, fills) for text in (*command.send, command.ask) if text]
        try:
            for text in sent[: len(command.send)]:
                self._link.write(text)
            if command.ask:
                self._link.query(sent[-1])  # an instrument that answers commands, too
            if command.wait:
                self._until_ready(sent[-1])
            errors = self.errors()
        except LinkError as error:
            self._lost(error)
        if errors:
            self._fail(sent[-1], f"answers with an error: {'; '.join(errors)}.")

    def numbers(self, operation: str, **fills: float | str) -> dict[str, float | None]:
        """Numbers by name, in SI units; `None` where the instrument gave none. Raises as `do`."""
        command = self._command(operation)
        return dict(zip(command.gives, self._numbers(command, fills, len(command.gives)), strict=True))

    def of_channels(self, operation: str, channels: Sequence[str]) -> list[float | None]:
        """One number for each channel, in SI units, asked at once where the dialect can. Raises as `do`."""
        command = self._command(operation)
        texts = (*command.send, command.ask)  # a channel may be chosen by a message before the question
        if any("{channels" in text for text in texts) or not any("{channel" in text for text in texts):
            return self._numbers(command, {"channels": ",".join(channels)}, len(channels), scaled="*")
        single = [self._numbers(command, {"channel": channel}, 1, scaled="*") for channel in channels]
        return [numbers[0] for numbers in single]

    def word(self, operation: str, **fills: float | str) -> str:
        """One of the operation's words. Raises as `do`."""
        command = self._command(operation)
        answer = self._asked(command, fills)
        found = [w for w, meant in command.words.items() if answer.upper() in (text.upper() for text in meant)]
        if found:
            return found[0]
        expected = ", ".join(text for meant in command.words.values() for text in meant)
        return self._garbage(self._filled(command, command.ask, fills), f"{answer!r} came, expected {expected}.")

    def text(self, operation: str, **fills: float | str) -> str:
        """An answer as it came. Raises as `do`."""
        return self._asked(self._command(operation), fills)

    def block(self, operation: str, **fills: float | str) -> bytes:
        """The bytes of a block. Raises as `do`."""
        command = self._command(operation)
        try:
            for text in command.send:
                self._link.write(self._filled(command, text, fills))
            return self._link.read_block(self._filled(command, command.ask, fills))
        except LinkError as error:
            self._lost(error)

    def errors(self) -> list[str]:
        """Take all errors out of the instrument's queue and report them; raises `LinkError`."""
        found: list[str] = []
        if not self.dialect.error_ask:
            return found
        for _ in range(_MOST_ERRORS):
            answer = self._link.query(self.dialect.error_ask)
            if re.search(self.dialect.error_none, answer):
                break
            found.append(answer)
            self._report(self.name, answer)
        return found

    # Within

    def _command(self, operation: str) -> Command:
        command = self.dialect.commands.get(operation)
        if command is None:
            what = OPERATIONS[self.dialect.role][operation].what
            self._fail(f"commands.{operation}", f"is not in {self.dialect.file}: {what}.", "Add it to the dialect.")
        return command

    def _filled(self, command: Command, text: str, fills: Mapping[str, float | str]) -> str:
        scaled = {k: v * command.factor.get(k, 1.0) if isinstance(v, float) else v for k, v in fills.items()}
        return text.format(**scaled)

    def _asked(self, command: Command, fills: Mapping[str, float | str]) -> str:
        ask = self._filled(command, command.ask, fills)
        try:
            for text in command.send:
                self._link.write(self._filled(command, text, fills))
            answer = self._link.query(ask)
        except LinkError as error:
            self._lost(error)
        if not command.pattern:
            return answer
        match = re.search(command.pattern, answer)
        if match is None:
            self._garbage(ask, f"{answer!r} does not match {command.pattern!r}.")
        return str(match.group(1))

    def _numbers(
        self, command: Command, fills: Mapping[str, float | str], count: int, *, scaled: str = ""
    ) -> list[float | None]:
        answer = self._asked(command, fills)
        parts = [part.strip() for part in answer.split(",")]
        ask = self._filled(command, command.ask, fills)
        if len(parts) != count:
            self._garbage(ask, f"{answer!r} came, {count} numbers were expected.")
        found: list[float | None] = []
        for k, part in enumerate(parts):
            try:
                number = float(part)
            except ValueError:
                self._garbage(ask, f"{part!r} came, a number was expected.")
            name = scaled or command.gives[k]
            good = math.isfinite(number) and abs(number) < command.overrange
            found.append(number * command.scale.get(name, 1.0) if good else None)
        return found

    def finish(self, operation: str) -> None:
        """Wait until what an operation began is done. Raises as `do`."""
        try:
            self._until_ready(operation)
        except LinkError as error:
            self._lost(error)

    def _until_ready(self, sent: str) -> None:
        if not self.dialect.ready_ask:
            return
        for _ in range(_READY_TRIES):
            answer = self._link.query(self.dialect.ready_ask)
            if answer == self.dialect.ready_expect:
                return
        raise LinkGarbage(self.name, sent, f"{self.dialect.ready_ask} was answered by {answer!r}.")

    def _garbage(self, sent: str, problem: str) -> NoReturn:
        self._lost(LinkGarbage(self.name, sent, problem, "Its dialect may not fit it."))

    def _lost(self, error: LinkError) -> NoReturn:
        """Report a failure, open the link anew, and raise the failure."""
        self._report(self.name, f"{error.sent}: {error.problem}")
        try:
            self.recover()
            self.errors()
        except LinkError as second:
            self._report(self.name, f"{second.sent}: {second.problem}")
        raise error

    def _fail(self, place: str, problem: str, remedy: str = "") -> NoReturn:
        raise InstrumentError(Fault(f"instrument {self.name}", place, problem, remedy))
