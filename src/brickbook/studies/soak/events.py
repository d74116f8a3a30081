"""When a port gave less, gave nothing, and came back: foldback steps, trips, hiccups and recoveries in a log.

Thresholds are common practice, no source: a port has tripped below 5 % of its first power (or 0.5 V) for two seconds or
more; it has folded back where its power falls 3 % or more and stays there for a minute; it has recovered when it is
back at 97 % for a minute; three trips at regular intervals are a hiccup. A fall of more than ten minutes is a drift.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

__all__ = ["Event", "Survival", "survey"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Kind = Literal["foldback", "drift", "trip", "hiccup", "recovery", "partial recovery", "renegotiation", "load removed"]

STEP_RATIO = 0.03
_STAY_S = 60.0
_DOWN_RATIO = 0.05
_DOWN_V = 0.5
_DOWN_S = 2.0
_FIRST_S = (60.0, 180.0)  # minutes 1 to 3: the power to keep
_SMOOTH_S = 16.0
_DRIFT_S = 600.0
_CONTRACT_RATIO = 0.08  # change of voltage that is another contract
_FULL = 0.97
_REGULAR = 0.20
_HICCUPS = 3
_FEWEST_ROWS = 30
_HICCUP_GAP_S = 120.0
_LEVEL_S = 300.0  # over which a slow fall must be flat to be over


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a port.

    Parameters
    ----------
    kind
        What.
    time_s, u_time_s
        When, and the standard uncertainty of that: rows are an interval apart, and a change takes its time.
    before_w, after_w
        Power of the port on both sides [W].
    until_s
        End of a trip; NaN when it lasts to the end of the log.
    count
        Trips in a hiccup, else 1.
    """

    kind: Kind
    time_s: float
    u_time_s: float
    before_w: float
    after_w: float
    until_s: float = float("nan")
    count: int = 1


@dataclass(frozen=True, slots=True)
class Survival:
    """A port's course through a log.

    Parameters
    ----------
    first_w
        Power in minutes 1 to 3 [W].
    events
        In order of time.
    spans
        (from, to, state) [s]: "full power", "reduced", "off".
    begin_s, end_s
        First and last row with load.
    """

    first_w: float
    events: tuple[Event, ...]
    spans: tuple[tuple[float, float, str], ...]
    begin_s: float
    end_s: float
    smooth_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    smooth_w: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def full_power_s(self) -> float:
        """Time from the start of load to the first loss of power (a drift included), or to the end [s]."""
        losses = [e.time_s for e in self.events if e.kind in ("foldback", "drift", "trip", "hiccup", "renegotiation")]
        return (min(losses) if losses else self.end_s) - self.begin_s

    @property
    def stayed_up(self) -> bool:
        """Whether it gave full power to the end without an event."""
        return not any(e.kind != "load removed" for e in self.events)


def survey(
    time_s: ArrayLike, voltage_v: ArrayLike, current_a: ArrayLike, asked: NDArray[np.bool_] | None = None
) -> Survival:
    """Events of one port.

    Parameters
    ----------
    time_s, voltage_v, current_a
        Log of the port, shape (n,); rows with a reading missing are left out.
    asked
        Whether the load asked for its full current, where the log says so, shape (n,).

    Raises
    ------
    ValueError
        When the port never had load, or the log is shorter than five minutes.
    """
    t, v, i = (np.asarray(x, dtype=np.float64) for x in (time_s, voltage_v, current_a))
    good = np.isfinite(t) & np.isfinite(v) & np.isfinite(i)
    if asked is not None:
        good &= asked
    t, v, i = t[good], v[good], i[good]
    p = v * i
    if len(t) < _FEWEST_ROWS or t[-1] - t[0] < 300.0:
        raise ValueError("a soak needs at least five minutes of readings of voltage and current")
    begin = _begin(t, p)
    t, v, i, p = t[begin:], v[begin:], i[begin:], p[begin:]
    if len(t) < _FEWEST_ROWS or t[-1] - t[0] < 300.0:
        raise ValueError("the port had load for less than five minutes")
    since = t - t[0]
    early = (since >= _FIRST_S[0]) & (since <= _FIRST_S[1])
    first = float(np.median(p[early])) if early.sum() >= 5 else float(np.median(p[:30]))
    first_v = float(np.median(v[early])) if early.sum() >= 5 else float(np.median(v[:30]))
    interval = float(np.median(np.diff(t)))
    low = (p < _DOWN_RATIO * first) | (v < _DOWN_V)
    dead = low & (v < 0.8 * first_v)
    idle = low & ~dead
    events: list[Event] = []
    outages = _outages(t, dead, interval)
    removed = _outages(t, idle, interval)
    up = ~low
    if up.sum() < _FEWEST_ROWS or not first > 0.0:
        raise ValueError("the port gave no power that could be kept")
    levels = _levels(t[up], p[up], interval, first)
    events += _steps(t[up], v[up], levels, first, interval, [*outages, *removed])
    for start, stop, u in removed:
        if not any(abs(start - other) < 3 * interval for other, _, _ in outages):
            events.append(Event("load removed", start, u, _level_at(levels, start, -1), 0.0, stop))
    trips = [Event("trip", a, u, _level_at(levels, a, -1), 0.0, b) for a, b, u in outages]
    events += _hiccups(trips)
    for trip in trips:
        if np.isfinite(trip.until_s) and not _within_hiccup(trip, events, trips):
            after = _level_at(levels, trip.until_s, 1)
            kind: Kind = "recovery" if after >= _FULL * first else "partial recovery"
            events.append(Event(kind, trip.until_s, trip.u_time_s, 0.0, after))
    events.sort(key=lambda e: e.time_s)
    return Survival(
        first,
        tuple(events),
        _spans(t, levels, low, interval, first),
        float(t[0]),
        float(t[-1]),
        levels.t,
        levels.smooth,
    )


@dataclass(frozen=True, slots=True)
class _Levels:
    """Smoothed power, and the stays: (from, to, level)."""

    t: FloatArray
    smooth: FloatArray
    stays: tuple[tuple[float, float, float], ...]


def _begin(t: FloatArray, p: FloatArray) -> int:
    """First row under load: half of the power that the log mostly has at its start."""
    top = float(np.quantile(p[t <= t[0] + 900.0], 0.75))
    if not top > 0.05:
        raise ValueError("the port had no load")
    return int(np.argmax(p > 0.5 * top))


def _outages(t: FloatArray, low: BoolArray, interval: float) -> list[tuple[float, float, float]]:
    """(start, end or NaN, u of either) of each run of low rows of two seconds and two rows or more."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], low.astype(np.int8), [0]])))
    found = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        end = t[b] if b < len(t) else t[-1] + interval
        if b - a < 2 or end - t[a] < _DOWN_S:
            continue
        gap = float(t[a] - t[a - 1]) if a else interval
        start = float(t[a]) - gap / 2
        stop = float(t[b] + t[b - 1]) / 2 if b < len(t) else float("nan")
        found.append((start, stop, gap / 12**0.5))
    return found


def _levels(t: FloatArray, p: FloatArray, interval: float, first: float) -> _Levels:
    """Stays of a minute or more between steps of 3 % of the first power or more."""
    width = max(3, round(_SMOOTH_S / interval) | 1)
    smooth = np.asarray(ndimage.median_filter(p, size=width, mode="nearest"), dtype=np.float64)
    stay = max(4, round(_STAY_S / interval))
    stays: list[tuple[float, float, float]] = []
    threshold = STEP_RATIO * first
    begin, level = 0, float(np.median(smooth[: min(len(smooth), 3 * stay)]))
    if t[min(len(t) - 1, 3 * stay - 1)] - t[0] >= _FIRST_S[1] - interval:
        level = first
    k, n = 0, len(smooth)
    while k < n:
        if abs(smooth[k] - level) < threshold:
            k += 1
            continue
        stop = int(np.searchsorted(t, t[k] + _STAY_S))
        # nearly all of a minute on one side of the old level: a load transient does not stay
        ahead = smooth[k:stop]
        if stop > n - 1 and t[-1] - t[k] < _STAY_S - interval:
            break
        away = (np.abs(ahead - level) >= threshold) & (np.sign(ahead - level) == np.sign(smooth[k] - level))
        if away.mean() < 0.9:
            k += 1
            continue
        # a course that had left its level long before is a slow fall: it ends where it is flat, not at the next 3 %
        shortly = smooth[max(k - stay, begin) : max(k - stay // 2, begin + 1)]
        slow = k - begin > stay and abs(float(np.median(shortly)) - level) > threshold / 2
        flat = (max(4, round(_LEVEL_S / interval)), threshold / 6) if slow else (stay, threshold / 3)
        settled = _settle(smooth, k, *flat)
        stays.append((float(t[begin]), float(t[max(k - 1, begin)]), level))
        level = float(np.median(smooth[settled : settled + stay]))
        begin = k
        k = max(settled, k + 1)
    stays.append((float(t[begin]), float(t[-1]), level))
    return _Levels(t, smooth, tuple(stays))


def _settle(smooth: FloatArray, k: int, stay: int, allowed: float) -> int:
    """First row from which the next `stay` rows are level: their halves differ less than allowed."""
    n = len(smooth)
    while k + stay < n:
        half = stay // 2
        if abs(float(np.median(smooth[k + half : k + stay]) - np.median(smooth[k : k + half]))) < allowed:
            return k
        k += max(1, stay // 15)
    return k


def _steps(
    t: FloatArray,
    v: FloatArray,
    levels: _Levels,
    first: float,
    interval: float,
    outages: list[tuple[float, float, float]],
) -> list[Event]:
    events = []
    for (earlier, _, before), (right, _, after) in pairwise(levels.stays):
        if any(a - 2 * interval <= right <= (b if np.isfinite(b) else a) + _SMOOTH_S for a, b, _ in outages):
            continue  # the trip's own event tells of it
        when, took = _crossing(t, levels.smooth, earlier, right, before, after)
        u = float(np.hypot(interval, took) / 12**0.5)
        kind: Kind
        around_before = v[(t > when - took - _STAY_S) & (t < when - took)]
        around_after = v[(t > when + took + interval) & (t < when + took + _STAY_S)]
        moved = (
            abs(float(np.median(around_after)) / float(np.median(around_before)) - 1.0) > _CONTRACT_RATIO
            if len(around_before) and len(around_after)
            else False
        )
        if after > before:
            kind = "recovery" if after >= _FULL * first else "partial recovery"
        elif moved:
            kind = "renegotiation"
        else:
            kind = "drift" if took > _DRIFT_S else "foldback"
        events.append(Event(kind, when, u, before, after))
    return events


def _crossing(
    t: FloatArray, smooth: FloatArray, earlier: float, right: float, before: float, after: float
) -> tuple[float, float]:
    """Time half-way between two levels, and the time from a tenth to nine tenths of the way."""
    from_k = int(np.searchsorted(t, earlier))
    to_k = int(np.searchsorted(t, right + 3600.0))
    part = (smooth[from_k:to_k] - before) / (after - before)
    here = t[from_k:to_k]
    at = int(np.searchsorted(here, right))
    # back from where the change was seen, to where it began; on from there to where it was over
    begun = np.flatnonzero(part[: at + 1] <= 0.1)
    start = int(begun[-1]) if len(begun) else 0
    over = np.flatnonzero(part[start:] >= 0.9)
    stop = start + int(over[0]) if len(over) else at
    half = start + int(np.argmax(part[start : stop + 1] >= 0.5)) if stop > start else at
    when = float(here[half])
    if half > 0:
        a, b = float(part[half - 1]), float(part[half])
        when = float(here[half - 1]) + (0.5 - a) / (b - a) * float(here[half] - here[half - 1]) if b > a else when
    return when, float(here[stop] - here[start])


def _level_at(levels: _Levels, when: float, side: int) -> float:
    """Median power within the minute before (-1) or after (+1) a time."""
    t = levels.t
    window = (t < when) & (t > when - _STAY_S) if side < 0 else (t > when) & (t < when + _STAY_S)
    return float(np.median(levels.smooth[window])) if window.any() else 0.0


def _hiccups(trips: list[Event]) -> list[Event]:
    """Trips as they are, but three or more at regular intervals as one hiccup."""
    out: list[Event] = []
    for chain in _chains(trips):
        if len(chain) >= _HICCUPS:
            one, last = chain[0], chain[-1]
            out.append(Event("hiccup", one.time_s, one.u_time_s, one.before_w, 0.0, last.until_s, len(chain)))
        else:
            out += chain
    return out


def _chains(trips: list[Event]) -> list[list[Event]]:
    """Trips that follow one another within two minutes, cut where the interval is not regular."""
    near: list[list[Event]] = []
    for trip in trips:
        if near and trip.time_s - near[-1][-1].time_s <= _HICCUP_GAP_S:
            near[-1].append(trip)
        else:
            near.append([trip])
    chains: list[list[Event]] = []
    for group in near:
        gaps = np.diff([trip.time_s for trip in group])
        usual = float(np.median(gaps)) if len(gaps) else 1.0
        # a trip of which a row is lost is not seen: two or three intervals in one are as regular
        regular = np.abs(gaps - np.maximum(np.round(gaps / usual), 1.0) * usual) <= _REGULAR * usual + 2.0
        regular &= gaps <= 3.5 * usual
        chains.append([group[0]])
        for trip, follows in zip(group[1:], regular, strict=True):
            if follows:
                chains[-1].append(trip)
            else:
                chains.append([trip])
    return chains


def _within_hiccup(trip: Event, events: list[Event], trips: list[Event]) -> bool:
    """Whether the port tripped again in the same hiccup."""
    return any(
        e.kind == "hiccup"
        and e.time_s <= trip.time_s
        and trip is not trips[-1]
        and trip.until_s != e.until_s
        and (not np.isfinite(e.until_s) or trip.time_s < e.until_s)
        for e in events
    )


def _spans(
    t: FloatArray, levels: _Levels, low: BoolArray, interval: float, first: float
) -> tuple[tuple[float, float, str], ...]:
    state = np.full(len(t), 2)
    for start, stop, level in levels.stays:
        inside = (t >= start) & (t <= stop)
        state[inside] = 2 if level >= _FULL * first else 1
    for a, b, _ in _outages(t, low, interval):
        state[(t >= a) & (t < (b if np.isfinite(b) else np.inf))] = 0
    edges = [0, *(np.flatnonzero(np.diff(state)) + 1), len(t)]
    names = ("off", "reduced", "full power")
    return tuple(
        (float(t[a]), float(t[b]) if b < len(t) else float(t[-1]), names[int(state[a])]) for a, b in pairwise(edges)
    )
