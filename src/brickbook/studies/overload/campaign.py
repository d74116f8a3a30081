"""What a campaign needs for overload: a ramp of each port beyond its promised current, at the campaign's end."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.outlets import Asked, end_contract, full_load_a, settings_for, sweep_mains
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, Size
from brickbook.core.study import Mains, Settings
from brickbook.studies.overload.procedure import PROCEDURE

__all__ = ["tasks"]

# 90 %, 2 %, 3 s, 150 %: common practice, no source
_FIRST = 0.90
_RISE = 0.02
_LAST = 1.50
_BEFORE = Dwell(30.0, 30.0)
_STEP = Dwell(3.0, 3.0)
_AFTER = Dwell(30.0, 30.0)
_REST_S = 1800.0  # until within 5 K of the room (common practice, no source)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """A ramp of every port's highest voltage, and one of all ports together; at one mains supply.

    short: none. standard and full: all of them.
    """
    if size == "short":
        return ()
    mains = sweep_mains(settings)
    highest = [end_contract(port, "highest") for port in charger.ports]
    made = [_ramp(mains, asked, (), asked.current_a) for asked in highest]
    if len(highest) > 1:
        full = full_load_a(charger, highest)
        raised, *others = sorted(highest, key=lambda a: -full[a.port] * a.voltage_v)
        made.append(_ramp(mains, raised, settings_for(others, full), full[raised.port]))
    return tuple(made)


def _ramp(mains: Mains, asked: Asked, others: tuple[PortSetting, ...], full_a: float) -> PlanTask:
    count = round((_LAST - _FIRST) / _RISE)
    ratios = [_FIRST + k * _RISE for k in range(count + 1)]
    steps = [
        PlanStep(
            f"{100 * ratio:.0f} %",
            (asked.at(ratio * full_a), *others),
            _BEFORE if ratio == _FIRST else _STEP,
        )
        for ratio in ratios
    ]
    steps.append(PlanStep("load off", (asked.at(0.0), *(PortSetting(o.port, o.contract) for o in others)), _AFTER))
    with_ = f" with {', '.join(o.port for o in others)} loaded" if others else ""
    return PlanTask(
        id=PlanTask.name_for(
            "overload",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            port=asked.port,
            contract=asked.name,
            others="+".join(o.port for o in others),
        ),
        studies=("overload",),
        title=f"Overload of {asked.port} at {asked.name}{with_}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="log",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=tuple(steps),
        interval_s=0.25,
        conditions={"measured_at": "receptacle"},
        by_hand=(
            "Look the charger over, and fix one thermocouple to the case with the plug out.",
            "Use leads and connectors rated for twice the current.",
        ),
        cautions=PROCEDURE.every_caution,
        rest_s=_REST_S,
        after=("*", "isolation"),
        note="It may destroy the charger: the owner accepts that before.",
    )
