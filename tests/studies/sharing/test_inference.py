"""The inference on chargers whose rule is written out here, and on readings no rule could give."""

from __future__ import annotations

from itertools import combinations

import pytest

from brickbook.studies.sharing.inference import Offered, infer_sharing

FIVE = ("C1", "C2", "C3", "A1", "A2")
CLAIMS = {"C1": 140.0, "C2": 45.0, "C3": 45.0, "A1": 15.0, "A2": 15.0}


def three_groups(here):
    """C1 on its own; C2 and C3 halve 45 W; A1 and A2 halve 15 W."""
    out = {}
    for port in here:
        pair = {"C2", "C3"} if port in ("C2", "C3") else {"A1", "A2"} if port in ("A1", "A2") else set()
        out[port] = CLAIMS[port] / 2 if pair and pair <= set(here) else CLAIMS[port]
    return out


def explore(ports, rule, claims, most=99):
    readings = []
    result = infer_sharing(ports, readings, claims)
    while result.next_combination and len(readings) < most:
        readings.append(Offered(result.next_combination, rule(result.next_combination)))
        result = infer_sharing(ports, readings, claims)
    return result, readings


def every(ports):
    return [c for k in range(1, len(ports) + 1) for c in combinations(ports, k)]


def test_three_groups_of_five_ports_from_fewer_than_half_of_31_combinations():
    result, readings = explore(FIVE, three_groups, CLAIMS)
    assert [g.ports for g in result.groups] == [("C1",), ("C2", "C3"), ("A1", "A2")]
    assert [g.budget_w for g in result.groups] == pytest.approx([140.0, 45.0, 15.0])
    assert result.settled
    assert len(readings) <= 15
    for here in every(FIVE):
        assert result.power_w[here] == pytest.approx(three_groups(here))


def test_an_order_with_reserves():
    """120 W: C1 first; 33 W are kept for C2 and 13 W for A1. Which of these is second cannot show: they get their reserve."""
    alone = {"C1": 100.0, "C2": 45.0, "A1": 18.0}
    kept = {"C1": 0.0, "C2": 33.0, "A1": 13.0}

    def rule(here):
        if len(here) == 1:
            return {here[0]: alone[here[0]]}
        left, out = 120.0, {}
        ranked = [p for p in ("C1", "C2", "A1") if p in here]
        for k, port in enumerate(ranked):
            out[port] = min(alone[port], max(kept[port], left - sum(kept[q] for q in ranked[k + 1 :])))
            left -= out[port]
        return out

    readings = [Offered(c, rule(c)) for c in every(tuple(alone)) if c != ("C2", "A1")]
    result = infer_sharing(tuple(alone), readings)
    (group,) = result.groups
    assert group.kinds[0] == "priority"
    assert group.order == ("C1",)
    assert group.budget_w == pytest.approx(120.0)
    assert result.power_w["C2", "A1"] == {"C2": 45.0, "A1": 18.0}


def test_ports_that_keep_their_power_are_no_group():
    """Three ports of 30 W, each always with 30 W."""
    result, readings = explore(
        ("C1", "C2", "C3"), lambda here: dict.fromkeys(here, 30.0), dict.fromkeys(("C1", "C2", "C3"), 30.0)
    )
    assert [g.ports for g in result.groups] == [("C1",), ("C2",), ("C3",)]
    assert all(g.kinds == ("independent",) for g in result.groups)
    assert readings[0].occupied == ("C1", "C2", "C3")


def test_without_readings_all_ports_at_once_come_first():
    result = infer_sharing(FIVE, [], CLAIMS)
    assert result.next_combination == FIVE
    assert not result.settled


def test_without_the_makers_word_each_port_is_looked_at_alone():
    result, readings = explore(("C1", "C2"), lambda here: dict.fromkeys(here, 20.0 if len(here) == 2 else 35.0), {})
    assert {r.occupied for r in readings} == {("C1",), ("C2",), ("C1", "C2")}
    assert result.power_w["C1", "C2"] == {"C1": 20.0, "C2": 20.0}
    assert result.unconfirmed == ()


def test_a_false_word_of_the_maker_is_found_out():
    """C1 is said to have 65 W and has 45 W."""

    def rule(here):
        return {p: 20.0 if len(here) == 2 else {"C1": 45.0, "C2": 30.0}[p] for p in here}

    result, _ = explore(("C1", "C2"), rule, {"C1": 65.0, "C2": 30.0})
    assert result.power_w["C1",] == {"C1": 45.0}


def test_certainty_is_low_while_the_makers_word_is_not_tried():
    result = infer_sharing(("C1", "C2"), [Offered(("C1", "C2"), {"C1": 45.0, "C2": 20.0})], {"C1": 65.0, "C2": 20.0})
    assert result.unconfirmed == ("C1", "C2")
    assert result.rule_probability < 0.98
    assert ("C1",) in result.settling


def test_one_combination_with_two_answers_is_a_contradiction():
    both = ("C1", "C2")
    readings = [Offered(both, {"C1": 65.0, "C2": 20.0}), Offered(both, {"C1": 20.0, "C2": 65.0})]
    result = infer_sharing(both, readings, {"C1": 65.0, "C2": 65.0})
    assert len(result.contradictions) == 2
    assert "depends on more than which ports are occupied" in result.contradictions[0]
    assert not result.settled


def test_a_port_with_more_in_company_than_alone_is_a_contradiction():
    readings = [Offered(("C1",), {"C1": 30.0}), Offered(("C1", "C2"), {"C1": 45.0, "C2": 15.0})]
    assert infer_sharing(("C1", "C2"), readings).contradictions


def test_a_table_without_rule_is_not_explained():
    """Powers that no rule of the family gives: three ports whose pairs go up and down at will."""
    alone = dict.fromkeys(("C1", "C2", "C3", "C4"), 100.0)
    wild = {
        ("C1", "C2", "C3", "C4"): (45.0, 20.0, 15.0, 20.0),
        ("C1", "C2", "C3"): (30.0, 60.0, 15.0),
        ("C1", "C2", "C4"): (65.0, 15.0, 18.0),
        ("C1", "C3", "C4"): (20.0, 65.0, 15.0),
        ("C1", "C2"): (15.0, 20.0),
        ("C2", "C3"): (60.0, 15.0),
        ("C1", "C4"): (18.0, 65.0),
    }
    readings = [Offered(c, dict(zip(c, w, strict=True))) for c, w in wild.items()]
    result = infer_sharing(tuple(alone), readings, alone)
    assert result.explained_probability < 0.05
    assert not result.settled


def test_the_next_look_tells_two_orders_apart():
    """Ports of 60, 60 and 60 W, 100 W: with all in use 70 W cannot be; 60, 25, 15 leaves open who is second."""
    alone = dict.fromkeys(("C1", "C2", "C3"), 60.0)
    readings = [
        Offered(("C1", "C2", "C3"), {"C1": 60.0, "C2": 20.0, "C3": 20.0}),
        *(Offered((p,), {p: 60.0}) for p in alone),
        Offered(("C1", "C2"), {"C1": 60.0, "C2": 40.0}),
        Offered(("C1", "C3"), {"C1": 60.0, "C3": 40.0}),
    ]
    result = infer_sharing(tuple(alone), readings)
    assert result.next_combination == ("C2", "C3")
    assert result.settling == (("C2", "C3"),)
    assert result.settling_is_smallest
    assert result.rule_probability < 0.95


@pytest.mark.parametrize(
    ("ports", "reading", "words"),
    [
        (("C1",), (("C1",), {"C1": 5.0}), "2 to 6 ports"),
        (tuple("ABCDEFG"), (("A",), {"A": 5.0}), "this charger has 7"),
        (("C1", "C2"), (("C3",), {"C3": 5.0}), "names port 'C3'"),
        (("C1", "C2"), (("C1",), {"C2": 5.0}), "C2, which is not occupied"),
        (("C1", "C2"), ((), {}), "not occupied"),
        (("C1", "C2"), (("C1",), {"C1": 0.0}), "not above zero"),
    ],
)
def test_bad_readings_are_refused(ports, reading, words):
    with pytest.raises(ValueError, match=words):
        infer_sharing(ports, [Offered(*reading)])


def test_it_does_not_matter_in_which_order_readings_stand():
    result, readings = explore(FIVE, three_groups, CLAIMS)
    turned = infer_sharing(FIVE, readings[::-1], CLAIMS)
    assert turned.groups == result.groups
    assert turned.rule_probability == pytest.approx(result.rule_probability)
