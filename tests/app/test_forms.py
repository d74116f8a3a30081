"""Forms: what a file holds comes back from its form unchanged, and what was typed wrong keeps its place."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from brickbook.app.forms import Entry, Group, Rows, add_item, data_of, fault_key, form_of, pairs_text, scalar_of
from brickbook.book.editing import Seen, charger_faults
from brickbook.book.words import WORDS
from brickbook.core.charger import Charger
from brickbook.core.errors import Fault
from brickbook.library.devices import Devices

SCENARIO = files("brickbook.demo") / "scenario"
SLUGS = [folder.name for folder in SCENARIO.iterdir() if (folder / "charger.toml").is_file()]


def pairs_of(parts) -> dict[str, str]:
    """What a browser would send of an untouched form."""
    found: dict[str, str] = {}
    for part in parts:
        if isinstance(part, Entry):
            found[part.key] = part.value
        elif isinstance(part, Group):
            found |= pairs_of(part.parts)
        elif isinstance(part, Rows):
            for group in part.items:
                found[group.key] = "1"
                found |= pairs_of(group.parts)
    return found


@pytest.mark.parametrize("slug", SLUGS)
def test_an_untouched_form_changes_nothing(slug):
    text = (SCENARIO / slug / "charger.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    back = data_of(Charger, pairs_of(form_of(Charger, data, hints=WORDS)), data)
    assert back == data
    assert charger_faults(Seen("f", text), back) == ()


def test_faults_stand_at_their_fields():
    faults = [
        Fault("f", "line 3, nameplate.total_power_w", "expected a number.", "Correct it."),
        Fault("f", "line 9, ports[0].outputs[0]", "a fixed output has voltage_v."),
        Fault("f", "budgets[0].ports[1]", "no such port."),
        Fault("f", "line 4", "no TOML."),
    ]
    data = {"ports": [{"outputs": [{}]}], "budgets": [{"ports": ["C1", "C9"]}]}
    shown: dict[str, str] = {}

    def walk(parts):
        for part in parts:
            if part.problem:
                shown[part.key] = part.problem
            if isinstance(part, Group):
                walk(part.parts)
            elif isinstance(part, Rows):
                walk(part.items)

    walk(form_of(Charger, data, hints=WORDS, faults=faults))
    assert shown == {
        "nameplate.total_power_w": "expected a number. Correct it.",
        "ports[0].outputs[0]": "a fixed output has voltage_v.",
        "budgets[0].ports": "no such port.",
    }
    assert fault_key(faults[3]) == ""


def test_what_is_no_number_stays_as_it_was_typed():
    data = data_of(Charger, {"nameplate.total_power_w": "many", "ports[0]": "1", "ports[0].power_w": "1e999"})
    assert data["nameplate"] == {"total_power_w": "many"}
    assert data["ports"][0]["power_w"] == "1e999"


def test_items_come_and_go_and_gaps_close():
    data = add_item(add_item({}, "ports"), "ports[0].outputs")
    assert data == {"ports": [{"outputs": [{}]}]}
    assert add_item(data, "ports[0].outputs[0]", remove=True) == {"ports": [{"outputs": []}]}
    assert add_item({"a": 1}, "b[7].c", remove=True) == {"a": 1}
    sent = {"device[0]": "1", "device[0].name": "a", "device[2]": "1", "device[2].name": "b"}
    assert [d["name"] for d in data_of(Devices, sent)["device"]] == ["a", "b"]
    assert len(data_of(Devices, {"device[9999]": "1"}).get("device", [])) <= 1


def test_conditions_as_typed():
    pairs = {"mains_v": 230, "load_ratio": 0.5, "port": "C1", "cold": True}
    back = {k.strip(): scalar_of(v.strip()) for k, _, v in (p.partition("=") for p in pairs_text(pairs).split(","))}
    assert back == pairs
    assert scalar_of("nan") == "nan"
