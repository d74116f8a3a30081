"""Faults on demand, as a client meets them."""

import socket
import time

import pytest

from brickbook.core.errors import BookError
from brickbook.simbench import BenchFault, parse_fault, read_faults


def timed_out(wire, text):
    wire.socket.settimeout(0.2)
    with pytest.raises(TimeoutError):
        wire.ask(text)
    wire.socket.settimeout(3.0)


def test_mute_for_a_time(bench):
    b = bench(faults=(BenchFault("mute", "wall-meter", at_s=10.0, for_s=5.0),))
    b.meter.ask("READ?")
    b.wait(11.0)
    timed_out(b.meter, "READ?")
    b.wait(5.0)
    assert b.meter.ask("READ?").count(",") == 5


def test_late_comes_as_the_answer_to_the_next_question(bench):
    """What makes a client take the wrong answer for its own, until it opens the connection anew."""
    b = bench()
    b.sim.inject(BenchFault("late", "load-bank", at_message=1, messages=1, late_s=0.4))
    timed_out(b.load, "MEAS:VOLT? (@1)")
    time.sleep(0.4)
    assert "," not in b.load.ask("*IDN?")
    assert b.load.line().startswith(b"Quillmere")
    fresh = type(b.load)(b.sim.instruments["load-bank"].address)
    assert fresh.ask("*IDN?").startswith("Quillmere")
    fresh.socket.close()


def test_garbage_and_an_error_in_the_queue(bench):
    b = bench()
    b.sim.inject(
        BenchFault("garbage", "wall-meter", at_message=2),
        BenchFault("error-queue", "wall-meter", at_message=1, number=-310),
    )
    assert b.meter.ask("*IDN?").startswith("Quillmere")
    b.meter.write("SYST:ERR?")
    assert b.meter.line().startswith(b"\xff\x00")
    b.sim.inject(BenchFault("error-queue", "wall-meter", at_message=1))
    assert b.meter.ask("SYST:ERR?").startswith('-240,"Hardware error')


def test_a_cut_connection_can_be_opened_again(bench):
    b = bench(faults=(BenchFault("disconnect", "wall-meter", at_message=2),))
    b.meter.ask("*IDN?")
    with pytest.raises((ConnectionError, socket.timeout)):
        b.meter.ask("READ?")
    again = type(b.meter)(b.sim.instruments["wall-meter"].address)
    with pytest.raises((ConnectionError, socket.timeout)):
        again.ask("*IDN?")
    again.socket.close()
    b.sim.do(lambda _: b.sim.count_message("wall-meter"))
    again = type(b.meter)(b.sim.instruments["wall-meter"].address)
    assert again.ask("*IDN?").startswith("Quillmere")
    again.socket.close()


def test_stuck_readings_do_not_move(bench):
    b = bench(faults=(BenchFault("stuck", "wall-meter", at_s=5.0, for_s=10.0),))
    b.power()
    first = b.meter.ask("READ?")
    b.wait(5.0)
    b.contract(1, 1, 5000, 3000)
    b.draw(1, 3.0)
    assert b.meter.ask("READ?") == first
    b.wait(10.0)
    assert b.meter.numbers("READ?")[2] > 10.0


def test_a_second_client_changes_a_setting_behind_ones_back(bench):
    b = bench(faults=(BenchFault("second-client", "mains-supply", at_message=2, command="SOUR:VOLT 111"),))
    b.source.ask("*IDN?")
    b.source.ask("SOUR:VOLT?")
    for _ in range(200):
        if b.source.numbers("SOUR:VOLT?") == [111.0]:
            break
        time.sleep(0.005)
    assert b.source.numbers("SOUR:VOLT?") == [111.0]


def test_faults_as_typed_and_from_a_file(tmp_path):
    assert parse_fault("wall-meter mute at_s=60 for_s=5") == BenchFault("mute", "wall-meter", at_s=60.0, for_s=5.0)
    assert parse_fault("mains-drop at_s=9") == BenchFault("mains-drop", at_s=9.0)
    for text in ("nothing", "mute", "wall-meter mute when=1", "wall-meter mute at_s=soon", "mains-drop at_message=3"):
        with pytest.raises(BookError, match="--fault"):
            parse_fault(text)
    file = tmp_path / "faults.toml"
    file.write_text('[[fault]]\nkind = "late"\ninstrument = "load-bank"\nat_message = 4\n')
    assert read_faults(file) == (BenchFault("late", "load-bank", at_message=4),)
    file.write_text('[[fault]]\nkind = "sulking"\ninstrument = "load-bank"\n')
    with pytest.raises(BookError, match=r"fault\.0\.kind"):
        read_faults(file)


def test_a_fault_of_an_instrument_that_is_not_there(bench):
    b = bench()
    with pytest.raises(BookError, match="no instrument"):
        b.sim.inject(BenchFault("mute", "toaster"))
