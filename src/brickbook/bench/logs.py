"""Tasks of the kind "log": steps one after another, every reading in one file."""

from __future__ import annotations

from collections.abc import Sequence

from brickbook.bench.errors import CannotDo
from brickbook.bench.gather import hand_columns
from brickbook.bench.session import Session, wall_now
from brickbook.bench.sheet import Sheet, put_aside
from brickbook.bench.take_in import Deposit
from brickbook.core.plan import PlanTask

__all__ = ["log_task"]


def log_task(session: Session, task: PlanTask) -> list[Deposit]:
    """Do a task and give its file.

    Raises
    ------
    CannotDo
        When the bench or the charger cannot give what the task needs.
    Tripped, Stopped, Skipped, Repeated, Paused, BenchError
        When something or somebody ends it.
    """
    path = session.folder / f"{task.id}.csv"
    aside = put_aside(path)
    if aside is not None:
        session.note(f"an earlier attempt is kept as {aside.name}")
    gatherer = session.gatherer(task)
    ports = list(dict.fromkeys(p.port for step in task.steps for p in step.ports if p.contract))
    hands = hand_columns(session.stand.by_hand, gatherer.columns, ports, mains=task.mains_v > 0.0)
    columns = (*gatherer.columns, *hands)
    if not columns:
        raise CannotDo("no instrument of the bench reads anything this task needs")
    sheet = Sheet(path, columns)
    taken, removed_s = wall_now(), 0.0
    in_use: list[float | None] = []
    try:
        session.wiring.protect([p for step in task.steps for p in step.ports])
        if task.mains_v:
            session.wiring.switch_on(task.mains_v, task.mains_hz)
        zero_s = session.stand.clock.now_s()
        for index, step in enumerate(task.steps):
            session.wiring.apply(step.ports)
            if index and index == len(task.steps) - 1 and not any(p.current_a for p in step.ports):
                removed_s = session.stand.clock.now_s() - zero_s
            session.journal.write("step-started", task=task.id, step=index, label=step.label)
            verdict = session.stay(task, step, index, gatherer, sheet, zero_s)
            if hands:
                values = session.hand_readings(task, step, hands, gatherer)
                sheet.append(session.stand.clock.now_s() - zero_s, values)
                session.journal.write("reading", task=task.id, step=index, values=values, by="hand")
            for source in gatherer.sources:
                source.driver.errors()
            in_use.append(session.range_w(task))
            session.journal.write(
                "step-ended",
                task=task.id,
                step=index,
                settled=verdict.settled,
                reason=verdict.reason,
                relative_u=verdict.relative_u,
            )
    finally:
        sheet.close()
    instruments = {**gatherer.instrument_of, **hands}
    return [
        Deposit(
            file=path.name,
            studies=task.studies,
            reader="meter-log",
            conditions={**session.conditions(task), **_removed(task, removed_s)},
            instruments=instruments,
            ranges=_ranges(in_use, enlarged=gatherer.enlarged),
            columns=columns,
            taken=taken,
            note=session.run_note,
        )
    ]


def _removed(task: PlanTask, time_s: float) -> dict[str, float]:
    """When the load was taken off at the end, for the study that asks how a port comes back."""
    return {"load_removed_s": round(time_s, 2)} if time_s and "overload" in task.studies else {}


def _ranges(in_use: Sequence[float | None], *, enlarged: bool) -> dict[str, float]:
    """Power range of the whole file, where one can be stated: the only one in use, or the largest after an overrange.

    A meter that chose several by itself is on the smallest that holds the reading, which is what the analysis takes for
    granted where nothing is stated.
    """
    known = {one for one in in_use if one is not None}
    if None in in_use or not known or (len(known) > 1 and not enlarged):
        return {}
    return {"mains_power_w": max(known)}
