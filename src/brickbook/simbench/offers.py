"""What each port offers: outputs as PDOs within a power, and how a shared budget is divided.

Division (assumed for the example; makers publish tables, not rules): where the maker's table has a line for exactly the
ports in use, that line. Else every port in use first gets its part of each budget it belongs to, in proportion to its
own nameplate power and never more than that, and what one does not need the others share likewise.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from brickbook.core.charger import Output
from brickbook.simbench.charger import SimCharger, SimPort
from brickbook.usbpd import EprAvsSourcePdo, FixedSourcePdo, PpsSourcePdo, SprAvsSourcePdo

__all__ = ["Offer", "allotments", "legacy_modes", "port_offers"]

_SPR_OBJECTS = 7


@dataclass(frozen=True, slots=True)
class Offer:
    """One place in the list of a port's capabilities.

    Parameters
    ----------
    position
        From 1; extended power range begins at 8.
    word
        PDO; 0 for an empty place.
    kind
        As in `core.charger.Output`; "" for an empty place.
    min_v, max_v
        Both the set voltage for a fixed supply [V].
    current_a
        Most current [A]; of an EPR AVS supply at its highest voltage.
    power_w
        Most power of an EPR AVS supply, else 0 [W].
    """

    position: int
    word: int
    kind: str
    min_v: float = 0.0
    max_v: float = 0.0
    current_a: float = 0.0
    power_w: float = 0.0

    def limit_a(self, volts: float) -> float:
        """Most current at a voltage [A]."""
        return min(5.0, self.power_w / volts) if self.power_w else self.current_a


def allotments(
    charger: SimCharger, in_use: Collection[str], fold: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Power each port may offer [W].

    Parameters
    ----------
    charger
        Ports, budgets and the maker's table.
    in_use
        Ports with a device.
    fold
        Part of its power that heat leaves a port, where below 1.

    Returns
    -------
    dict
        Power of each port [W]; a port not in use has what it would offer if it joined the others.
    """
    result: dict[str, float] = {}
    used = set(in_use)
    shares = _divide(charger, used)
    for port in charger.ports:
        watts = shares[port.id] if port.id in used else _divide(charger, used | {port.id})[port.id]
        result[port.id] = watts * (fold or {}).get(port.id, 1.0)
    return result


def _divide(charger: SimCharger, used: set[str]) -> dict[str, float]:
    for line in charger.sharing:
        if set(line.ports) == used:
            return dict(zip(line.ports, line.power_w, strict=True))
    watts = {port.id: port.nameplate_w for port in charger.ports if port.id in used}
    for budget in charger.budgets:
        members = [port for port in budget.ports if port in watts]
        watts.update(_fill({port: watts[port] for port in members}, budget.power_w))
    return watts


def _fill(wishes: Mapping[str, float], total_w: float) -> dict[str, float]:
    """A total divided in proportion to wishes; nobody gets more than its wish."""
    whole = sum(wishes.values())
    if whole <= total_w or whole == 0.0:
        return dict(wishes)
    return {port: wish * total_w / whole for port, wish in wishes.items()}


def port_offers(
    port: SimPort, limit_w: float, *, epr: bool = False, revision: int = 3, limit_a: float = 5.0
) -> tuple[Offer, ...]:
    """The capabilities of a port held within a power.

    Parameters
    ----------
    port
        Its outputs.
    limit_w
        Most power of any offer [W].
    epr
        Whether extended power range has been entered: places beyond the seventh follow.
    revision
        USB PD revision of the charger; 2 has fixed supplies only.
    limit_a
        Most current of any offer, 3 A over a cable without a marker [A].
    """
    offers: list[Offer] = []
    can_epr = revision == 3 and any(_is_epr(output) for output in port.outputs)
    ordered = sorted(
        (replace(o, current_a=min(o.current_a, limit_a)) for o in port.outputs if o.kind != "legacy"),
        key=lambda o: (("fixed", "pps", "spr-avs", "epr-avs").index(o.kind), o.top_voltage_v),
    )
    for output in ordered:
        if _is_epr(output) or (revision == 2 and output.kind != "fixed") or len(offers) == _SPR_OBJECTS:
            continue
        offers.append(_offer(len(offers) + 1, output, limit_w, epr_capable=can_epr and not offers))
    if epr and can_epr:
        offers += [Offer(k, 0, "") for k in range(len(offers) + 1, _SPR_OBJECTS + 1)]
        for output in ordered:
            if _is_epr(output) and output.top_voltage_v * min(output.current_a, 1.0) <= limit_w:
                offers.append(_offer(len(offers) + 1, output, limit_w))
    return tuple(offers)


def _is_epr(output: Output) -> bool:
    return output.kind == "epr-avs" or (output.kind == "fixed" and output.top_voltage_v > 20.0)


def _offer(position: int, output: Output, limit_w: float, *, epr_capable: bool = False) -> Offer:
    top = output.top_voltage_v
    amps = min(output.current_a, limit_w / top)
    if output.kind == "fixed":
        amps = _down(amps, 100)
        first = position == 1
        word = FixedSourcePdo.from_si(top, amps, unconstrained_power=first, epr_capable=epr_capable).encode()
        return Offer(position, word, "fixed", top, top, amps)
    low = output.min_voltage_v
    assert low is not None
    if output.kind == "pps":
        amps = _down(amps, 20)
        return Offer(position, PpsSourcePdo.from_si(low, top, amps).encode(), "pps", low, top, amps)
    if output.kind == "spr-avs":
        amps = _down(amps, 100)
        word = SprAvsSourcePdo.from_si(amps, amps if top > 15.0 else 0.0).encode()
        return Offer(position, word, "spr-avs", low, top, amps)
    watts = float(int(min(output.power_w, limit_w) + 1e-9))
    return Offer(position, EprAvsSourcePdo.from_si(low, top, watts).encode(), "epr-avs", low, top, amps, watts)


def _down(amps: float, steps_per_a: int) -> float:
    """Current rounded down to a whole step [A]."""
    return int(round(amps * steps_per_a, 6)) / steps_per_a


def legacy_modes(port: SimPort, limit_w: float) -> Sequence[tuple[float, float]]:
    """Older modes of a port: pairs (voltage [V], current [A]) by rising voltage, held within a power."""
    modes = sorted((o.top_voltage_v, o.current_a) for o in port.outputs if o.kind == "legacy")
    return [(volts, min(amps, limit_w / volts)) for volts, amps in modes]
