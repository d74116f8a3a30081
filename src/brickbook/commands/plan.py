"""`brickbook plan`: the tests to do on a charger, in order, with their time and what is done by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from brickbook.bench.planning import build_plan, predicted_time, renewed_plan
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, wanted
from brickbook.core.plan import Size
from brickbook.plateaus.rules import STABILITY_RULES

__all__ = ["plan"]


def plan(
    charger: Annotated[str, Parameter(help="Folder name of the charger.")],
    /,
    *,
    size: Annotated[Size | None, Parameter(help="How much to test; standard for a new plan.")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Plan the tests of a charger: write plan.toml, or renew it and keep what was edited in it."""
    opened = open_book(book)
    (slug,) = wanted(opened, [charger])
    claims, instruments = opened.charger(slug), opened.instruments
    if opened.has_plan(slug):
        before = opened.plan(slug, rules=STABILITY_RULES)
        made, _ = renewed_plan(before, claims, opened.settings, size, instruments=instruments)
    else:
        made = build_plan(slug, claims, opened.settings, size or "standard", instruments=instruments)
    opened.write_plan(slug, made)
    times = predicted_time(made, instruments)
    if json:
        print_json({"charger": slug, "size": made.size, "tasks": [task.id for task in made.tasks]})
    else:
        console().print(f"{len(made.tasks)} tasks, {times.total_s / 3600:.1f} h at least")
    return 0
