"""When an output voltage first is what it should be, and when it no longer is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.studies.inrush.events import Instant
from brickbook.studies.loadstep.scope import Scope, quantisation_bound
from brickbook.studies.loadstep.smoothing import Noise, Smooth, fit_at, noise_of, smooth

__all__ = ["Passage", "passage"]

FloatArray = NDArray[np.float64]

_STAYS = 16  # samples beyond the limit before it is believed


@dataclass(frozen=True, slots=True)
class Passage:
    """Time from an event of mains to the passage of a limit; `None` where there is none, and why."""

    time_s: Measured | None
    why: str = ""
    flags: tuple[str, ...] = ()


def passage(
    volts: FloatArray,
    interval_s: float,
    event: Instant,
    limit_v: float,
    scope: Scope,
    where: str,
    *,
    rising: bool,
) -> Passage:
    """Time from an event to where the voltage passes a limit and stays beyond it for some samples.

    Parameters
    ----------
    volts
        Output voltage [V], shape (n,).
    interval_s
        Between samples [s].
    event
        Mains on, or mains gone.
    limit_v
        The limit [V].
    scope
        The channel.
    where
        Identity of the capture.
    rising
        Upwards after switching on, or downwards after mains has gone.
    """
    begin = max(int(np.floor(event.at)), 0)
    sign = 1.0 if rising else -1.0
    beyond = sign * (volts - limit_v) > 0
    if begin >= 24 and bool(beyond[begin - 24 : begin].mean() > 0.5):
        state = "valid already when mains comes" if rising else "below the limit already when mains goes"
        return Passage(None, f"the output is {state}")
    quiet = volts[max(begin - 4096, 0) : begin] if begin >= 24 else volts[-64:]
    noise = noise_of(quiet, scope.step, 0.0)
    own = float(np.sqrt(max(noise.sigma**2 - scope.step**2 / 12, 0.0)))
    noise = Noise(noise.sigma, noise.quiet, quantisation_bound(scope.step, own) / 3**0.5)
    run = _runs(beyond[begin:], _STAYS)
    if run is None:
        span = (len(volts) - begin) * interval_s
        verb = "rise to" if rising else "fall to"
        return Passage(None, f"the output does not {verb} {limit_v:g} V within the {span:.3g} s captured")
    low, high = max(begin, begin + run - 8192), min(begin + run + 8192, len(volts))
    near = volts[low:high]
    soft = smooth(near, noise, max(len(near) // 40, 2))
    accuracy, bound_v = scope.absolute(limit_v)
    at, slope, u, half = _crossed(near, soft, noise, limit_v, sign)
    # a limit as far off as the scope may be wrong, to either side: the course may be bent there
    ends = [_crossed(near, soft, noise, limit_v + s * bound_v * 3**0.5, sign)[0] for s in (-1.0, 1.0)]
    reach = max(abs(end - at) for end in ends)
    steep = max(abs(slope) / interval_s, 1e-300)
    value = (low + at - event.at) * interval_s
    terms = {
        Source(f"noise at the limit, {where}", "B", "normal"): u / steep,
        accuracy: -sign * reach * interval_s / 3**0.5,
        Source(f"instant of mains, {where}", "B", "rectangular"): event.doubt * interval_s / 3**0.5,
    }
    if half < 2:
        terms[Source(f"between samples at the limit, {where}", "B", "rectangular")] = interval_s / 2 / 3**0.5
    else:
        terms[Source(f"shape under the window at the limit, {where}", "B", "rectangular")] = u / steep / 3**0.5
    if noise.floor:
        terms[Source(f"steps of the converter at the limit, {where}", "B", "rectangular")] = noise.floor / steep
    measured = with_source(Measured(value, terms), *scope.clock(value))
    flags: tuple[str, ...] = ()
    if value < 20 * interval_s:
        flags = (f"only {value / interval_s:.0f} samples: sample faster",)
    return Passage(measured, flags=flags)


def _crossed(
    near: FloatArray, soft: Smooth, noise: Noise, limit_v: float, sign: float
) -> tuple[float, float, float, int]:
    """Where a course passes a limit for good, its slope there for a sample, the noise of the fit, and its half-width.

    The end of the course where it does not pass it.
    """
    run = _runs(sign * (soft.wide - limit_v) > 0, _STAYS)
    if run is None:
        return float(len(near) - 1), 0.0, noise.u(0), 0
    half = min(soft.careful(run), run, len(near) - 1 - run)
    if half >= 2:
        fit = fit_at(near, run, half, noise)
        shift = float(np.clip((limit_v - fit.a) / fit.b, -half, half)) if fit.b else 0.0
        return run + shift, fit.b, fit.u_a, half
    if run == 0:
        return 0.0, 0.0, noise.u(0), 0
    slope = float(near[run] - near[run - 1])
    shift = float(np.clip((limit_v - float(near[run])) / slope, -1.0, 0.0)) if slope else -0.5
    return run + shift, slope, noise.u(0), 0


def _runs(beyond: NDArray[np.bool_], length: int) -> int | None:
    """Where a run of that many begins."""
    if len(beyond) < length:
        return None
    sums = np.cumsum(np.concatenate([[0], beyond.astype(np.int64)]))
    full = np.flatnonzero(sums[length:] - sums[:-length] == length)
    return int(full[0]) if len(full) else None
