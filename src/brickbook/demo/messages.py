"""Message logs, plug events and VBUS traces of the example campaign, message by message with real timing.

A small world with one wire for each port: frames last as long as their bits, GoodCRC follows within its time, answers
come within theirs, a change of voltage is a ramp that the trace sees. What each charger does to a port when a neighbour
is plugged in is told by its script; figures are never made here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from brickbook.core.charger import Charger, Output
from brickbook.core.conditions import Scalar
from brickbook.demo.campaign import RawDeposit
from brickbook.usbpd import (
    ControlType,
    DataType,
    EprAction,
    EprAvsSourcePdo,
    EprModeObject,
    ExtendedHeader,
    ExtendedType,
    FixedRequest,
    FixedSourcePdo,
    Message,
    PortHeader,
    PpsRequest,
    PpsSourcePdo,
    Sop,
    StructuredVdmHeader,
    chunk_request,
    frame_duration_s,
    split_chunks,
)

__all__ = ["SCRIPTS", "messages"]

_BIT_RATE_HZ = 301_400.0
_TRACE_INTERVAL_S = 0.001
_MOST_SPR_OBJECTS = 7
_STUDIES = ("negotiation",)
_IDENTITY = (1, 0xFF00)  # Discover Identity: command, standard ID
# What the recorder's data sheet and the tester state: stamps to 10 us, plugs by a contact on the bench, one clock.
_CONDITIONS: Mapping[str, Scalar] = {
    "message_time_error_s": 1e-5,
    "vbus_time_error_s": 1e-4,
    "event_time_error_s": 2e-3,
    "clock_error_ratio": 2e-5,
    "stamps": "frame start",
    "reboot_threshold_v": 4.0,
    "hold_up_s": 0.010,
    "neighbour_window_s": 5.0,
}


@dataclass(slots=True)
class _Wire:
    """One port: its frames, its VBUS, and the MessageIDs of both sides."""

    port: str
    rng: np.random.Generator
    outputs: Sequence[Output]
    rows: list[tuple[float, Message | Sop]] = field(default_factory=list)
    vbus: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    ids: dict[bool, int] = field(default_factory=lambda: {True: 0, False: 0})
    cable_id: int = 0
    clock_s: float = 0.0

    # Frames

    def between(self, low_s: float, high_s: float) -> float:
        """A time drawn evenly from a range [s]."""
        return float(self.rng.uniform(low_s, high_s))

    def send(self, kind: ControlType | DataType | ExtendedType, words: Sequence[int] = (), *, source: bool) -> None:
        """One frame at the wire's clock, and its GoodCRC; now and then the first try is lost and repeated."""
        extended = isinstance(kind, ExtendedType)
        header = PortHeader(
            extended=extended,
            object_count=len(words),
            message_id=self.ids[source],
            from_source=source,
            data_role_dfp=source,
            type_raw=kind.value,
        )
        self.ids[source] = (self.ids[source] + 1) % 8
        self.frame(Message.from_words(header.encode(), words))

    def frame(self, message: Message) -> None:
        """A frame that is acknowledged, at the wire's clock; the clock is then at the end of its GoodCRC."""
        assert isinstance(message.header, PortHeader)
        lost = self.rng.random() < 0.012
        for last in (False, True) if lost else (True,):
            self._put(message)
            if not last:
                # tReceive of 0.9 ms to 1.1 ms without GoodCRC, then the same frame again
                self.clock_s += self.between(0.0009, 0.0011)
        answer = PortHeader(
            message_id=message.header.message_id,
            from_source=not message.header.from_source,
            data_role_dfp=not message.header.from_source,
            type_raw=ControlType.GOOD_CRC.value,
        )
        self.clock_s += self.between(60e-6, 150e-6)
        self._put(Message(message.sop, answer))

    def ask_cable(self, tries: int) -> None:
        """Discover Identity to a cable that has no marker: nobody answers, each is sent three times."""
        words = [StructuredVdmHeader(command_raw=_IDENTITY[0], svid=_IDENTITY[1]).encode()]
        for _ in range(tries):
            begin_s = self.clock_s
            for _ in range(3):
                head = 0x008F | (len(words) << 12) | (self.cable_id << 9)
                self._put(Message.from_words(head, words, Sop.SOP_PRIME))
                self.clock_s += self.between(0.0009, 0.0011)
            self.cable_id = (self.cable_id + 1) % 8
            self.clock_s = begin_s + self.between(0.042, 0.048)

    def _put(self, message: Message) -> None:
        self.rows.append((self.clock_s, message))
        self.clock_s += frame_duration_s(len(message.payload), _BIT_RATE_HZ)

    def wait(self, low_s: float, high_s: float) -> None:
        """Let time pass."""
        self.clock_s += self.between(low_s, high_s)

    # VBUS

    @property
    def volts(self) -> float:
        """VBUS as last set [V]."""
        return self.vbus[-1][1]

    def ramp(self, start_s: float, duration_s: float, volts: float) -> None:
        """A straight change of VBUS."""
        self.vbus += [(start_s, self.volts), (start_s + duration_s, volts)]

    # Sequences

    def attach(self, time_s: float, *, cable_tries: int = 0) -> None:
        """Plug: debounce, 5 V, questions to the cable, ready for the first offer."""
        self.clock_s = time_s + self.between(0.110, 0.160)
        self.ramp(self.clock_s, 0.030, 5.0)
        self.clock_s += 0.030 + self.between(0.020, 0.040)
        self.ids = {True: 0, False: 0}
        if cable_tries:
            self.ask_cable(cable_tries)
        self.wait(0.030, 0.060)

    def detach(self, time_s: float) -> None:
        """Unplug: VBUS goes."""
        self.ramp(time_s + 0.012, 0.060, 0.0)
        self.clock_s = time_s

    def offer(self, limit_w: float | None = None, *, epr: bool = False) -> list[int]:
        """Source_Capabilities, every current held within a power."""
        words = self.capabilities(limit_w, epr=epr)
        self.send(DataType.SOURCE_CAPABILITIES, words, source=True)
        return words

    def capabilities(self, limit_w: float | None = None, *, epr: bool = False) -> list[int]:
        """Words of the port's outputs up to 20 V."""
        words: list[int] = []
        for output in self.outputs:
            amps = output.current_a
            if limit_w is not None:
                amps = min(amps, limit_w / output.top_voltage_v)
            if output.kind == "fixed" and output.top_voltage_v <= 20.0:
                step = int(round(amps * 1000, 6) // 10) / 100
                first = not words
                pdo = FixedSourcePdo.from_si(
                    output.top_voltage_v, step, unconstrained_power=first, epr_capable=first and epr
                )
                words.append(pdo.encode())
            elif output.kind == "pps":
                step = int(round(amps * 1000, 6) // 50) / 20
                assert output.min_voltage_v is not None
                words.append(PpsSourcePdo.from_si(output.min_voltage_v, output.top_voltage_v, step).encode())
        return words[:_MOST_SPR_OBJECTS]

    def agree(self, request: int, volts: float, *, epr_words: Sequence[int] = ()) -> None:
        """Request, Accept, change of VBUS, PS_RDY."""
        self.wait(0.0025, 0.007)
        if epr_words:
            self.send(DataType.EPR_REQUEST, (request, *epr_words), source=False)
        else:
            self.send(DataType.REQUEST, (request,), source=False)
        self.wait(0.0015, 0.006)
        self.send(ControlType.ACCEPT, source=True)
        if abs(volts - self.volts) < 1e-9:
            self.wait(0.028, 0.040)
        else:
            start_s = self.clock_s + self.between(0.0275, 0.032)
            ramp_s = 0.020 + 0.006 * abs(volts - self.volts)
            self.ramp(start_s, ramp_s, volts)
            self.clock_s = start_s + ramp_s + self.between(0.010, 0.030)
        self.send(ControlType.PS_RDY, source=True)

    def take(self, position: int, amps: float, words: Sequence[int], *, short: bool = False, epr: bool = False) -> None:
        """Agree on a fixed object of the words offered."""
        volts = ((words[position - 1] >> 10) & 0x3FF) / 20
        request = FixedRequest.from_si(position, amps, amps, capability_mismatch=short, epr_capable=epr)
        self.agree(request.encode(), volts)

    def take_pps(self, position: int, volts: float, amps: float) -> None:
        """Ask for a programmable voltage; small steps are quick."""
        self.send(DataType.REQUEST, (PpsRequest.from_si(position, volts, amps).encode(),), source=False)
        self.wait(0.002, 0.005)
        self.send(ControlType.ACCEPT, source=True)
        small = abs(volts - self.volts) <= 0.5 + 1e-9
        start_s = self.clock_s + self.between(0.001, 0.002)
        ramp_s = 0.004 if small else 0.060
        if abs(volts - self.volts) > 1e-9:
            self.ramp(start_s, ramp_s, volts)
        self.clock_s = start_s + ramp_s + self.between(0.004, 0.010)
        self.send(ControlType.PS_RDY, source=True)

    def status(self) -> None:
        """Get_Status of the device and the charger's Status: talk that goes on under a contract."""
        self.send(ControlType.GET_STATUS, source=False)
        self.wait(0.002, 0.006)
        head = ExtendedHeader(chunked=True, data_size=7).encode()
        body = head.to_bytes(2, "little") + bytes((38, 1, 0, 0, 0, 0, 0)) + bytes(3)
        words = [int.from_bytes(body[at : at + 4], "little") for at in range(0, 12, 4)]
        self.send(ExtendedType.STATUS, words, source=True)

    def talk(self, until_s: float, every_s: float) -> None:
        """Status now and then."""
        while self.clock_s + every_s * 1.1 < until_s:
            self.wait(0.9 * every_s, 1.1 * every_s)
            self.status()

    def hard_reset(self, time_s: float) -> None:
        """Hard Reset of the charger, its power cycle, and 5 V again."""
        self.clock_s = time_s
        self.rows.append((self.clock_s, Sop.HARD_RESET))
        fall_s = self.clock_s + self.between(0.028, 0.032)
        ramp_s = 0.006 * self.volts
        self.ramp(fall_s, ramp_s, 0.0)
        rise_s = fall_s + ramp_s + self.between(0.86, 0.90)
        self.ramp(rise_s, 0.040, 5.0)
        self.clock_s = rise_s + 0.040 + self.between(0.110, 0.160)
        self.ids = {True: 0, False: 0}

    # Extended power range

    def enter_epr(self) -> None:
        """EPR_Mode up to Enter Succeeded; the cable is known already."""
        for action, source, low_s in (
            (EprAction.ENTER, False, 0.004),
            (EprAction.ENTER_ACKNOWLEDGED, True, 0.004),
            (EprAction.ENTER_SUCCEEDED, True, 0.060),
        ):
            self.wait(low_s, 1.5 * low_s)
            data = 140 if action is EprAction.ENTER else 0
            word = EprModeObject(action_raw=action.value, data=data).encode()
            self.send(DataType.EPR_MODE, (word,), source=source)

    def epr_capabilities(self) -> list[int]:
        """Words of the whole offer: seven places for 20 V and below, then the rest."""
        words = self.capabilities(epr=True)
        words += [0] * (_MOST_SPR_OBJECTS - len(words))
        for output in self.outputs:
            if output.kind == "fixed" and output.top_voltage_v > 20.0:
                words.append(FixedSourcePdo.from_si(output.top_voltage_v, output.current_a).encode())
            elif output.kind == "epr-avs":
                assert output.min_voltage_v is not None
                words.append(EprAvsSourcePdo.from_si(output.min_voltage_v, output.top_voltage_v, 140.0).encode())
        return words

    def offer_epr(self) -> list[int]:
        """EPR_Source_Capabilities in two chunks, the second asked for."""
        words = self.epr_capabilities()
        data = b"".join(word.to_bytes(4, "little") for word in words)
        head = PortHeader(
            extended=True,
            message_id=self.ids[True],
            from_source=True,
            data_role_dfp=True,
            type_raw=ExtendedType.EPR_SOURCE_CAPABILITIES.value,
        )
        for number, chunk in enumerate(split_chunks(head, data)):
            if number:
                self.wait(0.002, 0.004)
                asking = PortHeader(
                    message_id=self.ids[False], type_raw=ExtendedType.EPR_SOURCE_CAPABILITIES.value, extended=True
                )
                self.ids[False] = (self.ids[False] + 1) % 8
                self.frame(chunk_request(asking, number))
                self.wait(0.002, 0.004)
            self.wait(0.001, 0.002)
            self.ids[True] = (self.ids[True] + 1) % 8
            self.frame(chunk)
        return words

    def keep_alive(self, until_s: float) -> None:
        """EPR_KeepAlive of the device and its acknowledgement, two or three times a second."""
        low_s, high_s = 0.150, 0.250  # the device has been silent since its request, 500 ms is the most
        while self.clock_s + 0.5 < until_s:
            self.wait(low_s, high_s)
            low_s, high_s = 0.330, 0.420
            for source, code in ((False, 3), (True, 4)):
                head = ExtendedHeader(chunked=True, data_size=2).encode()
                self.send(ExtendedType.EXTENDED_CONTROL, (head | code << 16,), source=source)
                if not source:
                    self.wait(0.002, 0.006)


@dataclass(frozen=True, slots=True)
class _Scene:
    """What a script leaves: wires, plug events and the end of the recording."""

    wires: tuple[_Wire, ...]
    events: tuple[tuple[float, str, str], ...]
    end_s: float
    note: str


def messages(slug: str, charger: Charger, *, seed: int, mains_v: float = 230.0) -> Iterator[RawDeposit]:
    """Message log, plug events and VBUS traces of one example charger.

    Parameters
    ----------
    slug
        Which example: a key of `SCRIPTS`; nothing is given for others.
    charger
        Its charger.toml: what the ports offer is read there.
    seed
        Of all randomness; equal seeds give equal bytes.
    mains_v
        Supply stated with the recording [V].
    """
    script = SCRIPTS.get(slug)
    if script is None:
        return
    rng = np.random.default_rng([seed, 7])
    wires = {port.id: _Wire(port.id, rng, port.outputs) for port in charger.ports}
    scene = script(wires)
    taken = datetime(2026, 10, 5, 14, 0, 0).isoformat()
    conditions = {**_CONDITIONS, "mains_v": mains_v, "mains_hz": 50.0 if mains_v > 180 else 60.0}
    common = {"studies": _STUDIES, "taken": taken, "conditions": conditions, "recording": "plugs"}
    yield RawDeposit(
        name="plugs-messages.csv",
        data=_log_text(scene.wires),
        instruments={},
        reader="message-log",
        note=scene.note,
        **common,  # type: ignore[arg-type]
    )
    yield RawDeposit(
        name="plugs-events.csv",
        data=_event_text(scene.events),
        instruments={},
        reader="port-events",
        **common,  # type: ignore[arg-type]
    )
    yield RawDeposit(
        name="plugs-vbus.csv",
        data=_trace_text(scene, rng),
        instruments={"port_voltage_v": "load-bank"},
        **common,  # type: ignore[arg-type]
    )


# What each charger does


def _wren(wires: Mapping[str, _Wire]) -> _Scene:
    """A telephone takes 9 V, then steers a programmable voltage a few times a second."""
    c1 = wires["C1"]
    c1.attach(0.6, cable_tries=3)
    words = c1.offer()
    c1.take(2, 2.0, words)
    c1.wait(0.4, 0.5)
    volts = 8.40
    position = 1 + next(k for k, word in enumerate(words) if word >> 30 == 3)
    for k in range(42):
        volts = round(volts + (0.02 if k % 6 else -0.04), 2)
        c1.take_pps(position, volts, 2.5)
        c1.wait(0.28, 0.34)
    end_s = c1.clock_s + 0.5
    return _Scene((c1,), ((0.6, "C1", "plug"),), end_s, "a telephone that charges with PPS")


def _plover(wires: Mapping[str, _Wire]) -> _Scene:
    """A laptop gives up current while the neighbour is there, and never its supply."""
    c1, c2 = wires["C1"], wires["C2"]
    events = [(0.5, "C1", "plug")]
    c1.attach(0.5, cable_tries=2)
    c1.take(4, 3.35, c1.offer())
    for plug_s in (5.0, 16.0, 27.0):
        pull_s = plug_s + 5.5
        events += [(plug_s, "C2", "plug"), (pull_s, "C2", "unplug")]
        c1.talk(plug_s - 0.2, 0.35)
        # C1 goes down first: only then is there power to offer to C2
        c1.clock_s = plug_s + c1.between(0.18, 0.24)
        words = c1.offer(46.0)
        c1.take(4, 2.3, words, short=True)
        c2.attach(plug_s, cable_tries=1)
        c2.clock_s = max(c2.clock_s, c1.clock_s + 0.010)
        c2.take(3, 1.4, c2.offer(21.0))
        c1.talk(pull_s - 0.2, 0.35)
        c2.talk(pull_s - 0.1, 0.5)
        c2.detach(pull_s)
        c1.clock_s = pull_s + c1.between(0.45, 0.60)
        c1.take(4, 3.35, c1.offer())
    c1.talk(36.0, 0.35)
    return _Scene((c1, c2), tuple(events), 37.0, "a laptop on C1, a tablet plugged into C2 three times")


def _heron(wires: Mapping[str, _Wire]) -> _Scene:
    """To share anew it resets C2 and with it cuts the supply; C1 is only offered less."""
    c1, c2 = wires["C1"], wires["C2"]
    events = [(0.5, "C2", "plug")]
    c2.attach(0.5, cable_tries=1)
    c2.take(3, 3.0, c2.offer())
    c2.talk(5.8, 0.35)
    events.append((6.0, "C1", "plug"))
    c2.hard_reset(6.0 + c2.between(0.30, 0.36))
    c2.take(3, 1.8, c2.offer(27.0), short=True)
    # what C2 has not yet given up is held back from C1, and offered once it has
    c1.attach(6.0, cable_tries=2)
    c1.take(4, 3.75, c1.offer(75.0))
    c1.clock_s = c2.clock_s + c1.between(0.10, 0.15)
    c1.take(4, 4.5, c1.offer(93.0))
    c1.talk(14.8, 0.4)
    c2.talk(14.8, 0.35)
    events.append((15.0, "A1", "plug"))
    c1.clock_s = 15.0 + c1.between(0.40, 0.50)
    c1.take(4, 3.75, c1.offer(75.0), short=True)
    c1.talk(21.8, 0.4)
    c2.talk(21.8, 0.35)
    events.append((22.0, "A1", "unplug"))
    c1.clock_s = 22.0 + c1.between(0.60, 0.75)
    c1.take(4, 4.5, c1.offer(93.0))
    c1.talk(28.9, 0.4)
    c2.talk(28.8, 0.35)
    events.append((29.0, "C1", "unplug"))
    c1.detach(29.0)
    c2.clock_s = 29.0 + c2.between(0.50, 0.60)
    c2.take(3, 3.0, c2.offer())
    c2.talk(35.5, 0.35)
    return _Scene((c1, c2), tuple(events), 36.0, "a small computer without a battery on C2, neighbours come and go")


def _albatross(wires: Mapping[str, _Wire]) -> _Scene:
    """C1 goes up to 28 V and stays there; C2 and C3 share, and nobody else is touched."""
    c1, c2, c3 = wires["C1"], wires["C2"], wires["C3"]
    events = [(0.4, "C1", "plug"), (3.0, "C2", "plug")]
    c1.attach(0.4)
    words = c1.offer(epr=True)
    c1.take(4, 5.0, words, epr=True)
    c1.wait(0.05, 0.08)
    c1.enter_epr()
    c1.wait(0.004, 0.006)
    words = c1.offer_epr()
    place = _MOST_SPR_OBJECTS + 1
    request = FixedRequest.from_si(place, 5.0, 5.0, epr_capable=True)
    c1.agree(request.encode(), 28.0, epr_words=(words[place - 1],))
    c1.keep_alive(34.0)
    c2.attach(3.0, cable_tries=1)
    c2.take(4, 2.25, c2.offer())
    c2.talk(9.8, 0.6)
    events.append((10.0, "C3", "plug"))
    c2.clock_s = 10.0 + c2.between(0.20, 0.26)
    c2.take(4, 1.12, c2.offer(22.5), short=True)
    c3.attach(10.0, cable_tries=1)
    c3.clock_s = max(c3.clock_s, c2.clock_s + 0.010)
    c3.take(4, 1.12, c3.offer(22.5))
    events += [(17.0, "A1", "plug"), (23.0, "A1", "unplug")]
    c2.talk(27.8, 0.6)
    c3.talk(27.8, 0.6)
    events.append((28.0, "C3", "unplug"))
    c3.detach(28.0)
    c2.clock_s = 28.0 + c2.between(0.50, 0.60)
    c2.take(4, 2.25, c2.offer())
    c2.talk(34.0, 0.6)
    return _Scene((c1, c2, c3), tuple(events), 34.5, "C1 at 28 V throughout, C3 and A1 come and go")


SCRIPTS: Mapping[str, Callable[[Mapping[str, _Wire]], _Scene]] = {
    "wren-35": _wren,
    "plover-67": _plover,
    "heron-120": _heron,
    "albatross-200": _albatross,
}


# Files


def _log_text(wires: Sequence[_Wire]) -> bytes:
    rows: list[tuple[float, str, Message | Sop]] = [(t, wire.port, what) for wire in wires for t, what in wire.rows]
    rows.sort(key=lambda row: row[0])
    lines = [
        "# recorder with a tap for each port, one clock; stamps are starts of frames",
        "time_s,port,sop,header,objects",
    ]
    for time_s, port, what in rows:
        if isinstance(what, Message):
            words = " ".join(f"0x{word:08X}" for word in what.objects)
            lines.append(f"{time_s:.6f},{port},{what.sop},0x{what.header.encode():04X},{words}")
        else:
            lines.append(f"{time_s:.6f},{port},{what},,")
    return ("\n".join(lines) + "\n").encode()


def _event_text(events: Sequence[tuple[float, str, str]]) -> bytes:
    lines = ["time_s,port,event,note", *(f"{t:.3f},{port},{event}," for t, port, event in sorted(events))]
    return ("\n".join(lines) + "\n").encode()


def _trace_text(scene: _Scene, rng: np.random.Generator) -> bytes:
    time_s = np.arange(0.0, scene.end_s, _TRACE_INTERVAL_S)
    columns = []
    for wire in scene.wires:
        points = np.array(sorted(wire.vbus, key=lambda point: point[0]))
        volts = np.interp(time_s, points[:, 0], points[:, 1])
        columns.append(np.round(np.maximum(volts + rng.normal(0.0, 0.004, len(time_s)), 0.0), 3))
    lines = [",".join(("Time (s)", *(f"{wire.port} Voltage (V)" for wire in scene.wires)))]
    for k, t in enumerate(time_s):
        lines.append(",".join((f"{t:.3f}", *(f"{column[k]:.3f}" for column in columns))))
    return ("\n".join(lines) + "\n").encode()
