"""What can be asked of a charger's ports: contracts to test, full load, and which ports are in use together.

Studies plan their tasks with these, so that all of them speak of the same loads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from brickbook.core.charger import Charger, Output, Port
from brickbook.core.plan import PortSetting
from brickbook.core.study import Mains, Settings

__all__ = [
    "Asked",
    "alike_ports",
    "contract_name",
    "contracts",
    "derated_a",
    "end_contract",
    "full_load_a",
    "least_plugging",
    "other_mains",
    "port_combinations",
    "settings_for",
    "stands_for",
    "strongest_port",
    "sweep_mains",
]

_PPS_ENDS_V = (3.3, 5.9, 11.0, 16.0, 21.0)  # ends of the programmable ranges (USB Power Delivery R3.x)
_AVS_STEP_V = 0.1


@dataclass(frozen=True, slots=True)
class Asked:
    """One contract asked of one port.

    Parameters
    ----------
    port
        Id.
    name
        As the index of raw files writes it: "20 V", "PPS 11 V", "AVS 28 V", "legacy 5 V".
    voltage_v, current_a
        Set voltage [V] and nameplate current there [A].
    kind
        Of the output.
    """

    port: str
    name: str
    voltage_v: float
    current_a: float
    kind: str

    def at(self, current_a: float) -> PortSetting:
        """The port at this contract with a current [A], rounded to 0.1 mA."""
        return PortSetting(self.port, self.name, round(current_a, 4))


def contract_name(kind: str, voltage_v: float) -> str:
    """A contract as the index of raw files writes it."""
    words = {"fixed": "", "legacy": "legacy ", "pps": "PPS ", "spr-avs": "AVS ", "epr-avs": "AVS "}
    return f"{words[kind]}{voltage_v:g} V"


def contracts(port: Port, *, middle: bool = True) -> tuple[Asked, ...]:
    """Contracts of a port that are worth a reading: every set voltage, and adjustable ranges at their ends and middle.

    The middle of a PPS range is the end of another programmable range (5.9, 11, 16 V) next to the true middle, where
    one lies inside; of an AVS range the true middle.

    Parameters
    ----------
    port
        Claims.
    middle
        Whether adjustable ranges are looked at in the middle as well.
    """
    found: dict[str, Asked] = {}
    for output in sorted(port.outputs, key=lambda o: (o.voltage_v is None, o.top_voltage_v)):
        for voltage in _voltages(output, middle=middle):
            asked = Asked(port.id, contract_name(output.kind, voltage), voltage, output.current_a, output.kind)
            known = found.get(asked.name)
            if known is None or known.current_a < asked.current_a:
                found[asked.name] = asked
    return tuple(found.values())


def _voltages(output: Output, *, middle: bool) -> tuple[float, ...]:
    if output.voltage_v is not None:
        return (output.voltage_v,)
    low, high = output.min_voltage_v, output.max_voltage_v
    assert low is not None
    assert high is not None
    if low == high:
        return (low,)
    if not middle:
        return (low, high)
    half = round((low + high) / 2 / _AVS_STEP_V) * _AVS_STEP_V
    inside = [v for v in _PPS_ENDS_V if low < v < high] if output.kind == "pps" else []
    between = min(inside, key=lambda v: abs(v - half)) if inside else round(half, 3)
    return (low, between, high)


def end_contract(port: Port, end: str) -> Asked:
    """The contract at the "highest" or "lowest" nameplate voltage of a port.

    Set voltages count; a port that has only adjustable ranges is asked for the end of these.
    """
    offered = contracts(port, middle=False)
    fixed = [asked for asked in offered if asked.kind in ("fixed", "legacy")] or list(offered)
    return max(fixed, key=lambda a: a.voltage_v) if end == "highest" else min(fixed, key=lambda a: a.voltage_v)


def derated_a(
    charger: Charger, volts: Mapping[str, float], amps: Mapping[str, float]
) -> tuple[dict[str, float], float, bool]:
    """Currents of ports loaded together [A], the factor of the whole supply's power, and whether a budget took part.

    A budget that is smaller than the whole supply binds first, then the supply's own total; each reduces its ports in
    the same proportion (10 CFR 430 Subpart B Appendix Z 5(b)(1)(iv), 6(b)(1)(iv)).

    Parameters
    ----------
    charger
        Claims.
    volts, amps
        Voltage [V] and nameplate current [A] of each port in use.
    """
    factors = dict.fromkeys(volts, 1.0)
    grouped = False
    if len(volts) > 1:
        for budget in charger.budgets:
            members = [p for p in volts if p in budget.ports]
            total = sum(volts[p] * amps[p] for p in members)
            if total > budget.power_w and len(budget.ports) < len(charger.ports):
                grouped = True
                for port in members:
                    factors[port] *= budget.power_w / total
    whole = sum(volts[p] * amps[p] * factors[p] for p in volts)
    derating = min(1.0, charger.nameplate.total_power_w / whole)
    return {p: amps[p] * factors[p] * derating for p in volts}, derating, grouped


def full_load_a(charger: Charger, asked: Sequence[Asked]) -> dict[str, float]:
    """Current of each port [A] when these contracts are loaded together to all that the maker promises."""
    return derated_a(charger, {a.port: a.voltage_v for a in asked}, {a.port: a.current_a for a in asked})[0]


def settings_for(asked: Sequence[Asked], current_a: Mapping[str, float], ratio: float = 1.0) -> tuple[PortSetting, ...]:
    """The contracts with a share of the given currents."""
    return tuple(a.at(ratio * current_a[a.port]) for a in asked)


def strongest_port(charger: Charger, *, pd: bool = False) -> Port:
    """The port with the most nameplate power, the first of equals; where `pd`, one that speaks USB PD if there is."""
    return max(charger.ports, key=lambda port: (pd and port.is_pd, max(output.power_w for output in port.outputs)))


def sweep_mains(settings: Settings) -> Mains:
    """The supply for readings of the output side that are taken at one supply only: the one of the highest voltage.

    The charger has the least to do there, so that what is seen is the output's own.
    """
    return max(settings.mains, key=lambda m: m.voltage_v)


def other_mains(settings: Settings) -> tuple[Mains, ...]:
    """The supplies beside `sweep_mains`."""
    first = sweep_mains(settings)
    return tuple(mains for mains in settings.mains if mains != first)


def least_plugging(combinations_: Sequence[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    """Combinations of ports in an order with few plugs between neighbours: always the nearest one next."""
    left = list(combinations_)
    ordered: list[tuple[str, ...]] = []
    here: frozenset[str] = frozenset()
    while left:
        following = min(left, key=lambda c: len(here ^ frozenset(c)))
        left.remove(following)
        ordered.append(following)
        here = frozenset(following)
    return tuple(ordered)


def alike_ports(charger: Charger) -> tuple[tuple[str, ...], ...]:
    """Ports that nothing the maker prints tells apart, together: same outputs, power, budgets and sharing lines.

    Two ports are alike when swapping them leaves every claim as it is.
    """
    groups: list[list[str]] = []
    for port in charger.ports:
        for group in groups:
            if _alike(charger, charger.port(group[0]), port):
                group.append(port.id)
                break
        else:
            groups.append([port.id])
    return tuple(tuple(group) for group in groups)


def _alike(charger: Charger, one: Port, other: Port) -> bool:
    same = (one.connector, sorted(map(repr, one.outputs)), one.power_w) == (
        other.connector,
        sorted(map(repr, other.outputs)),
        other.power_w,
    )
    if not same:
        return False
    swap = {one.id: other.id, other.id: one.id}

    def swapped(ids: Sequence[str]) -> frozenset[str]:
        return frozenset(swap.get(i, i) for i in ids)

    budgets = sorted((sorted(b.ports), b.power_w) for b in charger.budgets)
    lines = sorted(sorted(zip(s.ports, s.power_w, strict=True)) for s in charger.sharing)
    return budgets == sorted((sorted(swapped(b.ports)), b.power_w) for b in charger.budgets) and lines == sorted(
        sorted((swap.get(p, p), w) for p, w in zip(s.ports, s.power_w, strict=True)) for s in charger.sharing
    )


def port_combinations(
    charger: Charger, how_many: Sequence[int], *, prune: bool = True
) -> tuple[tuple[tuple[str, ...], ...], tuple[str, ...]]:
    """Which ports to use together, and what was left out.

    Parameters
    ----------
    charger
        Claims.
    how_many
        Numbers of ports in use.
    prune
        Whether of combinations that only swap ports that are alike one is enough.

    Returns
    -------
    tuple
        Combinations, in the order of `how_many` and of the charger's ports; and for each that was left out the words
        "C3 like C2".
    """
    ids = [port.id for port in charger.ports]
    place = {port: k for k, port in enumerate(ids)}
    groups = alike_ports(charger)
    kept: list[tuple[str, ...]] = []
    left: list[str] = []
    for count in dict.fromkeys(how_many):
        every = tuple(combinations(ids, count)) if 0 < count <= len(ids) else ()
        if not prune:
            kept += every
            continue
        chosen: dict[tuple[int, ...], tuple[str, ...]] = {}
        for together in every:
            key = tuple(sum(port in together for port in group) for group in groups)
            if key in chosen:
                left.append(f"{'+'.join(together)} like {'+'.join(chosen[key])}")
            else:
                chosen[key] = together
        kept += chosen.values()
    return tuple(tuple(sorted(c, key=place.__getitem__)) for c in kept), tuple(left)


def stands_for(charger: Charger, together: Sequence[str]) -> str:
    """Words that say which combinations nothing printed tells from this one; empty where there is none."""
    groups = alike_ports(charger)
    here = tuple(sum(port in together for port in group) for group in groups)
    like = [
        "+".join(other)
        for other in combinations([port.id for port in charger.ports], len(together))
        if tuple(sum(port in other for port in group) for group in groups) == here and set(other) != set(together)
    ]
    return f"Stands for {', '.join(like)} as well: nothing printed tells them apart." if like else ""
