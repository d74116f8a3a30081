"""Size and mass as shown."""

from __future__ import annotations

from brickbook.core.figure import Figure
from brickbook.core.page import Section, TableBlock
from brickbook.core.study import View

__all__ = ["page"]


def page(view: View) -> Section:
    """A table of sides, volumes and mass."""
    by_side = {(str(f.conditions["of"]), str(f.conditions["side"])): f for f in view.figures if f.name == "side_mm"}
    volumes = {"body": _named(view, "body_volume_cm3"), "with prongs": _named(view, "volume_with_prongs_cm3")}
    rows = tuple(
        (
            "Body" if body == "body" else "With prongs",
            *(by_side.get((body, side)) for side in ("length", "width", "height")),
            volumes[body],
        )
        for body in ("body", "with prongs")
    )
    table = TableBlock(
        "Size of the box around the charger",
        ("", "Length", "Width", "Height", "Volume"),
        rows,
        note="A rounded body fills less than its box.",
    )
    mass = TableBlock("Mass", ("", "Mass"), (("Without detachable cable", _named(view, "mass_g")),))
    return Section("identity", "Size and mass", "How large and heavy is it?", (table, mass))


def _named(view: View, name: str) -> Figure | None:
    return next((f for f in view.figures if f.name == name), None)
