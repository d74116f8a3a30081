"""What ports offer, against words whose decode is written out (USB PD layouts by way of public headers)."""

from __future__ import annotations

import pytest

from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.page import Chart, TableBlock
from brickbook.core.study import Evidence, Mains, Settings, View
from brickbook.core.table import RawFile, Recording
from brickbook.readers import read_observations
from brickbook.rules import judge, load_rules
from brickbook.studies.modes import STUDY

HEAD = "occupied,port,kind,words,voltage_v,current_a,protocol,drawn_v,drawn_a,instrument,interrupted,note"
FIVE, NINE, NINE_CUT, FIFTEEN, TWENTY = "0x0801912C", "0x0002D12C", "0x0002D0DE", "0x0004B12C", "0x000640E1"
SETTINGS = Settings((Mains(230.0, 50.0),))


def fixed(*pairs, kind="fixed"):
    return tuple(Output(kind=kind, current_a=a, voltage_v=v) for v, a in pairs)


def charger(*more, power_w=45.0, outputs=None):
    stated = outputs or fixed((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 2.25))
    ports = (
        Port("C1", "usb-c", stated, power_w=power_w),
        Port("A1", "usb-a", fixed((5.0, 2.4), kind="legacy")),
        *more,
    )
    return Charger("T", "T (invented)", "T1", Nameplate(60.0), ports, Sample("bought"))


def evidence(*rows, unit=None, percent=0.5):
    text = "\n".join((HEAD, *rows))
    tables = read_observations(text.encode(), name="offers.csv", raw=RawFile("offers.csv", "0" * 64))
    log = Recording("offers", ("modes",), tables, Conditions())
    lines = tuple(Accuracy(quantity=q, percent_reading=percent) for q in ("port_voltage_v", "port_current_a"))
    return Evidence(unit or charger(), SETTINGS, {"load": Instrument(role="dc-load", accuracy=lines)}, (log,))


def words(occupied, *words_):
    return f"{occupied},C1,,{' '.join(words_)},,,,,,,,"


def named(outcome, name, **when):
    return [f for f in outcome.figures if f.name == name and f.conditions.matches(when)]


def findings(given, outcome):
    return judge(outcome.figures, load_rules([STUDY.package]), given.charger, SETTINGS)


def test_offers_are_copied_without_uncertainty():
    outcome = STUDY.figures(evidence(words("C1", FIVE, NINE, FIFTEEN, TWENTY)))
    (power,) = named(outcome, "offered_power_w")
    assert (power.value, power.u, power.unit) == (45.0, 0.0, "W")
    assert power.sources[0].first == 2
    currents = {f.conditions["contract"]: f.value for f in named(outcome, "offered_current_a")}
    assert currents == {"5 V": 3.0, "9 V": 3.0, "15 V": 3.0, "20 V": 2.25}
    assert not [n for n in outcome.notes if n.severity == "warning"]


def test_a_port_alone_that_offers_less_does_not_meet_its_makers_word():
    given = evidence(words("C1", FIVE, NINE_CUT, FIFTEEN, TWENTY))
    outcome = STUDY.figures(given)
    (ratio,) = named(outcome, "offered_to_claimed_ratio", contract="9 V")
    assert ratio.value == pytest.approx(2.22 / 3.0)
    bad = [f.figure for f in findings(given, outcome) if f.decision == "does not meet"]
    assert ratio.key in bad
    assert any("9 V 2.22 A of 3 A" in n.text and n.severity == "warning" for n in outcome.notes)


def test_less_in_company_is_told_and_not_judged():
    given = evidence(words("C1", FIVE, NINE, FIFTEEN, TWENTY), words("C1+A1", FIVE, NINE_CUT))
    outcome = STUDY.figures(given)
    (power,) = named(outcome, "offered_power_w", occupied="A1+C1")
    assert power.value == pytest.approx(19.98)
    assert all(f.decision == "meets" for f in findings(given, outcome))
    told = [n.text for n in outcome.notes]
    assert "with A1+C1 in use, C1 offers less than its maker states for the port: 9 V 2.22 A of 3 A" in told
    assert any("does not offer 15 V 3 A, 20 V 2.25 A" in text for text in told)


def test_a_stated_mode_that_is_missing_is_found():
    given = evidence(words("C1", FIVE, NINE, TWENTY))
    outcome = STUDY.figures(given)
    (ratio,) = named(outcome, "offered_to_claimed_ratio", contract="15 V")
    assert ratio.value == 0.0
    assert any("C1 alone does not offer 15 V 3 A" in n.text and n.severity == "warning" for n in outcome.notes)


def test_a_mode_beyond_the_stated_ones_is_told():
    outcome = STUDY.figures(evidence(words("C1", FIVE, NINE, FIFTEEN, TWENTY, "0xC0DC213C")))
    assert any("C1 offers PPS 3.3–11 V 3 A, which its maker does not state" in n.text for n in outcome.notes)
    # 11 V x 3 A is no power the port promises
    assert named(outcome, "offered_power_w")[0].value == 45.0


def test_capabilities_against_the_specification():
    """33.2 W at 20 V asks for 3 A at 9 V: the PDP table, 3 A at each lower standard voltage up to 45 W and beyond."""
    given = evidence(words("C1+A1", FIVE, NINE_CUT, "0x0004B0DD", "0x000640A6"))
    outcome = STUDY.figures(given)
    (faults,) = named(outcome, "specification_faults")
    assert faults.value == 1.0
    assert any("9 V is offered with 2.22 A; 33.2 W requires 3 A" in n.text for n in outcome.notes)
    (bad,) = [f for f in findings(given, outcome) if f.rule == "usb-pd-source-capabilities"]
    assert bad.decision == "does not meet"


def test_a_first_object_that_is_not_5_v():
    outcome = STUDY.figures(evidence(words("C1", NINE, FIFTEEN, TWENTY)))
    assert named(outcome, "specification_faults")[0].value >= 1.0


def test_drawn_power_has_the_instruments_uncertainty():
    """Independent bounds of 0.5 % of reading: u of each 0.5 %/sqrt(3); of the product sqrt(2) times that."""
    row = "C1,C1,fixed,,20,,,19.80,2.25,load,,"
    outcome = STUDY.figures(evidence(words("C1", FIVE, NINE, FIFTEEN, TWENTY), row))
    (power,) = named(outcome, "drawn_power_w")
    assert power.value == pytest.approx(44.55)
    assert power.u == pytest.approx(44.55 * 0.005 * (2 / 3) ** 0.5, rel=1e-3)
    assert power.conditions["contract"] == "20 V"


def test_a_drawn_reading_without_instrument_is_refused_with_its_line():
    outcome = STUDY.figures(evidence("C1,C1,fixed,,20,,,19.80,2.25,,,"))
    assert not named(outcome, "drawn_power_w")
    assert any(n.text.startswith("offers.csv: line 2: no instrument ''") for n in outcome.notes)


def test_an_older_mode_by_hand():
    outcome = STUDY.figures(evidence("A1,A1,legacy,,5,2.4,BC 1.2 DCP,,,,,"))
    (current,) = named(outcome, "offered_current_a")
    assert (current.value, current.conditions["contract"], current.conditions["output_kind"]) == (
        2.4,
        "legacy 5 V",
        "legacy",
    )
    assert "BC 1.2 DCP" in current.method


def test_epr_capabilities_with_fillers():
    """140 W: object 8 is 28 V 5 A, object 9 AVS of 140 W; positions 5 to 7 are empty."""
    stated = (
        *fixed((5.0, 3.0), (9.0, 3.0), (15.0, 3.0), (20.0, 5.0), (28.0, 5.0)),
        Output(kind="epr-avs", current_a=5.0, min_voltage_v=15.0, max_voltage_v=28.0),
    )
    unit = charger(power_w=140.0, outputs=stated)
    text = words("C1", "0x0881912C", NINE, FIFTEEN, "0x000641F4", "0", "0", "0", "0x0008C1F4", "0xD230968C")
    outcome = STUDY.figures(evidence(text, unit=unit))
    assert named(outcome, "offered_power_w")[0].value == 140.0
    assert {f.value for f in named(outcome, "offered_to_claimed_ratio")} == {1.0}


def test_new_capabilities_replace_the_ones_before():
    outcome = STUDY.figures(evidence(words("C1", FIVE, NINE, FIFTEEN, TWENTY), words("C1", FIVE, NINE)))
    assert named(outcome, "offered_power_w")[0].value == 27.0


def test_a_port_that_is_not_in_charger_toml():
    outcome = STUDY.figures(evidence("C9,C9,legacy,,5,2.4,,,,,,"))
    assert outcome.figures == ()
    assert "'C9'" in outcome.notes[0].text


def test_the_page_says_what_changes():
    given = evidence(
        words("C1", FIVE, NINE, FIFTEEN, TWENTY),
        words("C1+A1", FIVE, NINE_CUT)[:-1] + "yes,",
        "A1,A1,legacy,,5,2.4,BC 1.2 DCP,,,,,",
    )
    outcome = STUDY.figures(given)
    section = STUDY.page(
        View(
            given.charger, SETTINGS, outcome.figures, findings(given, outcome), outcome.notes, lambda: given.recordings
        )
    )
    tables = {b.title: b for b in section.blocks if isinstance(b, TableBlock)}
    assert [row[-1] for row in tables["C1 alone"].rows] == ["as stated"] * 4
    (company,) = tables["C1 with others in use"].rows
    assert "9 V 2.22 A instead of 3 A; no 15 V; no 20 V" in company
    assert "yes" in company
    assert "legacy 5 V (BC 1.2 DCP)" in tables["A1 alone"].rows[0]
    (chart,) = [b for b in section.blocks if isinstance(b, Chart)]
    assert chart.bars is not None
    assert chart.bars.labels == ("C1", "A1")
    assert chart.bars.values[0] == pytest.approx((19.98, 12.0))
    assert section.lead == (
        "Alone, every one of the 5 outputs stated by the maker is offered; with other ports in use, C1 offers less."
    )


def test_the_page_of_a_charger_that_was_not_looked_at():
    section = STUDY.page(View(charger(), SETTINGS, (), (), ()))
    assert section.blocks == ()
    assert section.lead == "What the ports offer was not written down."
