"""When mains comes and when it goes, from its voltage or, for want of that, from the current it drives.

Mains comes where the voltage first leaves the noise of a dead line: between two samples where it jumps, and at its own
zero where it rises slowly. Mains goes where the voltage first departs from what it was one period before; that holds
for a distorted mains as well, and for a charger whose input capacitor keeps the voltage it had.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.fitting import fit_nonlinear

__all__ = ["Instant", "Phase", "mains_gone", "mains_on", "phase_at", "surge_begins"]

FloatArray = NDArray[np.float64]

_SIGMA = 6.0
_SMALL = 0.02  # of the amplitude: less is no sign of mains
_CYCLES = 3  # of mains to which its phase is fitted
_LEAST = 16  # samples of a dead line


@dataclass(frozen=True, slots=True)
class Instant:
    """A time in samples from the first, fractional, with the half-width of its error."""

    at: float
    doubt: float


@dataclass(frozen=True, slots=True)
class Phase:
    """Angle of the mains voltage after its last zero, 0 to 180 degrees, with its standard uncertainty [deg]."""

    angle_deg: float
    u_deg: float
    amplitude_v: float


def mains_on(volts: FloatArray, interval_s: float, mains_hz: float) -> Instant | None:
    """When mains comes; `None` where it is there from the beginning, or never.

    Parameters
    ----------
    volts
        Mains voltage [V], shape (n,).
    interval_s
        Between samples [s].
    mains_hz
        Its frequency [Hz].
    """
    high = float(np.quantile(np.abs(volts), 0.99))
    if high <= 0.0:
        return None
    live = np.flatnonzero(np.abs(volts) > 0.3 * high)
    if not len(live) or live[0] < _LEAST:
        return None
    dead = volts[: max(int(live[0]) // 2, _LEAST)]
    steepest = 2 * np.pi * mains_hz * interval_s * high
    if float(np.ptp(dead)) > 0.3 * len(dead) * steepest:
        return None  # mains on its way through zero, or too little of a dead line to tell
    offset, sigma = float(np.median(dead)), float(np.std(dead))
    reach = max(_SIGMA * sigma, _SMALL * high)
    away = np.abs(volts - offset)
    quarter = 0.25 / mains_hz / interval_s
    # before the first sample that is mains beyond doubt it may pass through zero once
    began = max(int(live[0] - 2.4 * quarter), 1)
    k = began + int(np.argmax(away[began : int(live[0]) + 1] > reach))
    if float(away[k]) > reach + 3 * steepest:
        return Instant(k - 0.5, 0.5)
    early = float(away[k]) / steepest
    return Instant(k - early, max(0.5, 0.5 * early))


def mains_gone(volts: FloatArray, interval_s: float, mains_hz: float, after: float = 0.0) -> Instant | None:
    """When mains goes; `None` where it stays, or was never there for two periods.

    Parameters
    ----------
    volts
        Mains voltage [V], shape (n,).
    interval_s
        Between samples [s].
    mains_hz
        Its frequency [Hz].
    after
        Sample from which mains is there.
    """
    period = 1.0 / mains_hz / interval_s
    first = int(np.ceil(after)) + 1
    n = len(volts)
    if n - first < 2.5 * period or period < 20:
        return None
    high = float(np.quantile(np.abs(volts[first : first + int(period)]), 0.99))
    place = np.arange(first + int(np.ceil(period)), n)
    changed = volts[place] - np.interp(place - period, np.arange(n), volts)
    usual = float(np.median(np.abs(changed[: int(period)]))) * 1.4826
    reach = max(_SIGMA * usual, _SMALL * high)
    over = np.abs(changed) > reach
    # it must go for good: most of the following quarter period differs
    quarter = max(int(period / 4), 3)
    ahead = np.convolve(over, np.ones(quarter), mode="full")[quarter - 1 :][: len(over)] / quarter
    starts = np.flatnonzero(over & (ahead > 0.6))
    if not len(starts):
        return None
    k = int(starts[0])
    sure = np.flatnonzero(np.abs(changed[:k]) <= max(2 * usual, 1e-9 * high))
    back = int(sure[-1]) if len(sure) else max(k - 1, 0)
    at_once = k > 0 and abs(float(changed[k])) > 3 * max(reach, abs(float(changed[k - 1])))
    if k - back <= 1 or at_once:
        return Instant(float(place[k]) - 0.5, 0.5)
    began, doubt = _parted(changed[back : k + max(int(period / 25), 8)], usual, k - back)
    return Instant(float(place[back]) + began, max(0.5, doubt, 0.3 * (k - back - began)))


def _parted(changed: FloatArray, usual: float, latest: int) -> tuple[float, float]:
    """Where a course that parts from zero slowly began to, in samples, and how far off that may be.

    A parabola is laid through it. Where it touches zero, as that of a capacitor does that held the crest, its turn is
    the place, else its root; what the other would have given is the doubt.
    """
    x = np.arange(len(changed), dtype=np.float64)
    c, b, a = (float(p) for p in np.polyfit(x, changed, 2))
    if c == 0.0:
        return 0.0, 0.0
    turn, depth, inner = -b / (2 * c), a - b * b / (4 * c), b * b - 4 * c * a
    roots = [(-b + s * float(np.sqrt(inner))) / (2 * c) for s in (-1.0, 1.0)] if inner > 0.0 else []
    fitting = [r for r in roots if -len(x) <= r <= latest]
    if not fitting or abs(depth) < 2 * usual:
        began = float(np.clip(turn, -len(x), latest))
        return began, max((abs(r - began) for r in fitting), default=0.0)
    began = max(fitting)
    return began, abs(turn - began) if -len(x) <= turn <= latest else 0.0


def phase_at(volts: FloatArray, interval_s: float, mains_hz: float, instant: Instant) -> Phase | None:
    """Angle of mains at an instant, from a sine fitted to the periods after it; `None` with less than 1.5 of them."""
    first = int(np.ceil(instant.at + 0.25 / mains_hz / interval_s))
    stop = min(first + int(_CYCLES / mains_hz / interval_s), len(volts))
    cycles = (stop - first) * interval_s * mains_hz
    if cycles < 1.5:
        return None
    time = (np.arange(first, stop) - instant.at) * interval_s
    part = volts[first:stop]
    w = 2 * np.pi * mains_hz
    scale = float(np.max(np.abs(part))) or 1.0
    design = np.column_stack([np.sin(w * time), np.cos(w * time), np.ones_like(time)])
    start = np.linalg.lstsq(design, part / scale, rcond=None)[0]
    fit = fit_nonlinear(
        lambda x, a, b, c, f: a * np.sin(f * x) + b * np.cos(f * x) + c,
        w * time,
        part / scale,
        (*start.tolist(), 1.0),
    )
    a, b = float(fit.parameters[0]), float(fit.parameters[1])
    size = float(np.hypot(a, b))
    angle = float(np.degrees(np.arctan2(b, a))) % 180.0
    # distortion is no noise: it repeats each cycle, so the cycles count and not the samples
    own = float(np.degrees(np.hypot(*fit.u[:2]))) / size
    instant_deg = 360.0 * mains_hz * interval_s * instant.doubt / 3**0.5
    return Phase(angle, float(np.hypot(own, instant_deg)), size * scale)


def surge_begins(amps: FloatArray) -> Instant | None:
    """Where a current first leaves the noise before it; `None` where it does not."""
    top = float(np.max(np.abs(amps)))
    strong = np.flatnonzero(np.abs(amps) > 0.5 * top)
    if not len(strong) or strong[0] < _LEAST:
        return None
    dead = amps[: max(int(strong[0]) // 2, _LEAST)]
    reach = max(_SIGMA * float(np.std(dead)), 0.01 * top)
    below = np.flatnonzero(np.abs(amps[: int(strong[0]) + 1] - np.median(dead)) <= reach)
    return Instant(float(below[-1]) + 0.5, 0.5) if len(below) else None
