"""What a voltage does after one step of the load.

Definitions (common practice, no source). The settled level is the mean of the last tenth of the time up to the next
step, the level before is that of the last tenth before the step. Undershoot is the settled level less the minimum,
overshoot the maximum less the settled level; the peak deviation counts from the level before. The recovery time runs
from the instant the current passes half of its step to the *last* exit from a band about the settled level, not to the
first entry into it and not to where an envelope would leave it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from brickbook.core.statistics import autocorrelated_mean, fit_line
from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.studies.loadstep.ringing import Ringing, ringing
from brickbook.studies.loadstep.scope import Scope, quantisation_bound
from brickbook.studies.loadstep.smoothing import Fit, Noise, Smooth, fit_at, noise_of, one_sided, smooth
from brickbook.studies.loadstep.steps import Edge

__all__ = ["Recovery", "Response", "Trace", "respond", "turn"]

FloatArray = NDArray[np.float64]

_TENTH = 0.1
_MEANS = 32  # stretches of a level, over which ripple averages out, whose scatter is looked at
_WIDEST = 0.05  # of the trace: largest half-width of a window
_SEEN = 4.0  # standard deviations of noise beyond which a swing is one
_LATE = 0.7  # of the window; a recovery later than that leaves little to settle in
_FEW = 20  # samples in a recovery, below which its course is guessed
_SURE = 0.98
_GLITCH = 3  # samples: a shorter stay outside the band may be no part of the course


@dataclass(frozen=True, slots=True)
class Recovery:
    """Time to the last exit from a band.

    Parameters
    ----------
    time_s
        `None` where there is none; `why` then says why.
    stays
        The voltage never leaves the band.
    why
        Why there is no time.
    flags
        What a reader must know.
    method
        How it was found.
    """

    band_v: float
    time_s: Measured | None
    stays: bool = False
    why: str = ""
    flags: tuple[str, ...] = ()
    method: str = ""


@dataclass(frozen=True, slots=True)
class Response:
    """What the voltage did.

    Parameters
    ----------
    before_v, settled_v
        Levels before the step and after it [V]. Their uncertainty is that of a difference: scatter, gain not counted.
    level_change_v
        Settled level less the one before [V].
    deviation_v
        Farthest from the level before, in the direction of the first swing, as a positive number [V].
    swing_v
        Undershoot of a rising load, overshoot of a falling one [V]; `None` where none is seen.
    rebound_v
        The swing to the other side after it [V]; `None` where none is seen.
    extreme_s
        When the first swing turns, from the instant of the step [s].
    recoveries
        One for each band asked for.
    ringing
        `None` where there is none.
    slew_v_per_s
        From 10 to 90 % of the way to the turn of the first swing [V/s]; `None` where samples do not show it.
    ripple_v
        Peak-to-peak of the settled stretch, noise included [V].
    noise_v
        Standard deviation of a sample there [V].
    flags
        Concerning all of it.
    smooth
        The trace as it was smoothed, from sample `start` on.
    """

    before_v: Measured
    settled_v: Measured
    level_change_v: Measured
    deviation_v: Measured | None
    swing_v: Measured | None
    rebound_v: Measured | None
    extreme_s: float
    recoveries: tuple[Recovery, ...]
    ringing: Ringing | None
    slew_v_per_s: Measured | None
    ripple_v: float
    noise_v: float
    flags: tuple[str, ...]
    smooth: Smooth


@dataclass(frozen=True, slots=True)
class Trace:
    """Samples of one transient, and where in them things are.

    Parameters
    ----------
    values
        Samples [unit], shape (n,).
    interval_s
        Between them [s].
    at
        Instant of the step, in samples from the first; fractional.
    begin
        Sample before which nothing happens.
    noise, soft
        Of the samples, and the samples smoothed.
    scope
        The channel, for its errors.
    where
        Identity of this transient.
    """

    values: FloatArray
    interval_s: float
    at: float
    begin: int
    noise: Noise
    soft: Smooth
    scope: Scope
    where: str


def respond(
    values: FloatArray, interval_s: float, start: float, edge: Edge, scope: Scope, where: str, bands_v: Sequence[float]
) -> Response:
    """Response to one step.

    Parameters
    ----------
    values
        Voltage from the step before to the one after [V], shape (n,), finite, equally spaced.
    interval_s
        Between them [s].
    start
        Place of the first of them in the capture, in these intervals.
    edge
        The step, its places in these intervals.
    scope
        The channel, for its errors.
    where
        Identity of this step, for the names of its own sources of error.
    bands_v
        Half-widths of the bands [V].

    Raises
    ------
    ValueError
        When there is too little before the step or after it.
    """
    n = len(values)
    begin, at = max(edge.begin - int(start), 0), edge.at - start
    after = max(int(np.ceil(at)), 0)
    tail = max(int(_TENTH * (n - after)), 1)
    head = max(int(_TENTH * begin), min(begin, 24))
    if begin < 8:
        raise ValueError(f"only {begin} samples before the step: let the capture begin earlier")
    quiet = values[max(n - 2 * tail, after) :]
    step = scope.step
    noise = noise_of(quiet, step, 0.0)
    own = float(np.sqrt(max(noise.sigma**2 - step**2 / 12, 0.0)))
    left = quantisation_bound(step, own)
    noise = Noise(noise.sigma, noise.quiet, left / 3**0.5)
    soft = smooth(values, noise, max(int(_WIDEST * (n - after)), 2))
    trace = Trace(values, interval_s, at, begin, noise, soft, scope, where)
    flags: list[str] = []
    before = _level(values[begin - head : begin], f"level before the step, {where}", trace, left)
    settled = _level(values[n - tail :], f"settled level, {where}", trace, left)
    settled, to_go, drifts = _drift(settled, values, tail, trace)
    flags += drifts
    sign = -1.0 if edge.up else 1.0
    place = begin + int(np.argmax(sign * soft.wide[begin : n - tail] if n - tail > begin else [0.0]))
    extreme, place, extreme_at = turn(trace, place, sign, "first swing")
    swing = _gained((extreme - settled) * sign, scope)
    deviation = _gained((extreme - before) * sign, scope)
    change = _gained(settled - before, scope)
    seen = float(swing.value) > _SEEN * float(noise.u(soft.careful(place)))
    rebound = _rebound(trace, settled, place, sign, n - tail)
    recoveries = tuple(
        _recovery(trace, settled, band_v, edge, tail, ripple_v=float(np.ptp(noise.quiet)), to_go_v=to_go)
        for band_v in bands_v
    )
    rings = ringing(
        values,
        soft.wide,
        interval_s,
        max(place, edge.end - int(start)),
        float(settled.value),
        noise,
        where,
        scope.clock(1.0),
    )
    reaches = float(deviation.value) > _SEEN * noise.u(soft.careful(place))
    return Response(
        before_v=before,
        settled_v=settled,
        level_change_v=change,
        deviation_v=deviation if reaches else None,
        swing_v=swing if seen else None,
        rebound_v=rebound,
        extreme_s=(extreme_at - at) * interval_s,
        recoveries=recoveries,
        ringing=rings,
        slew_v_per_s=_slew(trace, before, extreme, place) if reaches else None,
        ripple_v=float(np.ptp(noise.quiet)),
        noise_v=noise.sigma,
        flags=tuple(flags),
        smooth=soft,
    )


def _gained(difference: Measured, scope: Scope) -> Measured:
    return with_source(difference, *scope.gain(float(difference.value)))


def _level(part: FloatArray, what: str, trace: Trace, left: float) -> Measured:
    """Mean with its scatter, from stretches of equal length where there are many samples."""
    each = max(len(part) // _MEANS, 1) if len(part) >= 8 * _MEANS else 1
    means = part[len(part) % each :].reshape(-1, each).mean(axis=1)
    mean = autocorrelated_mean(means) if len(means) > 1 else None
    terms: dict[Source, float] = {}
    if mean is None:
        terms[Source(f"scatter of the {what}", "B", "normal")] = trace.noise.sigma
        value = float(part.mean())
    else:
        value = mean.value
        if mean.u > 0.0:
            terms[Source(f"scatter of the {what}", "A", "normal", mean.dof)] = mean.u
    if left > 0.0:
        terms[Source(f"steps of the converter, {what}", "B", "rectangular")] = left / 3**0.5
    return Measured(value, terms)


def _drift(settled: Measured, values: FloatArray, tail: int, trace: Trace) -> tuple[Measured, float, list[str]]:
    """The settled level with what it may still have to go, that amount [V], and flags.

    The last three tenths are compared. A course that dies away like an exponential moves by r times as much in each as
    in the one before, and has r/(1 - r) times its last move left to go.
    """
    n = len(values)
    if tail < 8 or n < 4 * tail:
        return settled, 0.0, ["the settled level is the mean of a few samples: capture longer"]
    last, middle, earlier = (float(values[n - (k + 1) * tail : n - k * tail].mean()) for k in range(3))
    moved, before = last - middle, middle - earlier
    each = max(tail // _MEANS, 1) if tail >= 8 * _MEANS else 1
    rest = trace.noise.quiet[-tail:]
    rest = rest[len(rest) % each :].reshape(-1, each).mean(axis=1)
    usual = max(2**0.5 * autocorrelated_mean(rest).u, 1e-7 * abs(last))  # less than that is rounding
    if abs(moved) <= 3 * usual:
        return settled, 0.0, []
    ratio = float(np.clip(moved / before, 0.3, 0.98)) if before * moved > 0 else 0.5
    left = abs(moved) * ratio / (1 - ratio)
    wider = with_source(
        settled, Source(f"drift of the settled level, {trace.where}", "B", "rectangular"), left / 3**0.5
    )
    return wider, left, [f"still moving by {1000 * abs(moved):.2g} mV at the end: the window is too short to settle in"]


def turn(trace: Trace, place: int, sign: float, what: str) -> tuple[Measured, int, float]:
    """Value of a turn near a place, the sample it is at, and its place between samples.

    A smooth turn is the vertex of a parabola. Where the course begins with an edge, a line through the samples after it
    is carried back to the edge, which lies somewhere in the interval before.
    """
    values, noise = trace.values, trace.noise
    half = trace.soft.careful(place)
    fit = fit_at(values, place, half, noise)
    value, shift = fit.vertex()
    u_both = fit.u_a
    start = place
    line, slope, u_line, count = one_sided(values, start, noise, max(len(values) // 20, 4))
    reach = 3.0 * float(np.hypot(noise.u(0), u_line)) + 0.5 * abs(slope)
    # back to the first sample that still belongs to the line
    while count >= 3 and start > trace.begin and start > place - count:
        if abs(values[start - 1] - (line - slope * (place - start + 1))) > reach:
            break
        start -= 1
    sharp = count >= 3 and u_line < u_both and start > 0
    source = Source(f"noise at the {what}, {trace.where}", "B", "normal")
    shape = Source(f"shape under the window at the {what}, {trace.where}", "B", "rectangular")
    if not sharp:
        terms = {source: u_both, shape: u_both / 3**0.5 if half >= 2 else 0.0}
        if half < 2 and 0 < place < len(values) - 1:  # the true turn may lie between samples
            to_it, from_it = values[place] - values[place - 1], values[place] - values[place + 1]
            if abs(to_it) > 3 * abs(from_it):  # an edge, somewhere in the interval before
                value += 0.5 * float(from_it)
            between = 0.5 * min(abs(float(to_it)), abs(float(from_it)))
            terms[Source(f"between samples at the {what}, {trace.where}", "B", "rectangular")] = between / 3**0.5
        return _stepped(Measured(value, terms), trace, what), place, place + shift
    line, slope, u_line, count = one_sided(values, start, noise, max(len(values) // 20, 4))
    edge_value = line - 0.5 * slope
    terms = {source: u_line, shape: u_line / 3**0.5}
    terms[Source(f"between samples at the {what}, {trace.where}", "B", "rectangular")] = abs(slope) / 2 / 3**0.5
    if sign * edge_value < sign * line:
        edge_value = line  # the course does not fall off from the edge: the turn is later
    return _stepped(Measured(edge_value, terms), trace, what), start, float(start)


def _stepped(measured: Measured, trace: Trace, what: str) -> Measured:
    left = trace.noise.floor
    if left <= 0.0:
        return measured
    return with_source(measured, Source(f"steps of the converter, {what}, {trace.where}", "B", "rectangular"), left)


def _rebound(trace: Trace, settled: Measured, place: int, sign: float, stop: int) -> Measured | None:
    """The farthest swing to the other side after the first turn, where it stands out of the noise."""
    if stop - place < 4:
        return None
    other = place + int(np.argmax(-sign * trace.soft.wide[place:stop]))
    value, _, _ = turn(trace, other, -sign, "rebound")
    swing = (value - settled) * -sign
    u = float(np.hypot(trace.noise.u(trace.soft.careful(other)), float(settled.u)))
    return _gained(swing, trace.scope) if float(swing.value) > 1.5 * _SEEN * u else None


def _recovery(
    trace: Trace, settled: Measured, band_v: float, edge: Edge, tail: int, *, ripple_v: float, to_go_v: float
) -> Recovery:
    values, noise, soft = trace.values, trace.noise, trace.soft
    level = float(settled.value)
    away = soft.wide - level
    flags: list[str] = []
    n = len(values)
    if band_v < 2 * trace.scope.step:
        flags.append(
            f"the band is {band_v / trace.scope.step:.2g} steps of the converter wide to each side: use a smaller range"
        )
    outside = np.flatnonzero(np.abs(away[trace.begin :]) > band_v) + trace.begin
    quiet_u = noise.u(int(np.median(soft.half[n - tail :])) // 2)
    if 3 * quiet_u > band_v:
        return Recovery(band_v, None, why=f"band below ripple: noise and ripple of {1000 * ripple_v:.3g} mV fill it")
    if ripple_v / 2 > band_v:
        flags.append("band below half of the ripple: found from local means")
    if to_go_v > band_v:
        return Recovery(band_v, None, why=f"never settles: some {1000 * to_go_v:.2g} mV are still to go at the end")
    if len(outside) and outside[-1] >= n - tail:
        return Recovery(band_v, None, why="never settles: it is outside the band in the last tenth of the window")
    lobes = _lobes(trace, settled, band_v)
    if not lobes:
        return Recovery(band_v, None, stays=True, flags=tuple(flags))
    sure = [lobe for lobe in lobes if lobe.p >= 0.5]
    if not sure:
        peak = max(lobes, key=lambda lobe: lobe.p)
        return Recovery(band_v, None, stays=True, flags=(*flags, f"it may just touch the band ({peak.p:.0%})"))
    last = sure[-1]
    time, half, slope_v_per_s = _crossing(trace, settled, band_v, last, edge)
    if float(time.value) <= 0.0 or slope_v_per_s == 0.0:  # the fit about its exit does not reach the band's edge
        return Recovery(band_v, None, stays=True, flags=(*flags, f"it may just touch the band ({last.p:.0%})"))
    method = f"last exit from ±{1000 * band_v:.4g} mV about the settled level, fit over {2 * half + 1} samples"
    doubt = 0.0
    if last.p < _SURE:
        earlier = sure[-2].exit if len(sure) > 1 else trace.at
        doubt = (last.exit - earlier) * trace.interval_s
        flags.append(f"the last swing hardly leaves the band: it may be {1e6 * _from_step_s(earlier, trace):.4g} µs")
    for lobe in lobes:
        if lobe.exit > last.exit and lobe.p > 1 - _SURE:
            doubt = max(doubt, (lobe.exit - last.exit) * trace.interval_s)
            flags.append(
                f"a later swing almost leaves the band: it may be {1e6 * _from_step_s(lobe.exit, trace):.4g} µs"
            )
    if doubt > 0.0:
        time = with_source(time, Source(f"whether a swing leaves the band, {trace.where}", "B", "normal"), doubt / 1.9)
    if last.samples <= _GLITCH and len(sure) > 1:
        before = 1e6 * _from_step_s(sure[-2].exit, trace)
        flags.append(f"the last exit is a peak of {last.samples} samples, a glitch perhaps; before it {before:.4g} µs")
    samples = float(time.value) / trace.interval_s
    if samples < _FEW:
        flags.append(f"only {max(samples, 0.0):.0f} samples in the recovery: sample faster")
    if last.exit - trace.at > _LATE * (n - trace.at):
        flags.append("it settles late in the window: capture longer")
    if float(time.u) > 0.25 * float(time.value):
        flags.append(f"the voltage returns at {slope_v_per_s / 1000:.2g} mV/µs where it leaves the band: hard to tell")
    if not edge.from_current:
        flags.append("the instant of the step is that of the voltage's own edge: the current was not captured")
    elif edge.doubt > 0 and edge.doubt > 0.05 * samples:
        flags.append("the current's step falls between two samples")
    return Recovery(band_v, time, flags=tuple(flags), method=method)


def _from_step_s(place: float, trace: Trace) -> float:
    """Time of a place from the instant of the step [s]."""
    return max(place - trace.at, 0.0) * trace.interval_s


@dataclass(frozen=True, slots=True)
class _Lobe:
    """A stretch outside the band, or close to it: last sample, side, how probable it is outside, samples outside."""

    exit: int
    side: float
    p: float
    samples: int


def _lobes(trace: Trace, settled: Measured, band_v: float) -> list[_Lobe]:
    found: list[_Lobe] = []
    noise, soft, begin = trace.noise, trace.soft, trace.begin
    away = soft.wide - float(settled.value)
    shared = float(np.hypot(float(settled.u), trace.scope.gain(band_v)[1]))
    for side in (-1.0, 1.0):
        part = side * away[begin:]
        # wide windows flatten a turn: look a little below the band
        near = part > 0.8 * band_v - 4 * float(np.hypot(noise.u(8), shared))
        if not near.any():
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[False], near, [False]]).astype(np.int8)))
        for first, stop in zip(edges[::2], edges[1::2], strict=True):
            top = begin + int(first + np.argmax(part[first:stop]))
            fit = fit_at(trace.values, top, soft.careful(top), noise)
            height = side * (fit.vertex()[0] - float(settled.value))
            u = float(np.hypot(fit.u_a, shared))
            beyond = np.flatnonzero(part[first:stop] > band_v)
            if not len(beyond) and height - band_v < -4 * u:
                continue
            p = float(special.ndtr((height - band_v) / u)) if u > 0 else float(height > band_v)
            last = begin + int(first + beyond[-1]) if len(beyond) else top
            found.append(_Lobe(last, side, p, len(beyond)))
    return sorted(found, key=lambda lobe: lobe.exit)


def _crossing(trace: Trace, settled: Measured, band_v: float, lobe: _Lobe, edge: Edge) -> tuple[Measured, int, float]:
    """Time from the step to where a lobe comes back into the band; also the window's half-width and the slope [V/s]."""
    values, noise = trace.values, trace.noise
    level = float(settled.value) + lobe.side * band_v
    place, x, slope, u, half = lobe.exit, 0.0, 0.0, 0.0, 0
    for _ in range(4):  # a smoothed course leaves the band a little off: fit again about where the fit leaves it
        half = min(trace.soft.careful(place), place - trace.begin, len(values) - 1 - place)
        if half < 2:
            half = 0
            here, there = float(values[place]), float(values[min(place + 1, len(values) - 1)])
            slope = there - here
            x = float(np.clip((level - here) / slope, 0.0, 1.0)) if slope else 0.5
            u = noise.u(0)
            break
        fit = fit_at(values, place, half, noise)
        x = _root(fit, level, lobe.side)
        slope, u = fit.b + 2 * fit.c * x, fit.u_a
        if abs(x) < half / 2:
            break
        place = int(np.clip(place + round(float(np.clip(x, -half, half))), trace.begin, len(values) - 1))
    slope_v_per_s = abs(slope) / trace.interval_s
    steep = max(slope_v_per_s, 1e-300)
    value = (place + x - trace.at) * trace.interval_s
    terms: dict[Source, float] = {Source(f"noise at the exit from the band, {trace.where}", "B", "normal"): u / steep}
    if half >= 2:
        shape = Source(f"shape under the window at the exit from the band, {trace.where}", "B", "rectangular")
        terms[shape] = u / steep / 3**0.5
    sign = -1.0 if slope * lobe.side < 0 else 1.0
    for source, term in settled.terms.items():
        # the settled level moves the band's edge with it
        terms[source] = terms.get(source, 0.0) + sign * lobe.side * float(term) / steep
    gain, size = trace.scope.gain(band_v)
    terms[gain] = -sign * size / steep
    if noise.floor > 0.0:
        terms[Source(f"steps of the converter, exit from the band, {trace.where}", "B", "rectangular")] = (
            noise.floor / steep
        )
    instant = Source(f"instant of the step, {trace.where}", "B", "rectangular")
    if edge.doubt > 0.0:
        terms[instant] = edge.doubt * trace.interval_s / 3**0.5
    if edge.u_at > 0.0:
        terms[Source(f"noise at the instant of the step, {trace.where}", "B", "normal")] = edge.u_at * trace.interval_s
    terms = {source: float(term) for source, term in terms.items() if term}
    return with_source(Measured(value, terms), *trace.scope.clock(value)), half, slope_v_per_s


def _root(fit: Fit, level: float, side: float) -> float:
    """Where a parabola comes back over a level, nearest to its middle; its turn where it does not reach the level."""
    a, b, c = fit.a - level, fit.b, fit.c
    if abs(c) * fit.half < 1e-6 * abs(b) or c == 0.0:
        return -a / b if b else 0.0
    inner = b * b - 4 * c * a
    if inner <= 0.0:
        return -b / (2 * c)
    roots: list[float] = [(-b + s * float(np.sqrt(inner))) / (2 * c) for s in (-1.0, 1.0)]
    # it leaves the band inwards: on the side below it rises, on the side above it falls
    inwards = [r for r in roots if side * (b + 2 * c * r) < 0]
    return min(inwards or roots, key=abs)


def _slew(trace: Trace, before: Measured, extreme: Measured, place: int) -> Measured | None:
    """From 10 to 90 % of the first swing."""
    start, size = float(before.value), float((extreme - before).value)
    share = (trace.values[trace.begin : place + 1] - start) / size
    if len(share) < 3:
        return None
    low = np.flatnonzero(share <= 0.1)
    first = int(low[-1]) if len(low) else 0
    high = np.flatnonzero(share[first:] >= 0.9)
    if not len(high):
        return None
    last = first + int(high[0])
    if last - first < 4:
        return None
    part = trace.values[trace.begin + first : trace.begin + last + 1]
    x = trace.interval_s * np.arange(len(part), dtype=np.float64)
    line = fit_line(x, part)
    terms = {Source(f"noise on the first edge, {trace.where}", "A", "normal", float(line.dof)): line.u_slope}
    return _gained(Measured(line.slope, terms), trace.scope)
