"""The one world all simulated instruments look at: a charger on its supply, its loads and sinks, in a room, over time.

Time is a number that only `advance_to` moves. Between events nothing changes but temperatures, which take steps of one
second; everything else (a plug, a frame, a ramp of VBUS, a trip) is an event at its own moment. The same calls in the
same order give the same world.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from brickbook.simbench.charger import SimCharger, SimPort
from brickbook.simbench.electrical import LoadPoint, OperatingPoint, operating_point
from brickbook.simbench.offers import Offer, allotments, legacy_modes
from brickbook.simbench.thermal import ThermalNetwork
from brickbook.usbpd import Message, Sop

__all__ = ["Contract", "PortState", "Surroundings", "World"]

_TICK_S = 1.0
_LEAST_LOAD_V = 0.5  # below this the load cannot hold its current
_COLLAPSED_OHM = 0.1  # what the load's transistor is when it is fully on
_MOST_HOLD_UP_S = 3.0
_KEPT_POINTS = 400


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is around the charger: room, supply, and the fixture between receptacle and sense terminals.

    Parameters
    ----------
    room_c, room_drift_k_per_h, room_swing_k, room_swing_s
        Room at the start [°C], its drift, and a slow swing with its period.
    fixture_ohm
        Between the receptacle and where the load senses [Ohm]; the plan should state what is set here.
    supply_gain_error_ratio
        Of the AC source's voltage.
    load_follows
        Whether the load steps down when the charger lowers a contract, as a device would.
    cable_marked
        Whether the cables have a marker for 5 A and extended power range.
    """

    room_c: float = 23.0
    room_drift_k_per_h: float = 0.4
    room_swing_k: float = 0.12
    room_swing_s: float = 1300.0
    fixture_ohm: float = 0.0
    supply_gain_error_ratio: float = 0.0
    load_follows: bool = True
    cable_marked: bool = True

    def room_at(self, time_s: float) -> float:
        """Temperature of the room [°C]."""
        return (
            self.room_c
            + self.room_drift_k_per_h * time_s / 3600.0
            + self.room_swing_k * math.sin(2 * math.pi * time_s / self.room_swing_s)
        )


@dataclass(frozen=True, slots=True)
class Contract:
    """What a port and its device agreed on: the offer, the voltage [V], and the current asked for [A]."""

    offer: Offer
    volts: float
    amps: float


@dataclass(slots=True)
class PortState:
    """One port as it is now."""

    port: SimPort
    attached: bool = False
    cable: bool = False
    mode_v: float = 0.0
    contract: Contract | None = None
    allotted_w: float = 0.0
    giving_up: bool = False
    off: str = ""  # why the output is off: "", "overload", "heat"
    load_on: bool = False
    set_a: float = 0.0
    ramp: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    over: Timer | None = None
    vbus_history: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    load_history: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])

    def set_v(self, time_s: float) -> float:
        """Voltage the regulator is set to at a time [V]."""
        t0, v0, t1, v1 = self.ramp
        if time_s >= t1:
            return v1
        return v0 if time_s <= t0 else v0 + (v1 - v0) * (time_s - t0) / (t1 - t0)

    @property
    def asked_a(self) -> float:
        """Current the load asks for [A]."""
        return self.set_a if self.load_on else 0.0


@dataclass(slots=True)
class Timer:
    """An event to come; `cancelled` ones are passed over."""

    at_s: float
    call: Callable[[], None]
    cancelled: bool = False


class World:
    """Charger, supply, loads, sinks and room.

    Parameters
    ----------
    charger
        The charger.
    seed
        Of all randomness in the world.
    surroundings
        Room, fixture, supply.
    """

    def __init__(self, charger: SimCharger, *, seed: int = 0, surroundings: Surroundings | None = None) -> None:
        from brickbook.simbench.wire import PortSession  # noqa: PLC0415 (the session looks at the world, too)

        self.charger = charger
        self.surroundings = surroundings or Surroundings()
        self.rng = np.random.default_rng([seed, 1])
        self.now_s = 0.0
        self.mains_on = False
        self.mains_set_v, self.mains_set_hz = 230.0, 50.0
        self.mains_cut = False
        self.mains_since_s = -math.inf
        self.mains_off_s = -math.inf
        self.mains_phase_rad = 0.0
        self.alive = False
        self.hot = False
        self.folds: set[int] = set()
        self.ports = {port.id: PortState(port) for port in charger.ports}
        self.sessions = {port.id: PortSession(self, port.id) for port in charger.ports}
        self.thermal = ThermalNetwork(charger.thermals, self.room_c)
        self.recording = False
        self.recorded_from_s: float | None = None
        self.inrush = ""  # "cold" or "warm" when the bulk capacitor was empty as mains came
        self.frames: list[tuple[float, str, Message | Sop]] = []
        self.plug_events: list[tuple[float, str, str, str]] = []
        self.watchers: list[Callable[[str, str], None]] = []  # told of "load", "vbus", "plug", "mains on", "mains off"
        self.trace: Callable[[World], None] | None = None
        self._heap: list[tuple[float, int, Timer]] = []
        self._count = itertools.count()
        self._loss_j = 0.0
        self._pfc_on = False
        self._point: OperatingPoint | None = None
        self._point_at_s = -1.0
        self._moving_until_s = 0.0
        self._start_timer: Timer | None = None
        self.after(_TICK_S, self._tick)

    # Time

    @property
    def room_c(self) -> float:
        """Temperature of the room now [°C]."""
        return self.surroundings.room_at(self.now_s)

    def after(self, delay_s: float, call: Callable[[], None]) -> Timer:
        """Have something happen after a delay [s]."""
        timer = Timer(self.now_s + max(delay_s, 0.0), call)
        heapq.heappush(self._heap, (timer.at_s, next(self._count), timer))
        return timer

    def advance_to(self, time_s: float) -> None:
        """Let time pass up to a moment [s]; one that is past is left alone."""
        while self._heap and self._heap[0][0] <= time_s:
            self._next_event()
        self._pass(time_s)

    def advance_until(self, ready: Callable[[], bool], timeout_s: float) -> bool:
        """Let time pass, event by event, until something is so; gives whether it came within the time [s]."""
        end_s = self.now_s + timeout_s
        while not ready():
            if not self._heap or self._heap[0][0] > end_s:
                self._pass(end_s)
                return ready()
            self._next_event()
        return True

    def _next_event(self) -> None:
        at_s, _, timer = heapq.heappop(self._heap)
        if timer.cancelled:
            return
        self._pass(at_s)
        timer.call()

    def _pass(self, time_s: float) -> None:
        if time_s > self.now_s:
            self._loss_j += self.point().loss_w * (time_s - self.now_s)
            self.now_s = time_s

    def _tick(self) -> None:
        self.thermal.step(_TICK_S, self._loss_j / _TICK_S, self.room_c)
        self._loss_j = 0.0
        self._point = None
        self._watch_heat()
        if self.trace is not None:
            self.trace(self)
        self.after(_TICK_S, self._tick)

    # Electrics

    @property
    def mains_v(self) -> float:
        """True mains voltage at the charger [V]; 0 while it is off."""
        if not self.mains_on or self.mains_cut:
            return 0.0
        return self.mains_set_v * (1.0 + self.surroundings.supply_gain_error_ratio)

    @property
    def mains_hz(self) -> float:
        """Mains frequency [Hz]; 0 while it is off."""
        return self.mains_set_hz if self.mains_v else 0.0

    def point(self) -> OperatingPoint:
        """The charger's operating point now."""
        point = self._point
        if point is not None:
            if self._point_at_s == self.now_s:
                return point
            if self._point_at_s >= self._moving_until_s and not self.charger.losses.burst_period_s:
                return point
        loads = {port: self._load_point(state) for port, state in self.ports.items()}
        mains_v = self.mains_v
        if mains_v <= 0.0 and self.alive:
            # the bulk capacitor feeds the outputs for a while; mains sees nothing of it
            fed = operating_point(
                self.charger, self.mains_set_v, loads, inside_c=self._inside_c(), pfc_was_on=self._pfc_on
            )
            point = replace(
                fed, input_w=0.0, input_a=0.0, power_factor=math.nan, thd_ratio=math.nan, harmonic_a={}, pfc_on=False
            )
        else:
            point = operating_point(
                self.charger,
                mains_v,
                loads,
                inside_c=self._inside_c(),
                pfc_was_on=self._pfc_on,
                cables=sum(state.cable and not state.attached for state in self.ports.values()),
                time_s=self.now_s,
            )
            self._pfc_on = point.pfc_on
        self._point, self._point_at_s = point, self.now_s
        return point

    def _inside_c(self) -> float:
        return self.thermal[self.charger.thermals.node]

    def _load_point(self, state: PortState) -> LoadPoint:
        set_v = state.set_v(self.now_s)
        contract_v = state.contract.volts if state.contract is not None else state.mode_v or 5.0
        amps = state.asked_a if set_v >= _LEAST_LOAD_V else 0.0
        hold = self._held_current_a(state)
        if hold is not None and amps > hold and set_v > 0.0:
            amps = hold
            set_v = min(set_v, amps * (_COLLAPSED_OHM + state.port.output_ohm))
        return LoadPoint(set_v, amps, contract_v, state.attached)

    def offered_a(self, state: PortState) -> float:
        """Most current a port offers now [A]."""
        if state.contract is not None:
            return state.contract.offer.limit_a(state.contract.volts)
        for volts, amps in legacy_modes(state.port, state.allotted_w or state.port.nameplate_w):
            if abs(volts - (state.mode_v or 5.0)) < 1e-6:
                return amps
        return min((o.current_a for o in state.port.outputs if o.voltage_v == 5.0), default=1.5)

    def _held_current_a(self, state: PortState) -> float | None:
        """Current at which the port holds it and lets the voltage go [A]; `None` for a port that switches off."""
        if state.contract is not None and state.contract.offer.kind == "pps":
            # USB PD programmable supplies limit at the current asked for, 150 mA of tolerance (from memory)
            return state.contract.amps + 0.05
        if state.port.overload.kind == "constant current":
            return self.offered_a(state) * state.port.overload.at_ratio
        return None

    def changed(self) -> None:
        """Something electrical is different: the next look finds a new operating point, and overload is watched."""
        self._point = None
        for state in self.ports.values():
            self._watch_overload(state)

    # Supply

    def set_mains(self, *, on: bool | None = None, volts: float | None = None, hertz: float | None = None) -> None:
        """Set the supply: on or off, voltage [V], frequency [Hz]; what is `None` stays."""
        before = self.mains_v
        self.mains_on = self.mains_on if on is None else on
        self.mains_set_v = self.mains_set_v if volts is None else volts
        self.mains_set_hz = self.mains_set_hz if hertz is None else hertz
        self._mains_may_have_changed(before)

    def cut_mains(self, *, cut: bool) -> None:
        """Take mains away behind the source's back, or give it back."""
        before = self.mains_v
        self.mains_cut = cut
        self._mains_may_have_changed(before)

    def _mains_may_have_changed(self, before_v: float) -> None:
        after_v = self.mains_v
        primary = self.charger.primary
        if after_v and not before_v:
            cold = self.now_s - self.mains_off_s > primary.thermistor_s
            self.mains_since_s = self.now_s
            self.mains_phase_rad = float(self.rng.uniform(0.2, math.pi - 0.2))
            self.inrush = "" if self.alive else "cold" if cold else "warm"
            self.watchers_told("mains on", "")
            if not self.alive:
                wait = primary.start_s * (1.0 if cold else 0.8) * (230.0 / after_v) ** 0.15
                self._replace_start(self.after(wait, self._start))
            else:
                self._replace_start(None)
        elif before_v and not after_v:
            self.mains_off_s = self.now_s
            self.watchers_told("mains off", "")
            self._replace_start(self.after(self._hold_up_s(before_v), self._stop) if self.alive else None)
        self.changed()

    def _replace_start(self, timer: Timer | None) -> None:
        if self._start_timer is not None:
            self._start_timer.cancelled = True
        self._start_timer = timer

    def _hold_up_s(self, mains_v: float) -> float:
        """How long the bulk capacitor feeds the outputs: its energy from the crest down to where it gives up [s]."""
        primary, point = self.charger.primary, self.point()
        output_w = sum(point.port_voltage_v.get(p, 0.0) * point.port_current_a.get(p, 0.0) for p in self.ports)
        energy = 0.5 * primary.bulk_f * (2.0 * mains_v**2 - primary.gives_up_v**2)
        return min(max(energy, 0.0) / max(output_w / 0.92, 1e-3), _MOST_HOLD_UP_S)

    def _start(self) -> None:
        self.alive = True
        for port, state in self.ports.items():
            state.off = "heat" if self.hot else ""
            self.sessions[port].power_up()
        self.changed()

    def _stop(self) -> None:
        self.alive = False
        for port, state in self.ports.items():
            self.sessions[port].power_down()
            state.off = ""
        self.changed()

    def watchers_told(self, what: str, detail: str) -> None:
        """Tell those who wait for a trigger."""
        for watcher in self.watchers:
            watcher(what, detail)

    # Loads

    def set_load(self, port: str, *, amps: float | None = None, on: bool | None = None) -> None:
        """Set the load of a port: current [A], on or off; what is `None` stays."""
        state = self.ports[port]
        before = state.asked_a
        state.set_a = state.set_a if amps is None else amps
        state.load_on = state.load_on if on is None else on
        if state.asked_a != before:
            state.load_history.append((self.now_s, state.asked_a))
            del state.load_history[:-_KEPT_POINTS]
            self.watchers_told("load", port)
            if state.asked_a == 0.0 and state.off == "overload" and state.port.overload.kind == "trip":
                self.after(state.port.overload.off_s, lambda: self._recover(port))
            self.changed()

    def _watch_overload(self, state: PortState) -> None:
        over = (
            self._held_current_a(state) is None
            and not state.off
            and state.set_v(self.now_s) > _LEAST_LOAD_V
            and state.asked_a > self.offered_a(state) * state.port.overload.at_ratio
        )
        if over and state.over is None:
            state.over = self.after(state.port.overload.delay_s, lambda: self.trip(state.port.id))
        elif not over and state.over is not None:
            state.over.cancelled = True
            state.over = None

    def trip(self, port: str) -> None:
        """A port switches off as its overload behaviour says."""
        state = self.ports[port]
        if state.over is not None:
            state.over.cancelled = True
            state.over = None
        state.off = "overload"
        self.sessions[port].power_down()
        kind = state.port.overload.kind
        if kind in ("hiccup", "constant current") or (kind == "trip" and state.asked_a == 0.0):
            self.after(state.port.overload.off_s, lambda: self._recover(port))
        self.changed()

    def _recover(self, port: str) -> None:
        state = self.ports[port]
        if state.off != "overload" or not self.alive:
            return
        if state.port.overload.kind == "trip" and state.asked_a > 0.0:
            return
        state.off = ""
        self.sessions[port].power_up(known=True)
        self.changed()

    # Heat

    def fold_ratios(self) -> Mapping[str, float]:
        """Part of its power that heat leaves to each port."""
        ratios = dict.fromkeys(self.ports, 1.0)
        for number in self.folds:
            fold = self.charger.thermals.folds[number]
            for port in fold.ports or self.ports:
                ratios[port] = min(ratios[port], fold.to_ratio)
        return ratios

    def _watch_heat(self) -> None:
        thermals = self.charger.thermals
        before = set(self.folds)
        for number, fold in enumerate(thermals.folds):
            warm = self.thermal[fold.node]
            if warm > fold.above_c:
                self.folds.add(number)
            elif warm < fold.below_c:
                self.folds.discard(number)
        if self.folds != before:
            self.rebalance("heat")
        inside = self._inside_c()
        if inside > thermals.trip_c and not self.hot:
            self.hot = True
            for port, state in self.ports.items():
                state.off = "heat"
                self.sessions[port].power_down()
            self.changed()
        elif self.hot and inside < thermals.recover_c:
            self.hot = False
            for port, state in self.ports.items():
                state.off = ""
                if self.alive:
                    self.sessions[port].power_up(known=True)
            self.changed()

    # Devices

    def attach(self, port: str) -> None:
        """Plug a device into a port."""
        state = self.ports[port]
        if state.attached:
            return
        state.attached = state.cable = True
        self._note_plug(port, "plug")
        self.sessions[port].attach()
        self.rebalance("plug")
        self.changed()

    def detach(self, port: str) -> None:
        """Pull the device out of a port."""
        state = self.ports[port]
        if not state.attached:
            return
        state.attached = state.cable = False
        self._note_plug(port, "unplug")
        self.sessions[port].detach()
        self.after(self.charger.policy.return_s, lambda: self.rebalance("plug"))
        self.changed()

    def plug_cable(self, port: str, *, plugged: bool) -> None:
        """Plug a bare cable into a port, or take it away."""
        self.ports[port].cable = plugged
        self.changed()

    def rebalance(self, why: str) -> None:
        """Share the power anew among the ports in use; `why` is "plug" or "heat"."""
        in_use = [port for port, state in self.ports.items() if state.attached]
        shares = allotments(self.charger, in_use, self.fold_ratios())
        way = self.charger.policy.when_hot if why == "heat" else self.charger.policy.on_change
        for port in in_use:
            self.sessions[port].allot(shares[port], way)
        for port in self.ports:
            if port not in in_use:
                self.ports[port].allotted_w = shares[port]

    def others_giving_up(self, port: str) -> bool:
        """Whether some other port still holds power that it has to give up."""
        return any(state.giving_up for name, state in self.ports.items() if name != port)

    # VBUS

    def ramp_vbus(self, port: str, volts: float, duration_s: float, delay_s: float = 0.0) -> None:
        """Move a port's set voltage [V] along a straight line of some duration, after a delay [s]."""
        state = self.ports[port]
        start_s = self.now_s + delay_s
        here = state.set_v(self.now_s)
        state.ramp = (start_s, here, start_s + duration_s, volts)
        history = state.vbus_history
        while history and history[-1][0] >= start_s:
            history.pop()
        history += [(start_s, here), (start_s + duration_s, volts)]
        if not self.recording:
            del history[:-_KEPT_POINTS]
        self.watchers_told("vbus", port)
        self._moving_until_s = max(self._moving_until_s, start_s + duration_s)
        self.after(delay_s + duration_s, self.changed)
        self.changed()

    # Messages

    def record(self, time_s: float, port: str, what: Message | Sop) -> None:
        """Keep a frame while a recorder runs."""
        if self.recording:
            self.frames.append((time_s, port, what))

    def start_recording(self) -> None:
        """Forget what was recorded and begin anew."""
        self.recording, self.recorded_from_s = True, self.now_s
        self.frames.clear()
        self.plug_events.clear()
        for state in self.ports.values():
            state.vbus_history[:] = [(self.now_s, state.set_v(self.now_s))]
        for session in self.sessions.values():
            session.recorder_started()

    def stop_recording(self) -> None:
        """End the recording; what there is stays."""
        self.recording = False

    def _note_plug(self, port: str, event: str) -> None:
        self.watchers_told("plug", port)
        if self.recording:
            self.plug_events.append((self.now_s, port, event, ""))
