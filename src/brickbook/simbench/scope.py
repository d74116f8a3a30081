"""The simulated oscilloscope: waveforms made from the world's history, seen through ranges, noise and 12 bits.

Channels are columns: "port_voltage_v@C1", "port_current_a@C1", "mains_voltage_v", "mains_current_a"; a bare port id is
its voltage. A capture with a trigger has a tenth of its length before it. Samples are 16-bit counts; the value at the
probe's tip is volts_per_count times the count, plus offset_v; a current probe gives amperes where this says volts.
"""

from __future__ import annotations

import math
import zlib

import numpy as np
from numpy.typing import NDArray

from brickbook.core.quantities import channel_of, quantity_of
from brickbook.simbench.device import Device, exactly
from brickbook.simbench.electrical import port_voltage_v
from brickbook.simbench.ripple import ac_waveform, port_emission
from brickbook.simbench.scpi import ScpiError, block, channels, number, numbers
from brickbook.simbench.transients import Loop, PrimarySide, charging_current, step_response

__all__ = ["Oscilloscope", "default_scope_channels"]

FloatArray = NDArray[np.float64]

_BITS = 12
_PRE_RATIO = 0.1
_SLEW_A_PER_S = 0.25e6  # a quarter of an ampere a microsecond
_TAIL_S = 0.05  # events this long before a capture still show in it
_MOST_POINTS = 10_000_000
_WAIT_S = 60.0


def default_scope_channels(ports: tuple[str, ...]) -> dict[str, str]:
    """Columns to channels: voltages, then currents of the ports, then mains."""
    columns = [f"port_voltage_v@{port}" for port in ports] + [f"port_current_a@{port}" for port in ports]
    return {column: str(k) for k, column in enumerate([*columns, "mains_voltage_v", "mains_current_a"], 1)}


class Oscilloscope(Device):
    """A digital oscilloscope with as many channels as the bench has columns for it."""

    role = "oscilloscope"

    def build(self) -> None:
        """SENS, INP:COUP, TRIG, INIT, TRAC."""
        self.reset()
        self.world.watchers.append(self._told)
        self.command("SENSe:SWEep:TIME", self._set_time)
        self.command("SENSe:SWEep:TIME?", lambda _: numbers(self._sweep_s))
        self.command("SENSe:SWEep:POINts", self._set_points)
        self.command("SENSe:SWEep:POINts?", lambda _: str(self._points))
        self.command("SENSe:VOLTage:RANGe", self._set_range)
        self.command("SENSe:VOLTage:RANGe?", lambda a: numbers(*(self._range_of(c) for c in self._listed_columns(a))))
        self.command("INPut:COUPling", self._set_coupling)
        self.command("TRIGger:SOURce", self._set_source)
        self.command("TRIGger:SOURce?", lambda _: self._source)
        self.command("TRIGger:LEVel", self._set_level)
        self.command("TRIGger:LEVel?", lambda _: numbers(self._level))
        self.command("INITiate[:IMMediate]", self._initiate)
        self.command("TRACe:PREamble?", self._preamble)
        self.command("TRACe:DATA?", self._data)

    def reset(self) -> None:
        """10 ms, 10 000 points, 8 V, DC, no trigger."""
        self._sweep_s, self._points = 0.010, 10_000
        self._ranges: dict[str, float] = {}
        self._ac: set[str] = set()
        self._source, self._level = "IMM", 0.0
        self._armed = False
        self._begin_s: float | None = None
        self._start_s = 0.0
        self._ready_s = math.inf
        self._shots = 0
        self._held: dict[str, NDArray[np.int16]] = {}

    # Settings

    def _listed_columns(self, arguments: list[str], at: int = 0) -> list[str]:
        return [self._column(place) for place in self.listed(arguments, at)]

    def _column(self, place: str) -> str:
        column = f"port_voltage_v@{place}" if place in self.world.ports else place
        known = ("port_voltage_v", "port_current_a", "mains_voltage_v", "mains_current_a")
        if quantity_of(column) not in known or (channel_of(column) and channel_of(column) not in self.world.ports):
            raise ScpiError(-224, f"nothing is known of the place {place}")
        return column

    def _set_time(self, arguments: list[str]) -> None:
        self._sweep_s = number(exactly(arguments, 1)[0], 1e-6, 100.0)

    def _set_points(self, arguments: list[str]) -> None:
        self._points = int(number(exactly(arguments, 1)[0], 100, _MOST_POINTS))

    def _set_range(self, arguments: list[str]) -> None:
        volts, columns = number(exactly(arguments, 2)[0], 1e-3, 2000.0), self._listed_columns(arguments, 1)
        self._ranges.update(dict.fromkeys(columns, volts))

    def _range_of(self, column: str) -> float:
        return self._ranges.get(column, 8.0)

    def _set_coupling(self, arguments: list[str]) -> None:
        word, columns = exactly(arguments, 2)[0].upper(), self._listed_columns(arguments, 1)
        if word not in ("AC", "DC"):
            raise ScpiError(-224, "AC or DC")
        self._ac = self._ac | set(columns) if word == "AC" else self._ac - set(columns)

    def _set_source(self, arguments: list[str]) -> None:
        word = exactly(arguments, 1)[0].upper()
        if word in ("IMM", "IMMEDIATE", "LINE", "PLUG"):
            self._source = "IMM" if word == "IMMEDIATE" else word
            return
        if not word.startswith("("):
            raise ScpiError(-224, "IMM, LINE, PLUG or a channel")
        (channel, *more) = channels(word)
        if more:
            raise ScpiError(-224, "one channel")
        self._column(self.place(channel))
        self._source = f"(@{channel})"

    def _set_level(self, arguments: list[str]) -> None:
        self._level = number(exactly(arguments, 1)[0], -2000.0, 2000.0)

    # Capture

    def idle(self) -> bool:
        """Whether no capture is under way."""
        return not self._armed and (self._begin_s is None or self.world.now_s >= self._ready_s - 1e-12)

    def longest_operation_s(self) -> float:
        """What is left of the capture, or a minute of waiting for the trigger."""
        if self._armed:
            return _WAIT_S + self._sweep_s
        return 0.0 if self._begin_s is None else max(self._ready_s - self.world.now_s, 0.0)

    def _initiate(self, arguments: list[str]) -> None:
        exactly(arguments, 0)
        self._armed, self._begin_s, self._ready_s = True, None, math.inf
        self._held.clear()
        if self._source == "IMM":
            self._begin(self.world.now_s)
        elif self._source == "LINE" or (self._source.startswith("(") and self._on_mains()):
            hertz = self.world.mains_hz
            if hertz:
                turns = (self.world.now_s - self.world.mains_since_s) * hertz + self.world.mains_phase_rad / (
                    2 * math.pi
                )
                self._begin(self.world.now_s + (math.ceil(turns) - turns) / hertz)

    def _on_mains(self) -> bool:
        return self._trigger_column() == "mains_voltage_v"

    def _trigger_column(self) -> str:
        return self._column(self.place(self._source.strip("(@)"))) if self._source.startswith("(") else ""

    def _told(self, what: str, detail: str) -> None:
        """The world tells of something that may be the trigger."""
        if not self._armed:
            return
        column, at_s = self._trigger_column(), self.world.now_s
        match what:
            case "mains on":
                fits = self._source in ("PLUG", "LINE") or column.startswith("mains_")
            case "mains off":
                fits = column.startswith("mains_")
            case "plug":
                fits = self._source == "PLUG"
            case "load":
                fits = channel_of(column) == detail and self._crossed_by_load(column, detail)
            case _:
                fits = column == f"port_voltage_v@{detail}" and self._crossed_by_ramp(detail)
                at_s = self._crossing_s(detail) if fits else at_s
        if fits:
            self._begin(at_s, before_s=_PRE_RATIO * self._sweep_s)

    def _crossed_by_load(self, column: str, port: str) -> bool:
        """Whether the change of load just made goes through the level on its way, the swing of the loop included."""
        state = self.world.ports[port]
        history = state.load_history
        before, after = (history[-2][1] if len(history) > 1 else 0.0), history[-1][1]
        if quantity_of(column) == "port_voltage_v":
            sim = state.port
            volts = state.set_v(self.world.now_s)
            start_v = 0.0 if column in self._ac else port_voltage_v(sim, volts, before, volts)
            before, after = start_v, start_v - (sim.output_ohm + sim.loop.swing_ohm) * (after - before)
        return min(before, after) <= self._level <= max(before, after)

    def _crossed_by_ramp(self, port: str) -> bool:
        _, v0, _, v1 = self.world.ports[port].ramp
        return min(v0, v1) <= self._level <= max(v0, v1) and v0 != v1

    def _crossing_s(self, port: str) -> float:
        t0, v0, t1, v1 = self.world.ports[port].ramp
        return t0 + (t1 - t0) * (self._level - v0) / (v1 - v0)

    def _begin(self, trigger_s: float, before_s: float = 0.0) -> None:
        """The trigger is at one time, the first sample some time before it [s]; that is in the memory already."""
        self._armed, self._begin_s, self._start_s = False, trigger_s - before_s, -before_s
        self._ready_s = self._begin_s + self._sweep_s
        self._shots += 1
        self.world.after(self._ready_s - self.world.now_s, lambda: None)

    # Samples

    def _ready_column(self, arguments: list[str]) -> str:
        (column, *more) = self._listed_columns(arguments)
        if more:
            raise ScpiError(-224, "one channel at a time")
        if self._begin_s is None or not self.idle():
            raise ScpiError(-230, "there is no finished capture")
        return column

    def _preamble(self, arguments: list[str]) -> str:
        column = self._ready_column(arguments)
        step = self._range_of(column) / 2**_BITS
        return f"{self._points}," + numbers(self._sweep_s / self._points, self._start_s, step, 0.0, 1.0)

    def _data(self, arguments: list[str]) -> bytes:
        column = self._ready_column(arguments)
        counts = self._held.get(column)
        if counts is None:
            counts = self._held[column] = self._digitise(column, self._truth(column))
        return block(counts.astype("<i2").tobytes())

    def _rng(self, column: str, what: int) -> np.random.Generator:
        return np.random.default_rng([zlib.crc32(self.name.encode()), zlib.crc32(column.encode()), self._shots, what])

    def _digitise(self, column: str, truth: FloatArray) -> NDArray[np.int16]:
        full = self._range_of(column)
        step = full / 2**_BITS
        seen = truth - truth.mean() if column in self._ac else truth
        if not self.errors.perfect:
            # a bound in percent of reading is a gain here
            line = self.errors.line_for(quantity_of(column), float(np.max(np.abs(truth), initial=0.0)))
            gain = 1.0
            if line is not None:
                gain += self.errors.fraction(line) * (line.percent_reading + line.percent_range) / 100
            noise = 0.00012 + 0.0005 * full
            seen = gain * seen + noise * self._rng(column, 2).standard_normal(len(seen))
        top = 2 ** (_BITS - 1)
        return np.asarray(np.clip(np.round(seen / step), -top, top - 1), dtype=np.int16)

    def _truth(self, column: str) -> FloatArray:
        assert self._begin_s is not None
        time = np.asarray(self._begin_s + np.arange(self._points) * (self._sweep_s / self._points), dtype=np.float64)
        match quantity_of(column):
            case "port_voltage_v":
                return self._port_voltage(channel_of(column), time, self._rng(column, 1))
            case "port_current_a":
                return self._port_current(channel_of(column), time)
            case "mains_voltage_v":
                return self._mains_voltage(time)
            case _:
                return self._mains_current(time)

    def _load_events(self, port: str, begin_s: float, end_s: float) -> tuple[float, list[tuple[float, float, float]]]:
        """Current before the first event that shows [A], and the events: when, and from which to which current."""
        level = 0.0
        events: list[tuple[float, float, float]] = []
        for at_s, amps in self.world.ports[port].load_history:
            if at_s < begin_s - _TAIL_S:
                level = amps
            elif at_s <= end_s:
                before = events[-1][2] if events else level
                events.append((at_s, before, amps))
        return level, events

    def _port_voltage(self, port: str, time: FloatArray, rng: np.random.Generator) -> FloatArray:
        world, state = self.world, self.world.ports[port]
        points = np.array(state.vbus_history)
        base = np.interp(time, points[:, 0], points[:, 1])
        level, events = self._load_events(port, float(time[0]), float(time[-1]))
        sim, contract_v = state.port, state.contract.volts if state.contract is not None else state.mode_v or 5.0
        drop = contract_v * (1.0 + sim.set_error_ratio) - port_voltage_v(sim, contract_v, level, contract_v)
        loop = Loop(
            natural_hz=sim.loop.natural_hz,
            damping=sim.loop.damping,
            swing_ohm=sim.loop.swing_ohm,
            output_ohm=sim.output_ohm,
            esr_ohm=sim.loop.esr_ohm,
            esr_s=sim.loop.esr_s,
        )
        volts = base * (1.0 + sim.set_error_ratio)
        on = base > 0.5
        moving = np.full(len(time), -drop)
        for at_s, before, after in events:
            rise_s = max(abs(after - before) / _SLEW_A_PER_S, 1e-9)
            late_s = sim.loop.late_s if before == 0.0 else 0.0
            moving += step_response(loop, time - at_s, after - before, rise_s, late_s)
        hertz = world.mains_hz
        if hertz and on.any():
            amps = events[-1][2] if events else level
            full = world.offered_a(state)
            emission = port_emission(
                self.world.charger, port, contract_v, min(amps / full, 1.5), full, world.mains_v, hertz
            )
            start_s = float(time[0]) - world.mains_since_s + world.mains_phase_rad / (2 * math.pi * hertz)
            rate_hz = self._points / self._sweep_s
            moving += ac_waveform(emission, rate_hz, len(time), rng, start_s=start_s)
        return np.asarray(np.maximum(np.where(on, volts + moving, volts), 0.0), dtype=np.float64)

    def _port_current(self, port: str, time: FloatArray) -> FloatArray:
        level, events = self._load_events(port, float(time[0]), float(time[-1]))
        points = np.array(self.world.ports[port].vbus_history)
        amps = np.full(len(time), level)
        for at_s, before, after in events:
            rise_s = max(abs(after - before) / _SLEW_A_PER_S, 1e-9)
            amps += (after - before) * np.clip((time - at_s) / rise_s, 0.0, 1.0)
        return np.asarray(np.where(np.interp(time, points[:, 0], points[:, 1]) > 0.5, amps, 0.0), dtype=np.float64)

    def _mains_is_on(self, time: FloatArray) -> NDArray[np.bool_]:
        world = self.world
        on = time >= world.mains_since_s
        if world.mains_off_s >= world.mains_since_s:
            on &= time < world.mains_off_s
        return np.asarray(on)

    def _mains_voltage(self, time: FloatArray) -> FloatArray:
        world = self.world
        if not math.isfinite(world.mains_since_s):
            return np.zeros(len(time))
        peak = math.sqrt(2.0) * world.mains_set_v * (1.0 + world.surroundings.supply_gain_error_ratio)
        omega = 2 * math.pi * world.mains_set_hz
        wave = peak * np.sin(omega * (time - world.mains_since_s) + world.mains_phase_rad)
        on = self._mains_is_on(time)
        left = 0.0
        if world.mains_off_s >= world.mains_since_s:
            left = peak * math.sin(omega * (world.mains_off_s - world.mains_since_s) + world.mains_phase_rad)
        # what is left on the input filter's capacitor decays through its bleeder
        gone = left * np.exp(-np.maximum(time - world.mains_off_s, 0.0) / 0.05) * (time >= world.mains_off_s)
        return np.asarray(np.where(on, wave, gone), dtype=np.float64)

    def _mains_current(self, time: FloatArray) -> FloatArray:
        world = self.world
        if not math.isfinite(world.mains_since_s):
            return np.zeros(len(time))
        primary = world.charger.primary
        volts = world.mains_set_v * (1.0 + world.surroundings.supply_gain_error_ratio)
        since = time - world.mains_since_s
        phase = 2 * math.pi * world.mains_set_hz * since + world.mains_phase_rad
        point = world.point()
        steady = np.zeros(len(time))
        for order, amps in point.harmonic_a.items():
            # pulses at the crests: the harmonics alternate in sign; with the power-factor stage they are in phase
            sign = 1.0 if point.pfc_on or order % 4 == 1 else -1.0
            steady += sign * math.sqrt(2.0) * amps * np.sin(order * phase)
        out = np.where(since >= primary.start_s, steady, 0.0)
        if float(time[0]) <= world.mains_since_s + 4.0 / world.mains_set_hz and world.inrush:
            side = PrimarySide(primary.cold_ohm, primary.bulk_f, primary.start_s, primary.rise_s)
            ohm = primary.cold_ohm * (1.0 if world.inrush == "cold" else primary.warm_ratio)
            out = out + charging_current(
                side, ohm, volts, world.mains_set_hz, world.mains_phase_rad, world.mains_since_s, time
            )
        return np.asarray(np.where(self._mains_is_on(time), out, 0.0), dtype=np.float64)
