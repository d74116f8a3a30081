"""What an unfinished soak tells of its end: prediction intervals for a later temperature and for the steady one.

A least-squares fit of two exponentials to twenty minutes says little by itself: its covariance is huge, and a fit of
one exponential is confidently wrong. What is known beforehand of such bodies is therefore stated and used (Bayes):

```
T(t)  = T0 + A1 (1 - exp(-t/tau1)) + A2 (1 - exp(-t/tau2)) + lag(tau2) of the room's change
tau1  log-normal, median 4 min, factor 1.8;   tau2  log-normal, median 22 min, factor 1.8;   tau2 >= 2 tau1
A1, A2  normal about 0 with three times the rise seen as standard deviation; for a body heated from cold A2 >= 0 and
        A1/tau1 + A2/tau2 >= 0: it does not cool at first. A1 < 0 is a case that waits for its inner parts.
T0      normal about the ambient, 1 K, from cold; free after a change of load
```

Medians and factors are common practice, no source: a charger's inner parts settle in minutes, its body in 10 to 40. On
a grid of (tau1, tau2) the rest is linear and done in closed form; draws from the mixture give the intervals. The room
is taken to go on as a random walk with drift, of a size learnt from its own record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brickbook.core.statistics import effective_count

__all__ = ["HORIZON_S", "Interval", "Prediction", "predict"]

FloatArray = NDArray[np.float64]

_BINS = 90
_FEWEST_BINS = 12
_LEAST_RECORD_S = 480.0
_LEAST_RISE_K = 2.0
_TAU1_S, _SPREAD1 = 240.0, float(np.log(1.8))
_TAU2_S, _SPREAD2 = 1320.0, float(np.log(1.8))
_GRID1 = np.geomspace(60.0, 900.0, 14)
_GRID2 = np.geomspace(360.0, 4800.0, 28)
_LEAST_RATIO = 2.0
_PRIOR_RISES = 3.0  # standard deviation of an amplitude beforehand, in rises seen
_START_K = 1.0
_ROOM_DRIFT_K_PER_S = 1.0 / 3600.0  # standard deviation beforehand (common practice)
_ROOM_WALK_K2_PER_S = 0.3**2 / 3600.0
_MODEL_RATIO = 0.009  # of the rise: convection and losses that change with temperature are not exponentials
_MODEL_SPAN_S = 1200.0  # over which such a departure is alike
_MODEL_FADES_S = 1800.0  # in which it fades as the curve flattens
_TAIL_RATIO = 0.04  # of what is still to come: third bodies and easier convection make a slow tail
_TAIL_LATE = 5  # that tells only after two time constants: power of the part of the way gone
HORIZON_S = 8 * 3600.0  # furthest soak that is planned
_PLANNED_S = tuple(60.0 * m for m in (0, 5, 10, 15, 20, 30, 40, 50, 60, 75, 90, 120, 150, 180, 240, 300, 360, 480))
_PLANS = 60  # draws for which the further soak is planned


@dataclass(frozen=True, slots=True)
class Interval:
    """Median, ends of the 95 % interval and standard deviation of what is predicted."""

    value: float
    lower: float
    upper: float
    s: float

    @property
    def half_width(self) -> float:
        """Half of the interval's width."""
        return (self.upper - self.lower) / 2


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a soak will come to.

    Parameters
    ----------
    steady_c
        Temperature after any time, with the room as at the record's end [°C].
    steady_rise_k
        That less the room's temperature [K].
    later_c
        Temperature at each asked time, the room's own drift included [°C].
    curve_s, curve_c
        Times and intervals of the predicted tail, for a chart: median, lower, upper, shape (m,) and (3, m).
    further_s
        Soak still needed until the 95 % half-width of the steady temperature is within the tolerance [s].
    reached_ratio
        Part of the steady rise that the record has reached (median).
    tau_s
        Slow time constant [s].
    noise_k
        Standard deviation about the curve of the means it was fitted to [K].
    """

    steady_c: Interval
    steady_rise_k: Interval
    later_c: tuple[Interval, ...]
    curve_s: FloatArray
    curve_c: FloatArray
    further_s: Interval
    reached_ratio: float
    tau_s: Interval
    noise_k: float


def predict(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    ambient_c: ArrayLike,
    *,
    seed: int,
    at_s: tuple[float, ...] = (),
    cold: bool = True,
    tolerance_k: float = 1.0,
    draws: int = 3000,
) -> Prediction:
    """Predict from the readings so far.

    Parameters
    ----------
    time_s
        Times [s] since the load began (or last changed), rising, shape (n,).
    temperature_c, ambient_c
        Surface and room [°C], shape (n,).
    seed
        Of the draws; the same seed gives the same result.
    at_s
        Times whose temperature is asked [s].
    cold
        Whether the body began at the room's temperature.
    tolerance_k
        Half-width of the 95 % interval at which the steady temperature counts as known [K].
    draws
        Draws from the mixture.

    Raises
    ------
    ValueError
        When the record is shorter than eight minutes, has fewer than twelve readings, or hardly warmed.
    """
    t, y, room = (np.asarray(v, dtype=np.float64) for v in (time_s, temperature_c, ambient_c))
    t, y, room = _binned(t, y, room)
    rise = float(np.max(y) - np.min(y))
    if t[-1] - t[0] < _LEAST_RECORD_S or len(t) < _FEWEST_BINS:
        raise ValueError(f"a prediction needs eight minutes of readings, there are {(t[-1] - t[0]) / 60:.1f}")
    if cold and rise < _LEAST_RISE_K:
        raise ValueError(f"the temperature rose by {rise:.1f} K only: nothing to predict from")
    rng = np.random.default_rng(seed)
    room0 = float(np.mean(room[: max(2, len(room) // 15)]))
    tau1, tau2 = (g.ravel() for g in np.meshgrid(_GRID1, _GRID2, indexing="ij"))
    kept = tau2 >= _LEAST_RATIO * tau1
    tau1, tau2 = tau1[kept], tau2[kept]
    lag = {float(tau): _lag(t, room - room0, float(tau)) for tau in _GRID2}
    design = np.stack([_design(t, a, b) for a, b in zip(tau1, tau2, strict=True)])  # (cells, n, 3)
    data = y - np.stack([lag[float(tau)] for tau in tau2])  # (cells, n)
    scale = _PRIOR_RISES * max(rise, _LEAST_RISE_K)
    prior_mean = np.array([room0 if cold else y[0], 0.0, 0.0])
    prior_sd = np.array([_START_K if cold else max(1.0, 0.2 * scale), scale, scale])
    variance, share = _noise(design, data, prior_mean, prior_sd)
    white = np.linalg.inv(np.linalg.cholesky(_cover(t, rise, variance / share)))
    mean, precision, evidence = _posterior(white @ design, data @ white.T, prior_mean, prior_sd)
    log_prior = -0.5 * (np.log(tau1 / _TAU1_S) / _SPREAD1) ** 2 - 0.5 * (np.log(tau2 / _TAU2_S) / _SPREAD2) ** 2
    weight = np.exp(evidence + log_prior - np.max(evidence + log_prior))
    cell, beta = _draw(rng, weight / weight.sum(), mean, precision, draws, tau1 / tau2 if cold else None)
    misfit = 0.5 * float(_departure(t[-1:], rise)[0]) * rng.standard_normal(len(cell))
    now = float(np.mean(y[-max(2, len(y) // 30) :]))
    ahead = _Room.of(t, room, rng, len(cell))
    lag_end = np.array([lag[float(tau)][-1] for tau in tau2])[cell]
    a, b = tau1[cell], tau2[cell]
    to_come = beta.sum(axis=1) - room0 - (now - ahead.level)
    tail = _TAIL_RATIO * to_come * rng.standard_normal(len(cell))

    def later(when: float) -> FloatArray:
        gone = np.stack([np.ones(len(cell)), -np.expm1(-when / a), -np.expm1(-when / b)])
        beyond = max(when - float(t[-1]), 0.0)
        # little is unknown at the record's end; the model's misfit grows on the way to the steady state
        gained = -np.expm1(-beyond / b)
        grown = misfit * gained + tail * gained**_TAIL_LATE
        moved: FloatArray = ahead.lagged(lag_end + room0, beyond, b, rng) - room0
        return np.asarray(np.sum(beta.T * gone, axis=0) + moved + grown, dtype=np.float64)

    steady_rise = beta.sum(axis=1) - room0 + misfit + tail
    curve_s = np.linspace(float(t[-1]), max(float(t[-1]) * 1.02, 3600.0, *at_s), 40)
    curve = np.array([np.quantile(later(float(s)), (0.5, 0.025, 0.975)) for s in curve_s]).T
    steady = steady_rise + ahead.level
    further = _further(t, a, b, beta, variance / share, prior_sd, rise, tolerance_k)
    reached = (now - (ahead.level - room0) - float(np.median(beta[:, 0]))) / max(
        float(np.median(beta.sum(axis=1) - beta[:, 0])), 1e-9
    )
    return Prediction(
        steady_c=_interval(steady),
        steady_rise_k=_interval(steady_rise),
        later_c=tuple(_interval(later(s)) for s in at_s),
        curve_s=curve_s,
        curve_c=curve,
        further_s=_interval(further),
        reached_ratio=float(reached),
        tau_s=_interval(b),
        noise_k=float(np.sqrt(variance)),
    )


@dataclass(frozen=True, slots=True)
class _Room:
    """The room from the record's end on: level [°C], draws of its drift [K/s], size of its walk [K^2/s]."""

    level: float
    drift: FloatArray
    walk: float

    @classmethod
    def of(cls, t: FloatArray, room: FloatArray, rng: np.random.Generator, draws: int) -> _Room:
        span = float(t[-1] - t[0])
        x = t - t.mean()
        slope = float(x @ (room - room.mean()) / (x @ x))
        left = room - room.mean() - slope * x
        # a random walk of q K^2/s leaves on average q D/15 about its own straight line over D seconds
        seen = 15.0 * float(np.mean(left**2)) / span
        walk = (2.0 * _ROOM_WALK_K2_PER_S + seen) / 3.0
        # and gives that line a slope of variance 6 q/(5 D) though there be no drift
        of_walk = 1.2 * walk / span
        gain = _ROOM_DRIFT_K_PER_S**2 / (_ROOM_DRIFT_K_PER_S**2 + of_walk)
        drift = gain * slope + np.sqrt(gain * of_walk) * rng.standard_normal(draws)
        recent = t >= t[-1] - 180.0
        level = float(np.mean(room[recent])) + gain * slope * float(t[-1] - np.mean(t[recent]))
        return cls(level, drift, walk)

    def lagged(self, now: FloatArray, beyond_s: float, tau_s: FloatArray, rng: np.random.Generator) -> FloatArray:
        """What a body that follows the room with this time constant makes of it [°C]."""
        decay = np.exp(-beyond_s / tau_s)
        carried = self.level + (now - self.level) * decay
        ramp = self.drift * (beyond_s - tau_s * (1.0 - decay))
        spread = beyond_s - 2.0 * tau_s * (1.0 - decay) + tau_s / 2.0 * (1.0 - decay**2)
        noise = rng.standard_normal(len(self.drift)) * np.sqrt(np.maximum(self.walk * spread, 0.0))
        return np.asarray(carried + ramp + noise, dtype=np.float64)


def _binned(t: FloatArray, y: FloatArray, room: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means over equal stretches of time, so that a long log costs no more than a short one."""
    good = np.isfinite(t) & np.isfinite(y) & np.isfinite(room)
    t, y, room = t[good], y[good], room[good]
    if len(t) < 2:
        raise ValueError("a prediction needs readings of the surface and of the room at the same times")
    number = np.minimum(((t - t[0]) / (t[-1] - t[0]) * _BINS).astype(np.int64), _BINS - 1)
    count = np.bincount(number, minlength=_BINS)
    used = count > 0

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(number, values, _BINS)[used] / count[used], dtype=np.float64)

    return mean(t), mean(y), mean(room)


def _lag(t: FloatArray, change: FloatArray, tau_s: float) -> FloatArray:
    """First-order response to a course that is straight between its points, from rest."""
    out = np.zeros(len(t))
    for k in range(1, len(t)):
        step = t[k] - t[k - 1]
        decay = np.exp(-step / tau_s)
        slope = (change[k] - change[k - 1]) / step
        out[k] = change[k] - slope * tau_s + (out[k - 1] - change[k - 1] + slope * tau_s) * decay
    return out


def _design(t: FloatArray, tau1: float, tau2: float) -> FloatArray:
    return np.column_stack([np.ones(len(t)), -np.expm1(-t / tau1), -np.expm1(-t / tau2)])


def _alike(a: FloatArray, b: FloatArray) -> FloatArray:
    """Correlation of a smooth departure at two times (Matérn, once differentiable)."""
    x = 3**0.5 * np.abs(a[:, None] - b) / _MODEL_SPAN_S
    return np.asarray((1.0 + x) * np.exp(-x), dtype=np.float64)


def _noise(design: FloatArray, data: FloatArray, prior_mean: FloatArray, prior_sd: FloatArray) -> tuple[float, float]:
    """Variance about the best curve, and what share of the readings is independent."""
    normal = np.einsum("cni,cnj->cij", design, design) + np.diag(1e-6 / prior_sd**2)
    right = np.einsum("cni,cn->ci", design, data) + 1e-6 * prior_mean / prior_sd**2
    best = np.linalg.solve(normal, right[..., None])[..., 0]
    residuals = data - np.einsum("cni,ci->cn", design, best)
    squares = np.einsum("cn,cn->c", residuals, residuals)
    least = int(np.argmin(squares))
    n = data.shape[1]
    variance = max(float(squares[least]) / (n - 5), 1e-8)
    return variance, effective_count(residuals[least]) / n


def _posterior(
    design: FloatArray, data: FloatArray, prior_mean: FloatArray, prior_sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """For each cell: mean, precision of (T0, A1, A2), and log of the evidence up to a constant."""
    inverse = np.diag(1.0 / prior_sd**2)
    precision = np.einsum("cni,cnj->cij", design, design) + inverse
    right = np.einsum("cni,cn->ci", design, data) + inverse @ prior_mean
    mean = np.linalg.solve(precision, right[..., None])[..., 0]
    squares = np.einsum("cn,cn->c", data, data) - np.einsum("ci,ci->c", mean, right)
    _, determinant = np.linalg.slogdet(precision)
    return mean, precision, -0.5 * squares - 0.5 * determinant


def _draw(
    rng: np.random.Generator,
    weight: FloatArray,
    mean: FloatArray,
    precision: FloatArray,
    draws: int,
    ratio: FloatArray | None,
) -> tuple[NDArray[np.int64], FloatArray]:
    """Cells and parameters from the mixture; with tau1/tau2, curves that begin by cooling are drawn anew."""
    root = np.linalg.cholesky(np.linalg.inv(precision))
    cells: list[NDArray[np.int64]] = []
    found: list[FloatArray] = []
    for _ in range(20):
        cell = rng.choice(len(weight), size=draws, p=weight)
        beta = mean[cell] + np.einsum("cij,cj->ci", root[cell], rng.standard_normal((draws, 3)))
        good = np.ones(draws, dtype=np.bool_)
        if ratio is not None:
            # 10 % of leeway: a case behind its inner parts starts with no slope at all
            good = (beta[:, 2] >= 0.0) & (beta[:, 1] >= -1.1 * ratio[cell] * beta[:, 2])
        cells.append(cell[good])
        found.append(beta[good])
        if sum(len(c) for c in cells) >= draws:
            break
    drawn = np.concatenate(cells)[:draws]
    if len(drawn) < draws // 20:
        raise ValueError("the temperature does not follow a body warmed from cold: no heating curve fits")
    return drawn, np.concatenate(found)[:draws]


def _further(
    t: FloatArray,
    tau1: FloatArray,
    tau2: FloatArray,
    beta: FloatArray,
    variance: float,
    prior_sd: FloatArray,
    rise: float,
    tolerance_k: float,
) -> FloatArray:
    """For some draws: how much longer until the steady temperature is known, from what later readings will tell.

    The readings to come have the noise and the departures of those so far; their information about the curve, linear in
    its parameters near the draw, is added to what is known beforehand.
    """
    now, step = float(t[-1]), float((t[-1] - t[0]) / (len(t) - 1))
    a, b = tau1[:_PLANS, None], tau2[:_PLANS, None]
    a1, a2 = beta[:_PLANS, 1, None], beta[:_PLANS, 2, None]
    start = np.diag(1.0 / np.concatenate([prior_sd, [_SPREAD1, _SPREAD2]]) ** 2)
    toward = np.array([1.0, 1.0, 1.0, 0.0, 0.0])
    spreads = []
    for more in _PLANNED_S:
        when = np.linspace(t[0], now + more, _BINS)
        noise = variance * step * (_BINS - 1) / (now + more - t[0])
        white = np.linalg.inv(np.linalg.cholesky(_cover(when, rise, noise)))
        e1, e2 = np.exp(-when / a), np.exp(-when / b)
        # derivatives by T0, A1, A2 and by the logarithms of the time constants
        slopes = np.stack([np.ones(e1.shape), 1 - e1, 1 - e2, -a1 * e1 * when / a, -a2 * e2 * when / b], axis=2)
        slopes = white @ slopes
        told = np.einsum("dni,dnj->dij", slopes, slopes) + start
        spread = np.linalg.solve(told, np.broadcast_to(toward, (len(told), 5))[..., None])[..., 0] @ toward
        spreads.append(spread + (_TAIL_RATIO * (a1 * e1 + a2 * e2)[:, -1]) ** 2)
    table = np.log(np.minimum.accumulate(np.array(spreads), axis=0))  # more readings cannot tell less
    needed = 2.0 * np.log(tolerance_k / 1.96)
    return np.array([_reached(np.array(_PLANNED_S), column, needed) for column in table.T])


def _reached(more: FloatArray, falling: FloatArray, needed: float) -> float:
    """Where a falling course comes down to what is needed, by straight lines; the last place where it never does."""
    below = np.flatnonzero(falling <= needed)
    if not len(below):
        return float(more[-1])
    k = int(below[0])
    if k == 0:
        return 0.0
    part = (falling[k - 1] - needed) / (falling[k - 1] - falling[k])
    return float(more[k - 1] + part * (more[k] - more[k - 1]))


def _cover(t: FloatArray, rise: float, variance: float) -> FloatArray:
    """Covariance of the readings about the model: a curve's own departure from it, and noise."""
    departure = _departure(t, rise)
    return np.asarray(np.outer(departure, departure) * _alike(t, t) + variance * np.eye(len(t)), dtype=np.float64)


def _departure(t: FloatArray, rise: float) -> FloatArray:
    return np.asarray(_MODEL_RATIO * rise * np.exp(-t / _MODEL_FADES_S), dtype=np.float64)


def _interval(draws: FloatArray) -> Interval:
    middle, lower, upper = np.quantile(draws, (0.5, 0.025, 0.975))
    return Interval(float(middle), float(lower), float(upper), float(np.std(draws)))
