"""Faults to switch on: what instruments, mains and chargers do when they go wrong, by instrument and moment.

```
mute            takes commands, gives no answers
late            the answer comes, but only after `late_s` on the wall clock, when nobody waits for it any more
garbage         bytes that mean nothing come instead of the answer
disconnect      the connection is cut; while it lasts, new ones are cut as well
error-queue     an error is put into the queue
stuck           measuring queries give their last answer again
second-client   another client sends `command` to the instrument, once
mains-drop      mains is away, whatever the source says
charger-trip    a port switches off
```
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import ConfigDict, TypeAdapter, ValidationError

from brickbook.core.documents import toml_of
from brickbook.core.errors import BookError, Fault

__all__ = ["BenchFault", "FaultKind", "check_names", "parse_fault", "read_faults"]

FaultKind = Literal[
    "mute",
    "late",
    "garbage",
    "disconnect",
    "error-queue",
    "stuck",
    "second-client",
    "mains-drop",
    "charger-trip",
]
_OF_THE_WORLD = ("mains-drop", "charger-trip")


@dataclass(frozen=True, slots=True)
class BenchFault:
    """One thing that goes wrong.

    Parameters
    ----------
    kind
        See the module.
    instrument
        Name in bench.toml; "" for what happens to mains and charger.
    at_s
        From when on, bench time [s]; 0 when `at_message` says when.
    for_s
        How long, bench time [s].
    at_message
        From the instrument's n-th message on, counted from 1 and from when the fault was added; 0: by time.
    messages
        How many messages it lasts, when it began with a message.
    late_s
        Of "late": how late, on the wall clock [s].
    number
        Of "error-queue".
    command
        Of "second-client".
    port
        Of "charger-trip"; "" for all.
    """

    kind: FaultKind
    instrument: str = ""
    at_s: float = 0.0
    for_s: float = 5.0
    at_message: int = 0
    messages: int = 1
    late_s: float = 3.0
    number: int = -240
    command: str = "*IDN?"
    port: str = ""

    def __post_init__(self) -> None:
        if self.kind in _OF_THE_WORLD and self.at_message:
            raise ValueError(f"{self.kind} begins at a time: give at_s")
        if self.kind not in _OF_THE_WORLD and not self.instrument:
            raise ValueError(f"{self.kind} needs an instrument")
        if min(self.at_s, self.for_s, self.late_s, self.at_message) < 0 or self.messages < 1:
            raise ValueError("times and counts of a fault must not be negative")

    @property
    def of_the_world(self) -> bool:
        """Whether it happens to mains or charger, not to an instrument."""
        return self.kind in _OF_THE_WORLD

    def holds(self, now_s: float, message: int) -> bool:
        """Whether it is so at a time [s] and a message's number."""
        if self.at_message:
            return self.at_message <= message < self.at_message + self.messages
        return self.at_s <= now_s < self.at_s + self.for_s


_ADAPTER: TypeAdapter[Any] = TypeAdapter(
    tuple[BenchFault], config=ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
)
_NUMBERS = {"at_s": float, "for_s": float, "late_s": float, "at_message": int, "messages": int, "number": int}


def parse_fault(text: str) -> BenchFault:
    """A fault as typed: "wall-meter mute at_s=60 for_s=5" or "mains-drop at_s=120".

    Raises
    ------
    BookError
        When it is none.
    """
    words = text.split()
    try:
        kind = next(word for word in words if word in get_args(FaultKind))
        given: dict[str, Any] = {"kind": kind}
        for word in words:
            name, equals, value = word.partition("=")
            if equals:
                given[name] = _NUMBERS.get(name, str)(value)
            elif word != kind:
                given["instrument"] = word
        return BenchFault(**given)
    except StopIteration:
        kinds = ", ".join(get_args(FaultKind))
        raise BookError(Fault("--fault", text, "names no fault.", f"The faults are {kinds}.")) from None
    except (TypeError, ValueError) as error:
        example = 'For example "wall-meter mute at_s=60 for_s=5".'
        raise BookError(Fault("--fault", text, f"is not understood: {error}.", example)) from error


def read_faults(path: Path) -> tuple[BenchFault, ...]:
    """Faults of a TOML file with [[fault]] tables; raises `BookError`."""
    try:
        data = toml_of(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise BookError(Fault(str(path), "", f"cannot be read: {error}.", "Correct the file or its name.")) from error
    found: list[BenchFault] = []
    for number, table in enumerate(data.get("fault", ())):
        try:
            found.append(_ADAPTER.validate_json(json.dumps([table], default=str))[0])
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            place = ".".join(str(part) for part in ("fault", number, *first["loc"][1:]))
            raise BookError(Fault(str(path), place, f"{first['msg']}.", "Correct the value.")) from error
    return tuple(found)


def check_names(faults: Iterable[BenchFault], instruments: Iterable[str], ports: Iterable[str]) -> None:
    """Raise `BookError` for a fault of an instrument or port that is not on the bench."""
    known, known_ports = set(instruments), set(ports)
    for fault in faults:
        if fault.instrument and fault.instrument not in known:
            listed = ", ".join(sorted(known))
            raise BookError(Fault("fault", fault.instrument, "is no instrument of the bench.", f"It has {listed}."))
        if fault.port and fault.port not in known_ports:
            raise BookError(
                Fault("fault", fault.port, "is no port.", f"The ports are {', '.join(sorted(known_ports))}.")
            )
