"""Causes, durations and interruptions of renegotiations; VBUS traces and timers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.errors import UsbPdError
from brickbook.usbpd.events import NegotiationKind, Oddity, Outcome
from brickbook.usbpd.messages import Message, Sop, frame_duration_s
from brickbook.usbpd.records import MessageLog
from brickbook.usbpd.renegotiation import (
    ExcursionKind,
    NeighbourEvent,
    NeighbourKind,
    RebootCriterion,
    analyse_port,
)
from brickbook.usbpd.supplies import PdoKind
from brickbook.usbpd.timers import (
    SENDER_RESPONSE_S,
    TIMERS,
    TimerVerdict,
    judge_sender_response,
    judge_timer,
)
from brickbook.usbpd.vbus import (
    longest_below,
    movement_start,
    vbus_trace,
    voltage_limits,
)

# Sets and requests from the layouts (see test_pdo and test_rdo).
FULL = (0x0801912C, 0x0002D12C, 0x0004B12C, 0x0006412C)
LESS = (0x0801912C, 0x0002D12C)
LESS_CURRENT = (0x0801912C, 0x0002D12C, 0x0004B12C, 0x00064096)
PLUG = NeighbourEvent(4.0, NeighbourKind.PLUG, "C2")


def sent(rows, time_s, header, objects=()):
    """Add a message with the MessageID that follows its sender's last since the last reset."""
    since = max((at for at, row in enumerate(rows) if row[1] is Sop.HARD_RESET), default=-1)
    source = bool(header & 0x0100)
    number = sum(row[1].header.from_source == source for row in rows[since + 1 :]) % 8
    message = Message.from_words(header & ~0x0E00 | number << 9 | len(objects) << 12, objects)
    rows.append((time_s, message))
    return time_s + frame_duration_s(len(message.payload))


def contract(rows, time_s, words, request, ready_s=0.150):
    """Capabilities, Request, Accept and PS_RDY without GoodCRC; gives Accept's end and PS_RDY."""
    end = sent(rows, time_s, 0x01A1, words)
    end = sent(rows, end + 0.003, 0x0082, [request])
    accept = sent(rows, end + 0.002, 0x03A3)
    sent(rows, accept + ready_s, 0x05A6)
    return accept, accept + ready_s


def log_of(rows):
    return MessageLog.from_messages(rows, port="C1")


def trace_of(points):
    """A trace through corner points, sampled every millisecond, corners included."""
    corners_s, corners_v = (np.array(part, dtype=float) for part in zip(*points, strict=True))
    time_s = np.union1d(np.arange(corners_s[0], corners_s[-1], 1e-3), corners_s)
    time_s = time_s[np.concatenate(([True], np.diff(time_s) > 1e-7))]
    return vbus_trace(time_s, np.interp(time_s, corners_s, corners_v))


def renegotiated(rows, **given_):
    return analyse_port(log_of(rows), "C1", **given_).renegotiations


def test_lower_voltage_because_of_a_neighbour():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)  # 20 V 3 A
    accept, ready = contract(rows, 4.5, LESS, 0x2004B12C)  # down to 9 V
    trace = trace_of([(0, 0), (0.9, 0), (0.91, 5), (1.05, 5), (1.1, 20), (accept + 0.030, 20),
                      (accept + 0.080, 9), (8, 9)])  # fmt: skip
    first, second = renegotiated(rows, vbus=trace, neighbours=[PLUG])
    assert first.interruption is None
    assert second.neighbour == PLUG
    assert second.caused_by == "source offer, 0.500 s after plug on port C2"
    assert second.neighbour_to_start_s == pytest.approx(0.5)
    assert second.neighbour_to_contract_s == pytest.approx(ready - 4.0)
    assert second.duration_s == pytest.approx(ready - 4.5)
    cut = second.interruption
    assert not cut.inferred
    # Between 20 V and 9 V anything is allowed on the way; power is never lost.
    assert cut.left_valid_range is False
    assert cut.reached_0v is False
    assert cut.device_would_reboot is False
    assert cut.without_power_max_s == 0.0
    assert cut.min_voltage_v == pytest.approx(9.0)
    timers = {t.name: t for t in analyse_port(log_of(rows), "C1", vbus=trace).timers}
    # 20 V falls by 0.1 V within 0.45 ms of the fall's start, 30 ms after Accept.
    assert timers["tSrcTransition"].value_s == pytest.approx(0.0305, abs=0.0002)
    assert timers["tSrcTransition"].verdict is TimerVerdict.WITHIN
    # 9.45 V, the upper limit, is reached 0.45/11 of 50 ms before the end of the fall.
    assert timers["tSrcSettle"].value_s == pytest.approx(0.050 * (1 - 0.45 / 11), abs=0.0015)
    assert timers["tSrcReady"].value_s == pytest.approx(0.150 - 0.0305, abs=0.0005)


def test_less_current_at_the_same_voltage_does_not_move_vbus():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    contract(rows, 4.5, LESS_CURRENT, 0x44025896)
    trace = trace_of([(1.0, 5), (1.05, 5), (1.1, 20), (8, 20)])
    line = analyse_port(log_of(rows), "C1", vbus=trace, neighbours=[PLUG])
    second = line.renegotiations[1]
    assert second.negotiation.after.current_a == 1.5
    assert second.interruption.left_valid_range is False
    assert [t.name for t in line.timers if t.start_s > 4 and t.name == "tSrcTransition"] == []


def test_a_drop_out_during_a_renegotiation_is_seen():
    rows = []
    contract(rows, 1.0, FULL, 0x2004B12C)
    accept, _ = contract(rows, 4.5, LESS, 0x1004B12C)  # 9 V to 5 V, by way of 1 V
    trace = trace_of([(1, 5), (1.1, 9), (accept + 0.03, 9), (accept + 0.04, 1), (accept + 0.07, 1),
                      (accept + 0.08, 5), (8, 5)])  # fmt: skip
    cut = renegotiated(rows, vbus=trace)[1].interruption
    assert (cut.left_valid_range, cut.reached_0v) == (True, False)
    # Below 4 V from 5/8 of the fall of 10 ms to 3/4 of the rise of 10 ms.
    assert cut.without_power_max_s == pytest.approx(0.010 * 3 / 8 + 0.030 + 0.010 * 3 / 4, abs=1e-6)
    assert cut.device_would_reboot is True
    held = RebootCriterion(hold_up_s=0.050)
    assert renegotiated(rows, vbus=trace, criterion=held)[1].interruption.device_would_reboot is False
    # Against the lower vSrcValid limit of the old contract, 8.05 V, the new 5 V is no power at all.
    valid = RebootCriterion(threshold_v=None, hold_up_s=0.050)
    cut = renegotiated(rows, vbus=trace, criterion=valid)[1].interruption
    assert cut.threshold_v == pytest.approx(8.05)
    assert cut.device_would_reboot is True


def hard_reset_rows(reset_s=4.3):
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    rows.append((reset_s, Sop.HARD_RESET))
    contract(rows, reset_s + 1.1, LESS, 0x2004B12C)
    return rows


def test_hard_reset_with_a_trace():
    rows = hard_reset_rows()
    trace = trace_of([(1, 5), (1.1, 20), (4.330, 20), (4.430, 0), (5.2, 0), (5.25, 5), (5.438, 5),
                      (5.45, 9), (8, 9)])  # fmt: skip
    line = analyse_port(log_of(rows), "C1", vbus=trace, neighbours=[PLUG])
    reset = line.renegotiations[1]
    assert reset.negotiation.kind is NegotiationKind.HARD_RESET
    assert reset.caused_by == "hard reset, 0.300 s after plug on port C2"
    assert reset.neighbour_to_contract_s == pytest.approx(reset.negotiation.end_s - 4.0)
    cut = reset.interruption
    assert (cut.reached_0v, cut.left_valid_range, cut.device_would_reboot) == (True, True, True)
    # Below 4 V from 80 % of the fall of 100 ms to 80 % of the rise of 50 ms.
    assert cut.without_power_max_s == pytest.approx(5.24 - 4.41, abs=1e-6)
    timers = {t.name: t for t in line.timers if t.start_s >= 4.3}
    assert timers["tPSHardReset"].value_s == pytest.approx(0.0305, abs=2e-4)
    assert timers["tSafe5V"].value_s == pytest.approx(0.0725 - 0.0005, abs=1e-3)
    assert timers["tSafe0V"].value_s == pytest.approx(0.096 - 0.0005, abs=1e-3)
    assert timers["tSrcRecover"].value_s == pytest.approx(5.208 - 4.426, abs=1e-3)
    assert timers["tSrcTurnOn"].value_s == pytest.approx(0.0395, abs=1e-3)
    assert {t.verdict for t in timers.values() if t.name.startswith(("tS", "tP"))} == {TimerVerdict.WITHIN}
    assert [n.kind for n in line.history.negotiations] == [
        NegotiationKind.FIRST_CONTRACT,
        NegotiationKind.HARD_RESET,
    ]


def test_hard_reset_without_a_trace_is_inferred():
    cut = renegotiated(hard_reset_rows())[1].interruption
    assert cut.inferred
    assert (cut.reached_0v, cut.device_would_reboot) == (True, True)
    # At least tSrcRecover of 660 ms, at most to the first capabilities; a public log has 0.974 s.
    assert cut.without_power_min_s == 0.660
    assert cut.without_power_max_s == pytest.approx(1.1)
    assert "hard reset" in cut.basis
    patient = RebootCriterion(hold_up_s=2.0)
    assert renegotiated(hard_reset_rows(), criterion=patient)[1].interruption.device_would_reboot is False
    between = RebootCriterion(hold_up_s=0.8)
    assert renegotiated(hard_reset_rows(), criterion=between)[1].interruption.device_would_reboot is None


def test_a_public_hard_reset():
    # Timed kernel log: hard reset at 827.201597 s, VBUS seen again at 827.961711 s, capabilities
    # 0x61A1 at 828.175355 s: 0.974 s after the reset, 0.214 s after VBUS. Objects of a captured set.
    rows = []
    contract(rows, 820.0, FULL, 0x4004B12C)
    rows.append((827.201597, Sop.HARD_RESET))
    words = (0x0A91912C, 0x0012D12C, 0x0013C12C, 0x0014B12C, 0x001641F4, 0xC9A43264)
    sent(rows, 828.175355, 0x01A1, words)
    log = log_of(rows)
    cut = analyse_port(log, "C1").renegotiations[1].interruption
    assert cut.without_power_max_s == pytest.approx(0.974, abs=0.001)
    assert cut.without_power_min_s <= 0.760 <= cut.without_power_max_s
    trace = vbus_trace([820, 820.1, 827.23, 827.25, 827.9616, 827.961711, 830], [20, 20, 20, 0, 0, 5, 5])
    timers = {t.name: t for t in analyse_port(log, "C1", vbus=trace).timers}
    assert timers["tFirstSourceCap"].value_s == pytest.approx(0.214, abs=0.001)
    assert timers["tFirstSourceCap"].verdict is TimerVerdict.WITHIN


def test_renegotiation_without_a_trace_is_inferred_harmless():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    contract(rows, 4.5, LESS, 0x2004B12C)
    second = renegotiated(rows)[1]
    assert second.caused_by == "source offer, spontaneous"
    assert second.neighbour is None
    cut = second.interruption
    assert (cut.inferred, cut.reached_0v, cut.device_would_reboot) == (True, False, False)
    assert cut.left_valid_range is None


def test_a_sinks_own_request_is_not_laid_at_a_neighbours_door():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    end = sent(rows, 4.2, 0x0282, [0x2004B12C])
    accept = sent(rows, end + 0.002, 0x07A3)
    sent(rows, accept + 0.1, 0x09A6)
    second = renegotiated(rows, neighbours=[PLUG])[1]
    assert (second.caused_by, second.neighbour) == ("sink request", None)


def test_the_latest_neighbour_within_the_window_counts():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    contract(rows, 4.5, LESS, 0x2004B12C)
    unplug = NeighbourEvent(4.4, NeighbourKind.UNPLUG, "C3")
    later = NeighbourEvent(4.6, NeighbourKind.PLUG, "C4")
    second = renegotiated(rows, neighbours=[later, unplug, PLUG])[1]
    assert second.neighbour == unplug
    assert renegotiated(rows, neighbours=[PLUG], neighbour_window_s=0.4)[1].neighbour is None
    with pytest.raises(UsbPdError, match="at least 0 s"):
        analyse_port(log_of(rows), "C1", neighbour_window_s=-1)


def epr_contract(rows, time_s):
    """EPR entry without chunks or keep-alive: 28 V 5 A (object 8 of a captured set)."""
    end = sent(rows, time_s, 0x008A, [0x01000000])
    end = sent(rows, end + 0.002, 0x01AA, [0x02000000])
    end = sent(rows, end + 0.100, 0x01AA, [0x03000000])
    end = sent(rows, end + 0.010, 0x0089, [0x80C7D1F4, 0x0018C1F4])
    accept = sent(rows, end + 0.002, 0x01A3)
    sent(rows, accept + 0.300, 0x01A6)
    return accept


def test_hard_reset_from_an_epr_contract():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    accept = epr_contract(rows, 2.0)
    rows.append((3.0, Sop.HARD_RESET))
    contract(rows, 4.6, LESS, 0x2004B12C)
    points = [(0.9, 5), (1.05, 5), (1.1, 20), (accept + 0.030, 20), (accept + 0.130, 28)]
    trace = trace_of([*points, (3.03, 28), (3.13, 0), (4.3, 0), (4.35, 5), (7, 5)])
    line = analyse_port(log_of(rows), "C1", vbus=trace)
    timers = {t.name: t for t in line.timers}
    # tSrcRecover after EPR is 1085 ms to 1425 ms (minimum from memory, medium).
    assert timers["tSrcRecover (EPR)"].verdict is TimerVerdict.WITHIN
    assert timers["tSrcRecover (EPR)"].spec.from_memory == "medium"
    assert "tSrcRecover" not in timers
    assert timers["tSrcReady (EPR)"].value_s == pytest.approx(0.27, abs=0.002)
    # Up from 20 V to 28 V: inside 26.6 V after 6.6/8 of 100 ms.
    assert timers["tSrcSettle (EPR)"].value_s == pytest.approx(0.0825, abs=0.0025)
    blind = renegotiated(rows)[2].interruption
    assert blind.without_power_min_s == 1.085
    # A reset that VBUS does not follow has nothing to time.
    still = trace_of([*points, (7, 28)])
    names = {t.name for t in analyse_port(log_of(rows), "C1", vbus=still).timers}
    assert "tPSHardReset" not in names


def test_supply_restart():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    restarted = []
    contract(restarted, 6.0, LESS, 0x2004B12C)
    rows += restarted
    trace = trace_of([(1, 5), (1.1, 20), (4.2, 20), (4.25, 0), (4.6, 0), (4.65, 5), (6.1, 5),
                      (6.15, 9), (8, 9)])  # fmt: skip
    restart = renegotiated(rows, vbus=trace, neighbours=[PLUG])[1]
    assert restart.negotiation.kind is NegotiationKind.SUPPLY_RESTART
    assert restart.caused_by == "supply restart, 0.248 s after plug on port C2"
    assert restart.interruption.reached_0v is True
    assert restart.interruption.device_would_reboot is True
    # Without the trace only the MessageIDs tell, and nothing bounds the loss from below.
    blind = renegotiated(rows)[1]
    assert blind.caused_by == "supply restart (inferred from MessageIDs)"
    assert blind.interruption.without_power_min_s is None
    assert blind.interruption.device_would_reboot is None


def test_message_ids_that_start_again_do_not_outweigh_a_trace():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    again = []
    contract(again, 4.5, LESS, 0x2004B12C)
    trace = trace_of([(0.9, 5), (1.05, 5), (1.1, 20), (4.6, 20), (4.65, 9), (8, 9)])
    line = analyse_port(log_of(rows + again), "C1", vbus=trace)
    assert line.renegotiations[1].negotiation.kind is NegotiationKind.SOURCE_OFFER
    texts = [event.text for event in line.history.events if isinstance(event, Oddity)]
    assert texts == ["MessageIDs start again without a reset or a loss of VBUS"]


def test_a_loss_that_never_ends():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    trace = trace_of([(1, 5), (1.1, 20), (4.2, 20), (4.25, 0), (9, 0)])
    lost = renegotiated(rows, vbus=trace)[1]
    assert lost.negotiation.outcome is Outcome.NONE
    # The trace ends with VBUS at 0 V: power is gone for as long as it is seen.
    assert lost.interruption.without_power_max_s == pytest.approx(9 - 4.248, abs=0.001)
    assert lost.interruption.device_would_reboot is True


def test_a_trace_that_does_not_cover_the_time_is_not_used():
    rows = hard_reset_rows()
    trace = trace_of([(1, 5), (1.1, 20), (4.4, 20)])
    assert renegotiated(rows, vbus=trace)[1].interruption.inferred


def test_dips_outside_negotiations():
    rows = []
    contract(rows, 1.0, FULL, 0x4004B12C)
    # 20 V: valid above 18.5 V, disconnect below 15.98 V.
    trace = trace_of([(1, 5), (1.1, 20), (3, 20), (3.01, 17), (3.02, 20), (4, 20), (4.01, 10),
                      (4.03, 10), (4.04, 20), (6, 20)])  # fmt: skip
    sag, dip = analyse_port(log_of(rows), "C1", vbus=trace).excursions
    assert (sag.kind, dip.kind) == (ExcursionKind.SAG, ExcursionKind.BROWN_OUT)
    assert sag.duration_s == pytest.approx(0.010, abs=1e-6)
    assert sag.min_voltage_v == pytest.approx(17.0)
    assert dip.duration_s == pytest.approx(0.0385 - 0.0015, abs=1e-4)
    pps = []
    contract(pps, 1.0, (*FULL, 0xC9A42141), 0x50038C3C)  # 9.08 V by PPS
    trace = trace_of([(1, 5), (1.1, 9.08), (3, 9.08), (3.01, 7), (3.5, 7), (3.51, 9.08), (6, 9.08)])
    (limit,) = analyse_port(log_of(pps), "C1", vbus=trace).excursions
    assert limit.kind is ExcursionKind.CURRENT_LIMIT


@pytest.mark.parametrize(
    ("voltage_v", "limits"),
    [
        # R3.2 V1.2 table 4.6 by way of a public note (0.95 and 1.05), 0.5 V from the public kernel
        # driver; the disconnect thresholds follow from the same driver's formula.
        (5.0, (4.75, 5.25, 4.25, 5.75, 3.15)),
        (9.0, (8.55, 9.45, 8.05, 9.95, 6.57)),
        (15.0, (14.25, 15.75, 13.75, 16.25, 11.70)),
        (20.0, (19.0, 21.0, 18.5, 21.5, 15.975)),
        (28.0, (26.6, 29.4, 26.1, 29.9, 22.815)),
        (48.0, (45.6, 50.4, 45.1, 50.9, 39.915)),
    ],
)
def test_voltage_limits(voltage_v, limits):
    found = voltage_limits(PdoKind.FIXED, voltage_v, voltage_v)
    values = (found.new_low_v, found.new_high_v, found.valid_low_v, found.valid_high_v)
    assert (*values, found.sink_disconnect_v) == pytest.approx(limits, abs=1e-9)
    pps = voltage_limits(PdoKind.PPS, voltage_v, voltage_v)
    assert pps.valid_low_v == pytest.approx(limits[0] - 0.1)


def test_bad_traces_are_refused():
    with pytest.raises(UsbPdError, match="one shape"):
        vbus_trace([0, 1], [0])
    with pytest.raises(UsbPdError, match="sample 1 of the VBUS trace is not finite"):
        vbus_trace([0, 1], [0, float("nan")])
    with pytest.raises(UsbPdError, match=r"sample 2 .* not later"):
        vbus_trace([0, 1, 1], [0, 0, 0])


def test_trace_on_another_clock():
    trace = vbus_trace([0.0, 1.0], [0.0, 10.0], offset_s=100.0)
    assert trace.first_above(5.0, 0.0) == pytest.approx(100.5)
    assert trace.first_below(5.0, 100.7) is None
    assert trace.span(99.0, 100.5).time_s.size == 0
    assert vbus_trace([], []).first_above(1.0, 0.0) is None


@given(
    st.lists(st.floats(0, 20), min_size=2, max_size=30),
    st.floats(0.5, 19.5),
)
def test_longest_below_agrees_with_fine_sampling(levels, threshold_v):
    time_s = np.arange(len(levels), dtype=float)
    trace = vbus_trace(time_s, levels)
    fine = np.linspace(0, len(levels) - 1, 200 * (len(levels) - 1) + 1)
    low = np.interp(fine, time_s, levels) < threshold_v
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate(([0], low.astype(int), [0])))))[::2]
    rough = runs.max() * (fine[1] - fine[0]) if runs.size else 0.0
    exact = longest_below(trace, threshold_v)
    # A run shorter than the fine step, or two runs that touch, may be missed by the sampling.
    assert exact <= len(levels) - 1 + 1e-9
    if all(abs(level - threshold_v) > 0.2 for level in levels):
        assert exact == pytest.approx(rough, abs=0.011)


def test_movement_start():
    trace = trace_of([(0, 9), (1, 9), (1.1, 20)])
    assert movement_start(trace, 0.5, 1.05) == pytest.approx(1 + 0.1 * 0.1 / 11, abs=1e-4)
    assert movement_start(trace, 0.2, 0.9) is None
    assert movement_start(trace, 0.2, 2.0) is None


def test_judging_times():
    assert judge_timer("tSrcTransition", 0.030, 0).verdict is TimerVerdict.WITHIN
    assert judge_timer("tSrcTransition", 0.020, 0).verdict is TimerVerdict.TOO_SHORT
    assert judge_timer("tSrcTransition", 0.040, 0).verdict is TimerVerdict.TOO_LONG
    assert judge_timer("tSrcTransition", 0.036, 0, 0.002).verdict is TimerVerdict.UNDECIDED
    assert judge_timer("tSrcTransition", 0.026, 0, 0.002).verdict is TimerVerdict.UNDECIDED
    assert judge_timer("tSinkRequest", 0.1, 0).verdict is TimerVerdict.WITHIN
    assert judge_sender_response(0.034, 0, 0.002).verdict is TimerVerdict.UNDECIDED
    assert judge_sender_response(0.034, 0).verdict is TimerVerdict.TOO_LONG
    assert judge_sender_response(0.0235, 0, 0.001).verdict is TimerVerdict.UNDECIDED
    with pytest.raises(UsbPdError, match="no timer 'tNothing'"):
        judge_timer("tNothing", 0.0, 0)
    with pytest.raises(UsbPdError, match="finite"):
        judge_timer("tSrcReady", float("nan"), 0)


def test_timer_limits_against_the_public_kernel_header():
    # PD_T_* of include/linux/usb/pd.h: SEND_SOURCE_CAP "100 - 200 ms", SRC_TRANSITION 35,
    # SINK_REQUEST 100, SAFE_0V 650, SRC_RECOVER_MAX 1000, SRC_TURN_ON 275, SENDER_RESPONSE
    # "24 - 30 ms", VDM_RCVR_RSP 15 of pd_vdo.h.
    assert (TIMERS["tTypeCSendSourceCap"].min_s, TIMERS["tTypeCSendSourceCap"].max_s) == (0.1, 0.2)
    assert TIMERS["tSrcTransition"].max_s == 0.035
    assert TIMERS["tSinkRequest"].min_s == 0.1
    assert TIMERS["tSafe0V"].max_s == 0.65
    assert TIMERS["tSrcRecover"].max_s == 1.0
    assert TIMERS["tSrcTurnOn"].max_s == 0.275
    assert SENDER_RESPONSE_S["R3.0"] == (0.024, 0.030)
    assert TIMERS["tReceiverResponse"].max_s == 0.015


def test_every_timer_has_a_source_and_says_what_is_from_memory():
    for spec in TIMERS.values():
        assert spec.source
        assert "→" in spec.span
        assert spec.from_memory in (None, "high", "medium", "low")
        assert spec.min_s is not None or spec.max_s is not None
