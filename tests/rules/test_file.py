"""Broken rule files and what is said of them, word for word."""

import pytest

from brickbook.core.errors import BookError
from brickbook.rules import parse_rules

GOOD = """\
[[rule]]
id = "us-test"
title = "Test"
market = "nowhere"
edition = "first"
source = "clause 1"
applies_from = "2020-01-01"
mains = [{ voltage_v = 115, tolerance_ratio = 0.01, frequency_hz = 60 }]
procedures = { us-appendix-z = "" }

[[rule.limit]]
figure = "efficiency/average_active_efficiency_ratio"
quantity = "average_active_efficiency"
sense = "min"

[rule.limit.bands]
basic = [
  { to = 1, b = 0.5, c = 0.160 },
  { to = 49, a = 0.071, b = -0.0014, c = 0.670 },
  { c = 0.880 },
]

[[rule.limit]]
figure = "standby/no_load_power_w"
quantity = "no_load_power"
sense = "max"
value = 0.1
"""

R, L0, L1 = "rule[0]", "rule[0].limit[0]", "rule[0].limit[1]"

CLASSES_IN_WORDS = (
    "basic, low-voltage, multiple-voltage, ac-ac-basic, ac-ac-low-voltage, single-voltage, any, adaptive-basic, "
    "adaptive-low-voltage, adaptive-multiple-voltage, adaptive-single-voltage, adaptive-any"
)

BROKEN = [
    ('sense = "min"', 'sence = "min"', [
        f"line 11, {L0} (us-test): key 'sense' is missing",
        f"line 14, {L0}.sence (us-test): unknown key 'sence'. Did you mean 'sense'?",
    ]),
    ('sense = "min"', 'sense = "least"', [f"line 14, {L0}.sense (us-test): expected 'min', 'max' or 'range', found 'least'"]),
    ('id = "us-test"\n', "", [f"line 1, {R}: key 'id' is missing"]),
    ('title = "Test"', "title = 7", [f"line 3, {R}.title (us-test): expected a text in quotes, found 7"]),
    ('id = "us-test"', 'id = "US test"', [f"line 1, {R} (US test): id must be lower-case words joined by hyphens, found 'US test'"]),
    ('market = "nowhere"\nedition = "first"\n', "", [f"line 1, {R} (us-test): a published rule needs market and edition"]),
    ('"2020-01-01"', '"1 Jan 2020"', [f"line 1, {R} (us-test): applies_from must be a date like 2016-02-10, found '1 Jan 2020'"]),
    ("voltage_v = 115", 'voltage_v = "115"', [f"line 8, {R}.mains[0].voltage_v (us-test): expected a number, found '115'"]),
    (", tolerance_ratio = 0.01", "", [f"line 8, {R}.mains[0] (us-test): voltage_v and tolerance_ratio go together"]),
    ("voltage_v = 115", "voltage_v = -115", [f"line 8, {R}.mains[0].voltage_v (us-test): input should be greater than 0, found -115"]),
    ("c = 0.670", "d = 0.670", [
        f"line 19, {L0}.bands.basic[1] (us-test): key 'c' is missing",
        f"line 19, {L0}.bands.basic[1].d (us-test): unknown key 'd'. Take it out.",
    ]),
    ("c = 0.670", "c = nan", [f"line 19, {L0}.bands.basic[1].c (us-test): input should be a finite number, found nan"]),
    ("c = 0.670", "c = true", [f"line 19, {L0}.bands.basic[1].c (us-test): expected a number, found true"]),
    ("to = 49", "to = 1", [f"line 11, {L0} (us-test): bands.basic: rows must follow by rising upper end; 1 W after 1 W"]),
    ("to = 49", "to = 49, below = 50", [f"line 19, {L0}.bands.basic[1] (us-test): to and below exclude each other"]),
    ("to = 49", "above = 60, to = 49", [f"line 19, {L0}.bands.basic[1] (us-test): the band is empty: it begins at 60 W and ends at 49 W"]),
    ("basic = [", "middle = [", [
        f"line 11, {L0} (us-test): unknown class 'middle' in bands; the classes are " + CLASSES_IN_WORDS
    ]),
    ("value = 0.1\n", "", [f"line 23, {L1} (us-test): a limit is given in one way: value, low and high, bands, or harmonics; found none"]),
    ("value = 0.1\n", "value = 0.1\nlow = 0.0\n", [
        f"line 23, {L1} (us-test): a limit is given in one way: value, low and high, bands, or harmonics; found value, low and high"
    ]),
    ("value = 0.1\n", "low = 2.0\nhigh = 1.0\n", [f'line 23, {L1} (us-test): low and high go with sense = "range", and "range" needs them']),
    ('sense = "max"\nvalue = 0.1\n', 'sense = "range"\nlow = 2.0\nhigh = 1.0\n', [f"line 23, {L1} (us-test): low 2 is above high 1"]),
    ('sense = "max"\nvalue = 0.1\n', 'sense = "range"\nlow = 2.0\n', [f'line 23, {L1} (us-test): sense = "range" needs both low and high']),
    ('"standby/no_load_power_w"', '"no_load_power_w"', [f"line 23, {L1} (us-test): figure must be \"study/name\", found 'no_load_power_w'"]),
    ("value = 0.1\n", "value = 0.1\nweight = 2\n", [f"line 1, {R} (us-test): weight and why belong to house rules"]),
    ("value = 0.1\n", 'value = 0.1\nfrom_memory = "sure"\n', [
        f"line 28, {L1}.from_memory (us-test): expected '', 'high', 'medium-high', 'medium' or 'low', found 'sure'"
    ]),
    ("value = 0.1\n", "harmonics = [\n  { order = 3, cap = 2.3, cap_over_n = 1 },\n]\n", [
        f"line 28, {L1}.harmonics[0] (us-test): give either cap or cap_over_n"
    ]),
    ("value = 0.1\n", "harmonics = [\n  { order = 15, to = 38, cap = 2.3 },\n]\n", [
        f"line 28, {L1}.harmonics[0] (us-test): to = 38 must be above order = 15 and odd or even like it"
    ]),
    ('procedures = { us-appendix-z = "" }', 'procedures = ["us-appendix-z"]', [f"line 9, {R}.procedures (us-test): expected a table, found a list"]),
    ('procedures = { us-appendix-z = "" }', 'origin = "house"', [f"line 9, {R}.origin (us-test): unknown key 'origin'. Take it out."]),
    ('procedures = { us-appendix-z = "" }', 'not_available = "unknown"', [
        f"line 1, {R} (us-test): a rule has either limits, or not_available with the reason why it has none"
    ]),
    ("[[rule]]", "[[rules]]", ["line 1, rules: unknown key 'rules': the file holds [[rule]] tables. Write [[rule]].",
                               "rule: rule must be a list of tables. Write [[rule]]."]),
    ("voltage_v = 115,", "voltage_v = 115, min_voltage_v = 110,", [
        f"line 8, {R}.mains[0] (us-test): give either voltage_v with tolerance_ratio, or min_voltage_v"
    ]),
    ("to = 49", "at_least = 1, above = 1, to = 49", [f"line 19, {L0}.bands.basic[1] (us-test): at_least and above exclude each other"]),
    ("basic = [", "low-voltage = []\nbasic = [", [f"line 11, {L0} (us-test): bands.low-voltage has no row"]),
    ("value = 0.1\n", "harmonics = [\n  { order = 3, cap = 1, per_watt = 1, per_watt_over_n = 1 },\n]\n", [
        f"line 28, {L1}.harmonics[0] (us-test): per_watt and per_watt_over_n exclude each other"
    ]),
    ('sense = "max"\nvalue = 0.1\n', 'sense = "min"\nharmonics = [{ order = 3, cap = 1 }]\n', [
        f'line 23, {L1} (us-test): harmonics are upper limits: sense must be "max"'
    ]),
    ("value = 0.1\n", 'times = "contract_v"\nharmonics = [{ order = 3, cap = 1 }]\n', [
        f"line 23, {L1} (us-test): times goes with value or with low and high, not with harmonics"
    ]),
    ("value = 0.1\n", "value = 0.1\ninput_power_above_w = 75\ninput_power_from_w = 75\n", [
        f"line 23, {L1} (us-test): input_power_above_w and input_power_from_w exclude each other"
    ]),
    ("value = 0.1\n", "value = {}\n", [f"line 27, {L1}.value (us-test): expected a number, found a table"]),
    ("value = 0.1\n", "value = []\n", [f"line 27, {L1}.value (us-test): expected a number, found an empty list"]),
    ("value = 0.1\n", "value = 0.1\nlimits = 1\n", [f"line 28, {L1}.limits (us-test): unknown key 'limits'. Take it out."]),
    ("value = 0.1\n", 'value = "0.1', ["not valid TOML: Unterminated string (at end of document)"]),
    ('procedures = { us-appendix-z = "" }', "limits = 1", [f"line 9, {R}.limits (us-test): unknown key 'limits'. Did you mean 'limit'?"]),
    ("market = ", "market ", ["line 4: not valid TOML: Expected '=' after a key in a key/value pair (column 8)"]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("was", "now", "said"),
    BROKEN,
    ids=[row[1].strip().splitlines()[0] if row[1] else "-" + row[0].strip() for row in BROKEN],
)
def test_broken_file(was, now, said):
    assert was in GOOD
    text = GOOD.replace(was, now, 1)
    with pytest.raises(BookError) as error:
        parse_rules(text, "study/rules.toml")
    assert [str(fault) for fault in error.value.faults] == [f"study/rules.toml: {line}" for line in said]


def test_the_good_file_is_good():
    (rule,) = parse_rules(GOOD, "study/rules.toml")
    assert len(rule.limits) == 2
    assert rule.limits[0].bands["basic"][1].a == 0.071


def test_a_date_may_be_written_as_a_date():
    (rule,) = parse_rules(GOOD.replace('"2020-01-01"', "2020-01-01"), "study/rules.toml")
    assert rule.applies_from == "2020-01-01"


def test_an_id_used_twice():
    with pytest.raises(BookError) as error:
        parse_rules(GOOD + GOOD, "study/rules.toml")
    assert str(error.value) == "study/rules.toml: line 29, rule[1].id: rule id 'us-test' is used twice"


def test_all_faults_of_a_file_are_told_at_once():
    text = GOOD.replace('sense = "min"', 'sense = "least"') + GOOD.replace("us-test", "other").replace(
        "value = 0.1", 'value = "x"'
    )
    with pytest.raises(BookError) as error:
        parse_rules(text, "r.toml")
    places = [fault.place for fault in error.value.faults]
    assert places == ["line 14, rule[0].limit[0].sense (us-test)", "line 54, rule[1].limit[1].value (other)"]


def test_an_empty_file_has_no_rules():
    assert parse_rules("# nothing\n", "r.toml") == ()


def test_line_of_a_list_on_one_line():
    text = GOOD.replace("value = 0.1", 'harmonics = [{ order = 3, cap = 2.3 }, { order = 5, cap = "x" }]')
    with pytest.raises(BookError) as error:
        parse_rules(text, "r.toml")
    assert str(error.value) == f"r.toml: line 27, {L1}.harmonics[1].cap (us-test): expected a number, found 'x'"


def test_one_limit_not_written_as_a_list():
    text = GOOD.partition("[[rule.limit]]")[0] + "[rule.limit]\n"
    with pytest.raises(BookError) as error:
        parse_rules(text, "r.toml")
    assert str(error.value) == f"r.toml: line 11, {R}.limit (us-test): expected a list, found a table"
