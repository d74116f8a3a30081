"""Conditions, sources, accuracies and mains in words."""

import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy
from brickbook.core.study import Mains, Settings
from brickbook.publish.facts import accuracy_text, mains_text
from brickbook.publish.wording import conditions_text, shared_conditions, source_text


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("conditions", "words"),
    [
        (
            {"mains_hz": 50, "mains_v": 230, "port": "C1", "contract": "20 V", "load_ratio": 0.5},
            "230 V 50 Hz, port C1, 20 V contract, 50 % load",
        ),
        ({"situation": "bare", "mains_v": 115}, "115 V, nothing plugged in"),
        ({"ports": "C1+C2", "load_a": 1.25}, "ports C1 + C2, 1.25 A load"),
        ({"ports": "C1+C2", "contract": "C1 20 V + C2 9 V", "load_ratio": 0.5}, "C1 20 V + C2 9 V, 50 % load"),
        ({"ports": "C1+C2", "contract": "5 V"}, "ports C1 + C2, 5 V contract"),
        ({"port": "C1", "load_a": -0.0}, "port C1, 0 A load"),
        ({"mains_hz": 60}, "mains frequency 60 Hz"),
        ({"odd_key": "x", "ambient_c": 25.0}, "ambient 25 °C, odd key x"),
        ({}, ""),
    ],
)
def test_conditions_supply_first(conditions, words):
    assert plain(conditions_text(Conditions.of(conditions))) == words


def test_shared_conditions_keep_a_supply_whole():
    a = Conditions.of(mains_v=230, mains_hz=50, port="C1", load_ratio=0.5)
    b = Conditions.of(mains_v=240, mains_hz=50, port="C1", load_ratio=1.0)
    assert dict(shared_conditions([a, b])) == {"port": "C1"}  # not "50 Hz" apart from its voltage
    assert dict(shared_conditions([a, a.with_(load_ratio=1.0)])) == {"mains_v": 230, "mains_hz": 50, "port": "C1"}
    assert dict(shared_conditions([a])) == {}


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("wall-meter: mains_power_w 150", "wall-meter: mains power, range 150 W"),
        ("load: port_current_a 5, linearity at half", "load: output current, range 5 A, linearity at half"),
        ("scatter of mains_power_w at 230 V, 50 %", "scatter of mains power at 230 V, 50 %"),
        ("temperature_c@case", "temperature case"),
        ("fixture resistance as stated", "fixture resistance as stated"),
    ],
)
def test_sources_of_uncertainty_name_quantities_in_words(source, words):
    assert plain(source_text(source)) == words


def test_accuracy_lines_are_bounds_with_their_units():
    # the form "p % of reading + q % of range + n digits" (JCGM 100:2008 4.3.7 takes such a bound as rectangular)
    line = Accuracy(
        "mains_power_w", percent_reading=0.1, percent_range=0.1, range_max=150.0, digits=3, resolution=0.001
    )
    assert plain(accuracy_text(line)) == "mains power: ±(0.1 % of reading + 0.1 % of 150 W + 3 × 0.001 W)"
    assert plain(accuracy_text(Accuracy("temperature_c", absolute=1.5))) == "temperature: ±(1.5 °C)"
    assert plain(accuracy_text(Accuracy("odd", percent_reading=1.0, range_max=2.0))) == "odd up to 2: ±(1 % of reading)"


def test_mains_are_those_of_the_figures(tern):
    assert plain(mains_text((f.conditions for f in tern.figures), tern.settings)) == "115 V 60 Hz, 230 V 50 Hz"
    assert "plans 230 V 50 Hz" in plain(mains_text((), Settings((Mains(230.0, 50.0),))))
    assert mains_text((), Settings(())) == "not recorded"
