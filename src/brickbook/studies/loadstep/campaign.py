"""What a campaign needs for load steps: captures of a port while its load steps up and down."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from brickbook.core.charger import Charger
from brickbook.core.outlets import Asked, contracts, end_contract, other_mains, strongest_port, sweep_mains
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.plateaus.rules import BENCH
from brickbook.studies.loadstep.procedure import PROCEDURE

__all__ = ["tasks"]

_STEPS = ((0.1, 0.9), (0.25, 0.75), (0.0, 0.5))
_SETTLE = Dwell(5.0, 60.0, BENCH.name)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """Steps of 10 to 90, 25 to 75 and 0 to 50 % of the nameplate current.

    short: the strongest port at its highest voltage, 10 to 90 %. standard: every port at its highest voltage at one
    mains supply, the strongest at the others as well. full: every contract at one supply, the highest at the others.
    """
    return tuple(_captures(asked, mains, steps) for asked, mains, steps in _wanted(charger, settings, size))


def _wanted(
    charger: Charger, settings: Settings, size: Size
) -> Iterator[tuple[Asked, Mains, Sequence[tuple[float, float]]]]:
    first = sweep_mains(settings)
    highest = {port.id: end_contract(port, "highest") for port in charger.ports}
    strongest = strongest_port(charger).id
    if size == "short":
        yield highest[strongest], first, _STEPS[:1]
        return
    some = [asked for port in charger.ports for asked in contracts(port)] if size == "full" else list(highest.values())
    yield from ((asked, first, _STEPS) for asked in some)
    others = list(highest.values()) if size == "full" else [highest[strongest]]
    yield from ((asked, mains, _STEPS) for mains in other_mains(settings) for asked in others)


def _captures(asked: Asked, mains: Mains, steps: Sequence[tuple[float, float]]) -> PlanTask:
    full = asked.current_a
    return PlanTask(
        id=PlanTask.name_for(
            "loadstep",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            port=asked.port,
            contract=asked.name,
            steps=len(steps),
        ),
        studies=("loadstep",),
        title=f"Load steps of {asked.port} at {asked.name}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="captures",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=tuple(
            PlanStep(
                f"{100 * low:g} to {100 * high:g} %",
                (asked.at(low * full),),
                _SETTLE,
                "load-step",
                {"step_low_a": round(low * full, 4), "step_high_a": round(high * full, 4)},
            )
            for low, high in steps
        ),
        conditions={"measured_at": "receptacle"},
        by_hand=(
            f"Put a voltage probe on {asked.port} at the receptacle, its ground on the output's return only.",
            f"Put a current probe or a shunt into the load's line at {asked.port}.",
        ),
        cautions=PROCEDURE.every_caution,
        after=("identity", "modes"),
    )
