"""Figures of overloads from recordings whose numbers are known."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings, View
from brickbook.core.table import ColumnOrigin, RawFile, Recording, Table
from brickbook.studies.overload import STUDY

T = np.arange(0.0, 120.0, 0.25)
REMOVED_S = 90.0


def columns(port="C1", *, promised=3.0, limit=3.5, volts=20.0, cc=False):
    ratio = 0.9 + 0.02 * np.floor(T / 3.0)
    asked = np.where(T < REMOVED_S, ratio * promised, 0.0)
    v, i = volts - 0.02 * asked, asked.copy()
    beyond = (asked > limit) & (T < REMOVED_S)
    if cc:
        i[beyond] = limit
        v[beyond] = np.linspace(0.85, 0.5, beyond.sum()) * volts
    elif beyond.any():
        off = (T[beyond][0] + 0.5 <= T) & (T < REMOVED_S + 2.0)
        v[off], i[off] = 0.0, 0.0
        v[(T >= REMOVED_S + 2.0)] = 5.0
    return {f"port_voltage_v@{port}": v, f"port_current_a@{port}": i}


def run(build, data, time=T, **conditions):
    arrays = {"time_s": time, **data}
    origins = {name: ColumnOrigin(name, "", 1.0, "bench") for name in arrays}
    table = Table(RawFile("ramp.csv", "0" * 64), arrays, np.arange(2, len(time) + 2), Conditions(), origins)
    given = {"mains_v": 230.0, "contract": "20 V", "load_removed_s": REMOVED_S, **conditions}
    recording = Recording("ramp", ("overload",), (table,), Conditions.of(given))
    unit = build.charger(78.0, build.port("C1", (20.0, 3.0), (9.0, 3.0)), build.port("C2", (9.0, 2.0)))
    lines = tuple(Accuracy(quantity=q, percent_reading=0.1) for q in ("port_voltage_v", "port_current_a", "current_a"))
    evidence = Evidence(
        unit, Settings((Mains(230.0, 50.0),)), {"bench": Instrument(role="other", accuracy=lines)}, (recording,)
    )
    return evidence, STUDY.figures(evidence)


def one(outcome, name, **when):
    (found,) = [f for f in outcome.figures if f.name == name and f.conditions.matches(when)]
    return found


def test_limit_of_a_port_that_switches_off(build):
    """Held at 3.48 A, off at 3.54 A: 3.51 ± 0.03 A, a rectangle of 0.0173 A; the meter's 0.1 % beside."""
    _, outcome = run(build, columns())
    figure = one(outcome, "limit_current_a")
    assert figure.conditions["behaviour"] == "trip"
    assert figure.value == pytest.approx(3.51, abs=1e-6)
    assert figure.u == pytest.approx(np.hypot(0.03 / 3**0.5, 0.001 * 3.54 / 3**0.5), rel=1e-3)
    assert one(outcome, "limit_current_ratio").value == pytest.approx(1.17, abs=1e-6)
    assert one(outcome, "recovery_time_s").value == pytest.approx(2.0, abs=0.25)
    assert one(outcome, "recovery_voltage_v").value == pytest.approx(5.0)


def test_energy_and_its_uncertainty(build):
    """u: 0.1 % bounds of two meters as rectangles, and the power times that of the rows at both ends."""
    _, outcome = run(build, columns())
    figure = one(outcome, "reaction_energy_j")
    power = 20.0 * 3.54
    ends = power * 0.25 * (2 / 12) ** 0.5
    meters = figure.value * 0.001 / 3**0.5 * 2**0.5
    assert figure.u == pytest.approx(np.hypot(ends, meters), rel=0.02)


def test_constant_current(build):
    _, outcome = run(build, columns(cc=True))
    assert one(outcome, "limit_current_a", behaviour="constant current").value == pytest.approx(3.5)
    assert one(outcome, "limited_voltage_v").value == pytest.approx(10.0)


def test_no_reaction_is_told(build):
    _, outcome = run(build, columns(limit=99.0))
    assert [f.name for f in outcome.figures] == ["highest_current_a"]
    assert "did not react up to 1.48 times" in outcome.notes[0].text


def test_the_loads_own_setting_tells_when_it_was_removed(build):
    data = columns()
    data["load_set_a@C1"] = np.where(T < REMOVED_S, 3.0, 0.0)
    _, outcome = run(build, data, load_removed_s=None)
    assert one(outcome, "recovery_time_s").value == pytest.approx(2.0, abs=0.25)


def test_all_ports_together(build):
    """C2 steady at 9 V, 2 A (18 W); C1 switches off between 3.48 and 3.54 A at 19.93 V."""
    data = columns() | {"port_voltage_v@C2": np.full(len(T), 9.0), "port_current_a@C2": np.full(len(T), 2.0)}
    _, outcome = run(build, data, contract="C1 20 V + C2 9 V")
    total = one(outcome, "limit_total_power_w")
    assert total.conditions["port"] == "C1"
    assert total.value == pytest.approx(18.0 + 19.93 * 3.51, abs=0.1)
    assert one(outcome, "limit_total_power_ratio").value == pytest.approx(total.value / 78.0)


def test_a_short_is_what_the_tester_wrote(build):
    """Three readings 0.30, 0.36, 0.33 A: mean 0.33 A, highest 0.36 A."""
    sheet = {"current_a@C1 short": np.array([0.30, 0.36, 0.33])}
    _, outcome = run(build, sheet, np.array([0.0, 1.0, 2.0]))
    assert one(outcome, "shorted_current_a", port="C1").value == pytest.approx(0.33)
    assert one(outcome, "shorted_peak_current_a").value == pytest.approx(0.36)


def test_a_short_is_never_inferred(build):
    """A log of a port at nearly no volts and some amperes says nothing of a short unless the tester says so."""
    data = {"port_voltage_v@C1": np.full(len(T), 0.05), "port_current_a@C1": np.full(len(T), 0.4)}
    _, outcome = run(build, data)
    assert not [f for f in outcome.figures if "short" in f.name]
    _, outcome = run(build, data, situation="C1 short")
    assert one(outcome, "shorted_current_a").value == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("data", "change", "words"),
    [
        ({}, {"contract": None}, "does not say the contract"),
        ({}, {"contract": "15 V"}, "no output of 15 V"),
        ({}, {"contract": "fast"}, 'write it as "20 V"'),
        ({}, {"mains_v": None}, "does not say mains_v"),
        (columns("C9"), {}, "no port C9"),
        ({"port_current_a@C1": np.full(len(T), 0.1)}, {}, "begin it at 90 %"),
    ],
)
def test_what_could_not_be_found_is_told(build, data, change, words):
    _, outcome = run(build, data if "port_voltage_v@C9" in data else columns() | data, **change)
    assert outcome.figures == ()
    assert any(words in note.text for note in outcome.notes), [n.text for n in outcome.notes]


def test_page(build):
    evidence, outcome = run(build, columns())
    section = STUDY.page(
        View(evidence.charger, evidence.settings, outcome.figures, (), outcome.notes, lambda: evidence.recordings)
    )
    assert section.lead == (
        "Asked for too much: at 117 % of its promised current C1 switches off, and comes back once the load is off."
    )
    (chart,) = [b for b in section.blocks if hasattr(b, "series")]
    assert chart.title.startswith("At 3.51 A, 117 % of what it promises at 20 V, C1 switches off")
    assert np.nanmax(chart.series[0].x) == pytest.approx(3.54, abs=0.01)
    assert {f.name for f in outcome.figures} <= set(STUDY.figure_names)
    assert STUDY.page(View(evidence.charger, evidence.settings, (), (), ())).lead == "Overload was not measured."
