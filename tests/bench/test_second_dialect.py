"""Another kind of instrument, with other words, units, line ends and a channel chosen first: only TOML is written."""

import csv
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from brickbook.bench import RunChoices, check_bench, read_journal, run_plan
from brickbook.book import BenchLimits
from brickbook.core.errors import BookError
from brickbook.core.plan import Dwell
from brickbook.simbench import BenchFault, load_sim_charger, start_bench
from brickbook.simbench.table import read_table

from .conftest import SLUG, give_plan, is_dead, log_task

KIND = Path(__file__).parent / "second_kind"
TABLES = {"load-bank": KIND / "load.toml", "mains-supply": KIND / "source.toml"}
STAY = Dwell(8.0, 8.0)


@pytest.fixture
def other():
    with start_bench(load_sim_charger(SLUG), seed=3, tables=TABLES) as bench:
        yield bench
        assert bench.mistakes == []


def of_other_kind(book, bench):
    """Instruments as bench.toml would have them, the dialects beside it."""
    shutil.copytree(KIND / "dialects", book.root / "dialects")
    made = dict(bench.instruments)
    made["load-bank"] = replace(made["load-bank"], dialect="milli-load")
    made["mains-supply"] = replace(made["mains-supply"], dialect="centi-source")
    return made


def rows(folder, task):
    with (folder / f"{task}.csv").open() as file:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]


def test_the_same_plan_gives_the_same_readings_as_on_the_first_kind(book, sim, other, tmp_path):
    plan = log_task(dwell=STAY)
    give_plan(book, plan)
    instruments = of_other_kind(book, other)
    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=instruments)
    assert outcome == "done", read_journal(folder)[-1]
    assert [e for e in read_journal(folder) if e.event == "instrument-error"] == []
    assert is_dead(other)
    found = rows(folder, plan.id)
    outcome, folder = run_plan(book, SLUG, RunChoices(confirmed=True, resume="restart"), instruments=sim.instruments)
    assert outcome == "done"
    for one, two in zip(found, rows(folder, plan.id), strict=True):
        assert one.keys() == two.keys()
        # written with a tenth of a millivolt and a hundredth of a milliampere, both kinds err alike
        assert one["port_voltage_v@C1"] == pytest.approx(two["port_voltage_v@C1"], abs=3e-3)
        assert one["port_current_a@C1"] == pytest.approx(two["port_current_a@C1"], abs=1.5e-3)
        assert one["mains_voltage_v"] == pytest.approx(two["mains_voltage_v"], abs=0.2)


def test_bench_check_reads_both(book, other):
    look = check_bench(of_other_kind(book, other), BenchLimits(), folder=book.root)
    assert look.is_good, look.faults
    read = {line.name: line for line in look.instruments}
    assert "SIM-DC-LOAD" in read["load-bank"].idn
    assert "SIM-AC-SOURCE" in read["mains-supply"].idn


@pytest.mark.parametrize("name", ["load-bank", "mains-supply"])
def test_a_line_that_is_cut_is_opened_anew_and_all_ends_off(book, other, name):
    give_plan(book, log_task(dwell=STAY))
    other.inject(BenchFault("disconnect", name, at_s=6.0, for_s=0.5))
    run_plan(book, SLUG, RunChoices(confirmed=True), instruments=of_other_kind(book, other))
    assert is_dead(other)


def test_a_word_it_does_not_know_goes_into_its_queue(other):
    import socket

    number = int(other.instruments["load-bank"].address.split("::")[2])
    with socket.create_connection(("127.0.0.1", number), timeout=2.0) as line:
        line.sendall(b"ISET 100\r\nMEAS:VOLT? (@1)\r\nFAULT?\r\nFAULT?\r\nFAULT?\r\n")
        heard = b""
        while heard.count(b"\r\n") < 3:
            heard += line.recv(1000)
    first, second, third = heard.decode().split("\r\n")[:3]
    assert first.startswith("-113")  # no channel was chosen
    assert second.startswith("-113")  # and these are words of the first kind
    assert third == "E00"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("command = 3", "command"),
        ("[[command]]\nmatch = '('", "regular expression"),
        ("[[command]]\nmeans = 'x'", "match"),
    ],
)
def test_a_table_with_a_fault_is_refused_with_its_place(tmp_path, text, said):
    path = tmp_path / "table.toml"
    path.write_text(text)
    with pytest.raises(BookError, match=said):
        read_table(path)


def test_a_table_for_what_is_not_there_is_refused():
    with pytest.raises(BookError, match="no simulated instrument"):
        start_bench(load_sim_charger(SLUG), tables={"toaster": KIND / "load.toml"})
