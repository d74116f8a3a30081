"""What a campaign needs for V(I): a sweep of each contract of each port."""

from __future__ import annotations

from dataclasses import replace

from brickbook.core.charger import Charger
from brickbook.core.outlets import Asked, alike_ports, contracts, end_contract, stands_for, sweep_mains
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.plateaus.rules import BENCH
from brickbook.studies.regulation.procedure import PROCEDURE

__all__ = ["tasks"]

_EIGHTHS = tuple(k / 8 for k in range(9))
_FEW = (1.0, 0.5, 0.1)
_DWELL = Dwell(15.0, 60.0, BENCH.name)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """V(I) of every contract, one port at a time.

    short: the highest and lowest voltage of one of each kind of port, at three loads. standard: every contract of every
    port in steps of an eighth, at one mains supply. full: at each mains supply.
    """
    if size == "short":
        chosen = [charger.port(group[0]) for group in alike_ports(charger)]
        ends = [dict.fromkeys(end_contract(port, end) for end in ("highest", "lowest")) for port in chosen]
        few = [_sweep(asked, sweep_mains(settings), _FEW) for some in ends for asked in some]
        return tuple(replace(task, note=stands_for(charger, [task.steps[0].ports[0].port])) for task in few)
    supplies = settings.mains if size == "full" else (sweep_mains(settings),)
    every = [asked for port in charger.ports for asked in contracts(port)]
    return tuple(_sweep(asked, mains, _EIGHTHS) for mains in supplies for asked in every)


def _sweep(asked: Asked, mains: Mains, ratios: tuple[float, ...]) -> PlanTask:
    return PlanTask(
        id=PlanTask.name_for(
            "regulation",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            port=asked.port,
            contract=asked.name,
            loads=len(ratios),
        ),
        studies=("regulation",),
        title=f"V(I) of {asked.port} at {asked.name}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="log",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=tuple(PlanStep(f"{100 * r:g} %", (asked.at(r * asked.current_a),), _DWELL) for r in ratios),
        interval_s=0.5,
        conditions={"measured_at": "receptacle", "output_kind": asked.kind},
        cautions=PROCEDURE.every_caution,
        after=("identity", "modes"),
    )
