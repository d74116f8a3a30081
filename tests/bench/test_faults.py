"""Instruments that fail in the ways instruments do, on real sockets, in the middle of a run."""

import csv
from dataclasses import replace

import pytest

from brickbook.bench import BenchError, RunChoices, check_bench, read_journal, run_plan
from brickbook.bench.journal import JournalWriter
from brickbook.bench.link import VisaLink
from brickbook.bench.safety import make_safe
from brickbook.bench.stand import bench_faults, open_drivers
from brickbook.book import BenchLimits
from brickbook.core.plan import Dwell
from brickbook.simbench import load_sim_charger, start_bench

from .conftest import SLUG, give_plan, is_dead, log_task
from .proxy import Proxy

TASK = "regulation-00000001"
STAY = Dwell(8.0, 8.0)


@pytest.fixture
def lines(book, sim):
    """The bench through proxies, with dialects that lose patience soon."""
    folder = book.root / "dialects"
    folder.mkdir()
    from importlib import resources

    for name in ("scpi-ac-power-meter", "scpi-dc-load", "scpi-ac-source"):
        text = (resources.files("brickbook.bench") / "dialects" / f"{name}.toml").read_text()
        (folder / f"{name}.toml").write_text(text + "\n[link]\ntimeout_s = 0.4\n")
    made = {name: Proxy(sim.instruments[name].address) for name in ("wall-meter", "load-bank", "mains-supply")}
    yield made
    for proxy in made.values():
        proxy.close()


def run_with(book, sim, lines, at, act, **more):
    """A run in which something is done at one of its readings; gives outcome, folder and events."""
    give_plan(book, log_task(dwell=STAY))
    instruments = dict(sim.instruments)
    instruments |= {name: replace(instruments[name], address=proxy.address) for name, proxy in lines.items()}
    count = []

    def show(event):
        if event.event == "reading":
            count.append(1)
            if len(count) == at:
                act()

    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=instruments, show=show, **more)
    return outcome, folder, read_journal(folder)


def readings(events):
    return [e.get("values") for e in events if e.event == "reading"]


@pytest.mark.parametrize("fault", ["mute", "late", "garbage", "words", "cut"])
@pytest.mark.parametrize(("name", "only", "column"), [
    ("wall-meter", "READ?", "mains_power_w"),
    ("load-bank", "MEAS:CURR?", "port_current_a@C1"),
])  # fmt: skip
def test_one_fault_voids_one_reading_and_no_other(book, sim, lines, fault, name, only, column):
    proxy = lines[name]
    before = proxy.connections
    outcome, folder, events = run_with(book, sim, lines, 3, lambda: proxy.fail(fault, only=only))
    assert outcome == "done"
    assert proxy.used == 1
    assert proxy.connections >= before + 2  # opened, and opened anew after the fault
    values = [v[column] for v in readings(events)]
    assert [k for k, v in enumerate(values) if v is None] == [3]
    full, half = values[:3] + values[4:9], values[9:]
    for part in (full, half):  # a late answer taken for another's would stand out
        assert max(part) - min(part) < 0.01 * max(part)
    told = [e for e in events if e.event == "instrument-error"]
    assert {e.get("instrument") for e in told} == {name}
    with (folder / f"{TASK}.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [k for k, row in enumerate(rows) if row[column] == ""] == [3]
    assert any("settings read back as they were" in str(e.get("text")) for e in events if e.event == "note")


def test_what_an_instrument_was_set_to_is_set_again_after_trouble(book, sim, lines):
    """A load that loses its line and its setting at once, as after a dip of its own supply."""

    def dip():
        lines["load-bank"].fail("cut", only="MEAS:CURR?")
        sim.do(lambda w: w.set_load("C1", amps=0.3))

    outcome, _, events = run_with(book, sim, lines, 3, dip)
    assert outcome == "done"
    amps = [v["port_current_a@C1"] for v in readings(events)][:9]
    assert amps[3] is None
    assert amps[4:] == pytest.approx([1.5] * 5, abs=0.01)


@pytest.mark.parametrize("fault", ["mute", "cut"])
def test_a_lost_instrument_ends_the_run_with_everything_off(book, sim, lines, fault):
    outcome, _, events = run_with(book, sim, lines, 3, lambda: lines["wall-meter"].fail(fault, 10_000))
    assert outcome == "interlock"
    trip = next(e for e in events if e.event == "interlock")
    assert trip.get("what") == "lost instrument"
    assert trip.get("instrument") == "wall-meter"
    assert is_dead(sim)


def test_a_load_that_is_lost_does_not_keep_the_source_on(book, sim, lines):
    outcome, _, events = run_with(book, sim, lines, 3, lambda: lines["load-bank"].fail("mute", 10_000))
    assert outcome == "interlock"
    steps = {step["what"]: step for step in [e for e in events if e.event == "safe-off"][-1].get("steps")}
    assert not steps["load C1 off"]["ok"]
    assert "no answer" in steps["load C1 off"]["error"]
    assert steps["source off"]["ok"]
    assert not sim.do(lambda w: w.mains_on)


def test_an_over_range_reading_is_none_and_the_meter_is_given_a_larger_range(book, sim, lines):
    def small_range():
        sim.do(lambda w: sim.device("wall-meter").run("SENS:POW:RANG 15").send(None))

    def act():
        import contextlib

        with contextlib.suppress(StopIteration):
            small_range()

    outcome, _, events = run_with(book, sim, lines, 3, act)
    assert outcome == "done"
    power = [v["mains_power_w"] for v in readings(events)]
    assert [k for k, v in enumerate(power) if v is None] == [3]
    assert any("now on 300 W" in str(e.get("text")) for e in events if e.event == "note")
    assert book.index(SLUG)[0].ranges == {"mains_power_w": 300.0}


def test_an_error_in_a_queue_is_read_at_the_end_of_the_step(book, sim, lines):
    outcome, _, events = run_with(
        book, sim, lines, 3, lambda: sim.do(lambda w: sim.device("load-bank").error(-240, "fan"))
    )
    assert outcome == "done"
    told = [e.get("text") for e in events if e.event == "instrument-error"]
    assert len(told) == 1
    assert told[0].startswith("-240")


def test_a_second_client_that_changes_the_load_is_found_out(book, sim, lines):
    """Another program on the same instrument sets 1.4 A where 0.75 A were set: more than was set trips."""

    def meddle():
        other = VisaLink("other", sim.instruments["load-bank"].address)
        other.write("SOUR:CURR 1.4,(@1)")
        assert other.query("*OPC?") == "1"
        other.close()

    outcome, _, events = run_with(book, sim, lines, 12, meddle)
    assert outcome == "interlock"
    trip = next(e for e in events if e.event == "interlock")
    assert trip.get("what") == "port_current_a@C1"
    assert trip.get("limit") == pytest.approx(1.05 * 0.75 + 0.2)
    assert is_dead(sim)


def test_a_setting_that_reads_back_otherwise_ends_the_run(book, sim, lines):
    proxy = lines["load-bank"]
    outcome, _, events = run_with(book, sim, lines, 3, lambda: proxy.fail("over", only="SOUR:CURR?"))
    assert outcome == "failed"
    assert "reads back as None" in events[-1].get("why")
    assert is_dead(sim)


def test_an_instrument_that_does_not_answer_is_told_before_anything_is_on_and_the_others_are_put_safe(book, sim, lines):
    sim.do(lambda w: (w.set_mains(on=True), w.set_load("C1", amps=1.0, on=True)))
    lines["wall-meter"].fail("mute", 100)
    with pytest.raises(BenchError, match="wall-meter"):
        run_with(book, sim, lines, 99, lambda: None)
    assert is_dead(sim)


def test_every_step_of_safe_off_has_its_own_try(sim):
    dialects, faults = bench_faults(sim.instruments, None)
    assert not faults
    stand, silent = open_drivers(sim.instruments, dialects, report=lambda *_: None)
    assert not silent
    sim.do(lambda w: (w.set_mains(on=True), w.set_load("C1", amps=1.0, on=True)))
    (load,) = stand.loads
    broken = load.driver

    def explode(*_, **__):
        raise RuntimeError("a fault of the program")

    broken.do = explode
    steps = {step.what: step for step in make_safe(stand)}
    stand.close()
    assert not steps["load C1 off"].ok
    assert "a fault of the program" in steps["load C1 off"].error
    assert steps["source off"].ok
    assert not sim.do(lambda w: w.mains_on)


def test_a_fault_of_the_program_ends_safe_and_is_not_hidden(book, sim, lines, monkeypatch):
    def explode(*_, **__):
        raise RuntimeError("a fault of the program")

    monkeypatch.setattr("brickbook.bench.sheet.Sheet.append", explode)
    with pytest.raises(RuntimeError):
        run_with(book, sim, lines, 99, lambda: None)
    (folder,) = (book.root / "chargers" / SLUG / "runs").iterdir()
    events = read_journal(folder)
    assert [e.event for e in events[-2:]] == ["safe-off", "run-ended"]
    assert "a fault of the program" in events[-1].get("why")
    assert is_dead(sim)


def test_a_full_disk_ends_safe(book, sim, lines, monkeypatch):
    """Nothing can be written any more, neither the reading nor why it ended: the bench is switched off all the same."""
    real = JournalWriter.write

    def full(self, event, /, **fields):
        if sum(1 for _ in counted) >= 4:
            raise OSError(28, "No space left on device")
        if event == "reading":
            counted.append(1)
        return real(self, event, **fields)

    counted = []
    monkeypatch.setattr(JournalWriter, "write", full)
    with pytest.raises(OSError, match="No space"):
        run_with(book, sim, lines, 99, lambda: None)
    assert is_dead(sim)


def test_a_runner_that_does_not_move_is_switched_off_over_other_lines(book, sim, lines, monkeypatch):
    """A disk that does not answer: while the runner hangs in its write, the bench goes dead."""
    import time

    from brickbook.bench.sheet import Sheet

    real = Sheet.append
    seen = []

    def slow(self, time_s, values):
        if self.count == 3:
            begin = time.monotonic()
            while not is_dead(sim) and time.monotonic() - begin < 20:
                time.sleep(0.02)
            seen.append(time.monotonic() - begin)
        real(self, time_s, values)

    monkeypatch.setattr(Sheet, "append", slow)
    outcome, _, events = run_with(book, sim, lines, 99, lambda: None, patience_s=0.4)
    assert outcome == "aborted"
    assert 0.2 < seen[0] < 10
    assert "watchdog" in events[-1].get("why")
    assert is_dead(sim)


def test_bench_check_switches_nothing_and_names_what_is_wrong(book, sim, lines):
    sim.do(lambda w: (w.set_mains(on=True, volts=120.0), w.set_load("C1", amps=1.0, on=True)))
    lines["load-bank"].fail("mute", 1)
    instruments = dict(sim.instruments)
    instruments["load-bank"] = replace(instruments["load-bank"], address=lines["load-bank"].address, due="2020-01-01")
    instruments["pd-sink"] = replace(instruments["pd-sink"], channels={"C9": "1"})
    instruments["scale"] = replace(instruments["touch-meter"], role="scale", address="")
    look = check_bench(instruments, BenchLimits(volts=264.0), folder=book.root, ports=("C1",), today="2026-11-25")
    text = " | ".join(str(fault) for fault in look.faults)
    assert "load-bank" in text
    assert "no answer within" in text
    assert "overdue since 2020-01-01" in text
    assert "C9 is no port of the charger" in text
    assert "nothing is said of port C1" in text
    assert look.limits.volts == 264.0
    by_name = {line.name: line for line in look.instruments}
    assert "SIM-AC-POWER-METER" in by_name["wall-meter"].idn
    assert by_name["mains-supply"].reading == "output on"
    assert by_name["load-bank"].problem
    assert sim.do(lambda w: (w.mains_on, w.mains_set_v, w.ports["C1"].load_on, w.ports["C1"].set_a)) == (
        True,
        120.0,
        True,
        1.0,
    )
    sim.do(lambda w: (w.set_mains(on=False), w.set_load("C1", on=False)))


def test_the_same_run_gives_the_same_bytes(book, tmp_path):
    made = []
    for attempt in range(2):
        with start_bench(load_sim_charger(SLUG), seed=11) as sim:
            give_plan(book, log_task(f"regulation-{attempt}", dwell=STAY))
            _, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments)
            made.append((folder / f"regulation-{attempt}.csv").read_bytes())
    assert made[0] == made[1]
