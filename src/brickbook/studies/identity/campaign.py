"""What a campaign needs for size and mass: readings to type in."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.plan import PlanTask, Size
from brickbook.core.study import Settings
from brickbook.studies.identity.procedure import PROCEDURE

__all__ = ["tasks"]

_SIDES = ("length", "width", "height")


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """One sheet: three sides of the body, with prongs where there are any, and the mass; three times, else five."""
    del settings
    bodies = ("body",) if charger.prongs == "cord" else ("body", "with prongs")
    once = [("length_mm", f"{body} {side}", "mm") for body in bodies for side in _SIDES]
    repeats = 3 if size == "short" else 5
    return (
        PlanTask(
            id=PlanTask.name_for("identity", repeats=repeats),
            studies=("identity",),
            title="Size, mass, marks and claims",
            kind="hand",
            by_hand=tuple(step.text for step in PROCEDURE.steps[:2]),
            ask=tuple(reading for reading in [*once, ("mass_g", "charger", "g")] for _ in range(repeats)),
            cautions=PROCEDURE.every_caution,
        ),
    )
