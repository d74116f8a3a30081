"""When a step ends: no sooner than its rule, later than it need be by one look, and without a bias of its mean."""

import numpy as np
import pytest
from scipy import signal, stats

from brickbook.bench.dwell import Stay
from brickbook.core.conditions import Conditions
from brickbook.core.plan import Dwell
from brickbook.core.statistics import autocorrelated_mean
from brickbook.core.table import RawFile, Recording, Table
from brickbook.plateaus import BENCH, US_MULTIPLE_VOLTAGE, find_plateaus

from .conftest import do, give_plan, log_task


def ended(stay, column, values, interval=1.0):
    """Index of the reading at which the stay ends, and the verdict."""
    for k, value in enumerate(values):
        stay.add(k * interval, {column: value})
        verdict = stay.verdict()
        if verdict is not None:
            return k, verdict
    raise AssertionError("it did not end")


def test_a_fixed_time_is_a_fixed_time():
    k, verdict = ended(Stay(Dwell(10.0, 10.0), 1.0, ["mains_power_w"]), "mains_power_w", np.arange(100.0))
    assert (k, verdict.settled) == (10, True)
    k, _ = ended(Stay(Dwell(10.0, 60.0), 1.0, ["mains_power_w"]), "mains_power_w", np.arange(100.0))
    assert k == 10


def test_a_rule_ends_a_step_as_soon_as_it_is_met_and_not_before():
    """Power falls by 3 % an e-folding of 200 s: by hand, drift over 5 min is within 1 % from t with
    0.03 (exp(-(t - 300)/200) - exp(-t/200)) <= 0.01, t = 200 ln(3 (e^1.5 - 1)) = 469 s."""
    t = np.arange(2000.0)
    power = 50.0 * (1 + 0.03 * np.exp(-t / 200.0))
    stay = Stay(Dwell(310.0, 1800.0, US_MULTIPLE_VOLTAGE.name), 1.0, ["mains_power_w"])
    k, verdict = ended(stay, "mains_power_w", power)
    by_hand = 200.0 * np.log(3.0 * (np.exp(1.5) - 1.0))
    assert by_hand - 4 <= k <= 1.05 * by_hand + 4
    assert verdict.settled
    assert "drifted" in verdict.reason


def test_a_step_that_never_settles_ends_at_its_longest_time_and_says_so():
    power = 50.0 + np.arange(2000.0)
    k, verdict = ended(
        Stay(Dwell(310.0, 600.0, US_MULTIPLE_VOLTAGE.name), 1.0, ["mains_power_w"]), "mains_power_w", power
    )
    assert (k, verdict.settled) == (600, False)


def test_a_quantity_nobody_reads_cannot_settle():
    stay = Stay(Dwell(5.0, 20.0, US_MULTIPLE_VOLTAGE.name), 1.0, ["port_voltage_v@C1"])
    k, verdict = ended(stay, "port_voltage_v@C1", np.ones(100))
    assert (k, verdict.settled) == (20, False)
    assert "no reading of mains_power_w" in verdict.reason


def test_missing_readings_are_no_readings():
    values = [None if k % 2 else 20.0 for k in range(100)]
    _, verdict = ended(Stay(Dwell(20.0, 60.0, BENCH.name), 1.0, ["port_voltage_v@C1"]), "port_voltage_v@C1", values)
    assert verdict.settled


@pytest.mark.parametrize("rule", [BENCH, US_MULTIPLE_VOLTAGE])
@pytest.mark.parametrize("seed", range(4))
def test_what_the_runner_holds_for_settled_the_analysis_does_too(rule, seed):
    """The analysis finds the edges of a stay by itself and judges it anew."""
    rng = np.random.default_rng(seed)
    amps, power, volts = [], [], []
    for level in (1.5, 0.75):
        column = rule.quantity if rule.quantity == "mains_power_w" else "port_voltage_v@C1"
        stay = Stay(Dwell(rule.window_s, 4000.0, rule.name), 1.0, [column])
        for k in range(4000):
            p = 22.0 * level * (1 + 0.02 * np.exp(-k / 150.0) + 2e-4 * rng.standard_normal())
            v = 20.0 - 0.02 * level + 0.03 * np.exp(-k / 4.0) + 5e-4 * rng.standard_normal()
            amps.append(level + 2e-4 * rng.standard_normal())
            power.append(p)
            volts.append(v)
            stay.add(float(k), {"mains_power_w": p, "port_voltage_v@C1": v})
            if stay.verdict() is not None:
                break
    n = len(amps)
    columns = {
        "time_s": np.arange(float(n)),
        "mains_power_w": np.array(power),
        "port_voltage_v@C1": np.array(volts),
        "port_current_a@C1": np.array(amps),
    }
    table = Table(RawFile("x", ""), columns, np.arange(n, dtype=np.int64))
    plateaus = find_plateaus(Recording("x", (), (table,), Conditions()), rule)
    assert [p.settled for p in plateaus] == [True, True]


def test_stopping_early_saves_time_and_does_not_bias_the_mean():
    """Autoregressive noise of 0.5 % with rho 0.6 about a known mean; the step ends once u(mean)/mean is 0.08 %.

    The mean error of 400 stays must vanish within four of its standard errors, and the 95 % interval must hold the
    truth as often as 400 draws at 94 % leave room for.
    """
    rng = np.random.default_rng(20261125)
    errors, inside, lengths = [], [], []
    for _ in range(400):
        noise = signal.lfilter([0.8], [1.0, -0.6], rng.standard_normal(1100))[200:]
        values = 10.0 * (1 + 0.005 * noise)
        k, _ = ended(Stay(Dwell(30.0, 890.0, "", 0.0008), 1.0, ["mains_power_w"]), "mains_power_w", values)
        mean = autocorrelated_mean(values[: k + 1])
        errors.append(mean.value - 10.0)
        inside.append(abs(mean.value - 10.0) <= stats.t.ppf(0.975, mean.dof) * mean.u)
        lengths.append(k)
    assert abs(np.mean(errors)) < 4 * np.std(errors) / np.sqrt(400)
    assert np.mean(inside) > 0.94 - 3.5 * np.sqrt(0.94 * 0.06 / 400)
    assert np.std(errors) / 10.0 < 0.0011  # 0.08 % was asked for
    assert np.mean(lengths) < 0.3 * 890.0


def test_a_run_with_a_rule_is_shorter_than_its_longest_time(book, sim):
    give_plan(book, log_task(dwell=Dwell(8.0, 120.0, "bench")))
    _, _, events = do(book, sim)
    stays = [e for e in events if e.event in ("step-started", "step-ended")]
    lengths = [b.t - a.t for a, b in zip(stays[::2], stays[1::2], strict=True)]
    assert all(e.get("settled") for e in stays[1::2])
    assert max(lengths) < 12.0
