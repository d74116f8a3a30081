"""Message logs, and the small sheet that says when something was plugged in or out.

```text
time_s,port,sop,header,objects
0.100000,C1,SOP,0x4BA1,0x0B01912C 0x0002D12C 0x0004B12C 0x00064145
```

```text
time_s,port,event,note
8.000,C1,plug,the laptop
```

The columns of a message log are those of `usbpd.logs`. A sheet of plug events becomes a column `plugged@<port>` for
each port: 1 where something was plugged in, 0 where it was taken out, NaN in the rows of other ports.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Literal

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, ReadError
from brickbook.core.quantities import column_name
from brickbook.core.shape import Shape
from brickbook.core.table import ColumnOrigin, RawFile, Table
from brickbook.readers.layout import split_line
from brickbook.readers.text import decode, detect_encoding, fail
from brickbook.usbpd import LogError, parse_message_log

__all__ = ["EVENT_HEADER", "PLUGGED", "read_message_table", "read_port_events"]

EVENT_HEADER = ("time_s", "port", "event", "note")
PLUGGED = "plugged"
_NEEDED = EVENT_HEADER[:3]
_STATES = {"plug": 1.0, "unplug": 0.0}
_DELIMITERS: tuple[Literal[",", ";", "\t"], ...] = (",", ";", "\t")


def read_message_table(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape | None = None,  # noqa: ARG001 - a message log has one form and needs no shape
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
) -> tuple[Table, ...]:
    """A message log as one table: its times as `time_s` [s], its rows in `messages` as a `usbpd.MessageLog`.

    Parameters
    ----------
    data, name, raw, shape, conditions, instruments
        As for `read_table`; the shape is not looked at. The recorder is the instrument of `time_s`.

    Raises
    ------
    ReadError
        With line, column, what was found and what was expected, up to twenty faults at once.
    """
    try:
        log = parse_message_log(data, name=name)
    except LogError as error:
        raise ReadError(*(_fault(text, name) for text in str(error).splitlines())) from error
    if not len(log):
        raise fail(name, 0, "there is no message below the header.", "Write one frame or reset to a row.")
    origin = ColumnOrigin("time", "s", 1.0, (instruments or {}).get("time_s", ""))
    return (Table(raw, {"time_s": log.time_s}, log.line, conditions or Conditions(), {"time_s": origin}, messages=log),)


def read_port_events(
    data: bytes,
    *,
    name: str,
    raw: RawFile,
    shape: Shape | None = None,  # noqa: ARG001 - a sheet of plug events has one form and needs no shape
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
) -> tuple[Table, ...]:
    """A sheet of plug events as one table.

    The header is `time_s,port,event,note`, parted by commas, semicolons or tabs; `note` may be left out. The event is
    `plug` or `unplug`; rows follow in time. Lines that begin with "#" are left out. With commas between fields the
    decimal mark is a point, otherwise point or comma.

    Parameters
    ----------
    data, name, raw, shape, conditions, instruments
        As for `read_table`; the shape is not looked at. The clock is the instrument of `time_s`.

    Raises
    ------
    ReadError
        With every faulty row: line, what was found, what was expected.
    """
    text = decode(data, detect_encoding(data)[0], name)
    rows = [(k, text.line(k)) for k in range(1, text.count + 1)]
    rows = [(k, line) for k, line in rows if line.strip(' \t,;"') and not line.lstrip().startswith("#")]
    delimiter, header = _header(rows[0] if rows else (1, ""), name)
    faults: list[Fault] = []
    found: list[tuple[int, float, str, float]] = []
    for line, row in rows[1:]:
        cells = dict(zip(header, (cell.strip() for cell in split_line(row, delimiter)), strict=False))
        event = _event(line, cells, delimiter, name, faults)
        if event is not None and found and event[1] < found[-1][1]:
            problem = f"time {event[1]:g} s is before the row above it, {found[-1][1]:g} s."
            faults.append(Fault(name, f"line {line}", problem, "Put the rows in order of time, or mend the clock."))
        elif event is not None:
            found.append(event)
    if faults:
        raise ReadError(*faults)
    if not found:
        raise fail(name, rows[0][0], "there is no event below the header.", "Write one plug or unplug to a row.")
    columns = {"time_s": np.array([time for _, time, _, _ in found])}
    for port in dict.fromkeys(port for _, _, port, _ in found):
        columns[column_name(PLUGGED, port)] = np.array([state if at == port else np.nan for _, _, at, state in found])
    lines = np.array([line for line, _, _, _ in found], dtype=np.int64)
    origins = {column: ColumnOrigin("event", "") for column in columns}
    origins["time_s"] = ColumnOrigin("time_s", "s", 1.0, (instruments or {}).get("time_s", ""))
    return (Table(raw, columns, lines, conditions or Conditions(), origins),)


def _header(row: tuple[int, str], name: str) -> tuple[Literal[",", ";", "\t"], Sequence[str]]:
    line, text = row
    delimiter = max(_DELIMITERS, key=text.count)
    header = [cell.strip().casefold() for cell in split_line(text, delimiter)]
    wanted = ",".join(EVENT_HEADER)
    unknown = [cell for cell in header if cell not in EVENT_HEADER]
    missing = [cell for cell in _NEEDED if cell not in header]
    if missing or unknown or len(set(header)) < len(header):
        raise fail(name, line, f"the header is {text!r}; expected {wanted}, of which note may be left out.")
    return delimiter, header


def _event(
    line: int, cells: Mapping[str, str], delimiter: str, name: str, faults: list[Fault]
) -> tuple[int, float, str, float] | None:
    """Line, time [s], port, and 1 for a plug or 0 for an unplug; `None` after a fault was written down."""
    stamp, port, event = (cells.get(column, "") for column in _NEEDED)
    before = len(faults)
    try:
        time_s = float(stamp if delimiter == "," else stamp.replace(",", "."))
    except ValueError:
        time_s = float("nan")
    if not isfinite(time_s):
        faults.append(Fault(name, f"line {line}, time_s", f"{stamp!r} is not a time in seconds.", "Write 8.25 or so."))
    if not port:
        faults.append(Fault(name, f"line {line}, port", "there is no port.", 'Write its id as in charger.toml, "C1".'))
    if event.casefold() not in _STATES:
        faults.append(Fault(name, f"line {line}, event", f"{event!r} is not an event.", "Write plug or unplug."))
    return None if len(faults) > before else (line, time_s, port, _STATES[event.casefold()])


def _fault(text: str, name: str) -> Fault:
    """A line of a `LogError` as a `Fault`: it begins with the file's name and the place."""
    rest = text.removeprefix(name).lstrip(",: ")
    if not rest.startswith(("line ", "header on line ")):
        return Fault(name, "", rest)
    place, _, problem = rest.partition(": ")
    return Fault(name, place, problem)
