"""What a campaign needs for the modes on offer: every port alone, and ports together, in one observation sheet.

The sharing study reads the same sheet.
"""

from __future__ import annotations

from collections.abc import Iterator

from brickbook.core.charger import Charger
from brickbook.core.outlets import Asked, end_contract, least_plugging, port_combinations, sweep_mains
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Settings
from brickbook.studies.modes.procedure import PROCEDURE
from brickbook.usbpd import required_fixed_supplies

__all__ = ["tasks"]

_OFFERS = Dwell(10.0, 10.0)  # no new capabilities for ten seconds (common practice, no source)
_DRAW = Dwell(60.0, 60.0)
_MANY = 6  # ports; beyond, all combinations are too many
_SPR_W, _MOST_W = 100.0, 240.0  # USB PD: without extended power range, and with it


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """One sheet at one mains supply.

    short: every port alone, and all together. standard: also pairs, of ports that are alike one pair; and each port
    alone at its highest voltage and nameplate current for a minute. full: also every other combination, and each pair
    plugged in both orders.
    """
    mains = sweep_mains(settings)
    together, note = _combinations(charger, size)
    steps: list[PlanStep] = []
    for ports in least_plugging(together):
        steps.append(_offered(charger, ports))
        if len(ports) == 1 and size != "short":
            top = end_contract(charger.port(ports[0]), "highest")
            steps.append(PlanStep(f"{ports[0]} at {top.name}, full load", (top.at(top.current_a),), _DRAW))
    if size == "full":
        for one, other in (ports for ports in together if len(ports) == 2):
            steps += [_offered(charger, (other,)), _offered(charger, (one, other), last=one)]
            steps += [_offered(charger, (one,)), _offered(charger, (one, other), last=other)]
    return (
        PlanTask(
            id=PlanTask.name_for(
                "modes",
                mains_v=mains.voltage_v,
                mains_hz=mains.frequency_hz,
                together=" ".join(map("+".join, together)),
            ),
            studies=("modes", "sharing") if len(charger.ports) > 1 else ("modes",),
            title="What each port offers, alone and with others in use",
            kind="offers",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            steps=tuple(steps),
            by_hand=("Use cables marked for 5 A, and for extended power where a port is said to have it.",),
            cautions=PROCEDURE.every_caution,
            after=("identity",),
            note=" ".join(filter(None, (note, *_unclaimed(charger)))),
        ),
    )


def _combinations(charger: Charger, size: Size) -> tuple[tuple[tuple[str, ...], ...], str]:
    count = len(charger.ports)
    # each port alone, also of ports that are alike: what is printed alike may be built otherwise
    alone, _ = port_combinations(charger, [1], prune=False)
    if count == 1:
        return alone, ""
    if size == "full":
        more, left = port_combinations(charger, range(2, count + 1), prune=count > _MANY)
    else:
        more, left = port_combinations(charger, [count] if size == "short" else [2, count])
    note = f"Left out, as nothing printed tells them apart: {'; '.join(left)}." if left else ""
    return (*alone, *more), note


def _unclaimed(charger: Charger) -> Iterator[str]:
    """Fixed supplies that the USB PD power rules ask of a port and its maker does not claim: look for them."""
    for port in charger.ports:
        fixed = [output for output in port.outputs if output.kind == "fixed"]
        rated_w = port.power_w or max((output.power_w for output in fixed), default=0.0)
        if not fixed or not 0 < rated_w <= _MOST_W:
            continue
        claimed = {round(output.top_voltage_v, 2) for output in fixed}
        lacking = [s for s in required_fixed_supplies(rated_w, epr=rated_w > _SPR_W) if s.voltage_v not in claimed]
        if lacking:
            words = ", ".join(f"{supply.voltage_v:g} V {supply.current_a:g} A" for supply in lacking)
            yield f"{port.id}: the USB PD power rules ask {words} of {rated_w:g} W as well, which is not claimed."


def _offered(charger: Charger, ports: tuple[str, ...], last: str = "") -> PlanStep:
    settings = tuple(_first(charger, port).at(0.0) for port in ports)
    return PlanStep(f"{'+'.join(ports)}{f', {last} last' if last else ''}", settings, _OFFERS)


def _first(charger: Charger, port: str) -> Asked:
    return end_contract(charger.port(port), "lowest")
