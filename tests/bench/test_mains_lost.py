"""What is away or does not answer at the end: the run ends, and what can be switched off later is."""

from dataclasses import replace

import pytest

from brickbook.bench import RunChoices, read_journal, run_plan
from brickbook.bench.link import VisaLink
from brickbook.bench.planning import build_plan
from brickbook.core.plan import Dwell
from brickbook.simbench import BenchFault

from .conftest import SLUG, do, finch, give_plan, is_dead, log_task

STAY = Dwell(8.0, 8.0)


def test_mains_that_is_away_ends_the_run(book, sim):
    give_plan(book, log_task(dwell=STAY))
    sim.inject(BenchFault("mains-drop", at_s=6.0, for_s=1e6))
    outcome, _, events = do(book, sim)
    assert outcome == "interlock"
    trip = next(e for e in events if e.event == "interlock")
    assert trip.get("what") == "mains"
    assert trip.get("value") == pytest.approx(0.0, abs=0.5)
    assert is_dead(sim)
    sim.do(lambda w: w.cut_mains(cut=False))
    assert do(book, sim, resume="resume")[0] == "done"


def test_a_dip_between_two_readings_ends_nothing(book, sim):
    give_plan(book, log_task(dwell=STAY))
    sim.inject(BenchFault("mains-drop", at_s=6.3, for_s=0.02))
    assert do(book, sim)[0] == "done"


def test_a_source_that_comes_back_after_a_while_is_switched_off(book, sim, monkeypatch):
    give_plan(book, log_task(dwell=STAY))
    fault = BenchFault("disconnect", "mains-supply", at_s=6.0, for_s=1e6)
    sim.inject(fault, BenchFault("disconnect", "wall-meter", at_s=6.0, for_s=1e6))

    def quick(name, address, settings):
        return VisaLink(name, address, replace(settings, timeout_s=0.1))

    waits = []

    def sleep(seconds):
        waits.append(seconds)
        if len(waits) == 3:
            sim.do(lambda _: sim._faults.clear())

    monkeypatch.setattr("brickbook.bench.session.time.sleep", sleep)
    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, make_link=quick)
    assert outcome == "interlock"
    assert len(waits) >= 3
    assert is_dead(sim)
    ends = [e for e in read_journal(folder) if e.event == "safe-off"]
    assert not all(step["ok"] for step in ends[-2].get("steps"))
    assert all(step["ok"] for step in ends[-1].get("steps"))


def test_a_plan_asks_for_no_more_than_the_loads_reach(book, sim):
    small = {
        name: replace(
            i, accuracy=tuple(replace(a, range_max=2.0) if a.quantity == "port_current_a" else a for a in i.accuracy)
        )
        for name, i in sim.instruments.items()
    }
    free = build_plan(SLUG, finch(), book.settings, "standard", instruments=sim.instruments, amps=10.0)
    plan = build_plan(SLUG, finch(), book.settings, "standard", instruments=small, amps=10.0)

    def most(of):
        return max(s.current_a for task in of.tasks for step in task.steps for s in step.ports)

    assert most(free) > 2.0
    assert most(plan) <= 2.0


def test_a_task_beyond_the_load_is_left_out_and_the_run_goes_on(book, sim):
    give_plan(book, log_task("regulation-00000009", dwell=STAY, full_a=7.5), log_task(dwell=STAY))
    outcome, _, events = do(book, sim)
    assert outcome == "done"
    left = [e for e in events if e.event == "task-skipped"]
    assert ["7.5 A is asked for" in e.get("why") for e in left] == [True]
