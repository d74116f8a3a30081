"""What the charger does when too much is asked of it, when it is hot, and when mains goes."""

from dataclasses import replace

import pytest

from brickbook.simbench import BenchFault, Surroundings, load_sim_charger
from brickbook.simbench.charger import Fold, OverloadBehaviour

OFF_V = 0.1


def finch(**changes):
    charger = load_sim_charger("finch-30")
    return replace(charger, ports=(replace(charger.ports[0], **changes),))


def loaded(b, amps=1.5):
    b.power()
    b.contract(1, 4, 20000, 1500)
    b.draw(1, amps)


def volts(b):
    return b.load.numbers("MEAS:VOLT? (@1)")[0]


def test_hiccup_comes_again_by_itself(bench):
    b = bench(finch(overload=OverloadBehaviour("hiccup", 1.2, 0.3, 1.5)))
    loaded(b, 1.75)
    b.wait(3.0)
    assert volts(b) > 19.0  # below the limit of 1.2 times 1.5 A
    b.load.do("SOUR:CURR 1.9,(@1)")
    b.wait(0.2)
    assert volts(b) > 19.0
    b.wait(0.3)
    assert volts(b) < OFF_V
    b.load.do("SOUR:CURR 1.0,(@1)")
    b.wait(3.0)
    assert volts(b) > 19.0


def test_trip_waits_for_the_load_to_go(bench):
    b = bench(finch(overload=OverloadBehaviour("trip", 1.2, 0.3, 1.0)))
    loaded(b, 2.0)
    b.wait(10.0)
    assert volts(b) < OFF_V
    b.load.do("INP OFF,(@1)")
    b.wait(0.5)
    assert volts(b) < OFF_V
    b.wait(3.0)
    assert volts(b) > 4.5


def test_latch_waits_for_mains_to_go(bench):
    b = bench(finch(overload=OverloadBehaviour("latch", 1.2, 0.3)))
    loaded(b, 2.0)
    b.wait(1.0)
    b.load.do("INP OFF,(@1)")
    b.wait(60.0)
    assert volts(b) < OFF_V
    b.source.do("OUTP OFF")
    b.wait(10.0)
    b.source.do("OUTP ON")
    b.wait(3.0)
    assert volts(b) > 4.5


def test_constant_current_holds_it_and_lets_the_voltage_go(bench):
    b = bench(finch(overload=OverloadBehaviour("constant current", 1.1)), perfect=True)
    loaded(b, 3.0)
    b.wait(1.0)
    assert b.load.numbers("MEAS:CURR? (@1)")[0] == pytest.approx(1.65)
    assert volts(b) < 1.0


def test_all_ports_sag_together_at_the_limit_of_the_main_rail(bench):
    charger = load_sim_charger("osprey-100")
    b = bench(replace(charger, losses=replace(charger.losses, power_limit_w=60.0)), perfect=True)
    b.power()
    b.contract(1, 4, 20000, 5000)
    b.draw(1, 4.0)
    power = volts(b) * 4.0
    assert power == pytest.approx(60.0, rel=1e-4)


def hot(charger, **changes):
    """Parts so small that heat comes within minutes."""
    nodes = tuple(replace(node, capacity_j_per_k=2.0) for node in charger.thermals.nodes)
    return replace(charger, thermals=replace(charger.thermals, nodes=nodes, **changes))


def test_a_hot_charger_offers_less_and_the_load_follows_and_later_more_again(bench):
    b = bench(hot(load_sim_charger("finch-30"), folds=(Fold(40.0, 30.0, 0.5, ("C1",)),)))
    loaded(b, 1.5)
    b.wait(600.0)
    assert b.load.numbers("SOUR:CURR? (@1)") == [0.75]
    b.load.do("INP OFF,(@1)")
    b.wait(600.0)
    assert b.sink.ask("SINK:CONT? (@1)") == "4,20000,1500"


def test_a_charger_that_is_too_hot_is_off_until_it_has_cooled(bench):
    b = bench(hot(load_sim_charger("finch-30"), trip_c=42.0, recover_c=30.0))
    loaded(b, 1.5)
    seen = []
    for _ in range(120):
        b.wait(10.0)
        seen.append(volts(b) > 4.0)
    assert seen[0]
    assert not all(seen)
    first_off = seen.index(False)
    assert any(seen[first_off:])


def test_the_bulk_capacitor_holds_the_output_up(bench):
    """Energy from the crest down to where it gives up, C (U^2 - v^2/2) less ... = P t/0.92, by hand."""
    b = bench(perfect=True)
    loaded(b, 1.5)
    watts = volts(b) * 1.5
    hold_s = 0.5 * 43e-6 * (2 * 230.0**2 - 80.0**2) / (watts / 0.92)
    b.source.do("OUTP OFF")
    gone_s = b.now()
    while volts(b) > 10.0:
        b.wait(0.001)
    # each look takes the load's five milliseconds
    assert b.now() - gone_s == pytest.approx(hold_s, abs=0.012)


def test_mains_can_drop_and_a_charger_trip_on_demand(bench):
    b = bench(faults=(BenchFault("mains-drop", at_s=10.0, for_s=5.0), BenchFault("charger-trip", at_s=30.0, port="C1")))
    loaded(b, 1.0)
    b.wait(10.0 - b.now() + 1.0)
    assert b.meter.numbers("READ?")[0] < 1.0
    assert b.source.ask("OUTP?") == "1"
    b.wait(12.0)
    assert volts(b) > 19.0
    b.wait(30.5 - b.now())
    assert volts(b) < OFF_V


def test_standby_by_situation(bench):
    """Idle, with a bare cable, with a device that holds 5 V and 9 V: sums of the file's numbers."""
    calm = Surroundings(room_swing_k=0.0, room_drift_k_per_h=0.0)
    b = bench(perfect=True, surroundings=calm)
    b.power()
    idle = 0.021 + 4.2e-7 * 230.0**2
    assert b.meter.numbers("READ?")[2] == pytest.approx(idle, rel=1e-6)
    b.sim.do(lambda world: world.plug_cable("C1", plugged=True))
    assert b.meter.numbers("READ?")[2] == pytest.approx(idle + 0.004, rel=1e-6)
    b.contract(1, 1, 5000, 3000)
    assert b.meter.numbers("READ?")[2] == pytest.approx(idle + 0.028, rel=1e-6)
    b.contract(1, 2, 9000, 3000)
    assert b.meter.numbers("READ?")[2] == pytest.approx(idle + 0.044, rel=1e-6)
