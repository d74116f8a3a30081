"""What reaches a device: a charger's voltage, a cable and a sink taken together.

The charger is a voltage over current: one number, or straight lines between the loads at which it was measured. The
sink takes a constant current, or constant power up to a current limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt
from typing import Any, Literal

import numpy as np

from brickbook.core.figure import Figure
from brickbook.core.readings import measured_of
from brickbook.core.uncertainty import Measured, exact, propagate
from brickbook.library.cables import Cable

__all__ = [
    "Delivery",
    "Reach",
    "Sink",
    "VoltageCurve",
    "deliver",
    "longest_cable",
    "measured_curve",
    "steady_voltage",
]


@dataclass(frozen=True, slots=True)
class VoltageCurve:
    """Voltage at a charger's receptacle over current.

    Parameters
    ----------
    current_a
        Loads, rising [A].
    voltage_v
        Voltage at each [V]. A single one holds at every current.
    words
        Where it comes from, for people.
    """

    current_a: tuple[float, ...]
    voltage_v: tuple[Measured, ...]
    words: str = ""

    def __post_init__(self) -> None:
        if not self.voltage_v or len(self.voltage_v) != len(self.current_a):
            raise ValueError(f"{len(self.current_a)} currents but {len(self.voltage_v)} voltages")
        if any(b <= a for a, b in zip(self.current_a, self.current_a[1:], strict=False)):
            raise ValueError("the currents of a voltage curve must rise")
        if any(not isfinite(float(v.value)) or float(v.value) <= 0 for v in self.voltage_v):
            raise ValueError("a voltage of the curve is not above 0")

    @property
    def most_a(self) -> float:
        """Largest current the curve speaks of [A]."""
        return self.current_a[-1] if len(self.current_a) > 1 else inf

    def at(self, current_a: float) -> Measured:
        """Voltage at a current [V].

        Raises
        ------
        ValueError
            Beyond the largest load.
        """
        if current_a > self.most_a * (1 + _SMALL):
            raise ValueError(f"{current_a:g} A is beyond the largest load, {self.most_a:g} A")
        return next(line for line in self.lines() if current_a <= line.high_a * (1 + _SMALL)).voltage_at(current_a)

    def lines(self) -> Iterable[_Line]:
        """Its straight pieces, from zero current on: the first is drawn on down to no load."""
        if len(self.current_a) == 1:
            yield _Line(0.0, inf, self.voltage_v, lambda v: v, lambda _v: 0.0)
            return
        for k in range(len(self.current_a) - 1):
            i1, i2 = self.current_a[k], self.current_a[k + 1]
            yield _Line(
                0.0 if k == 0 else i1,
                i2,
                (self.voltage_v[k], self.voltage_v[k + 1]),
                lambda v1, v2, i1=i1, i2=i2: v1 + (v1 - v2) * (i1 / (i2 - i1)),
                lambda v1, v2, i1=i1, i2=i2: (v1 - v2) / (i2 - i1),
            )


@dataclass(frozen=True, slots=True)
class _Line:
    """V = a - b I between two currents, with a and b as functions of the measured voltages."""

    low_a: float
    high_a: float
    voltages: tuple[Measured, ...]
    start_v: Callable[..., Any]
    slope_ohm: Callable[..., Any]

    def voltage_at(self, current_a: float) -> Measured:
        """The voltage at a current on this line [V]."""
        return propagate(lambda *volts: self.start_v(*volts) - current_a * self.slope_ohm(*volts), *self.voltages)

    @property
    def a(self) -> float:
        return float(self.start_v(*(float(v.value) for v in self.voltages)))

    @property
    def b(self) -> float:
        return float(self.slope_ohm(*(float(v.value) for v in self.voltages)))


def steady_voltage(voltage_v: float | Measured, words: str = "") -> VoltageCurve:
    """A charger that holds one voltage at every current [V]."""
    return VoltageCurve((0.0,), (voltage_v if isinstance(voltage_v, Measured) else exact(voltage_v),), words)


def measured_curve(
    figures: Iterable[Figure],
    port: str,
    output_v: float,
    *,
    mains_v: float | None = None,
    contract: str | None = None,
) -> VoltageCurve | None:
    """The measured voltage over current of a port at a set voltage, from the figures of the regulation study.

    Parameters
    ----------
    figures
        A charger's figures.
    port, output_v
        Which port, at which set voltage [V]; within 1 %.
    mains_v
        Only at this mains voltage [V]; else the supply with the most loads, the lower of equals.
    contract
        Only under this contract, where a fixed and a programmable one share a voltage.

    Returns
    -------
    `None` where there are no such figures taken at the receptacle, or fewer than two loads. The voltages keep the
    sources of their uncertainty; the loads are taken as exact.
    """
    by_supply: dict[float, dict[float, Figure]] = {}
    for figure in figures:
        at = figure.conditions
        if figure.study != "regulation" or figure.name != "output_voltage_v" or at.get("port") != port:
            continue
        if at.get("measured_at", "receptacle") != "receptacle" or "load_a" not in at or "output_v" not in at:
            continue
        if abs(at.number("output_v") / output_v - 1.0) > 0.01 or contract not in (None, at.get("contract")):
            continue
        supply = at.number("mains_v") if "mains_v" in at else 0.0
        if mains_v is None or abs(supply / mains_v - 1.0) <= 0.05:
            by_supply.setdefault(supply, {}).setdefault(at.number("load_a"), figure)
    if not by_supply:
        return None
    supply, loads = max(by_supply.items(), key=lambda item: (len(item[1]), -item[0]))
    if len(loads) < 2:
        return None
    currents = tuple(sorted(loads))
    where = f"measured at {len(currents)} loads, {port} at {output_v:g} V" + (f", {supply:g} V mains" if supply else "")
    return VoltageCurve(currents, tuple(measured_of(loads[a]) for a in currents), where)


@dataclass(frozen=True, slots=True)
class Sink:
    """What a device takes.

    Parameters
    ----------
    power_w
        Constant power at its own end of the cable [W]; `None`: it takes the constant current `current_a`.
    current_a
        The constant current, or with `power_w` its limit [A]; `None`: no limit.
    minimum_v
        Lowest voltage at which it works [V].
    """

    power_w: float | None = None
    current_a: float | None = None
    minimum_v: float = 0.0

    def __post_init__(self) -> None:
        if self.power_w is None and self.current_a is None:
            raise ValueError("a sink takes a power or a current: give one of them")
        for name in ("power_w", "current_a"):
            number = getattr(self, name)
            if number is not None and not (isfinite(number) and number > 0.0):
                raise ValueError(f"{name} must be above 0, this is {number:g}")
        if not (isfinite(self.minimum_v) and self.minimum_v >= 0.0):
            raise ValueError(f"minimum_v must be at least 0, this is {self.minimum_v:g}")


State = Literal["full", "limited", "too low", "none", "not measured"]


@dataclass(frozen=True, slots=True)
class Delivery:
    """Where charger, cable and sink settle.

    Parameters
    ----------
    state
        "full": the sink has all it asks for. "limited": it stands at its current limit and has less power than it asks
        for. "too low": its lower voltage limit is broken. "none": there is no operating point; what a sink does then
        is its own affair. "not measured": it would need more current than the charger was measured at.
    current_a, source_v, far_end_v, far_end_w, drop_v, loss_w
        At the operating point; `None` where there is none.
    source_w
        What leaves the charger's port [W].
    """

    state: State
    current_a: Measured | None = None
    source_v: Measured | None = None
    far_end_v: Measured | None = None
    far_end_w: Measured | None = None
    drop_v: Measured | None = None
    loss_w: Measured | None = None
    source_w: Measured | None = None

    @property
    def feasible(self) -> bool:
        """Whether the sink has all it asks for."""
        return self.state == "full"


def deliver(source: VoltageCurve, loop: Measured | float, sink: Sink) -> Delivery:
    """The operating point of a charger, the loop resistance of a cable [Ω], and a sink.

    With the charger V = a - b I and the sink's power P constant, I = 2 P/(a + sqrt(a^2 - 4 (R + b) P)): the stable
    root, written without cancellation. Of several straight pieces the one with the least current counts: it is reached
    first when a sink draws more and more. Where that current is above the sink's limit, it draws the limit.

    Raises
    ------
    ValueError
        When the resistance is negative.
    """
    ohm = _resistance(loop)
    if sink.power_w is None:
        assert sink.current_a is not None
        return _at_current(source, ohm, sink, sink.current_a, "full")
    limit = sink.current_a if sink.current_a is not None else inf
    r, power = float(ohm.value), sink.power_w
    last: _Line | None = None
    for line in source.lines():
        last = line
        inside = line.a**2 - 4.0 * (r + line.b) * power
        if inside < 0.0:
            continue
        current = 2.0 * power / (line.a + sqrt(inside))
        if line.low_a * (1 - _SMALL) <= current <= line.high_a * (1 + _SMALL):
            if current > limit * (1 + _SMALL):
                return _at_current(source, ohm, sink, limit, "limited")
            return _at_power(line, ohm, sink, power)
    assert last is not None
    if isfinite(last.high_a) and last.a > 2.0 * (r + last.b) * last.high_a:
        # the power at the far end still rises where the measured loads end
        return Delivery("not measured") if limit > last.high_a else _at_current(source, ohm, sink, limit, "limited")
    return Delivery("none")


@dataclass(frozen=True, slots=True)
class Reach:
    """How much resistance a sink can have before it no longer gets all it asks for.

    Parameters
    ----------
    loop
        Largest resistance of the loop [Ω]; `None` when even no cable at all would not do.
    length_m
        Longest cable [m], where the wire is known; `None` when its contacts alone are too much.
    at_least
        The charger was not measured at the current a longer cable would need: it may be longer than this.
    limited_by
        "current limit", "lower voltage limit", "no operating point" beyond it, or "measured loads".
    """

    loop: Measured | None
    length_m: Measured | None = None
    at_least: bool = False
    limited_by: str = ""


def longest_cable(source: VoltageCurve, sink: Sink, cable: Cable | None = None) -> Reach:
    """The longest cable with which a sink still has all it asks for.

    A cable R lets the power P through where (V(I) - I R) I reaches P at a current within the sink's limits, so the
    largest is the maximum over those I of V(I)/I - P/I^2. On a straight piece V = a - b I it lies at an end, or at
    I = 2 P/a, where half of a is lost. A sink of constant current needs V(I) - I R at or above its lower limit.

    Parameters
    ----------
    source, sink
        The charger and what is plugged in.
    cable
        Gives wire and contacts, for the length.
    """
    if sink.power_w is None:
        assert sink.current_a is not None
        found = _longest_at_current(source, sink, sink.current_a)
    else:
        found = _longest_at_power(source, sink, sink.power_w)
    if found.loop is None or cable is None or cable.loop_ohm_per_m is None or cable.contacts_ohm is None:
        return found
    wire = found.loop - cable.contacts_ohm
    return replace(found, length_m=wire / cable.loop_ohm_per_m if float(wire.value) >= 0.0 else None)


_SMALL = 1e-12


def _resistance(loop: Measured | float) -> Measured:
    ohm = loop if isinstance(loop, Measured) else exact(loop)
    r = float(ohm.value)
    if not (isfinite(r) and r >= 0.0):
        raise ValueError(f"the resistance of a cable is at least 0, this is {r:g}")
    return ohm


def _at_current(source: VoltageCurve, ohm: Measured, sink: Sink, current_a: float, state: State) -> Delivery:
    if current_a > source.most_a * (1 + _SMALL):
        return Delivery("not measured")
    line = next(piece for piece in source.lines() if current_a <= piece.high_a * (1 + _SMALL))
    near = line.voltage_at(current_a)
    far = near - ohm * current_a
    if float(far.value) <= 0.0:
        return Delivery("none")
    return _delivery(state, exact(current_a), near, far, ohm, sink)


def _at_power(line: _Line, ohm: Measured, sink: Sink, power_w: float) -> Delivery:
    def inside(r: Any, *volts: Any) -> Any:
        return line.start_v(*volts) ** 2 - 4.0 * (r + line.slope_ohm(*volts)) * power_w

    room = propagate(inside, ohm, *line.voltages)
    if float(room.u) > 0.0 and float(room.value) <= 2.0 * float(room.u):
        return Delivery("none")  # within the uncertainty of having none
    current = propagate(
        lambda r, *volts: 2.0 * power_w / (line.start_v(*volts) + np.sqrt(inside(r, *volts))), ohm, *line.voltages
    )
    far = power_w / current
    return _delivery("full", current, far + current * ohm, far, ohm, sink)


def _delivery(state: State, current: Measured, near: Measured, far: Measured, ohm: Measured, sink: Sink) -> Delivery:
    found: State = "too low" if float(far.value) < sink.minimum_v * (1 - _SMALL) else state
    drop = current * ohm
    power = far * current if sink.power_w is None or state == "limited" else exact(sink.power_w)
    return Delivery(found, current, near, far, power, drop, drop * current, near * current)


def _longest_at_current(source: VoltageCurve, sink: Sink, current_a: float) -> Reach:
    if current_a > source.most_a * (1 + _SMALL):
        return Reach(None, limited_by="measured loads")
    line = next(piece for piece in source.lines() if current_a <= piece.high_a * (1 + _SMALL))
    room = (line.voltage_at(current_a) - sink.minimum_v) * (1.0 / current_a)
    if float(room.value) < -_SMALL * sink.minimum_v / current_a:
        return Reach(None, limited_by="lower voltage limit")
    return Reach(
        _not_below_zero(room), limited_by="lower voltage limit" if sink.minimum_v > 0.0 else "no operating point"
    )


def _longest_at_power(source: VoltageCurve, sink: Sink, power_w: float) -> Reach:
    limit = sink.current_a if sink.current_a is not None else inf
    by_voltage = power_w / sink.minimum_v if sink.minimum_v > 0.0 else inf
    most = min(limit, by_voltage, source.most_a)
    best: tuple[float, float, _Line] | None = None
    for line in source.lines():
        if line.low_a > most:
            break
        peak = 2.0 * power_w / line.a
        for current in {min(line.high_a, most), min(max(peak, line.low_a), line.high_a, most)}:
            if not (isfinite(current) and current > 0.0):
                continue
            ohm = line.a / current - line.b - power_w / current**2
            if best is None or ohm > best[0] * (1 + _SMALL):
                best = (ohm, current, line)
    assert best is not None
    ohm, current, line = best
    at_end = current >= most * (1 - _SMALL)
    beyond = at_end and most == source.most_a and most < min(limit, by_voltage)
    words = (
        "no operating point"
        if not at_end
        else "measured loads"
        if beyond
        else "current limit"
        if limit <= by_voltage
        else "lower voltage limit"
    )
    if ohm < -_SMALL * line.a / current:
        return Reach(None, limited_by=words)
    # the current is held: where it is the best one, its own change does not count to first order
    loop = propagate(
        lambda *volts: line.start_v(*volts) / current - line.slope_ohm(*volts) - power_w / current**2, *line.voltages
    )
    return Reach(_not_below_zero(loop), at_least=beyond, limited_by=words)


def _not_below_zero(ohm: Measured) -> Measured:
    """A resistance that is zero but for rounding."""
    return Measured(max(float(ohm.value), 0.0), ohm.terms)
