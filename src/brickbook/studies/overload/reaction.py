"""What a port does when too much is asked of it, from a log of volts and amperes.

It has reacted when its voltage has left 90 % of what it was at the promised current for two rows. What follows is
"constant current" (the voltage gives way, the current stays), "foldback" (both give way), "hiccup" (three or more
attempts to come back under load), "trip" (off, and back by itself once the load is gone, or under load after one or two
attempts), "latch" (off, and still off five seconds or more after the load was taken off) or "off" (off to the end of a
log that does not say when the load was taken off). Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Behaviour", "Reaction", "react"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Behaviour = Literal["constant current", "foldback", "hiccup", "trip", "latch", "off", "none seen"]

_LEFT = 0.90  # of the voltage under the promised current
_DOWN = 0.10
_FEWEST_ROWS = 4  # of limiting, before it counts as that
_UP = 0.30  # of it: an attempt to come back
_STEADY = 0.05  # spread of the current that is still constant
_FEWEST_ATTEMPTS = 3
_LATCHED_S = 5.0
_STEP = 0.004  # of the promised current: a change of load


@dataclass(frozen=True, slots=True)
class Reaction:
    """How one port reacted.

    Parameters
    ----------
    behaviour
        In one word.
    voltage_v
        Under the promised current or less [V].
    held_a
        Highest current with the voltage held: mean of that load step [A].
    held_from_s, held_to_s
        When that was.
    limit_a, half_step_a
        Current at which it reacted, and half the width of what the ramp's steps leave open [A]; NaN for none seen.
    reacted_s, u_reacted_s
        When, and the standard uncertainty of that [s]; NaN for none seen.
    beyond_s
        When the current first passed the promised one [s]; NaN if never.
    energy_j
        Delivered from then to the reaction [J].
    attempts, period_s
        Attempts under load, and the time between them [s].
    lowest_v
        Lowest voltage while limiting [V]; NaN unless the current was limited.
    recovery_s
        From the load's removal to the voltage's return [s]; NaN where it did not return or the removal is unknown.
    recovered_v
        Voltage after that [V].
    """

    behaviour: Behaviour
    voltage_v: float
    held_a: float
    held_from_s: float
    held_to_s: float
    limit_a: float
    half_step_a: float
    reacted_s: float
    u_reacted_s: float
    beyond_s: float
    energy_j: float
    attempts: int = 0
    period_s: float = float("nan")
    lowest_v: float = float("nan")
    recovery_s: float = float("nan")
    recovered_v: float = float("nan")


def react(
    time_s: ArrayLike,
    voltage_v: ArrayLike,
    current_a: ArrayLike,
    *,
    promised_a: float,
    removed_s: float | None = None,
) -> Reaction:
    """Find the reaction in a ramp.

    Parameters
    ----------
    time_s, voltage_v, current_a
        The log, shape (n,); rows with a reading missing are left out.
    promised_a
        Nameplate current of the contract [A].
    removed_s
        When the load was taken off, where known [s].

    Raises
    ------
    ValueError
        With fewer than twenty rows, or none at or below the promised current under load.
    """
    t, v, i = (np.asarray(x, dtype=np.float64) for x in (time_s, voltage_v, current_a))
    good = np.isfinite(t) & np.isfinite(v) & np.isfinite(i)
    t, v, i = t[good], v[good], i[good]
    if len(t) < 20:
        raise ValueError(f"an overload ramp needs at least twenty rows, there are {len(t)}")
    normal = (i >= 0.5 * promised_a) & (i <= 1.005 * promised_a)
    early = np.flatnonzero(normal)
    if len(early) < 4:
        raise ValueError("the ramp has no rows between half the promised current and all of it: begin it at 90 %")
    base = float(np.median(v[early[: max(4, len(early) // 2)]]))
    first = int(early[0])
    left = v < _LEFT * base
    gone = np.flatnonzero(left[first:-1] & left[first + 1 :])
    asked = t < removed_s if removed_s is not None else np.ones(len(t), dtype=np.bool_)
    at = first + int(gone[0]) if len(gone) else len(t)
    if at >= len(t) or not asked[at]:
        return _none(t, v, i, base, promised_a, asked)
    if at < first + 4:
        raise ValueError("the voltage was gone as soon as the load came: there is nothing to compare it with")
    held = _held(t, i, first, at, promised_a)
    limit, half = _limit(t, v, i, base, at, held, asked)
    beyond = np.flatnonzero(i[first:at] > 1.005 * promised_a)
    reacted = float(t[at - 1] + t[at]) / 2
    over, energy = float("nan"), 0.0
    if len(beyond):
        k = first + int(beyond[0])
        over = float(t[k - 1] + t[k]) / 2 if k else float(t[0])
        power = v[k:at] * i[k:at]
        # both changes lie between two rows, on average half-way
        energy = float(np.trapezoid(power, t[k:at]) + power[0] * (t[k] - over) + power[-1] * (reacted - t[at - 1]))
    behaviour, attempts, period, lowest = _behaviour(t, v, i, base, at, asked)
    recovery, recovered = _recovery(t, v, at, removed_s)
    if behaviour == "trip" and not np.isfinite(recovered):
        known = removed_s is not None and t[-1] - removed_s >= _LATCHED_S
        behaviour = "latch" if known else "off"
    return Reaction(
        behaviour=behaviour,
        voltage_v=base,
        held_a=float(np.mean(i[held[0] : held[1]])),
        held_from_s=float(t[held[0]]),
        held_to_s=float(t[held[1] - 1]),
        limit_a=limit,
        half_step_a=half,
        reacted_s=reacted,
        u_reacted_s=float(t[at] - t[at - 1]) / 12**0.5,
        beyond_s=over,
        energy_j=energy,
        attempts=attempts,
        period_s=period,
        lowest_v=lowest,
        recovery_s=recovery,
        recovered_v=recovered,
    )


def _none(t: FloatArray, v: FloatArray, i: FloatArray, base: float, promised_a: float, asked: BoolArray) -> Reaction:
    """The ramp ended before a reaction."""
    under = np.flatnonzero(asked & (v >= _LEFT * base))
    top = float(np.max(i[under]))
    there = under[i[under] >= top - _STEP * promised_a]
    nan = float("nan")
    return Reaction(
        "none seen",
        base,
        float(np.mean(i[there])),
        float(t[there[0]]),
        float(t[there[-1]]),
        nan,
        nan,
        nan,
        nan,
        nan,
        0.0,
    )


def _held(t: FloatArray, i: FloatArray, first: int, at: int, promised_a: float) -> tuple[int, int]:
    """Rows of the last load step before the reaction."""
    k = at - 1
    level = float(np.median(i[max(first, k - 2) : k + 1]))
    while k > first and abs(i[k - 1] - level) < _STEP * promised_a:
        k -= 1
    if k == at - 1 and at - 1 > first:  # the row that the change fell into belongs to no step
        at -= 1
        return _held(t, i, first, at, promised_a)
    return k, at


def _limit(
    t: FloatArray, v: FloatArray, i: FloatArray, base: float, at: int, held: tuple[int, int], asked: BoolArray
) -> tuple[float, float]:
    """Current at which it reacted, and half of what the steps leave open."""
    mean = float(np.mean(i[held[0] : held[1]]))
    limiting = asked & (v > _DOWN * base) & (v < _LEFT * base)
    limiting[:at] = False
    if limiting.sum() >= _FEWEST_ROWS and _mostly(limiting, at, asked):
        return float(np.median(i[limiting])), 0.0
    before = held[0] - 1
    while before > 0 and abs(i[before] - mean) < _STEP * mean:
        before -= 1
    step = max(mean - float(np.median(i[max(before - 3, 0) : before + 1])), 0.0) if before >= 0 else 0.0
    if _on_step(t, i, held):
        return mean + step / 2, step / 2  # it reacted as the load went on to a step the log does not show
    return mean - step / 2, step / 2  # this step was too much, the one before was not


def _on_step(t: FloatArray, i: FloatArray, held: tuple[int, int]) -> bool:
    """Whether it reacted when the step was as old as the steps before it: with the change to the next."""
    length = float(t[held[1] - 1] - t[held[0]])
    level = float(np.mean(i[held[0] : held[1]]))
    before = held[0] - 1
    last = float(i[before])
    start = before
    while start > 0 and abs(i[start - 1] - last) < _STEP * level:
        start -= 1
    other = float(t[before] - t[start])
    return other > 0 and abs(length - other) <= 1.5 * float(np.median(np.diff(t)))


def _mostly(limiting: BoolArray, at: int, asked: BoolArray) -> bool:
    rest = asked.copy()
    rest[:at] = False
    return float(limiting.sum()) >= 0.5 * float(rest.sum())


def _behaviour(
    t: FloatArray, v: FloatArray, i: FloatArray, base: float, at: int, asked: BoolArray
) -> tuple[Behaviour, int, float, float]:
    rest = asked.copy()
    rest[:at] = False
    limiting = rest & (v > _DOWN * base) & (v < _LEFT * base)
    if limiting.sum() >= _FEWEST_ROWS and _mostly(limiting, at, asked):
        amps = i[limiting]
        volts = v[limiting]
        deep = amps[volts <= np.quantile(volts, 0.25)]
        spread = abs(float(np.median(deep)) / float(np.max(amps)) - 1.0)
        return ("constant current" if spread <= _STEADY else "foldback"), 0, float("nan"), float(np.min(volts))
    alive = rest & (v > _UP * base)
    dead = rest & (v < _DOWN * base)
    # an attempt is a rise out of being dead
    state = np.where(alive, 1, np.where(dead, 0, -1))[at:]
    state = state[state >= 0]
    rises = int(np.count_nonzero(np.diff(state) == 1))
    if rises >= _FEWEST_ATTEMPTS:
        known = np.flatnonzero(alive | dead)
        turns = known[1:][(np.diff(np.where(alive[known], 1, 0)) == 1)]
        return "hiccup", rises, float(np.median(np.diff(t[turns]))), float("nan")
    return "trip", rises, float("nan"), float("nan")


def _recovery(t: FloatArray, v: FloatArray, at: int, removed_s: float | None) -> tuple[float, float]:
    """Time from the removal of the load to a voltage of USB's 5 V or more that stays, and that voltage."""
    after = removed_s if removed_s is not None else float(t[at])
    rows = np.flatnonzero(t >= after)
    up = v[rows] > 4.0
    if not len(rows) or not up[-1]:
        return float("nan"), float("nan")
    last_down = np.flatnonzero(~up)
    back = rows[int(last_down[-1]) + 1] if len(last_down) else rows[0]
    settled = v[back:][min(2, len(v) - back - 1) :]
    recovered = float(np.median(settled))
    if removed_s is None:
        return float("nan"), recovered
    when = float(t[back] + t[back - 1]) / 2 if len(last_down) else removed_s
    return max(when - removed_s, 0.0), recovered
