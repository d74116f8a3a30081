"""Example chargers and chargers of a book on the software bench, their files, and the verb."""

import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from brickbook.book import Book
from brickbook.core.errors import BookError
from brickbook.demo.scenario import CHARGERS
from brickbook.demo.simulated import simulated
from brickbook.simbench import bundled_chargers, load_sim_charger, read_sim_charger, sim_charger_for
from brickbook.simbench.electrical import LoadPoint, operating_point
from brickbook.simbench.physics import operate
from brickbook.simbench.thermal import ThermalNetwork


@pytest.fixture(scope="module")
def charger_files(tmp_path_factory):
    """The example chargers' claims, from the files the example book is made of."""
    from importlib import resources

    folder = resources.files("brickbook.demo") / "scenario"
    book = Book.create(tmp_path_factory.mktemp("claims") / "book", title="Claims", publisher="Tester")
    for slug in CHARGERS:
        (book.root / "chargers" / slug).mkdir(parents=True)
        (book.root / "chargers" / slug / "charger.toml").write_text((folder / slug / "charger.toml").read_text())
    return {slug: book.charger(slug) for slug in CHARGERS}


@pytest.mark.parametrize("slug", CHARGERS)
def test_an_example_charger_has_the_losses_of_its_raw_files(slug, charger_files):
    """Full load of each loading against the array model that made the raw files, at the same inside temperature."""
    example = CHARGERS[slug]
    charger = simulated(slug, charger_files[slug])
    for loading in example.loadings:
        state = operate(
            example.model,
            mains_v=230.0,
            contract_v=loading.contract_v,
            current_a={p: np.full(3, a) for p, a in loading.current_a.items()},
            time_s=np.array([0.0, 1.0, 2.0]),
        )
        loads = {
            port.id: LoadPoint(loading.contract_v[port.id], loading.current_a[port.id], loading.contract_v[port.id])
            if port.id in loading.current_a
            else LoadPoint(0.0, 0.0, 5.0)
            for port in charger.ports
        }
        point = operating_point(
            charger, 230.0, loads, inside_c=float(state.inside_c[2]), pfc_was_on=bool(state.pfc_on[1])
        )
        assert point.input_w == pytest.approx(float(state.input_w[2]), rel=1e-12)


def test_the_receptacle_is_at_its_part_of_the_cases_rise(charger_files):
    """0.82 of it, as in the example's soak: a divider of 1.8 and 8.2."""
    network = ThermalNetwork(simulated("wren-35", charger_files["wren-35"]).thermals, 20.0)
    for _ in range(30_000):
        network.step(1.0, 3.0, 20.0)
    assert (network["receptacle"] - 20.0) / (network["case"] - 20.0) == pytest.approx(0.82, abs=1e-3)


def test_a_charger_of_which_only_the_claims_are_known_works(charger_files, bench):
    made = sim_charger_for(charger_files["plover-67"], slug="plover-67")
    b = bench(made)
    b.power()
    assert b.contract(1, 4, 20000, 3350) == "4,20000,3350"
    b.draw(1, 3.35)
    watts = b.meter.numbers("READ?")[2]
    assert 0.85 < 67.0 / watts < 0.96


def test_files_of_chargers():
    assert bundled_chargers() == ("finch-30", "osprey-100")
    text = 'name = "X"\n[[ports]]\nid = "C1"\nconnector = "usb-c"\noutputs = [{ kind = "fixed", voltage_v = 5.0, current_a = 3.0 }]\n'
    assert read_sim_charger("x.toml", text).port("C1").nameplate_w == 15.0
    for bad, place in (
        (text + "[losses]\nidle_w = -1.0\n", "losses.idle_w"),
        (text.replace("usb-c", "usb-z"), "connector"),
        (text + "colour = 1\n", "colour"),
        (text + "[[budgets]]\nports = ['C9']\npower_w = 5.0\n", "C9"),
        ("name = ", "TOML"),
    ):
        with pytest.raises(BookError, match=place):
            read_sim_charger("x.toml", bad)
    with pytest.raises(BookError, match="finch-30"):
        load_sim_charger("sparrow-1")


def test_the_verb_starts_a_bench_and_ends_with_an_interrupt(tmp_path):
    import socket

    out, truth = tmp_path / "bench-simulated.toml", tmp_path / "truth.json"
    command = [sys.executable, "-c", "from brickbook.cli import main; main()", "simulate", "finch-30"]
    process = subprocess.Popen(
        [*command, "--bench-out", str(out), "--truth", str(truth)], stdout=subprocess.PIPE, text=True
    )
    try:
        lines = []
        while not any("End with Ctrl-C" in line for line in lines):
            lines.append(process.stdout.readline())
            assert lines[-1], lines
        address = next(line.split()[-1] for line in lines if line.split()[:1] == ["wall-meter"])
        with socket.create_connection(("127.0.0.1", int(address.split("::")[2])), timeout=3.0) as wire:
            wire.sendall(b"*IDN?\n")
            assert b"SIM-AC-POWER-METER" in wire.recv(200)
        process.send_signal(signal.SIGINT)
        began = time.monotonic()
        rest, _ = process.communicate(timeout=5.0)
        assert process.returncode == 0
        assert time.monotonic() - began < 3.0
        assert "has ended" in rest
    finally:
        process.kill()
        process.wait()
    assert '"idle_w": 0.021' in truth.read_text()
    Book.create(tmp_path / "book", title="Bench", publisher="Tester")
    (tmp_path / "book" / "bench.toml").write_text(out.read_text())
    read = Book.open(tmp_path / "book").instruments
    assert read["wall-meter"].address == address
    assert len(read["wall-meter"].accuracy) == 9
