"""Every reader by the name the index gives it. A new kind of file is one module and one line here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, ReadError
from brickbook.core.shape import Shape
from brickbook.core.table import RawFile, Table
from brickbook.readers.hand_sheet import read_hand_sheet
from brickbook.readers.messages import read_message_table, read_port_events
from brickbook.readers.meter_log import read_table
from brickbook.readers.observations import read_observations

__all__ = ["READERS", "Reader", "read_file"]


class Reader(Protocol):
    """What a reader is: bytes and what the index says, to one table or more."""

    def __call__(
        self,
        data: bytes,
        *,
        name: str,
        raw: RawFile,
        shape: Shape | None,
        conditions: Conditions,
        instruments: Mapping[str, str],
    ) -> tuple[Table, ...]:
        """Read a file; raises `ReadError`."""
        ...


def _meter_log(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape | None,
    conditions: Conditions,
    instruments: Mapping[str, str],
) -> tuple[Table, ...]:
    if shape is None:
        raise ReadError(
            Fault(name, "shape", "a meter log needs a shape, and the index names none.", "Import the file anew.")
        )
    return (read_table(data, name=name, raw=raw, shape=shape, conditions=conditions, instruments=instruments),)


def _hand_sheet(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape | None,  # noqa: ARG001 - a hand sheet has one form and needs no shape
    conditions: Conditions,
    instruments: Mapping[str, str],
) -> tuple[Table, ...]:
    return read_hand_sheet(data, name=name, raw=raw, conditions=conditions, instruments=instruments)


READERS: Mapping[str, Reader] = {
    "hand-sheet": _hand_sheet,
    "message-log": read_message_table,
    "meter-log": _meter_log,
    "observations": read_observations,
    "port-events": read_port_events,
}


def read_file(
    reader: str,
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape | None = None,
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
) -> tuple[Table, ...]:
    """A raw file by the reader the index names.

    Raises
    ------
    ReadError
        When there is no such reader, or it refuses the file.
    """
    if reader not in READERS:
        known = ", ".join(sorted(READERS))
        raise ReadError(Fault(name, "reader", f"there is no reader {reader!r}.", f"Use one of {known}."))
    return READERS[reader](
        data,
        name=name,
        raw=raw,
        shape=shape,
        conditions=conditions if conditions is not None else Conditions(),
        instruments=instruments if instruments is not None else {},
    )
