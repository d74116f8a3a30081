"""A charger's campaign: what each study asks for, gathered, joined with the tester's edits, and put in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from brickbook.bench.planning.again import Changes, joined
from brickbook.bench.planning.arrange import arranged, inserted
from brickbook.bench.planning.merge import merged
from brickbook.bench.planning.times import by_hand_s, hands_of, own_s
from brickbook.core.charger import Charger
from brickbook.core.instrument import Instrument, current_reach_a
from brickbook.core.outlets import alike_ports
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
    amps: float | None = None,
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
    amps
        Largest current the bench may draw from a port [A], as bench.toml limits it; `None` for no limit. What its
        loads read at most is a limit as well.
    studies
        Whose tasks are wanted.
    """
    amps = _reach_a(instruments or {}, amps)
    tasks: dict[str, PlanTask] = {}
    notes = list(_alike_notes(charger, size))
    for study in studies:
        for task in study.tasks(charger, settings, size):
            within = _within(task, amps)
            if within.is_loaded == task.is_loaded:
                tasks.setdefault(task.id, within)
            else:
                notes.append(f"{task.title}: left out, as all its loads are beyond the bench's limit of {amps:g} A.")
    timed = [replace(task, predicted_s=_alone_s(task)) for task in tasks.values()]
    in_order = arranged([_made(task) for task in merged(timed)], hands_of(instruments or {}), _FILE.format(slug))
    return TestPlan(slug, size, in_order, notes=tuple(notes))


def renewed_plan(
    before: TestPlan,
    charger: Charger,
    settings: Settings,
    size: Size | None = None,
    *,
    instruments: Mapping[str, Instrument] | None = None,
    amps: float | None = None,
    studies: Sequence[Study] = STUDIES,
) -> tuple[TestPlan, Changes]:
    """The campaign made anew with the tester's edits of the plan before; arguments as in `build_plan`."""
    fresh = build_plan(
        before.charger, charger, settings, size or before.size, instruments=instruments, amps=amps, studies=studies
    )
    plan, changes = joined(fresh, before)
    hands = hands_of(instruments or {})
    tasks = [replace(task, predicted_s=_alone_s(task)) for task in plan.tasks]
    if before.order == "mine":
        new = set(changes.new)
        in_order = inserted([t for t in tasks if t.id not in new], [t for t in tasks if t.id in new], hands)
    else:
        in_order = arranged(tasks, hands, _FILE.format(before.charger))
    return replace(plan, tasks=in_order), changes


def _alike_notes(charger: Charger, size: Size) -> Iterator[str]:
    if size == "full":
        return
    for group in alike_ports(charger):
        if len(group) > 1:
            yield (
                f"{', '.join(group)}: nothing printed tells them apart, so combinations that only swap them are looked "
                "at once; a full campaign looks at all."
            )


def _reach_a(instruments: Mapping[str, Instrument], amps: float | None) -> float | None:
    """The bench's limit, or what its loads reach where that is less [A]."""
    loads = [current_reach_a(i) for i in instruments.values() if i.role == "dc-load"]
    reaches = [reach for reach in loads if reach is not None]
    if not reaches or len(reaches) < len(loads):
        return amps
    return max(reaches) if amps is None else min(amps, max(reaches))


def _within(task: PlanTask, amps: float | None) -> PlanTask:
    """The task without steps beyond the bench's limit."""
    if amps is None:
        return task
    kept = tuple(step for step in task.steps if all(setting.current_a <= amps for setting in step.ports))
    if len(kept) == len(task.steps):
        return task
    left = len(task.steps) - len(kept)
    told = f"{left} step{'s' if left > 1 else ''} beyond the bench's limit of {amps:g} A left out."
    return replace(task, steps=kept, note=" ".join(filter(None, (task.note, told))))


def _made(task: PlanTask) -> PlanTask:
    return replace(task, predicted_s=_alone_s(task), made=task.digest)


def _alone_s(task: PlanTask) -> float:
    return round(own_s(task) + by_hand_s(task), 1)
