"""What a campaign needs for switching on and off: captures from cold, from warm, and of mains going under load."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.conditions import Scalar
from brickbook.core.outlets import Asked, end_contract, strongest_port
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.studies.inrush.procedure import PROCEDURE

__all__ = ["tasks"]

# half an hour, five minutes, two seconds, ten shots: common practice, no source
_COLD_S = 1800.0
_WARM_S = 300.0
_SHOTS = 10
_SHOT = Dwell(2.0, 2.0)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """Captures at the strongest port, at each mains supply.

    short: none. standard: one switching on from cold, ten from warm and ten off, at whatever phase of the mains they
    meet. full: three from cold, each after half an hour of rest.
    """
    if size == "short":
        return ()
    port = strongest_port(charger)
    low, high = end_contract(port, "lowest"), end_contract(port, "highest")
    made: list[PlanTask] = []
    for mains in settings.mains:
        made += [_cold(low, mains, number) for number in range(1, (3 if size == "full" else 1) + 1)]
        made += [_warm(low, high, mains), _off(high, mains)]
    return tuple(made)


def _cold(asked: Asked, mains: Mains, number: int) -> PlanTask:
    again = f", shot {number}" if number > 1 else ""
    return _task(
        f"Switching on from cold{again}",
        mains,
        (PlanStep("switched on", (asked.at(0.0),), _SHOT, "switch-on"),),
        {"start": "cold"},
        rest_s=_COLD_S,
        what={"port": asked.port, "start": "cold", "shot": number},
    )


def _warm(low: Asked, high: Asked, mains: Mains) -> PlanTask:
    shots = (PlanStep(f"switched on, shot {k}", (low.at(0.0),), _SHOT, "switch-on") for k in range(1, _SHOTS + 1))
    return _task(
        "Switching on from warm",
        mains,
        (PlanStep("warm-up at full load", (high.at(high.current_a),), Dwell(_WARM_S, _WARM_S)), *shots),
        # the contract is that of the shots: a source begins with its lowest
        {"start": "warm", "port": low.port},
        what={"port": low.port, "start": "warm", "shots": _SHOTS},
    )


def _off(asked: Asked, mains: Mains) -> PlanTask:
    drawn = (asked.at(asked.current_a),)
    shots = (PlanStep(f"switched off, shot {k}", drawn, _SHOT, "switch-off") for k in range(1, _SHOTS + 1))
    return _task(
        "Switching off under full load",
        mains,
        tuple(shots),
        {},
        what={"port": asked.port, "start": "off", "shots": _SHOTS},
    )


def _task(
    title: str,
    mains: Mains,
    steps: tuple[PlanStep, ...],
    conditions: dict[str, Scalar],
    *,
    what: dict[str, Scalar],
    rest_s: float = 0.0,
) -> PlanTask:
    return PlanTask(
        id=PlanTask.name_for("inrush", mains_v=mains.voltage_v, mains_hz=mains.frequency_hz, **what),
        studies=("inrush",),
        title=f"{title}, {what['port']}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="captures",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=steps,
        conditions={"measured_at": "receptacle", **conditions},
        by_hand=(
            "With mains off and verified off, fit a current probe about one conductor.",
            "With mains off and verified off, fit a differential probe across line and neutral.",
            "Take a supply that gives the inrush: a wall outlet, or a source of several times its peak.",
            'Write which it is into this task\'s conditions, e.g. supply = "wall outlet".',
        ),
        cautions=PROCEDURE.every_caution,
        rest_s=rest_s,
        off_s=rest_s,
        after=("identity", "modes"),
    )
