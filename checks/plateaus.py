"""How often plateaus are found, missed and split on random logs, and how often a mean's interval holds the truth.

Run: python checks/plateaus.py [number of logs]
The numbers in docs/explanation/plateaus.md come from it (seeds 0 to the number of logs, less one).
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal, stats

from brickbook.core.conditions import Conditions
from brickbook.core.statistics import autocorrelated_mean
from brickbook.core.table import RawFile, Recording, Table
from brickbook.plateaus import US_SINGLE_VOLTAGE, find_cycle, find_plateaus, sampling_mean

FloatArray = NDArray[np.float64]
SHARES = (0.0, 0.1, 0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True, slots=True)
class Log:
    """A random staircase: what was logged, and the stays it was made of (start, end, ramp before, ramp after)."""

    time_s: FloatArray
    current_a: FloatArray
    stays: tuple[tuple[float, float, float, float], ...]
    rate_hz: float
    noise: str


def random_log(seed: int, least_snr: float) -> Log:
    """Three to nine loads of 0 to 5 A held 1 to 15 min; a third of the changes are ramps of up to 30 s.

    Noise is white, autoregressive (r_1 = 0.8) or rounded to 1 mA, its sigma the smallest step over `least_snr`, or in
    half of the logs between 0.1 mA and that; 2 % of the readings are missing; half of the logs have jittered times.
    """
    g = np.random.default_rng(seed)
    rate = float(g.choice([1.0, 2.0, 5.0, 10.0]))
    top = float(g.choice([0.3, 1.0, 2.0, 3.0, 5.0]))
    levels: list[float] = []
    count = int(g.integers(3, 10))
    while len(levels) < count:
        level = top * float(g.choice(SHARES))
        if not levels or abs(level - levels[-1]) >= 0.03 - 1e-9:
            levels.append(level)
    hold = g.uniform(60.0, 900.0, count)
    ramp = np.where(g.random(count) < 1 / 3, g.uniform(0.5, 30.0, count), 0.0)
    smallest = float(np.abs(np.diff(levels)).min())
    sigma = smallest / least_snr if g.random() < 0.5 else float(10 ** g.uniform(-4.0, np.log10(smallest / least_snr)))
    points, at, stays = [], 0.0, []
    for k, level in enumerate(levels):
        at += max(float(ramp[k]), 1e-6) if k else 0.0
        end = at + float(hold[k])
        points += [(at, level), (end, level)]
        stays.append((at, end, float(ramp[k]) if k else 0.0, float(ramp[k + 1]) if k + 1 < count else 0.0))
        at = end
    clock = np.arange(0.0, at, 1.0 / rate)
    if g.random() < 0.5:
        clock = clock + g.uniform(-0.3, 0.3, len(clock)) / rate
    noise = str(g.choice(["white", "autoregressive", "1 mA digits"]))
    scatter = sigma * g.normal(size=len(clock))
    if noise == "autoregressive":
        scatter = signal.lfilter([np.sqrt(1.0 - 0.8**2)], [1.0, -0.8], scatter)
    current = np.interp(clock, [p[0] for p in points], [p[1] for p in points]) + scatter
    if noise == "1 mA digits":
        current = np.round(current, 3)
    current[g.random(len(clock)) < 0.02] = np.nan
    return Log(clock, current, tuple(stays), rate, noise)


def recording_of(log: Log) -> Recording:
    """The log as a recording of one table."""
    columns = {"time_s": log.time_s, "port_current_a@C1": log.current_a}
    table = Table(RawFile("log.csv", ""), columns, np.arange(len(log.time_s), dtype=np.int64))
    return Recording("log", ("efficiency",), (table,), Conditions())


def staircases(logs: int, least_snr: float) -> None:
    """Print the share of stays found whole, missed, and the plateaus that are no stay."""
    stays: Counter[str] = Counter()
    found: Counter[str] = Counter()
    false: Counter[str] = Counter()
    edges: list[float] = []
    slowest = 0.0
    for seed in range(logs):
        log = random_log(seed, least_snr)
        began = time.perf_counter()
        plateaus = find_plateaus(recording_of(log), US_SINGLE_VOLTAGE)
        slowest = max(slowest, time.perf_counter() - began)
        interval = 1.0 / log.rate_hz
        taken: set[int] = set()
        for start, end, before, after in log.stays:
            stays[log.noise] += 1
            for k, plateau in enumerate(plateaus):
                early, late = abs(plateau.start_s - start), abs(plateau.end_s - end)
                # a missing reading next to an edge moves it by one more interval, jitter by a third
                if k not in taken and early <= before + 3.0 * interval and late <= after + 3.0 * interval:
                    taken.add(k)
                    found[log.noise] += 1
                    edges += [early / interval] * (before == 0.0) + [late / interval] * (after == 0.0)
                    break
        false[log.noise] += len(plateaus) - len(taken)
    print(f"staircases: {logs} logs, smallest step at least {least_snr:g} sigma")
    for noise in sorted(stays):
        share = 100.0 * found[noise] / stays[noise]
        print(f"  {noise}: {found[noise]} of {stays[noise]} stays found ({share:.2f} %), {false[noise]} false plateaus")
    within = [100.0 * float(np.mean(np.array(edges) <= limit)) for limit in (1.01, 1.31, 2.31)]
    print(f"  edges of sharp steps within 1, 1.3, 2.3 intervals: {', '.join(f'{w:.2f} %' for w in within)}")
    print(f"  slowest log: {slowest:.3f} s")


def flat_logs(logs: int) -> None:
    """Print how many constant loads of an hour are split by noise of up to 5 % of the load."""
    split: Counter[str] = Counter()
    for seed in range(logs):
        g = np.random.default_rng(seed)
        clock = np.arange(0.0, 3600.0, 0.5)
        level, sigma = g.uniform(0.1, 5.0), g.uniform(0.0, 0.05)
        r_1 = float(g.choice([0.0, 0.5, 0.9]))
        scatter = signal.lfilter([np.sqrt(1.0 - r_1**2)], [1.0, -r_1], g.normal(size=len(clock)))
        log = Log(clock, level * (1.0 + sigma * scatter), (), 2.0, "")
        split[f"r_1 = {r_1:g}"] += len(find_plateaus(recording_of(log), US_SINGLE_VOLTAGE)) != 1
    print(f"constant loads split: {dict(sorted(split.items()))} of {logs} in all")


def coverage(logs: int) -> None:
    """Print how often the 95 % interval of a mean holds the true value, for autoregressive plateaus."""
    print(f"coverage of the 95 % interval of the mean, {logs} plateaus each:")
    for r_1 in (0.0, 0.3, 0.6, 0.9):
        for n in (60, 300, 3000):
            g = np.random.default_rng(n)
            held = 0
            for _ in range(logs):
                scatter = signal.lfilter([np.sqrt(1.0 - r_1**2)], [1.0, -r_1], g.normal(size=n + 200))[200:]
                mean = autocorrelated_mean(np.asarray(scatter))
                held += abs(mean.value) <= mean.u * stats.t.ppf(0.975, mean.dof)
            print(f"  r_1 = {r_1}, {n} readings: {100.0 * held / logs:.1f} %")


def cycles(logs: int) -> None:
    """Print how often a burst period is found, how well, and how often one is seen in noise."""
    seen, close, false, means, held = 0, 0, 0, [], 0
    for seed in range(logs):
        g = np.random.default_rng(seed)
        clock = np.arange(0.0, 1200.0, 0.25)
        period, duty = float(g.uniform(1.2, 30.0)), float(g.uniform(0.05, 0.5))
        # what a meter shows that averages over its interval: mean of the burst wave over each quarter second
        cumulated = np.floor(clock / period) * duty * period + np.minimum(clock % period, duty * period)
        on = np.diff(cumulated, append=cumulated[-1]) / 0.25
        power = 0.02 + 0.1 * on[:-1] + 0.001 * g.normal(size=len(clock) - 1)
        cycle = find_cycle(clock[:-1], power)
        seen += cycle is not None
        ratio = cycle.period_s / period if cycle is not None else 0.0
        close += round(ratio) >= 1 and abs(ratio - round(ratio)) < 0.01 * ratio
        r_1 = float(g.choice([0.0, 0.5, 0.9]))
        scatter = signal.lfilter([np.sqrt(1.0 - r_1**2)], [1.0, -r_1], g.normal(size=len(clock)))
        false += find_cycle(clock, 0.05 + 0.002 * np.asarray(scatter)) is not None
        result = sampling_mean(clock[:-1], power)
        error = result.value.value - (0.02 + 0.1 * duty)
        means.append(abs(error))
        held += abs(error) <= result.value.u * stats.t.ppf(0.975, result.value.dof)
    print(f"bursts: {logs} logs of 20 min at 4 Hz, periods 1.2 to 30 s")
    print(f"  period seen in {seen}, a whole multiple of it within 1 % in {close}; seen in noise alone: {false}")
    print(f"  mean off by at most {1000.0 * max(means):.2f} mW, median {1000.0 * float(np.median(means)):.3f} mW")
    print(f"  95 % interval of the mean holds the truth in {100.0 * held / logs:.1f} %")


def main() -> None:
    """Run all checks."""
    logs = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for least_snr in (10.0, 5.0, 2.0, 1.0):
        staircases(logs, least_snr)
    flat_logs(logs)
    coverage(logs)
    cycles(logs)


if __name__ == "__main__":
    main()
