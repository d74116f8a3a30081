"""Limits against numbers worked out from the published formulas, the clause beside each.

The expected numbers were computed apart from this project, with the natural logarithm, and are given to five decimals:
the tolerance is half of the last one.
"""

import pytest

from brickbook.rules import derating_factor, is_low_voltage

AVG, LOW, IDLE = "average_active_efficiency", "low_load_efficiency", "no_load_power"
US, EU19, EU25 = "us-10cfr430-level-vi", "eu-2019-1782", "eu-2025-2052"
COC1, COC2 = "eu-coc-v5-tier-1", "eu-coc-v5-tier-2"
US_CLAUSE = "10 CFR 430.32(w)(1)(ii)"
TABLE1, TABLE2, TABLE3, TABLE4 = (f"(EU) 2025/2052 Annex II Table {n}" for n in (1, 2, 3, 4))

VALUES = [
    # id, rule, quantity, class, adaptive, P, limit, clause
    ("K01", US, AVG, "basic", False, 0.5, 0.41000, US_CLAUSE),
    ("K02", US, AVG, "basic", False, 1, 0.66000, US_CLAUSE),
    ("K03", US, AVG, "basic", False, 5, 0.77727, US_CLAUSE),
    ("K04", US, AVG, "basic", False, 12, 0.82963, US_CLAUSE),
    ("K05", US, AVG, "basic", False, 20, 0.85470, US_CLAUSE),
    ("K06", US, AVG, "basic", False, 30, 0.86949, US_CLAUSE),
    ("K07", US, AVG, "basic", False, 45, 0.87727, US_CLAUSE),
    ("K08", US, AVG, "basic", False, 49, 0.87772, US_CLAUSE),
    ("K09", US, AVG, "basic", False, 49.0001, 0.88000, US_CLAUSE),
    ("K09b", US, AVG, "basic", False, 250, 0.88000, US_CLAUSE),
    ("K10", US, AVG, "basic", False, 251, 0.87500, US_CLAUSE),
    ("K10b", US, IDLE, "basic", False, 251, 0.500, US_CLAUSE),
    ("K11", US, AVG, "low-voltage", False, 5, 0.73623, US_CLAUSE),
    ("K12", US, AVG, "low-voltage", True, 10, 0.78704, US_CLAUSE + " with the 2 A rule of Appendix Z at 5 V"),
    ("K13", US, AVG, "low-voltage", False, 15, 0.81385, US_CLAUSE),
    ("K14", US, AVG, "low-voltage", False, 49, 0.86498, US_CLAUSE),
    ("K15", US, AVG, "low-voltage", False, 65, 0.87000, US_CLAUSE),
    ("K16", US, AVG, "multiple-voltage", False, 10, 0.73369, US_CLAUSE),
    ("K17", US, AVG, "multiple-voltage", True, 32, 0.82093, US_CLAUSE),
    ("K18", US, AVG, "multiple-voltage", False, 49, 0.85289, US_CLAUSE),
    ("K19", US, AVG, "multiple-voltage", True, 100, 0.86000, US_CLAUSE),
    ("K19b", US, IDLE, "multiple-voltage", True, 100, 0.300, US_CLAUSE),
    ("K20", US, IDLE, "basic", True, 45, 0.100, US_CLAUSE),
    ("K20b", US, IDLE, "basic", True, 65, 0.210, US_CLAUSE),
    ("K21", "iemp-level-iv", AVG, "basic", False, 0.5, 0.25000, "10 CFR 430.32(w)(1)(i)"),
    ("K21b", "iemp-level-iv", AVG, "basic", False, 5, 0.64485, "10 CFR 430.32(w)(1)(i)"),
    ("K21c", "iemp-level-iv", AVG, "basic", False, 51, 0.85386, "10 CFR 430.32(w)(1)(i)"),
    ("K21d", "iemp-level-iv", AVG, "basic", False, 52, 0.85000, "10 CFR 430.32(w)(1)(i)"),
    ("K22", "iemp-level-iii", AVG, "basic", False, 10, 0.69723, "IEMP, Level III"),
    ("K23", "iemp-level-v", AVG, "basic", False, 10, 0.76614, "IEMP, Level V"),
    ("K23b", "iemp-level-v", AVG, "basic", False, 45, 0.86030, "IEMP, Level V"),
    ("K24", "iemp-level-v", AVG, "low-voltage", False, 10, 0.73369, "IEMP, Level V"),
    ("K25", EU19, AVG, "basic", False, 18, 0.85002, "(EU) 2019/1782 Annex II 1(b)"),
    ("K26", EU19, AVG, "low-voltage", False, 12, 0.79944, "(EU) 2019/1782 Annex II 1(b)"),
    ("K27", EU19, AVG, "multiple-voltage", False, 36, 0.82976, "(EU) 2019/1782 Annex II 1(b)"),
    ("K28", EU19, IDLE, "ac-ac-basic", False, 30, 0.21, "(EU) 2019/1782 Annex II 1(a)"),
    ("K28b", EU19, IDLE, "basic", False, 30, 0.10, "(EU) 2019/1782 Annex II 1(a)"),
    ("K28c", EU19, IDLE, "low-voltage", False, 30, 0.10, "(EU) 2019/1782 Annex II 1(a)"),
    ("K28d", EU19, IDLE, "multiple-voltage", False, 30, 0.30, "(EU) 2019/1782 Annex II 1(a)"),
    ("K29", EU25, AVG, "basic", True, 20, 0.85970, TABLE4),
    ("K30", EU25, AVG, "basic", True, 49, 0.88997, TABLE4),
    ("K31", EU25, AVG, "basic", True, 65, 0.89000, TABLE4),
    ("K32", EU25, AVG, "low-voltage", True, 10, 0.79004, TABLE4 + ", point 1(i)"),
    ("K33", EU25, AVG, "multiple-voltage", True, 32, 0.86873, TABLE4),
    ("K33b", EU25, AVG, "multiple-voltage", True, 45, 0.87842, TABLE4),
    ("K34", EU25, AVG, "ac-ac-basic", False, 20, 0.88055, TABLE4),
    ("K34b", EU25, AVG, "ac-ac-basic", False, 49, 0.90254, TABLE4),
    ("K34c", EU25, AVG, "ac-ac-basic", False, 60, 0.90200, TABLE4),
    ("K35", EU25, LOW, "basic", True, 20, 0.75970, TABLE3),
    ("K36", EU25, LOW, "basic", True, 65, 0.79000, TABLE3),
    ("K37", EU25, LOW, "low-voltage", True, 15, 0.71835, TABLE3 + ", point 1(i)"),
    ("K38", EU25, LOW, "multiple-voltage", True, 42, 0.77694, TABLE3),
    ("K39", EU25, LOW, "basic", False, 20, 0.79970, TABLE2),
    ("K39b", EU25, LOW, "basic", False, 49, 0.82997, TABLE2),
    ("K40", EU25, LOW, "low-voltage", False, 12, 0.74304, TABLE2),
    ("K44", EU25, IDLE, "low-voltage", True, 10, 0.075, "(EU) 2025/2052 Annex II point 1(h)"),
    ("K45", COC1, AVG, "basic", False, 10, 0.79014, "Code of Conduct v5, Tier 1"),
    ("K45b", COC1, LOW, "basic", False, 20, 0.73353, "Code of Conduct v5, Tier 1"),
    ("K46", COC2, AVG, "basic", False, 10, 0.82198, "Code of Conduct v5, Tier 2"),
    ("K46b", COC2, LOW, "basic", False, 30, 0.77699, "Code of Conduct v5, Tier 2"),
    ("K47", COC2, AVG, "low-voltage", False, 10, 0.79004, "Code of Conduct v5, Tier 2"),
    ("K47b", COC2, LOW, "low-voltage", False, 10, 0.69734, "Code of Conduct v5, Tier 2"),
]


@pytest.mark.parametrize(
    ("rule", "quantity", "kind", "adaptive", "power_w", "expected", "clause"),
    [row[1:] for row in VALUES],
    ids=[row[0] for row in VALUES],
)
def test_limit_is_the_published_one(limit_of, rule, quantity, kind, adaptive, power_w, expected, clause):
    found = limit_of(rule, quantity, kind, power_w, adaptive=adaptive)
    assert found == pytest.approx(expected, abs=5.0001e-6), clause


@pytest.mark.parametrize("kind", ["basic", "low-voltage", "multiple-voltage", "ac-ac-basic"])
@pytest.mark.parametrize("adaptive", [True, False])
def test_k41_no_limit_at_ten_percent_up_to_ten_watts(limit_of, kind, adaptive):
    """(EU) 2025/2052 Annex II points 1(b) and 1(c): only above 10 W."""
    assert limit_of(EU25, LOW, kind, 10, adaptive=adaptive) is None
    assert limit_of(EU25, LOW, kind, 10.001, adaptive=adaptive) is not None


@pytest.mark.parametrize(
    ("outputs", "expected"),
    [(1, 0.075), (3, 0.125), (10, 0.300), (12, 0.300)],
    ids=["N=1", "K42", "N=10", "K43: 0.350 capped"],
)
def test_no_load_of_several_adaptive_ports(limit_of, outputs, expected):
    """(EU) 2025/2052 Annex II Table 1 with footnote 1: 0.075 + (N - 1) 0.025 W, never above 0.300 W."""
    found = limit_of(EU25, IDLE, "multiple-voltage", 32, adaptive=True, outputs=outputs)
    assert found == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("order", "expected_ma"), [(3, 340), (5, 190), (7, 100), (9, 50), (11, 35), (13, 29.6), (39, 385 / 39)]
)
def test_k48_class_d_at_100_w(rules, order, expected_ma):
    """IEC 61000-3-2 Table 3, per watt of input power; 13 to 39: 3.85/n mA/W."""
    limit = next(r for r in rules if r.id == "iec-61000-3-2-class-d").limits[0]
    bound = limit.bound(conditions=_order(order), input_power_w=100.0)
    assert 1000 * bound.high == pytest.approx(expected_ma, abs=0.05)
    assert bound.per_input_watt * 100.0 == pytest.approx(bound.high, rel=1e-12)


@pytest.mark.parametrize(
    ("order", "expected_a"),
    [
        (3, 2.30), (5, 1.14), (7, 0.77), (9, 0.40), (11, 0.33), (13, 0.21), (15, 0.15), (39, 0.15 * 15 / 39),
        (2, 1.08), (4, 0.43), (6, 0.30), (8, 0.23), (40, 0.23 * 8 / 40),
    ],
)  # fmt: skip
def test_class_a_is_absolute(rules, order, expected_a):
    """IEC 61000-3-2 Class A; 15 to 39: 0.15 x 15/n, even 8 to 40: 0.23 x 8/n."""
    limit = next(r for r in rules if r.id == "iec-61000-3-2-class-a").limits[0]
    assert limit.bound(conditions=_order(order)).high == pytest.approx(expected_a, rel=1e-12)


def test_class_d_cap(rules):
    """The fifth harmonic's 1.9 mA/W equals its cap of 1.14 A at 600 W; from the 15th on, 3.85/n mA/W equals the cap of
    2.25/n A at 584.4 W; below that no cap bites."""
    limit = next(r for r in rules if r.id == "iec-61000-3-2-class-d").limits[0]
    assert limit.bound(conditions=_order(5), input_power_w=599.0).high == pytest.approx(1.1381)
    assert limit.bound(conditions=_order(5), input_power_w=700.0).high == 1.14
    for order in range(3, 40, 2):
        assert limit.bound(conditions=_order(order), input_power_w=584.0).per_input_watt > 0
    assert limit.bound(conditions=_order(15), input_power_w=585.0).high == pytest.approx(0.15)
    assert limit.bound(conditions=_order(4), input_power_w=100.0) is None
    assert limit.bound(input_power_w=100.0) is None  # no order is told


def test_k52_derating_of_shared_power():
    """Appendix Z 6(b)(1)(iv): D = P_total over the sum of V I; 20 V 5 A, 20 V 3.25 A, 5 V 2.4 A within 100 W."""
    assert derating_factor(100.0, [20 * 5.0, 20 * 3.25, 5 * 2.4]) == pytest.approx(0.564972, abs=5e-7)


def test_k53_no_derating_at_the_lowest_voltage():
    """The same clause: a USB-PD port counts with at most 10 W at the lowest voltage."""
    assert derating_factor(100.0, [10.0, 10.0, 12.0]) == pytest.approx(3.125)


@pytest.mark.parametrize(
    ("voltage_v", "current_a", "low"),
    [(5, 0.5, False), (5, 0.549, False), (5, 0.55, True), (5.99, 3, True), (6, 3, False), (20, 5, False)],
)
def test_low_voltage_class(voltage_v, current_a, low):
    """10 CFR 430.2: below 6 V and at least 550 mA."""
    assert is_low_voltage(voltage_v, current_a) is low


@pytest.mark.parametrize(
    ("power_w", "row"),
    [(1, 0.66), (49, 0.07 * 0 + 0.071 * 3.8918202981 - 0.0014 * 49 + 0.67), (250, 0.88), (250.01, 0.875)],
)
def test_upper_ends_of_bands_are_inclusive(limit_of, power_w, row):
    """10 CFR 430.32(w)(1)(ii): P <= 1, 1 < P <= 49, 49 < P <= 250, P > 250 W."""
    assert limit_of(US, AVG, "basic", power_w) == pytest.approx(row, abs=1e-9)


def test_level_iv_has_other_breaks(limit_of):
    """10 CFR 430.32(w)(1)(i): P < 1 W, and 51 W."""
    assert limit_of("iemp-level-iv", AVG, "basic", 49.5) == pytest.approx(0.85118, abs=5e-6)
    assert limit_of("iemp-level-iv", AVG, "basic", 0.999) == pytest.approx(0.4995)
    assert limit_of("iemp-level-iv", AVG, "basic", 251) is None


def test_bands_do_not_join_smoothly(limit_of):
    """A step of 0.0023 at 49 W: nothing may interpolate across it."""
    step = limit_of(US, AVG, "basic", 49.0000001) - limit_of(US, AVG, "basic", 49)
    assert step == pytest.approx(0.88 - 0.87772, abs=1e-5)


def test_the_tier_2_slope_is_not_the_misprint(limit_of):
    """With -0.0014 instead of -0.00115 the row would stop at 0.77772, not meet 0.790 at 49 W."""
    assert limit_of(COC2, LOW, "basic", 49) == pytest.approx(0.78997, abs=5e-6)
    assert limit_of(COC2, LOW, "basic", 49) != pytest.approx(0.77772, abs=5e-3)


def _order(order):
    from brickbook.core.conditions import Conditions

    return Conditions.of(harmonic=order)


def test_code_of_conduct_begins_at_0_3_w(limit_of):
    """Code of Conduct v5: 0.3 to 250 W."""
    assert limit_of(COC1, AVG, "basic", 0.29) is None
    assert limit_of(COC1, AVG, "basic", 0.3) == pytest.approx(0.296)
    assert limit_of(COC1, AVG, "basic", 250.5) is None
