"""Limits of a label, and the page that lists all of them."""

import json
from pathlib import Path

import pytest

from brickbook.rules import limits, listing
from brickbook.rules.document import MARK, main, rules_page


@pytest.fixture(autouse=True)
def _rules_from_files(rules, monkeypatch):
    monkeypatch.setattr(listing, "load_rules", lambda packages: rules if packages else ())


def find(found, rule, quantity):
    return {(e["class"], e["reading"]): e["limit"] for e in found if e["rule"] == rule and e["quantity"] == quantity}


def test_65_w_at_20_v():
    found = limits(65, 20, packages=["any"])
    entry = next(
        e for e in found if e["rule"] == "us-10cfr430-level-vi" and e["quantity"] == "average_active_efficiency"
    )
    assert (entry["limit"], entry["sense"], entry["source"]) == (0.88, "min", "10 CFR 430.32(w)(1)(ii)")
    assert (entry["class"], entry["reading"], entry["from_memory"], entry["limit_high"]) == ("basic", "", "", None)
    assert find(found, "eu-2025-2052", "low_load_efficiency") == {
        ("basic", "not adaptive"): 0.83,
        ("basic", "adaptive"): 0.79,
    }
    assert find(found, "eu-2025-2052", "no_load_power") == {
        ("basic", "not adaptive"): 0.150,
        ("basic", "adaptive; row of the power at the lowest voltage, 10 W"): 0.075,
    }
    assert all(e["source"] and e["market"] and e["edition"] for e in found)
    assert json.loads(json.dumps(found, allow_nan=False)) == found


@pytest.mark.parametrize(
    ("watts", "volts", "amps", "kind"),
    [(15, 5, None, "low-voltage"), (2.5, 5, 0.5, "basic"), (2.75, 5, 0.55, "low-voltage"), (18, 6, 3, "basic")],
)
def test_class_follows_from_voltage_and_current(watts, volts, amps, kind):
    """10 CFR 430.2: below 6 V and at least 550 mA."""
    found = limits(watts, volts, amps, packages=["any"])
    assert {e["class"] for e in found if e["quantity"] == "average_active_efficiency"} == {kind}


def test_several_voltages():
    found = limits(100, 20, multi=True, packages=["any"])
    assert find(found, "us-10cfr430-level-vi", "average_active_efficiency") == {("multiple-voltage", ""): 0.86}
    adaptive = next(
        v for (_, reading), v in find(found, "eu-2025-2052", "no_load_power").items() if reading.startswith("adaptive")
    )
    assert adaptive == pytest.approx(0.100)  # 0.075 + (2 - 1) 0.025 W, Table 1


def test_voltage_and_power_factor():
    found = limits(100, 20, packages=["any"])
    pd = next(e for e in found if e["rule"] == "usb-pd-fixed-voltage")
    assert (pd["limit"], pd["limit_high"], pd["sense"], pd["reading"]) == (19.0, 21.0, "range", "fixed contract")
    assert [e["limit"] for e in found if e["quantity"] == "power_factor"] == [0.9]
    assert [e for e in limits(65, 20, packages=["any"]) if e["quantity"] == "power_factor"] == []
    assert [e for e in found if e["rule"] == "usb-vsafe5v"] == []
    assert [e["limit"] for e in limits(12, 5, packages=["any"]) if e["rule"] == "usb-vsafe5v"] == [4.75]


def test_harmonics_need_the_input_power_and_are_left_out():
    assert not [e for e in limits(200, 20, packages=["any"]) if e["quantity"] == "input_harmonic"]


def test_no_packages_no_limits():
    assert limits(65, 20, packages=[]) == []


@pytest.mark.parametrize(
    ("args", "message"),
    [
        ((0, 20), "output_w must be a number above 0, found 0"),
        ((65, 0), "output_v must be a number above 0, found 0"),
        ((65, -5), "output_v must be a number above 0, found -5"),
        ((65, 20, 0), "output_a must be a number above 0, found 0"),
        ((float("nan"), 20), "output_w must be a number above 0, found nan"),
    ],
)
def test_bad_numbers(args, message):
    with pytest.raises(ValueError, match=message):
        limits(*args, packages=["any"])


PAGE = Path(__file__).parents[2] / "docs" / "reference" / "rules.md"


def test_the_page_is_in_step_with_the_data(rules):
    """Rewrite it with: python -m brickbook.rules.document docs/reference/rules.md."""
    assert PAGE.read_text(encoding="utf-8").partition(MARK)[2] == f"\n{rules_page(rules)}"


def test_every_rule_is_on_the_page(rules):
    page = PAGE.read_text(encoding="utf-8")
    for rule in rules:
        assert f"`{rule.id}`" in page
        assert rule.title in page


def test_the_page_is_rewritten_below_its_mark(rules, tmp_path, monkeypatch):
    from brickbook.rules import document

    monkeypatch.setattr(document, "load_rules", lambda packages: rules)
    path = tmp_path / "rules.md"
    path.write_text(f"by hand\n{MARK}old\n", encoding="utf-8")
    main([str(path)])
    text = path.read_text(encoding="utf-8")
    assert text.startswith(f"by hand\n{MARK}\n## Limits\n")
    assert "old" not in text.partition(MARK)[2].splitlines()


def test_the_house_rule_on_the_page_is_valid():
    from brickbook.rules import parse_rules

    text = PAGE.read_text(encoding="utf-8")
    block = text.split("```toml\n")[1].split("```")[0]
    (rule,) = parse_rules(block, "house-rules.toml", "house")
    assert rule.limits[0].weight == 2.0


def test_every_key_of_a_limit_is_explained():
    from dataclasses import fields

    from brickbook.rules import Limit

    by_hand = PAGE.read_text(encoding="utf-8").partition(MARK)[0]
    for item in fields(Limit):
        assert f"`{item.name}`" in by_hand or f"{item.name} =" in by_hand or f"[rule.limit.{item.name}]" in by_hand, (
            item.name
        )


def test_all_names_a_reader_may_use_exist():
    import brickbook.rules as room

    assert len(room.__all__) == len(set(room.__all__))
    assert all(hasattr(room, name) for name in room.__all__)
