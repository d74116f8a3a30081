"""Which chargers nobody beats in everything: the front over several figures, with their uncertainty.

One charger dominates another when it is at least as good in every figure and better in one. With uncertainty there are
three answers. Each charger has a best and a worst corner, the ends of intervals that hold jointly for all chargers and
figures. It is "beaten" when the worst corner of another is better than its best corner in every figure, "on the front"
when no other's best corner dominates its worst corner, and "perhaps" between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

__all__ = ["Front", "Standing", "pareto_front"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Standing = Literal["on the front", "perhaps", "beaten"]


@dataclass(frozen=True, slots=True, eq=False)
class Front:
    """Where each of n chargers stands.

    Parameters
    ----------
    standing
        One word for each.
    by_value
        Whether it is on the front when the values are taken as exact, shape (n,).
    beaten_by
        Index of a charger that surely beats it in everything, or `None`.
    """

    standing: tuple[Standing, ...]
    by_value: BoolArray
    beaten_by: tuple[int | None, ...]


def pareto_front(
    values: ArrayLike,
    u: ArrayLike,
    better: Sequence[Literal["largest", "smallest"]],
    *,
    level: float = 0.05,
) -> Front:
    """The front of n chargers over k figures.

    Parameters
    ----------
    values, u
        Figures and standard uncertainties, shape (n, k); 0 for exact ones. What all chargers have in common, such as a
        meter's error, should be left out of u.
    better
        For each figure, which end is the good one.
    level
        Probability that one of the intervals does not hold.

    Raises
    ------
    ValueError
        When shapes differ or a number is missing: leave out what was not measured.
    """
    table = np.asarray(values, dtype=np.float64)
    spread = np.asarray(u, dtype=np.float64)
    if table.ndim != 2 or spread.shape != table.shape or table.shape[1] != len(better):
        raise ValueError(f"values of shape {table.shape}, uncertainties of {spread.shape}, {len(better)} directions")
    if not (np.isfinite(table).all() and np.isfinite(spread).all() and (spread >= 0).all()):
        raise ValueError("a figure is missing or its uncertainty negative: leave out the charger or the figure")
    good = table * np.array([1.0 if end == "largest" else -1.0 for end in better])
    count = int((spread > 0).sum())
    half = spread * (-special.ndtri(level / (2 * count)) if count else 0.0)
    by_value = ~_dominated(good, good)
    worst, best = good - half, good + half
    beaten = _dominated(best, worst)
    threatened = _dominated(worst, best)
    words: list[Standing] = [
        "beaten" if sure else "perhaps" if open_ else "on the front"
        for sure, open_ in zip(beaten, threatened, strict=True)
    ]
    by = tuple(_beater(best[k], worst, k) if beaten[k] else None for k in range(len(good)))
    return Front(tuple(words), by_value, by)


def _dominated(points: FloatArray, others: FloatArray) -> BoolArray:
    """Whether some other row of `others` dominates the row of `points` with another index."""
    found = np.zeros(len(points), dtype=bool)
    # who is good in sum dominates most: tried first, the rest against those not yet settled
    for k in np.argsort(-others.sum(axis=1), kind="stable"):
        open_rows = np.flatnonzero(~found)
        open_rows = open_rows[open_rows != k]
        if not len(open_rows):
            continue
        part = points[open_rows]
        found[open_rows] = (others[k] >= part).all(axis=1) & (others[k] > part).any(axis=1)
    return found


def _beater(best: FloatArray, worst: FloatArray, self_index: int) -> int | None:
    over = (worst >= best).all(axis=1) & (worst > best).any(axis=1) & (np.arange(len(worst)) != self_index)
    candidates = np.flatnonzero(over)
    return int(candidates[np.argmax(worst[candidates].sum(axis=1))]) if len(candidates) else None
