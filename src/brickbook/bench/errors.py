"""What can go wrong on the bench.

```
BenchError              something about the bench is not as it must be
├── DialectError        a dialect file is wrong or missing
├── InstrumentError     an instrument reports an error, or does not do what it was told
└── LinkError           an instrument cannot be talked to
    ├── LinkTimeout     it did not answer in time
    └── LinkGarbage     it answered what cannot be understood
```

`Tripped` and `CannotDo` are none of these: an interlock that trips is the bench doing its work, and a charger need not
offer what a plan asks for.
"""

from __future__ import annotations

from dataclasses import dataclass

from brickbook.core.errors import BrickbookError, Fault

__all__ = [
    "BenchError",
    "DialectError",
    "InstrumentError",
    "LinkError",
    "LinkGarbage",
    "LinkTimeout",
    "Trip",
    "Tripped",
]


class BenchError(BrickbookError):
    """Something about the bench is not as it must be."""


class DialectError(BenchError):
    """A dialect file is wrong or missing."""


class InstrumentError(BenchError):
    """An instrument reports an error, or does not do what it was told."""


class LinkError(BenchError):
    """An instrument cannot be talked to.

    Parameters
    ----------
    instrument
        Its name in bench.toml.
    sent
        What was being sent or asked.
    problem, remedy
        As in `Fault`.
    """

    def __init__(self, instrument: str, sent: str, problem: str, remedy: str = "") -> None:
        super().__init__(Fault(f"instrument {instrument}", sent, problem, remedy))
        self.instrument, self.sent, self.problem = instrument, sent, problem


class LinkTimeout(LinkError):  # noqa: N818 - as `TimeoutError`, said of a link
    """It did not answer in time; the answer may still come, and would be taken for that to the next question."""


class LinkGarbage(LinkError):  # noqa: N818 - garbage is what came
    """It answered what cannot be understood."""


@dataclass(frozen=True, slots=True)
class Trip:
    """What an interlock saw: the quantity or event, the limit, the value, and the instrument that read it."""

    what: str
    limit: float | None
    value: float | None
    instrument: str
    text: str


class CannotDo(Exception):  # noqa: N818 - bench and charger are as they are
    """The bench or the charger cannot give what a task needs; the task is left out, with these words."""


class Tripped(Exception):  # noqa: N818 - nothing is wrong with the program
    """An interlock tripped."""

    def __init__(self, trip: Trip) -> None:
        super().__init__(trip.text)
        self.trip = trip
