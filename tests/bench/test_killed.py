"""A runner that is killed or stopped at any moment: nothing is lost, nothing stands twice, the bench ends safe."""

import csv
import multiprocessing
import os
import signal
import subprocess
import sys
import time

import pytest

from brickbook.bench import BenchError, RunChoices, is_alive, open_runs, read_journal, run_plan, status_of
from brickbook.bench.journal import JOURNAL_FILE
from brickbook.core.plan import Dwell

from .conftest import SLUG, bench_toml, do, give_plan, is_dead, log_task

STAY = Dwell(5.0, 5.0)
FIRST, SECOND = "regulation-00000001", "regulation-00000002"


@pytest.fixture
def planned(book):
    give_plan(book, log_task(FIRST, dwell=STAY), log_task(SECOND, dwell=STAY, ratios=(0.75, 0.25)))
    return book


def _run_and_die(book, instruments, moment):
    """In a child: die by SIGKILL as soon as an event is on the disk."""

    def show(event):
        if moment(event):
            os.kill(os.getpid(), signal.SIGKILL)

    run_plan(book, SLUG, RunChoices(confirmed=True), instruments=instruments, show=show)


def kill_at(book, sim, moment):
    """Have a run killed at a moment; gives its folder."""
    child = multiprocessing.get_context("fork").Process(target=_run_and_die, args=(book, sim.instruments, moment))
    child.start()
    child.join(60)
    assert child.exitcode == -signal.SIGKILL
    (folder,) = open_runs(book, SLUG)
    return folder


def rows_of(path):
    with path.open() as file:
        return [{k: v for k, v in row.items() if k != "time_s"} for row in csv.DictReader(file)]


def as_rows(events):
    return [{k: "" if v is None else repr(float(v)) for k, v in e.get("values").items()} for e in events]


def attempts(events, task):
    """Readings of each attempt at a task, in order."""
    found = []
    for event in events:
        if event.event == "task-started" and event.get("task") == task:
            found.append([])
        if event.event == "reading" and event.get("task") == task:
            found[-1].append(event)
    return found


def all_kept(book, folder):
    """Whether every reading of the journal stands once in its attempt's log, and each task's raw file is its last log."""
    events = read_journal(folder)
    assert [e.n for e in events] == list(range(len(events)))
    for task in (FIRST, SECOND):
        tries = attempts(events, task)
        parts = [folder / f"{task}.part-{k}.csv" for k in range(1, len(tries) + 1)]
        logs = [part for part in parts if part.exists()]
        logs.append(folder / f"{task}.csv")
        told = [as_rows(readings) for readings in tries]
        told = [readings for readings in told if readings] if len(logs) < len(told) else told
        assert len(logs) == len(told)
        for log, readings in zip(logs, told, strict=True):
            rows = rows_of(log)
            # between the row and the event a kill may come: the row is kept all the same, it is never the other way
            assert rows[: len(readings)] == readings
            assert len(rows) - len(readings) in ((0,) if log is logs[-1] else (0, 1))
        assert len(told[-1]) == 12
        # and it is what the load drew in the world, step by step
        amps = [float(row["port_current_a@C1"]) for row in told[-1]]
        wanted = (1.5, 0.75) if task == FIRST else (1.125, 0.375)
        assert amps == pytest.approx([wanted[0]] * 6 + [wanted[1]] * 6, abs=0.003)
        entries = [entry for entry in book.index(SLUG) if entry.path.startswith(task)]
        assert [entry.path for entry in entries] == [f"{task}.csv"]
        assert book.raw_bytes(SLUG, entries[0]) == logs[-1].read_bytes()


def nth(event, count):
    seen = []

    def moment(now):
        seen.append(now.event)
        return now.event == event and seen.count(event) == count

    return moment


@pytest.mark.parametrize(
    ("event", "count"),
    [
        ("run-started", 1), ("safe-off", 1), ("task-started", 1), ("step-started", 1), ("reading", 1), ("reading", 8),
        ("step-ended", 2), ("note", 1), ("task-ended", 1), ("reading", 15), ("safe-off", 4),
    ],
)  # fmt: skip
def test_killed_and_taken_up_again(planned, sim, event, count):
    folder = kill_at(planned, sim, nth(event, count))
    assert not is_alive(folder)
    assert status_of(folder).state == "broken off"
    before = read_journal(folder)
    with pytest.raises(BenchError, match="Take it up with --resume"):
        do(planned, sim)
    assert is_dead(sim)  # put safe although nothing was begun
    outcome, same, events = do(planned, sim, resume="resume")
    assert (outcome, same) == ("done", folder)
    assert events[: len(before)] == before
    assert events[len(before)].event == "safe-off"
    done_before = {e.get("task") for e in before if e.event == "task-ended"}
    begun_after = {e.get("task") for e in events[len(before) :] if e.event == "task-started"}
    assert not done_before & begun_after
    all_kept(planned, folder)
    assert is_dead(sim)
    assert open_runs(planned, SLUG) == ()


def test_killed_between_the_last_reading_and_the_index_nothing_is_measured_again(planned, sim):
    folder = kill_at(planned, sim, lambda e: e.event == "note" and e.get("deposits"))
    before = len(read_journal(folder))
    do(planned, sim, resume="resume")
    after = read_journal(folder)[before:]
    assert [e.get("task") for e in after if e.event == "task-started"] == [SECOND]
    assert [e.get("task") for e in after if e.event == "task-ended"] == [FIRST, SECOND]
    all_kept(planned, folder)


def test_killed_while_taking_in_no_file_is_taken_in_twice(planned, sim, monkeypatch):
    folder = kill_at(planned, sim, lambda e: e.event == "note" and e.get("deposits"))
    # as if the index had been written and only the journal's line had not
    from brickbook.bench.resume import Progress
    from brickbook.bench.take_in import take_in

    ready = Progress.of(read_journal(folder)).ready[FIRST]
    take_in(planned, SLUG, folder, ready, "")
    do(planned, sim, resume="resume")
    all_kept(planned, folder)


def test_a_torn_line_is_no_obstacle(planned, sim):
    folder = kill_at(planned, sim, nth("reading", 4))
    with (folder / JOURNAL_FILE).open("ab") as file:
        file.write(b'{"n":99,"at":"2026-11-2')
    before = len(read_journal(folder))
    outcome, _, events = do(planned, sim, resume="resume")
    assert outcome == "done"
    assert events[before].n == before
    all_kept(planned, folder)


def test_begun_anew_the_old_run_is_closed_and_kept(planned, sim):
    old = kill_at(planned, sim, nth("reading", 4))
    outcome, new, _ = do(planned, sim, resume="restart")
    assert outcome == "done"
    assert new != old
    last = read_journal(old)[-1]
    assert (last.event, last.get("outcome")) == ("run-ended", "aborted")
    all_kept(planned, new)
    do(planned, sim)  # a new run needs no word about the old one


def test_a_run_that_has_ended_is_not_taken_up_by_measuring_all_again(planned, sim):
    do(planned, sim)
    with pytest.raises(BenchError, match="nothing to take up"):
        do(planned, sim, resume="resume")
    assert len(planned.index(SLUG)) == 2


def command(book, *more):
    code = "import sys; from brickbook.cli import run; sys.exit(run(sys.argv[1:]))"
    line = [sys.executable, "-c", code, "run", SLUG, "--book", str(book.root), *more]
    return subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def wait_for(folder_of, event, process):
    end = time.monotonic() + 30
    while time.monotonic() < end and process.poll() is None:
        for folder in folder_of():
            if any(e.event == event for e in read_journal(folder)):
                return folder
        time.sleep(0.01)
    raise AssertionError(process.communicate()[0])


@pytest.mark.parametrize("numbers", [(signal.SIGINT, signal.SIGINT, signal.SIGHUP), (signal.SIGTERM,)])
def test_signals_end_the_run_safe_however_often_they_come(book, sim, numbers):
    give_plan(book, log_task(FIRST, dwell=Dwell(3000.0, 3000.0)))
    (book.root / "bench.toml").write_text(bench_toml(sim.instruments))
    process = command(book, "--yes-simulated", "--plain")
    folder = wait_for(lambda: (book.root / "chargers" / SLUG).glob("runs/*"), "reading", process)
    assert is_alive(folder)
    assert sim.do(lambda w: w.mains_on)
    for number in numbers:
        process.send_signal(number)
    out = process.communicate(timeout=30)[0]
    assert process.returncode == 1, out
    assert is_dead(sim)
    events = read_journal(folder)
    assert [e.event for e in events[-2:]] == ["safe-off", "run-ended"]
    assert events[-1].get("outcome") == "aborted"
    assert "ended by SIG" in events[-1].get("why")
    assert all(step["ok"] for step in events[-2].get("steps"))
    assert "Traceback" not in out


def test_a_run_whose_reader_has_gone_goes_on(book, sim):
    """Its output is closed: the run goes on, everything is in the journal."""
    give_plan(book, log_task(FIRST, dwell=STAY))
    (book.root / "bench.toml").write_text(bench_toml(sim.instruments))
    process = command(book, "--yes-simulated", "--plain")
    process.stdout.close()
    process.wait(30)
    (folder,) = (book.root / "chargers" / SLUG).glob("runs/*")
    assert status_of(folder).outcome == "done"
    assert is_dead(sim)
