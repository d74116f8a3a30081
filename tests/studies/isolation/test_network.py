"""The body network against printed check values and against nodal analysis of the circuit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.studies.isolation.network import impedance_ohm, unweighted_ratio, weighted_ratio


def nodal(frequency_hz):
    """Node voltages for 1 A into the network: admittance matrix of the drawn circuit, IEC 60990 figure 4.

    Nodes: top; between skin and body (U1); top of C1 (U2). Earth is the reference.
    """
    s = 2j * np.pi * frequency_hz
    elements = [
        (0, 1, 1 / 1500.0 + s * 0.22e-6),  # RS and CS
        (1, None, 1 / 500.0),  # RB
        (1, 2, 1 / 10e3),  # R1
        (2, None, s * 0.022e-6),  # C1
    ]
    y = np.zeros((3, 3), dtype=complex)
    for a, b, admittance in elements:
        y[a, a] += admittance
        if b is not None:
            y[b, b] += admittance
            y[a, b] -= admittance
            y[b, a] -= admittance
    return np.linalg.solve(y, np.array([1.0, 0.0, 0.0], dtype=complex))


@given(st.floats(1.0, 1e6))
def test_network_equals_nodal_analysis(hertz):
    top, u1, u2 = nodal(hertz)
    resistance, reactance = impedance_ohm(hertz)
    assert complex(resistance, reactance) == pytest.approx(complex(top), rel=1e-9)
    assert unweighted_ratio(hertz) == pytest.approx(abs(u1) / 500, rel=1e-9)
    assert weighted_ratio(hertz) == pytest.approx(abs(u2) / 500, rel=1e-9)


@pytest.mark.parametrize(
    ("hertz", "ohm", "weight"),
    [
        (50.0, "1990.0", "0.99738"),
        (60.0, "1985.7", "0.99623"),
        (1e3, "972.53", "0.56736"),
        (1e4, "485.4", "0.068735"),
        (1e5, "476.3", "0.0068897"),
    ],
)
def test_printed_values(hertz, ohm, weight):
    """IEC 60990 figure 4, computed from its components, to the last digit printed."""
    assert f"{np.hypot(*impedance_ohm(hertz)):.{len(ohm.partition('.')[2])}f}" == ohm
    assert f"{weighted_ratio(hertz):.{len(weight.partition('.')[2])}f}" == weight


def test_at_dc_it_is_2000_ohm_without_weighting():
    """IEC 62368-1 Table 4 lets a plain 2 kOhm resistor stand for it at DC."""
    assert impedance_ohm(0.0) == (2000.0, 0.0)
    assert unweighted_ratio(0.0) == weighted_ratio(0.0) == 1.0


def test_arrays_go_through():
    hertz = np.array([50.0, 60.0])
    assert weighted_ratio(hertz) == pytest.approx([weighted_ratio(50.0), weighted_ratio(60.0)])
