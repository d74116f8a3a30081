"""A plan made anew beside the one the tester has edited: what stays, what comes, what goes."""

from __future__ import annotations

from dataclasses import dataclass, replace

from brickbook.core.plan import PlanTask, TestPlan

__all__ = ["Changes", "joined"]


@dataclass(frozen=True, slots=True)
class Changes:
    """What happened to the tasks when a plan was made anew, by id.

    Parameters
    ----------
    new
        Were not there.
    updated
        Were there as they had been made, and are made differently now.
    edited
        Edited by the tester, and left as they are.
    overtaken
        Of these, the ones that would be made differently now: claims or procedures have changed since.
    own
        The tester's own.
    gone
        Were there as they had been made, and are no longer part of the plan.
    left_out
        Not wanted by the tester.
    """

    new: tuple[str, ...] = ()
    updated: tuple[str, ...] = ()
    edited: tuple[str, ...] = ()
    overtaken: tuple[str, ...] = ()
    own: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def joined(fresh: TestPlan, before: TestPlan) -> tuple[TestPlan, Changes]:
    """A plan made anew with the tester's edits of the one before.

    Tasks stand in the order of `before`, new ones at the end.
    """
    made = {task.id: task for task in fresh.tasks if task.id not in before.left_out}
    kept: list[PlanTask] = []
    told: dict[str, list[str]] = {name: [] for name in ("updated", "edited", "overtaken", "own", "gone")}
    for task in before.tasks:
        if task.id in before.left_out:
            continue
        now = made.get(task.id)
        if task.is_edited:
            kept.append(task)
            told["edited" if task.made else "own"].append(task.id)
            if task.made and now is not None and now.made != task.made:
                told["overtaken"].append(task.id)
        elif now is None:
            told["gone"].append(task.id)
        else:
            kept.append(now)
            if now.made != task.made:
                told["updated"].append(task.id)
    there = {task.id for task in before.tasks}
    new = [task for task in made.values() if task.id not in there]
    plan = replace(
        fresh,
        tasks=(*kept, *new),
        left_out=before.left_out,
        order=before.order,
        conditions=before.conditions,
    )
    unwanted = tuple(task.id for task in fresh.tasks if task.id in before.left_out)
    changes = Changes(
        new=tuple(task.id for task in new), left_out=unwanted, **{name: tuple(ids) for name, ids in told.items()}
    )
    return plan, changes
