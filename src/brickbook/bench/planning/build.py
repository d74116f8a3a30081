"""A charger's campaign: what each study asks for, gathered, joined with the tester's edits, and put in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from brickbook.bench.planning.again import Changes, joined
from brickbook.bench.planning.arrange import arranged, inserted
from brickbook.bench.planning.merge import merged
from brickbook.bench.planning.times import by_hand_s, hands_of, own_s
from brickbook.core.charger import Charger
from brickbook.core.instrument import Instrument
from brickbook.core.plan import PlanTask, Size, TestPlan
from brickbook.core.study import Settings, Study
from brickbook.studies import STUDIES

__all__ = ["build_plan", "renewed_plan"]

_FILE = "chargers/{}/plan.toml"


def build_plan(
    slug: str,
    charger: Charger,
    settings: Settings,
    size: Size = "standard",
    *,
    instruments: Mapping[str, Instrument] | None = None,
    studies: Sequence[Study] = STUDIES,
) -> TestPlan:
    """The campaign of a charger from its claims, the book's mains supplies and the studies' procedures.

    Parameters
    ----------
    slug
        The charger's folder.
    charger
        Claims.
    settings
        Of the book.
    size
        "short", "standard" or "full".
    instruments
        Of the bench: what it can change by itself needs no hands.
    studies
        Whose tasks are wanted.
    """
    tasks: dict[str, PlanTask] = {}
    for study in studies:
        for task in study.tasks(charger, settings, size):
            tasks.setdefault(task.id, task)
    timed = [replace(task, predicted_s=_alone_s(task)) for task in tasks.values()]
    in_order = arranged([_made(task) for task in merged(timed)], hands_of(instruments or {}), _FILE.format(slug))
    return TestPlan(slug, size, in_order)


def renewed_plan(
    before: TestPlan,
    charger: Charger,
    settings: Settings,
    size: Size | None = None,
    *,
    instruments: Mapping[str, Instrument] | None = None,
    studies: Sequence[Study] = STUDIES,
) -> tuple[TestPlan, Changes]:
    """The campaign made anew with the tester's edits of the plan before; arguments as in `build_plan`."""
    fresh = build_plan(before.charger, charger, settings, size or before.size, instruments=instruments, studies=studies)
    plan, changes = joined(fresh, before)
    hands = hands_of(instruments or {})
    tasks = [replace(task, predicted_s=_alone_s(task)) for task in plan.tasks]
    if before.order == "mine":
        new = set(changes.new)
        in_order = inserted([t for t in tasks if t.id not in new], [t for t in tasks if t.id in new], hands)
    else:
        in_order = arranged(tasks, hands, _FILE.format(before.charger))
    return replace(plan, tasks=in_order), changes


def _made(task: PlanTask) -> PlanTask:
    return replace(task, predicted_s=_alone_s(task), made=task.digest)


def _alone_s(task: PlanTask) -> float:
    return round(own_s(task) + by_hand_s(task), 1)
