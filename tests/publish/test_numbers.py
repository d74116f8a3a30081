"""Rounding and wording, against the examples the standards print."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.publish.numbers import (
    factor_text,
    figure_text,
    interval_text,
    limit_text,
    name_in_words,
    number_text,
    plain_text,
    probability_text,
    quantity_of_figure,
    round_pair,
    unit_text,
    value_text,
)


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("value", "uncertainty", "digits", "shown"),
    [
        # JCGM 100:2008 7.2.6: y = 10.057 62 ohm with uc(y) = 27 mohm is rounded to 10.058 ohm
        (10.05762, 0.027, 2, ("10.058", "0.027")),
        # JCGM 100:2008 7.2.2: mS = 100.021 47 g with uc = 0.35 mg
        (100.02147, 0.00035, 2, ("100.02147", "0.00035")),
        # JCGM 100:2008 7.2.4: mS = (100.021 47 ± 0.000 79) g, U from uc = 0.35 mg and k = 2.26
        (100.02147, 0.35e-3 * 2.26, 2, ("100.02147", "0.00079")),
        # JCGM 100:2008 H.1.6: l = (50.000 838 ± 0.000 093) mm
        (50.000838, 0.000093, 2, ("50.000838", "0.000093")),
        # worked efficiency: 65.057 W of 72.30 W, eta 0.89983, U = 0.0049; 0.900 ± 0.005 to one digit (computed example)
        (0.89983, 0.0049, 1, ("0.900", "0.005")),
        (0.89983, 0.0049, 2, ("0.8998", "0.0049")),
        # its loss: 7.24 W with U = 0.37 W (computed example)
        (72.30 - 65.057, 0.372, 2, ("7.24", "0.37")),
        # rounding that carries: 0.0996 is 0.10, not 0.100
        (5.0, 0.0996, 2, ("5.00", "0.10")),
        (5.0, 0.00999, 1, ("5.00", "0.01")),
        # an uncertainty above ten rounds the value's whole digits
        (5034.0, 123.0, 2, ("5030", "120")),
        (-1.234, 0.05, 2, ("−1.234", "0.050")),
        (-0.0001, 0.05, 2, ("0.000", "0.050")),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value, uncertainty, digits, shown):
    assert round_pair(value, uncertainty, digits) == shown


@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.floats(1e-9, 1e5, allow_nan=False),
)
def test_rounding_keeps_two_digits_and_moves_nothing_further_than_half_a_place(value, uncertainty):
    number, half = round_pair(value, uncertainty)
    digits = half.replace(".", "").strip("0") if "." not in half else half.replace(".", "").lstrip("0")
    assert len(digits) <= 2
    place = 10.0 ** (-len(half.partition(".")[2])) if "." in half else 10.0 ** (math.floor(math.log10(float(half))) - 1)
    assert abs(float(number.replace("−", "-")) - value) <= place / 2 * (1 + 1e-6) + 1e-9 * abs(value)
    assert abs(float(half) - uncertainty) <= 0.05 * uncertainty * (1 + 1e-6)
    assert len(number.partition(".")[2]) == len(half.partition(".")[2])


@pytest.mark.parametrize("bad", [(1.0, 0.0), (1.0, -1.0), (math.nan, 1.0), (1.0, math.inf)])
def test_numbers_that_cannot_be_rounded_are_refused(bad):
    with pytest.raises(ValueError):
        round_pair(*bad)


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "name", "shown"),
    [
        (7.243, 0.372, "W", "loss_w", "(7.24 ± 0.37) W"),
        (0.0712, 0.0021, "W", "no_load_power_w", "(71.2 ± 2.1) mW"),
        (0.021, 0.0008, "Ohm", "output_resistance_ohm", "(21.00 ± 0.80) mΩ"),
        (0.5, 0.01, "W", "no_load_power_w", "(0.500 ± 0.010) W"),
        (0.89983, 0.0049, "", "efficiency_ratio", "(89.98 ± 0.49) %"),
        (0.951, 0.004, "", "power_factor_ratio", "0.9510 ± 0.0040"),
        (41.3, 0.9, "degC", "case_temperature_c", "(41.30 ± 0.90) °C"),
        (12.5, 0.2, "cm3", "body_volume_cm3", "(12.50 ± 0.20) cm³"),
        (35.0, 0.0, "W", "nameplate_w", "35 W"),
        (0.0, 0.002, "W", "no_load_power_w", "(0.0 ± 2.0) mW"),
        (None, 0.0, "W", "", "not measured"),
        (math.nan, 0.0, "W", "", "not measured"),
    ],
)
def test_a_value_carries_its_uncertainty_and_one_unit(value, uncertainty, unit, name, shown):
    assert plain(value_text(value, uncertainty, unit, name)) == shown


def test_prefixes_leave_units_alone_that_have_one_already():
    assert quantity_of_figure("annual_energy_kwh", "kWh", 0.001).unit == "kWh"
    assert quantity_of_figure("mass_g", "g", 0.001).unit == "g"
    assert quantity_of_figure("loss_w", "W", 12_000.0).unit == "kW"
    assert unit_text("Ohm") == "Ω"


@pytest.mark.parametrize(
    ("limit", "sense", "unit", "name", "high", "beside", "shown"),
    [
        (0.88, "min", "", "average_active_efficiency_ratio", math.nan, None, "at least 88 %"),
        (0.075, "max", "W", "no_load_power_w", math.nan, None, "at most 75 mW"),
        (0.1, "max", "W", "no_load_power_w", math.nan, 0.045, "at most 100 mW"),
        (19.0, "range", "V", "output_voltage_v", 21.0, None, "19 V to 21 V"),
        (0.871823, "min", "", "average_active_efficiency_ratio", math.nan, None, "at least 87.182 %"),
    ],
)
def test_a_limit_is_said_in_words(limit, sense, unit, name, high, beside, shown):
    assert plain(limit_text(limit, sense, unit, name, high, beside=beside)) == shown


def test_probabilities_near_the_ends_do_not_become_certainties():
    # JCGM 106:2012 Table 1: z = 1.64 goes with 0.95
    assert plain(probability_text(0.9495)) == "95.0 %" or plain(probability_text(0.9495)) == "94.9 %"
    assert plain(probability_text(0.95)) == "95.0 %"
    assert plain(probability_text(0.99999)) == "over 99.9 %"
    assert plain(probability_text(0.00001)) == "under 0.1 %"
    assert probability_text(math.nan) == "—"


def test_a_figure_shows_the_half_width_of_its_own_interval():
    figure = Figure(
        "efficiency",
        "efficiency_ratio",
        0.9,
        "",
        0.002,
        Conditions(),
        "m",
        (),
        coverage_factor=1.65,
        lower=0.8967,
        upper=0.9033,
    )
    assert plain(figure_text(figure)) == "(90.00 ± 0.33) %"
    assert plain(number_text(figure)) == "90.00 %"
    assert plain(interval_text(figure)) == "89.67 to 90.33 %"
    assert plain(factor_text(figure)) == "k = 1.65"
    bare = Figure("efficiency", "efficiency_ratio", 0.9, "", 0.002, Conditions(), "m", ())
    assert plain(figure_text(bare)) == "(90.00 ± 0.39) %"  # 1.96 u where no interval was found
    exact = Figure("value", "price_per_watt", 0.8543, "EUR/W", 0.0, Conditions(), "m", ())
    assert (plain(figure_text(exact)), interval_text(exact), factor_text(exact)) == ("0.854 EUR/W", "—", "")


def test_names_lose_their_unit():
    assert name_in_words("no_load_power_w") == "no load power"
    assert name_in_words("efficiency_ratio") == "efficiency"
    assert name_in_words("w") == "w"
    assert plain_text(-0.25) == "−0.25"
    assert plain_text(math.nan) == "not measured"
