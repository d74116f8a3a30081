"""Planning a campaign: which tasks, in which order, how long, and what is still missing."""

from brickbook.bench.planning.again import Changes
from brickbook.bench.planning.build import build_plan, renewed_plan
from brickbook.bench.planning.missing import Missing, covering, missing_tasks
from brickbook.bench.planning.times import Predicted, TaskTime, predicted_time

__all__ = [
    "Changes",
    "Missing",
    "Predicted",
    "TaskTime",
    "build_plan",
    "covering",
    "missing_tasks",
    "predicted_time",
    "renewed_plan",
]
