"""How often a soak predicted from 20, 30 and 40 minutes holds its hour's end, and how wide the interval is.

Run: python checks/soak_prediction.py [number of soaks]
The numbers in docs/explanation/soak.md come from it (seeds 0 to the number of soaks, less one).

The soaks are not made by the model that predicts them: three bodies (inner parts, case, an air space or shell) joined
by thermal resistances, of which the outer one's falls with its rise as natural convection and radiation make it; losses
that grow with the inner temperature; a room that drifts, swings with its heating and wanders; a sensor with an offset
against the room's sensor, and noise that has a memory.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from multiprocessing import Pool

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.studies.soak.prediction import predict

FloatArray = NDArray[np.float64]
MINUTES = (20, 30, 40)
STEP_S = 2.0


@dataclass(frozen=True, slots=True)
class Soak:
    """Logged surface and room, and the surface's true temperature as its sensor would read it without noise.

    After the first hour the room stands still at `steady_room_c`, so that a long soak ends in the steady rise.
    """

    time_s: FloatArray
    surface_c: FloatArray
    room_c: FloatArray
    truth_c: FloatArray
    steady_room_c: float


def random_soak(seed: int, hours: float = 1.0) -> Soak:
    """One soak from cold. Slow time constants come out at 8 to 50 min, rises at 10 to 60 K."""
    g = np.random.default_rng(seed)
    n = round(hours * 3600 / STEP_S) + 1
    t: FloatArray = np.arange(n, dtype=np.float64) * STEP_S
    room = _room(g, t)
    room[t > 3600.0] = room[min(n - 1, round(3600 / STEP_S))]
    loss = float(g.uniform(2.0, 12.0))
    outer_rise = float(g.uniform(12.0, 50.0))
    slow = float(np.exp(g.normal(np.log(1150.0), 0.38)))
    fast = slow / float(g.uniform(4.0, 12.0))
    to_room = outer_rise / loss  # K/W at the final rise
    to_case = to_room * float(g.uniform(0.3, 1.2))
    case_heat, inner_heat = slow / to_room, fast / to_case
    shell_share = float(g.uniform(0.0, 0.25))  # a loosely joined part of the case
    shell_heat, to_shell = case_heat * shell_share + 1e-3, to_room * float(g.uniform(0.2, 0.6))
    case_heat *= 1.0 - shell_share
    warm = float(g.uniform(0.0, 0.003))  # losses per kelvin inside
    power_of_rise = float(g.uniform(0.0, 0.20))  # h ~ rise^p: convection 0.25, radiation near 0
    inner = case = shell = room[0] + float(g.normal(0.0, 0.2))
    truth = np.empty(n)
    for k in range(n):
        truth[k] = case
        rise = case - room[k]
        easier = (max(rise, 0.5) / outer_rise) ** power_of_rise
        in_case = (inner - case) / to_case
        in_shell = (case - shell) / to_shell
        inner += STEP_S / inner_heat * (loss * (1 + warm * (inner - 60.0)) - in_case)
        shell += STEP_S / shell_heat * in_shell if shell_share > 0.02 else 0.0
        case += STEP_S / case_heat * (in_case - (in_shell if shell_share > 0.02 else 0.0) - rise * easier / to_room)
    offset = float(g.normal(0.0, 0.4))
    noise = float(g.uniform(0.03, 0.25)) * _noise(g, n, float(g.choice([0.0, 0.5, 0.9])))
    sensor = np.round((truth + offset + noise) / 0.1) * 0.1
    seen = np.round((room + 0.05 * _noise(g, n, 0.5)) / 0.1) * 0.1
    return Soak(t, sensor, seen, truth + offset, float(room[-1]))


def _room(g: np.random.Generator, t: FloatArray) -> FloatArray:
    """Drift of 1 K/h (standard deviation), a swing of up to 0.3 K every 10 to 40 min, a walk of 0.3 K in an hour."""
    swing = float(g.uniform(0.0, 0.3)) * np.sin(
        2 * np.pi * t / float(g.uniform(600.0, 2400.0)) + float(g.uniform(0, 6))
    )
    walk = np.cumsum(g.standard_normal(len(t))) * 0.3 * np.sqrt(STEP_S / 3600.0)
    return np.asarray(float(g.uniform(19, 28)) + float(g.normal()) * t / 3600.0 + swing + walk, dtype=np.float64)


def _noise(g: np.random.Generator, n: int, memory: float) -> FloatArray:
    white = g.standard_normal(n) * np.sqrt(1.0 - memory**2)
    return np.asarray(signal.lfilter([1.0], [1.0, -memory], white), dtype=np.float64)


def cases(seed: int) -> list[tuple[float, ...]]:
    """Of one soak, predicted from each length: held, half-width, error, still to come; the same of the steady rise."""
    soak = random_soak(seed, hours=8.0)
    hour_c = float(soak.truth_c[round(3600 / STEP_S)])
    steady_k = float(soak.truth_c[-1]) - soak.steady_room_c
    rows: list[tuple[float, ...]] = []
    for minutes in MINUTES:
        cut = soak.time_s <= minutes * 60
        told = predict(soak.time_s[cut], soak.surface_c[cut], soak.room_c[cut], seed=seed, at_s=(3600.0,))
        (hour,) = told.later_c
        rise = told.steady_rise_k
        rows.append(
            (
                float(hour.lower <= hour_c <= hour.upper),
                hour.half_width,
                hour.value - hour_c,
                hour_c - float(np.mean(soak.surface_c[cut][-30:])),
                float(rise.lower <= steady_k <= rise.upper),
                rise.half_width,
                rise.value - steady_k,
                told.further_s.value / 60,
                _kept(soak, minutes, told.further_s.value, seed) if seed % 5 == 0 else np.nan,
            )
        )
    return rows


def main(count: int) -> None:
    """Print the tables."""
    begun = time.perf_counter()
    with Pool() as pool:
        found = pool.map(cases, range(count), chunksize=5)
    rows = {m: [one[k] for one in found] for k, m in enumerate(MINUTES)}
    print(f"{count} soaks, {time.perf_counter() - begun:.0f} s")
    print("minutes  held %  half-width median, 90th [K]  error of the median, rms [K]  still to come, rms [K]")
    table = {m: np.array(r) for m, r in rows.items()}
    for minutes, t in table.items():
        widths = f"{np.median(t[:, 1]):6.2f} {np.quantile(t[:, 1], 0.9):6.2f}"
        print(f"{minutes:7d}  {100 * t[:, 0].mean():6.1f}  {widths}  {_rms(t[:, 2]):6.2f}  {_rms(t[:, 3]):6.2f}")
    print(
        "the steady rise: held %, half-width median, 90th [K], error rms [K]; advised further soak, median [min], and"
    )
    print("half-width after it, median [K] (a fifth of the soaks)")
    for minutes, t in table.items():
        widths = f"{np.median(t[:, 5]):6.2f} {np.quantile(t[:, 5], 0.9):6.2f}"
        more = f"{np.median(t[:, 7]):6.0f}  {np.nanmedian(t[:, 8]):6.2f}"
        print(f"{minutes:7d}  {100 * t[:, 4].mean():6.1f}  {widths}  {_rms(t[:, 6]):6.2f}  {more}")


def _kept(soak: Soak, minutes: int, further_s: float, seed: int) -> float:
    """Half-width of the steady rise once the soak has gone on for as long as was advised [K]."""
    cut = soak.time_s <= minutes * 60 + further_s
    return predict(soak.time_s[cut], soak.surface_c[cut], soak.room_c[cut], seed=seed).steady_rise_k.half_width


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
