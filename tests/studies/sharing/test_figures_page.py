"""The sharing study on the example sheets: groups, the maker's table and budgets, what is shown."""

from __future__ import annotations

import dataclasses
import tomllib
from importlib.resources import files

import pytest

from brickbook.core.charger import Budget, Charger, Nameplate, Output, Port, Sample, SharedOutput
from brickbook.core.conditions import Conditions
from brickbook.core.page import Chart, TableBlock, Text
from brickbook.core.study import Evidence, Mains, Settings, View
from brickbook.core.table import RawFile, Recording
from brickbook.demo import CHARGERS
from brickbook.demo.observations import observations
from brickbook.readers import read_observations
from brickbook.studies.sharing import STUDY
from brickbook.studies.sharing.gathering import offered_power_w

SETTINGS = Settings((Mains(230.0, 50.0),))
HEAD = "occupied,port,kind,words,voltage_v,current_a"


def example(slug):
    """The charger as its file describes it; the test builds it without the book's reader."""
    text = (files("brickbook.demo") / "scenario" / slug / "charger.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    return Charger(
        data["name"],
        data["maker"],
        data["model"],
        Nameplate(**data["nameplate"]),
        tuple(Port(**{**p, "outputs": tuple(Output(**o) for o in p["outputs"])}) for p in data["ports"]),
        Sample(**data["sample"]),
        budgets=tuple(Budget(tuple(b["ports"]), b["power_w"], b.get("name", "")) for b in data.get("budgets", ())),
        sharing=tuple(SharedOutput(tuple(s["ports"]), tuple(s["power_w"])) for s in data.get("sharing", ())),
    )


def recording(text, studies=("sharing",)):
    tables = read_observations(text.encode(), name="offers.csv", raw=RawFile("offers.csv", "0" * 64))
    return Recording("offers", studies, tables, Conditions())


def shown(unit, log):
    outcome = STUDY.figures(Evidence(unit, SETTINGS, {}, (log,)))
    section = STUDY.page(View(unit, SETTINGS, outcome.figures, (), outcome.notes, lambda: (log,)))
    return outcome, section


def of_example(slug):
    (raw,) = observations(CHARGERS[slug])
    return shown(example(slug), recording(raw.data.decode()))


def test_the_three_groups_of_albatross_200_are_found():
    unit = example("albatross-200")
    outcome, section = of_example("albatross-200")
    budgets = {f.conditions["group"]: f for f in outcome.figures if f.name == "group_budget_w"}
    # what charger.toml states, in the order of its ports
    assert {key: round(f.value) for key, f in budgets.items()} == {
        "+".join(b.ports): round(b.power_w) for b in unit.budgets
    }
    assert all(f.lower <= b.power_w <= f.upper for b in unit.budgets for f in [budgets["+".join(b.ports)]])
    assert not [n for n in outcome.notes if n.severity == "warning"]
    assert section.lead == "C2 and C3 share 45 W; A1 and A2 share 15 W; C1 keeps its own power."
    looked = next(f for f in outcome.figures if f.name == "groups_certainty_ratio")
    assert looked.conditions["combinations"] < 31 / 2
    assert looked.value > 0.95


def test_plover_67_against_its_makers_table():
    outcome, section = of_example("plover-67")
    ratios = [f.value for f in outcome.figures if f.name == "offered_to_stated_ratio"]
    assert ratios == pytest.approx([1.0, 1.0], abs=0.002)
    tables = {b.title: b for b in section.blocks if isinstance(b, TableBlock)}
    assert [row[:4] for row in tables["The maker's sharing table"].rows] == [
        ("C1 + C2", "C1", "46 W", "46 W"),
        ("C1 + C2", "C2", "21 W", "21 W"),
    ]


def test_heron_120_serves_its_first_port_first():
    _, section = of_example("heron-120")
    tables = {b.title: b for b in section.blocks if isinstance(b, TableBlock)}
    ((ports, _, how, _),) = tables["Which ports share"].rows
    assert ports == "C1, C2 and A1"
    assert how.startswith("C1 first")
    foretold = {row[0]: row for row in tables["Power offered in every combination"].rows}["C2 + A1"]
    assert foretold[-1] == "foretold"
    assert foretold[1:4] == ("", "45", "18")


def test_what_a_second_device_does():
    _, section = of_example("albatross-200")
    tables = {b.title: b for b in section.blocks if isinstance(b, TableBlock)}
    effects = {row[0]: row[1:] for row in tables["What a second device does to the first"].rows}
    assert effects["C2"] == ("keeps", "–", "45 → 22.5 W", "keeps", "keeps")
    assert effects["C1"] == ("–", "keeps", "keeps", "keeps", "keeps")


def test_bars_stand_for_what_was_seen():
    _, section = of_example("plover-67")
    (chart,) = [b for b in section.blocks if isinstance(b, Chart)]
    assert chart.bars is not None
    assert chart.bars.labels == ("C1", "C2", "C1 + C2")
    assert [list(v) for v in chart.bars.values] == [[67.0, 0.0, 46.0], [0.0, 30.0, 21.0]]


def two_ports(**more):
    output = (Output(kind="fixed", current_a=3.0, voltage_v=20.0),)
    ports = (Port("C1", "usb-c", output), Port("C2", "usb-c", output))
    return dataclasses.replace(Charger("T", "T (invented)", "T1", Nameplate(60.0), ports, Sample("bought")), **more)


def test_a_stated_budget_that_is_not_there():
    text = f"{HEAD}\nC1+C2,C1,fixed,,20,3\nC1+C2,C2,fixed,,20,3\nC1,C1,fixed,,20,3\nC2,C2,fixed,,20,3\n"
    outcome, _ = shown(two_ports(budgets=(Budget(("C1", "C2"), 60.0, "all"),)), recording(text))
    assert any("budget 'all' of C1 and C2 was not found: the groups are C1; C2" in n.text for n in outcome.notes)


def test_a_stated_budget_that_is_smaller_than_said():
    text = f"{HEAD}\nC1+C2,C1,fixed,,20,1.5\nC1+C2,C2,fixed,,20,1.5\nC1,C1,fixed,,20,3\nC2,C2,fixed,,20,3\n"
    outcome, _ = shown(two_ports(budgets=(Budget(("C1", "C2"), 75.0, "all"),)), recording(text))
    assert any("the most that C1 and C2 are offered is 60 W, less than the 75 W" in n.text for n in outcome.notes)


def test_readings_that_contradict_each_other_make_no_rule():
    text = f"{HEAD}\nC1+C2,C1,fixed,,20,3\nC1+C2,C2,fixed,,20,1\n"
    other = recording(f"{HEAD}\nC1+C2,C1,fixed,,20,1\nC1+C2,C2,fixed,,20,3\n")
    unit = two_ports()
    outcome = STUDY.figures(Evidence(unit, SETTINGS, {}, (recording(text), other)))
    assert all(
        f.flags == ("not judged: readings contradict each other",)
        for f in outcome.figures
        if f.name.endswith("certainty_ratio")
    )
    logs = (recording(text), other)
    section = STUDY.page(View(unit, SETTINGS, outcome.figures, (), outcome.notes, lambda: logs))
    assert section.lead.startswith("The readings contradict each other")
    assert not [b for b in section.blocks if isinstance(b, TableBlock)]


def test_what_is_to_be_looked_at_next_is_told():
    outcome, section = shown(two_ports(), recording(f"{HEAD}\nC1+C2,C1,fixed,,20,1.5\nC1+C2,C2,fixed,,20,1\n"))
    assert any(n.text.startswith("look next at C") for n in outcome.notes)
    last = section.blocks[-1]
    assert isinstance(last, Text)
    assert "The fewest combinations that would settle what is open: C1; C2." in last.text
    assert "the maker's word" in last.text


def test_a_charger_of_one_port_has_nothing_to_share():
    unit = dataclasses.replace(two_ports(), ports=two_ports().ports[:1])
    outcome, section = shown(unit, recording(f"{HEAD}\nC1,C1,fixed,,20,3\n"))
    assert "one port has nothing to share" in [n.text for n in outcome.notes]
    assert section.lead == "The charger has one port."


def test_a_sheet_without_offers():
    outcome, section = shown(two_ports(), recording(f"{HEAD}\nC9,C9,fixed,,20,3\n"))
    assert outcome.figures == ()
    assert section.blocks == ()


def test_a_pps_range_is_no_power_of_the_port():
    """A 45 W port with PPS to 16 V 3 A is a 45 W port."""
    log = recording(f"{HEAD}\nC1,C1,fixed,,15,3\nC1,C1,pps,,3.3-16,3\n")
    assert offered_power_w(o for seen in log.tables[0].observations for o in seen.offers) == 45.0


def test_a_division_that_is_not_certain_is_called_likely():
    """50 W with both in use; the maker says 60 W for one, which is the most that the two ever have."""
    _, section = shown(two_ports(), recording(f"{HEAD}\nC1+C2,C1,fixed,,20,1.5\nC1+C2,C2,fixed,,20,1\n"))
    assert section.lead == "Likely, and not yet certain: C1 and C2 share 60 W."


def test_what_no_rule_explains_is_said_and_not_foretold():
    """Four ports whose powers go up and down at will."""
    ids = ("C1", "C2", "C3", "C4")
    output = (Output(kind="fixed", current_a=5.0, voltage_v=20.0),)
    unit = Charger("T", "T", "T1", Nameplate(100.0), tuple(Port(p, "usb-c", output) for p in ids), Sample("bought"))
    wild = {
        "C1+C2+C3+C4": (45, 20, 15, 20),
        "C1+C2+C3": (30, 60, 15),
        "C1+C2+C4": (65, 15, 18),
        "C1+C3+C4": (20, 65, 15),
        "C1+C2": (15, 20),
        "C2+C3": (60, 15),
        "C1+C4": (18, 65),
    }
    rows = [
        f"{here},{port},fixed,,20,{watts / 20}"
        for here, powers in wild.items()
        for port, watts in zip(here.split("+"), powers, strict=True)
    ]
    outcome, section = shown(unit, recording("\n".join((HEAD, *rows))))
    assert section.lead.startswith("No rule known to this study explains")
    assert any(n.severity == "warning" and "no rule of the family explains" in n.text for n in outcome.notes)
    assert not [b for b in section.blocks if isinstance(b, TableBlock)]
    certainties = [f for f in outcome.figures if f.name == "rule_certainty_ratio"]
    assert certainties[0].flags == ("not judged: no rule of the family explains it",)
