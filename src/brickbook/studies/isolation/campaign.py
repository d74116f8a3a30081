"""What a campaign needs for isolation: three sheets of readings to type in, after everything that needs it whole."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.conditions import Scalar
from brickbook.core.outlets import sweep_mains
from brickbook.core.plan import PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.studies.isolation.procedure import CAUTIONS, PROCEDURE

__all__ = ["tasks"]

_REPEATS = 3
_TIED = (
    ("mains_frequency_hz", "", "Hz"),
    ("voltage_v", "applied", "V"),
    ("current_a", "open fixture", "uA"),
    ("current_a", "barrier", "uA"),
)
_ON_MAINS = (
    ("mains_voltage_v", "", "V"),
    ("mains_frequency_hz", "", "Hz"),
    ("voltage_v", "network U2", "mV"),
    ("voltage_v", "network U2 peak", "mV"),
)


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """Both mains pins tied at a reduced voltage, and touch current with the plug either way round.

    short: none. standard: touch current at the highest mains voltage. full: at each mains supply.
    """
    del charger
    if size == "short":
        return ()
    supplies = settings.mains if size == "full" else (sweep_mains(settings),)
    return (_tied(), *(_touch(mains, polarity) for mains in supplies for polarity in ("A", "B")))


def _tied() -> PlanTask:
    return PlanTask(
        id=PlanTask.name_for("isolation", polarity="tied"),
        studies=("isolation",),
        title="Barrier at a reduced level, both mains pins tied: 500 V 50 Hz, then 500 V DC",
        kind="hand",
        conditions={"polarity": "tied", "test_v": 500.0, "test_hz": 50.0, "test_dc_v": 500.0},
        by_hand=(
            *(step.text for step in PROCEDURE.steps[:6]),
            "Write protection_class into this task's conditions: II for a plug without an earth contact, I with one.",
        ),
        ask=(*(reading for reading in _TIED for _ in range(_REPEATS)), ("resistance_ohm", "barrier", "Mohm")),
        cautions=CAUTIONS,
        after=("*",),
        note="A reduced level does not verify type-test strength. A resistance beyond the instrument's range goes into "
        "the hand sheet as 'barrier at least'.",
    )


def _touch(mains: Mains, polarity: str) -> PlanTask:
    conditions: dict[str, Scalar] = {"polarity": polarity, "running": True, "network_tolerance_ratio": 0.01}
    return PlanTask(
        id=PlanTask.name_for("isolation", mains_v=mains.voltage_v, mains_hz=mains.frequency_hz, polarity=polarity),
        studies=("isolation",),
        title=f"Touch current, plug way {polarity}, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="hand",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        conditions=conditions,
        by_hand=(PROCEDURE.steps[6].text, f"Switch off and verify that it is off; put the plug in way {polarity}."),
        ask=tuple(reading for reading in _ON_MAINS for _ in range(_REPEATS)),
        cautions=(*CAUTIONS, PROCEDURE.steps[6].caution, PROCEDURE.steps[7].caution),
        after=("*",),
    )
