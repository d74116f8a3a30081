"""Unit text to factor, against pint's own conversion and against the SI brochure."""

from __future__ import annotations

import numpy as np
import pint
import pytest

from brickbook.core.quantities import QUANTITIES
from brickbook.readers.units import UnitProblem, conversion, is_unit, split_header

REGISTRY = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
PREFIXED = [
    (unit, base)
    for base in ("W", "V", "A", "Wh", "VA", "Hz", "s", "ohm")
    for unit in (base, *(prefix + base for prefix in ("n", "µ", "μ", "u", "m", "k", "M", "G")))
]


@pytest.mark.parametrize(
    ("unit", "base"), [*PREFIXED, ("min", "s"), ("h", "s"), ("J", "Wh"), ("%", ""), ("mA*h", "A*h")]
)
def test_factor_is_pints(unit, base):
    expected = REGISTRY.Quantity(1.0, unit).to(base or "dimensionless").magnitude
    assert conversion(unit, base).factor == pytest.approx(expected, rel=1e-14)
    assert conversion(unit, base).zero == 0


@pytest.mark.parametrize("unit", ["degC", "°C", "C", "degF", "°F", "F", "K", "kelvin"])
@pytest.mark.parametrize("reading", [-40.0, 0.0, 21.5, 100.0, 373.15])
def test_temperature_is_pints(unit, reading):
    name = {"C": "degC", "F": "degF", "°F": "degF", "°C": "degC"}.get(unit, unit)
    expected = REGISTRY.Quantity(reading, name).to("degC").magnitude
    got = conversion(unit, "degC").apply(np.array([reading]))[0]
    assert got == pytest.approx(expected, abs=1e-9)


def test_fixed_points_of_temperature():
    """-40 degrees are one temperature on both scales; 0 °C is 273.15 K (SI brochure, 9th edition, 2.3.1)."""
    assert conversion("degF", "degC").apply(np.array([-40.0, 32.0, 212.0])).tolist() == [-40.0, 0.0, 100.0]
    assert conversion("K", "degC").apply(np.array([273.15]))[0] == 0.0


@pytest.mark.parametrize(
    ("unit", "base", "factor"),
    [
        # SI brochure, 9th edition, tables 7 and 8
        ("mW", "W", 1e-3),
        ("MV", "V", 1e6),
        ("µA", "A", 1e-6),
        ("uA", "A", 1e-6),
        ("kWh", "Wh", 1e3),
        ("h", "s", 3600),
        ("%", "", 0.01),
        # spellings of meters, common practice, no source
        ("Volts", "V", 1),
        ("AMPS", "A", 1),
        ("Watt", "W", 1),
        ("Vrms", "V", 1),
        ("Vdc", "V", 1),
        ("mOhm", "Ohm", 1e-3),
        ("MOhm", "Ohm", 1e6),
        ("Ω", "Ohm", 1),
        ("KW", "W", 1e3),
        ("sec", "s", 1),
        ("", "", 1),
    ],
)
def test_known_factors(unit, base, factor):
    assert conversion(unit, base).factor == factor


@pytest.mark.parametrize(
    ("unit", "wanted", "words"),
    [
        ("W", "V", "'W' is a unit of something else; expected V, or a multiple of it"),
        ("Wh", "W", "'Wh' is a unit of something else; expected W, or a multiple of it"),
        ("V", "", "'V' is a unit of something else; expected a plain ratio or %, or a multiple of it"),
        ("", "W", "there is no unit; expected W, or a multiple of it"),
        ("K", "V", "'K' is a unit of something else; expected V, or a multiple of it"),
        ("volz", "V", "'volz' is not a unit"),
        ("__import__('os')", "V", "\"__import__('os')\" is not a unit"),
        ("V" * 60, "V", f"'{'V' * 60}' is not a unit"),
        ("9 V", "V", "'9 V' is not a unit"),
        ("V +", "V", "'V +' is not a unit"),
    ],
)
def test_refused(unit, wanted, words):
    with pytest.raises(UnitProblem) as caught:
        conversion(unit, wanted)
    assert str(caught.value) == words


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda q: q.name)
def test_every_quantity_takes_its_own_unit(quantity):
    assert conversion(quantity.unit, quantity.unit).factor == 1
    assert conversion(quantity.unit, quantity.unit).zero == 0


@pytest.mark.parametrize(
    ("header", "parts"),
    [
        ("P_in [mW]", ("P_in", "mW")),
        ("Voltage (V)", ("Voltage", "V")),
        ("Voltage(V)", ("Voltage", "V")),
        ("I/A", ("I", "A")),
        ("t / ms", ("t", "ms")),
        ("Power, W", ("Power", "W")),
        ("Power W", ("Power", "W")),
        ("Temp [°C]", ("Temp", "°C")),
        ("THD (%)", ("THD", "%")),
        ("Voltage", ("Voltage", "")),
        ("Port A", ("Port A", "")),
        ("U_in", ("U_in", "")),
        ("Date/Time", ("Date/Time", "")),
        ("Voltage (CH1)", ("Voltage (CH1)", "")),
        ("V", ("V", "")),
        ("", ("", "")),
    ],
)
def test_header_and_unit(header, parts):
    assert split_header(header) == parts


@pytest.mark.parametrize(
    ("text", "is_one"), [("[V]", True), ("°C", True), ("%", True), ("", False), ("12", False), ("in", False)]
)
def test_is_unit(text, is_one):
    assert is_unit(text) is is_one
