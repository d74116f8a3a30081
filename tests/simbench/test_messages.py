"""What ports say: read back by the protocol's own decoder, and its times against the limits of USB Power Delivery.

Limits are those of `usbpd.timers`, each with its source there (public headers and stacks quoting R3.1 tables 6-68, 6-70
and 7-24; some from memory and marked so there).
"""

import io

import numpy as np
import pytest

from brickbook.simbench import SimCharger, Surroundings
from brickbook.simbench.models import load_sim_charger
from brickbook.usbpd import (
    ControlType,
    TimerVerdict,
    cable_rating,
    decode_source_pdo,
    parse_message_log,
    read_contracts,
    vbus_trace,
)


def recorded(b, channels):
    log = parse_message_log(b.recorder.block(f"REC:DATA? (@{channels})"), name="log.csv")
    events = b.recorder.block("REC:EVEN?").decode()
    return log, events


def history(b, log, port, channel):
    table = np.loadtxt(io.BytesIO(b.recorder.block(f"REC:VBUS? (@{channel})")), delimiter=",", skiprows=1)
    return read_contracts(log, port, vbus=vbus_trace(table[:, 0], table[:, 1]))


def test_attachment_requests_and_programmable_steps_keep_every_time_limit(bench):
    b = bench()
    b.power()
    b.recorder.do("REC:STAR")
    b.contract(1, 4, 20000, 1500)
    b.contract(1, 2, 9000, 3000)
    for millivolts in (8400, 8420, 8440, 8000, 5000):
        b.contract(1, 5, millivolts, 2500)
    b.wait(1.0)
    b.recorder.do("REC:STOP")
    log, events = recorded(b, 1)
    assert events.splitlines()[1:] == ["0.000,C1,plug,"]
    read = history(b, log, "C1", 1)
    # the default request of the device, then those it was told to make
    assert len(read.contracts) == 8
    assert read.contracts[-1].object_position == 5
    assert read.undelivered_count - read.repeat_count == 0
    known = {timer.name for timer in read.timers}
    assert {"tFirstSourceCap", "tReceiverResponse", "tSrcTransition + tSrcReady", "tPpsSrcTransSmall"} <= known
    late = [timer for timer in read.timers if timer.verdict in (TimerVerdict.TOO_LONG, TimerVerdict.TOO_SHORT)]
    assert late == []
    # tSrcTransition, 25 ms to 35 ms from Accept to the first movement of VBUS (public controller header)
    accepts = log.time_s[(log.header & 0x801F == ControlType.ACCEPT.value) & (log.word_count == 0)]
    begun_s, moves = b.sim.do(lambda world: (world.recorded_from_s, list(world.ports["C1"].vbus_history)))
    starts = [t0 - begun_s for (t0, v0), (_, v1) in zip(moves[1::2], moves[2::2], strict=False) if abs(v1 - v0) > 0.6]
    large = [t for t in starts if any(t > a for a in accepts)]
    assert len(large) >= 2
    for start in large:
        accept = max(a for a in accepts if a < start)
        assert 0.025 <= start - accept <= 0.036  # the frame and its GoodCRC take one of them


def test_a_neighbour_makes_the_first_port_give_up_power_before_it_gets_any(bench):
    """Budget: never more promised at once than 100 W, at any moment of the log; the supply of C1 stays."""
    b = bench("osprey-100")
    b.power()
    b.recorder.do("REC:STAR")
    assert b.contract(1, 4, 20000, 5000) == "4,20000,5000"
    b.draw(1, 4.0)
    b.wait(1.0)
    b.sink.do("SINK:ATT ON,(@2)")
    lowest = 20.0
    for _ in range(60):
        b.wait(0.02)
        lowest = min(lowest, b.load.numbers("MEAS:VOLT? (@1)")[0])
    assert lowest > 19.0
    assert b.sink.ask("SINK:CONT? (@1)") == "4,20000,3250"
    # the load follows the contract, as a device would
    assert b.load.numbers("SOUR:CURR? (@1)") == [3.25]
    b.sink.do("SINK:REQ 4,20000,1500,(@2)")
    b.sink.ask("*OPC?")
    b.sink.do("SINK:ATT OFF,(@2)")
    b.wait(2.0)
    assert b.sink.ask("SINK:CONT? (@1)") == "4,20000,5000"
    log, events = recorded(b, "1,2")
    assert [line.split(",")[1:3] for line in events.splitlines()[1:]] == [
        ["C1", "plug"],
        ["C2", "plug"],
        ["C2", "unplug"],
    ]
    read = {port: history(b, log, port, channel) for port, channel in (("C1", 1), ("C2", 2))}
    given_up = next(contract for contract in read["C1"].contracts if contract.current_a == 3.25)
    assert given_up.start_s < read["C2"].contracts[0].start_s
    bad = [t for r in read.values() for t in r.timers if t.verdict in (TimerVerdict.TOO_LONG, TimerVerdict.TOO_SHORT)]
    assert bad == []


def test_a_charger_that_resets_cuts_the_supply(bench):
    from dataclasses import replace

    charger: SimCharger = load_sim_charger("osprey-100")
    b = bench(replace(charger, policy=replace(charger.policy, on_change="reset")))
    b.power()
    b.contract(1, 4, 20000, 5000)
    b.recorder.do("REC:STAR")
    b.sink.do("SINK:ATT ON,(@2)")
    lowest = 20.0
    for _ in range(150):
        b.wait(0.02)
        lowest = min(lowest, b.load.numbers("MEAS:VOLT? (@1)")[0])
    assert lowest < 0.8
    assert b.sink.ask("SINK:CONT? (@1)") == "4,20000,3250"
    assert b"hard_reset" in b.recorder.block("REC:DATA? (@1)").lower().replace(b" ", b"_")
    log, _ = recorded(b, 1)
    late = [
        t
        for t in history(b, log, "C1", 1).timers
        if t.verdict in (TimerVerdict.TOO_LONG, TimerVerdict.TOO_SHORT)
        and t.name.startswith(("tPSHard", "tSafe", "tSrc"))
    ]
    assert late == []


def test_extended_range_is_entered_and_kept_alive(bench):
    b = bench("osprey-100")
    b.power()
    b.recorder.do("REC:STAR")
    words = None
    assert b.contract(1, 8, 28000, 3500) == "8,28000,3500"
    words = b.sink.ask("SINK:CAP? (@1)").split(",")
    assert len(words) == 9
    b.wait(3.0)
    log, _ = recorded(b, 1)
    read = history(b, log, "C1", 1)
    names = [type(event).__name__ for event in read.events]
    assert "EprEntered" in names
    assert names.count("KeepAlive") >= 5
    assert b.load.numbers("MEAS:VOLT? (@1)")[0] == pytest.approx(28.08, abs=0.05)


def test_a_request_beyond_the_offer_is_rejected(bench):
    b = bench()
    b.power()
    b.contract(1, 1, 5000, 3000)
    assert b.contract(1, 5, 20000, 1000) == "1,5000,3000"
    assert b.contract(1, 5, 6000, 2000) == "5,6000,2000"


def cable_frames(log):
    return [row for row in log.splitlines() if "SOP'" in row]


def test_a_marked_cable_is_asked_and_answers(bench):
    b = bench("osprey-100")
    b.power()
    b.recorder.do("REC:STAR")
    b.contract(1, 4, 20000, 5000)
    rows = cable_frames(b.recorder.block("REC:DATA? (@1)").decode())
    assert len(rows) == 4
    words = [int(word, 16) for word in rows[2].split(",")[4].split()]
    rating = cable_rating(words)
    assert (rating.max_current_a, rating.max_voltage_v, rating.epr_capable, rating.active) == (5.0, 50.0, True, False)


def test_over_a_cable_without_a_marker_no_more_than_three_amperes_are_offered(bench):
    """USB Type-C: 3 A and 20 V without a marker; no extended range. The question is repeated twice."""
    b = bench("osprey-100", surroundings=Surroundings(cable_marked=False))
    b.power()
    b.recorder.do("REC:STAR")
    b.contract(1, 4, 20000, 3000)
    words = [int(word, 16) for word in b.sink.ask("SINK:CAP? (@1)").split(",")]
    assert len(words) == 5
    assert max(decode_source_pdo(word).max_current_a for word in words) == 3.0
    assert len(cable_frames(b.recorder.block("REC:DATA? (@1)").decode())) == 3
