"""Tasks of the kind "hand": readings the tester types in, as a hand sheet."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping

from brickbook.bench.journal import append_line
from brickbook.bench.session import Session, wall_now
from brickbook.bench.sheet import put_aside
from brickbook.bench.take_in import Deposit
from brickbook.core.instrument import Instrument
from brickbook.core.plan import PlanTask
from brickbook.core.quantities import QUANTITIES
from brickbook.readers import HAND_SHEET_HEADER

__all__ = ["hand_task", "instrument_for"]

_BOUNDED = ("resistance_ohm",)  # what may be beyond all ranges and still tells something


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
            words = QUANTITIES[quantity].label + (f", {channel}" if channel else "")
            own = unit or QUANTITIES[quantity].unit
            text = f"{words} [{own}]" + (", with > before it at the end of the range" if quantity in _BOUNDED else "")
            can = [n for n, i in _shown(session, task).items() if any(a.quantity == quantity for a in i.accuracy)]
            only = can[0] if len(can) == 1 else ""
            value, by, bound = session.typed(text, quantity, channel, own, instrument=only, bounds=quantity in _BOUNDED)
            name = instrument_for(_shown(session, task), quantity, value)
            if bound:
                channel = f"{channel} at least"  # noqa: PLW2901 - what the sheet calls such a reading
            row = {
                "quantity": quantity,
                "channel": channel,
                "value": f"{value:.10g}",
                "unit": QUANTITIES[quantity].unit,
                "instrument": name,
                # with the task: sheets of the same readings are no copies of one another
                "note": f"{task.id}, read by {by}" if by else task.id,
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


def instrument_for(instruments: Mapping[str, Instrument], quantity: str, value: float) -> str:
    """The instrument a value was read from: that with the smallest range that holds it; empty where none does."""
    able = {n: line for n, i in instruments.items() if (line := i.accuracy_for(quantity, value))}
    return min(able, key=lambda n: (able[n].range_max or float("inf"), able[n].bound(value)), default="")


def _shown(session: Session, task: PlanTask) -> dict[str, Instrument]:
    """Instruments a person can read: those worked by hand, and on mains the displays of the others."""
    stand = session.stand
    if task.mains_v:
        return {**stand.by_hand, **{name: driver.instrument for name, driver in stand.drivers.items()}}
    return {name: i for name, i in stand.by_hand.items() if i.role != "ac-power-meter"}


def _line(row: dict[str, str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow([row.get(key, "") for key in HAND_SHEET_HEADER])
    return text.getvalue()


def _column(quantity: str, channel: str) -> str:
    return f"{quantity}@{channel}" if channel else quantity
