"""What of a plan is still to be done: no raw file yet, or one that no longer counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from brickbook.analysis import is_current, load
from brickbook.analysis.codec import charger_json
from brickbook.book import Book, IndexEntry
from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError
from brickbook.core.figure import Figure
from brickbook.core.instrument import Instrument
from brickbook.core.plan import PlanStep, PlanTask, TestPlan

__all__ = ["Missing", "covering", "missing_tasks"]

_READERS: Mapping[str, tuple[str, ...]] = {
    "hand": ("hand-sheet",),
    "offers": ("observations",),
    "messages": ("message-log", "message-transitions", "port-events", "meter-log"),
    "log": ("meter-log",),
}
# What tells recordings of a study apart; all else (fixture, material, sensor) may differ from the plan.
_TELLING = (
    "mains_v",
    "mains_hz",
    "voltage_end",
    "situation",
    "start",
    "polarity",
    "step_low_a",
    "step_high_a",
    "load_a",
)
_CLOSE = 0.02  # loads as set and as the index states them


@dataclass(frozen=True, slots=True)
class Missing:
    """A task that is to be done.

    Parameters
    ----------
    task
        The task.
    why
        "missing": no raw file; "part": files of some of its steps only; "stale": its files no longer count.
    words
        What is wrong, for people.
    files
        Raw files there are of it.
    """

    task: PlanTask
    why: Literal["missing", "part", "stale"]
    words: str
    files: tuple[str, ...] = ()


def missing_tasks(book: Book, slug: str, plan: TestPlan) -> tuple[Missing, ...]:
    """Tasks of a plan whose raw files are missing, or no longer count, in the plan's order.

    A file no longer counts when an instrument's calibration was due before it was taken, when the maker's claims about
    ports or power have changed since its figures were made, or when its figures were made anew and none came of it.

    Raises
    ------
    BookError
        When the index or a file of the book has faults.
    """
    entries = book.index(slug)
    instruments = book.instruments
    made_of, changed = _figures_of(book, slug)
    found: list[Missing] = []
    for task in plan.tasks:
        files, lacking = covering(task, entries)
        names = tuple(entry.path for entry in files)
        if not files:
            found.append(Missing(task, "missing", "there is no raw file of it"))
        elif lacking:
            words = f"there is no raw file of {', '.join(lacking[:3])}{' and others' if len(lacking) > 3 else ''}"
            found.append(Missing(task, "part", words, names))
        else:
            words = _overdue(files, instruments)
            if not words and changed and task.kind != "hand":
                words = "the claims of charger.toml have changed since its figures were made; analyse, and look again"
            if not words and made_of is not None and task.studies[0] in made_of:
                known = made_of[task.studies[0]]
                words = "" if any(entry.sha256 in known for entry in files) else "no figure came of it"
            if words:
                found.append(Missing(task, "stale", words, names))
    return tuple(found)


def covering(task: PlanTask, entries: Sequence[IndexEntry]) -> tuple[tuple[IndexEntry, ...], tuple[str, ...]]:
    """Raw files of a task, and what there is none of: studies, or labels of captures.

    A task that serves several studies is covered by a file for each of them as well.
    """
    mine = [entry for entry in entries if set(task.studies) & set(entry.studies) and _reads(task, entry)]
    files: dict[str, IndexEntry] = {}
    lacking: list[str] = []
    if task.kind != "captures":
        # a run names its files by their task
        agreeing = [e for e in mine if e.path.startswith(task.id) or _agrees(task.raw_conditions, e)]
        lacking = [study for study in task.studies if not any(study in entry.studies for entry in agreeing)]
        return tuple(agreeing), tuple(lacking)
    for step in task.steps:
        if not step.capture:
            continue
        of_step = [e for e in mine if _agrees(_wanted(task, step), e)]
        if not of_step:
            lacking.append(step.label)
        files |= {entry.path: entry for entry in of_step}
    return tuple(files.values()), tuple(lacking)


def _wanted(task: PlanTask, step: PlanStep) -> dict[str, Scalar]:
    wanted = task.step_conditions(step)
    if "step_low_a" in wanted:
        wanted.pop("load_a", None)  # it steps
    return wanted


def _reads(task: PlanTask, entry: IndexEntry) -> bool:
    readers = _READERS.get(task.kind)
    return entry.reader.startswith("capture-") if readers is None else entry.reader in readers


def _agrees(wanted: Mapping[str, Scalar], entry: IndexEntry) -> bool:
    given = entry.conditions
    for key in _TELLING:
        if key in wanted and key in given:
            if not _same(wanted[key], given[key]):
                return False
        elif key in wanted and key not in ("load_a", "voltage_end"):
            return False  # the index does not say; another file may
    mine, theirs = _contracts(wanted), _contracts(given)
    if not theirs and "situation" in given:
        return True  # which port held the contract is not always written
    return not mine or (set(mine) == set(theirs) and all(theirs[port] in ((), mine[port]) for port in mine))


def _contracts(conditions: Mapping[str, Scalar]) -> dict[str, tuple[str, ...]]:
    """Port to the contract's kind and voltage, however the index writes it; "legacy" is not always written."""
    ports = [p.strip() for p in str(conditions.get("ports", conditions.get("port", ""))).split("+") if p.strip()]
    told: dict[str, tuple[str, ...]] = {}
    for part in str(conditions.get("contract", "")).split("+"):
        words = [word for word in part.split() if word != "legacy"]
        if words and words[0] in ports:
            told[words[0]] = tuple(words[1:])
        elif words and len(ports) == 1:
            told[ports[0]] = tuple(words)
    return {port: told.get(port, ()) for port in ports}


def _same(one: Scalar, other: Scalar) -> bool:
    if isinstance(one, (str, bool)) or isinstance(other, (str, bool)):
        return one == other
    return abs(one - other) <= _CLOSE * max(abs(one), abs(other)) + 1e-9


def _overdue(files: Iterable[IndexEntry], instruments: Mapping[str, Instrument]) -> str:
    for entry in files:
        for name in sorted(set(entry.instruments.values())):
            due = instruments[name].due if name in instruments else ""
            if due and entry.taken and entry.taken[:10] > due:
                return f"{entry.path} was taken on {entry.taken[:10]}, {name} was due on {due}"
    return ""


def _figures_of(book: Book, slug: str) -> tuple[dict[str, set[str]] | None, bool]:
    """Study to SHA-256 of files its figures came of, where they are of these very files; and whether claims changed."""
    try:
        stored = load(book, slug)
    except BookError:
        return None, False
    if is_current(book, slug):
        return _sources(stored.figures), False
    now = charger_json(book.charger(slug))
    return None, any(stored.charger.get(key) != now.get(key) for key in ("ports", "budgets", "nameplate", "sharing"))


def _sources(figures: Iterable[Figure]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for figure in figures:
        found.setdefault(figure.study, set()).update(rows.file.sha256 for rows in figure.sources)
    return found
