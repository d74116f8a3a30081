"""What a charger can give a device: its modes as measured, or as claimed where they were not, and how it shares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import inf
from typing import Literal

from brickbook.core.charger import Charger, Output
from brickbook.core.figure import Figure
from brickbook.library.delivery import Sink, VoltageCurve, deliver, measured_curve, steady_voltage
from brickbook.library.devices import Device

__all__ = ["Mode", "Offer", "Served", "Share", "offer_of", "serve"]

Basis = Literal["measured", "claimed"]
ShareBasis = Literal["measured", "measured groups", "claimed"]
_UNMARKED_A = 3.0  # what a cable without a marker carries (USB Type-C; from memory, high)
_CERTAIN = 0.95  # of the division into groups, as the sharing study tells it


@dataclass(frozen=True, slots=True)
class Mode:
    """One voltage, or range of voltages, of a port.

    Parameters
    ----------
    low_v, high_v
        Set voltage; equal for a fixed one [V].
    current_a
        Most current [A].
    curve
        Voltage over current where it was measured.
    basis
        "measured" where voltage over load was measured up to that current.
    words
        For people: "20 V, measured at 9 loads".
    """

    low_v: float
    high_v: float
    current_a: float
    curve: VoltageCurve | None
    basis: Basis
    words: str


@dataclass(frozen=True, slots=True)
class Share:
    """What each port has while a set of ports is in use.

    Parameters
    ----------
    power_w
        Port to its power [W].
    basis
        "measured" where this set was looked at, "measured groups" where each group of ports was, and the groups were
        found not to depend on each other, else the maker's table.
    modes
        Port to the modes it offered then; a port that is not in it has those it has alone, as far as its power goes.
    """

    power_w: Mapping[str, float]
    basis: ShareBasis
    modes: Mapping[str, tuple[Mode, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Offer:
    """A charger as devices see it.

    Parameters
    ----------
    charger
        What it is.
    modes
        Port to its modes.
    shares
        Ports in use to the power of each, where it was looked at or the maker says.
    budgets
        Ports that together have so much [W]; by the maker's word the nameplate's total is one of them.
    figures
        Of the charger.
    budgets_basis
        "measured" where the sharing study found them.
    """

    charger: Charger
    modes: Mapping[str, tuple[Mode, ...]]
    shares: Mapping[frozenset[str], Share]
    budgets: tuple[tuple[frozenset[str], float], ...]
    figures: Sequence[Figure] = field(default=(), repr=False)
    budgets_basis: Basis = "claimed"


@dataclass(frozen=True, slots=True)
class Served:
    """What a device gets at a port.

    Parameters
    ----------
    far_w, source_w
        At the device, and at the port [W].
    far_v
        Voltage at the device [V].
    mode
        Which mode.
    u_far_w
        Standard uncertainty of `far_w` [W]; 0 where the voltage was not measured, or the device's own wish is met.
    """

    far_w: float
    source_w: float
    far_v: float
    mode: Mode
    u_far_w: float = 0.0


def offer_of(charger: Charger, figures: Sequence[Figure]) -> Offer:
    """What a charger offers, from its claims and its figures.

    Measured figures go before claims: voltage over load (regulation), current and power offered with other ports in use
    (modes), groups of ports and their budgets (sharing). Where only the maker speaks, the basis says so.
    """
    modes = {
        port.id: tuple(_mode(port.id, output, figures) for output in port.outputs if port.connector)
        for port in charger.ports
    }
    shares: dict[frozenset[str], Share] = {
        frozenset(line.ports): Share(dict(zip(line.ports, line.power_w, strict=True)), "claimed")
        for line in charger.sharing
    }
    seen = _looked_at(charger, figures)
    groups = _groups(charger, figures)
    shares |= _by_groups(charger, groups, seen)
    shares |= seen
    if groups:
        return Offer(charger, modes, shares, tuple(groups.items()), figures, "measured")
    stated = [(frozenset(budget.ports), budget.power_w) for budget in charger.budgets]
    everything = (frozenset(port.id for port in charger.ports), charger.nameplate.total_power_w)
    return Offer(charger, modes, shares, (*stated, everything), figures)


def _looked_at(charger: Charger, figures: Sequence[Figure]) -> dict[frozenset[str], Share]:
    """Sets of ports of which every port's offer was seen."""
    powers: dict[frozenset[str], dict[str, float]] = {}
    for figure in figures:
        if (figure.study, figure.name) == ("modes", "offered_power_w") and "occupied" in figure.conditions:
            occupied = frozenset(str(figure.conditions["occupied"]).split("+"))
            powers.setdefault(occupied, {})[str(figure.conditions["port"])] = figure.value
    return {
        occupied: Share(power, "measured", {port: _modes_beside(charger, port, occupied, figures) for port in power})
        for occupied, power in powers.items()
        if occupied == set(power) and occupied <= {port.id for port in charger.ports}
    }


def _modes_beside(charger: Charger, port: str, occupied: frozenset[str], figures: Sequence[Figure]) -> tuple[Mode, ...]:
    """The modes a port offered with these ports in use; one it did not offer then is none, and () is not known."""
    outputs = charger.port(port).outputs
    fixed = [
        _mode(port, output, figures, occupied)
        for output in outputs
        if output.voltage_v is not None
        and _value(figures, ("modes", "offered_current_a"), port, output.voltage_v, occupied=occupied) is not None
    ]
    # of a range only the power is known to have been offered: it is held to that
    ranges = [_mode(port, output, figures) for output in outputs if output.voltage_v is None]
    return (*fixed, *ranges) if fixed else ()


def _groups(charger: Charger, figures: Sequence[Figure]) -> dict[frozenset[str], float]:
    """Groups of ports that share, with their budgets [W], where the sharing study is sure and has placed every port."""
    sure = any(
        (f.study, f.name) == ("sharing", "groups_certainty_ratio") and f.value >= _CERTAIN and not f.flags
        for f in figures
    )
    found = {
        frozenset(str(f.conditions["group"]).split("+")): f.value
        for f in figures
        if (f.study, f.name) == ("sharing", "group_budget_w") and not f.flags
    }
    placed = [port for group in found for port in group]
    return found if sure and sorted(placed) == sorted(port.id for port in charger.ports) else {}


def _by_groups(
    charger: Charger, groups: Mapping[frozenset[str], float], seen: Mapping[frozenset[str], Share]
) -> dict[frozenset[str], Share]:
    """Sets of ports put together from groups that do not depend on each other and were each looked at."""
    ports = tuple(port.id for port in charger.ports)
    out: dict[frozenset[str], Share] = {}
    for size in range(2, len(ports) + 1) if groups else ():
        for some in combinations(ports, size):
            wanted = frozenset(some)
            power: dict[str, float] = {}
            modes: dict[str, tuple[Mode, ...]] = {}
            for group in groups:
                here = group & wanted
                witness = next((s for occupied, s in seen.items() if here and occupied & group == here), None)
                if witness is not None:
                    power |= {port: witness.power_w[port] for port in here}
                    modes |= {port: witness.modes[port] for port in here}
            if set(power) == wanted:
                out[wanted] = Share(power, "measured groups", modes)
    return out


def serve(modes: Sequence[Mode], device: Device, cap_w: float = inf) -> Served | None:
    """The most a device gets from a port whose power is capped [W]; `None` when no mode suits it.

    In each mode the current is limited by the charger, the cap over the set voltage, the cable and the device. A device
    that cannot have its power takes what its limit lets through. Of equal powers the higher voltage is taken.
    """
    best: Served | None = None
    for mode in modes:
        found = _in_mode(mode, device, cap_w)
        if found is not None and (best is None or (found.far_w, found.far_v) > (best.far_w + 1e-9, best.far_v)):
            best = found
    return best


def _in_mode(mode: Mode, device: Device, cap_w: float) -> Served | None:
    if mode.low_v == mode.high_v:
        volts = mode.high_v
        if not device.least_voltage_v - 1e-9 <= volts <= device.most_voltage_v + 1e-9:
            return None
    else:
        volts = min(mode.high_v, device.most_voltage_v)
        if not device.programmable or volts < max(mode.low_v, device.least_voltage_v):
            return None
    curve = mode.curve or steady_voltage(volts)
    rating = device.cable.rating_a if device.cable is not None else _UNMARKED_A
    limit = min(mode.current_a, cap_w / volts, rating, device.current_a or inf, curve.most_a)
    if limit <= 0.0:
        return None
    loop = device.cable.cable().loop if device.cable is not None else 0.0
    found = deliver(curve, loop, Sink(device.power_w, limit, device.minimum_v))
    if found.state == "none":
        found = deliver(curve, loop, Sink(None, limit, device.minimum_v))
    if found.state not in ("full", "limited") or found.far_end_w is None:
        return None
    assert found.source_w is not None
    assert found.far_end_v is not None
    return Served(
        float(found.far_end_w.value),
        float(found.source_w.value),
        float(found.far_end_v.value),
        mode,
        float(found.far_end_w.u),
    )


def _mode(port: str, output: Output, figures: Sequence[Figure], occupied: frozenset[str] | None = None) -> Mode:
    if output.voltage_v is None:
        assert output.min_voltage_v is not None
        assert output.max_voltage_v is not None
        words = f"{output.kind} {output.min_voltage_v:g} to {output.max_voltage_v:g} V, claimed"
        return Mode(output.min_voltage_v, output.max_voltage_v, output.current_a, None, "claimed", words)
    volts, current = output.voltage_v, output.current_a
    offered = _value(figures, ("modes", "offered_current_a"), port, volts, occupied=occupied or frozenset((port,)))
    said = "claimed"
    if offered is not None:
        current, said = offered, "offered"
    curve = measured_curve(figures, port, volts)
    if curve is None:
        return Mode(volts, volts, current, None, "claimed", f"{volts:g} V, {current:g} A {said}, voltage not measured")
    held = _value(figures, ("regulation", "regulated_current_a"), port, volts)
    if held is not None and held < current:
        words = f"{volts:g} V, measured to fall 5 % at {held:.3g} A of {current:g} A {said}"
        return Mode(volts, volts, min(held, current), curve, "measured", words)
    if curve.most_a < 0.98 * current:  # loads are set to a few tenths of a percent
        words = f"{volts:g} V, measured up to {curve.most_a:.3g} A of {current:g} A {said}"
        return Mode(volts, volts, min(current, curve.most_a), curve, "measured", words)
    return Mode(volts, volts, current, curve, "measured", f"{volts:g} V, measured at {len(curve.current_a)} loads")


def _value(
    figures: Sequence[Figure],
    which: tuple[str, str],
    port: str,
    output_v: float,
    *,
    occupied: frozenset[str] | None = None,
) -> float | None:
    """Smallest value of a figure of this port at this fixed voltage; the cautious one where several were found."""
    found = []
    for figure in figures:
        at = figure.conditions
        if (figure.study, figure.name) != which or at.get("port") != port or "output_v" not in at:
            continue
        if (
            at.get("output_kind", "fixed") not in ("fixed", "legacy")
            or abs(at.number("output_v") / output_v - 1) > 0.01
        ):
            continue
        if occupied is not None and frozenset(str(at.get("occupied", port)).split("+")) != occupied:
            continue
        found.append(figure.value)
    return min(found, default=None)
