r"""Instruments of another kind: the same physics behind other words, given as a table, not as code.

A table is TOML: what ends a line, and a list of commands. Each has a regular expression for the whole line; what it
means in the words the software bench knows, with `{1}`, `{2}` for the groups and `{name}` for what an earlier command
made the instrument remember; and how the answer is written.

```toml
terminator = "\r\n"

[[command]]
match = 'CHAN (\d)'          # the channel is chosen by a command of its own
keep = { channel = 1 }

[[command]]
match = 'ISET (\d+)'         # milliamperes
means = "SOUR:CURR {1},(@{channel})"
factor = 0.001

[[command]]
match = 'I\?'
means = "MEAS:CURR? (@{channel})"
answer = "{0:.1f} mA"
scale = 1000
```
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError

from brickbook.core.errors import BookError, Fault
from brickbook.simbench.scpi import Pending, ScpiDevice

__all__ = ["CommandTable", "TableCommand", "TableEar", "read_table"]


@dataclass(frozen=True, slots=True)
class TableCommand:
    """One command of another kind of instrument.

    Parameters
    ----------
    match
        Regular expression of the whole line.
    means
        The same in the words of the software bench; empty where it only remembers something.
    keep
        Name to number of the group that is remembered under it.
    factor
        Of the first group, where it is a number: what the bench's words get is factor times it.
    answer
        How an answer is written: `{0}` is what came, a number where `scale` is given.
    scale
        Number written = scale times the number that came.
    words
        Answers that are written as another word.
    """

    match: str
    means: str = ""
    keep: Mapping[str, int] = field(default_factory=dict)
    factor: float | None = None
    answer: str = "{0}"
    scale: float | None = None
    words: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        try:
            groups = re.compile(self.match).groups
        except re.error as error:
            raise ValueError(f"{self.match!r} is no regular expression: {error}") from error
        if any(not 1 <= number <= groups for number in self.keep.values()) or (self.factor is not None and not groups):
            raise ValueError(f"{self.match!r} has not the groups that are used")


@dataclass(frozen=True, slots=True)
class CommandTable:
    """How another kind of instrument is spoken to.

    Parameters
    ----------
    command
        Commands, the first that matches is meant.
    terminator
        What ends a line, both ways.
    unknown
        SCPI number of the error for a line that is none of them.
    """

    command: tuple[TableCommand, ...]
    terminator: str = "\n"
    unknown: int = -113


_ADAPTER: TypeAdapter[Any] = TypeAdapter(tuple[CommandTable], config=ConfigDict(extra="forbid", allow_inf_nan=False))


def read_table(path: Path) -> CommandTable:
    """A table of commands from its TOML file; raises `BookError`."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        table = _ADAPTER.validate_python([data])[0]
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BookError(Fault(str(path), "", f"cannot be read: {error}.", "Correct the file or its name.")) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"][1:])
        raise BookError(Fault(str(path), place, f"{first['msg']}.", "Correct the value.")) from error
    assert isinstance(table, CommandTable)
    return table


class TableEar:
    """Hears lines of another kind for an instrument, and writes its answers that way.

    Parameters
    ----------
    table
        How.
    device
        Whose.
    """

    def __init__(self, table: CommandTable, device: ScpiDevice) -> None:
        self._table, self._device = table, device
        self._patterns = [(re.compile(command.match), command) for command in table.command]
        self._kept: dict[str, str] = {}

    def run(self, line: str) -> Generator[Pending, None, bytes]:
        """Carry out a line; as `ScpiDevice.run`."""
        for pattern, command in self._patterns:
            found = pattern.fullmatch(line)
            if found is None:
                continue
            self._kept |= {name: found[number] for name, number in command.keep.items()}
            if not command.means:
                return b""
            answer = yield from self._device.run(self._meant(command, found))
            return self._written(command, answer.decode("ascii")).encode() if answer else b""
        self._device.error(self._table.unknown, line)
        return b""

    def _meant(self, command: TableCommand, found: re.Match[str]) -> str:
        groups = list(found.groups())
        if command.factor is not None:
            groups[0] = f"{float(groups[0]) * command.factor:.9g}"
        try:
            return command.means.format(found[0], *groups, **self._kept)
        except KeyError:
            return f"NOTHING CHOSEN {found[0]}"  # no channel has been chosen: an error of its own in the queue

    @staticmethod
    def _written(command: TableCommand, answer: str) -> str:
        if answer in command.words:
            return command.words[answer]
        return command.answer.format(answer if command.scale is None else float(answer) * command.scale)
