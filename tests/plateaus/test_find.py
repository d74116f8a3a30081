from __future__ import annotations

import numpy as np
import pytest

from brickbook.core.errors import AnalysisError
from brickbook.plateaus import (
    BENCH,
    IEC_62301_SAMPLING,
    US_MULTIPLE_VOLTAGE,
    US_SINGLE_VOLTAGE,
    find_plateaus,
    mean_over,
)


def held(levels, hold_s, rate_hz=2.0):
    """Times and currents of loads held one after the other."""
    clock = np.arange(0.0, hold_s * len(levels), 1.0 / rate_hz)
    return clock, np.asarray(levels)[(clock // hold_s).astype(int)]


@pytest.fixture
def charger_log(make_table, make_recording):
    """Two meters: loads at 2 Hz, wall meter every 0.7 s and a little late."""

    def make(levels, hold_s=400.0, *, power=lambda clock, current: 20.0 * current / 0.9 + 0.05, seed=0):
        g = np.random.default_rng(seed)
        clock, current = held(levels, hold_s)
        mains = np.arange(0.13, clock[-1], 0.7)
        at_mains = np.asarray(levels)[np.minimum((mains // hold_s).astype(int), len(levels) - 1)]
        load = make_table(
            {"time_s": clock, "port_current_a@C1": current + g.normal(0.0, 0.001, len(clock))}, "load.csv"
        )
        watts = power(mains, at_mains) * (1.0 + g.normal(0.0, 0.0005, len(mains)))
        return make_recording(load, make_table({"time_s": mains, "mains_power_w": watts}, "wall.csv"))

    return make


def test_appendix_z_loads_are_found_and_settled(charger_log):
    # 10 CFR 430 Subpart B Appendix Z, Table 1: 100, 75, 50, 25 % of the nameplate current, in this order
    recording = charger_log([3.0, 2.25, 1.5, 0.75])
    plateaus = find_plateaus(recording, US_SINGLE_VOLTAGE)
    assert [p.levels["C1"] for p in plateaus] == pytest.approx([3.0, 2.25, 1.5, 0.75], abs=2e-4)
    assert all(p.settled and p.rule == "us-appendix-z-single-voltage" for p in plateaus)
    for k, plateau in enumerate(plateaus):
        assert plateau.start_s == pytest.approx(400.0 * k, abs=0.5)
        assert plateau.end_s == pytest.approx(400.0 * (k + 1), abs=0.5)
        assert plateau.duration_s == plateau.end_s - plateau.start_s
        # 5(a)(1)(ii): recorded at the end of the 5 min; one interval of the slower meter is kept from the edge
        assert plateau.to_s == pytest.approx(plateau.end_s - 0.7)
        assert plateau.to_s - plateau.from_s == pytest.approx(300.0)
        wall = recording.find("mains_power_w")
        mean = mean_over(wall, "mains_power_w", plateau.from_s, plateau.to_s)
        assert abs(mean.value - (20.0 * [3.0, 2.25, 1.5, 0.75][k] / 0.9 + 0.05)) < 4.0 * mean.u


def test_a_transient_at_the_start_is_not_averaged(charger_log):
    recording = charger_log([3.0], 900.0, power=lambda clock, current: 60.0 + 6.0 * np.exp(-clock / 60.0))
    (plateau,) = find_plateaus(recording, US_SINGLE_VOLTAGE)
    assert plateau.settled
    mean = mean_over(recording.find("mains_power_w"), "mains_power_w", plateau.from_s, plateau.to_s)
    # what is left of the transient in the last 5 min: 6 W exp(-599/60), 0.3 mW
    assert mean.value == pytest.approx(60.0, abs=0.008)


@pytest.mark.parametrize(
    ("share", "single", "multiple"), [(0.0, True, True), (0.03, True, False), (0.08, False, False)]
)
def test_drift_decides_by_the_class_of_the_supply(charger_log, share, single, multiple):
    # 5 % for single-voltage, 5(a)(1)(ii); 1 % for multiple-voltage, 5(b)(1)(ii)
    recording = charger_log([2.0], 400.0, power=lambda clock, current: 50.0 * (1.0 - share * (clock - 90.0) / 310.0))
    (one,) = find_plateaus(recording, US_SINGLE_VOLTAGE)
    (other,) = find_plateaus(recording, US_MULTIPLE_VOLTAGE)
    assert (one.settled, other.settled) == (single, multiple)
    assert one.drift == pytest.approx(share * 300.0 / 310.0, abs=0.004)
    assert f"drifted {100.0 * one.drift:.3g} % over the last 5 min, the rule allows 5 %" in one.reason


def test_a_short_stay_is_returned_unsettled_with_its_length(charger_log):
    (first, second) = find_plateaus(charger_log([3.0, 1.5], 186.0), US_SINGLE_VOLTAGE)
    assert not first.settled
    assert first.reason == "only 3.1 min long, the rule needs 5 min"
    assert not second.settled


def test_the_stay_may_not_be_shorter_than_the_window(charger_log):
    (plateau,) = find_plateaus(charger_log([3.0], 297.0), US_SINGLE_VOLTAGE)
    assert plateau.reason == "only 4.95 min long, the rule needs 5 min"


def test_a_stay_of_exactly_the_window_is_long_enough(charger_log):
    plateaus = find_plateaus(charger_log([3.0, 1.5, 0.75], 300.0), US_SINGLE_VOLTAGE)
    assert [p.settled for p in plateaus] == [True] * 3
    assert plateaus[1].from_s == pytest.approx(300.7, abs=0.01)


def test_a_load_that_drops_out_is_told(make_table, make_recording):
    clock = np.arange(0.0, 600.0, 0.5)
    current = np.where(clock < 200.0, 3.0, 0.0)
    table = make_table({"time_s": clock, "port_current_a@C1": current, "mains_power_w": 0.1 + 22.0 * current})
    first, second = find_plateaus(make_recording(table), US_SINGLE_VOLTAGE)
    assert first.reason == "only 3.33 min long, the rule needs 5 min; the load on C1 then fell from 3 A to nothing"
    assert second.settled
    assert second.levels["C1"] == 0.0
    columns = {**table.columns, "port_current_a@A1": np.zeros(len(clock))}
    first, _ = find_plateaus(make_recording(make_table(columns)), US_SINGLE_VOLTAGE)
    assert "A1" not in first.reason  # it had nothing to fall from


def test_ports_that_move_one_at_a_time_cut_for_all(make_table, make_recording):
    clock = np.arange(0.0, 1200.0)
    first = np.where(clock < 400.0, 3.0, 1.5)
    other_clock = np.arange(0.4, 1200.0, 1.3)
    second = np.where(other_clock < 800.0, 2.0, 1.0)
    recording = make_recording(
        make_table({"time_s": clock, "port_current_a@C1": first, "mains_power_w": np.full(1200, 60.0)}),
        make_table({"time_s": other_clock, "port_current_a@A1": second}, "second.csv"),
    )
    plateaus = find_plateaus(recording, US_SINGLE_VOLTAGE)
    assert [dict(p.levels) for p in plateaus] == [
        {"A1": 2.0, "C1": 3.0},
        {"A1": 2.0, "C1": 1.5},
        {"A1": 1.0, "C1": 1.5},
    ]
    assert plateaus[1].start_s == 400.0
    assert plateaus[1].end_s == pytest.approx(800.0, abs=1.3)
    only = find_plateaus(recording, US_SINGLE_VOLTAGE, ports=["A1"])
    assert [p.levels for p in only] == [{"A1": 2.0}, {"A1": 1.0}]


def test_missing_load_readings_are_counted(make_table, make_recording):
    clock = np.arange(0.0, 600.0)
    current = np.full(600, 1.0)
    current[[400, 450, 451, 10]] = np.nan
    table = make_table({"time_s": clock, "port_current_a@C1": current, "mains_power_w": np.full(600, 22.0)})
    (plateau,) = find_plateaus(make_recording(table), US_SINGLE_VOLTAGE)
    assert plateau.missing_count == 3  # the fourth lies before the part used


def test_a_pause_of_the_wall_meter_is_no_settled_plateau(charger_log, make_table, make_recording):
    load, wall = charger_log([1.0], 400.0).tables
    clock = wall.columns["time_s"]
    keep = (clock < 200.0) | (clock > 260.0)
    paused = make_table({name: column[keep] for name, column in wall.columns.items()})
    (plateau,) = find_plateaus(make_recording(load, paused), US_SINGLE_VOLTAGE)
    assert not plateau.settled
    # readings at 0.13 s + 0.7 k: the last before is at 199.63 s, the first after at 260.53 s, 60.9 s later
    assert plateau.reason == "no reading of mains power for 1.01 min within the last 5 min"
    sparse = make_table({name: column[::300] for name, column in wall.columns.items()})
    (plateau,) = find_plateaus(make_recording(load, sparse), US_SINGLE_VOLTAGE)
    assert "at least 3 are needed" in plateau.reason


def test_without_the_watched_quantity_nothing_is_settled(charger_log, make_recording):
    load = charger_log([1.0, 0.5]).tables[0]
    plateaus = find_plateaus(make_recording(load), US_SINGLE_VOLTAGE)
    assert [p.settled for p in plateaus] == [False, False]
    assert plateaus[1].reason == "the recording has no mains_power_w with times"


def test_the_bench_rule_watches_the_voltage_of_every_port(make_table, make_recording):
    clock = np.arange(0.0, 60.0, 0.5)
    current = np.where(clock < 30.0, 1.0, 2.0)
    moving = np.where(clock < 30.0, 5.0, 4.9 - 0.004 * (clock - 30.0))
    columns = {"time_s": clock, "port_current_a@C1": current, "port_voltage_v@C1": 20.0 - 0.05 * current}
    both = make_recording(make_table({**columns, "port_voltage_v@A1": moving}))
    first, second = find_plateaus(both, BENCH)
    assert first.settled
    # 5 s at 4 mV/s: 20 mV, more than 0.2 % of 4.8 V and than 5 mV
    assert not second.settled
    assert second.reason.startswith("output voltage of A1 drifted 0.4")
    assert all(p.settled for p in find_plateaus(make_recording(make_table(columns)), BENCH))


def test_the_slope_rule_uses_the_last_two_thirds(charger_log):
    recording = charger_log([0.0], 1200.0, power=lambda clock, current: 0.05 + 0.02 * np.exp(-clock / 40.0))
    (plateau,) = find_plateaus(recording, IEC_62301_SAMPLING)
    assert plateau.settled
    assert plateau.from_s == pytest.approx(400.0, abs=1.0)
    assert "mW/h over the last 13.3 min, the rule allows less than 10 mW/h" in plateau.reason


def test_a_log_without_loads_or_with_falling_times_is_refused(make_table, make_recording):
    wall = make_table({"time_s": np.arange(9.0), "mains_power_w": np.ones(9)}, "wall.csv")
    with pytest.raises(AnalysisError, match=r"eff-c1: port_current_a: no load current with times"):
        find_plateaus(make_recording(wall), US_SINGLE_VOLTAGE)
    falling = make_table({"time_s": [0.0, 2.0, 1.0], "port_current_a@C1": [1.0, 1.0, 1.0]}, "load.csv")
    with pytest.raises(AnalysisError, match=r"load.csv: time_s: the times fall.*Sort the file"):
        find_plateaus(make_recording(falling), US_SINGLE_VOLTAGE)
    with pytest.raises(AnalysisError, match=r"port_current_a@C9: no readings of it with times .*C1"):
        find_plateaus(make_recording(falling), US_SINGLE_VOLTAGE, ports=["C9"])
