"""What to tell in which order, and numbers aloud: never surer than they are, and always the number that was meant."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Finding
from brickbook.core.page import Axis, Chart, LimitLine, Series
from brickbook.publish.ledger import Ledger
from brickbook.publish.media.cues import PARTS, chart_for, cues_of, standings
from brickbook.publish.media.sheet import cue_sheet, words_beside
from brickbook.publish.media.speech import (
    figure_aloud,
    limit_aloud,
    number_aloud,
    sure_aloud,
    unit_aloud,
    value_aloud,
)

SMALL = dict(zip(
    ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"], range(20), strict=True,
))  # fmt: skip
TENS = dict(
    zip(["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"], range(20, 100, 10), strict=True)
)
SIZES = {"thousand": 10**3, "million": 10**6, "billion": 10**9, "trillion": 10**12}


def heard(words: str) -> Decimal:
    """The number a listener writes down: an independent way back."""
    sign = -1 if words.startswith("minus ") else 1
    whole, _, decimals = words.removeprefix("minus ").partition(" point ")
    total = group = 0
    for word in whole.replace("-", " ").replace(" and ", " ").split():
        if word in SIZES:
            total, group = total + group * SIZES[word], 0
        elif word == "hundred":
            group *= 100
        else:
            group += SMALL.get(word, TENS.get(word, 0))
    digits = "".join(str(SMALL[word]) for word in decimals.split())
    return sign * Decimal(f"{total + group}" + (f".{digits}" if digits else ""))


@given(st.decimals(min_value=-(10**14), max_value=10**14, places=4, allow_nan=False, allow_infinity=False))
def test_a_number_heard_is_the_number_said(number):
    assert heard(number_aloud(number)) == number


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (0, "zero"),
        ("-0.0", "zero point zero"),
        (100, "one hundred"),
        (1_000_001, "one million and one"),
        (21_342, "twenty-one thousand three hundred and forty-two"),
        ("0.50", "zero point five zero"),
    ],
)
def test_numbers_as_people_say_them(number, words):
    assert number_aloud(number) == words


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "name", "words"),
    [
        # 10.47 is rounded up to 11 and 28.05 down: the examples of JCGM 100:2008 7.2.6
        (0.0604, 0.01047, "Ohm", "", "sixty milliohms, give or take eleven milliohms"),
        (350_000.0, 28_050.0, "Hz", "", "three hundred and fifty kilohertz, give or take twenty-eight kilohertz"),
        (0.89934, 0.0049, "", "efficiency_ratio", "eighty-nine point nine percent, give or take half a percent"),
        (0.95, 0.0011, "", "power_factor_ratio", "zero point nine five zero, give or take zero point zero zero two"),
        (20.0, 0.1, "V", "", "twenty point zero volts, give or take a tenth of a volt"),
        (1.0, 0.0, "W", "", "one watt"),
        (
            0.1276,
            0.0016,
            "W",
            "",
            "one hundred and twenty-seven point six milliwatts, give or take one point six milliwatts",
        ),
        (0.0, 0.0, "s", "", "zero seconds"),
        (-8.68, 0.3, "%", "", "minus eight point seven percent, give or take zero point three percent"),
        (64.9, 1.8, "°C", "", "sixty-four point nine degrees Celsius, give or take one point eight degrees Celsius"),
        (418.32, 0.3, "g", "", "four hundred and eighteen grams, give or take one gram"),
        (0.595, 0.0, "EUR/W", "", "zero point five nine five euros per watt"),
        (math.nan, 0.1, "W", "", "not measured"),
    ],
)
def test_values_aloud(value, uncertainty, unit, name, words):
    assert value_aloud(value, uncertainty, unit, name) == words


@given(
    value=st.floats(1e-6, 1e6),
    relative=st.floats(1e-6, 1.0),
    sign=st.sampled_from([1.0, -1.0]),
)
def test_nothing_sounds_surer_or_other_than_it_is(value, relative, sign):
    said = value_aloud(sign * value, value * relative, "kg")
    number, _, half = said.replace(" kg", "").partition(", give or take ")
    share = {"half a": Decimal("0.5"), "a tenth of a": Decimal("0.1"), "a hundredth of a": Decimal("0.01")}
    spoken = share.get(half.removesuffix(" kg")) or heard(half)
    assert spoken >= Decimal(repr(value * relative)) * Decimal("0.96")
    # what was rounded off the value is no more than half of the last digit spoken
    assert abs(heard(number) - Decimal(repr(sign * value))) <= spoken / 2 * Decimal("1.03")


def test_units_and_limits_aloud():
    assert unit_aloud("µs", one=True) == "microsecond"
    assert unit_aloud("A²s") == "ampere squared seconds"
    assert unit_aloud("furlongs") == "furlongs"
    assert limit_aloud("−5 % to 5 %") == "minus five percent to five percent"
    assert limit_aloud("at most 0.75 mA") == "at most zero point seven five milliamperes"


def test_how_sure():
    assert sure_aloud(math.nan, "meets") == "not judged: the instruments cannot carry a decision"
    assert sure_aloud(0.97, "meets") == "97 % sure that it keeps the limit"
    assert sure_aloud(1e-9, "does not meet") == "more than 99.9 % sure that it misses the limit"
    assert "safe" not in sure_aloud(1.0, "meets")


def figure(name, value, u=0.001, study="standby", **conditions):
    at = Conditions.of(conditions)
    return Figure(
        study, name, value, "W", u, at, "m", (), lower=value - 2 * u, upper=value + 2 * u, coverage_factor=2.0
    )


def finding(of, origin, decision, limit, title, p=0.0):
    return Finding(of.key, title, title, origin, limit, "max", decision, p, "source")


def chart(key, title, **fields):
    return Chart(key, title, "alt", Axis("x"), Axis("power", "W"), series=(Series("s", [0.0], [0.0]),), **fields)


BARE = figure("no_load_power_w", 0.35, mains_v=230, situation="bare")
CABLE = figure("standby_power_w", 0.20, mains_v=230, situation="cable")
HELD = figure("standby_power_w", 0.45, mains_v=230, situation="5 V held")
LOSS = figure("loss_w", 6.0, study="efficiency", port="C1")
CHARTS = {
    "standby": (
        chart("idle", "It takes up to 450 mW with 5 V held"),
        chart("bare", "With nothing plugged in, bare: 350 mW"),
    ),
    "efficiency": (chart("loss-c1", "C1 turns up to 6 W to heat"), chart("loss-c2", "C2 turns up to 5 W to heat")),
}
FINDINGS = (
    finding(CABLE, "standard", "meets", 0.3, "Published, kept", 1.0),
    finding(LOSS, "house", "does not meet", 5.0, "Little heat"),
    finding(BARE, "standard", "does not meet", 0.3, "Published, missed"),
    finding(HELD, "standard", "does not meet", 0.3, "Published, missed"),
    finding(CABLE, "claim", "meets", 0.25, "Claim, kept", 1.0),
    finding(CABLE, "standard", "undecided", 0.2, "Published, close", 0.5),
    finding(BARE, "claim", "does not meet", 0.3, "Claim, missed"),
    finding(HELD, "claim", "does not meet", 0.2, "Claim, missed by more"),
)


def test_cues_stand_in_telling_order():
    figures = (BARE, CABLE, HELD, LOSS)
    words = {"standby/no_load_power_w": "No-load power", "standby/standby_power_w": "Standby power"}
    ledger = Ledger.of(figures, (), words)
    place = standings("here", {"here": LOSS, "b": figure("loss_w", 3.0), "c": figure("loss_w", 2.0)}, "smallest")
    heads = [("Loss", LOSS), ("Standby power", CABLE), ("Mass", figure("mass", 5.0, study="identity"))]
    cues = cues_of(FINDINGS, heads, ledger, CHARTS, {LOSS.key: place})
    parts = [cue.part for cue in cues]
    assert parts == sorted(parts, key=list(PARTS).index)
    assert cues[0].heading == "Standby power (230 V mains, 5 V held)"
    # within a part the furthest from its limit comes first: 0.45 against 0.2, then 0.35 against 0.3
    assert [cue.figure for cue in cues if cue.part == "claim-missed"] == [HELD.key, BARE.key]
    assert [cue.figure for cue in cues if cue.part == "limit-missed"] == [HELD.key, BARE.key]
    assert [cue.figure for cue in cues if cue.part == "apart"] == [LOSS.key]
    assert [cue.figure for cue in cues if cue.part == "open"] == [CABLE.key]
    # a key figure that was told already is not told again
    assert [cue.study for cue in cues if cue.part == "number"] == ["identity"]
    assert cues[-1].heading == "1 published text is met in everything that was measured"
    assert "certificate" in cues[-1].say
    by_figure = {cue.figure: cue.chart for cue in cues}
    assert by_figure[BARE.key] == "bare"
    assert by_figure[HELD.key] == "idle"
    assert by_figure[LOSS.key] == "loss-c1"
    assert next(cue for cue in cues if cue.study == "identity").chart == ""


def test_the_sheet_says_number_picture_and_how_sure():
    ledger = Ledger.of((BARE, CABLE, HELD, LOSS), ())
    cues = cues_of(FINDINGS, [], ledger, CHARTS)
    shown = {c.id: c for own in CHARTS.values() for c in own}
    sheet = cue_sheet("A charger", "A. Tester", cues, shown, {"bare": ("bare-wide-light.png",)})
    assert "[bare-wide-light.png](bare-wide-light.png): With nothing plugged in, bare: 350 mW" in sheet
    said = "No load power: three hundred and fifty milliwatts, give or take two milliwatts. Claim, missed"
    assert f"“{said} asks for at most three hundred milliwatts.”" in sheet
    assert "More than 99.9 % sure that it misses the limit." in sheet
    assert "Nothing here says that the charger is safe" in sheet
    numbers = [line for line in sheet.splitlines() if line.startswith("### ")]
    assert [line.split(".")[0] for line in numbers] == [f"### {k}" for k in range(1, len(cues) + 1)]
    assert cue_sheet("A charger", "A. Tester", (), {}, {}).endswith("Nothing has been measured yet.\n")


def test_texts_not_yet_in_force_are_told_apart():
    ledger = Ledger.of((BARE, HELD), ())
    later = replace(finding(HELD, "standard", "does not meet", 0.1, "Of 2028"), applies_from="2028-12-14")
    now = replace(finding(BARE, "standard", "does not meet", 0.3, "Of 2020"), applies_from="2020-04-01")
    cues = cues_of((later, now), [], ledger, CHARTS, last_reading="2026-10-05")
    assert [(cue.part, cue.figure) for cue in cues] == [("limit-missed", BARE.key), ("later-missed", HELD.key)]
    assert "from 2028-12-14" in cues[1].show
    # without a day nothing is told apart: the one missed by more comes first
    assert [cue.figure for cue in cues_of((later, now), [], ledger, CHARTS)] == [HELD.key, BARE.key]


def test_only_what_clearly_stands_apart_is_told():
    shelf = {"a": figure("loss_w", 1.0, 0.05), "b": figure("loss_w", 1.3, 0.05), "c": figure("loss_w", 2.0, 0.05)}
    lowest = standings("a", shelf, "smallest")
    assert (lowest.end, lowest.good, lowest.of) == ("lowest", True, 3)
    highest = standings("c", shelf, "smallest")
    assert (highest.end, highest.good) == ("highest", False)
    assert standings("b", shelf, "smallest") is None
    near = {**shelf, "b": figure("loss_w", 1.19, 0.05)}  # 1.0 + 0.1 and 1.19 - 0.1 overlap
    assert standings("a", near, "smallest") is None
    assert standings("a", {k: shelf[k] for k in "ab"}, "smallest") is None  # two are no shelf
    assert standings("a", shelf, "") is None
    # of a deviation the size counts: -9 % is the largest, and a small one of either sign the smallest
    signed = {
        "a": figure("deviation", -9.0, 0.05),
        "b": figure("deviation", 2.0, 0.05),
        "c": figure("deviation", 0.05, 0.05),
    }
    worst = standings("a", signed, "smallest", by_size=True)
    assert (worst.end, worst.good) == ("largest", False)
    assert worst.next_text == "(2.00 ±\xa00.10)\xa0W"
    best = standings("c", signed, "smallest", by_size=True)
    assert (best.end, best.good) == ("smallest", True)
    assert standings("b", signed, "smallest", by_size=True) is None


def test_a_chart_is_found_by_its_rarer_words():
    charts = [chart(f"ripple-c{k}", f"C{k} ripples most at 2 A", limits=(LimitLine("1 %", 1.0),)) for k in (1, 2, 3)]
    assert chart_for("ripple C2 20 V", charts) == "ripple-c2"
    assert chart_for("nothing in common", charts) == "ripple-c1"
    assert chart_for("anything", ()) == ""


def test_words_beside_a_picture():
    text = words_beside(chart("a", "It rises"), "Bars are intervals.", "A. Tester")
    assert text == "Title: It rises\nCaption: Bars are intervals.\nAlternative text: alt\nCredit: A. Tester\n"
    assert figure_aloud(BARE).startswith("three hundred and fifty milliwatts")
