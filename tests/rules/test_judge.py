"""Which limit speaks of which figure, by which reading, and what comes of it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.charger import Charger, Claim, Mark, Nameplate, Output, Port, Sample
from brickbook.core.figure import Component
from brickbook.core.study import Settings
from brickbook.rules import judge, judge_claims, parse_rules, unmeasured_claims, weights

AVG = "efficiency/average_active_efficiency_ratio"
LOW = "efficiency/low_load_efficiency_ratio"
IDLE = "standby/no_load_power_w"
US_AT = {"mains_v": 115.0, "mains_hz": 60.0, "procedure": "us-appendix-z"}
EU_AT = {"mains_v": 230.0, "mains_hz": 50.0, "procedure": "eu-2025-2052"}
HIGH = {"ports": "C1", "voltage_end": "highest", "nameplate_w": 65.0, "nameplate_v": 20.0, "nameplate_a": 3.25}
LOW_2A = {
    "ports": "C1",
    "voltage_end": "lowest",
    "nameplate_w": 10.0,
    "nameplate_v": 5.0,
    "nameplate_a": 2.0,
    "lowest_current": "2 A",
}
LOW_3A = {"ports": "C1", "voltage_end": "lowest", "nameplate_w": 15.0, "nameplate_v": 5.0, "nameplate_a": 3.0}
PLAIN = Settings(mains=())


def of(findings, rule):
    return [f for f in findings if f.rule == rule]


def one(findings, rule):
    found = of(findings, rule)
    assert len(found) == 1, [(f.rule, f.reading, f.limit) for f in found]
    return found[0]


# --- worked examples: a 65 W port, 115 V by Appendix Z and 230 V by (EU) 2025/2052 ------------------------------------

US_HIGH = [(64.2850, 71.10), (48.3600, 53.20), (32.3375, 35.55), (16.2175, 18.02)]
US_LOW = [(9.9000, 11.72), (7.4550, 8.78), (4.9900, 5.90), (2.5050, 3.06)]
EU_HIGH = [(64.10625, 71.60), (48.30211, 53.60), (32.34969, 35.80), (16.24898, 18.15)]
EU_LOW = [(9.84000, 11.70), (7.44000, 8.80), (5.00000, 5.95), (2.52500, 3.12)]


def mean(rows):
    return sum(out / into for out, into in rows) / 4


@pytest.mark.parametrize(
    ("rows", "average", "at", "end", "rule", "limit"),
    [
        (US_HIGH, 0.905695, US_AT, HIGH, "us-10cfr430-level-vi", 0.880),
        (US_LOW, 0.839547, US_AT, LOW_2A, "us-10cfr430-level-vi", 0.78704),
        (EU_HIGH, 0.898845, EU_AT, HIGH, "eu-2025-2052", 0.890),
        (EU_LOW, 0.834028, EU_AT, LOW_2A, "eu-2025-2052", 0.79004),
    ],
)
def test_worked_65_w_port(rules, figure, one_port, rows, average, at, end, rule, limit):
    """10 CFR 430.32(w)(1)(ii) with Appendix Z section 6; (EU) 2025/2052 Table 4, point 1(i)."""
    assert mean(rows) == pytest.approx(average, abs=1e-6)
    finding = one(judge([figure(AVG, mean(rows), 0.001, **at, **end)], rules, one_port, PLAIN), rule)
    assert finding.limit == pytest.approx(limit, abs=5e-6)
    assert (finding.decision, finding.sense, finding.reading) == ("meets", "min", "")


@pytest.mark.parametrize(("end", "limit"), [(HIGH, 0.790), (LOW_3A, 0.71835)])
def test_worked_65_w_port_at_ten_percent(rules, figure, one_port, end, limit):
    """(EU) 2025/2052 Table 3; at the lowest voltage P is the nameplate 15 W, not 10 W (Table 5 footnote 2, point 1(i))."""
    finding = one(judge([figure(LOW, 0.78, 0.001, **EU_AT, **end)], rules, one_port, PLAIN), "eu-2025-2052")
    assert finding.limit == pytest.approx(limit, abs=5e-6)
    assert finding.decision == ("meets" if limit < 0.78 else "does not meet")


def test_ten_percent_by_2_a_is_not_what_2025_2052_means(rules, figure, one_port):
    """Negative: a low-load figure taken from 2 A has no finding under 2025/2052."""
    assert of(judge([figure(LOW, 0.9, 0.001, **EU_AT, **LOW_2A)], rules, one_port, PLAIN), "eu-2025-2052") == []


@pytest.mark.parametrize(
    ("average", "end", "rule_limits"),
    [
        (0.885069, {"voltage_end": "highest", "nameplate_w": 100.0}, {"us-10cfr430-level-vi": 0.860}),
        (
            0.838153,
            {"voltage_end": "lowest", "nameplate_w": 32.0, "lowest_current": "2 A"},
            {"us-10cfr430-level-vi": 0.82093},
        ),
    ],
)
def test_worked_three_ports(rules, figure, three_ports, average, end, rule_limits):
    """430.32(w)(1)(ii), multiple-voltage; D = 100/32 at the lowest voltage, no derating."""
    found = judge([figure(AVG, average, 0.0005, ports="C1+C2+A1", **US_AT, **end)], rules, three_ports, PLAIN)
    for rule, limit in rule_limits.items():
        finding = one(found, rule)
        assert finding.limit == pytest.approx(limit, abs=5e-6)
        assert (finding.decision, finding.reading) == ("meets", "")


@pytest.mark.parametrize(
    ("name", "end", "limit"),
    [
        (AVG, {"voltage_end": "highest", "nameplate_w": 100.0}, 0.880),
        (AVG, {"voltage_end": "lowest", "nameplate_w": 32.0, "lowest_current": "2 A"}, 0.86873),
        (LOW, {"voltage_end": "highest", "nameplate_w": 100.0}, 0.780),
        (LOW, {"voltage_end": "lowest", "nameplate_w": 42.0}, 0.77694),
    ],
)
def test_worked_three_ports_by_2025_2052(rules, figure, three_ports, name, end, limit):
    """(EU) 2025/2052 Tables 3 and 4; 15 + 15 + 12 = 42 W at 10 % of nameplate current."""
    found = judge([figure(name, 0.9, 0.0005, ports="C1+C2+A1", **EU_AT, **end)], rules, three_ports, PLAIN)
    assert one(found, "eu-2025-2052").limit == pytest.approx(limit, abs=5e-6)


def test_power_not_stated_is_taken_from_the_claims(rules, figure, three_ports):
    """Without nameplate_w: 10 + 10 + 12 W at the lowest voltage, 100 W (not 177 W) at the highest."""
    for end, limit in (("lowest", 0.82093), ("highest", 0.860)):
        fig = figure(
            AVG,
            0.9,
            0.0005,
            ports="C1+C2+A1",
            voltage_end=end,
            lowest_current="2 A" if end == "lowest" else None,
            **US_AT,
        )
        assert one(judge([fig], rules, three_ports, PLAIN), "us-10cfr430-level-vi").limit == pytest.approx(
            limit, abs=5e-6
        )


# --- no-load -----------------------------------------------------------------------------------------------------------


def idle(figure, value, mains_v, u=0.001):
    return figure(IDLE, value, u, mains_v=mains_v, mains_hz=60.0 if mains_v < 200 else 50.0, situation="bare")


def test_no_load_row_of_an_adaptive_supply_is_left_open_by_the_us_text(rules, figure, one_port):
    found = of(judge([idle(figure, 0.150, 115.0)], rules, one_port, PLAIN), "us-10cfr430-level-vi")
    assert [(f.limit, f.decision, f.reading) for f in found] == [
        (0.210, "meets", "row of the power at the highest voltage, 65 W"),
        (0.100, "does not meet", "row of the power at the lowest voltage, 10 W"),
    ]


def test_no_load_of_one_pd_port_by_2025_2052(rules, figure, one_port):
    """Point 1(h): 5 V x 2 A = 10 W, so 0.075 W also for a 65 W charger (K44)."""
    finding = one(judge([idle(figure, 0.070, 230.0)], rules, one_port, PLAIN), "eu-2025-2052")
    assert (finding.limit, finding.reading, finding.applies_from) == (0.075, "", "2028-12-14")


def test_no_load_of_three_ports(rules, figure, three_ports):
    """N = 2 + 1 = 3, P = 32 W: 0.125 W (Table 1, K42); 430.32(w)(1)(ii): 0.300 W."""
    eu = one(judge([idle(figure, 0.1, 230.0)], rules, three_ports, PLAIN), "eu-2025-2052")
    assert eu.limit == pytest.approx(0.125)
    assert "footnote 1" in eu.source
    us = one(judge([idle(figure, 0.1, 115.0)], rules, three_ports, PLAIN), "us-10cfr430-level-vi")
    assert us.limit == 0.300


def test_no_load_by_2019_1782_has_two_readings_below_49_w(rules, figure, charger):
    small = charger(30.0, C1=((5.0, 3.0), (9.0, 3.0), (15.0, 2.0)))
    found = of(judge([idle(figure, 0.15, 230.0)], rules, small, PLAIN), "eu-2019-1782")
    assert [(f.limit, f.decision, f.reading) for f in found] == [
        (0.10, "does not meet", "row of the table"),
        (0.21, "meets", "the Commission's answer on adaptive supplies"),
    ]


def test_readings_with_one_number_are_one_finding(rules, figure, one_port):
    finding = one(judge([idle(figure, 0.15, 230.0)], rules, one_port, PLAIN), "eu-2019-1782")
    assert finding.limit == 0.21
    assert finding.reading == "row of the table | or: the Commission's answer on adaptive supplies"
    assert finding.source == (
        "(EU) 2019/1782 Annex II 1(a); European Commission, answer on adaptive supplies under (EU) 2019/1782"
    )


def test_no_load_of_a_supply_that_is_not_adaptive(rules, figure, charger):
    plain = charger(12.0, A1=((5.0, 2.4),))
    finding = one(judge([idle(figure, 0.05, 115.0)], rules, plain, PLAIN), "us-10cfr430-level-vi")
    assert (finding.limit, finding.reading) == (0.100, "")
    assert one(judge([idle(figure, 0.05, 230.0)], rules, plain, PLAIN), "eu-2019-1782").limit == 0.10


def test_a_standby_figure_is_not_a_no_load_figure(rules, figure, one_port):
    fig = figure(IDLE, 0.05, 0.001, mains_v=230.0, situation="cable")
    assert judge([fig], rules, one_port, PLAIN) == ()


def test_two_equal_ports_are_read_both_ways(rules, figure, charger):
    """(EU) 2025/2052 Annex I (5): different voltages at once; outputs at one voltage are single-voltage."""
    pair = charger(65.0, C1=((5.0, 3.0), (20.0, 3.25)), C2=((5.0, 3.0), (20.0, 3.25)))
    found = of(judge([idle(figure, 0.09, 230.0)], rules, pair, PLAIN), "eu-2025-2052")
    assert [(f.limit, f.reading) for f in found] == [
        (pytest.approx(0.100), "multiple-voltage: its ports can be at different voltages at once"),
        (0.075, "single-voltage: its ports taken at one and the same voltage"),
    ]
    avg = figure(AVG, 0.885, 0.0001, ports="C1+C2", voltage_end="highest", nameplate_w=65.0, **EU_AT)
    both = of(judge([avg], rules, pair, PLAIN), "eu-2025-2052")
    assert [(f.limit, f.decision) for f in both] == [(0.880, "meets"), (0.890, "does not meet")]


def test_ports_of_different_voltage_are_multiple_voltage_at_both_ends(rules, figure, charger):
    """Appendix Z: tested as multiple-voltage at both ends if it is so at only one."""
    mixed = charger(32.0, C1=((5.0, 3.0), (9.0, 2.22)), A1=((5.0, 2.4),))
    low = figure(AVG, 0.9, 0.001, ports="C1+A1", voltage_end="lowest", nameplate_w=22.0, lowest_current="2 A", **US_AT)
    finding = one(judge([low], rules, mixed, PLAIN), "us-10cfr430-level-vi")
    assert (finding.limit, finding.reading) == (pytest.approx(0.075 * math.log(22) + 0.561), "")


def test_two_plain_outputs_of_one_voltage_are_single_voltage(rules, figure, charger):
    pair = charger(24.0, A1=((5.0, 2.4),), A2=((5.0, 2.4),))
    finding = one(
        judge([figure(AVG, 0.9, 0.001, ports="A1+A2", nameplate_w=24.0, **US_AT)], rules, pair, PLAIN),
        "us-10cfr430-level-vi",
    )
    assert (finding.limit, finding.reading) == (pytest.approx(0.0834 * math.log(24) - 0.0014 * 24 + 0.609), "")


def test_one_port_of_several_is_named_as_such(rules, figure, three_ports):
    finding = one(
        judge(
            [figure(AVG, 0.9, 0.001, **US_AT, **{**HIGH, "nameplate_w": 100.0, "nameplate_a": 5.0})],
            rules,
            three_ports,
            PLAIN,
        ),
        "us-10cfr430-level-vi",
    )
    assert (finding.limit, finding.reading) == (0.880, "C1 alone, as if it were the whole supply")


# --- the lowest voltage ------------------------------------------------------------------------------------------------


def test_above_20_v_both_loadings_are_judged(rules, figure, charger):
    """Appendix Z section 3: a USB-PD supply switches within 3.3 to 20 V; with 28 V the text does not say."""
    wide = charger(140.0, C1=((5.0, 3.0), (20.0, 5.0), (28.0, 5.0)))
    figures = [
        figure(AVG, 0.80, 0.001, **US_AT, **LOW_2A),
        figure(AVG, 0.81, 0.001, **US_AT, **{**LOW_3A, "lowest_current": "nameplate"}),
    ]
    found = of(judge(figures, rules, wide, PLAIN), "us-10cfr430-level-vi")
    assert [(round(f.limit, 5), f.reading) for f in found] == [
        (0.78704, "2 A at the lowest voltage, as for a USB-PD supply"),
        (0.81385, "nameplate current, its voltages going beyond the 3.3-20 V of a USB-PD supply"),
    ]


def test_within_20_v_only_the_2_a_figure_is_meant(rules, figure, one_port):
    figures = [figure(AVG, 0.80, 0.001, **US_AT, **LOW_2A), figure(AVG, 0.80, 0.001, **US_AT, **LOW_3A)]
    found = of(judge(figures, rules, one_port, PLAIN), "us-10cfr430-level-vi")
    assert [(f.figure, f.reading) for f in found] == [(figures[0].key, "")]


def test_a_pd_port_of_less_than_3_a_counts_with_its_label(rules, figure, charger):
    """The 2 A rule is for ports that can give 3 A at the lowest voltage."""
    weak = charger(20.0, C1=((5.0, 2.4), (9.0, 2.22)))
    end = {"ports": "C1", "voltage_end": "lowest", "nameplate_w": 12.0, "nameplate_v": 5.0, "nameplate_a": 2.4}
    finding = one(judge([figure(AVG, 0.8, 0.001, **US_AT, **end)], rules, weak, PLAIN), "us-10cfr430-level-vi")
    assert finding.limit == pytest.approx(0.0834 * math.log(12) - 0.0014 * 12 + 0.609)


def test_an_older_text_is_read_both_ways(rules, figure, one_port):
    figures = [figure(AVG, 0.80, 0.001, **EU_AT, **LOW_2A), figure(AVG, 0.80, 0.001, **EU_AT, **LOW_3A)]
    readings = [f.reading for f in of(judge(figures, rules, one_port, PLAIN), "eu-coc-v5-tier-2")]
    assert [r.split(";")[0] for r in readings] == [
        "2 A at the lowest voltage",
        "nameplate current at the lowest voltage",
    ]


def test_between_the_ends_nothing_is_judged(rules, figure, one_port):
    end = {"ports": "C1", "voltage_end": "between", "nameplate_w": 27.0, "nameplate_v": 9.0, "nameplate_a": 3.0}
    assert (
        judge(
            [figure(AVG, 0.5, 0.001, **US_AT, **end), figure(LOW, 0.5, 0.001, **EU_AT, **end)], rules, one_port, PLAIN
        )
        == ()
    )


@pytest.mark.parametrize(
    ("power_w", "limits"),
    [
        (15.0, [(15.0, "D also scales the 2 A loads")]),
        (20.0, [(20.0, "D does not scale the 2 A loads")]),
        (None, [(15.0, "D also scales the 2 A loads"), (20.0, "D does not scale the 2 A loads")]),
    ],
)
def test_derating_of_the_2_a_loads_is_left_open(rules, figure, charger, power_w, limits):
    """Appendix Z 6(b)(1)(iv): whether D below 1 also scales the 2 A loads is not explicit; here D = 15/20."""
    tiny = charger(15.0, C1=((5.0, 3.0), (9.0, 1.66)), C2=((5.0, 3.0), (15.0, 1.0)))
    fig = figure(
        AVG, 0.8, 0.001, ports="C1+C2", voltage_end="lowest", lowest_current="2 A", nameplate_w=power_w, **US_AT
    )
    found = of(judge([fig], rules, tiny, PLAIN), "us-10cfr430-level-vi")
    assert [(f.limit, f.reading) for f in found] == [
        (pytest.approx(0.075 * math.log(p) + 0.561), words) for p, words in limits
    ]


def test_a_port_of_ranges_alone_counts_with_the_ends_of_its_ranges(rules, figure):
    """Without a fixed output: 3.3 to 11 V at 3 A gives 33 W and, at 2 A, 6.6 W."""
    port = Port("C1", "usb-c", (Output(kind="pps", min_voltage_v=3.3, max_voltage_v=11.0, current_a=3.0),))
    unit = Charger("n", "m", "x", Nameplate(33.0), (port,), Sample("bought"))
    for end, limit in (
        ("highest", 0.071 * math.log(33) - 0.0014 * 33 + 0.670),
        ("lowest", 0.0834 * math.log(6.6) - 0.0014 * 6.6 + 0.609),
    ):
        fig = figure(AVG, 0.9, 0.001, voltage_end=end, lowest_current="2 A" if end == "lowest" else None, **US_AT)
        assert one(judge([fig], rules, unit, PLAIN), "us-10cfr430-level-vi").limit == pytest.approx(limit)


def test_a_house_rule_with_bands_needs_no_word_on_loading(figure, one_port):
    """Without lowest_current a limit speaks of either loading."""
    text = """
[[rule]]
id = "own-efficiency"
title = "Own"
[[rule.limit]]
figure = "efficiency/average_active_efficiency_ratio"
quantity = "average_active_efficiency"
sense = "min"
bands = { any = [{ to = 12, c = 0.8 }, { c = 0.9 }] }
"""
    own = parse_rules(text, "house-rules.toml", "house")
    figures = [figure(AVG, 0.85, 0.001, **US_AT, **end) for end in (HIGH, LOW_2A, LOW_3A)]
    assert [(f.limit, f.decision) for f in judge(figures, own, one_port, PLAIN)] == [
        (0.9, "does not meet"),
        (0.8, "meets"),
        (0.9, "does not meet"),
    ]


def test_a_factor_of_a_voltage_not_stated_sets_nothing(figure, one_port):
    text = '[[rule]]\nid = "own"\ntitle = "Own"\n[[rule.limit]]\nfigure = "a/b"\nquantity = "q"\nsense = "max"\ntimes = "output_v"\nvalue = 0.01\n'
    own = parse_rules(text, "house-rules.toml", "house")
    found = judge([figure("a/b", 0.04, 0.0), figure("a/b", 0.04, 0.0, output_v=5.0)], own, one_port, PLAIN)
    assert [(f.limit, f.decision) for f in found] == [(pytest.approx(0.05), "meets")]


def test_a_figure_of_all_ports_need_not_name_them(rules, figure, three_ports):
    fig = figure(AVG, 0.9, 0.001, voltage_end="highest", nameplate_w=100.0, **US_AT)
    assert one(judge([fig], rules, three_ports, PLAIN), "us-10cfr430-level-vi").limit == 0.860


# --- which rule speaks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mains_v", "mains_hz", "spoken"),
    [
        (115.0, 60.0, {"us-10cfr430-level-vi"}),
        (116.15, 60.0, {"us-10cfr430-level-vi"}),
        (116.2, 60.0, set()),
        (120.0, 60.0, set()),
        (115.0, 50.0, set()),
        (100.0, 50.0, set()),
        (230.0, 50.0, {"eu-2019-1782", "eu-2025-2052", "eu-coc-v5-tier-1", "eu-coc-v5-tier-2"}),
        (240.0, 50.0, {"eu-2019-1782", "eu-2025-2052"}),
        (207.0, 50.0, {"eu-2019-1782", "eu-2025-2052"}),
        (206.9, 50.0, set()),
        (230.0, 60.0, set()),
        (None, None, set()),
        (230.0, None, {"eu-2019-1782", "eu-2025-2052", "eu-coc-v5-tier-1", "eu-coc-v5-tier-2"}),
    ],
)
def test_rules_speak_at_their_own_mains(rules, figure, one_port, mains_v, mains_hz, spoken):
    """Appendix Z 4(c): 115 V, 60 Hz, each ±1 %; (EU) 2019/1782 Art. 2(10): 230 V ±10 %, 50 Hz."""
    fig = figure(IDLE, 0.05, 0.001, mains_v=mains_v, mains_hz=mains_hz, situation="bare")
    assert {f.rule for f in judge([fig], rules, one_port, PLAIN)} == spoken


def test_us_and_eu_methods_are_not_interchanged(rules, figure, one_port):
    """A figure by the EU method is none of the US rule's; the US method at 230 V is allowed by Annex IV 5, and named."""
    eu_method_in_us = figure(AVG, 0.9, 0.001, **{**US_AT, "procedure": "eu-2025-2052"}, **HIGH)
    assert judge([eu_method_in_us], rules, one_port, PLAIN) == ()
    us_method_in_eu = figure(AVG, 0.9, 0.001, **{**EU_AT, "procedure": "us-appendix-z"}, **HIGH)
    found = judge([us_method_in_eu], rules, one_port, PLAIN)
    assert one(found, "eu-2019-1782").reading == ""
    assert one(found, "eu-2025-2052").reading == (
        "measured by US Appendix Z, as Annex IV 5 allows until harmonised standards are listed"
    )
    assert judge([figure(AVG, 0.9, 0.001, **{**EU_AT, "procedure": "home-made"}, **HIGH)], rules, one_port, PLAIN) == ()


def test_a_rule_to_come_has_its_finding_with_its_date(rules, figure, one_port):
    found = judge([figure(AVG, 0.9, 0.001, **EU_AT, **HIGH)], rules, one_port, PLAIN)
    assert one(found, "eu-2025-2052").applies_from == "2028-12-14"
    assert one(found, "eu-2025-2052").market == "European Union"
    assert one(found, "eu-2025-2052").edition.startswith("Commission Regulation (EU) 2025/2052")


def test_older_levels_only_for_their_mark(rules, figure, charger):
    ports = {"A1": ((5.0, 2.4),)}
    fig = figure(AVG, 0.75, 0.001, **US_AT, ports="A1", nameplate_w=12.0, nameplate_v=5.0, nameplate_a=2.4)
    for mark, spoken in (
        (None, set()),
        ("VI", set()),
        ("Level V", {"iemp-level-v"}),
        ("IV", {"iemp-level-iv"}),
        ("III", {"iemp-level-iii"}),
    ):
        found = judge([fig], rules, charger(12.0, mark=mark, **ports), PLAIN)
        assert {f.rule for f in found} - {"us-10cfr430-level-vi"} == spoken


def test_a_mark_not_seen_does_not_count(rules, figure):
    port = Port("A1", "usb-a", (Output(kind="legacy", voltage_v=5.0, current_a=2.4),))
    unseen = Charger(
        "n", "m", "x", Nameplate(12.0), (port,), Sample("bought"), marks=(Mark("efficiency-level", "V", seen=False),)
    )
    fig = figure(AVG, 0.75, 0.001, **US_AT, ports="A1", nameplate_w=12.0)
    assert of(judge([fig], rules, unseen, PLAIN), "iemp-level-v") == []


def test_memory_survives_to_the_finding(rules, figure, charger):
    """US Level VI above 250 W for several voltages is from memory; below it was read."""
    big = charger(300.0, C1=((5.0, 3.0), (20.0, 5.0)), C2=((5.0, 3.0), (28.0, 5.0)))
    for power_w, remembered in ((300.0, True), (240.0, False)):
        fig = figure(AVG, 0.9, 0.001, ports="C1+C2", voltage_end="highest", nameplate_w=power_w, **US_AT)
        finding = one(judge([fig], rules, big, PLAIN), "us-10cfr430-level-vi")
        assert finding.from_memory is remembered
        assert ("limit from memory, confidence high" in finding.note) is remembered


def test_every_mark_of_memory_in_the_data_reaches_a_finding(rules):
    """No rule loses the mark on its way: each limit's bound carries the mark of its row or limit."""
    from brickbook.rules import Subject

    seen = 0
    for rule in rules:
        for limit in rule.limits:
            for name, rows in limit.bands.items():
                for row in rows:
                    kind = name.removeprefix("adaptive-")
                    subject = Subject(
                        "basic" if kind == "single-voltage" else kind, name.startswith("adaptive-"), min(row.top, 400.0)
                    )
                    if row.below is None and (bound := limit.bound(subject)) is not None:
                        assert bound.from_memory == (row.from_memory or limit.from_memory)
                        seen += bool(bound.from_memory)
            if not limit.bands and not limit.harmonics:
                assert limit.bound(base=5.0).from_memory == limit.from_memory
                seen += bool(limit.from_memory)
    # the 29 rows listed one by one in test_data, the power factor of Level V, and the AVS voltage
    assert seen == 29 + 2


# --- decisions, flags, notes -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "decision", "simple"),
    [
        (0.887, 0.004, "meets", "meets"),  # K74: p = 0.960
        (0.884, 0.004, "undecided", "meets"),
        (0.876, 0.004, "undecided", "does not meet"),
        (0.870, 0.004, "does not meet", "does not meet"),
    ],
)
def test_decisions(rules, figure, one_port, value, u, decision, simple):
    fig = figure(AVG, value, u, **US_AT, **HIGH)
    assert one(judge([fig], rules, one_port, PLAIN), "us-10cfr430-level-vi").decision == decision
    found = judge([fig], rules, one_port, Settings(mains=(), decision="simple"))
    finding = one(found, "us-10cfr430-level-vi")
    assert finding.decision == simple
    assert 0.0 < finding.p_conform < 1.0  # printed whatever the rule


def test_the_budget_shapes_the_probability(rules, figure, one_port):
    """A single rectangular bound of ±1 % never leaves the bound: 1 when the limit is outside it."""
    half = 0.01
    budget = (Component("meter", "B", "rectangular", half / 3**0.5, math.inf),)
    fig = figure(AVG, 0.8901, half / 3**0.5, budget=budget, **US_AT, **HIGH)
    assert one(judge([fig], rules, one_port, PLAIN), "us-10cfr430-level-vi").p_conform == pytest.approx(1.0, abs=1e-9)
    inside = figure(AVG, 0.885, half / 3**0.5, budget=budget, **US_AT, **HIGH)
    # the limit is half-way between centre and edge: 3/4 of a rectangle lies above it
    assert one(judge([inside], rules, one_port, PLAIN), "us-10cfr430-level-vi").p_conform == pytest.approx(
        0.75, abs=1e-3
    )


def test_flags_are_repeated_in_the_note(rules, figure, one_port):
    fig = figure(AVG, 0.95, 0.001, flags=("load 3.1 % off target", "unsettled at 25 % load"), **US_AT, **HIGH)
    finding = one(judge([fig], rules, one_port, PLAIN), "us-10cfr430-level-vi")
    assert finding.note == "load 3.1 % off target; unsettled at 25 % load"
    assert finding.decision == "meets"


def test_a_flag_may_forbid_the_decision(rules, figure, one_port):
    flag = "not judged: uncertainty 0.024 W is above the 0.02 W that IEC 62301 4.4.1 permits"
    fig = figure(IDLE, 0.01, 0.012, flags=(flag,), mains_v=230.0, mains_hz=50.0, situation="bare")
    finding = one(judge([fig], rules, one_port, PLAIN), "eu-2025-2052")
    assert (finding.decision, finding.note) == ("not judged", flag)
    assert (
        one(judge([fig], rules, one_port, Settings(mains=(), decision="simple")), "eu-2025-2052").decision
        == "not judged"
    )


def test_appendix_z_is_for_the_end_of_the_cable(rules, figure, one_port):
    fig = figure(AVG, 0.95, 0.001, measured_at="receptacle", **US_AT, **HIGH)
    finding = one(judge([fig], rules, one_port, PLAIN), "us-10cfr430-level-vi")
    assert (finding.decision, finding.note) == ("meets", "the limit is for the cable end; measured at the receptacle")


# --- voltage -----------------------------------------------------------------------------------------------------------

VOLTS = "regulation/worst_voltage_v"


@pytest.mark.parametrize(
    ("value", "contract", "rule", "limit", "decision"),
    [
        (20.93, "20 V", "usb-pd-fixed-voltage", (19.0, 21.0), "undecided"),  # K75, p = 0.919
        (4.985, "5 V", "usb-pd-fixed-voltage", (4.75, 5.25), "meets"),
        (8.40, "9 V", "usb-pd-fixed-voltage", (8.55, 9.45), "does not meet"),
        (11.0, "PPS 11 V", "usb-pd-pps-voltage", (10.45, 11.55), "meets"),
        (17.0, "AVS 17 V", "usb-pd-avs-voltage", (16.15, 17.85), "meets"),
        (5.4, "legacy 5 V", "usb-vsafe5v", (4.75, 5.5), "meets"),
        (5.4, "5 V", "usb-pd-fixed-voltage", (4.75, 5.25), "does not meet"),
        (19.9, "C1 20 V + A1 5 V", "usb-pd-fixed-voltage", (19.0, 21.0), "meets"),
    ],
)
def test_voltage_of_a_contract(rules, figure, three_ports, value, contract, rule, limit, decision):
    """USB PD vSrcNew, vPpsNew, vAvsNew: ±5 %; vSafe5V 4.75 to 5.5 V."""
    fig = figure(VOLTS, value, 0.05, port="C1", contract=contract, measured_at="receptacle", load_a=1.0)
    finding = one(judge([fig], rules, three_ports, PLAIN), rule)
    assert (finding.limit, finding.limit_high) == (pytest.approx(limit[0]), pytest.approx(limit[1]))
    assert (finding.sense, finding.decision, finding.note.startswith("limit from memory")) == (
        "range",
        decision,
        rule == "usb-pd-avs-voltage",
    )
    assert {f.rule for f in judge([fig], rules, three_ports, PLAIN)} == {rule}


def test_a_voltage_at_the_cable_end_is_not_judged(rules, figure, one_port):
    fig = figure(VOLTS, 4.36, 0.01, port="C1", contract="5 V", measured_at="cable end")
    finding = one(judge([fig], rules, one_port, PLAIN), "usb-pd-fixed-voltage")
    assert (finding.decision, finding.note) == (
        "not judged",
        "the limit is for the receptacle; measured at the cable end",
    )


def test_a_voltage_without_a_place_is_judged_with_a_note(rules, figure, one_port):
    finding = one(
        judge([figure(VOLTS, 5.0, 0.01, port="C1", contract="5 V")], rules, one_port, PLAIN), "usb-pd-fixed-voltage"
    )
    assert (finding.decision, finding.note) == (
        "meets",
        "the limit is for the receptacle; where it was measured is not stated",
    )


@pytest.mark.parametrize("contract", ["C2 20 V + A1 5 V", "negotiated", "20", None])
def test_an_unreadable_contract_has_no_finding(rules, figure, three_ports, contract):
    fig = figure(VOLTS, 20.0, 0.01, port="C1", contract=contract, measured_at="receptacle")
    assert judge([fig], rules, three_ports, PLAIN) == ()


def test_the_kind_of_output_may_be_stated(rules, figure, one_port):
    fig = figure(VOLTS, 9.0, 0.01, port="C1", contract="9 V", output_kind="epr-avs", measured_at="receptacle")
    assert {f.rule for f in judge([fig], rules, one_port, PLAIN)} == {"usb-pd-avs-voltage"}


@pytest.mark.parametrize(("port", "limit"), [("C1", 4.75), ("A1", 4.5)])
def test_voltage_under_load_by_2025_2052(rules, figure, three_ports, port, limit):
    """Annex II 2: 5 % below nameplate at USB-C and PD ports, 10 % at others."""
    contract = "5 V" if port == "C1" else "legacy 5 V"
    fig = figure(VOLTS, 4.9, 0.01, port=port, contract=contract, measured_at="receptacle", mains_v=230.0, mains_hz=50.0)
    finding = one(judge([fig], rules, three_ports, PLAIN), "eu-2025-2052")
    assert (finding.limit, finding.sense) == (pytest.approx(limit), "min")


# --- harmonics and power factor ----------------------------------------------------------------------------------------

AT = {"mains_v": 230.0, "mains_hz": 50.0, "ports": "C1", "voltage_end": "highest", "load_ratio": 1.0}


def test_both_classes_of_harmonics(rules, figure, one_port):
    """IEC 61000-3-2: 340 mA of the third at 100 W by Class D (K48), 2.30 A by Class A; each class is a reading."""
    figures = [
        figure("efficiency/input_power_w", 100.0, 0.2, **AT),
        figure("efficiency/input_harmonic_a", 0.400, 0.002, harmonic=3, input_w=100.0, **AT),
    ]
    found = judge(figures, rules, one_port, PLAIN)
    a, d = one(found, "iec-61000-3-2-class-a"), one(found, "iec-61000-3-2-class-d")
    assert (a.limit, a.decision) == (2.30, "meets")
    assert (d.limit, d.decision) == (pytest.approx(0.340), "does not meet")
    assert a.reading == "Class A, a charger for general use"
    assert d.reading == "Class D, a charger sold as a supply of personal computers"


def test_the_input_power_is_uncertain_too(rules, figure, one_port):
    """The Class D limit is 3.4 mA/W times a measured power: u of the difference is sqrt(u_I^2 + (3.4 mA/W u_P)^2)."""
    from statistics import NormalDist

    figures = [
        figure("efficiency/input_power_w", 100.0, 1.0, **AT),
        figure("efficiency/input_harmonic_a", 0.336, 0.002, harmonic=3, **AT),
    ]
    found = one(judge(figures, rules, one_port, PLAIN), "iec-61000-3-2-class-d")
    expected = NormalDist(0.336 - 0.340, math.hypot(0.002, 0.0034)).cdf(0.0)
    assert found.p_conform == pytest.approx(expected, abs=3e-5)


@pytest.mark.parametrize(("power_w", "count"), [(75.0, 0), (60.0, 0), (75.1, 2)])
def test_no_harmonic_limit_up_to_75_w(rules, figure, one_port, power_w, count):
    figures = [
        figure("efficiency/input_power_w", power_w, 0.0, **AT),
        figure("efficiency/input_harmonic_a", 0.5, 0.001, harmonic=5, **AT),
    ]
    assert len(judge(figures, rules, one_port, PLAIN)) == count


def test_a_threshold_within_the_uncertainty_is_noted(rules, figure, one_port):
    figures = [
        figure("efficiency/input_power_w", 75.5, 0.5, **AT),
        figure("efficiency/input_harmonic_a", 0.5, 0.001, harmonic=5, **AT),
    ]
    for finding in judge(figures, rules, one_port, PLAIN):
        assert finding.note == "whether the limit applies is not certain: input power 75.5 W, near its threshold"


def test_harmonics_without_input_power_are_not_judged(rules, figure, one_port):
    found = judge([figure("efficiency/input_harmonic_a", 0.5, 0.001, harmonic=3, **AT)], rules, one_port, PLAIN)
    # Class D, per watt, sets no number at all
    assert [(f.rule, f.decision, f.limit) for f in found] == [("iec-61000-3-2-class-a", "not judged", 2.30)]
    assert found[0].note == "the input power is not measured here, so whether the limit applies is not known"


def test_input_power_of_another_load_is_not_taken(rules, figure, one_port):
    figures = [
        figure("efficiency/input_power_w", 100.0, 0.1, **{**AT, "voltage_end": "highest", "load_ratio": 0.5}),
        figure("efficiency/input_harmonic_a", 0.5, 0.001, harmonic=3, **AT),
    ]
    assert {f.decision for f in judge(figures, rules, one_port, PLAIN)} == {"not judged"}


def test_harmonics_at_115_v_or_part_load_are_not_judged(rules, figure, one_port):
    for change in ({"mains_v": 115.0, "mains_hz": 60.0}, {"load_ratio": 0.5}):
        at = {**AT, **change}
        figures = [
            figure("efficiency/input_power_w", 100.0, 0.1, **at),
            figure("efficiency/input_harmonic_a", 0.5, 0.001, harmonic=3, **at),
        ]
        assert judge(figures, rules, one_port, PLAIN) == ()


def test_power_factor_of_level_v(rules, figure, charger):
    """IEMP Level V: 0.9 at 100 % load, 115 V 60 Hz, input of 100 W and more (from memory, high)."""
    marked = charger(100.0, mark="V", C1=((5.0, 3.0), (20.0, 5.0)))
    at = {**AT, "mains_v": 115.0, "mains_hz": 60.0}
    for power_w, count in ((112.0, 1), (100.0, 1), (99.0, 0)):
        figures = [
            figure("efficiency/input_power_w", power_w, 0.0, **at),
            figure("efficiency/power_factor_ratio", 0.97, 0.005, **at),
        ]
        found = judge(figures, rules, marked, PLAIN)
        assert len(found) == count
        assert all((f.rule, f.limit, f.from_memory, f.decision) == ("iemp-level-v", 0.9, True, "meets") for f in found)


# --- house rules and claims --------------------------------------------------------------------------------------------

HOUSE = """
[[rule]]
id = "quiet-standby"
title = "Quiet when idle"
mains = [{ voltage_v = 230, tolerance_ratio = 0.10, frequency_hz = 50 }]
[[rule.limit]]
figure = "standby/no_load_power_w"
quantity = "no_load_power"
sense = "max"
value = 0.05
weight = 2.0
why = "half of the legal limit"
[[rule]]
id = "pocketable"
title = "Fits a pocket"
[[rule.limit]]
figure = "identity/mass_g"
quantity = "mass"
sense = "range"
low = 50
high = 150
"""


def test_house_rules(figure, one_port):
    house = parse_rules(HOUSE, "house-rules.toml", "house")
    found = judge([idle(figure, 0.04, 230.0), figure("identity/mass_g", 170.0, 1.0, unit="g")], house, one_port, PLAIN)
    assert [(f.origin, f.limit, f.decision, f.source, f.note) for f in found] == [
        ("house", 0.05, "meets", "house rule", "half of the legal limit"),
        ("house", 50.0, "does not meet", "house rule", ""),
    ]
    assert found[1].limit_high == 150.0
    assert weights(house) == {("quiet-standby", "no_load_power"): 2.0, ("pocketable", "mass"): 1.0}


def claim(sense, value, tolerance=None, when=None, figure="standby/no_load_power_w"):
    return Claim(figure, sense, value, "as printed", "box", tolerance, when)


@pytest.mark.parametrize(
    ("made", "value", "decision", "low", "high"),
    [
        (claim("max", 0.075), 0.050, "meets", 0.075, math.nan),
        (claim("max", 0.075), 0.090, "does not meet", 0.075, math.nan),
        (claim("max", 0.075), 0.0755, "undecided", 0.075, math.nan),
        (claim("min", 0.03), 0.05, "meets", 0.03, math.nan),
        (claim("min", 0.05, 0.02), 0.0495, "undecided", 0.049, math.nan),
        (claim("max", 0.05, 0.02), 0.0505, "undecided", 0.051, math.nan),
        (claim("max", 0.05, 0.02), 0.0535, "does not meet", 0.051, math.nan),
        (claim("about", 0.05, 0.1), 0.051, "meets", 0.045, 0.055),
        (claim("about", 0.05, 0.1), 0.060, "does not meet", 0.045, 0.055),
        (claim("about", -0.05, 0.1), -0.05, "meets", -0.055, -0.045),
    ],
)
def test_claims(figure, charger, made, value, decision, low, high):
    unit = charger(12.0, claims=[made], A1=((5.0, 2.4),))
    (finding,) = judge_claims([idle(figure, value, 230.0)], unit, PLAIN)
    assert (finding.decision, finding.limit) == (decision, pytest.approx(low))
    assert finding.limit_high == pytest.approx(high, nan_ok=True)
    assert (finding.origin, finding.rule, finding.title) == ("claim", "claim:standby/no_load_power_w", "as printed")
    assert finding.source == "maker's claim, box"
    tolerance = made.tolerance_ratio
    note = "" if tolerance is None else f"claimed {made.value}, with an allowance of {round(100 * tolerance)} %"
    assert finding.note == note


def test_a_claim_is_set_against_every_figure_it_speaks_of(figure, charger):
    unit = charger(
        12.0,
        claims=[claim("max", 0.1), claim("max", 0.05, when={"mains_v": 230}), claim("min", 1.0, figure="value/x")],
        A1=((5.0, 2.4),),
    )
    figures = [idle(figure, 0.03, 115.0), idle(figure, 0.04, 230.0)]
    found = judge_claims(figures, unit, PLAIN)
    assert [(f.figure, f.limit) for f in found] == [
        (figures[0].key, 0.1),
        (figures[1].key, 0.1),
        (figures[1].key, 0.05),
    ]
    assert unmeasured_claims(figures, unit) == (unit.claims[2],)
    assert unmeasured_claims([], unit) == unit.claims


def test_a_flagged_figure_keeps_its_claim_unjudged(figure, charger):
    unit = charger(12.0, claims=[claim("max", 0.1)], A1=((5.0, 2.4),))
    fig = figure(IDLE, 0.03, 0.001, flags=("not judged: too uncertain",), mains_v=230.0)
    (finding,) = judge_claims([fig], unit, PLAIN)
    assert (finding.decision, finding.note) == ("not judged", "not judged: too uncertain")


@given(st.floats(0.5, 1.0), st.floats(0.0005, 0.02), st.floats(0.0, 0.1))
def test_more_efficient_is_never_less_likely_to_conform(rules, figure, one_port, value, u, gain):
    def p(v):
        return one(
            judge([figure(AVG, v, u, **US_AT, **HIGH)], rules, one_port, PLAIN), "us-10cfr430-level-vi"
        ).p_conform

    assert p(value + gain) >= p(value) - 1e-9


def test_no_figures_no_findings(rules, one_port):
    assert judge([], rules, one_port, PLAIN) == ()


def test_a_figure_nobody_limits_has_no_finding(rules, figure, one_port):
    assert judge([figure("identity/mass_g", 100.0, 1.0)], rules, one_port, PLAIN) == ()
