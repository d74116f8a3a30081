"""Scripted conversations with times set by hand, as recordings."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.core.table import ColumnOrigin, RawFile, Recording, Table
from brickbook.usbpd import Message, MessageLog, Sop, frame_duration_s

# 5 V 3 A, 9 V 3 A, 15 V 3 A, 20 V 3 A and the same with 20 V 1.5 A (layouts: public kernel header).
FULL = (0x0801912C, 0x0002D12C, 0x0004B12C, 0x0006412C)
LESS = (0x0801912C, 0x0002D12C, 0x0004B12C, 0x00064096)
AT_9V, AT_15V, AT_20V, AT_20V_LESS = 0x2004B12C, 0x3004B12C, 0x4004B12C, 0x44025896
GAP_S = 0.0001


class Script:
    """One port's frames, each followed by its GoodCRC 0.1 ms after its end."""

    def __init__(self, port="C1"):
        self.port, self.rows, self.ids = port, [], {True: 0, False: 0}

    def send(self, time_s, type_raw, words=(), *, source):
        """A frame that starts at a time; gives the end of its GoodCRC."""
        number = self.ids[source]
        self.ids[source] = (number + 1) % 8
        header = (0x01A0 if source else 0x0080) | number << 9 | len(words) << 12 | type_raw
        message = Message.from_words(header, words)
        self.rows.append((time_s, message))
        answer_s = time_s + frame_duration_s(len(message.payload)) + GAP_S
        self.rows.append((answer_s, Message.from_words((0x0080 if source else 0x01A0) | number << 9 | 1, ())))
        return answer_s + frame_duration_s(0)

    def reset(self, time_s):
        self.rows.append((time_s, Sop.HARD_RESET))
        self.ids = {True: 0, False: 0}

    def plugged_anew(self):
        self.ids = {True: 0, False: 0}

    def contract(self, time_s, words=FULL, request=AT_20V, *, request_s=0.003, accept_s=0.002, ready_s=0.150):
        """Capabilities, Request, Accept, PS_RDY; gives the ends of Accept's GoodCRC and the start of PS_RDY."""
        end = self.send(time_s, 1, words, source=True)
        end = self.send(end + request_s, 2, [request], source=False)
        accept = self.send(end + accept_s, 3, source=True)
        self.send(accept + ready_s, 6, source=True)
        return accept, accept + ready_s


def log_table(*scripts, instrument="recorder", conditions=None):
    log = MessageLog.from_messages(scripts[0].rows, port=scripts[0].port)
    if len(scripts) > 1:
        rows = sorted(((t, k, m) for k, s in enumerate(scripts) for t, m in s.rows), key=lambda row: row[0])
        log = MessageLog.from_messages([(t, m) for t, _, m in rows])
        ports = tuple(s.port for s in scripts)
        codes = np.array([k for _, k, _ in rows], dtype=np.uint16)
        log = MessageLog(**{name: getattr(log, name) for name in log.__slots__} | {"ports": ports, "port": codes})
    origin = ColumnOrigin("time", "s", 1.0, instrument)
    raw = RawFile("messages.csv", "1" * 64)
    return Table(
        raw, {"time_s": log.time_s}, log.line, conditions or Conditions(), {"time_s": origin}, messages=log
    )  # fmt: skip


def event_table(*events, instrument="recorder", conditions=None):
    """Events are (time [s], port, "plug" or "unplug")."""
    columns = {"time_s": np.array([t for t, _, _ in events])}
    for port in dict.fromkeys(port for _, port, _ in events):
        columns[f"plugged@{port}"] = np.array(
            [np.nan if at != port else float(what == "plug") for _, at, what in events]
        )
    origins = {"time_s": ColumnOrigin("time_s", "s", 1.0, instrument)}
    lines = np.arange(2, 2 + len(events))
    return Table(RawFile("events.csv", "2" * 64), columns, lines, conditions or Conditions(), origins)


def trace_table(port, corners, *, interval_s=1e-3, instrument="recorder"):
    """VBUS through corner points (time [s], voltage [V]), read at even times."""
    at_s, volts = (np.array(part, dtype=float) for part in zip(*corners, strict=True))
    time_s = np.arange(round((at_s[-1] - at_s[0]) / interval_s) + 1) * interval_s + at_s[0]
    columns = {"time_s": time_s, f"port_voltage_v@{port}": np.interp(time_s, at_s, volts)}
    origins = {name: ColumnOrigin(name, "", 1.0, instrument) for name in columns}
    lines = np.arange(2, 2 + len(time_s))
    return Table(RawFile(f"vbus-{port}.csv", "3" * 64), columns, lines, Conditions(), origins)


def recording(*tables, name="plugs", **conditions):
    return Recording(name, ("negotiation",), tables, Conditions.of(conditions))


RECORDER = Instrument(
    role="message-recorder",
    accuracy=(
        Accuracy("time_s", percent_reading=0.01, resolution=1e-5),
        Accuracy("port_voltage_v", percent_reading=0.1, resolution=0.001),
    ),
)


def evidence(charger, *recordings, **instruments):
    settings = Settings((Mains(230.0, 50.0),), "EUR")
    return Evidence(charger, settings, {"recorder": RECORDER, **instruments}, recordings)


@pytest.fixture
def two_ports(build):
    """A charger with C1 and C2 that share, and A1."""
    ports = (build.port("C1", (5, 3), (20, 3)), build.port("C2", (5, 3), (20, 3)))
    return build.charger(60.0, *ports, build.port("A1", (5, 3), connector="usb-a", kind="legacy"))


class Found:
    """Figures by name and conditions."""

    def __init__(self, outcome):
        self.figures, self.notes = outcome.figures, outcome.notes

    def all(self, name, **when):
        return [f for f in self.figures if f.name == name and f.conditions.matches(when)]

    def one(self, name, **when):
        (figure,) = self.all(name, **when)
        return figure

    def warnings(self):
        return [note.text for note in self.notes if note.severity == "warning"]
