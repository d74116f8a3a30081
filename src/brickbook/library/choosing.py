"""Choosing a charger for a set of devices: the best use of each charger, and which suffice.

The worth of an assignment is the sum over devices of priority times the share of its wish that a device gets; less than
a device needs to work at all counts nothing. What is measured goes before what the maker claims, and each answer says
on what it rests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import inf
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from brickbook.core.figure import Figure
from brickbook.core.readings import measured_of
from brickbook.core.uncertainty import Measured, exact, sum_of
from brickbook.library.assigning import Assignment, assign_by_budgets, assign_to_powers
from brickbook.library.devices import Device
from brickbook.library.offers import Offer, Served, Share, serve

__all__ = ["Interruption", "Placed", "Use", "best_use", "yearly_energy_kwh"]

FloatArray = NDArray[np.float64]
SharingBasis = Literal[
    "alone", "measured", "measured groups", "claimed table", "measured budgets", "claimed budgets", "total only"
]
_Fits = Callable[[Device, str], bool]
_Given = Callable[[int, int], Served | None]
_DAYS = 365.25
_CLOSE = 1e-6


@dataclass(frozen=True, slots=True)
class Placed:
    """A device and what it gets.

    Parameters
    ----------
    device
        Whose.
    port
        Where; "" when it is not plugged in.
    served
        What it gets there; `None` when nothing.
    enough
        Whether it is well served.
    """

    device: Device
    port: str
    served: Served | None
    enough: bool


@dataclass(frozen=True, slots=True)
class Interruption:
    """What happens to one device when another is plugged in.

    Parameters
    ----------
    device, joined
        Names.
    before_w, after_w
        Power of the device's port before and after [W]; `None` where not known.
    known_by
        "measured" or "claimed" for the powers, "" when not known.
    without_power_s
        Longest time without power that was measured between these ports [s]; `None`: not measured.
    """

    device: str
    joined: str
    before_w: float | None
    after_w: float | None
    known_by: str
    without_power_s: float | None


@dataclass(frozen=True, slots=True)
class Use:
    """The best use of a charger for some devices.

    Parameters
    ----------
    placed
        In the devices' order.
    value
        Sum of priority times share, at most the sum of priorities.
    suffices
        Whether all are well served.
    sharing
        On what the division of power rests.
    interruptions
        For each pair of devices plugged in.
    """

    placed: tuple[Placed, ...]
    value: float
    suffices: bool
    sharing: SharingBasis
    interruptions: tuple[Interruption, ...]

    @property
    def source_w(self) -> float:
        """Power at all ports together [W]."""
        return sum(p.served.source_w for p in self.placed if p.served is not None)


@dataclass(frozen=True, slots=True)
class _Candidate:
    placed: tuple[Placed, ...]
    value: float
    total_w: float
    sharing: SharingBasis


def best_use(offer: Offer, devices: Sequence[Device]) -> Use:
    """The best assignment of devices to a charger's ports.

    For every set of ports whose powers are known, measured or by the maker's table, the best assignment to it is found;
    for all other sets, one under the budgets the maker states. The best of all is taken; of equals, the one that draws
    more power, then the one with fewer devices plugged in.
    """
    ports = tuple(port.id for port in offer.charger.ports)
    names = {port.id: port.connector for port in offer.charger.ports}

    def fits(device: Device, port: str) -> bool:
        return names[port] in device.connectors

    found: list[_Candidate] = [_empty(devices)]
    most = min(len(devices), len(ports))
    unknown: list[tuple[str, ...]] = []
    for size in range(1, most + 1):
        for occupied in combinations(ports, size):
            share = offer.shares.get(frozenset(occupied))
            if share is None and size > 1:
                unknown.append(occupied)
                continue
            power = dict.fromkeys(occupied, inf) if share is None else share.power_w
            found += _by_powers(offer, devices, occupied, power, _basis(share, size), fits)
    if unknown:
        known = any(len(occupied) > 1 for occupied in offer.shares)
        # without any known set one programme finds the best of all; else each unknown set needs its own
        for chosen in unknown if known else [ports]:
            found += _by_budgets(offer, devices, chosen, fits, all_ports=known)
    best = max(found, key=lambda c: (round(c.value, 9), round(c.total_w, 6), -sum(p.port != "" for p in c.placed)))
    return Use(
        best.placed,
        best.value,
        all(p.enough for p in best.placed),
        best.sharing,
        _interruptions(offer, best.placed),
    )


def _basis(share: Share | None, size: int) -> SharingBasis:
    if size == 1:
        return "alone"
    return "claimed table" if share is None or share.basis == "claimed" else share.basis


def _worth(device: Device, served: Served | None) -> float:
    if served is None or served.far_w < device.least_power_w * (1 - _CLOSE):
        return 0.0
    return device.priority * min(1.0, served.far_w / device.power_w)


def _place(device: Device, port: str, served: Served | None) -> Placed:
    enough = served is not None and served.far_w >= device.served_w * (1 - _CLOSE)
    return Placed(device, port, served, enough)


def _empty(devices: Sequence[Device]) -> _Candidate:
    return _Candidate(tuple(_place(d, "", None) for d in devices), 0.0, 0.0, "alone")


def _by_powers(
    offer: Offer,
    devices: Sequence[Device],
    occupied: tuple[str, ...],
    power_w: Mapping[str, float],
    basis: SharingBasis,
    fits: _Fits,
) -> list[_Candidate]:
    share = offer.shares.get(frozenset(occupied))
    modes = {p: (share.modes.get(p) if share is not None else None) or offer.modes[p] for p in occupied}
    served = [[serve(modes[p], d, power_w[p]) if fits(d, p) else None for p in occupied] for d in devices]
    value = np.array(
        [
            [_worth(d, s) if fits(d, p) and s is not None else -inf for p, s in zip(occupied, row, strict=True)]
            for d, row in zip(devices, served, strict=True)
        ]
    )
    power = np.array([[0.0 if s is None else s.source_w for s in row] for row in served])
    assignment = assign_to_powers(value, power)
    if assignment is None:
        return []
    return [_candidate(devices, occupied, assignment, lambda d, p: served[d][p], basis)]


def _by_budgets(
    offer: Offer, devices: Sequence[Device], occupied: tuple[str, ...], fits: _Fits, *, all_ports: bool
) -> list[_Candidate]:
    alone = [[serve(offer.modes[p], d) if fits(d, p) else None for p in occupied] for d in devices]
    shape = (len(devices), len(occupied))
    worth, most, least = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for d, device in enumerate(devices):
        for p in range(len(occupied)):
            full = alone[d][p]
            if full is None:
                continue
            # with less power the cable loses a smaller share: taking the share at full power is on the safe side
            ratio = full.far_w / full.source_w
            most[d, p], least[d, p] = full.source_w, device.least_power_w / ratio
            worth[d, p] = device.priority * ratio / device.power_w
    groups = [([k for k, p in enumerate(occupied) if p in group], watts) for group, watts in offer.budgets]
    assignment = assign_by_budgets(worth, most, least, groups, all_ports=all_ports)
    if assignment is None:
        return []

    def given(d: int, p: int) -> Served | None:
        full, power = alone[d][p], assignment.power_w[d]
        if full is not None and power >= full.source_w * (1 - _CLOSE):
            return full
        return serve(offer.modes[occupied[p]], devices[d], power)

    plugged = sum(p is not None for p in assignment.port)
    basis: SharingBasis = (
        "alone"
        if plugged <= 1
        else "measured budgets"
        if offer.budgets_basis == "measured"
        else "claimed budgets"
        if len(offer.budgets) > 1
        else "total only"
    )
    return [_candidate(devices, occupied, assignment, given, basis)]


def _candidate(
    devices: Sequence[Device], ports: tuple[str, ...], assignment: Assignment, given: _Given, basis: SharingBasis
) -> _Candidate:
    placed = []
    for d, (device, port) in enumerate(zip(devices, assignment.port, strict=True)):
        placed.append(_place(device, "", None) if port is None else _place(device, ports[port], given(d, port)))
    value = sum(_worth(p.device, p.served) for p in placed)
    total = sum(p.served.source_w for p in placed if p.served is not None)
    return _Candidate(tuple(placed), value, total, basis)


def _interruptions(offer: Offer, placed: Sequence[Placed]) -> tuple[Interruption, ...]:
    """For each two devices that are plugged in: what the second's plug does to the first."""
    plugged = [p for p in placed if p.port]
    everyone = frozenset(p.port for p in plugged)
    out = []
    for one in plugged:
        for other in plugged:
            if other is one:
                continue
            before, after = offer.shares.get(everyone - {other.port}), offer.shares.get(everyone)
            known = before is not None and after is not None
            if len(everyone) == 2 and before is None and after is not None:
                port = offer.charger.port(one.port)
                fixed = [output.power_w for output in port.fixed]
                first = port.power_w if port.power_w is not None else max(fixed, default=None)
                known, basis = first is not None, "claimed"
            else:
                first = before.power_w.get(one.port) if before is not None else None
                basis = (
                    "measured"
                    if known and before and after and "claimed" not in (before.basis, after.basis)
                    else "claimed"
                )
            out.append(
                Interruption(
                    one.device.name,
                    other.device.name,
                    first if known else None,
                    after.power_w.get(one.port) if known and after is not None else None,
                    basis if known else "",
                    _without_power_s(offer.figures, one.port, other.port),
                )
            )
    return tuple(out)


def _without_power_s(figures: Sequence[Figure], port: str, neighbour: str) -> float | None:
    """Longest measured time without power of a port when a neighbour was plugged in; unplugging is not counted."""
    times = [
        f.value
        for f in figures
        if (f.study, f.name) == ("negotiation", "time_without_power_s")
        and f.conditions.get("port") == port
        and f.conditions.get("neighbour") == neighbour
        and f.conditions.get("event", "plug") == "plug"
    ]
    return max(times, default=None)


def yearly_energy_kwh(offer: Offer, use: Use, *, mains_v: float | None = None) -> Measured | None:
    """Energy from the mains in a year [kWh]: devices charging together each day, nothing plugged in otherwise.

    The losses at each output power lie on straight lines between the powers at which they were measured; below the
    least of them, on the line to the no-load power. `None` when losses or no-load power were not measured at this
    mains voltage, or a power is beyond the measured ones.

    Parameters
    ----------
    offer, use
        The charger and what hangs on it.
    mains_v
        Mains voltage [V]; by default one at which both were measured, the higher of several.
    """
    losses = _losses(offer, use, mains_v)
    if losses is None:
        return None
    working = [p for p in use.placed if p.served is not None and p.device.hours_per_day > 0.0]
    ends = sorted({p.device.hours_per_day for p in working})
    parts: list[Measured] = []
    start = 0.0
    for end in ends:
        power = sum(p.served.source_w for p in working if p.served is not None and p.device.hours_per_day >= end)
        lost = _loss_at(losses, power)
        if lost is None:
            return None
        parts.append((lost + power) * (end - start))
        start = end
    parts.append(losses[0][1] * (24.0 - start))
    return sum_of(parts) * (_DAYS / 1000.0)


def _losses(offer: Offer, use: Use, mains_v: float | None) -> list[tuple[float, Measured]] | None:
    """Output power and loss, rising, from no load on."""
    idle = {
        f.conditions.number("mains_v"): measured_of(f)
        for f in offer.figures
        if (f.study, f.name) == ("standby", "no_load_power_w") and "mains_v" in f.conditions
    }
    powers: dict[tuple[float, str, str], dict[float, dict[str, Figure]]] = {}
    for figure in offer.figures:
        at = figure.conditions
        if figure.study != "efficiency" or figure.name not in ("loss_w", "delivered_power_w"):
            continue
        if "load_ratio" not in at or "mains_v" not in at or at.get("voltage_end") != "highest":
            continue
        kind = (at.number("mains_v"), str(at.get("ports")), str(at.get("contract")))
        powers.setdefault(kind, {}).setdefault(at.number("load_ratio"), {})[figure.name] = figure
    wanted = {p.port for p in use.placed if p.port}

    def suits(kind: tuple[float, str, str]) -> tuple[bool, int, float, str]:
        loaded = set(kind[1].split("+"))
        return (loaded == wanted, len(loaded & wanted), kind[0], kind[2])

    usable = [k for k in powers if k[0] in idle and (mains_v is None or abs(k[0] / mains_v - 1) < 0.05)]
    if not usable:
        return None
    kind = max(usable, key=suits)
    points = [
        (both["delivered_power_w"].value, measured_of(both["loss_w"]))
        for both in powers[kind].values()
        if len(both) == 2
    ]
    return [(0.0, idle[kind[0]]), *sorted(points, key=lambda point: point[0])]


def _loss_at(losses: Sequence[tuple[float, Measured]], power_w: float) -> Measured | None:
    for (p1, loss1), (p2, loss2) in pairwise(losses):
        if p1 <= power_w <= p2 * 1.02:  # the top load is set to a few tenths of a percent
            share = (power_w - p1) / (p2 - p1)
            return loss1 * (1.0 - share) + loss2 * share
    return losses[0][1] + exact(0.0) if power_w == 0.0 else None
