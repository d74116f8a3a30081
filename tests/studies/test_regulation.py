"""Output voltage over load: definitions against worked numbers and closed forms."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy import stats

from brickbook.studies.regulation.figures import figures


def sweep(build, amps, volts, *, contract="5 V", output_v=5.0, accuracy=1e-6, **more):
    unit = build.charger(15.0, build.port("C1", (5.0, 3.0), (9.0, 3.0)))
    table = build.staircase({"port_current_a@C1": amps, "port_voltage_v@C1": volts}, dwell_s=30.0, interval_s=0.5)
    log = build.recording(
        table, ["regulation"], mains_v=230.0, mains_hz=50.0, port="C1", contract=contract, output_v=output_v, **more
    )
    return figures(build.evidence(unit, log, accuracy=accuracy))


def one(outcome, name):
    (found,) = [f for f in outcome.figures if f.name == name]
    return found


AMPS = (0.0, 1.0, 2.0, 3.0)


def test_load_regulation_and_resistance_of_a_worked_example(build):
    """5.120 V falling to 4.985 V at 3 A: -2.70 % of 5 V nominal, 45.0 mOhm (definitions: common practice)."""
    volts = tuple(5.120 - 0.045 * a for a in AMPS)
    outcome = sweep(build, AMPS, volts)
    assert one(outcome, "load_regulation_ratio").value == pytest.approx(-0.02700, abs=5e-6)
    assert one(outcome, "output_resistance_ohm").value == pytest.approx(0.0450, abs=1e-7)
    assert one(outcome, "set_point_error_ratio").value == pytest.approx(0.024, abs=1e-6)
    assert one(outcome, "voltage_deviation_ratio").value == pytest.approx(0.024, abs=1e-6)


def test_a_voltage_that_rises_with_load_keeps_its_sign(build):
    """Cable compensation: the sign is kept."""
    outcome = sweep(build, AMPS, tuple(5.0 + 0.03 * a for a in AMPS))
    assert one(outcome, "load_regulation_ratio").value == pytest.approx(0.018, abs=1e-6)
    assert one(outcome, "output_resistance_ohm").value == pytest.approx(-0.03, abs=1e-7)


def test_resistance_is_the_least_squares_slope(build):
    """scipy.stats.linregress on the same points."""
    volts = (5.10, 5.06, 5.05, 4.99)
    outcome = sweep(build, AMPS, volts)
    assert one(outcome, "output_resistance_ohm").value == pytest.approx(-stats.linregress(AMPS, volts).slope, rel=1e-4)


def test_scatter_about_the_line_is_in_the_resistances_uncertainty(build):
    """Standard error of the slope from the residuals: scipy.stats.linregress."""
    volts = (5.10, 5.06, 5.05, 4.99)
    figure = one(sweep(build, AMPS, volts), "output_resistance_ohm")
    assert figure.u == pytest.approx(stats.linregress(AMPS, volts).stderr, rel=0.02)


def test_the_fixtures_resistance_is_taken_off(build):
    """V at the receptacle = V at the sense point + I R; R's uncertainty goes into the output resistance."""
    volts = tuple(5.0 - 0.050 * a for a in AMPS)
    figure = one(sweep(build, AMPS, volts, fixture_ohm=0.020, u_fixture_ohm=0.001), "output_resistance_ohm")
    assert figure.value == pytest.approx(0.030, abs=1e-7)
    assert figure.u == pytest.approx(0.001, rel=0.02)


def test_where_the_voltage_leaves_the_band(build):
    """9 V less 5 % is 8.55 V; between 2 A (8.70 V) and 3 A (8.30 V) a straight line crosses it at 2.375 A."""
    figure = one(sweep(build, AMPS, (9.0, 8.9, 8.7, 8.3), contract="9 V", output_v=9.0), "regulated_current_a")
    assert figure.value == pytest.approx(2.375, abs=1e-5)


def test_a_port_that_holds_its_voltage_has_no_such_current(build):
    outcome = sweep(build, AMPS, (9.0, 8.9, 8.8, 8.7), contract="9 V", output_v=9.0)
    assert not [f for f in outcome.figures if f.name == "regulated_current_a"]


def test_a_load_at_which_the_readings_scatter_is_told(build):
    unit = build.charger(15.0, build.port("C1", (5.0, 3.0)))
    table = build.staircase({"port_current_a@C1": AMPS, "port_voltage_v@C1": (5.0,) * 4}, dwell_s=60.0, interval_s=0.5)
    rng = np.random.default_rng(3)
    table.columns["port_voltage_v@C1"][:] += 0.0004 * rng.standard_normal(480)
    table.columns["port_voltage_v@C1"][120:240] += 0.020 * rng.standard_normal(120)
    log = build.recording(table, ["regulation"], port="C1", contract="5 V", output_v=5.0)
    (note,) = figures(build.evidence(unit, log)).notes
    assert note.severity == "warning"
    assert re.fullmatch(
        r"log: single voltage readings scatter by (1[6-9]|2[0-4]) mV at 1 A and by 0\.4 mV at most other loads; "
        r"a meter cannot tell ripple: look at it with an oscilloscope",
        note.text,
    )


def test_even_scatter_is_not_told(build):
    unit = build.charger(15.0, build.port("C1", (5.0, 3.0)))
    table = build.staircase({"port_current_a@C1": AMPS, "port_voltage_v@C1": (5.0,) * 4}, dwell_s=60.0, interval_s=0.5)
    table.columns["port_voltage_v@C1"][:] += 0.004 * np.random.default_rng(3).standard_normal(480)
    log = build.recording(table, ["regulation"], port="C1", contract="5 V", output_v=5.0)
    assert figures(build.evidence(unit, log)).notes == ()


def test_every_load_is_a_figure_with_its_rows(build):
    outcome = sweep(build, AMPS, tuple(5.0 - 0.01 * a for a in AMPS))
    voltages = [f for f in outcome.figures if f.name == "output_voltage_v"]
    assert [f.conditions["load_a"] for f in voltages] == [0.0, 1.0, 2.0, 3.0]
    for figure in voltages:
        rows = figure.sources[0]
        assert 2 <= rows.first < rows.last <= 241


@pytest.mark.parametrize("missing", ["port", "contract", "output_v"])
def test_missing_conditions_are_named(build, missing):
    unit = build.charger(15.0, build.port("C1", (5.0, 3.0)))
    given = {"port": "C1", "contract": "5 V", "output_v": 5.0}
    del given[missing]
    table = build.staircase({"port_current_a@C1": AMPS, "port_voltage_v@C1": (5.0,) * 4})
    outcome = figures(build.evidence(unit, build.recording(table, ["regulation"], **given)))
    assert outcome.figures == ()
    assert outcome.notes[0].text == f"log: the index does not say {missing}; add it to the file's conditions"
