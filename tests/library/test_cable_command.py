"""`brickbook cable`: the contract other programs rely on, and what it refuses."""

from __future__ import annotations

import json

import pytest

from brickbook.analysis import Analysis, save
from brickbook.commands.cable import cable
from brickbook.core.errors import BookError


def told(capsys, **given):
    assert cable(json=True, **given) == 0
    return json.loads(capsys.readouterr().out)


def test_the_contract(capsys):
    """V - I R, V I - I² R and I² R in closed form; four keys and no more."""
    found = told(capsys, source_v=20.0, current_a=3.0, resistance_ohm=0.25)
    assert found == {
        "far_end_v": pytest.approx(19.25),
        "far_end_w": pytest.approx(57.75),
        "loss_w": pytest.approx(2.25),
        "feasible": True,
    }


def test_constant_power_with_its_limit(capsys):
    within = told(capsys, source_v=5.0, current_a=3.0, resistance_ohm=0.25, power_w=12.0)
    assert within == {
        "far_end_v": pytest.approx((5 + 13**0.5) / 2),
        "far_end_w": 12.0,
        "loss_w": pytest.approx(12 * 5 / ((5 + 13**0.5) / 2) - 12),
        "feasible": True,
    }
    at_limit = told(capsys, source_v=20.0, current_a=3.0, resistance_ohm=0.3769, power_w=60.0)
    assert at_limit == {
        "far_end_v": pytest.approx(18.8693),
        "far_end_w": pytest.approx(56.6079),
        "loss_w": pytest.approx(3.3921),
        "feasible": False,
    }


def test_nothing_where_there_is_no_operating_point(capsys):
    found = told(capsys, source_v=5.0, current_a=3.0, resistance_ohm=0.45, power_w=15.0)
    assert found == {"far_end_v": None, "far_end_w": None, "loss_w": None, "feasible": False}


def test_more_with_more_options(capsys):
    found = told(capsys, source_v=20.0, current_a=3.2, power_w=60.0, length_m=1.0, gauge_awg=24.0)
    assert found["longest"]["length_m"] == pytest.approx(2.08, abs=0.01)
    assert found["longest"]["limited_by"] == "current limit"
    assert found["type_c_drop"] == {"total_ok": True, "vbus_ok": True, "ground_ok": False}
    assert 5 < found["warming_c"] < 30


def test_for_people(capsys):
    cable(source_v=20.0, current_a=3.0, resistance_ohm=0.3769, power_w=60.0)
    said = capsys.readouterr().out
    assert "stands at its current limit" in said
    assert "Even without any cable" not in said
    cable(source_v=20.0, current_a=2.9, resistance_ohm=0.3769, power_w=60.0)
    assert "Even without any cable" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"current_a": 3.0, "resistance_ohm": 0.1}, "--source-v: is missing"),
        ({"source_v": 5.0, "resistance_ohm": 0.1}, "power or a current"),
        ({"source_v": 5.0, "current_a": 1.0}, "what the cable is"),
        ({"source_v": 5.0, "current_a": 1.0, "resistance_ohm": -0.1}, "at least 0"),
        ({"source_v": -5.0, "current_a": 1.0, "resistance_ohm": 0.1}, "above 0"),
        ({"source_v": 5.0, "current_a": 1.0, "resistance_ohm": 0.1, "length_m": 1.0}, "one way"),
        ({"source_v": 5.0, "charger": "x", "current_a": 1.0, "resistance_ohm": 0.1}, "beside --charger"),
        ({"charger": "x", "port": "C1", "current_a": 1.0, "resistance_ohm": 0.1}, "--contract"),
        ({"source_v": 5.0, "current_a": 1.0, "length_m": 1.0, "gauge_awg": 99.0}, "gauge"),
    ],
)
def test_refusals(given, words):
    with pytest.raises(BookError, match=words):
        cable(**given)


def test_a_measured_charger(shelf_book, made, capsys):
    """20 V less 0.1 Ω at 1.5 A, through 0.3 Ω; the voltmeter's 5 mV is all that is uncertain."""
    described = made.charger("fir")
    figures = tuple(
        made.figure("regulation", "output_voltage_v", 20.0 - 0.1 * load, 0.0, {"meter: port_voltage_v": 0.005}, unit="V",
                    port="C1", output_v=20.0, contract="20 V", mains_v=230.0, load_a=load, measured_at="receptacle")
        for load in (0.0, 1.0, 3.0)
    )  # fmt: skip
    shelf_book.new_charger("fir", described)
    save(shelf_book, "fir", Analysis(described, figures, (), (), (), ()))
    at = {"charger": "fir", "port": "C1", "contract": "20 V", "book": shelf_book.root}
    found = told(capsys, **at, current_a=1.5, resistance_ohm=0.3)
    assert found["source_v"] == pytest.approx(19.85)
    assert found["far_end_v"] == pytest.approx(19.4)
    assert found["u_far_end_v"] == pytest.approx(0.005)
    assert found["loss_w"] == pytest.approx(0.675)
    beyond = told(capsys, **at, current_a=3.5, resistance_ohm=0.3)
    assert (beyond["state"], beyond["far_end_v"], beyond["feasible"]) == ("not measured", None, False)
    with pytest.raises(BookError, match="no voltage measured over load"):
        cable(**(at | {"contract": "9 V"}), current_a=1.0, resistance_ohm=0.3)
