"""Tasks of the kind "captures": oscilloscope captures at the end of each step."""

from __future__ import annotations

from brickbook.bench.errors import CannotDo
from brickbook.bench.session import Session
from brickbook.bench.take_in import Deposit
from brickbook.core.plan import PlanTask

__all__ = ["captures_task"]


def captures_task(session: Session, task: PlanTask) -> list[Deposit]:
    """Captures of a task."""
    del task
    if session.stand.scope is None:
        raise CannotDo("the bench has no oscilloscope that is spoken to: capture by hand and take the files in")
    raise CannotDo("captures are not taken by the runner yet: capture by hand and take the files in")
