"""What a run shows: plain lines in a pipe, a live picture at a terminal; both only look at the journal's events."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from brickbook.bench.journal import Event
from brickbook.core.quantities import QUANTITIES, channel_of, quantity_of

__all__ = ["event_line", "screen_for"]

_LINE_EVERY_S = 5.0


@contextmanager
def screen_for(*, plain: bool) -> Iterator[Callable[[Event], None]]:
    """Something that shows each event, for the length of a `with` block."""
    if plain:
        yield _Plain()
        return
    console = Console(highlight=False)
    with Live(console=console, refresh_per_second=4, transient=True) as live:
        yield _Picture(live)


def event_line(event: Event) -> str:
    """An event in words; empty for those that say nothing to people."""
    get = event.get
    match event.event:
        case "run-started":
            where = "a bench in software" if get("simulated") else "the bench"
            return f"run on {where}: {len(get('tasks', ()))} tasks" + (", taken up again" if get("resumed") else "")
        case "task-started":
            return f"task {get('task')}: {get('title', '')}"
        case "asked":
            problem = f"{get('problem')} " if get("problem") else ""
            asked = {"caution": "CAUTION", "by_hand": "by hand"}.get(str(get("what")), "please read")
            hint = "" if get("what") == "reading" else " [yes, skip, abort]"
            return f"{problem}{asked}: {get('text')}{hint}"
        case "answered":
            return f"  {get('value')}" + (f" ({get('by')})" if get("by") else "")
        case "step-started":
            return f"  step {get('label')}"
        case "reading":
            return f"    {event.t:.1f} s  {_values(event)}"
        case "step-ended":
            return f"  {'settled' if get('settled') else 'NOT SETTLED'}: {get('reason')}"
        case "task-ended":
            return f"  taken in: {', '.join(get('raw', ()))}"
        case "task-skipped":
            return f"  {get('task')} left out: {get('why')}"
        case "note" if not get("deposits"):
            return f"  note: {get('text')}"
        case "paused" | "resumed":
            return event.event
        case "instrument-error":
            return f"  {get('instrument')} reports: {get('text')}"
        case "interlock":
            return f"INTERLOCK: {get('text')}"
        case "safe-off":
            bad = [f"{s.get('what')}: {s.get('error')}" for s in get("steps", ()) if not s.get("ok")]
            return f"NOT READ BACK AS OFF: {'; '.join(bad)}" if bad else f"  all off and read back ({get('why')})"
        case "run-ended":
            return f"ended: {get('outcome')}. {get('why')}"
        case _:
            return ""


def _values(event: Event) -> str:
    shown = []
    for column, value in list(event.get("values", {}).items())[:8]:
        unit = QUANTITIES[quantity_of(column)].unit if quantity_of(column) in QUANTITIES else ""
        shown.append(f"{column} {'-' if value is None else f'{value:.5g}'}{' ' + unit if unit else ''}")
    return ", ".join(shown)


class _Plain:
    """A line for each event; readings at most every few seconds."""

    def __init__(self) -> None:
        self._last = 0.0

    def __call__(self, event: Event) -> None:
        if event.event == "reading":
            if time.monotonic() - self._last < _LINE_EVERY_S:
                return
            self._last = time.monotonic()
        line = event_line(event)
        if line:
            try:
                sys.stdout.write(line + "\n")
                sys.stdout.flush()
            except (OSError, ValueError):  # nobody reads any more: the run goes on, the journal has it all
                return


@dataclass(slots=True)
class _Picture:
    """The last readings in a table, and the last lines above it."""

    live: Live
    label: str = ""
    step_t: float = 0.0
    values: dict[str, float | None] = field(default_factory=dict)

    def __call__(self, event: Event) -> None:
        if event.event == "reading":
            self.values |= event.get("values", {})
            self.live.update(self._picture(event.t))
            return
        if event.event == "task-started":
            self.values.clear()
        if event.event == "step-started":
            self.label, self.step_t = str(event.get("label")), event.t
        line = event_line(event)
        if line:
            self.live.console.print(Text(line))

    def _picture(self, now: float) -> Group:
        table = Table("Quantity", "Where", "Reading", box=None)
        for column, value in self.values.items():
            quantity = QUANTITIES.get(quantity_of(column))
            if quantity is None or quantity.channel == "harmonic":
                continue
            shown = "-" if value is None else f"{value:.6g}"
            table.add_row(quantity.label, channel_of(column), f"{shown} {quantity.unit}")
        head = Text(f"{self.label}, {now - self.step_t:.0f} s   (pause, skip, repeat, abort)")
        return Group(head, table)
