"""Heat against closed forms: series resistances at rest, and a two-node step by an independent integrator."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from brickbook.simbench.charger import ThermalLink, ThermalNode, Thermals
from brickbook.simbench.thermal import ThermalNetwork


def two(exponent=0.0):
    return Thermals(
        nodes=(ThermalNode("inside", 20.0, 0.7), ThermalNode("case", 40.0, 0.3)),
        links=(ThermalLink(("inside", "case"), 5.0), ThermalLink(("case", "room"), 9.0, exponent)),
    )


def test_at_rest_the_rise_is_the_sum_of_resistance_times_power():
    """Series thermal resistances (Ohm's law of heat): the case carries all the loss, the inside its share more."""
    network = ThermalNetwork(two(), 23.0)
    for _ in range(20_000):
        network.step(1.0, 4.0, 23.0)
    assert network["case"] == pytest.approx(23.0 + 9.0 * 4.0, abs=1e-6)
    assert network["inside"] == pytest.approx(23.0 + 9.0 * 4.0 + 5.0 * 0.7 * 4.0, abs=1e-6)
    assert network.steady_c(4.0, 23.0)["inside"] == pytest.approx(network["inside"], abs=1e-6)


def test_a_step_of_power_follows_the_differential_equations():
    """Against scipy.integrate.solve_ivp (Radau, 1e-10) on the two equations written out."""

    def slopes(_, t):
        inside, case = t
        across = (inside - case) / 5.0
        return [(0.7 * 4.0 - across) / 20.0, (0.3 * 4.0 + across - (case - 20.0) / 9.0) / 40.0]

    at = np.arange(0.0, 1201.0, 60.0)
    wanted = solve_ivp(slopes, (0.0, 1200.0), [25.0, 25.0], t_eval=at, method="Radau", rtol=1e-10, atol=1e-10).y
    network = ThermalNetwork(two(), 25.0)
    found = [[25.0, 25.0]]
    for _ in at[1:]:
        network.step(60.0, 4.0, 20.0)
        found.append([network["inside"], network["case"]])
    np.testing.assert_allclose(np.array(found).T, wanted, atol=1e-6)


def test_the_length_of_a_step_does_not_matter_without_convection():
    coarse, fine = ThermalNetwork(two(), 23.0), ThermalNetwork(two(), 23.0)
    coarse.step(600.0, 5.0, 23.0)
    for _ in range(600):
        fine.step(1.0, 5.0, 23.0)
    assert coarse.temperature_c == pytest.approx(fine.temperature_c, abs=1e-9)


def test_convection_makes_the_resistance_fall_with_the_difference():
    """At rest P = dT/R0 (dT/40)^n, so dT = (P R0 40^n)^(1/(1+n)): solved by hand for one link to the room."""
    network = ThermalNetwork(two(0.2), 20.0)
    for _ in range(20_000):
        network.step(1.0, 8.0, 20.0)
    assert network["case"] - 20.0 == pytest.approx((8.0 * 9.0 * 40.0**0.2) ** (1 / 1.2), rel=2e-3)


def test_a_network_that_names_what_is_not_there_is_refused():
    with pytest.raises(ValueError, match="nowhere"):
        Thermals(nodes=(ThermalNode("inside", 1.0, 1.0),), links=(ThermalLink(("inside", "nowhere"), 1.0),))
    with pytest.raises(ValueError, match="add up to 1"):
        Thermals(nodes=(ThermalNode("inside", 1.0, 0.5),), links=(ThermalLink(("inside", "room"), 1.0),))
