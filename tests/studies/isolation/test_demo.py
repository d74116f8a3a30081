"""The example sheets: truth in, truth out, and intervals that hold it."""

import numpy as np
import pytest
from scipy import signal

from brickbook.demo.isolation import BARRIERS, isolation_campaign, network_readings
from brickbook.demo.scenario import CHARGERS
from brickbook.studies.isolation.network import weighted_ratio


def ask(bench, slug, **options):
    return bench.ask(*map(bench.deposit, isolation_campaign(CHARGERS[slug], bench.bench, **options)))


def pick(outcome, name, **when):
    (found,) = [f for f in outcome.figures if f.name == name and f.conditions.matches(when)]
    return found


@pytest.mark.parametrize("slug", BARRIERS)
def test_perfect_meters_give_the_barrier_back(bench, slug):
    outcome = ask(bench, slug, seed=1, perfect=True)
    assert not [note for note in outcome.notes if note.severity == "warning"]
    figure = pick(outcome, "equivalent_capacitance_f", polarity="tied")
    assert figure.value == pytest.approx(BARRIERS[slug].tied_f, rel=1e-6)
    rail = BARRIERS[slug].rail_f
    for polarity, driven in (("A", BARRIERS[slug].one_f), ("B", BARRIERS[slug].other_f)):
        by_peak = pick(outcome, "equivalent_capacitance_f", polarity=polarity, taken_from="peak").value
        by_rms = pick(outcome, "equivalent_capacitance_f", polarity=polarity, taken_from="rms").value
        assert by_rms == pytest.approx(weighted_half_wave(driven, rail), rel=1e-3)
        # the peak stands where both are driven; the network rounds it
        assert 0.95 * (driven + rail) < by_peak < 1.001 * (driven + rail)


def weighted_half_wave(driven_f, rail_f, hertz=50.0):
    """Equivalent capacitance by rms of a cosine current plus one gated to half its cycle, from its Fourier series.

    The gated cosine has half the fundamental and even harmonics 2 n/(pi (n^2 - 1)); each is weighed by the network.
    """
    n = np.arange(2, 2000, 2)
    weight = weighted_ratio(n * hertz) / weighted_ratio(hertz)
    return np.sqrt((driven_f + rail_f / 2) ** 2 + np.sum((rail_f * weight * 2 * n / (np.pi * (n**2 - 1))) ** 2))


def test_intervals_hold_the_truth(bench):
    """95 % intervals of 40 campaigns with erring meters: 38 expected, 33 or more with a probability of 98.6 %."""
    truth = BARRIERS["heron-120"].tied_f
    figures = [pick(ask(bench, "heron-120", seed=k), "equivalent_capacitance_f", polarity="tied") for k in range(40)]
    held = sum(f.lower <= truth <= f.upper for f in figures)
    assert held >= 33
    assert np.std([f.value for f in figures]) == pytest.approx(np.mean([f.u for f in figures]), rel=0.35)


def test_equal_seeds_give_equal_bytes(bench):
    one, other = ([raw.data for raw in isolation_campaign(CHARGERS["wren-35"], bench.bench, seed=3)] for _ in range(2))
    assert one == other
    assert one != [raw.data for raw in isolation_campaign(CHARGERS["wren-35"], bench.bench, seed=4)]


def test_a_sinusoid_through_the_network():
    """Without a rail it is w C V times the weight, less 1e-4 for the network's own impedance."""
    rms, peak = network_readings(1e-9, 0.0, 230.0, 50.0)
    assert rms / 500 == pytest.approx(72.2566e-6 * weighted_ratio(50.0), rel=1.5e-4)
    assert peak == pytest.approx(2**0.5 * rms, rel=1e-5)


def test_a_half_wave_through_the_network_in_the_time_domain():
    """The harmonic sum against a simulation in time of the filter for an imposed current, IEC 60990 figure 4.

    U2/I = RB/(1 + s (R1 + RB) C1); the barrier of 1.5 MOhm imposes the current to 1e-3.
    """
    time_s = np.linspace(0, 0.1, 100_001)
    wave = 2**0.5 * 230 * np.sin(2 * np.pi * 50 * time_s)
    amps = 2e-9 * np.gradient(np.minimum(wave, 0.0), time_s)
    _, u2, _ = signal.lsim(([500.0], [10.5e3 * 0.022e-6, 1.0]), amps, time_s)
    last = u2[80_000:-1]  # the fifth cycle
    rms, peak = network_readings(0.0, 2e-9, 230.0, 50.0)
    assert rms == pytest.approx(np.sqrt(np.mean(last**2)), rel=2e-3)
    assert peak == pytest.approx(np.max(np.abs(last)), rel=5e-3)
