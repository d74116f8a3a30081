"""Standby, size and value against hand-worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.core.table import ColumnOrigin, RawFile, Recording, Table
from brickbook.studies import identity, standby, value

RAW = RawFile("log.csv", "0" * 64)


def table(columns, instrument="bench"):
    arrays = {name: np.asarray(values, dtype=float) for name, values in columns.items()}
    n = len(next(iter(arrays.values())))
    origins = {name: ColumnOrigin(name, "", 1.0, instrument) for name in arrays}
    return Table(RAW, arrays, np.arange(2, 2 + n), Conditions(), origins)


def ask(study, unit, tab, *accuracies, earlier=(), price=0.30, **conditions):
    log = Recording("log", (study.id,), (tab,), Conditions.of(conditions))
    settings = Settings((Mains(230.0, 50.0),), "EUR", price)
    instruments = {"bench": Instrument(role="other", accuracy=accuracies)}
    return study.figures(Evidence(unit, settings, instruments, (log,), tuple(earlier)))


def by_name(outcome):
    return {f.name: f for f in outcome.figures}


POWER = Accuracy("mains_power_w", percent_reading=0.1)


def unit_of(build):
    return build.charger(100.0, build.port("C1", (5.0, 3.0), (20.0, 5.0)), build.port("C2", (5.0, 3.0)))


def standby_log(power, seconds=1500):
    return table({"time_s": np.arange(seconds, dtype=float), "mains_power_w": power})


def test_a_steady_standby_power_and_its_year(build):
    """0.075 W for 8,760 h is 0.657 kWh; at 0.30 a kWh 0.1971 (arithmetic)."""
    outcome = ask(
        standby.STUDY,
        unit_of(build),
        standby_log(np.full(1500, 0.075)),
        POWER,
        mains_v=230.0,
        mains_hz=50.0,
        situation="bare",
    )
    found = by_name(outcome)
    assert found["no_load_power_w"].value == pytest.approx(0.075)
    assert found["annual_energy_kwh"].value == pytest.approx(0.657)
    assert found["annual_cost"].value == pytest.approx(0.1971)
    assert found["annual_cost"].unit == "EUR"
    assert found["no_load_power_w"].flags == ()
    assert "IEC 62301" in found["no_load_power_w"].method


def test_only_the_last_two_thirds_count(build):
    """IEC 62301:2011 5.3.2 (from memory, high): the first third is discarded."""
    power = np.full(1500, 0.080)
    power[:450] = 0.300
    outcome = ask(
        standby.STUDY, unit_of(build), standby_log(power), POWER, mains_v=230.0, mains_hz=50.0, situation="bare"
    )
    figure = by_name(outcome)["no_load_power_w"]
    assert figure.value == pytest.approx(0.080)
    assert figure.sources[0].first == 502  # row 500 of the log stands in line 502


def test_a_falling_power_is_flagged_unstable(build):
    """A slope of -36 mW/h is more than the 10 mW/h allowed up to 1 W."""
    power = 0.100 - 0.036 * np.arange(1500) / 3600
    outcome = ask(
        standby.STUDY, unit_of(build), standby_log(power), POWER, mains_v=230.0, mains_hz=50.0, situation="bare"
    )
    (flag,) = by_name(outcome)["no_load_power_w"].flags
    assert flag.startswith("not stable: slope of the last 16.7 min -36 mW/h, 10 mW/h allowed")
    assert outcome.notes[0].severity == "warning"


def test_other_situations_are_not_called_no_load(build):
    outcome = ask(
        standby.STUDY,
        unit_of(build),
        standby_log(np.full(1500, 0.1)),
        POWER,
        mains_v=230.0,
        mains_hz=50.0,
        situation="9 V held",
    )
    assert "standby_power_w" in by_name(outcome)
    assert "no_load_power_w" not in by_name(outcome)


def test_no_cost_without_a_price(build):
    outcome = ask(
        standby.STUDY,
        unit_of(build),
        standby_log(np.full(1500, 0.1)),
        POWER,
        price=None,
        mains_v=230.0,
        mains_hz=50.0,
        situation="bare",
    )
    assert "annual_cost" not in by_name(outcome)


def test_a_meter_too_coarse_is_not_judged(build):
    """IEC 62301:2011 4.4.1: 20 mW at 95 % below 1 W (from memory, medium-high); ±30 mW rectangular is U = 34.6 mW."""
    coarse = Accuracy("mains_power_w", absolute=0.030)
    outcome = ask(
        standby.STUDY,
        unit_of(build),
        standby_log(np.full(1500, 0.1)),
        coarse,
        mains_v=230.0,
        mains_hz=50.0,
        situation="bare",
    )
    (flag,) = by_name(outcome)["no_load_power_w"].flags
    assert flag == (
        "not judged: expanded uncertainty 34.6 mW exceeds the 20.0 mW that IEC 62301 4.4.1 permits "
        "(from memory, medium-high)"
    )


def test_the_meters_own_voltage_input_is_taken_off(build):
    """230 V across 2 MOhm is 26.45 mW (Ohm's law)."""
    outcome = ask(
        standby.STUDY,
        unit_of(build),
        standby_log(np.full(1500, 0.100)),
        POWER,
        mains_v=230.0,
        mains_hz=50.0,
        situation="bare",
        voltage_terminals="load side",
        meter_input_ohm=2e6,
    )
    assert by_name(outcome)["no_load_power_w"].value == pytest.approx(0.100 - 0.02645)


def hand(lengths, mass):
    sides = ("length", "width", "height")
    columns = {f"length_mm@body {side}": [v] for side, v in zip(sides, lengths, strict=True)}
    return table({**columns, "mass_g@charger": [mass]})


CALLIPER = Accuracy("length_mm", absolute=0.1)
SCALE = Accuracy("mass_g", absolute=0.5)


def test_size_mass_and_value_of_a_worked_example(build):
    """62.0 x 59.0 x 30.2 mm = 110.47 cm3; 100 W: 0.905 W/cm3; 188 g: 0.532 W/g; 39.99: 0.400 per W (arithmetic)."""
    unit = unit_of(build)
    sized = ask(identity.STUDY, unit, hand((62.0, 59.0, 30.2), 188.0), CALLIPER, SCALE)
    found = by_name(sized)
    assert found["body_volume_cm3"].value == pytest.approx(110.4716, abs=1e-4)
    assert found["mass_g"].value == pytest.approx(188.0)
    valued = by_name(value.STUDY.figures(Evidence(unit, Settings((), "EUR"), {}, (), sized.figures)))
    assert valued["power_density_w_per_cm3"].value == pytest.approx(0.90521, abs=1e-5)
    assert valued["specific_power_w_per_g"].value == pytest.approx(0.53191, abs=1e-5)
    assert valued["price_per_watt"].value == pytest.approx(0.3999)
    assert valued["price_per_port"].value == pytest.approx(39.99 / 2)


def test_one_calliper_errs_alike_on_all_sides(build):
    """One gain error on three sides adds linearly: u(V)/V = sum of a/(x sqrt 3) (GUM 5.2.2, r = +1)."""
    figure = by_name(ask(identity.STUDY, unit_of(build), hand((62.0, 59.0, 30.2), 188.0), CALLIPER, SCALE))[
        "body_volume_cm3"
    ]
    relative = sum(0.1 / 3**0.5 / x for x in (62.0, 59.0, 30.2))
    assert figure.u / figure.value == pytest.approx(relative, rel=1e-6)


def test_repeated_readings_bring_their_scatter(build):
    """188.1, 188.4, 188.2: s = 0.15275, u = s/sqrt 3 with 2 degrees of freedom (GUM 4.2)."""
    tab = table({"mass_g@charger": [188.1, 188.4, 188.2]})
    figure = by_name(ask(identity.STUDY, unit_of(build), tab, SCALE))["mass_g"]
    assert figure.value == pytest.approx(188.2333, abs=1e-4)
    scatter = next(c for c in figure.budget if c.kind == "A")
    assert scatter.u == pytest.approx(0.08819, abs=1e-5)
    assert scatter.dof == 2


def test_nothing_is_claimed_that_was_not_measured(build):
    outcome = value.STUDY.figures(Evidence(unit_of(build), Settings((), "EUR"), {}, ()))
    assert {f.name for f in outcome.figures} == {"price_per_watt", "price_per_port"}
    assert "power_density_w_per_cm3 not determined: body_volume_cm3 was not measured." in [
        n.text for n in outcome.notes
    ]


def test_an_unknown_instrument_makes_no_figure(build):
    tab = table({"mass_g@charger": [188.0]}, instrument="somebody-elses")
    outcome = ask(identity.STUDY, unit_of(build), tab, SCALE)
    assert outcome.figures == ()
    assert outcome.notes[0].text == (
        "log: mass_g@charger: no instrument 'somebody-elses' in bench.toml for mass_g (known: bench)"
    )
