"""Where in a capture the load steps: from the current where it was captured, else from what the voltage does.

Both look at means of a few thousand equal stretches, so that a capture of any length is searched in bounded memory; the
instant is then found among the samples themselves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from brickbook.core.capture import Capture, Channel, envelope
from brickbook.studies.loadstep.scope import Scope

__all__ = ["Edge", "steps_of_current", "steps_of_voltage"]

FloatArray = NDArray[np.float64]

_STRETCHES = 4000
_ALIKE = 0.08  # of the span, within which a current is one level
_SHORT = 0.01  # of the capture: a shorter stay is no level
_FEWEST = 5  # stretches in a level
_SIGMA = 6.0
_QUIET = 12  # stretches the voltage must stand still for before a step and after


@dataclass(frozen=True, slots=True)
class Edge:
    """One step of the load.

    Parameters
    ----------
    up
        Whether the load rises.
    at
        Where the current passes 50 % of its step, in samples from the start of the capture; fractional.
    doubt
        Half-width of the instant's error where samples or the way it was found limit it [samples].
    u_at
        Standard uncertainty of the instant from noise [samples].
    begin, end
        Sample before which nothing happens yet, and from which the load stands.
    first, stop
        Samples of the stretch that belongs to this step: from the step before it to the one after.
    from_a, to_a
        Levels [A]; NaN where the current was not captured.
    rise_samples, u_rise_samples
        From 10 to 90 % of the step, and its standard uncertainty from noise; NaN where the current was not captured.
    resolved
        Whether the samples show the step's course, two of them or more between 10 and 90 %.
    from_current
        Whether the current told, or the voltage.
    """

    up: bool
    at: float
    doubt: float
    u_at: float
    begin: int
    end: int
    first: int
    stop: int
    from_a: float
    to_a: float
    rise_samples: float
    u_rise_samples: float
    resolved: bool
    from_current: bool


def steps_of_current(capture: Capture, scope: Scope) -> tuple[Edge, ...]:
    """Steps between levels of a load current."""
    channel = scope.channel
    means, edges = _means(capture, channel)
    span = float(means.max() - means.min()) if len(means) else 0.0
    noise = _noise(means)
    if span <= 2 * _SIGMA * noise or span <= 2 * scope.step:
        return ()
    levels = _levels(means, max(_ALIKE * span, _SIGMA * noise))
    found: list[Edge] = []
    for (_, last, before), (start, _, after) in pairwise(levels):
        edge = _edge(channel, int(edges[last]), int(edges[start + 1]), before, after)
        if edge is not None:
            found.append(edge)
    return _fenced(found, capture.count)


def _levels(means: FloatArray, alike: float) -> list[tuple[int, int, float]]:
    """First and last stretch, and mean, of each stay."""
    shortest = max(_FEWEST, int(_SHORT * len(means)))
    runs: list[tuple[int, int, float]] = []
    start, total = 0, float(means[0])
    for k in range(1, len(means) + 1):
        if k < len(means) and abs(float(means[k]) - total / (k - start)) < alike:
            total += float(means[k])
            continue
        if k - start >= shortest:
            level = float(np.median(means[start:k]))
            if runs and abs(level - runs[-1][2]) < 1.5 * alike:
                runs[-1] = (runs[-1][0], k - 1, level)
            else:
                runs.append((start, k - 1, level))
        if k < len(means):
            start, total = k, float(means[k])
    return runs


def _edge(channel: Channel, first: int, stop: int, before: float, after: float) -> Edge | None:
    """The step between two levels, looked for among samples first to stop - 1."""
    lead = min(200, first)
    values = channel.values(first - lead, stop)
    values = np.where(np.isfinite(values), values, before)
    share = (values - before) / (after - before)
    quiet = share[: max(lead, 8)]
    sigma = float(1.4826 * np.median(np.abs(quiet - np.median(quiet))))
    middle = _passes(share, 0.5, 0)
    if middle is None:
        return None
    low = _passes_back(share, 0.1, int(middle))
    high = _passes(share, 0.9, int(middle))
    high = float(len(share) - 1) if high is None else high
    k = int(middle)
    jump = float(share[min(k + 1, len(share) - 1)] - share[k])
    resolved = high - low >= 2.0
    doubt, at = 0.0, middle
    if jump > 0.5:  # between two samples anything may have happened
        at, doubt = k + 0.5, 0.5
    slope = max(0.8 / max(high - low, 1.0), 1e-12)
    offset = first - lead
    return Edge(
        up=after > before,
        at=offset + at,
        doubt=doubt,
        u_at=0.0 if doubt else sigma / slope,
        begin=offset + max(int(np.floor(low)) - int(np.ceil(0.25 * (high - low))), 0),
        end=offset + int(np.ceil(high)),
        first=0,
        stop=0,
        from_a=before,
        to_a=after,
        rise_samples=high - low,
        u_rise_samples=float(np.hypot(2**0.5 * sigma / slope, (1.0 if not resolved else 0.1) / 6**0.5)),
        resolved=resolved,
        from_current=True,
    )


def _passes(share: FloatArray, level: float, start: int) -> float | None:
    """Where a rising course first reaches a level, a straight line between samples."""
    above = np.flatnonzero(share[start:] >= level)
    if not len(above):
        return None
    k = start + int(above[0])
    if k == 0:
        return 0.0
    before, after = float(share[k - 1]), float(share[k])
    return k - 1 + (level - before) / (after - before) if after > before else float(k)


def _passes_back(share: FloatArray, level: float, start: int) -> float:
    """Where it was last at or below a level, seen from further up."""
    below = np.flatnonzero(share[: start + 1] <= level)
    if not len(below):
        return 0.0
    k = int(below[-1])
    before, after = float(share[k]), float(share[min(k + 1, len(share) - 1)])
    return k + (level - before) / (after - before) if after > before else float(k)


def steps_of_voltage(capture: Capture, scope: Scope) -> tuple[Edge, ...]:
    """Steps of a load that was not captured: where a quiet voltage leaves its level.

    A voltage that falls first tells of a rising load.
    """
    channel = scope.channel
    count = min(_STRETCHES, max(capture.count // 4, 1))
    seen = envelope(capture, channel, buckets=count)
    means = _filled(seen.mean)
    edges = np.linspace(0, capture.count, len(means) + 1).astype(np.int64)
    if len(means) < 3 * _QUIET:
        return ()
    noise = max(_noise(means), scope.step / 12**0.5, 1e-12 * float(np.abs(means).max()))
    found: list[Edge] = []
    k = _QUIET
    while k < len(means):
        quiet = means[max(k - 4 * _QUIET, 0) : k]
        level, reach = float(np.median(quiet)), _SIGMA * noise
        if abs(means[k] - level) <= reach:
            k += 1
            continue
        still = _still(means, k, reach)
        edge = _onset(channel, int(edges[k - 1]), int(edges[still]), level, reach)
        if edge is not None:
            found.append(edge)
        k = still + _QUIET
    return _fenced(found, capture.count)


def _still(means: FloatArray, start: int, reach: float) -> int:
    """First stretch from which the voltage stands still for a while."""
    for k in range(start, len(means) - _QUIET):
        part = means[k : k + _QUIET]
        if float(part.max() - part.min()) <= reach:
            return k
    return len(means) - 1


def _onset(channel: Channel, first: int, stop: int, level: float, reach: float) -> Edge | None:
    lead = min(first, 400)
    values = channel.values(first - lead, stop)
    away = np.where(np.isfinite(values), values - level, 0.0)
    sigma = float(np.std(away[:lead])) if lead >= 16 else reach
    left = np.flatnonzero(np.abs(away) > max(_SIGMA * sigma, reach))
    if not len(left):
        return None
    k = int(left[0])
    sign = float(np.sign(away[k]))
    further = sign * away[k:]
    turn = k + _first_top(further, 3 * sigma)
    share = sign * away / max(sign * float(away[turn]), 1e-300)
    low = _passes_back(share, 0.1, k)
    middle = _passes(share[: turn + 1], 0.5, int(low))
    middle = float(k) if middle is None else middle
    begin = max(int(low) - 1, 0)
    offset = first - lead
    return Edge(
        up=sign < 0,
        at=offset + middle,
        doubt=max(middle - begin, 0.5),
        u_at=0.0,
        begin=offset + begin,
        end=offset + min(int(np.ceil(middle)) + 1, turn),
        first=0,
        stop=0,
        from_a=float("nan"),
        to_a=float("nan"),
        rise_samples=float("nan"),
        u_rise_samples=float("nan"),
        resolved=False,
        from_current=False,
    )


def _first_top(rising: FloatArray, drop: float) -> int:
    """Place of the first maximum after which the course falls by more than noise."""
    best = 0
    for k in range(1, len(rising)):
        if rising[k] > rising[best]:
            best = k
        elif rising[best] - rising[k] > drop:
            break
    return best


def _fenced(found: list[Edge], count: int) -> tuple[Edge, ...]:
    """Edges with the stretches that belong to them."""
    out = []
    for k, edge in enumerate(found):
        first = found[k - 1].end if k else 0
        stop = found[k + 1].begin if k + 1 < len(found) else count
        out.append(replace(edge, first=first, stop=stop))
    return tuple(out)


def _means(capture: Capture, channel: Channel) -> tuple[FloatArray, NDArray[np.int64]]:
    count = min(_STRETCHES, max(capture.count // 4, 1))
    means = _filled(envelope(capture, channel, buckets=count).mean)
    return means, np.linspace(0, capture.count, len(means) + 1).astype(np.int64)


def _filled(means: FloatArray) -> FloatArray:
    """Stretches without readings take the value of the one before them."""
    good = np.isfinite(means)
    if good.all() or not good.any():
        return np.where(good, means, 0.0)
    place = np.maximum.accumulate(np.where(good, np.arange(len(means)), 0))
    place[: int(np.argmax(good))] = int(np.argmax(good))
    return np.asarray(means[place], dtype=np.float64)


def _noise(means: FloatArray) -> float:
    """Scatter of neighbouring stretches; steps are too few to count."""
    return float(1.4826 * np.median(np.abs(np.diff(means))) / 2**0.5) if len(means) > 2 else 0.0
