"""What a campaign needs for the hour at full load."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.outlets import end_contract, full_load_a, settings_for
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.studies.soak.procedure import PROCEDURE

__all__ = ["tasks"]

_HOUR_S = 3600.0
_BEFORE_S = 120.0
_COOLING_S = 600.0
_REST_S = 3600.0  # until the surface is within 3 K of the room (common practice, no source)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """An hour of all ports at the highest voltage and full load.

    short: at the lowest mains voltage, where the losses are largest. standard and full: at each mains supply.
    """
    lowest = min(settings.mains, key=lambda m: m.voltage_v)
    return tuple(_log(charger, mains) for mains in ((lowest,) if size == "short" else settings.mains))


def _log(charger: Charger, mains: Mains) -> PlanTask:
    asked = [end_contract(port, "highest") for port in charger.ports]
    full = full_load_a(charger, asked)
    idle = settings_for(asked, full, 0.0)
    names = "+".join(a.port for a in asked)
    return PlanTask(
        id=PlanTask.name_for("soak", mains_v=mains.voltage_v, mains_hz=mains.frequency_hz, ports=names),
        studies=("soak",),
        title=f"An hour at full load on {names}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="log",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=(
            PlanStep("before the load", idle, Dwell(_BEFORE_S, _BEFORE_S)),
            PlanStep("full load", settings_for(asked, full), Dwell(_HOUR_S, _HOUR_S)),
            PlanStep("cooling", idle, Dwell(_COOLING_S, _COOLING_S)),
        ),
        interval_s=2.0,
        conditions={
            "measured_at": "receptacle",
            "material": "case plastic + receptacle metal",
            "contact": "1 s to 10 s",
            "sensor": "thermocouple",
            "u_attachment_k": 1.0,  # common practice, no source
        },
        by_hand=(
            "With the plug out, look the charger over for cracks, moisture, smell and loose prongs.",
            "With the plug out, fix a thermocouple to the warmest place of the case and one to a receptacle's metal.",
            "Hang a thermocouple 0.3 to 0.5 m away for the room.",
            "Correct material and u_attachment_k in this task's conditions where they are otherwise.",
            "Put the charger on a surface that cannot burn, nothing within 20 cm, no draught.",
        ),
        cautions=PROCEDURE.every_caution,
        rest_s=_REST_S,
        after=("identity", "modes"),
    )
