"""Devices at the ports' cables that ask for what they are told to, and the recorder that listens to them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from brickbook.simbench.device import Device, exactly
from brickbook.simbench.offers import legacy_modes
from brickbook.simbench.scpi import Answer, Pending, ScpiError, block, boolean, number
from brickbook.usbpd import Message

__all__ = ["MessageRecorder", "PdSink"]

_TRACE_INTERVAL_S = 0.001
_TRACE_NOISE_V = 0.004


class PdSink(Device):
    """A device at the end of each port's cable that asks for what it is told to."""

    role = "pd-sink"

    def build(self) -> None:
        """SINK:ATT, SINK:CAP?, SINK:REQ, SINK:CONT?, SINK:LEG?."""
        self.command("SINK:ATTach", self._attach)
        self.command("SINK:ATTach?", lambda a: ",".join("1" if self.port(p).attached else "0" for p in self.listed(a)))
        self.command("SINK:CAPabilities?", self._capabilities)
        self.command("SINK:REQuest", self._request)
        self.measure("SINK:CONTract?", self._contract)
        self.command("SINK:LEGacy?", self._legacy)

    def reset(self) -> None:
        """Nothing attached."""
        for place in self.places.values():
            if place in self.world.ports:
                self.world.detach(place)

    def idle(self) -> bool:
        """Whether no port negotiates."""
        return not any(self._busy(place) for place in self.places.values())

    def longest_operation_s(self) -> float:
        """Three seconds."""
        return 3.0

    def _busy(self, place: str) -> bool:
        state = self.world.ports.get(place)
        return state is not None and (not self.world.sessions[place].quiet or state.ramp[2] > self.world.now_s)

    def _attach(self, arguments: list[str]) -> None:
        on, ports = boolean(exactly(arguments, 2)[0]), self.listed(arguments, 1)
        for port in ports:
            self.port(port)
            (self.world.attach if on else self.world.detach)(port)

    def _one(self, arguments: list[str], at: int = 0) -> str:
        ports = self.listed(arguments, at)
        if len(ports) != 1:
            raise ScpiError(-224, "one channel at a time")
        self.port(ports[0])
        return ports[0]

    def _capabilities(self, arguments: list[str]) -> Answer:
        port = self._one(arguments)
        session = self.world.sessions[port]

        def words() -> str:
            return ",".join(f"0x{offer.word:08X}" for offer in session.offers) if session.offers else "NONE"

        return Pending(3.0, lambda: not self._busy(port), words)

    def _request(self, arguments: list[str]) -> None:
        port = self._one(exactly(arguments, 4), 3)
        state, session = self.port(port), self.world.sessions[port]
        most = len(session.offers) if state.port.is_pd else len(legacy_modes(state.port, math.inf))
        if not state.attached or most == 0:
            raise ScpiError(-221, "nothing has been offered")
        position = int(number(arguments[0], 1, most))
        volts = number(arguments[1], 0, 60_000) / 1000
        amps = number(arguments[2], 0, 5_000) / 1000
        if state.port.is_pd:
            offer = session.offers[position - 1]
            if not offer.word:
                raise ScpiError(-222, f"place {position} of the list is empty")
            if offer.kind == "fixed" and volts and abs(volts - offer.max_v) > 1e-6:
                raise ScpiError(-222, f"place {position} is {offer.max_v:g} V, not {volts:g} V")
            step = 50 if offer.kind == "pps" else 10
            volts = round(volts * step) / step
        session.ask(position, volts, amps)

    def _contract(self, arguments: list[str]) -> str:
        port = self._one(arguments)
        state = self.port(port)
        if state.contract is not None:
            contract = state.contract
            return f"{contract.offer.position},{round(contract.volts * 1000)},{round(contract.amps * 1000)}"
        if state.attached and state.mode_v:
            return f"0,{round(state.mode_v * 1000)},{round(self.world.offered_a(state) * 1000)}"
        return "0,0,0"

    def _legacy(self, arguments: list[str]) -> Answer:
        port = self._one(arguments)
        state = self.port(port)

        def modes() -> str:
            found = legacy_modes(state.port, state.allotted_w or state.port.nameplate_w)
            return '"' + ";".join(f"{volts:g} V {amps:g} A" for volts, amps in found) + '"'

        return Pending(0.5, None, modes)


class MessageRecorder(Device):
    """Taps on the CC wires, a contact that tells plugs, and a voltmeter on each port's VBUS, on one clock.

    Times are seconds from REC:STAR; stamps are the starts of frames.
    """

    role = "message-recorder"
    _stopped_s: float | None

    def build(self) -> None:
        """REC:STAR, REC:STOP, REC:DATA?, REC:EVEN?, and REC:VBUS? beyond the contract."""
        self._stopped_s = None
        self.command("RECord:STARt", self._start)
        self.command("RECord:STAR", self._start)
        self.command("RECord:STOP", self._stop)
        self.command("REC:DATA?", self._messages)
        self.command("RECord:DATA?", self._messages)
        self.command("REC:EVENts?", self._plugs)
        self.command("RECord:EVENts?", self._plugs)
        self.command("RECord:VBUS?", self._vbus)

    def reset(self) -> None:
        """Nothing recorded."""
        self._stopped_s = None
        self.world.stop_recording()
        self.world.recorded_from_s = None

    def _start(self, _: list[str]) -> None:
        self._stopped_s = None
        self.world.start_recording()

    def _stop(self, _: list[str]) -> None:
        if self.world.recording:
            self._stopped_s = self.world.now_s
            self.world.stop_recording()

    def _begin_s(self) -> float:
        begin_s = self.world.recorded_from_s
        if begin_s is None:
            raise ScpiError(-230, "nothing has been recorded")
        return begin_s

    def _messages(self, arguments: list[str]) -> bytes:
        ports, begin_s = self.listed(arguments), self._begin_s()
        lines = [
            "# recorder with a tap for each port, one clock; stamps are starts of frames",
            "time_s,port,sop,header,objects",
        ]
        for time_s, port, what in sorted(self.world.frames, key=lambda row: row[0]):
            if port not in ports:
                continue
            if isinstance(what, Message):
                words = " ".join(f"0x{word:08X}" for word in what.objects)
                lines.append(f"{time_s - begin_s:.6f},{port},{what.sop},0x{what.header.encode():04X},{words}")
            else:
                lines.append(f"{time_s - begin_s:.6f},{port},{what},,")
        return block(_text(lines))

    def _plugs(self, arguments: list[str]) -> bytes:
        ports = self.listed(arguments) if arguments else list(self.world.ports)
        begin_s = self._begin_s()
        rows = [
            f"{time_s - begin_s:.3f},{port},{event},{note}"
            for time_s, port, event, note in self.world.plug_events
            if port in ports
        ]
        return block(_text(["time_s,port,event,note", *rows]))

    def _vbus(self, arguments: list[str]) -> bytes:
        ports, begin_s = self.listed(arguments), self._begin_s()
        end_s = self._stopped_s if self._stopped_s is not None else self.world.now_s
        time_s = np.arange(0.0, end_s - begin_s, _TRACE_INTERVAL_S)
        rng = np.random.default_rng([len(time_s), 3])
        columns = []
        for port in ports:
            state = self.port(port)
            points = np.array(state.vbus_history)
            volts = np.interp(time_s + begin_s, points[:, 0], points[:, 1]) * (1.0 + state.port.set_error_ratio)
            noise = 0.0 if self.errors.perfect else rng.normal(0.0, _TRACE_NOISE_V, len(time_s))
            columns.append(np.round(np.maximum(volts + noise, 0.0), 3))
        lines = [",".join(("Time (s)", *(f"{port} Voltage (V)" for port in ports)))]
        lines += [
            ",".join((f"{t:.3f}", *(f"{column[k]:.3f}" for column in columns))) for k, t in enumerate(time_s.tolist())
        ]
        return block(_text(lines))


def _text(lines: Sequence[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()
