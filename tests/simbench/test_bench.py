"""The bench over its sockets: roles, time, heat, limits, two clients, the same bytes twice."""

import math
import time

import pytest

from brickbook.core.instrument import Instrument
from brickbook.simbench import Surroundings, load_sim_charger, start_bench

ROLES = {
    "ac-source",
    "ac-power-meter",
    "dc-load",
    "voltmeter",
    "temperature-logger",
    "oscilloscope",
    "pd-sink",
    "message-recorder",
    "clock",
}


def test_every_role_is_there_says_who_it_is_and_that_it_is_simulated(bench):
    b = bench()
    simulated = {i.role for i in b.sim.instruments.values() if i.address}
    assert simulated == ROLES
    for name, wire in b.wires.items():
        maker, model, _, _ = wire.ask("*IDN?").split(",")
        assert model == f"SIM-{b.sim.instruments[name].role.upper()}"
        assert "invented" in maker
        assert b.sim.instruments[name].dialect == f"scpi-{b.sim.instruments[name].role}"


def test_instruments_of_the_book_keep_their_names_and_others_are_left_alone():
    given = {"my-meter": Instrument("ac-power-meter"), "scale": Instrument("scale")}
    with start_bench(load_sim_charger("finch-30"), given) as sim:
        assert sim.instruments["my-meter"].address.startswith("TCPIP::127.0.0.1::")
        assert sim.instruments["scale"] == given["scale"]
        assert "wall-meter" not in sim.instruments
        assert {i.role for i in sim.instruments.values()} == ROLES | {"scale"}


def test_true_readings_without_errors(bench):
    b = bench(perfect=True, surroundings=Surroundings(fixture_ohm=0.004, room_drift_k_per_h=0.0, room_swing_k=0.0))
    b.power()
    assert b.contract(1, 4, 20000, 1500) == "4,20000,1500"
    b.draw(1, 1.5)
    volts, amps = b.load.numbers("MEAS:VOLT? (@1)")[0], b.load.numbers("MEAS:CURR? (@1)")[0]
    assert amps == 1.5
    # set-point error, droop of the port, and the fixture between receptacle and sense terminals
    assert volts == pytest.approx(20.0 * 1.005 - (0.014 + 0.004) * 1.5, abs=1e-5)
    mains_v, mains_a, watts, pf, hertz, thd = b.meter.numbers("READ?")
    assert (mains_v, hertz) == (230.0, 50.0)
    assert watts == pytest.approx(mains_v * mains_a * pf, rel=1e-5)
    orders = b.meter.numbers("FETC:HARM?")
    assert len(orders) == 13
    assert math.sqrt(sum(i**2 for i in orders)) == pytest.approx(mains_a, rel=0.05)
    assert thd > math.sqrt(sum(i**2 for i in orders[1:])) / orders[0] > 0.5 * thd


def test_heat_at_rest_is_the_networks(bench):
    """Four hours of full load; rises from Kirchhoff's laws with the thermal resistances of the file, solved by hand."""
    b = bench(perfect=True, surroundings=Surroundings(room_c=22.0, room_drift_k_per_h=0.0, room_swing_k=0.0))
    b.power()
    b.contract(1, 4, 20000, 1500)
    b.draw(1, 1.5)
    b.wait(6 * 3600)
    watts = b.meter.numbers("READ?")[2]
    out = b.load.numbers("MEAS:VOLT? (@1)")[0] * 1.5
    case, receptacle, ambient = b.logger.numbers("MEAS:TEMP? (@101:103)")
    to_room = 1 / (1 / 11.5 + 1 / (7.0 + 52.0))
    assert ambient == 22.0
    assert case - ambient == pytest.approx((watts - out) * to_room, rel=1e-3)
    assert receptacle - ambient == pytest.approx((case - ambient) * 52.0 / 59.0, rel=1e-3)


def test_range_and_overrange(bench):
    """SCPI-1999 7.2.1.4: a reading beyond the range is 9.9E37."""
    b = bench()
    b.power()
    assert b.meter.numbers("SENS:POW:RANG?") == [1.5]
    assert b.meter.do("SENS:POW:RANG 20").startswith("0")
    assert b.meter.numbers("SENS:POW:RANG?") == [300.0]
    b.contract(1, 4, 20000, 1500)
    b.draw(1, 1.5)
    b.meter.do("SENS:POW:RANG 15")
    assert b.meter.numbers("READ?")[2] == 9.9e37
    b.meter.do("SENS:POW:RANG:AUTO ON")
    assert 30.0 < b.meter.numbers("READ?")[2] < 34.0


def test_what_is_refused(bench):
    b = bench()
    assert b.source.do("SOUR:VOLT 400").startswith("-222")
    assert b.load.do("SOUR:CURR 9,(@1)").startswith("-222")
    assert b.load.do("SOUR:CURR 1,(@7)").startswith("-224")
    assert b.load.do("SOUR:CURR 1").startswith("-109")
    assert b.sink.do("SINK:REQ 1,5000,3000,(@1)").startswith("-221")
    b.power()
    b.contract(1, 1, 5000, 3000)
    assert b.sink.do("SINK:REQ 9,9000,3000,(@1)").startswith("-222")
    assert b.sink.do("SINK:REQ 2,12000,3000,(@1)").startswith("-222")
    assert b.scope.do("TRIG:SOUR MOON").startswith("-224")
    b.scope.write("TRAC:PRE? (@1)")
    assert b.scope.ask("SYST:ERR?").startswith("-230")


def course(b):
    answers = []
    b.power()
    answers.append(b.contract(1, 4, 20000, 1500))
    b.draw(1, 1.2)
    for _ in range(20):
        b.wait(1)
        answers += [b.clock.ask("SYST:TIME?"), b.meter.ask("READ?"), b.load.ask("MEAS:VOLT? (@1);:MEAS:CURR? (@1)")]
    return answers


def test_lock_step_gives_the_same_bytes_twice(bench):
    first, second, other = course(bench(seed=4)), course(bench(seed=4)), course(bench(seed=5))
    assert first == second
    assert first != other


def test_an_hour_of_readings_takes_seconds(bench):
    """66 minutes with a reading of everything each second, over sockets."""
    b = bench("osprey-100")
    b.power()
    b.contract(1, 4, 20000, 3000)
    b.draw(1, 3.0)
    began, from_s = time.monotonic(), b.now()
    for _ in range(660):
        b.wait(6)
        b.clock.ask("SYST:TIME?")
        b.meter.ask("READ?")
        b.load.ask("MEAS:VOLT? (@1)")
        b.load.ask("MEAS:CURR? (@1)")
    assert b.now() - from_s > 3960
    # a fifth of a full log's readings over its whole time; measured: 0.5 s on two shared cores
    assert time.monotonic() - began < 8.0


def test_with_a_speed_time_runs_by_itself(bench):
    b = bench(speed=100.0)
    first, wall = b.now(), time.monotonic()
    b.wait(20)
    passed, wall = b.now() - first, time.monotonic() - wall
    assert passed >= 20.0
    assert 0.19 <= wall < 2.0
    time.sleep(0.1)
    assert b.now() - first - passed >= 5.0


def test_a_query_is_interrupted_by_the_next_message(bench):
    """IEEE 488.2 6.3.2.3 and SCPI-1999 -410: a new message while the answer is being made."""
    b = bench(speed=10.0)
    b.clock.write("SYST:TIME:WAIT 600;*OPC?")
    time.sleep(0.1)
    assert b.clock.ask("*IDN?").count(",") == 3
    assert b.clock.ask("SYST:ERR?").startswith("-410")


def test_two_clients_of_one_instrument(bench):
    b = bench()
    other = type(b.source)(b.sim.instruments["mains-supply"].address)
    other.do("SOUR:VOLT 117")
    assert b.source.numbers("SOUR:VOLT?") == [117.0]
    other.socket.close()
    assert b.source.ask("OUTP?") == "0"


def test_reset_is_safe(bench):
    b = bench()
    b.power()
    b.contract(1, 1, 5000, 3000)
    b.draw(1, 1.0)
    for wire in (b.load, b.sink, b.source):
        wire.do("*RST")
    assert b.load.ask("INP? (@1)") == "0"
    assert b.sink.ask("SINK:ATT? (@1)") == "0"
    assert b.source.ask("OUTP?") == "0"
    assert b.meter.numbers("READ?")[2] < 1e-2
    assert b.meter.numbers("READ?")[3] == 9.91e37


def test_truth_and_trace(bench, tmp_path):
    b = bench(seed=3, trace=tmp_path / "trace.csv")
    b.power()
    b.wait(10)
    truth = b.sim.truth()
    assert truth["charger"]["losses"]["idle_w"] == 0.021
    fractions = truth["instruments"]["wall-meter"]["error_fractions_of_bound"]
    assert all(-1 <= fraction <= 1 for fraction in fractions.values())
    assert "mains_power_w 15.0" in fractions
    b.sim.close()
    lines = (tmp_path / "trace.csv").read_text().splitlines()
    assert lines[0].startswith("time_s,mains_voltage_v,mains_power_w,loss_w,port_voltage_v@C1")
    assert len(lines) >= 11


def test_a_port_that_is_taken_is_an_error(bench):
    b = bench()
    taken = int(b.sim.instruments["mains-supply"].address.split("::")[2])
    with pytest.raises(OSError, match=str(taken)):
        start_bench(load_sim_charger("finch-30"), port_base=taken)
