"""A bench clock that is lost in the middle of a run: everything off, the reason written down, taken up again."""

from dataclasses import replace

from brickbook.bench import RunChoices, read_journal, run_plan
from brickbook.bench.link import VisaLink
from brickbook.core.plan import Dwell
from brickbook.simbench import BenchFault

from .conftest import SLUG, do, give_plan, is_dead, log_task


def quick(name, address, settings):
    return VisaLink(name, address, replace(settings, timeout_s=0.2))


def test_a_clock_that_is_lost_ends_the_run_safe(book, sim):
    give_plan(book, log_task(dwell=Dwell(8.0, 8.0)))
    fault = BenchFault("disconnect", "bench-clock", at_s=4.0, for_s=1e6)
    sim.inject(fault)
    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, make_link=quick)
    assert outcome == "failed"
    assert is_dead(sim)
    events = read_journal(folder)
    told = [e for e in events if e.event != "instrument-error"]
    assert [e.event for e in told[-2:]] == ["safe-off", "run-ended"]
    assert all(step["ok"] for step in told[-2].get("steps"))
    assert "bench-clock" in events[-1].get("why")
    assert [e.t for e in events] == sorted(e.t for e in events)
    sim.do(lambda _: sim._faults.clear())
    assert do(book, sim, resume="resume")[0] == "done"
