"""Readings typed in: the end of a range, and which instrument they were read from."""

import csv

import pytest

from brickbook.bench import RunChoices, append_control, read_journal, run_plan, runs
from brickbook.bench.hand_task import instrument_for
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.plan import PlanTask

from .conftest import SLUG, give_plan

TESTER = Instrument(
    role="other",
    accuracy=(
        Accuracy("voltage_v", 1.0, range_max=600.0, resolution=0.1),
        Accuracy("resistance_ohm", 5.0, range_max=2e9),
    ),
)
METER = Instrument(role="voltmeter", accuracy=(Accuracy("voltage_v", 0.8, 0.05, 1.0, resolution=1e-5),))


def answered(book, sim, task, answers):
    """Rows of the sheet of a hand task whose questions are answered in turn."""
    give_plan(book, task)
    left = iter(answers)

    def show(event):
        if event.event == "asked":
            folder = runs(book, SLUG)[-1]
            if event.get("what") == "reading":
                append_control(folder, "answer", key=event.get("key"), value=next(left), by="me")
            else:
                append_control(folder, "confirm", key=event.get("key"), by="me")

    instruments = {**sim.instruments, "tester": TESTER}
    outcome, folder = run_plan(book, SLUG, RunChoices(), instruments=instruments, show=show)
    assert outcome == "done", read_journal(folder)[-1]
    with (folder / f"{task.id}.csv").open() as file:
        return list(csv.DictReader(file)), [e for e in read_journal(folder) if e.event == "asked"]


def hand(*ask, mains_v=0.0):
    return PlanTask("isolation-1", ("isolation",), "by hand", "hand", ask=ask, mains_v=mains_v, mains_hz=50.0)


def test_the_end_of_a_range_is_a_bound_and_no_value(book, sim):
    rows, _ = answered(book, sim, hand(("resistance_ohm", "barrier", "Mohm")), ["> 2000"])
    assert [(r["channel"], r["value"], r["unit"], r["instrument"]) for r in rows] == [
        ("barrier at least", "2000000000", "Ohm", "tester")
    ]


def test_a_bound_is_asked_again_where_a_value_is_wanted(book, sim):
    rows, asked = answered(book, sim, hand(("voltage_v", "applied", "V")), ["> 500", "500"])
    assert [(r["channel"], r["value"]) for r in rows] == [("applied", "500")]
    assert "no number" in asked[-1].get("problem")


def test_a_reading_on_mains_is_that_of_the_display_that_reads_it_best(book, sim):
    task = hand(("voltage_v", "network U2", "mV"), ("mains_voltage_v", "", "V"), mains_v=230.0)
    rows, _ = answered(book, sim, task, ["120 mV", "230.1"])
    assert [r["instrument"] for r in rows] == ["touch-meter", "wall-meter"]


@pytest.mark.parametrize(("value", "name"), [(0.1, "meter"), (500.0, "tester"), (700.0, "")])
def test_no_instrument_is_named_for_what_none_can_read(value, name):
    assert instrument_for({"tester": TESTER, "meter": METER}, "voltage_v", value) == name
