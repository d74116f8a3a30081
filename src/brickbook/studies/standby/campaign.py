"""What a campaign needs for standby: half an hour of rest, then 25 minutes of power, for each situation."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.outlets import contracts, strongest_port
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, Size
from brickbook.core.study import Mains, Settings
from brickbook.plateaus.rules import IEC_62301_SAMPLING
from brickbook.studies.standby.procedure import PROCEDURE

__all__ = ["tasks"]

_REST_S = 1800.0
# IEC 62301:2011 5.3.2 (from memory, high): 15 minutes at least, more until the slope is small
_DWELL = Dwell(1500.0, 5400.0, IEC_62301_SAMPLING.name)
_HELD_V = (5.0, 9.0)
_METER = (
    "Put the power meter's voltage terminals on the source side and its current input in the neutral line; fix its "
    "range for the current's peak."
)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """Power with nothing plugged in, and in other idle situations, at each mains supply.

    short: nothing plugged in. standard: also a cable alone, and contracts of 5 V and 9 V held without current. full:
    also an adapter alone.
    """
    port = strongest_port(charger, pd=True)
    situations: list[tuple[str, tuple[PortSetting, ...], str]] = [("bare", (), "Unplug everything from every port.")]
    if size != "short":
        situations.append(("cable", (), f"Plug a cable into {port.id}, with nothing at its other end."))
    if size == "full":
        situations.append(("adapter", (), f"Plug an adapter into {port.id}, with nothing at its other end."))
    if size != "short":
        held = [a for a in contracts(port, middle=False) if a.voltage_v in _HELD_V and a.kind in ("fixed", "legacy")]
        situations += [(f"{asked.voltage_v:g} V held", (asked.at(0.0),), "") for asked in held]
    return tuple(_log(mains, *situation) for mains in settings.mains for situation in situations)


def _log(mains: Mains, situation: str, ports: tuple[PortSetting, ...], by_hand: str) -> PlanTask:
    return PlanTask(
        id=PlanTask.name_for("standby", mains_v=mains.voltage_v, mains_hz=mains.frequency_hz, situation=situation),
        studies=("standby",),
        title=f"{_WORDS.get(situation, situation)}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="log",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=(PlanStep(situation, ports, _DWELL),),
        interval_s=1.0,
        conditions={"situation": situation, "voltage_terminals": "source side"},
        by_hand=(*((by_hand,) if by_hand else ()), _METER),
        cautions=PROCEDURE.every_caution,
        rest_s=_REST_S,
        after=("identity",),
    )


_WORDS = {
    "bare": "Standby with nothing plugged in",
    "cable": "Standby with a cable alone",
    "adapter": "Standby with an adapter alone",
    "5 V held": "Standby with 5 V held",
    "9 V held": "Standby with 9 V held",
}
