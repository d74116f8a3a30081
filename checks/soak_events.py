"""How many foldbacks, trips and recoveries are found in logs whose events are known, and how many are imagined.

Run: python checks/soak_events.py [number of logs]
The numbers in docs/explanation/soak.md come from it (seeds 0 to the number of logs, less one).

Each log is an hour of one port, a row every 1 or 2 s: up to four events at least 200 s apart; noise of 0.02 to 0.3 %
with a memory; a drift of up to 1.5 %; a load that is not constant; lost readings; single wrong readings; and transients
of 5 to 30 s that are no events. A foldback is 4 to 60 % deep and takes up to 90 s. A tenth of the
logs have a slow fall of 5 to 15 % in 17 to 25 min instead.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.studies.soak.events import survey

FloatArray = NDArray[np.float64]
GAP_S = 200.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What happened: kind, middle of the change [s], its duration [s]."""

    kind: str
    time_s: float
    took_s: float


@dataclass(frozen=True, slots=True)
class Log:
    """What was logged, and what happened."""

    time_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    truths: tuple[Truth, ...]


def random_log(seed: int) -> Log:
    """One hour of one port."""
    g = np.random.default_rng(seed)
    step = float(g.choice([1.0, 2.0]))
    t = np.arange(0.0, 3600.0, step)
    n = len(t)
    contract = float(g.choice([5.0, 9.0, 15.0, 20.0]))
    amps = float(g.uniform(0.5, 5.0))
    share, volts = np.ones(n), np.full(n, contract * float(g.uniform(0.98, 1.02)))
    truths: list[Truth] = []
    if g.random() < 0.1:  # a slow fall, alone in its log
        began, took = float(g.uniform(300.0, 1500.0)), float(g.uniform(1000.0, 1500.0))
        share -= float(g.uniform(0.05, 0.15)) * np.clip((t - began) / took, 0.0, 1.0)
        return _spoil(g, t, volts, amps * share, [Truth("drift", began + took / 2, took)])
    up, at, level, full_v = True, float(g.uniform(230.0, 900.0)), 1.0, True
    for _ in range(int(g.integers(0, 5))):
        if at > 3300.0 or not up:
            break
        kinds = ["foldback", "trip", "hiccup", "dead"] if full_v else ["trip", "back"]
        kinds += ["recovery"] * 3 if full_v and level < 0.95 else []
        kinds += ["renegotiation"] if contract >= 15.0 and level == 1.0 else []
        kind = str(g.choice(kinds))
        after = t >= at
        if kind in ("foldback", "recovery"):
            depth = float(np.exp(g.uniform(np.log(0.04), np.log(0.6))))
            target = 1.0 if kind == "recovery" else level - depth
            if target < 0.2:
                continue
            took = float(g.choice([0.0, g.uniform(0.0, 90.0)]))
            share += (target - level) * np.clip((t - at) / max(took, 1e-9), 0.0, 1.0) * (t > at)
            truths.append(Truth(kind, at + took / 2, took))
            level, at = target, at + took
        elif kind == "renegotiation":
            lower = 9.0 if g.random() < 0.5 else 15.0 if contract > 15 else 5.0
            volts[after] *= lower / contract
            truths.append(Truth(kind, at, 0.0))
            level, full_v = lower / contract, False  # the load keeps its current: power falls with the voltage
        elif kind == "back":
            volts[after] /= level
            truths.append(Truth("recovery", at, 0.0))
            level, full_v = 1.0, True
        elif kind in ("trip", "dead"):
            length = float(g.uniform(5.0, 300.0)) if kind == "trip" else 1e9
            off = after & (t < at + length)
            volts[off] = float(g.uniform(0.0, 0.3))
            truths.append(Truth("trip", at, 0.0))
            if kind == "trip" and at + length < 3600.0 - 70.0:
                truths.append(Truth("recovery" if level > 0.97 else "partial recovery", at + length, 0.0))
            up = at + length < 3600.0 - 70.0
            at += length
        else:
            period, count = float(g.uniform(8.0, 30.0)), int(g.integers(3, 12))
            for k in range(count):
                volts[(t >= at + k * period) & (t < at + (k + 0.5) * period)] = 0.1
            truths.append(Truth("hiccup", at, 0.0))
            end = at + (count - 0.5) * period
            truths.append(Truth("recovery" if level > 0.97 else "partial recovery", end, 0.0))
            at = end
        at += GAP_S + float(g.exponential(500.0))
    return _spoil(g, t, volts, amps * share, truths)


def _spoil(g: np.random.Generator, t: FloatArray, volts: FloatArray, amps: FloatArray, truths: list[Truth]) -> Log:
    n = len(t)
    white = g.standard_normal(n)
    memory = float(g.choice([0.0, 0.5, 0.9]))
    noise = signal.lfilter([1.0], [1.0, -memory], white) * np.sqrt(1 - memory**2)
    amps = amps * (1.0 + float(np.exp(g.uniform(np.log(2e-4), np.log(3e-3)))) * noise)
    drift = -float(g.uniform(0.0, 0.015)) * (1.0 - np.exp(-t / 1200.0)) * float(g.choice([0.0, 1.0]))
    volts = volts * (1.0 + drift)
    for _ in range(int(g.integers(0, 4))):  # transients of the load
        start, length = float(g.uniform(200.0, 3500.0)), float(g.uniform(5.0, 30.0))
        if all(abs(start - e.time_s) > 150.0 for e in truths):
            amps[(t >= start) & (t < start + length)] *= 1.0 + float(g.choice([-1, 1]) * g.uniform(0.04, 0.2))
    amps = np.where(volts < 0.5, 0.002, amps)
    for _ in range(int(g.integers(0, 6))):  # single wrong readings
        amps[int(g.integers(n))] *= float(g.choice([0.0, 0.7, 1.4]))
    lost = g.random(n) < 0.005
    volts, amps = volts.copy(), amps.copy()
    amps[lost] = np.nan
    return Log(t, volts, amps, tuple(truths))


def match(log: Log) -> tuple[list[Truth], list[str], list[float]]:
    """Truths missed, events imagined, errors of time [s] of those found."""
    found = list(survey(log.time_s, log.voltage_v, log.current_a).events)
    missed, errors = [], []
    for truth in log.truths:
        near = [e for e in found if e.kind == truth.kind and abs(e.time_s - truth.time_s) <= 10.0 + truth.took_s / 2]
        if not near:
            missed.append(truth)
            continue
        best = min(near, key=lambda e: abs(e.time_s - truth.time_s))
        found.remove(best)
        if truth.took_s == 0.0:
            errors.append(abs(best.time_s - truth.time_s))
    return missed, [f"{e.kind} at {e.time_s:.0f} s" for e in found], errors


def main(count: int, *, tell: bool) -> None:
    """Print the table."""
    begun = time.perf_counter()
    there, lost = Counter[str](), Counter[str]()
    imagined, errors = 0, []
    for seed in range(count):
        log = random_log(seed)
        missed, extra, error = match(log)
        there.update(e.kind for e in log.truths)
        lost.update(e.kind for e in missed)
        imagined += len(extra)
        errors += error
        if tell and (missed or extra):
            print(seed, "missed", [f"{e.kind} {e.time_s:.0f} ({e.took_s:.0f})" for e in missed], "imagined", extra)
    total = sum(there.values())
    print(f"{count} logs, {total} events, {time.perf_counter() - begun:.0f} s")
    print(
        f"found {100 * (1 - sum(lost.values()) / total):.2f} %, imagined {100 * imagined / total:.2f} % of all events"
    )
    for kind in sorted(there):
        print(f"  {kind:17s} {there[kind]:4d}, missed {lost[kind]}")
    print(f"error of time of sudden events: median {np.median(errors):.2f} s, 99 % {np.quantile(errors, 0.99):.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400, tell="--tell" in sys.argv)
