"""A plan's tasks in a good order: tasks that ask for the same bench side by side, the rest by `order`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.bench.planning.order import Job, Way, ordered, sequence_cost
from brickbook.bench.planning.times import NOTHING, Hands, change_s, left_by, own_s, setup_of, tail_s
from brickbook.core.errors import BookError, Fault
from brickbook.core.plan import PlanTask

__all__ = ["arranged", "inserted", "precedence"]

EVERY = "*"


@dataclass(frozen=True, slots=True)
class _Group:
    """Tasks that may follow one another without any change or wait."""

    tasks: tuple[PlanTask, ...]


def precedence(tasks: Sequence[PlanTask]) -> tuple[frozenset[int], ...]:
    """For each task the places of those that must come before it, by their studies."""
    late = {k for k, task in enumerate(tasks) if EVERY in task.after}
    found: list[frozenset[int]] = []
    for k, task in enumerate(tasks):
        named = {j for j, other in enumerate(tasks) if set(other.studies) & set(task.after)}
        every = {j for j in range(len(tasks)) if j not in late} if EVERY in task.after else set()
        found.append(frozenset((named | every) - {k}))
    return tuple(found)


def arranged(tasks: Sequence[PlanTask], hands: Hands, file: str = "plan.toml") -> tuple[PlanTask, ...]:
    """The tasks in an order of little hand work and waiting.

    Raises
    ------
    BookError
        When tasks come after each other in a circle; `file` is named.
    """
    groups = _groups(tasks)
    place = {task.id: g for g, group in enumerate(groups) for task in group.tasks}
    before = precedence(tasks)
    needed: list[set[int]] = [set() for _ in groups]
    for k, task in enumerate(tasks):
        needed[place[task.id]] |= {place[tasks[j].id] for j in before[k]}
    jobs = [_job(group.tasks, hands, frozenset(needed[g] - {g})) for g, group in enumerate(groups)]
    try:
        best = ordered(jobs, _way([group.tasks for group in groups], hands))
    except ValueError as error:
        problem = "tasks come after each other in a circle, by their studies and what `after` names."
        raise BookError(Fault(file, "after", problem, "Take a name out of one of them.")) from error
    return tuple(task for g in best.places for task in groups[g].tasks)


def inserted(tasks: Sequence[PlanTask], new: Sequence[PlanTask], hands: Hands) -> tuple[PlanTask, ...]:
    """Tasks as they stand, each new one where it costs least and its precedence is kept."""
    sequence = list(tasks)
    for task in new:
        options = [[*sequence[:k], task, *sequence[k:]] for k in range(len(sequence) + 1)]
        sequence = min(options, key=lambda s: (_broken(s), _cost(s, hands)))
    return tuple(sequence)


def _cost(tasks: Sequence[PlanTask], hands: Hands) -> float:
    jobs = [_job((task,), hands, frozenset()) for task in tasks]
    return sequence_cost(range(len(tasks)), jobs, _way([(task,) for task in tasks], hands))


def _broken(tasks: Sequence[PlanTask]) -> int:
    return sum(1 for k, before in enumerate(precedence(tasks)) for j in before if j > k)


def _groups(tasks: Sequence[PlanTask]) -> tuple[_Group, ...]:
    """Tasks of one setup, precedence and rest; one that warms and wants rest stands alone, as does a plugging one.

    Side by side they cost nothing between them, and by the triangle inequality of changes nothing is gained by parting
    them.
    """
    found: dict[object, list[PlanTask]] = {}
    for task in tasks:
        setup = setup_of(task)
        wants = task.rest_s if task.is_loaded else 0.0
        alone = wants > 0 or task.off_s > 0 or setup != left_by(task)
        named = tuple(sorted(task.after))
        key: object = task.id if alone else (setup, named, task.rest_s, task.is_loaded, _asked_for(task, tasks))
        found.setdefault(key, []).append(task)
    return tuple(_Group(tuple(some)) for some in found.values())


def _asked_for(task: PlanTask, tasks: Sequence[PlanTask]) -> frozenset[str]:
    """Its studies that other tasks must come after."""
    return frozenset(task.studies) & {name for other in tasks for name in other.after}


def _job(tasks: Sequence[PlanTask], hands: Hands, before: frozenset[int]) -> Job:
    warms = tasks[-1].is_loaded
    return Job(
        rest_s=tasks[0].rest_s,
        off_s=tasks[0].off_s,
        powered=any(task.mains_v for task in tasks),
        takes_s=sum(own_s(task, hands) for task in tasks),
        warms=warms,
        tail_s=tail_s(tasks[-1]) if warms else 0.0,
        before=before,
    )


def _way(groups: Sequence[Sequence[PlanTask]], hands: Hands) -> Way:
    enters = [setup_of(tasks[0]) for tasks in groups]
    leaves = [left_by(tasks[-1]) for tasks in groups]
    first = tuple(change_s(NOTHING, setup, hands) for setup in enters)
    return Way(first, tuple(tuple(change_s(a, b, hands) for b in enters) for a in leaves))
