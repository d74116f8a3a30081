"""Limits typed a second time, decisions on them, and what the page says before and beside every number."""

import re
import tomllib
from importlib.resources import files

import pytest

from brickbook.core.page import Bars, Caution, Chart, TableBlock, Text
from brickbook.publish.charts import chart_svg
from brickbook.rules import load_rules
from brickbook.studies import isolation
from brickbook.studies.isolation.procedure import CAUTIONS, LEVEL_WORDS, PROCEDURE

TIED = {"polarity": "tied", "test_v": 500, "test_hz": 50, "protection_class": "II"}
OHMS = {"test_dc_v": 500}

# (rule, figure, protection class or "", value, confidence of memory): the published numbers once more
LIMITS = {
    ("iec-62368-1-es1", "touch_current_a", "", 0.5e-3, ""),  # IEC 62368-1 Table 4, ES1: 0.5 mA rms
    ("iec-62368-1-es1", "touch_current_peak_a", "", 0.707e-3, ""),  # Table 4, ES1: 0.707 mA peak, 0.5 sqrt(2)
    ("iec-62368-1-es1", "measured_touch_current_peak_a", "", 0.707e-3, ""),
    ("iec-62368-1-es2", "unweighted_touch_current_a", "", 5e-3, ""),  # Table 4, ES2: 5 mA rms (not the misprint 0.5)
    ("iec-60950-1-touch-current", "touch_current_a", "II", 0.25e-3, ""),  # IEC 60950-1 Table 5A
    ("iec-60950-1-touch-current", "measured_touch_current_a", "II", 0.25e-3, ""),
    ("iec-60950-1-touch-current", "touch_current_a", "I", 0.75e-3, ""),
    ("iec-60950-1-touch-current", "touch_current_a", "I", 3.5e-3, "high"),
    ("iec-60335-1-class-ii", "touch_current_a", "II", 0.25e-3, ""),
    ("iec-60335-1-class-ii", "touch_current_peak_a", "II", 0.35e-3, "medium"),
    ("iec-60065-touch-current", "touch_current_peak_a", "", 0.7e-3, ""),  # U2 = 0.35 V peak over 500 Ohm
    ("din-vde-0701-0702", "touch_current_a", "", 0.5e-3, ""),
    ("din-vde-0701-0702", "measured_touch_current_a", "", 0.5e-3, ""),
    ("din-vde-0701-0702", "insulation_resistance_ohm", "II", 2e6, ""),
    ("din-vde-0701-0702", "insulation_resistance_at_least_ohm", "II", 2e6, ""),
    ("din-vde-0701-0702", "insulation_resistance_ohm", "I", 1e6, ""),
    ("din-vde-0701-0702", "insulation_resistance_at_least_ohm", "I", 1e6, ""),
    ("uk-in-service-older", "touch_current_a", "II", 0.25e-3, ""),
    ("uk-in-service-older", "measured_touch_current_a", "II", 0.25e-3, ""),
    ("uk-in-service-older", "insulation_resistance_ohm", "II", 7e6, ""),
    ("uk-in-service-older", "insulation_resistance_at_least_ohm", "II", 7e6, ""),
    ("uk-in-service-older", "insulation_resistance_ohm", "I", 2e6, ""),
    ("uk-in-service-newer", "insulation_resistance_ohm", "I", 1e6, ""),
    ("as-nzs-3760", "insulation_resistance_ohm", "", 1e6, ""),
    ("as-nzs-3760", "insulation_resistance_at_least_ohm", "", 1e6, ""),
    ("iec-60065-insulation", "insulation_resistance_ohm", "II", 4e6, "medium"),
    ("iec-60065-insulation", "insulation_resistance_at_least_ohm", "II", 4e6, "medium"),
}  # fmt: skip


def test_every_limit_is_the_published_one():
    written = {
        (
            rule.id,
            limit.figure.partition("/")[2],
            str(limit.when.get("protection_class", "")),
            limit.value,
            limit.from_memory,
        )
        for rule in load_rules([isolation.STUDY.package])
        for limit in rule.limits
    }
    assert written == LIMITS


def test_every_rule_has_its_clause_and_dielectric_strength_has_no_number():
    rules = {rule.id: rule for rule in load_rules([isolation.STUDY.package])}
    assert all(rule.source and rule.edition and rule.market for rule in rules.values())
    strength = rules["iec-62368-1-electric-strength"]
    assert strength.limits == ()
    assert "a reduced level does not show dielectric strength" in strength.not_available


def test_figures_of_the_rules_are_figures_of_the_study():
    text = tomllib.loads((files("brickbook.studies.isolation") / "rules.toml").read_text(encoding="utf-8"))
    named = {limit["figure"] for rule in text["rule"] for limit in rule.get("limit", ())}
    assert named <= {f"isolation/{name}" for name in isolation.STUDY.figure_names}


def ac(amps):
    return [
        ("voltage_v", "applied", 500, "V"),
        ("mains_frequency_hz", "", 50, "Hz"),
        ("current_a", "barrier", amps, "uA"),
    ]


def decisions(bench, rows, **conditions):
    found = bench.judge(bench.ask(bench.recording(rows, **conditions)))
    return {(f.rule, f.figure.split("{")[0].removeprefix("isolation/"), f.reading): f.decision for f in found}


@pytest.mark.parametrize(
    ("amps", "es1", "older"),
    [(300, "meets", "meets"), (500, "meets", "does not meet"), (900, "does not meet", "does not meet")],
)
def test_touch_current_against_es1_and_the_older_limit(bench, amps, es1, older):
    """0.300 mA at 500 V 50 Hz is 0.19 mA at 264 V 60 Hz, 0.5 mA is 0.317 and 0.9 mA is 0.570 (times 0.6336)."""
    found = decisions(bench, ac(amps), **TIED)
    assert found["iec-62368-1-es1", "touch_current_a", "rms of a sinusoid"] == es1
    assert found["iec-62368-1-es1", "touch_current_peak_a", "peak"] == es1
    reading = "accessible parts not connected to protective earth"
    assert found["iec-60950-1-touch-current", "touch_current_a", reading] == older
    assert found["iec-62368-1-es2", "unweighted_touch_current_a", "rms of a sinusoid, not weighted"] == "meets"


def test_limits_by_class(bench):
    class_i = {rule for rule, *_ in decisions(bench, ac(300), **{**TIED, "protection_class": "I"})}
    assert "iec-60335-1-class-ii" not in class_i
    unknown = {rule for rule, *_ in decisions(bench, ac(300), polarity="tied", test_v=500, test_hz=50)}
    assert unknown == {"iec-62368-1-es1", "iec-62368-1-es2", "iec-60065-touch-current", "din-vde-0701-0702"}
    notes = bench.ask(bench.recording(ac(300), polarity="tied", test_v=500, test_hz=50)).notes
    assert "limits that differ by class are not judged" in notes[0].text


@pytest.mark.parametrize(
    ("mega", "expected"),
    [
        (0.5, {"as-nzs-3760": "does not meet", "din-vde-0701-0702": "does not meet"}),
        (3, {"as-nzs-3760": "meets", "din-vde-0701-0702": "meets", "iec-60065-insulation": "does not meet"}),
        (5, {"iec-60065-insulation": "meets", "uk-in-service-older": "does not meet"}),
        (100, {"uk-in-service-older": "meets"}),
    ],
)
def test_insulation_resistance(bench, mega, expected):
    found = decisions(bench, [("resistance_ohm", "barrier", mega, "Mohm")], **TIED, **OHMS)
    assert expected.items() <= {rule: decision for (rule, *_), decision in found.items()}.items()


def test_a_range_that_ends_too_low_decides_nothing(bench):
    found = decisions(bench, [("resistance_ohm", "barrier at least", 5, "Mohm")], **TIED, **OHMS)
    assert set(found.values()) == {"not judged"}
    found = decisions(bench, [("resistance_ohm", "barrier at least", 200, "Mohm")], **TIED, **OHMS)
    assert set(found.values()) == {"meets"}


def text_of(section):
    parts = [section.title, section.lead]
    for block in section.blocks:
        if isinstance(block, (Caution, Text)):
            parts.append(block.text)
        elif isinstance(block, TableBlock):
            parts += [
                block.title,
                block.note,
                *block.head,
                *(c for row in block.rows for c in row if isinstance(c, str)),
            ]
        else:
            parts += [block.title, block.alt, block.caption]
    return "\n".join(parts)


@pytest.fixture
def section(bench):
    rows = [*ac(300), ("resistance_ohm", "barrier", 900, "Mohm")]
    sheets = [bench.recording(rows, **TIED, **OHMS)]
    for polarity, amps in (("A", 100), ("B", 40)):
        mains = [
            ("voltage_v", "applied", 230, "V"),
            ("mains_frequency_hz", "", 50, "Hz"),
            ("current_a", "network U2", amps, "uA"),
            ("current_a", "network U2 peak", 2 * amps, "uA"),
        ]
        given = {"polarity": polarity, "running": True, "mains_v": 230, "mains_hz": 50, "protection_class": "II"}
        sheets.append(bench.recording(mains, polarity, **given))
    return bench.page(bench.ask(*sheets))


def test_all_cautions_stand_before_anything_else(section):
    """The nine cautions, whole and first; and before the steps of the procedure."""
    assert len(CAUTIONS) == 9
    assert tuple(block.text for block in section.blocks[:9]) == CAUTIONS
    assert all(isinstance(block, Caution) for block in section.blocks[:10])
    assert PROCEDURE.cautions == CAUTIONS


def test_the_level_stands_beside_the_result(section):
    assert section.blocks[9].text == f"500 V DC and 500 V AC 50 Hz: {LEVEL_WORDS}."
    charts = [b for b in section.blocks if isinstance(b, Chart) and b.id.startswith("isolation-touch-current")]
    assert all(f"500 V AC 50 Hz, {LEVEL_WORDS}." in chart.caption for chart in charts)
    assert LEVEL_WORDS == "reduced level, non-destructive screening; does not verify type-test strength"


def test_what_it_cannot_show_is_said_plainly(section):
    text = text_of(section)
    for words in ("It cannot reveal", "Dielectric strength", "Clearance and creepage", "quality of any insulation"):
        assert words in text
    assert "certification, local codes and licensed practice decide" in section.lead


def test_nothing_is_called_safe(bench, section):
    for shown in (section, bench.page(bench.ask())):
        assert not re.search(
            r"\b(is|are|was|be|seems?|proven|proved|perfectly) safe\b|\bsafe to\b|\bcompl(y|ies)\b",
            text_of(shown),
            re.IGNORECASE,
        )
        assert "No statement on safety follows" in shown.lead


def test_without_readings_the_page_still_warns(bench):
    section = bench.page(bench.ask())
    assert section.lead.startswith("Isolation was not measured.")
    assert tuple(block.text for block in section.blocks) == CAUTIONS


def test_the_chart_shows_the_worlds_mains(section):
    chart = next(b for b in section.blocks if isinstance(b, Chart) and b.id == "isolation-touch-current")
    assert [s.name for s in chart.series] == ["50 Hz", "60 Hz"]
    assert all(min(s.x) == 100 and max(s.x) == 264 and min(s.u_y) > 0 for s in chart.series)
    assert [line.y for line in chart.limits] == [500.0, 250.0]
    assert chart.title.startswith("Up to 189 µA expected, at 264 V 60 Hz")
    drawn = chart_svg(chart)
    assert all(words in drawn for words in ("50 Hz", "60 Hz", "IEC 62368-1 ES1", "older standards"))


def test_both_polarities_are_shown(section):
    chart = next(b for b in section.blocks if isinstance(b, Chart) and b.id == "isolation-polarity")
    assert isinstance(chart.bars, Bars)
    assert chart.bars.labels == ("polarity A", "polarity B")
    assert chart.title == "Polarity A lets 83 µA more through"  # 60 uA x 264/230 x 1.2 x 0.99623/0.99738 = 82.55
    assert "polarity B" in chart_svg(chart)
    mains = next(
        b for b in section.blocks if isinstance(b, TableBlock) and b.title.startswith("Touch current expected")
    )
    assert mains.head[1:4] == ("Both pins tied", "Polarity A", "Polarity B")
    assert "tingle" in " ".join(str(row[-1]) for row in mains.rows)
