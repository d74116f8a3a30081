"""Drafted conclusions: every sentence rests on figures that are there, and says no more than was found."""

from __future__ import annotations

import json
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.commands.show import show
from brickbook.core.charger import Claim
from brickbook.core.errors import BookError
from brickbook.core.figure import Finding
from brickbook.library.conclusion import PARTS, draft_conclusion, finding_id
from brickbook.library.devices import Device
from brickbook.library.drafts import read_conclusion, refresh_conclusions
from brickbook.library.opinion import Buyer, Opinion, Weighing, read_opinion
from brickbook.library.standing import Standing
from brickbook.publish.numbers import value_text
from brickbook.rules import parse_rules

HOUSE = """
[[rule]]
id = "house-a"
title = "First of mine"
[[rule.limit]]
figure = "standby/no_load_power_w"
quantity = "no_load_power"
sense = "max"
value = 0.1
weight = 3.0
[[rule]]
id = "house-b"
title = "Second of mine"
[[rule.limit]]
figure = "regulation/voltage_deviation_ratio"
quantity = "voltage_deviation"
sense = "range"
low = -0.05
high = 0.05
weight = 1.0
"""
OPINION = """
[conclusion]
recommend_from_ratio = 0.8
advise_against_below_ratio = 0.5
published_limits_weight = 0.0
claim_weight = 2.0
[[buyer]]
who = "someone with one phone"
rules = ["house-a"]
device = [{ name = "phone", power_w = 20.0, most_voltage_v = 9.5 }]
"""
WORD = re.compile(r"\bsafe(ly|r|st)?\b", re.IGNORECASE)


@pytest.fixture(scope="module")
def figures(made):
    return [
        made.figure("standby", "no_load_power_w", 0.12, 0.001, situation="bare", mains_v=230.0, mains_hz=50.0),
        made.figure("standby", "no_load_power_w", 0.08, 0.001, situation="bare", mains_v=115.0, mains_hz=60.0),
        made.figure("regulation", "voltage_deviation_ratio", 0.02, 0.001, unit="", port="C1", output_v=20.0),
        made.figure("efficiency", "average_active_efficiency_ratio", 0.88, 0.002, unit="", ports="C1"),
    ]


def finding(figure, decision, *, origin="house", rule="house-a", title="First of mine", limit=0.1, market="",
            applies_from="", p=0.5):  # fmt: skip
    return Finding(figure.key, rule, title, origin, limit, "max", decision, p, "a clause", market=market,
                   applies_from=applies_from)  # fmt: skip


def draft(made, figures, findings, **more):
    defaults = {"say": value_text, "house": parse_rules(HOUSE, "house-rules.toml", "house"),
                "opinion": read_opinion(HOUSE + OPINION)}  # fmt: skip
    return draft_conclusion(made.charger("alder"), figures, findings, **(defaults | more))


def of_kind(conclusion, kind):
    return [s for s in conclusion.sentences if s.kind == kind]


@given(data=st.data())
def test_no_sentence_says_more_than_was_found(made, figures, data):
    """Whatever is decided: figures are there, faults were missed, merits were kept, what is open is told as open."""
    findings = data.draw(
        st.lists(
            st.builds(
                finding,
                st.sampled_from(figures),
                st.sampled_from(("meets", "does not meet", "undecided", "not judged")),
                origin=st.sampled_from(("house", "claim", "standard")),
                rule=st.sampled_from(("house-a", "house-b", "r-1", "r-2")),
                title=st.sampled_from(("One", "Two", "Three")),
                market=st.sampled_from(("", "common practice", "European Union")),
                applies_from=st.sampled_from(("", "2020-01-01", "2030-01-01")),
                p=st.floats(0.0, 1.0),
            ),
            max_size=25,
        )
    )
    conclusion = draft(made, figures, findings, day="2026-10-03")
    keys = {f.key for f in figures}
    decided = {}
    for one in findings:
        decided.setdefault(finding_id(one), set()).add(one.decision)
    for sentence in conclusion.sentences:
        assert set(sentence.figures) <= keys
        assert sentence.figures or sentence.kind in ("not measured", "perhaps for")
        assert set(sentence.findings) <= set(decided)
        if sentence.kind in ("wrong", "later", "yardstick", "not for"):
            assert all("does not meet" in decided[f] for f in sentence.findings)
        if sentence.kind in ("right", "for"):
            assert all("meets" in decided[f] for f in sentence.findings)
        if sentence.kind == "open":
            assert all("undecided" in decided[f] for f in sentence.findings)
        assert not WORD.search(sentence.text)
        assert sentence.text.endswith(".")
    told = {f for s in conclusion.sentences if s.kind in ("wrong", "later", "yardstick") for f in s.findings}
    assert told == {finding_id(f) for f in findings if f.decision == "does not meet"}
    if conclusion.judgement:
        assert 0.0 <= conclusion.kept_low_ratio <= conclusion.kept_high_ratio <= 1.0


@pytest.mark.parametrize(
    ("a", "b", "claim", "judgement", "low", "high"),
    [
        ("meets", "meets", "meets", "worth buying", 1.0, 1.0),
        ("meets", "does not meet", "meets", "worth buying", 5 / 6, 5 / 6),
        ("meets", "meets", "does not meet", "worth buying with reservations", 4 / 6, 4 / 6),
        ("does not meet", "meets", "does not meet", "not worth buying", 1 / 6, 1 / 6),
        ("undecided", "meets", "meets", "undecided", 0.5, 1.0),
        ("does not meet", "undecided", "undecided", "undecided", 0.0, 0.5),
        ("not judged", "meets", "does not meet", "not worth buying", 1 / 3, 1 / 3),
    ],
)
def test_weights_by_hand(made, figures, a, b, claim, judgement, low, high):
    """Weights 3, 1 and 2; marks at 0.8 and 0.5."""
    findings = [
        finding(figures[0], a),
        finding(figures[2], b, rule="house-b", title="Second of mine"),
        finding(figures[3], claim, origin="claim", rule="claim:x", title="Says"),
    ]
    found = draft(made, figures, findings)
    assert (found.judgement, found.kept_low_ratio, found.kept_high_ratio) == (
        judgement, pytest.approx(low), pytest.approx(high),
    )  # fmt: skip


def test_published_limits_count_once_and_only_those_in_force(made, figures):
    opinion = Opinion(Weighing(published_limits_weight=1.0))
    missed = finding(figures[3], "does not meet", origin="standard", rule="law", title="Law")
    kept = finding(figures[0], "meets", origin="standard", rule="other", title="Other law")
    assert draft(made, figures, [missed, kept], opinion=opinion).kept_low_ratio == 0.0
    for soft in ({"market": "common practice"}, {"market": "Europe (voluntary)"}, {"applies_from": "2028-12-14"}):
        later = finding(figures[3], "does not meet", origin="standard", rule="law", title="Law", **soft)
        found = draft(made, figures, [later, kept], opinion=opinion, day="2026-10-03")
        assert found.kept_low_ratio == 1.0
        assert not of_kind(found, "wrong")
    assert "from 2028-12-14 on" in of_kind(found, "later")[0].text


def test_how_much_and_how_sure(made, figures):
    wrong = finding(figures[0], "does not meet", p=0.0004)
    text = of_kind(draft(made, figures, [wrong]), "wrong")[0].text
    half = value_text(0.12, (figures[0].upper - figures[0].lower) / 2, "W")
    assert half in text
    assert "at most 0.1" in text
    assert re.search(r"\(20\.0 ±.2\.\d\).mW above it", text)
    assert "under 0.1 %" in text
    percent = finding(figures[3], "does not meet", limit=0.8)
    assert "percentage points above it" in of_kind(draft(made, figures, [percent]), "wrong")[0].text


def test_the_rest_is_counted_not_dropped(made):
    figures = [made.figure("standby", "no_load_power_w", 0.2, 0.001, situation=f"s{k}") for k in range(9)]
    findings = [finding(f, "does not meet", rule=f"r-{k}", title=f"Rule {k}") for k, f in enumerate(figures)]
    sentences = of_kind(draft(made, figures, findings), "wrong")
    assert len(sentences) == 7
    assert "3 findings" in sentences[-1].text
    assert {f for s in sentences for f in s.findings} == {finding_id(f) for f in findings}


def test_buyers(made):
    """A phone of 20 W at 9 V: measured to 27 W, measured to 10 W, and by the maker's word only."""

    def seen(amps, watts):
        return [
            *(
                made.figure("regulation", "output_voltage_v", 9.0, 0.01, unit="V", port="C1", contract="9 V",
                            output_v=9.0, load_a=load, measured_at="receptacle", point=f"{load}")
                for load in (0.0, amps)
            ),
            made.figure("modes", "offered_power_w", watts, 0.0, port="C1", occupied="C1"),
            made.figure("modes", "offered_current_a", amps, 0.0, unit="A", port="C1", occupied="C1", output_v=9.0,
                        output_kind="fixed"),
            made.figure("standby", "no_load_power_w", 0.05, 0.001, situation="bare"),
        ]  # fmt: skip

    charger = made.charger("alder", ports=1)
    opinion = Opinion(Weighing(), (Buyer("me", (Device("phone", 20.0, most_voltage_v=9.5),), ("house-a",)),))

    def kinds(figures, findings):
        found = draft_conclusion(charger, figures, findings, say=value_text, opinion=opinion)
        return [(s.kind, s.text) for s in found.sentences if s.kind in ("for", "not for", "perhaps for")]

    good, weak = seen(3.0, 27.0), seen(1.1, 10.0)
    kept = finding(good[-1], "meets")
    assert kinds(good, [kept]) == [
        ("for", "Worth buying for me: the phone gets 20 W at C1 (9 V). “First of mine” is kept.")
    ]
    assert [k for k, _ in kinds(weak, [kept])] == ["not for"]
    assert [k for k, _ in kinds(good, [finding(good[-1], "does not meet")])] == ["not for"]
    assert [k for k, _ in kinds(good, [finding(good[-1], "undecided")])] == ["perhaps for"]
    assert [k for k, _ in kinds(good, [])] == ["perhaps for"]  # the rule was not measured
    only_word = kinds(good[-1:], [kept])
    assert only_word == [("perhaps for", "Not told for me: what its ports offer was not measured.")]
    # within the uncertainty of nine tenths of its wish: 18 W of 18.0 ± 0.05 W
    edge = [*seen(2.0, 18.0)]
    assert [k for k, _ in kinds(edge, [kept])] == ["perhaps for"]


def test_where_it_stands(made, figures):
    key = figures[0].key
    standing = Standing("No-load power", key, 10, 2, 5, (3, 5))
    text = of_kind(draft(made, figures, [], standings=[standing]), "shelf")[0].text
    assert "surely better than 5 and surely worse than 2 of 9 other chargers" in text
    assert "place 3 to 5 of 10" in text
    alike = draft(made, figures, [], standings=[Standing("No-load power", key, 10, 0, 0, (1, 10))])
    assert "Not told apart" in of_kind(alike, "shelf")[0].text
    assert not of_kind(draft(made, figures, [], standings=[Standing("x", key, 1, 0, 0, (1, 1))]), "shelf")


def test_what_was_not_measured(made, figures):
    claim = Claim("soak/case_temperature_rise_k", "max", 45.0, "Stays cool", "box")
    found = draft(made, figures, [], unmeasured=[claim], studies_without=["Soak", "USB PD"])
    assert [s.text for s in of_kind(found, "not measured")] == [
        "Claims of the maker that were not measured: “Stays cool”.",
        "Nothing was measured of: soak, USB PD.",
    ]
    empty = draft(made, [], [])
    assert (empty.judgement, empty.sentences) == ("", ())
    assert math.isnan(empty.kept_low_ratio)


def test_drafts_on_disk(shelf_book, made, capsys):
    book = shelf_book
    (book.root / "house-rules.toml").write_text(HOUSE + OPINION, encoding="utf-8")
    verdict = book.root / "chargers" / "alder" / "verdict.md"
    verdict.write_text("My own words.\n", encoding="utf-8")
    assert read_conclusion(book, "alder") is None
    assert set(refresh_conclusions(book, say=value_text)) == {"alder", "birch", "cedar"}
    assert refresh_conclusions(book, say=value_text) == ()
    found = read_conclusion(book, "alder")
    assert [part.title for part in found.parts] == [t for t, _ in PARTS if t in {p.title for p in found.parts}]
    keys = {f.key for f in made.figures_of(*made.shelf["alder"])}
    assert all(set(s.figures) <= keys for s in found.sentences)
    shelf = [s.text for s in of_kind(found, "shelf")]
    assert any("surely worse than 2" in text and "efficiency" in text.lower() for text in shelf)
    assert "My own words." not in (book.derived("alder") / "conclusion.md").read_text(encoding="utf-8")
    assert verdict.read_text(encoding="utf-8") == "My own words.\n"
    # a new neighbour changes where all stand
    made.put(book, "dogwood", (0.02, 0.95, 80.0, 0.4))
    assert set(refresh_conclusions(book, say=value_text)) == {"alder", "birch", "cedar", "dogwood"}
    show("alder", conclusion=True, json=True, book=book.root)
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "My own words.\n"
    show("alder", conclusion=True, book=book.root)
    assert "My own words." in capsys.readouterr().out
    (book.derived("alder") / "conclusion.json").write_text("[", encoding="utf-8")
    with pytest.raises(BookError, match="made again"):
        read_conclusion(book, "alder")
    assert refresh_conclusions(book, say=value_text) == ("alder",)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[conclusion]\nrecommend_from_ratio = 1.5\n", "recommend_from_ratio"),
        ("[conclusion]\nrecomend_from_ratio = 0.5\n", "Did you mean 'recommend_from_ratio'"),
        ("[conclusion]\nadvise_against_below_ratio = 0.9\n", "is above"),
        ('[[buyer]]\nwho = "me"\n', r"buyer\[0\].device: is missing"),
        ('[[buyer]]\nwho = "me"\nrules = ["none"]\ndevice = [{ name = "a", power_w = 5.0 }]\n', "no house rule 'none'"),
        ('[[buyer]]\nwho = "me"\ndevice = [{ name = "a", power_w = 5.0 }, { name = "a", power_w = 5.0 }]\n', "twice"),
        ("[[buyer", "not valid TOML"),
    ],
)
def test_wrong_opinions(text, words):
    with pytest.raises(BookError, match=words):
        read_opinion(text)


def test_rules_and_opinion_share_a_file():
    assert [rule.id for rule in parse_rules(HOUSE + OPINION, "house-rules.toml", "house")] == ["house-a", "house-b"]
    with pytest.raises(BookError, match="unknown key 'conclusion'"):
        parse_rules("[conclusion]\n", "rules.toml")
