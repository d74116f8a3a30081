"""The runner: interprets a plan on a bench, writes down everything, and leaves the bench safe whatever happens."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from brickbook.bench.captures import captures_task
from brickbook.bench.desk import Desk, Paused, Repeated, Skipped, Stopped, listen_to_terminal, signals_to
from brickbook.bench.dialect import Dialect
from brickbook.bench.errors import BenchError, CannotDo, Tripped
from brickbook.bench.hand_task import hand_task
from brickbook.bench.journal import (
    Event,
    JournalWriter,
    is_alive,
    new_run_id,
    read_journal,
    runs,
    runs_folder,
    signed_in,
)
from brickbook.bench.limits import effective_limits, plan_faults
from brickbook.bench.link import VisaLink
from brickbook.bench.logs import log_task
from brickbook.bench.messages_task import messages_task
from brickbook.bench.offers import offers_task
from brickbook.bench.resume import Progress, unfinished_run
from brickbook.bench.safety import make_safe
from brickbook.bench.session import Session, wall_now
from brickbook.bench.single import only_run
from brickbook.bench.stand import LinkMaker, Stand, bench_faults, open_drivers
from brickbook.bench.take_in import Deposit, take_in
from brickbook.bench.watchdog import PATIENCE_S, Watchdog
from brickbook.book import BenchLimits, Book
from brickbook.core.errors import BrickbookError, Fault
from brickbook.core.instrument import Instrument
from brickbook.core.plan import PlanTask, TestPlan
from brickbook.plateaus import STABILITY_RULES

__all__ = ["KINDS", "Outcome", "RunChoices", "run_plan"]

Outcome = Literal["done", "aborted", "interlock", "failed", "paused"]

KINDS: Mapping[str, Callable[[Session, PlanTask], list[Deposit]]] = {
    "log": log_task,
    "offers": offers_task,
    "messages": messages_task,
    "captures": captures_task,
    "hand": hand_task,
}


@dataclass(frozen=True, slots=True)
class RunChoices:
    """What a run does and how.

    Parameters
    ----------
    tasks
        Ids of the tasks to do; all of the plan if empty.
    only_missing
        Leave out tasks whose raw file is in the book already.
    resume
        What to do about a run that did not end: "resume", "restart", or "" to refuse.
    confirmed
        Whether cautions and work by hand count as confirmed; for a simulated bench only.
    terminal
        Whether somebody types at a terminal.
    """

    tasks: tuple[str, ...] = ()
    only_missing: bool = False
    resume: Literal["resume", "restart", ""] = ""
    confirmed: bool = False
    terminal: bool = False


@dataclass(slots=True)
class _Run:
    """A run under way, and how it ends."""

    session: Session
    progress: Progress
    choices: RunChoices
    outcome: Outcome = "done"
    why: str = ""
    failed: list[str] = field(default_factory=list)


def run_plan(
    book: Book,
    slug: str,
    choices: RunChoices,
    *,
    instruments: Mapping[str, Instrument] | None = None,
    limits: BenchLimits | None = None,
    bench_folder: Path | None = None,
    show: Callable[[Event], None] = lambda _event: None,
    make_link: LinkMaker = VisaLink,
    patience_s: float = PATIENCE_S,
) -> tuple[Outcome, Path]:
    """Do a charger's plan.

    Before anything is switched on, plan, bench file and dialects are checked, every instrument is asked who it is, a
    run that did not end is looked for, and the bench is put safe.

    Parameters
    ----------
    book, slug
        The charger.
    choices
        What and how.
    instruments, limits, bench_folder
        Of another bench file than the book's.
    show
        Is given each event of the journal once it is on the disk.
    make_link
        Makes the line to an address.
    patience_s
        Time without a move of the runner after which a watchdog switches the bench off [s].

    Returns
    -------
    tuple
        How it ended, and the run's folder.

    Raises
    ------
    BrickbookError
        When it cannot begin: nothing has been switched on then.
    """
    plan = book.plan(slug, rules=STABILITY_RULES)
    chosen = _chosen(plan, choices.tasks)
    bench = dict(book.instruments if instruments is None else instruments)
    in_force = effective_limits(book.bench_limits if limits is None else limits)
    ports = [port.id for port in book.charger(slug).ports]
    dialects, faults = bench_faults(bench, bench_folder or book.root, ports)
    faults += plan_faults(plan, in_force)
    if faults:
        raise BenchError(*faults)
    with ExitStack() as stack:
        stack.enter_context(only_run(book.root, [one.address for one in bench.values()]))
        stack.enter_context(book.lock(slug))
        report = _Report()
        stand, silent = open_drivers(bench, dialects, report=report, make_link=make_link)
        stack.callback(stand.close)
        if silent:
            # what does answer is put safe all the same: a run may have been broken off with it on
            make_safe(stand)
            raise BenchError(*silent)
        if choices.confirmed and not stand.is_simulated:
            real = "at least one instrument is no simulated one on this machine, or there is no bench clock."
            raise BenchError(Fault("--yes-simulated", "", real, "Confirm each caution yourself."))
        old = unfinished_run(book, slug)
        folder = _folder(book, slug, old, choices, stand)
        stack.enter_context(signed_in(folder))
        journal = stack.enter_context(JournalWriter(folder, stand.clock.now_s))
        journal.shown = show
        desk = Desk(folder, journal, confirms="--yes-simulated" if choices.confirmed else "")
        session = Session(book, slug, plan, folder, stand, in_force, journal, desk)
        report.to = session.report
        session.watchdog = Watchdog(lambda: _bite(bench, dialects, make_link, desk), patience_s)
        stack.callback(session.watchdog.close)
        desk.beat = session.watchdog.beat
        stack.enter_context(signals_to(desk))
        if choices.terminal:
            listen_to_terminal(folder, desk)
        run = _Run(session, Progress.of(read_journal(folder)), choices)
        journal.write(
            "run-started",
            plan_sha256=plan_digest(plan),
            simulated=stand.is_simulated,
            instruments=stand.idn,
            tasks=[task.id for task in chosen],
            resumed=bool(run.progress.started),
        )
        _to_its_end(run, chosen)
        return run.outcome, folder


def _to_its_end(run: _Run, tasks: Sequence[PlanTask]) -> None:
    """Do the tasks; whatever comes, the bench is made safe and the end is written down."""
    session = run.session
    try:
        session.make_safe("before the run")
        session.unloaded_s = session.mains_off_s = session.stand.clock.now_s()
        for task in tasks:
            _task_to_its_end(run, task)
    except Stopped as stop:
        run.outcome, run.why = ("paused" if run.outcome == "paused" else "aborted"), str(stop)
    except Tripped as tripped:
        trip = tripped.trip
        run.outcome, run.why = "interlock", trip.text
        session.journal.write(
            "interlock", what=trip.what, limit=trip.limit, value=trip.value, instrument=trip.instrument, text=trip.text
        )
    except BrickbookError as error:
        run.outcome, run.why = "failed", str(error)
    except BaseException as error:
        run.outcome, run.why = "failed", f"{type(error).__name__}: {error}"
        raise
    finally:
        try:
            session.make_safe_for_sure(run.why or "the plan is done")
        finally:
            session.journal.write("run-ended", outcome=run.outcome, why=run.why)


def _task_to_its_end(run: _Run, task: PlanTask) -> None:
    session, progress = run.session, run.progress
    if task.id in progress.done:
        return
    session.task = task.id
    if task.id in progress.ready:  # broken off between its last reading and its entry in the index
        _taken_in(session, task, progress.ready[task.id])
        return
    if run.choices.only_missing and is_in_book(session.book, session.slug, task):
        session.journal.write("task-skipped", task=task.id, why="its raw file is in the book already")
        return
    while True:
        try:
            session.desk.look()
            _one_attempt(run, task)
        except Repeated as wish:
            session.make_safe(str(wish))
            session.note(str(wish))
        except Paused as wish:
            _pause(run, str(wish))
        except Skipped as wish:
            session.make_safe(str(wish))
            session.journal.write("task-skipped", task=task.id, why=str(wish))
            return
        except CannotDo as reason:
            session.make_safe(str(reason))
            session.journal.write("task-skipped", task=task.id, why=str(reason))
            return
        else:
            return
        finally:
            session.task = ""
        session.task = task.id


def _one_attempt(run: _Run, task: PlanTask) -> None:
    session, clock = run.session, run.session.stand.clock
    session.journal.write("task-started", task=task.id, title=task.title, steps=len(task.steps))
    if task.kind == "hand" and run.choices.confirmed and not run.choices.terminal:
        raise CannotDo("readings by hand: nobody is there to type them in")
    for text in task.cautions:
        session.desk.confirm(session.question("caution", text))
    for text in task.by_hand:
        if text not in session.set_up:  # what was set up for the task before still stands
            session.by_hand(text)
    session.set_up = task.by_hand
    for wanted_s, since_s, how in (
        (task.rest_s, session.unloaded_s, "without load"),
        (task.off_s, session.mains_off_s, "without mains"),
    ):
        rest = since_s + wanted_s - clock.now_s()
        if wanted_s and rest > 0.0:
            session.note(f"resting for {rest:.0f} s {how}")
            session.wait(rest)
    deposits = KINDS[task.kind](session, task)
    session.off_by_hand()
    session.make_safe(f"{task.id} is done")
    if task.mains_v:
        session.mains_off_s = clock.now_s()
        if task.is_loaded:
            session.unloaded_s = clock.now_s()
    if not deposits:
        raise CannotDo("nothing was recorded")
    session.journal.write("note", task=task.id, text="complete", deposits=[deposit.fields() for deposit in deposits])
    _taken_in(session, task, deposits)


def _taken_in(session: Session, task: PlanTask, deposits: Sequence[Deposit]) -> None:
    names = take_in(session.book, session.slug, session.folder, deposits, wall_now())
    session.journal.write("task-ended", task=task.id, raw=names)


def _pause(run: _Run, why: str) -> None:
    session = run.session
    session.make_safe(why)
    session.journal.write("paused", why=why)
    run.outcome = "paused"  # should it end now, it has only been put aside
    session.unloaded_s = min(session.unloaded_s, session.stand.clock.now_s())
    session.desk.wait_while_paused()
    run.outcome = "done"
    session.journal.write("resumed")


# Within


def _bite(bench: Mapping[str, Instrument], dialects: Mapping[str, Dialect], make_link: LinkMaker, desk: Desk) -> None:
    """Over lines of its own, in the watchdog's thread: the runner's may be in the middle of something."""
    desk.stop_why = desk.stop_why or "switched off by the watchdog: the runner did not move"
    stand, _ = open_drivers(bench, dialects, report=lambda _name, _text: None, make_link=make_link)
    make_safe(stand)
    stand.close()


class _Report:
    """Passes errors of instruments on, once there is a journal."""

    def __init__(self) -> None:
        self.to: Callable[[str, str], None] = lambda _name, _text: None

    def __call__(self, name: str, text: str) -> None:
        self.to(name, text)


def plan_digest(plan: TestPlan) -> str:
    """Digest of what a run does, for its journal."""
    return hashlib.sha256("\n".join(f"{task.id} {task.digest}" for task in plan.tasks).encode()).hexdigest()


def is_in_book(book: Book, slug: str, task: PlanTask) -> bool:
    """Whether a raw file of a task is in the book."""
    return any(entry.path.startswith(task.id) for entry in book.index(slug))


def _chosen(plan: TestPlan, wanted: Sequence[str]) -> list[PlanTask]:
    known = [task.id for task in plan.tasks]
    wrong = [
        Fault("--task", name, "is no task of the plan.", f"They are {', '.join(known)}.")
        for name in wanted
        if name not in known
    ]
    if wrong:
        raise BenchError(*wrong)
    return [task for task in plan.tasks if not wanted or task.id in wanted]


def _folder(book: Book, slug: str, old: Path | None, choices: RunChoices, stand: Stand) -> Path:
    """The run's folder, new or taken up again; what an old run left on is switched off before anything else."""
    home = runs_folder(book, slug)
    if old is not None:
        if is_alive(old):
            raise BenchError(Fault(str(old), "", "this run is under way.", "Wait for it, or end it."))
        steps = make_safe(stand)
        with JournalWriter(old, stand.clock.now_s) as journal:
            why = "found broken off"
            journal.write("safe-off", why=why, steps=[step.fields() for step in steps])
            if choices.resume == "resume":
                return old
            if choices.resume == "":
                problem = "this run did not end. The bench has been put safe."
                remedy = "Take it up with --resume, or begin anew with --restart."
                raise BenchError(Fault(f"chargers/{slug}/runs/{old.name}", "", problem, remedy))
            journal.write("run-ended", outcome="aborted", why="given up for a new run")
    elif choices.resume == "resume" and (every := runs(book, slug)):
        problem = "this run has ended: there is nothing to take up."
        raise BenchError(Fault(f"chargers/{slug}/runs/{every[-1].name}", "", problem, "Begin anew without --resume."))
    home.mkdir(exist_ok=True)
    folder = home / new_run_id(home)
    folder.mkdir()
    return folder
