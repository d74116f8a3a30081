"""`brickbook plan`: the tests to do on a charger, in order, with their time and what is done by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter
from rich.console import Console
from rich.table import Table
from rich.text import Text

from brickbook.bench.planning import (
    Changes,
    Missing,
    Predicted,
    TaskTime,
    build_plan,
    missing_tasks,
    predicted_time,
    renewed_plan,
)
from brickbook.book import Book
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, wanted
from brickbook.core.plan import PlanTask, Size, TestPlan
from brickbook.plateaus.rules import STABILITY_RULES

__all__ = ["plan"]

_WIDE = 118  # columns from which ports and contracts have a column of their own
_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class _Row:
    """A task as shown."""

    task: PlanTask
    time: TaskTime
    missing: Missing | None


def plan(
    charger: Annotated[str, Parameter(help="Folder name of the charger.")],
    /,
    *,
    size: Annotated[Size | None, Parameter(help="How much to test; standard for a new plan.")] = None,
    missing: Annotated[
        bool, Parameter(negative="", help="Show only what has no raw file, or one out of date.")
    ] = False,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Plan the tests of a charger: write plan.toml, or renew it and keep what was edited in it."""
    opened = open_book(book)
    (slug,) = wanted(opened, [charger])
    made, changes = _made(opened, slug, size)
    opened.write_plan(slug, made)
    lacking = {m.task.id: m for m in missing_tasks(opened, slug, made)}
    shown = replace(made, tasks=tuple(t for t in made.tasks if t.id in lacking)) if missing else made
    times = predicted_time(shown, opened.instruments)
    rows = [_Row(task, time, lacking.get(task.id)) for task, time in zip(shown.tasks, times.tasks, strict=True)]
    if json:
        print_json(_plain(slug, made, rows, times, changes))
        return 0
    out = console()
    out.print(Text(_heading(slug, made, rows, missing=missing)), style="bold")
    for line in _told(changes, made):
        out.print(Text(line))
    if rows:
        _show(out, rows, times, missing=missing)
    for note in made.notes:
        out.print(Text(f"Note: {note}"))
    return 0


def _made(book: Book, slug: str, size: Size | None) -> tuple[TestPlan, Changes | None]:
    claims, instruments, amps = book.charger(slug), book.instruments, book.bench_limits.amps
    if book.has_plan(slug):
        before = book.plan(slug, rules=STABILITY_RULES)
        return renewed_plan(before, claims, book.settings, size, instruments=instruments, amps=amps)
    return build_plan(slug, claims, book.settings, size or "standard", instruments=instruments, amps=amps), None


def _heading(slug: str, made: TestPlan, rows: Sequence[_Row], *, missing: bool) -> str:
    count = len(made.tasks)
    what = f"{len(rows)} of {count} tasks still to be done" if missing else f"{count} task{'s' if count != 1 else ''}"
    return f"{slug}, {made.size} campaign: {what}"


def _told(changes: Changes | None, made: TestPlan) -> Iterator[str]:
    """What became of the plan that was there."""
    if changes is None:
        yield f"Written to chargers/{made.charger}/plan.toml: edit it as you like."
        return
    counts = (
        (len(changes.new), "new"),
        (len(changes.updated), "made differently now"),
        (len(changes.gone), "no longer part of it"),
        (len(changes.edited), "left as you edited them"),
        (len(changes.own), "of your own"),
        (len(changes.left_out), "left out as you wish"),
    )
    yield f"plan.toml renewed: {', '.join(f'{n} {words}' for n, words in counts if n) or 'nothing has changed'}."
    titles = {task.id: task.title for task in made.tasks}
    for name in changes.overtaken:
        yield f"! {name} ({titles[name]}) is as you edited it; claims or procedures have changed since."


def _show(out: Console, rows: Sequence[_Row], times: Predicted, *, missing: bool) -> None:
    wide = out.width >= _WIDE
    sentences = _letters(rows)
    table = Table(title_justify="left", header_style="bold")
    table.add_column("#", justify="right", no_wrap=True)
    table.add_column("Task", ratio=5)
    if wide:
        table.add_column("Ports and contracts", ratio=3)
    table.add_column("Mains", no_wrap=True)
    table.add_column("By hand", ratio=3)
    table.add_column("min", justify="right", no_wrap=True)
    table.add_column("h:mm", justify="right", no_wrap=True)
    for number, row in enumerate(rows, 1):
        spent = row.time.change_s + row.time.rest_s + row.time.own_s
        cells = [
            str(number),
            _title(row, missing=missing),
            *([_plugged(row.task)] if wide else []),
            f"{row.task.mains_v:g} V" if row.task.mains_v else "–",
            _by_hand(row, sentences),
            f"{spent / _MINUTE_S:.0f}",
            _clock(row.time.end_s),
        ]
        table.add_row(*(Text(cell) for cell in cells))
    out.print(table)
    out.print(Text(_sum(times)))
    _list(out, "By hand", {mark: sentence for sentence, mark in sentences.items()})
    _warn(out, rows)
    notes: dict[str, list[int]] = {}
    for number, row in enumerate(rows, 1):
        if row.task.note:
            notes.setdefault(row.task.note, []).append(number)
    if notes:
        out.print(Text("Notes"), style="bold")
        for note, numbers in notes.items():
            out.print(Text(f"  tasks {_ranges(numbers, 0)}: {note}"))


def _title(row: _Row, *, missing: bool) -> str:
    task = row.task
    title = task.title.removesuffix(f", {task.mains_v:g} V {task.mains_hz:g} Hz")
    own = "" if task.made else " (yours)"
    edited = " (edited)" if task.made and task.is_edited else ""
    why = f": {row.missing.words}" if missing and row.missing is not None and row.missing.why != "missing" else ""
    return f"{title}{own}{edited}{why}"


def _plugged(task: PlanTask) -> str:
    seen: dict[str, list[str]] = {}
    for step in task.steps:
        for setting in step.ports:
            if setting.contract and setting.contract not in seen.setdefault(setting.port, []):
                seen[setting.port].append(setting.contract)
    return ", ".join(f"{port} {'/'.join(found)}" for port, found in seen.items())


def _by_hand(row: _Row, sentences: dict[str, str]) -> str:
    words = [sentences.get(words, words) for words in row.time.change]
    marks = [word for word in words if word in sentences.values()]
    plain = [word for word in words if word not in sentences.values()]
    if row.time.rest_s >= _MINUTE_S:
        plain.append(f"let it cool for {row.time.rest_s / _MINUTE_S:.0f} min")
    if row.task.ask:
        plain.append(f"type in {len(row.task.ask)} readings")
    return "; ".join([*plain, *([" ".join(marks)] if marks else [])])


def _letters(rows: Sequence[_Row]) -> dict[str, str]:
    """Sentences of hand work and the mark each has in the table."""
    found = dict.fromkeys(sentence for row in rows for sentence in row.task.by_hand)
    return {sentence: f"({_letter(k)})" for k, sentence in enumerate(found)}


def _letter(number: int) -> str:
    most = 26
    return (_letter(number // most - 1) if number >= most else "") + chr(ord("a") + number % most)


def _cautions(rows: Sequence[_Row]) -> dict[str, str]:
    """Numbers of tasks, each caution once."""
    found: dict[str, list[int]] = {}
    for number, row in enumerate(rows, 1):
        for caution in row.task.cautions:
            found.setdefault(caution, []).append(number)
    every = {caution: _ranges(numbers, len(rows)) for caution, numbers in found.items()}
    joined: dict[str, str] = {}
    for caution, numbers_ in every.items():
        joined[numbers_] = f"{joined[numbers_]}\n{caution}" if numbers_ in joined else caution
    return joined


def _ranges(numbers: Sequence[int], count: int) -> str:
    if len(numbers) == count:
        return "all"
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(f"{p[0]}–{p[-1]}" if len(p) > 1 else f"{p[0]}" for p in parts)


def _warn(out: Console, rows: Sequence[_Row]) -> None:
    out.print(Text("CAUTIONS"), style="bold")
    for numbers, cautions in _cautions(rows).items():
        out.print(Text("  all tasks" if numbers == "all" else f"  tasks {numbers}"))
        grid = Table.grid(padding=(0, 1))
        for caution in cautions.split("\n"):
            grid.add_row(Text("   –"), Text(caution))
        out.print(grid)


def _list(out: Console, title: str, items: dict[str, str]) -> None:
    if not items:
        return
    out.print(Text(title), style="bold")
    grid = Table.grid(padding=(0, 1))
    grid.add_column(max_width=14)
    grid.add_column(ratio=1)
    for mark, words in items.items():
        for k, line in enumerate(words.split("\n")):
            grid.add_row(Text(f"  {mark}" if not k else ""), Text(line))
    out.print(grid)


def _clock(seconds: float) -> str:
    minutes = round(seconds / _MINUTE_S)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _sum(times: Predicted) -> str:
    return (
        f"{_clock(times.total_s)} h of bench time when every load is steady as soon as its rule allows, "
        f"{_clock(times.at_most_s)} h at most; of it {_clock(times.changing_s)} h by hand and "
        f"{_clock(times.resting_s)} h of cooling."
    )


def _plain(
    slug: str, made: TestPlan, rows: Sequence[_Row], times: Predicted, changes: Changes | None
) -> dict[str, Any]:
    return {
        "charger": slug,
        "size": made.size,
        "file": f"chargers/{slug}/plan.toml",
        "tasks": [
            {
                "id": row.task.id,
                "studies": list(row.task.studies),
                "title": row.task.title,
                "kind": row.task.kind,
                "mains_v": row.task.mains_v,
                "mains_hz": row.task.mains_hz,
                "conditions": made.conditions_of(row.task),
                "by_hand": list(row.time.change),
                "cautions": list(row.task.cautions),
                "change_s": row.time.change_s,
                "rest_s": row.time.rest_s,
                "own_s": row.time.own_s,
                "longest_s": row.time.longest_s,
                "end_s": row.time.end_s,
                "edited": row.task.is_edited,
                "missing": row.missing.why if row.missing is not None else None,
                "why": row.missing.words if row.missing is not None else None,
            }
            for row in rows
        ],
        "total_s": times.total_s,
        "at_most_s": times.at_most_s,
        "by_hand_s": times.changing_s,
        "cooling_s": times.resting_s,
        "changes": asdict(changes) if changes is not None else None,
    }
