"""An example charger measured on the software bench: plan, sockets, raw files, figures."""

from __future__ import annotations

from dataclasses import replace

import pytest

from brickbook.analysis import analyse_charger
from brickbook.bench import read_journal, runs
from brickbook.book import Book
from brickbook.core.plan import Dwell, PlanStep, TestPlan
from brickbook.demo.build import write_claims, write_top
from brickbook.demo.live import run_live

SLUG = "wren-35"


@pytest.fixture
def book(tmp_path):
    write_top(tmp_path / "book")
    write_claims(tmp_path / "book", SLUG)
    return Book.open(tmp_path / "book")


def brief(plan: TestPlan) -> TestPlan:
    """Of a standard plan one task of each kind, with short stays."""
    wanted = ("identity", "modes", "regulation", "loadstep", "isolation")
    tasks = []
    for study in wanted:
        of = [task for task in plan.tasks if task.studies[0] == study]
        tasks += of if study == "isolation" else of[:1]

    def short(step: PlanStep) -> PlanStep:
        most = min(step.dwell.max_s, 20.0)
        return replace(step, dwell=Dwell(min(step.dwell.min_s, 12.0), most, step.dwell.rule))

    return replace(plan, tasks=tuple(replace(task, rest_s=0.0, steps=tuple(map(short, task.steps))) for task in tasks))


def test_a_charger_is_planned_measured_and_analysed(book):
    done = run_live(book, SLUG, "standard", seed=5, change=brief)
    events = read_journal(runs(book, SLUG)[0])
    assert done.outcome == "done", events[-1]
    assert [e.get("why") for e in events if e.event == "task-skipped"] == []
    assert [e.get("text") for e in events if e.event == "instrument-error"] == []
    assert book.check(SLUG) == ()
    by = {e.get("by") for e in events if e.event == "answered"}
    assert by == {"scripted operator"}
    # two sheets of touch current, one for each way of the plug, although the barrier is the same either way
    polarities = {entry.conditions.get("polarity") for entry in book.index(SLUG) if "isolation" in entry.studies}
    assert polarities == {"tied", "A", "B"}
    figures = {(f.study, f.name): f for f in analyse_charger(book, SLUG).figures}
    mass = figures["identity", "mass_g"]
    assert abs(mass.value - 61.3) <= 0.35  # what its model weighs, within the scale's bound of 0.3 g and half a digit
    assert ("isolation", "insulation_resistance_at_least_ohm") in figures
    assert {study for study, _ in figures} >= {"identity", "modes", "regulation", "loadstep", "isolation"}


def test_the_demo_names_who_can_be_measured(bb, tmp_path):
    told = bb("demo", "--live", "nobody", "--into", "d", cwd=tmp_path)
    assert told.code == 1
    assert "wren-35" in told.err
    assert not (tmp_path / "d").exists()


def test_the_same_seed_gives_the_same_readings(book, tmp_path):
    write_top(tmp_path / "other")
    write_claims(tmp_path / "other", SLUG)
    other = Book.open(tmp_path / "other")

    def regulation(plan):
        return brief(
            plan.__class__(plan.charger, plan.size, tuple(t for t in plan.tasks if "regulation" in t.studies)[:1])
        )

    found = []
    for one in (book, other):
        run_live(one, SLUG, "standard", seed=5, change=regulation)
        found.append([(e.path, e.sha256) for e in one.index(SLUG)])
    assert found[0] == found[1]
    assert found[0]
