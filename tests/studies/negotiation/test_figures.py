"""Scripted recordings with answers worked out by hand."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.studies.negotiation.effects import below
from brickbook.studies.negotiation.figures import figures
from brickbook.usbpd import Message, longest_below, vbus_trace

from .conftest import (
    AT_9V,
    AT_15V,
    AT_20V_LESS,
    LESS,
    Found,
    Script,
    event_table,
    evidence,
    log_table,
    recording,
    trace_table,
)

STEADY = [(0.0, 0.0), (0.4, 0.0), (0.42, 5.0), (0.64, 5.0), (0.69, 20.0), (12.0, 20.0)]
# Hard reset at 5.3 s: falls for 0.1 s from 5.33 s, at 0 V until 6.2 s, 5 V at 6.25 s.
CUT = [*STEADY[:-1], (5.33, 20.0), (5.43, 0.0), (6.20, 0.0), (6.25, 5.0), (6.44, 5.0), (6.46, 15.0), (12.0, 15.0)]


def reset_script():
    script = Script("C2")
    script.contract(0.6)
    script.reset(5.3)
    _, ready = script.contract(6.4, LESS, AT_15V, ready_s=0.12)
    script.send(11.9, 0x12, source=False)
    return script, ready


def found(charger, *tables, **conditions):
    instruments = conditions.pop("instruments", {})
    return Found(figures(evidence(charger, recording(*tables, **conditions), **instruments)))


def test_a_hard_reset_by_a_neighbour(two_ports):
    script, ready = reset_script()
    result = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), trace_table("C2", CUT))
    at = {"port": "C2", "neighbour": "C1", "event": "plug", "event_s": 5.0}
    assert result.one("neighbour_to_reaction_s", **at).value == pytest.approx(0.3)
    assert result.one("neighbour_to_contract_s", **at).value == pytest.approx(ready - 5.0)
    # 20 V in 0.1 s: 4 V is passed 0.08 s after the start, 0.8 V 0.096 s; back up 5 V take 0.05 s.
    gone = result.one("time_without_power_s", **at)
    assert gone.value == pytest.approx((6.20 + 0.05 * 4 / 5) - (5.33 + 0.08), abs=1e-6)
    assert gone.conditions["threshold_v"] == 4.0
    assert result.one("time_at_zero_s", **at).value == pytest.approx((6.20 + 0.05 * 0.8 / 5) - (5.33 + 0.096), abs=1e-6)
    assert result.one("lowest_voltage_v", **at).value == 0.0
    assert result.one("contract_power_w", moment="before", **at).value == 60.0
    assert result.one("contract_power_w", moment="after", **at).value == 45.0
    assert result.one("hard_reset_count").value == 1
    assert result.one("reboot_count", threshold_v=4.0, hold_up_s=0.01).value == 1
    assert [result.one("renegotiation_count", cause=c).value for c in ("neighbour", "charger", "device")] == [1, 0, 0]
    assert result.warnings() == []
    # the proof: the lines of the log from the reset to PS_RDY's GoodCRC, its rows 9 to 17
    lines = result.one("neighbour_to_contract_s", **at).sources[1]
    assert (lines.file.path, lines.first, lines.last) == ("messages.csv", 9, 17)


def test_the_times_of_the_power_cycle(two_ports):
    script, _ = reset_script()
    result = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), trace_table("C2", CUT))
    times = {str(f.conditions["timer"]): f.value for f in result.all("timer_s")}
    # movement is seen at 0.1 V, 0.5 ms of a fall of 200 V/s
    assert times["tPSHardReset"] == pytest.approx(0.0305, abs=1e-6)
    assert times["tSafe5V"] == pytest.approx(0.1 * 14.5 / 20 - 0.0005, abs=1e-6)
    assert times["tSafe0V"] == pytest.approx(0.096 - 0.0005, abs=1e-6)
    assert times["tSrcRecover"] == pytest.approx(6.208 - 5.426, abs=1e-6)
    assert times["tSrcTurnOn"] == pytest.approx(0.05 * (4.75 - 0.8) / 5, abs=1e-6)
    # the first offer came 0.18 s after 5 V the first time, 6.4 s - 6.2475 s the second: the longer is published
    assert times["tFirstSourceCap"] == pytest.approx(0.6 - 0.419, abs=1e-6)


def test_less_current_interrupts_nothing(two_ports):
    script = Script("C1")
    script.contract(0.6)
    _, ready = script.contract(5.25, LESS, AT_20V_LESS, ready_s=0.035)
    script.send(11.9, 0x12, source=False)
    result = found(two_ports, log_table(script), event_table((5.0, "C2", "plug")), trace_table("C1", STEADY))
    assert result.one("neighbour_to_contract_s").value == pytest.approx(ready - 5.0)
    assert result.one("time_without_power_s").value == 0.0
    assert result.one("lowest_voltage_v").value == pytest.approx(20.0)
    assert result.one("reboot_count").value == 0
    assert result.one("contract_power_w", moment="after").value == 30.0


def test_an_event_without_a_reaction_is_reported_as_one(two_ports):
    script = Script("C1")
    script.contract(0.6)
    script.send(11.9, 0x12, source=False)
    result = found(two_ports, log_table(script), event_table((5.0, "A1", "plug")), trace_table("C1", STEADY))
    assert result.all("neighbour_to_contract_s") == []
    assert result.one("renegotiation_count", cause="neighbour").value == 0
    assert result.one("time_without_power_s", neighbour="A1").value == 0.0
    assert result.one("reboot_count").value == 0


def test_what_a_device_asks_for_is_not_a_neighbours_doing(two_ports):
    script = Script("C1")
    script.contract(0.6)
    end = script.send(5.1, 2, [AT_9V], source=False)
    end = script.send(end + 0.002, 3, source=True)
    script.send(end + 0.1, 6, source=True)
    result = found(two_ports, log_table(script), event_table((5.0, "C2", "plug")))
    counts = {c: result.one("renegotiation_count", cause=c).value for c in ("neighbour", "charger", "device")}
    assert counts == {"neighbour": 0, "charger": 0, "device": 1}
    assert result.all("neighbour_to_contract_s") == []


def test_the_window_of_attribution_is_a_condition(two_ports):
    script = Script("C1")
    script.contract(0.6)
    script.contract(7.0, LESS, AT_20V_LESS)
    tables = (log_table(script), event_table((5.0, "C2", "plug")))
    assert found(two_ports, *tables).one("renegotiation_count", cause="neighbour").value == 1
    narrow = found(two_ports, *tables, neighbour_window_s=1.0)
    assert narrow.one("renegotiation_count", cause="neighbour").value == 0
    assert narrow.one("renegotiation_count", cause="charger").value == 1


@pytest.mark.parametrize(("hold_up_s", "threshold_v", "reboots"), [(0.010, 4.0, 1), (0.030, 4.0, 0), (0.010, 0.5, 0)])
def test_threshold_and_hold_up_decide_whether_it_reboots(two_ports, hold_up_s, threshold_v, reboots):
    script = Script("C1")
    script.contract(0.6)
    script.send(11.9, 0x12, source=False)
    # from 20 V to 2 V and back in 10 ms each way, 10 ms below: under 4 V for 10 ms + 2 x 10 ms x 2/18
    dip = [*STEADY[:-1], (5.200, 20.0), (5.210, 2.0), (5.220, 2.0), (5.230, 20.0), (12.0, 20.0)]
    tables = (log_table(script), event_table((5.0, "C2", "plug")), trace_table("C1", dip))
    result = found(two_ports, *tables, hold_up_s=hold_up_s, reboot_threshold_v=threshold_v)
    assert result.one("reboot_count", hold_up_s=hold_up_s, threshold_v=threshold_v).value == reboots
    if threshold_v == 4.0:
        assert result.one("time_without_power_s").value == pytest.approx(0.010 + 2 * 0.010 * 2 / 18, abs=1e-6)
    # no message speaks of it: the trace alone shows the dip, and a note says so
    assert any("VBUS fell to 2.00 V" in text for text in result.warnings())


def test_without_a_trace_the_messages_bound_the_time(two_ports):
    script, _ = reset_script()
    result = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")))
    figure = result.one("time_without_power_s")
    # at least tSrcRecover of 0.66 s (public controller header), at most until the offer, 6.4 s - 5.3 s
    assert figure.value == pytest.approx((0.66 + 1.1) / 2)
    assert figure.u == pytest.approx((1.1 - 0.66) / 2 / sqrt(3))
    assert figure.lower > 0.66
    assert any("inferred" in flag for flag in figure.flags)
    assert result.one("reboot_count").value == 1
    assert any("inferred" in flag for flag in result.one("reboot_count").flags)
    assert result.all("time_at_zero_s") == []


def test_a_pulled_plug_is_not_an_interruption(two_ports):
    script = Script("C2")
    script.contract(0.6)
    script.plugged_anew()
    _, ready = script.contract(6.5)
    script.send(11.9, 0x12, source=False)
    events = event_table((0.3, "C2", "plug"), (4.0, "C1", "plug"), (5.0, "C2", "unplug"), (6.0, "C2", "plug"))
    pulled = [*STEADY[:-1], (5.01, 20.0), (5.06, 0.0), (6.2, 0.0), (6.22, 5.0), (6.54, 5.0), (6.59, 20.0), (12.0, 20.0)]
    for tables in ((log_table(script), events, trace_table("C2", pulled)), (log_table(script), events)):
        result = found(two_ports, *tables)
        assert [result.one("renegotiation_count", cause=c).value for c in ("neighbour", "charger", "device")] == [
            0,
            0,
            0,
        ]
        assert result.one("first_contract_s", since="plug", event_s=6.0).value == pytest.approx(ready - 6.0)
        assert result.one("reboot_count").value == 0
        # what C1's plug is held to have done ends where C2's own plug is pulled
        assert result.one("contract_power_w", moment="after").value == 60.0


def test_a_supply_that_vanishes_without_a_word(two_ports):
    script = Script("C2")
    script.contract(0.6)
    script.plugged_anew()
    script.contract(6.4)
    script.send(11.9, 0x12, source=False)
    lost = [*STEADY[:-1], (5.2, 20.0), (5.25, 0.0), (6.0, 0.0), (6.05, 5.0), (6.44, 5.0), (6.49, 20.0), (12.0, 20.0)]
    result = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), trace_table("C2", lost))
    assert result.one("hard_reset_count").value == 0
    assert result.one("reboot_count").value == 1
    reaction = result.one("neighbour_to_reaction_s")
    # 0.8 V is passed 48 ms after the start of the fall
    assert reaction.value == pytest.approx(0.248, abs=1e-6)
    assert "supply restart" in reaction.method


def test_a_coarse_trace_says_what_it_cannot_see(two_ports):
    script, _ = reset_script()
    trace = trace_table("C2", CUT, interval_s=0.05)
    result = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), trace)
    for name in ("reboot_count", "time_without_power_s", "lowest_voltage_v"):
        assert any("every 50 ms" in flag for flag in result.one(name).flags)
    fine = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), trace_table("C2", CUT))
    gone, exact = result.one("time_without_power_s"), fine.one("time_without_power_s")
    assert gone.u > 10 * exact.u
    assert gone.lower <= exact.value <= gone.upper


# How far times can be off


def test_two_clocks_err_on_their_own(two_ports):
    script = Script("C1")
    script.contract(0.6)
    _, ready = script.contract(5.25, LESS, AT_20V_LESS)
    watch = Instrument(role="clock", accuracy=(Accuracy("time_s", absolute=0.2),))
    tables = (log_table(script), event_table((5.0, "C2", "plug"), instrument="watch"))
    figure = found(two_ports, *tables, instruments={"watch": watch}).one("neighbour_to_contract_s")
    # ±0.2 s of the watch; of the recorder ±(0.01 % of the reading) and half of 10 us, all rectangular
    expected = sqrt(0.2**2 + (1e-4 * ready) ** 2 + 5e-6**2) / sqrt(3)
    assert figure.u == pytest.approx(expected, rel=1e-6)
    # a single rectangle: 95 % of ±0.2 s
    assert figure.upper - figure.value == pytest.approx(0.95 * 0.2, rel=1e-3)


def test_of_one_clock_only_its_rate_and_its_digits_stay(two_ports):
    script = Script("C1")
    script.contract(0.6)
    _, ready = script.contract(5.25, LESS, AT_20V_LESS)
    figure = found(two_ports, log_table(script), event_table((5.0, "C2", "plug"))).one("neighbour_to_contract_s")
    expected = sqrt((1e-4 * (ready - 5.0)) ** 2 + 2 * 5e-6**2) / sqrt(3)
    assert figure.u == pytest.approx(expected, rel=1e-6)


def test_a_time_between_frames_has_the_frames_own_length_to_answer_for(two_ports):
    script = Script("C1")
    script.contract(0.6, accept_s=0.004)
    figure = found(two_ports, log_table(script)).one("timer_s", timer="tReceiverResponse")
    assert figure.value == pytest.approx(0.004)
    # GoodCRC has 149 bits (public controller sources); 270 to 330 kbit/s are legal (a PHY data sheet)
    frame_s = 0.1 * 149 / 300e3
    assert figure.u == pytest.approx(sqrt(frame_s**2 + (1e-4 * 0.004) ** 2 + 2 * 5e-6**2) / sqrt(3), rel=1e-6)


def test_stated_errors_serve_where_there_is_no_instrument(two_ports):
    script = Script("C1")
    script.contract(0.6)
    script.contract(5.25, LESS, AT_20V_LESS)
    stated = Conditions.of(message_time_error_s=0.005, event_time_error_s=0.1, clock_error_ratio=1e-3)
    tables = (
        log_table(script, instrument="", conditions=stated),
        event_table((5.0, "C2", "plug"), instrument="", conditions=stated),
    )
    figure = found(two_ports, *tables).one("neighbour_to_contract_s")
    # two files, two clocks: what their rates make of 5 s is not known to be the same
    assert figure.u == pytest.approx(
        sqrt(0.005**2 + 0.1**2 + (1e-3 * 5.0) ** 2 + (1e-3 * (5.0 + figure.value)) ** 2) / sqrt(3), rel=1e-6
    )


def test_times_that_cannot_be_trusted_are_not_published(two_ports):
    script = Script("C1")
    script.contract(0.6)
    script.contract(5.25, LESS, AT_20V_LESS)
    tables = (log_table(script, instrument=""), event_table((5.0, "C2", "plug"), instrument=""))
    result = found(two_ports, *tables)
    assert {f.name for f in result.figures} == {
        "renegotiation_count",
        "hard_reset_count",
        "reboot_count",
        "contract_power_w",
    }
    texts = result.warnings()
    assert len(texts) == len(set(texts))
    assert any("events.csv" in text and "event_time_error_s" in text for text in texts)
    assert any("messages.csv" in text and "message_time_error_s" in text for text in texts)


# What is refused, and what is told


def test_what_does_not_fit_is_told_by_name(two_ports):
    script = Script("C7")
    script.contract(0.6)
    assert found(two_ports, log_table(script)).warnings() == [
        "plugs, C7: the charger has no such port, only A1, C1, C2"
    ]
    good = Script("C1")
    good.contract(0.6)
    for tables, conditions, words in (
        ((trace_table("C1", STEADY),), {}, "no message log"),
        ((log_table(good), log_table(good)), {}, "two message logs"),
        ((log_table(good), event_table((1.0, "C9", "plug"))), {}, "'C9'"),
        ((log_table(good),), {"stamps": "middle"}, '"frame start" or "frame end"'),
        ((log_table(good),), {"hold_up_s": -1.0}, "expected a number from 0"),
    ):
        result = found(two_ports, *tables, **conditions)
        assert result.figures == ()
        (text,) = result.warnings()
        assert words in text


def test_violations_become_notes(two_ports):
    script = Script("C1")
    script.contract(0.6, (0x0002D12C, 0x0004B12C), 0x1004B12C)  # the first object is not 5 V
    end = script.send(3.0, 2, [0x7004B12C], source=False)  # object 7 was never offered
    script.send(end + 0.002, 4, source=True)  # Reject
    texts = found(two_ports, log_table(script)).warnings()
    assert any("first-object-5v" in text for text in texts)
    assert any("object 7, which was not offered" in text for text in texts)
    assert any("1 × Reject" in text for text in texts)


def test_a_slow_device_is_not_the_chargers_fault(two_ports):
    script = Script("C1")
    script.contract(0.6, request_s=0.041)
    result = found(two_ports, log_table(script))
    assert result.one("timer_s", timer="tReceiverResponse").value == pytest.approx(0.002)
    (note,) = [note for note in result.notes if "tReceiverResponse" in note.text]
    assert note.severity == "info"
    assert "plugged device" in note.text
    assert "41 ms" in note.text


def test_a_public_kernel_log_of_a_soft_reset(two_ports):
    """Headers and times of a public kernel log; it stamps frames when they have been handled. Words are not its own."""
    script = Script("C1")
    script.rows = [
        (t, _message(header, words))
        for t, header, words in (
            (3.185066, 0x008D, ()),
            (3.198922, 0x01A3, ()),
            (3.208976, 0x43A1, (0x0801912C, 0x0002D12C, 0x0004B12C, 0x0006412C)),
            (3.213880, 0x1282, (0x4004B12C,)),
            (3.229457, 0x05A3, ()),
            (3.339971, 0x07A6, ()),
        )
    ]
    result = found(two_ports, log_table(script), stamps="frame end")
    times = {(f.conditions["timer"]): f.value for f in result.all("timer_s")}
    # 110.5 ms from Accept to PS_RDY, less the frame of PS_RDY itself, which the stamp ends; likewise 15.6 ms to Accept
    assert times["tSrcTransition + tSrcReady"] == pytest.approx(0.110514 - 149 / 300e3, abs=1e-9)
    assert times["tReceiverResponse"] == pytest.approx(0.015577 - 149 / 300e3, abs=1e-9)


def _message(header, words):

    return Message.from_words(header, words)


@given(
    st.lists(st.integers(0, 40), min_size=2, max_size=40),
    st.floats(0.5, 39.5).filter(lambda v: abs(v - round(v)) > 1e-3),
)
def test_time_below_agrees_with_the_protocol_library_and_with_counting(levels, threshold_v):
    trace = vbus_trace(np.arange(len(levels), dtype=float), levels)
    found_ = below(trace, threshold_v)
    assert found_.longest_s == pytest.approx(longest_below(trace, threshold_v))
    fine = np.linspace(0.0, len(levels) - 1.0, 20001)
    share = np.mean(np.interp(fine, trace.time_s, trace.voltage_v) < threshold_v)
    assert found_.total_s == pytest.approx(share * (len(levels) - 1), abs=0.05 * len(levels) ** 0.5)
    assert found_.open_ended == (levels[-1] < threshold_v)


def test_a_trace_with_a_hole_where_power_went_claims_no_zero(two_ports):
    """A hard reset takes VBUS to 0 V (USB PD 3.2, 7.1.5); a trace without readings meanwhile cannot say it did not."""
    script, _ = reset_script()
    whole = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), trace_table("C2", CUT))
    gone = whole.one("time_without_power_s")
    table = trace_table("C2", CUT)
    time_s = table.columns["time_s"]
    keep = (time_s < 5.32) | (time_s > 6.47)
    columns = {name: values[keep] for name, values in table.columns.items()}
    holed = replace(table, columns=columns, lines=table.lines[keep])
    result = found(two_ports, log_table(script), event_table((5.0, "C1", "plug")), holed)
    claimed = [f for f in result.figures if f.name == "time_without_power_s"]
    assert all(f.value > 0 and any("inferred" in flag for flag in f.flags) for f in claimed)
    assert result.one("reboot_count").value == 1
    assert gone.value > 0.1
