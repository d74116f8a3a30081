"""The limits in rules.toml against what publications say, and judged on scripted logs."""

from importlib.resources import files

import pytest

from brickbook.rules import judge, parse_rules
from brickbook.studies.negotiation import STUDY
from brickbook.studies.negotiation.figures import figures
from brickbook.usbpd import SENDER_RESPONSE_S, TIMERS

from .conftest import Found, Script, evidence, log_table, recording, trace_table

RULES = parse_rules((files(STUDY.package) / "rules.toml").read_text(encoding="utf-8"), "negotiation/rules.toml")
LIMITS = [(rule, limit) for rule in RULES for limit in rule.limits]
# Times in ms, as read: kernel, real-time system and controller headers and protocol stacks, all public; the note names
# what was not read but remembered.
READ = {
    "tReceiverResponse": (None, 15),  # kernel header
    "tTypeCSendSourceCap": (100, 200),  # kernel header, real-time system header
    "tFirstSourceCap": (None, 250),  # protocol stack, second-hand
    "tSrcTransition": (25, 35),  # controller header
    "tSrcSettle": (None, 275),  # source stacks
    "tSrcSettle (EPR)": (None, 700),  # from memory, medium
    "tSrcReady": (None, 285),  # source stacks
    "tSrcReady (EPR)": (None, 720),  # from memory, medium
    "tSrcTransition + tSrcReady": (None, 35 + 285),
    "tSrcTransition + tSrcReady (EPR)": (None, 35 + 720),  # from memory, medium
    "tPpsSrcTransSmall": (None, 25),  # source stack
    "tPpsSrcTransLarge": (None, 275),  # source stack
    "tAvsSrcTransSmall": (None, 50),  # kernel patch
    "tAvsSrcTransLarge": (None, 700),  # kernel patch
    "tPSHardReset": (25, 35),  # real-time system header
    "tSafe5V": (None, 275),  # real-time system header
    "tSafe0V": (None, 650),  # kernel header, real-time system header
    "tSrcRecover": (660, 1000),  # controller header
    "tSrcRecover (EPR)": (1085, 1425),  # source stack; minimum from memory, medium
    "tSrcTurnOn": (None, 275),  # kernel header
    "tEnterEPR": (None, 550),  # controller header, stack citing R3.2 tables 6.68 and 6.69
    "tSourceEPRKeepAlive": (750, 1000),  # the same stack
    "tChunkSenderResponse": (None, 30),  # the same stack
    "tDiscoverIdentity": (40, 50),  # controller header
    "tInterFrameGap": (0.025, None),  # a PHY data sheet
    "tTransmit": (None, 0.195),  # from memory, high
}
REMEMBERED = {name for name in READ if "(EPR)" in name or name == "tTransmit"}


def test_every_limit_is_what_was_read():
    found = {}
    for _, limit in LIMITS:
        if limit.quantity != "sender_response":
            assert limit.figure == "negotiation/timer_s"
            ends = {"range": (limit.low, limit.high), "min": (limit.value, None), "max": (None, limit.value)}[
                limit.sense
            ]
            found[limit.when["timer"]] = tuple(end and round(1000 * end, 6) for end in ends)
            assert bool(limit.from_memory) == (limit.when["timer"] in REMEMBERED)
    assert found == READ


@pytest.mark.parametrize("name", sorted(READ))
def test_the_protocol_library_holds_the_same_limits(name):
    low, high = READ[name]
    spec = TIMERS[name]
    assert spec.max_s == (None if high is None else pytest.approx(high / 1000))
    assert spec.min_s == (None if low is None else pytest.approx(low / 1000))


def test_sender_response_is_judged_by_every_release():
    limits = [limit for _, limit in LIMITS if limit.quantity == "sender_response"]
    assert sorted(limit.value for limit in limits) == sorted({low for low, _ in SENDER_RESPONSE_S.values()})
    assert len({limit.reading for limit in limits}) == 3


def decisions(charger, *tables, timer):
    outcome = figures(evidence(charger, recording(*tables)))
    figure = Found(outcome).one("timer_s", timer=timer)
    made = judge(outcome.figures, RULES, charger, evidence(charger).settings)
    return {(f.rule, f.limit): f.decision for f in made if f.figure == figure.key}


@pytest.mark.parametrize(
    ("accept_s", "meets"),
    [(0.010, {0.015, 0.024, 0.026, 0.027}), (0.020, {0.024, 0.026, 0.027}), (0.025, {0.026, 0.027}), (0.028, set())],
)
def test_a_late_answer(two_ports, accept_s, meets):
    script = Script("C1")
    script.contract(0.6, accept_s=accept_s)
    found = decisions(two_ports, log_table(script), timer="tReceiverResponse")
    assert {limit for (_, limit), decision in found.items() if decision == "meets"} == meets
    assert {limit for (_, limit), decision in found.items() if decision == "does not meet"} == (
        {0.015, 0.024, 0.026, 0.027} - meets
    )


def test_near_a_limit_the_frames_length_leaves_it_open(two_ports):
    script = Script("C1")
    script.contract(0.6, accept_s=0.01501)
    found = decisions(two_ports, log_table(script), timer="tReceiverResponse")
    assert found["usb-pd-receiver-response", 0.015] == "undecided"


@pytest.mark.parametrize(
    ("start_s", "decision"), [(0.020, "does not meet"), (0.030, "meets"), (0.045, "does not meet")]
)
def test_a_change_that_starts_too_soon_or_too_late(two_ports, start_s, decision):
    script = Script("C1")
    accept, _ = script.contract(0.6)
    corners = [
        (0.0, 0.0),
        (0.4, 0.0),
        (0.42, 5.0),
        (accept + start_s, 5.0),
        (accept + start_s + 0.05, 20.0),
        (2.0, 20.0),
    ]
    found = decisions(two_ports, log_table(script), trace_table("C1", corners), timer="tSrcTransition")
    assert found["usb-pd-voltage-transition", 0.025] == decision
