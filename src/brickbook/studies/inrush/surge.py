"""The current that rushes in: its peak, and the heat it makes in a fuse.

Peak: the largest current to either side after mains comes. I²t: the integral of the squared current from there to the
end of the first pulse, where the current has come down to nothing or turns round. Both count from the mean before mains
came; the noise before it is taken off the integral in squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.studies.inrush.events import Instant
from brickbook.studies.loadstep.response import Trace, turn
from brickbook.studies.loadstep.scope import Scope, quantisation_bound
from brickbook.studies.loadstep.smoothing import Noise, noise_of, smooth

__all__ = ["Surge", "surge"]

FloatArray = NDArray[np.float64]

_NOTHING = 0.005  # of the peak
_FEW = 10
_WIDEST = 0.02
_SIGMA_SEEN = 8.0  # standard deviations beyond which a current is a surge


@dataclass(frozen=True, slots=True)
class Surge:
    """The first pulse of mains current.

    Parameters
    ----------
    peak_a
        Size of the current [A].
    i2t_a2s
        Integral of its square [A² s].
    width_s
        How long it is above half of its peak [s].
    first, stop
        Samples of the pulse.
    flags
        What a reader must know.
    """

    peak_a: Measured
    i2t_a2s: Measured
    width_s: Measured
    first: int
    stop: int
    flags: tuple[str, ...]


def surge(amps: FloatArray, interval_s: float, on: Instant, longest_s: float, scope: Scope, where: str) -> Surge | None:
    """The pulse after mains came; `None` where nothing stands out of the noise.

    Parameters
    ----------
    amps
        Mains current [A], shape (n,).
    interval_s
        Between samples [s].
    on
        When mains came.
    longest_s
        How long a pulse may be: half a period of mains, in which its largest peak is looked for too [s].
    scope
        The channel.
    where
        Identity of the capture.

    Raises
    ------
    ValueError
        When there are fewer than 24 samples before mains came.
    """
    begin = max(int(np.floor(on.at - on.doubt)), 0)
    quiet = amps[:begin]
    if len(quiet) < 24:
        raise ValueError(f"only {len(quiet)} samples before mains came: let the capture begin earlier")
    noise = noise_of(quiet, scope.step, 0.0)
    own = float(np.sqrt(max(noise.sigma**2 - scope.step**2 / 12, 0.0)))
    left = quantisation_bound(scope.step, own)
    noise = Noise(noise.sigma, noise.quiet, left / 3**0.5)
    offset = float(quiet.mean())
    u_offset = float(np.hypot(noise.sigma / len(quiet) ** 0.5, left / 3**0.5))
    end = min(begin + int(2 * longest_s / interval_s), len(amps))
    values = amps[:end] - offset
    soft = smooth(values, noise, max(int(_WIDEST * (end - begin)), 2))
    place = begin + int(np.argmax(np.abs(soft.wide[begin:end])))
    sign = 1.0 if values[place] >= 0 else -1.0
    if abs(float(soft.wide[place])) < _SIGMA_SEEN * noise.sigma:
        return None
    trace = Trace(values, interval_s, on.at, begin, noise, soft, scope, where)
    peak, place, _ = turn(trace, place, sign, "inrush peak")
    zero = Source(f"zero of the current, {where}", "A", "normal", float(len(quiet) - 1))
    peak = with_source(peak * sign, zero, -sign * u_offset)
    peak = with_source(peak, *scope.gain(float(peak.value)))
    flags: list[str] = []
    stop = _end(soft.wide, place, sign, max(3 * noise.u(4), _NOTHING * float(peak.value)), end)
    if stop >= len(amps):
        flags.append("the capture ends before the pulse does")
    first = begin  # a short spike of the input filter before the pulse belongs to it
    heat = _heat(values, interval_s, first, stop, noise, scope, where, zero, u_offset)
    half = values[first:stop] * sign > float(peak.value) / 2
    width = float(np.count_nonzero(half)) * interval_s
    width_terms = {Source(f"samples at half the peak, {where}", "B", "triangular"): interval_s / 6**0.5}
    moved = _moved(sign * soft.wide[first:stop], half, noise.sigma, float(peak.u) / 2)
    for what, samples in zip(("noise", "the peak's uncertainty"), moved, strict=True):
        width_terms[Source(f"{what} at half the peak, {where}", "B", "normal")] = samples * interval_s
    if np.count_nonzero(half) < _FEW:
        flags.append(f"only {np.count_nonzero(half)} samples above half of the peak: sample faster")
    if scope.step and float(peak.value) < 8 * scope.step:
        flags.append(f"under-resolved: the peak is {float(peak.value) / scope.step:.1f} steps of the converter")
    return Surge(peak, heat, Measured(width, width_terms), first, stop, tuple(flags))


def _end(soft: FloatArray, place: int, sign: float, nothing: float, end: int) -> int:
    low = np.flatnonzero(sign * soft[place:end] < nothing)
    return place + int(low[0]) if len(low) else end


def _moved(pulse: FloatArray, half: NDArray[np.bool_], sigma: float, u_level: float) -> tuple[float, float]:
    """How far both passages of the level are moved by noise, and by what the level itself may be off [samples].

    A passage moves by the error over the slope there (GUM 5.1.3); the slope is that of the smoothed pulse.
    """
    places = np.flatnonzero(half)
    if len(places) == 0 or len(pulse) < _FEW:
        return 0.0, 0.0
    slope = np.abs(np.gradient(pulse))[[places[0], places[-1]]]
    slope = np.maximum(slope, 1e-12 + float(np.max(np.abs(pulse))) / len(pulse))
    return float(np.hypot(*(sigma / slope))), float(np.sum(u_level / slope))


def _heat(
    values: FloatArray,
    interval_s: float,
    first: int,
    stop: int,
    noise: Noise,
    scope: Scope,
    where: str,
    zero: Source,
    u_offset: float,
) -> Measured:
    part = values[first:stop]
    squares = part**2
    n = len(part)
    variance = float(noise.sigma**2)
    total = (float(squares.sum()) - n * variance) * interval_s
    charge = float(part.sum()) * interval_s
    # d(sum i^2) = 2 i di; and the noise's own squares scatter
    u_noise = interval_s * float(np.sqrt(4 * variance * squares.sum() + 2 * n * variance**2))
    # a jump may lie anywhere between two samples
    ends = np.concatenate([[values[max(first - 1, 0)] ** 2], squares, [values[min(stop, len(values) - 1)] ** 2]])
    jump = float(np.max(np.abs(np.diff(ends)))) if n else 0.0
    terms = {
        Source(f"noise in I²t, {where}", "B", "normal"): u_noise,
        zero: -2 * charge * u_offset,
        Source(f"between samples in I²t, {where}", "B", "rectangular"): jump * interval_s / 2 / 3**0.5,
    }
    measured = Measured(total, {source: term for source, term in terms.items() if term})
    gain, size = scope.gain(2 * total)
    clock, of_clock = scope.clock(total)
    return with_source(with_source(measured, gain, size), clock, of_clock)
