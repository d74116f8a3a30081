"""Everything Brickbook may tell its user went wrong.

```
BrickbookError
├── BookError       a file people edit (TOML, notes, index) is wrong or missing
├── ReadError       a raw file cannot be read as what it is said to be
├── AnalysisError   readings are there, but a figure cannot be made from them
└── PublishError    a report or picture cannot be written
```

Each carries one or more `Fault`s: which file, where in it, what is wrong, what to do about it.
All faults found in one pass are reported together.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["AnalysisError", "BookError", "BrickbookError", "Fault", "PublishError", "ReadError"]

_LONGEST = 1200  # characters of one part of a fault
_UNSHOWN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")  # they move the cursor, or cannot be written at all


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong; what it quotes of a file can be printed anywhere, and is cut where it is very long.

    Parameters
    ----------
    file
        Path as the user knows it, relative to the book where possible.
    place
        Line ("line 12"), key ("ports[1].outputs") or column; empty for the whole file.
    problem
        What was found and what was expected.
    remedy
        What to do next; may be empty when the problem says it already.
    """

    file: str
    place: str
    problem: str
    remedy: str = ""

    def __post_init__(self) -> None:
        for name in ("file", "place", "problem", "remedy"):
            text = getattr(self, name)
            if len(text) > _LONGEST:
                text = f"{text[: _LONGEST - 300]} [...] {text[-200:]}"
            if not text.isprintable():
                text = _UNSHOWN.sub(lambda found: ascii(found.group())[1:-1], text)
            object.__setattr__(self, name, text)

    def __str__(self) -> str:
        where = f"{self.file}: {self.place}" if self.place else self.file
        tail = f" {self.remedy}" if self.remedy else ""
        return f"{where}: {self.problem}{tail}"


class BrickbookError(Exception):
    """Base of all errors a user may see; `faults` lists each problem."""

    def __init__(self, *faults: Fault) -> None:
        if not faults:
            raise ValueError("an error needs at least one fault")
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class BookError(BrickbookError):
    """A file of the book is wrong or missing."""


class ReadError(BrickbookError):
    """A raw file cannot be read."""


class AnalysisError(BrickbookError):
    """A figure cannot be made from the readings."""


class PublishError(BrickbookError):
    """A report or picture cannot be written."""
