"""One log for several studies: a task whose loads another log passes through anyway is not done twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from brickbook.core.plan import PlanStep, PlanTask

__all__ = ["merged", "serves"]

_SAME_LOAD = 0.01  # of the larger current


def serves(log: PlanTask, other: PlanTask) -> bool:
    """Whether a log gives all that another task of the kind "log" asks for.

    It does when mains, ports and contracts are the same, readings come as often, no condition contradicts, and every
    load of the other is held in it at least as long by a rule that is no weaker than the fixed time.
    """
    if log.kind != "log" or other.kind != "log" or log.id == other.id or set(log.studies) & set(other.studies):
        return False
    if (log.mains_v, log.mains_hz) != (other.mains_v, other.mains_hz) or not _same_contracts(log, other):
        return False
    if (
        other.rest_s > log.rest_s
        or other.off_s > log.off_s
        or other.interval_s < log.interval_s / 2
        or log.predicted_s < other.predicted_s
    ):
        return False
    mine, theirs = log.raw_conditions, other.raw_conditions
    if any(key in mine and mine[key] != value for key, value in theirs.items()):
        return False
    return all(any(_holds(step, wanted) for step in log.steps) for wanted in other.steps)


def _same_contracts(log: PlanTask, other: PlanTask) -> bool:
    def contracts(task: PlanTask) -> set[tuple[tuple[str, str], ...]]:
        return {tuple(sorted((p.port, p.contract) for p in step.ports)) for step in task.steps}

    return len(contracts(log)) == 1 and contracts(log) == contracts(other)


def _holds(step: PlanStep, wanted: PlanStep) -> bool:
    if step.dwell.min_s < wanted.dwell.min_s or wanted.capture:
        return False
    here = {p.port: p.current_a for p in step.ports}
    return all(
        abs(here[p.port] - p.current_a) <= _SAME_LOAD * max(here[p.port], p.current_a) + 1e-9 for p in wanted.ports
    )


def merged(tasks: Sequence[PlanTask]) -> tuple[PlanTask, ...]:
    """The tasks, those that another serves taken into it; the longest log serves first."""
    left = {task.id: task for task in tasks}
    for log in sorted(tasks, key=lambda t: -t.predicted_s):
        if log.id not in left:
            continue
        for other in tasks:
            mine = left[log.id]
            if other.id not in left or not serves(mine, other):
                continue
            del left[other.id]
            left[log.id] = replace(
                mine,
                studies=(*mine.studies, *(s for s in other.studies if s not in mine.studies)),
                conditions={**other.conditions, **mine.conditions},
                by_hand=(*mine.by_hand, *(s for s in other.by_hand if s not in mine.by_hand)),
                cautions=(*mine.cautions, *(c for c in other.cautions if c not in mine.cautions)),
                after=(*mine.after, *(a for a in other.after if a not in mine.after)),
                note=" ".join(filter(None, (mine.note, other.note, f"Serves as “{other.title}” as well."))),
            )
    return tuple(left.values())
