"""What a campaign needs for ripple: a slow and a fast capture at each load."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from brickbook.core.charger import Charger
from brickbook.core.outlets import Asked, contracts, end_contract, other_mains, strongest_port, sweep_mains
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.plateaus.rules import BENCH
from brickbook.studies.ripple.procedure import PROCEDURE

__all__ = ["tasks"]

_LOADS = (0.0, 0.1, 0.5, 1.0)
_SETTLE = Dwell(10.0, 60.0, BENCH.name)
_AGAIN = Dwell(0.0, 5.0)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """Captures port by port.

    short: the strongest port at its highest voltage, half and full load. standard: every port at its highest voltage,
    the strongest at its lowest as well, at no load, a tenth, half and full load; at the other mains supplies the
    strongest port at full load. full: every contract, port, load and mains supply.
    """
    return tuple(_captures(asked, mains, loads) for asked, mains, loads in _wanted(charger, settings, size))


def _wanted(charger: Charger, settings: Settings, size: Size) -> Iterator[tuple[Asked, Mains, Sequence[float]]]:
    first, strongest = sweep_mains(settings), strongest_port(charger)
    if size == "full":
        for mains in settings.mains:
            yield from ((asked, mains, _LOADS) for port in charger.ports for asked in contracts(port))
        return
    if size == "short":
        yield end_contract(strongest, "highest"), first, _LOADS[2:]
        return
    ends = dict.fromkeys(end_contract(strongest, end) for end in ("highest", "lowest"))
    yield from ((end_contract(port, "highest"), first, _LOADS) for port in charger.ports if port != strongest)
    yield from ((asked, first, _LOADS) for asked in ends)
    yield from ((asked, mains, _LOADS[-1:]) for mains in other_mains(settings) for asked in ends)


def _captures(asked: Asked, mains: Mains, loads: Sequence[float]) -> PlanTask:
    steps: list[PlanStep] = []
    for ratio in loads:
        drawn = (asked.at(ratio * asked.current_a),)
        at = {"load_ratio": ratio}
        steps.append(PlanStep(f"{100 * ratio:g} %, slow", drawn, _SETTLE, "ripple-slow", at))
        steps.append(PlanStep(f"{100 * ratio:g} %, fast", drawn, _AGAIN, "ripple-fast", at))
    return PlanTask(
        id=PlanTask.name_for(
            "ripple",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            port=asked.port,
            contract=asked.name,
            loads=" ".join(f"{ratio:g}" for ratio in loads),
        ),
        studies=("ripple",),
        title=f"Ripple of {asked.port} at {asked.name}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="captures",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=tuple(steps),
        conditions={"measured_at": "receptacle", "termination": "0.1 µF and 10 µF", "coupling": "ac"},
        by_hand=(
            f"With the charger unplugged, put 0.1 µF and 10 µF across the measuring point at {asked.port}.",
            f"Put the probe on {asked.port}: tip on the output, ring on the return, no ground lead.",
        ),
        cautions=PROCEDURE.every_caution,
        after=("identity", "modes"),
    )
