"""Runs on the software bench: what is measured is what is kept, and the bench ends safe."""

import csv
import os
import threading
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from brickbook.bench import BenchError, RunChoices, append_control, read_journal, run_plan, status_of
from brickbook.bench.link import VisaLink
from brickbook.book import BenchLimits
from brickbook.core.plan import Dwell, PlanStep, PortSetting
from brickbook.core.table import RawFile
from brickbook.readers import guess_shape, matching_shape, read_file

from .conftest import SLUG, bench_toml, do, give_plan, is_dead, log_task

SHORT = Dwell(5.0, 5.0)


def rows_of(path):
    with path.open() as file:
        return list(csv.DictReader(file))


def readings(events, task):
    """Readings of the last attempt at a task."""
    start = max(e.n for e in events if e.event == "task-started" and e.get("task") == task)
    return [e.get("values") for e in events if e.event == "reading" and e.n > start and e.get("task") == task]


def agrees(folder, events, task):
    """Whether journal and log hold the same readings, one for one; gives how many."""
    rows = rows_of(folder / f"{task}.csv")
    told = readings(events, task)
    as_text = [{k: "" if v is None else repr(float(v)) for k, v in values.items()} for values in told]
    assert [{k: v for k, v in row.items() if k != "time_s"} for row in rows] == as_text
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(set(times))
    return len(rows)


def test_a_run_leaves_one_raw_file_that_the_readers_know(book, sim):
    give_plan(book, log_task(dwell=SHORT))
    outcome, folder, events = do(book, sim)
    assert outcome == "done"
    assert agrees(folder, events, "regulation-00000001") == 12
    (entry,) = book.index(SLUG)
    assert entry.path == "regulation-00000001.csv"
    assert (entry.studies, entry.reader) == (("regulation",), "meter-log")
    assert dict(entry.conditions) == {
        "mains_v": 230.0,
        "mains_hz": 50.0,
        "port": "C1",
        "contract": "20 V",
        "output_v": 20.0,
    }
    assert entry.instruments["port_voltage_v@C1"] == "load-bank"
    assert "in software" in entry.note
    data = book.raw_bytes(SLUG, entry)
    assert data == (folder / "regulation-00000001.csv").read_bytes()
    shape = book.shapes[entry.shape]
    (table,) = read_file("meter-log", data, name="x", raw=RawFile("x", ""), shape=shape)
    assert len(table) == 12
    assert table.columns["port_voltage_v@C1"].mean() == pytest.approx(20.07, abs=0.05)
    assert matching_shape(data, tuple(book.shapes.values())) == shape
    guess = guess_shape(data, "x")
    # the shape is saved with the run; a guess, where the shape is lost, knows all but the temperatures' places
    warm = ("temperature_c", "ambient_c")
    guessed, own = ({c.column for c in s.columns if not c.column.startswith(warm)} for s in (guess.shape, shape))
    assert guessed == own
    assert is_dead(sim)
    status = status_of(folder)
    assert (status.state, status.outcome, status.is_safe, status.simulated) == ("ended", "done", True, True)


def test_every_reading_is_on_the_disk_before_the_next_is_asked_for(book, sim, monkeypatch):
    import os

    story = []
    monkeypatch.setattr(os, "fsync", lambda _: story.append("disk"))

    class Heard(VisaLink):
        def query(self, text):
            if text == "READ?":
                story.append("asked")
            return super().query(text)

    give_plan(book, log_task(dwell=SHORT))
    run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, make_link=Heard)
    after = [k for k, what in enumerate(story) if what == "asked"]
    assert len(after) == 12
    # one for the row of the log, one for the line of the journal
    assert all(story[a:b].count("disk") >= 2 for a, b in pairwise([*after, len(story)]))


def test_what_the_world_saw_is_what_was_asked(book, sim):
    give_plan(book, log_task(dwell=SHORT, ratios=(1.0, 0.25)))
    seen = []

    def show(event):
        if event.event == "reading":
            seen.append(
                sim.do(lambda w: (w.mains_on, w.mains_set_v, w.ports["C1"].set_a, w.ports["C1"].contract.volts))
            )

    run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, show=show)
    assert seen == [(True, 230.0, 1.5, 20.0)] * 6 + [(True, 230.0, 0.375, 20.0)] * 6


@pytest.mark.parametrize(("ratios", "ranges"), [((0.3, 0.2), {"mains_power_w": 15.0}), ((1.0, 0.2), {})])
def test_the_power_range_is_stated_where_there_was_one(book, sim, ratios, ranges):
    """10 W and 6.7 W are read on 15 W, 31.6 W on 300 W: of two ranges none can be stated for the file."""
    give_plan(book, log_task(dwell=SHORT, ratios=ratios))
    do(book, sim)
    assert book.index(SLUG)[0].ranges == ranges


def test_switching_on_and_off_are_captured(book, sim):
    port = PortSetting("C1", "5 V")
    on = [PlanStep(f"on {k}", (port,), Dwell(1.0, 1.0), "switch-on") for k in range(2)]
    off = PlanStep("off", (PortSetting("C1", "20 V", 1.5),), Dwell(1.0, 1.0), "switch-off")
    again = PlanStep("on again", (port,), Dwell(1.0, 1.0), "switch-on")
    give_plan(book, log_task("inrush-1", kind="captures", studies=("inrush",), steps=(*on, off, again)))
    outcome, _, events = do(book, sim)
    assert outcome == "done"
    for entry in book.index(SLUG):
        arrays = np.load(book.raw_path(SLUG, entry))
        volts = arrays["CH3"] * entry.conditions["gain@CH3"]
        output = arrays["CH1"] * entry.conditions["gain@CH1"]
        first, last = slice(0, 2000), slice(-2000, None)
        if "switch-on" in entry.path:  # mains comes after a tenth of the capture, then the output
            assert np.abs(volts[first]).max() < 10
            assert np.abs(volts[last]).max() > 300
            assert output[first].max() < 0.5
            assert output[last].mean() == pytest.approx(5.0, abs=0.2)
            assert np.abs(arrays["CH4"] * entry.conditions["gain@CH4"]).max() > 10.0  # the bulk capacitor was empty
        else:
            assert np.abs(volts[last]).max() < 10
            assert np.abs(volts[first]).max() > 300
            assert output[first].mean() == pytest.approx(20.07, rel=0.02)  # the scope's accuracy
            assert output[last].max() < 1.0
    assert not [e for e in events if e.event == "note" and "edge of the screen" in str(e.get("text"))]


def test_a_second_run_has_a_name_of_its_own_and_only_missing_leaves_it_out(book, sim):
    give_plan(book, log_task(dwell=SHORT))
    do(book, sim)
    do(book, sim)
    assert [entry.path for entry in book.index(SLUG)] == ["regulation-00000001.csv", "regulation-00000001-2.csv"]
    _, _, events = do(book, sim, only_missing=True)
    assert [e.get("why") for e in events if e.event == "task-skipped"] == ["its raw file is in the book already"]


def test_only_the_tasks_that_are_wanted_are_done(book, sim):
    give_plan(book, log_task("regulation-1", dwell=SHORT), log_task("regulation-2", dwell=SHORT))
    _, _, events = do(book, sim, tasks=("regulation-2",))
    assert [e.get("task") for e in events if e.event == "task-ended"] == ["regulation-2"]
    with pytest.raises(BenchError, match="no task of the plan"):
        do(book, sim, tasks=("regulation-9",))


@pytest.mark.parametrize(
    ("limits", "what"),
    [({"watts": 31.0}, "mains_power_w"), ({"degrees": 20.0}, "temperature_c@case")],
)  # fmt: skip
def test_a_limit_that_is_broken_switches_off_and_says_why(book, sim, limits, what):
    give_plan(book, log_task(studies=("regulation", "soak"), dwell=Dwell(60.0, 60.0)))
    stated = replace(BenchLimits(volts=264.0, amps=10.0), **limits)
    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, limits=stated)
    events = read_journal(folder)
    assert outcome == "interlock"
    (trip,) = [e for e in events if e.event == "interlock"]
    assert (trip.get("what"), trip.get("limit")) == (what, next(iter(limits.values())))
    assert trip.get("value") > trip.get("limit")
    assert what in events[-1].get("why")
    assert is_dead(sim)
    assert book.index(SLUG) == ()


def test_a_port_above_its_contract_trips(book, sim):
    give_plan(book, log_task(contract="9 V", full_a=1.0, dwell=Dwell(30.0, 30.0)))
    count = []

    def show(event):
        if event.event == "reading":
            count.append(1)
            if len(count) == 8:  # the charger goes to 20 V by itself
                sim.do(lambda w: setattr(w.ports["C1"], "ramp", (w.now_s, 20.0, w.now_s, 20.0)))

    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, show=show)
    trip = next(e for e in read_journal(folder) if e.event == "interlock")
    assert outcome == "interlock"
    assert trip.get("what") == "port_voltage_v@C1"
    assert trip.get("limit") == pytest.approx(1.1 * 9.0 + 0.75)
    assert len(count) <= 10
    assert is_dead(sim)


def test_limits_can_only_be_lowered_and_a_plan_beyond_them_is_refused_before_anything_is_on(book, sim):
    give_plan(book, log_task(mains_v=270.0))
    with pytest.raises(BenchError, match="only be lowered"):
        run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, limits=BenchLimits(volts=1000.0))
    with pytest.raises(BenchError, match="mains of 270 V is asked for"):
        run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, limits=BenchLimits(volts=264.0))
    give_plan(book, log_task(full_a=25.0))
    with pytest.raises(BenchError, match="with 25 A is asked for"):
        do(book, sim)
    assert not (book.root / "chargers" / SLUG / "runs").exists()


def test_a_contract_that_is_not_offered_leaves_the_task_out(book, sim):
    give_plan(book, log_task("regulation-1", contract="12 V", dwell=SHORT), log_task("regulation-2", dwell=SHORT))
    outcome, _, events = do(book, sim)
    assert outcome == "done"
    (left_out,) = [e for e in events if e.event == "task-skipped"]
    assert "C1 does not offer 12 V" in left_out.get("why")
    assert [e.get("task") for e in events if e.event == "task-ended"] == ["regulation-2"]


@pytest.mark.parametrize(("contract", "volts"), [("PPS 7 V", 7.0), ("5 V", 5.0), ("15 V", 15.0)])
def test_contracts_are_agreed_as_the_plan_names_them(book, sim, contract, volts):
    give_plan(book, log_task(contract=contract, full_a=1.0, dwell=SHORT, ratios=(1.0,)))
    outcome, folder, _ = do(book, sim)
    assert outcome == "done"
    assert float(rows_of(folder / "regulation-00000001.csv")[-1]["port_voltage_v@C1"]) == pytest.approx(volts, rel=0.03)


def test_confirming_by_option_is_refused_on_a_bench_that_is_not_simulated(book, sim, monkeypatch):
    give_plan(book, log_task(dwell=SHORT))
    no_clock = {n: i for n, i in sim.instruments.items() if i.role != "clock"}
    with pytest.raises(BenchError, match="Confirm each caution yourself"):
        run_plan(book, SLUG, RunChoices(confirmed=True), instruments=no_clock)


def test_two_runs_do_not_share_a_bench(book, sim):
    give_plan(book, log_task(dwell=SHORT))
    caught = []

    def show(event):
        if event.event == "task-started":
            try:
                do(book, sim)
            except BenchError as error:
                caught.append(str(error))

    run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, show=show)
    assert len(caught) == 1
    assert f"is held by process {os.getpid()} on " in caught[0]
    assert caught[0].split(": is held")[0] in {one.address for one in sim.instruments.values()}


class Person:
    """Answers what is asked and says what is wished, from the journal alone, as the web app would."""

    def __init__(self, book, **wishes):
        self.folder = book.root / "chargers" / SLUG / "runs"
        self.wishes = wishes  # event to a list of (do, how often that event has come)
        self.answers = []
        self.seen = {}
        self.problems = []

    def __call__(self, event):
        folder = next(self.folder.iterdir())
        self.seen[event.event] = self.seen.get(event.event, 0) + 1
        for do_, count in self.wishes.get(event.event.replace("-", "_"), ()):
            if self.seen[event.event] == count:
                append_control(folder, do_, by="tester")
        if event.event == "asked":
            if event.get("problem"):
                self.problems.append(event.get("problem"))
            if event.get("what") == "reading":
                threading.Timer(
                    0.05,
                    append_control,
                    (folder, "answer"),
                    {"key": event.get("key"), "value": self.answers.pop(0), "by": "tester"},
                ).start()
            else:
                append_control(folder, "confirm", key=event.get("key"), by="tester")


def with_person(book, sim, person, **choices):
    outcome, folder = run_plan(book, SLUG, RunChoices(**choices), instruments=sim.instruments, show=person)
    return outcome, folder, read_journal(folder)


def test_cautions_are_confirmed_by_somebody_and_that_is_kept(book, sim):
    give_plan(book, log_task(dwell=SHORT, by_hand=("Close the cover.",)))
    outcome, _, events = with_person(book, sim, Person(book))
    assert outcome == "done"
    said = [(e.get("value"), e.get("by")) for e in events if e.event == "answered"]
    assert said == [("yes", "tester"), ("yes", "tester")]
    asked = [e for e in events if e.event == "asked"]
    assert [e.get("what") for e in asked] == ["caution", "by_hand"]
    first_step = next(e.n for e in events if e.event == "step-started")
    assert all(e.n < first_step for e in asked)


def test_skip_repeat_pause_and_resume(book, sim):
    give_plan(
        book,
        log_task("regulation-1", dwell=SHORT),
        log_task("regulation-2", dwell=SHORT),
        log_task("regulation-3", dwell=SHORT),
    )
    wishes = {"reading": [("skip", 2), ("repeat", 5), ("pause", 9)], "paused": [("resume", 1)]}
    outcome, folder, events = with_person(book, sim, Person(book, **wishes))
    assert outcome == "done"
    kinds = [e.event for e in events]
    assert [e.get("task") for e in events if e.event == "task-skipped"] == ["regulation-1"]
    assert [e.get("task") for e in events if e.event == "task-ended"] == ["regulation-2", "regulation-3"]
    assert kinds.count("paused") == kinds.count("resumed") == 1
    paused = kinds.index("paused")
    assert kinds[paused - 1] == "safe-off"  # nobody leaves a loaded charger to itself
    assert agrees(folder, events, "regulation-2") == agrees(folder, events, "regulation-3") == 12
    assert len(list(folder.glob("regulation-2.part-*.csv"))) == 2
    assert [entry.path for entry in book.index(SLUG)] == ["regulation-2.csv", "regulation-3.csv"]


def test_a_run_ended_while_paused_waits_for_another_day(book, sim):
    give_plan(book, log_task(dwell=SHORT))
    outcome, folder, _ = with_person(book, sim, Person(book, reading=[("pause", 3)], paused=[("abort", 1)]))
    assert outcome == "paused"
    assert is_dead(sim)
    with pytest.raises(BenchError, match="--resume"):
        do(book, sim)
    outcome, again, events = do(book, sim, resume="resume")
    assert (outcome, again) == ("done", folder)
    assert agrees(folder, events, "regulation-00000001") == 12


def test_readings_by_hand_are_checked_and_asked_again(book, sim):
    ask = (("mass_g", "charger", "g"), ("length_mm", "body length", "mm"))
    give_plan(
        book,
        log_task(
            "identity-1", kind="hand", studies=("identity",), steps=(), mains_v=0.0, mains_hz=0.0, ask=ask, cautions=()
        ),
    )
    person = Person(book)
    person.answers = ["heavy", "52,1 V", "-3", "0.0521 kg", "38.4"]
    outcome, folder, events = with_person(book, sim, person)
    assert outcome == "done"
    assert len(person.problems) == 3
    assert "no number" in person.problems[0]
    assert "unit" in person.problems[1]
    assert "not between" in person.problems[2]
    rows = rows_of(folder / "identity-1.csv")
    assert [(r["quantity"], r["channel"], float(r["value"]), r["unit"]) for r in rows] == [
        ("mass_g", "charger", pytest.approx(52.1), "g"),
        ("length_mm", "body length", 38.4, "mm"),
    ]
    assert rows[0]["note"] == "identity-1, read by tester"
    (table,) = read_file("hand-sheet", (folder / "identity-1.csv").read_bytes(), name="x", raw=RawFile("x", ""))
    assert table.columns["mass_g@charger"][0] == pytest.approx(52.1)
    assert events[-1].get("outcome") == "done"


def test_a_task_by_hand_that_needs_mains_has_it_while_it_is_asked_and_no_longer(book, sim):
    ask = (("voltage_v", "touch rms", "V"),)
    give_plan(
        book, log_task("isolation-1", kind="hand", studies=("isolation",), steps=(), ask=ask, cautions=("Danger.",))
    )
    person, on = Person(book), []
    person.answers = ["0.05"]

    def show(event):
        on.append((event.get("what") or event.event, sim.do(lambda w: w.mains_on)))
        person(event)

    outcome, _ = run_plan(book, SLUG, RunChoices(), instruments=sim.instruments, show=show)
    assert outcome == "done"
    asked = [(what, live) for what, live in on if what in ("caution", "by_hand", "reading", "task-ended")]
    assert asked == [
        ("caution", False),
        ("by_hand", False),
        ("reading", True),
        ("reading", True),
        ("task-ended", False),
    ]


def test_a_meter_that_is_worked_by_hand_is_read_at_the_end_of_each_step(book, sim):
    give_plan(book, log_task(dwell=SHORT, cautions=()))
    hand = {
        **sim.instruments,
        "wall-meter": replace(
            sim.instruments["wall-meter"], address="", accuracy=sim.instruments["wall-meter"].accuracy[:1]
        ),
    }
    person = Person(book)
    person.answers = ["3.16", "31.6 W!", "900 W", "15800 mW!"]  # its largest range holds 1.5 W
    outcome, folder = run_plan(book, SLUG, RunChoices(), instruments=hand, show=person)
    assert outcome == "done"
    assert "reads no more" in person.problems[0]
    typed = [float(r["mains_power_w"]) for r in rows_of(folder / "regulation-00000001.csv") if r["mains_power_w"]]
    assert typed == [31.6, 15.8]
    assert book.index(SLUG)[0].instruments["mains_power_w"] == "wall-meter"


def test_a_bench_worked_by_hand_alone(book):
    """Nothing has an address: a person sets everything and reads the meters at the end of each step."""
    from brickbook.simbench import default_instruments

    hand = {
        n: i
        for n, i in default_instruments().items()
        if i.role in ("ac-source", "ac-power-meter", "dc-load", "pd-sink")
    }
    short = Dwell(0.1, 0.1)
    give_plan(book, log_task(dwell=short, interval_s=0.05))
    person = Person(book)
    person.answers = [
        "31,6",
        "230 V",
        "228 mA",
        "0.61",
        "20.06",
        "1.5",
        "15.9",
        "230",
        "0.12",
        "0.6",
        "20.07",
        "750 mA",
    ]
    outcome, folder = run_plan(book, SLUG, RunChoices(), instruments=hand, show=person)
    events = read_journal(folder)
    assert outcome == "done"
    assert person.problems == []
    assert [e.get("text") for e in events if e.event == "asked" and e.get("what") == "by_hand"] == [
        "Set the mains supply to 230 V, 50 Hz, and switch it on.",
        "Plug the sink into C1 and have it ask for 20 V.",
        "Set the load on C1 to 1.5 A.",
        "Set the load on C1 to 0.75 A.",
        "Take the load off. Switch the mains supply off.",
    ]
    rows = rows_of(folder / "regulation-00000001.csv")
    assert [float(row["port_current_a@C1"]) for row in rows] == [1.5, 0.75]
    assert [float(row["mains_current_a"]) for row in rows] == [0.228, 0.12]
    assert not status_of(folder).is_safe  # nobody reads it back


def test_offers_become_a_sheet_and_messages_a_recording(book, sim):
    seen = PlanStep("C1", (PortSetting("C1", "5 V"),), Dwell(1.0, 1.0))
    drawn = PlanStep("C1 at 20 V", (PortSetting("C1", "20 V", 1.5),), Dwell(5.0, 5.0))
    out = PlanStep("out", (), Dwell(1.0, 1.0))
    give_plan(
        book,
        log_task("modes-1", kind="offers", studies=("modes",), steps=(seen, drawn)),
        log_task("negotiation-1", kind="messages", studies=("negotiation",), steps=(out, seen, out), interval_s=0.05),
    )
    outcome, folder, _ = do(book, sim)
    assert outcome == "done"
    entries = {entry.path: entry for entry in book.index(SLUG)}
    assert {(e.reader, e.recording) for p, e in entries.items() if p.startswith("neg")} == {
        ("message-log", "negotiation-1"), ("port-events", "negotiation-1"), ("meter-log", "negotiation-1")
    }  # fmt: skip
    rows = rows_of(folder / "modes-1.csv")
    assert rows[0]["words"].startswith("0x")
    assert float(rows[1]["drawn_a"]) == pytest.approx(1.5, abs=0.01)
    for path, entry in entries.items():
        shape = book.shapes.get(entry.shape)
        tables = read_file(entry.reader, book.raw_bytes(SLUG, entry), name=path, raw=RawFile(path, ""), shape=shape)
        assert len(tables[0])


def test_captures_become_archives_that_say_how_they_were_taken(book, sim, tmp_path):
    ripple = PlanStep("full", (PortSetting("C1", "20 V", 1.5),), Dwell(1.0, 1.0), "ripple-slow", {"load_ratio": 1.0})
    step = PlanStep(
        "10 to 90 %",
        (PortSetting("C1", "20 V", 0.15),),
        Dwell(1.0, 1.0),
        "load-step",
        {"step_low_a": 0.15, "step_high_a": 1.35},
    )
    give_plan(book, log_task("ripple-1", kind="captures", studies=("ripple",), steps=(ripple, step)))
    outcome, _, _ = do(book, sim)
    assert outcome == "done"
    first, second = book.index(SLUG)
    assert first.path == "ripple-1-01-ripple-slow.npz"
    assert (first.conditions["coupling@CH1"], first.conditions["column@CH1"]) == ("ac", "port_voltage_v@C1")
    assert (first.conditions["load_a"], first.conditions["load_ratio"]) == (1.5, 1.0)
    # noise of the simulated scope: 0.12 mV and 0.05 % of the screen, and steps of 12 bits
    screen = first.conditions["full_scale@CH1"]
    assert first.conditions["noise@CH1"] == pytest.approx(
        np.hypot(0.00012 + 0.0005 * screen, screen / 4096 / 12**0.5), rel=0.05
    )
    assert "noise@CH1" not in second.conditions
    arrays = np.load(book.raw_path(SLUG, second))
    amps = arrays["CH2"] * second.conditions["gain@CH2"]
    assert amps[:500].mean() == pytest.approx(0.15, abs=0.06)
    assert amps.max() == pytest.approx(1.35, abs=0.1)


def test_the_command_line_runs_in_a_pipe(book, sim, capsys):
    from brickbook.cli import run

    give_plan(book, log_task(dwell=SHORT))
    (book.root / "bench.toml").write_text(bench_toml(sim.instruments))
    assert run(["run", SLUG, "--yes-simulated", "--book", str(book.root)]) == 0
    out = capsys.readouterr().out
    assert "CAUTION: Mains voltage kills." in out
    assert "all off and read back" in out
    assert "The run ended: done" in out


def rests(events):
    return [e.get("text") for e in events if e.event == "note" and "resting" in str(e.get("text"))]


def test_a_rest_counts_from_the_last_load_and_not_from_the_last_task(book, sim):
    """Work without load lets a charger cool as well: the second and third task wait no more."""
    idle = {"ratios": (0.0,), "dwell": SHORT, "rest_s": 600.0}
    names = [f"regulation-0000000{k}" for k in (1, 2, 3)]
    give_plan(book, *(log_task(name, **idle) for name in names))
    _, _, events = do(book, sim)
    assert len(rests(events)) == 1
    warm = (log_task(names[0], ratios=(1.0,), dwell=SHORT), log_task(names[1], **idle))
    give_plan(book, *warm)
    _, _, events = do(book, sim)
    assert len(rests(events)) == 1


def test_time_without_mains_counts_from_the_last_mains(book, sim):
    first = log_task("regulation-00000001", ratios=(0.0,), dwell=SHORT)
    second = log_task("regulation-00000002", ratios=(0.0,), dwell=SHORT, off_s=120.0)
    give_plan(book, first, second)
    _, _, events = do(book, sim)
    assert [text for text in rests(events) if text.endswith("without mains")]


def test_what_stands_set_up_is_not_asked_for_again(book, sim):
    plug = ("Plug the sink into C1.",)
    tasks = [log_task(f"regulation-0000000{k}", dwell=SHORT, by_hand=plug) for k in (1, 2)]
    give_plan(book, *tasks)
    _, _, events = do(book, sim)
    asked = [e for e in events if e.event == "asked" and e.get("text") == plug[0]]
    assert len(asked) == 1


def test_the_recorders_own_voltages_go_with_its_messages(book, sim):
    """A runner that waits for a plug reads no voltage meanwhile; the recorder does, on the messages' clock."""
    at = PlanStep("C1", (PortSetting("C1", "9 V"),), Dwell(1.0, 1.0))
    out = PlanStep("out", (), Dwell(1.0, 1.0))
    steps = (out, at, out)
    give_plan(book, log_task("negotiation-1", kind="messages", studies=("negotiation",), steps=steps, interval_s=0.05))
    do(book, sim)
    (trace,) = (entry for entry in book.index(SLUG) if entry.reader == "meter-log")
    rows = rows_of(book.raw_path(SLUG, trace))
    times = [float(row["time_s"]) for row in rows]
    assert max(b - a for a, b in pairwise(times)) < 0.0015
    # plugged in, a port goes from 0 V to 5 V and on to 9 V, and back to 0 V when the sink is out
    volts = [float(row["port_voltage_v@C1"]) for row in rows]
    assert max(volts) == pytest.approx(9.0, abs=0.3)
    assert volts[0] == pytest.approx(0.0, abs=0.1)
    assert volts[-1] == pytest.approx(0.0, abs=0.8)
    assert trace.conditions["vbus_time_error_s"] == pytest.approx(0.0005, abs=1e-6)


def test_rows_that_are_no_voltages_are_refused(book, sim):
    from brickbook.bench.errors import InstrumentError
    from brickbook.bench.instruments import MessageRecorder

    class Odd:
        name = "recorder"
        instrument = sim.instruments["message-recorder"]

        def can(self, _):
            return True

        def block(self, *_, **__):
            return b"Time (s),V\n0.0,5.0\n0.1,oops\n"

    with pytest.raises(InstrumentError, match="time and a voltage"):
        MessageRecorder(Odd()).vbus("C1")
