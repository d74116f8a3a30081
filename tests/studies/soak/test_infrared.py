"""Emissivity correction: closed forms of W = e T^4 + (1 - e) T_reflected^4."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.core.uncertainty import type_a
from brickbook.studies.soak.infrared import apparent_c, surface_c


@pytest.mark.parametrize(("true", "set_to", "shown"), [(0.95, 1.0, 68.074), (0.85, 0.95, 65.907), (0.20, 0.95, 34.79)])
def test_a_wrong_emissivity_shows_too_low(true, set_to, shown):
    """True 70 °C, reflected 23 °C (derived from the radiation balance)."""
    assert apparent_c(70.0, emissivity=true, reflected_c=23.0, emissivity_set=set_to) == pytest.approx(shown, abs=5e-3)


@given(st.floats(25.0, 120.0), st.floats(0.2, 1.0), st.floats(15.0, 30.0), st.floats(0.5, 1.0))
def test_the_correction_undoes_it(true_c, emissivity, reflected, set_to):
    shown = apparent_c(true_c, emissivity=emissivity, reflected_c=reflected, emissivity_set=set_to)
    back = surface_c(shown, emissivity=emissivity, reflected=reflected, emissivity_set=set_to)
    assert back.value == pytest.approx(true_c, abs=1e-6)


def test_sensitivities():
    """dT/de = -(T/4e)(1 - (Tr/T)^4) = -40.21 K and dT/dTr = -((1-e)/e)(Tr/T)^3 = -0.0338 at e = 0.95 (derived)."""
    shown = apparent_c(70.0, emissivity=0.95, reflected_c=23.0)
    by_e = surface_c(shown, emissivity=type_a(0.95, 0.02, 1e9, "e"), reflected=23.0)
    by_r = surface_c(shown, emissivity=0.95, reflected=type_a(23.0, 1.0, 1e9, "r"))
    assert by_e.u == pytest.approx(0.02 * 40.21, rel=1e-3)
    assert by_r.u == pytest.approx(0.0338, abs=5e-5)
    assert next(iter(by_e.terms.values())) < 0 > next(iter(by_r.terms.values()))


@pytest.mark.parametrize("emissivity", [0.0, -0.1, 1.01])
def test_an_emissivity_that_cannot_be(emissivity):
    with pytest.raises(ValueError, match="above 0 and at most 1"):
        surface_c(60.0, emissivity=emissivity, reflected=23.0)


def test_a_reflection_that_explains_too_much():
    with pytest.raises(ValueError, match="more than was seen"):
        surface_c(20.0, emissivity=0.05, reflected=60.0)
