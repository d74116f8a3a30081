"""Tasks of the kind "hand": readings the tester types in, as a hand sheet."""

from __future__ import annotations

import csv
import io
import os

from brickbook.bench.journal import append_line
from brickbook.bench.session import Session, wall_now
from brickbook.bench.sheet import put_aside
from brickbook.bench.take_in import Deposit
from brickbook.core.plan import PlanTask
from brickbook.core.quantities import QUANTITIES
from brickbook.readers import HAND_SHEET_HEADER

__all__ = ["hand_task", "instrument_for"]


def hand_task(session: Session, task: PlanTask) -> list[Deposit]:
    """Ask for each reading and give the sheet; raises as people wish."""
    path = session.folder / f"{task.id}.csv"
    put_aside(path)
    taken = wall_now()
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o666)
    try:
        append_line(descriptor, ",".join(HAND_SHEET_HEADER))
        if task.mains_v and session.stand.source is not None:
            session.by_hand(f"Stand clear: mains of {task.mains_v:g} V, {task.mains_hz:g} Hz is switched on now.")
            session.wiring.switch_on(task.mains_v, task.mains_hz)
        for number, (quantity, channel, unit) in enumerate(task.ask):
            name = instrument_for(session, quantity)
            words = QUANTITIES[quantity].label + (f", {channel}" if channel else "")
            own = unit or QUANTITIES[quantity].unit
            value, by = session.typed(f"{words} [{own}]", quantity, channel, own, instrument=name)
            row = {
                "quantity": quantity,
                "channel": channel,
                "value": f"{value:.10g}",
                "unit": QUANTITIES[quantity].unit,
                "instrument": name,
                "note": f"read by {by}" if by else "",
            }
            append_line(descriptor, _line(row))
            session.journal.write("reading", task=task.id, step=number, values={_column(quantity, channel): value})
    finally:
        os.close(descriptor)
    return [
        Deposit(
            file=path.name,
            studies=task.studies,
            reader="hand-sheet",
            conditions=session.conditions(task),
            taken=taken,
            note=session.run_note,
        )
    ]


def instrument_for(session: Session, quantity: str) -> str:
    """The instrument worked by hand that states an accuracy for a quantity; empty where none or several do."""
    able = [n for n, i in session.stand.by_hand.items() if any(line.quantity == quantity for line in i.accuracy)]
    return able[0] if len(able) == 1 else ""


def _line(row: dict[str, str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow([row.get(key, "") for key in HAND_SHEET_HEADER])
    return text.getvalue()


def _column(quantity: str, channel: str) -> str:
    return f"{quantity}@{channel}" if channel else quantity
