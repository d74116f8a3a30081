"""The rule files against the published tables typed a second time, in another shape.

Each published row is (upper end, formula as a function); the comparison runs over a grid of powers with all breaks and
both sides of each, so that a wrong number, a wrong break or an exchanged class shows.
"""

from math import inf, log

import pytest

from brickbook.rules import Subject, parse_rules

AVG, LOW, IDLE = "average_active_efficiency", "low_load_efficiency", "no_load_power"


def c(value):
    return lambda p: value


# 10 CFR 430.32(w)(1)(ii), Level VI
VI_BASIC = [
    (1, lambda p: 0.5 * p + 0.160),
    (49, lambda p: 0.071 * log(p) - 0.0014 * p + 0.670),
    (250, c(0.880)),
    (inf, c(0.875)),
]
VI_LOW = [
    (1, lambda p: 0.517 * p + 0.087),
    (49, lambda p: 0.0834 * log(p) - 0.0014 * p + 0.609),
    (250, c(0.870)),
    (inf, c(0.875)),
]
VI_MULTI = [(1, lambda p: 0.497 * p + 0.067), (49, lambda p: 0.075 * log(p) + 0.561), (inf, c(0.860))]
# (EU) 2025/2052 Annex II Table 4
EU_BASIC = [(1, lambda p: 0.5 * p + 0.169), (49, lambda p: 0.071 * log(p) - 0.00115 * p + 0.670), (inf, c(0.890))]
EU_AC = [(1, lambda p: 0.5 * p + 0.169), (49, lambda p: 0.0582 * log(p) - 0.00104 * p + 0.727), (inf, c(0.902))]
EU_LOW = [(1, lambda p: 0.517 * p + 0.091), (49, lambda p: 0.0834 * log(p) - 0.0011 * p + 0.609), (inf, c(0.880))]
EU_MULTI = [(1, lambda p: 0.497 * p + 0.067), (49, lambda p: 0.078 * log(p) - 0.0013 * p + 0.640), (inf, c(0.880))]


def to(end, table):
    """A table cut off at an upper end."""
    return [(min(top, end), f) for top, f in table if top <= end or f is table[-1][1]]


def low10(a, b, k, above):
    """A row of Tables 2 and 3: nothing up to 10 W."""
    return [(10, None), (49, lambda p: a * log(p) + b * p + k), (inf, c(above))]


def band(*rows):
    return [(top, c(value)) for top, value in rows]


def from_03(first, middle, last):
    """Code of Conduct v5: nothing below 0.3 W, then to 1, 49 and 250 W."""
    return [(0.2999999, None), (1, first), (49, middle), (250, c(last))]


# (rule, quantity, class, adaptive, reading of the limit): rows
TABLES = [
    ("us-10cfr430-level-vi", AVG, "basic", False, None, VI_BASIC),
    ("us-10cfr430-level-vi", AVG, "low-voltage", True, None, VI_LOW),
    ("us-10cfr430-level-vi", AVG, "multiple-voltage", True, None, VI_MULTI),
    ("us-10cfr430-level-vi", AVG, "ac-ac-basic", False, None, VI_BASIC),
    ("us-10cfr430-level-vi", AVG, "ac-ac-low-voltage", False, None, VI_LOW),
    ("us-10cfr430-level-vi", IDLE, "basic", True, None, band((49, 0.100), (250, 0.210), (inf, 0.500))),
    ("us-10cfr430-level-vi", IDLE, "low-voltage", False, None, band((49, 0.100), (250, 0.210), (inf, 0.500))),
    ("us-10cfr430-level-vi", IDLE, "multiple-voltage", True, None, band((inf, 0.300))),
    ("us-10cfr430-level-vi", IDLE, "ac-ac-basic", False, None, band((250, 0.210), (inf, 0.500))),
    ("us-10cfr430-level-vi", IDLE, "ac-ac-low-voltage", False, None, band((250, 0.210), (inf, 0.500))),
    # (EU) 2019/1782 Annex II 1: Level VI to 250 W, AC-AC as AC-DC
    ("eu-2019-1782", AVG, "basic", False, None, VI_BASIC[:3]),
    ("eu-2019-1782", AVG, "ac-ac-basic", False, None, VI_BASIC[:3]),
    ("eu-2019-1782", AVG, "low-voltage", False, None, VI_LOW[:3]),
    ("eu-2019-1782", AVG, "ac-ac-low-voltage", False, None, VI_LOW[:3]),
    ("eu-2019-1782", AVG, "multiple-voltage", False, None, to(250, VI_MULTI)),
    ("eu-2019-1782", IDLE, "basic", False, "row of the table", band((49, 0.10), (250, 0.21))),
    ("eu-2019-1782", IDLE, "low-voltage", False, "row of the table", band((49, 0.10), (250, 0.21))),
    ("eu-2019-1782", IDLE, "multiple-voltage", False, "row of the table", band((250, 0.30))),
    ("eu-2019-1782", IDLE, "ac-ac-basic", False, "row of the table", band((250, 0.21))),
    ("eu-2019-1782", IDLE, "ac-ac-low-voltage", False, "row of the table", band((49, 0.10), (250, 0.21))),
    ("eu-2019-1782", IDLE, "basic", True, "the Commission's answer on adaptive supplies", band((250, 0.21))),
    # (EU) 2025/2052 Annex II Tables 4, 2, 3, 1
    ("eu-2025-2052", AVG, "basic", True, None, EU_BASIC),
    ("eu-2025-2052", AVG, "ac-ac-basic", False, None, EU_AC),
    ("eu-2025-2052", AVG, "low-voltage", True, None, EU_LOW),
    ("eu-2025-2052", AVG, "ac-ac-low-voltage", False, None, EU_LOW),
    ("eu-2025-2052", AVG, "multiple-voltage", True, None, EU_MULTI),
    ("eu-2025-2052", LOW, "basic", False, None, low10(0.071, -0.00115, 0.61, 0.83)),
    ("eu-2025-2052", LOW, "basic", True, None, low10(0.071, -0.00115, 0.57, 0.79)),
    ("eu-2025-2052", LOW, "ac-ac-basic", False, None, low10(0.0582, -0.00104, 0.667, 0.842)),
    ("eu-2025-2052", LOW, "low-voltage", False, None, low10(0.0834, -0.0011, 0.549, 0.82)),
    ("eu-2025-2052", LOW, "low-voltage", True, None, low10(0.0834, -0.0011, 0.509, 0.78)),
    ("eu-2025-2052", LOW, "multiple-voltage", False, None, low10(0.078, -0.0013, 0.58, 0.82)),
    ("eu-2025-2052", LOW, "multiple-voltage", True, None, low10(0.078, -0.0013, 0.54, 0.78)),
    ("eu-2025-2052", IDLE, "basic", True, None, band((49, 0.075), (inf, 0.150))),
    ("eu-2025-2052", IDLE, "low-voltage", True, None, band((49, 0.075), (inf, 0.150))),
    ("eu-2025-2052", IDLE, "ac-ac-basic", False, None, band((250, 0.150), (inf, 0.300))),
    ("eu-2025-2052", IDLE, "ac-ac-low-voltage", False, None, band((49, 0.100), (250, 0.210), (inf, 0.500))),
    ("eu-2025-2052", IDLE, "multiple-voltage", False, None, band((49, 0.100), (inf, 0.150))),
    ("eu-2025-2052", IDLE, "multiple-voltage", True, None, band((49, 0.075), (inf, 0.150))),
    # Code of Conduct v5
    ("eu-coc-v5-tier-1", AVG, "basic", False, None, from_03(lambda p: 0.5 * p + 0.146, lambda p: 0.0626 * log(p) + 0.646, 0.890)),
    ("eu-coc-v5-tier-1", AVG, "low-voltage", False, None, from_03(lambda p: 0.5 * p + 0.086, lambda p: 0.0755 * log(p) + 0.586, 0.880)),
    ("eu-coc-v5-tier-1", LOW, "basic", False, None, from_03(lambda p: 0.5 * p + 0.046, lambda p: 0.0626 * log(p) + 0.546, 0.790)),
    ("eu-coc-v5-tier-1", LOW, "low-voltage", False, None, from_03(lambda p: 0.5 * p, lambda p: 0.072 * log(p) + 0.500, 0.780)),
    ("eu-coc-v5-tier-2", AVG, "basic", False, None, from_03(EU_BASIC[0][1], EU_BASIC[1][1], 0.890)),
    ("eu-coc-v5-tier-2", AVG, "low-voltage", False, None, from_03(EU_LOW[0][1], EU_LOW[1][1], 0.880)),
    ("eu-coc-v5-tier-2", LOW, "basic", False, None, from_03(lambda p: 0.5 * p + 0.060, lambda p: 0.071 * log(p) - 0.00115 * p + 0.570, 0.790)),
    ("eu-coc-v5-tier-2", LOW, "low-voltage", False, None, from_03(lambda p: 0.517 * p, lambda p: 0.0834 * log(p) - 0.00127 * p + 0.518, 0.780)),
    ("eu-coc-v5-tier-1", IDLE, "basic", True, "supply in general", [(0.2999999, None), *band((49, 0.150), (250, 0.250))]),
    ("eu-coc-v5-tier-1", IDLE, "basic", False, "supply of a battery-driven handheld product below 8 W", [(0.2999999, None), *band((7.9999999, 0.075))]),
    ("eu-coc-v5-tier-2", IDLE, "low-voltage", True, None, [(0.2999999, None), *band((49, 0.075), (250, 0.150))]),
    # International Efficiency Marking Protocol; Level IV by 10 CFR 430.32(w)(1)(i)
    ("iemp-level-iii", AVG, "basic", False, None, [(1, lambda p: 0.49 * p), (49, lambda p: 0.09 * log(p) + 0.49), (250, c(0.84))]),
    ("iemp-level-iii", IDLE, "basic", False, None, band((10, 0.5), (250, 0.75))),
    ("iemp-level-iv", AVG, "low-voltage", False, None, [(0.9999999, lambda p: 0.5 * p), (51, lambda p: 0.09 * log(p) + 0.5), (250, c(0.85))]),
    ("iemp-level-iv", IDLE, "basic", False, None, band((250, 0.5))),
    ("iemp-level-v", AVG, "basic", False, None, [(1, lambda p: 0.480 * p + 0.140), (49, lambda p: 0.0626 * log(p) + 0.622), (250, c(0.870))]),
    ("iemp-level-v", AVG, "low-voltage", False, None, [(1, lambda p: 0.497 * p + 0.067), (49, lambda p: 0.0750 * log(p) + 0.561), (250, c(0.860))]),
    ("iemp-level-v", IDLE, "basic", False, None, band((49.9999999, 0.3), (250, 0.5))),
    ("iemp-level-v", IDLE, "ac-ac-basic", False, None, band((250, 0.5))),
    ("iemp-level-v", IDLE, "ac-ac-low-voltage", False, None, band((250, 0.5))),
]  # fmt: skip

GRID = sorted(
    {0.1, 0.5, 2, 5, 9, 12, 20, 30, 45, 60, 100, 140, 240, 300, 1000}
    | {end * f for end in (0.3, 1, 8, 10, 49, 50, 51, 250) for f in (0.99999, 1, 1.00001)}
)


@pytest.mark.parametrize("row", TABLES, ids=[f"{t[0]} {t[1]} {t[2]}{' adaptive' if t[3] else ''}" for t in TABLES])
def test_table_typed_twice(limit_of, row):
    rule, quantity, kind, adaptive, reading, table = row
    for power_w in GRID:
        formula = next((f for top, f in table if power_w <= top), None)
        expected = None if formula is None else pytest.approx(formula(power_w), abs=1e-12)
        assert limit_of(rule, quantity, kind, power_w, adaptive=adaptive, reading=reading) == expected, power_w


def test_every_banded_row_is_in_the_second_table(rules):
    """No table of a rule file escapes the comparison above."""
    typed = {(t[0], t[1], t[4] or "", name) for t in TABLES for name in Subject(t[2], t[3], 1.0).names}
    for rule in rules:
        for limit in rule.limits:
            for name in limit.bands:
                readings = {limit.reading, ""} if limit.reading else {""}
                assert any((rule.id, limit.quantity, r, name) in typed for r in readings), (
                    rule.id,
                    limit.quantity,
                    name,
                )


def test_no_class_is_without_use(limit_of):
    """Single-voltage rules set nothing for several voltages."""
    for rule in ("eu-coc-v5-tier-1", "eu-coc-v5-tier-2", "iemp-level-iii", "iemp-level-iv", "iemp-level-v"):
        assert limit_of(rule, AVG, "multiple-voltage", 30.0) is None


def test_2025_average_limits_of_single_voltage_are_those_of_tier_2(limit_of):
    """The 2025/2052 average limits for single-voltage AC-DC supplies are the Tier 2 limits, to 250 W."""
    for kind in ("basic", "low-voltage"):
        for power_w in (1, 10, 30, 49, 60, 250):
            assert limit_of("eu-2025-2052", AVG, kind, power_w) == limit_of("eu-coc-v5-tier-2", AVG, kind, power_w)


@pytest.mark.parametrize(
    ("volts", "low", "high"),
    [
        (5, 4.750, 5.250), (9, 8.550, 9.450), (12, 11.400, 12.600), (15, 14.250, 15.750),
        (20, 19.000, 21.000), (28, 26.600, 29.400), (36, 34.200, 37.800), (48, 45.600, 50.400),
    ],
)  # fmt: skip
@pytest.mark.parametrize("rule", ["usb-pd-fixed-voltage", "usb-pd-pps-voltage", "usb-pd-avs-voltage"])
def test_usb_pd_voltage_band(rules, rule, volts, low, high):
    """vSrcNew 0.95 to 1.05 of the PDO's voltage (USB PD R3.2 V1.2 4.1.2.1.1, Table 4.6); vPpsNew, vAvsNew ±5 %."""
    bound = next(r for r in rules if r.id == rule).limits[0].bound(base=float(volts))
    assert (bound.low, bound.high) == (pytest.approx(low, abs=1e-9), pytest.approx(high, abs=1e-9))


def test_vsafe5v(rules):
    """vSafe5V 4.75 to 5.5 V."""
    bound = next(r for r in rules if r.id == "usb-vsafe5v").limits[0].bound()
    assert (bound.low, bound.high) == (4.75, 5.5)


def test_voltage_under_load_of_2025_2052(rules):
    """(EU) 2025/2052 Annex II 2: 5 % below nameplate at USB-C and PD ports, 10 % at others."""
    found = {
        limit.connector: limit.bound(base=20.0).low
        for rule in rules
        if rule.id == "eu-2025-2052"
        for limit in rule.limits
        if limit.quantity == "output_voltage"
    }
    assert found == {("usb-c",): pytest.approx(19.0), ("usb-a", "captive", "barrel"): pytest.approx(18.0)}


def test_power_factor_of_level_v(rules):
    """IEMP Level V: true PF of at least 0.9 at 100 % load, 115 V, input of 100 W and more (from memory, high)."""
    limit = next(x for r in rules if r.id == "iemp-level-v" for x in r.limits if x.quantity == "power_factor")
    assert (limit.value, limit.sense, limit.input_power_from_w, limit.from_memory) == (0.9, "min", 100.0, "high")


def test_every_rule_has_source_edition_and_market(rules):
    for rule in rules:
        assert rule.source, rule.id
        assert rule.edition, rule.id
        assert rule.market, rule.id
        assert rule.status, rule.id


def test_dates(rules):
    """10 CFR 430.32(w); (EU) 2019/1782; (EU) 2025/2052 Art. 8 and 10; GB 20943-2025 front matter."""
    dates = {rule.id: (rule.applies_from, rule.until) for rule in rules}
    assert dates["us-10cfr430-level-vi"] == ("2016-02-10", "")
    assert dates["eu-2019-1782"] == ("2020-04-01", "2028-12-14")
    assert dates["eu-2025-2052"] == ("2028-12-14", "")
    assert dates["eu-coc-v5-tier-1"][0] == "2014-01-01"
    assert dates["eu-coc-v5-tier-2"][0] == "2016-01-01"
    assert dates["iemp-level-iv"][0] == "2008-07-01"
    assert dates["cn-gb-20943-2025"][0] == "2027-02-01"


def test_what_is_remembered_is_marked(rules):
    """Which numbers were not read in a source, by rule, quantity, class and upper end of the row."""
    marked = {
        (rule.id, limit.quantity, name, row.top)
        for rule in rules
        for limit in rule.limits
        for name, rows in limit.bands.items()
        for row in rows
        if row.from_memory or limit.from_memory
    }
    us, coc2, iii, v = "us-10cfr430-level-vi", "eu-coc-v5-tier-2", "iemp-level-iii", "iemp-level-v"
    assert marked == {
        (us, AVG, "low-voltage", inf),
        (us, AVG, "multiple-voltage", inf),
        *((us, AVG, f"ac-ac-{kind}", top) for kind in ("basic", "low-voltage") for top in (1, 49, 250, inf)),
        (us, IDLE, "multiple-voltage", inf),
        *((us, IDLE, f"ac-ac-{kind}", top) for kind in ("basic", "low-voltage") for top in (250, inf)),
        *((coc2, AVG, "low-voltage", top) for top in (1, 49)),
        *((coc2, LOW, "basic", top) for top in (49, 250)),
        *((coc2, LOW, "low-voltage", top) for top in (1, 49, 250)),
        *((iii, AVG, "single-voltage", top) for top in (49, 250)),
        *((v, AVG, kind, top) for kind in ("basic", "low-voltage") for top in (49, 250)),
        (v, AVG, "low-voltage", 1),
    }


def test_a_rule_without_numbers_has_none(rules):
    without = {rule.id: rule for rule in rules if rule.not_available}
    assert set(without) == {"cn-gb-20943-2025", "ca-csa-c381-1", "kr-meps-adapters", "au-nz-gems-2014"}
    for rule in without.values():
        assert rule.limits == ()
        assert rule.not_available.startswith("limit not available to us: ")


def test_one_text_is_described_alike_in_every_file(rules):
    described = {}
    for rule in rules:
        about = (
            rule.title,
            rule.market,
            rule.edition,
            rule.applies_from,
            rule.until,
            rule.mains,
            rule.procedures,
            rule.mark,
        )
        assert described.setdefault(rule.id, about) == about, rule.id


def test_unlike_descriptions_of_one_text_are_refused(tmp_path, monkeypatch):
    from brickbook.core.errors import BookError
    from brickbook.rules import load_rules

    text = '[[rule]]\nid = "a-b"\ntitle = "{}"\nmarket = "m"\nedition = "e"\nsource = "s"\nnot_available = "no"\n'
    for name, title in (("one_study", "One"), ("other_study", "Other")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("")
        (tmp_path / name / "rules.toml").write_text(text.format(title))
    (tmp_path / "bare_study").mkdir()
    (tmp_path / "bare_study" / "__init__.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    assert [rule.title for rule in load_rules(["one_study", "bare_study"])] == ["One"]
    with pytest.raises(BookError) as error:
        load_rules(["one_study", "other_study"])
    assert str(error.value) == "other_study/rules.toml: rule a-b: title is 'Other' here and 'One' elsewhere"


def test_house_rules_may_be_bare():
    text = '[[rule]]\nid = "light"\ntitle = "Light"\n[[rule.limit]]\nfigure = "identity/mass_g"\nquantity = "mass"\nsense = "max"\nvalue = 150\nweight = 2\nwhy = "It shall fit a pocket"\n'
    (rule,) = parse_rules(text, "house-rules.toml", "house")
    assert rule.origin == "house"
    assert rule.source_of(rule.limits[0].bound()) == "house rule"
    assert (rule.limits[0].weight, rule.limits[0].why) == (2.0, "It shall fit a pocket")


def test_the_packages_hold_the_same_files(rules):
    """What is installed with the studies is what is tested here."""
    from brickbook.rules import load_rules

    names = ("efficiency", "standby", "regulation", "identity", "value")
    assert load_rules([f"brickbook.studies.{name}" for name in names]) == rules
