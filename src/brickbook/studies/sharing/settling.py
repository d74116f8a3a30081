"""The smallest set of combinations that tells rules apart: a set cover, searched to the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["smallest_settling_set"]

FloatArray = NDArray[np.float64]
_MOST_RULES = 40
_MOST_STEPS = 20_000


def smallest_settling_set(
    tables: Sequence[FloatArray], available: Sequence[int], same_w: float
) -> tuple[tuple[int, ...], bool]:
    """Fewest combinations after which at most one rule is left, whichever of them is true.

    Every pair of tables that differ in a combination available must differ in a chosen one, and every power that a
    table leaves open (NaN) must be in a chosen one, or stand for itself in one that shares it. The set is fixed
    beforehand: one who chooses after each look may need fewer. Of equally small sets it is one with the fewest occupied
    ports. Found by branch and bound over the demand that fewest combinations meet.

    Parameters
    ----------
    tables
        Powers by combination and port, shape (2**n, n) each; the weightiest first, the first forty count [W].
    available
        Masks of the combinations that may be looked at.
    same_w
        Powers closer than this cannot be told apart [W].

    Returns
    -------
    The masks, rising, and whether it is proven that no smaller set would do: not when there are more tables than count,
    or when the search was given up after twenty thousand steps.
    """
    masks = list(available)
    if not masks or not tables:
        return (), True
    demands = _demands([np.asarray(table) for table in tables[:_MOST_RULES]], masks, same_w)
    search = _Search(demands, [mask.bit_count() for mask in masks])
    chosen = search.run()
    return tuple(sorted(masks[k] for k in chosen)), search.steps <= _MOST_STEPS and len(tables) <= _MOST_RULES


def _demands(tables: list[FloatArray], masks: list[int], same_w: float) -> list[int]:
    """Sets of combinations, as bits over `masks`, of each of which one must be chosen; none contains another."""
    rows: set[int] = set()
    for one, other in combinations(tables, 2):
        apart = np.abs(one[masks] - other[masks]) > same_w
        rows.add(_bits(np.asarray(apart.any(axis=1))))
    occupied = np.array([[mask >> port & 1 for port in range(tables[0].shape[1])] for mask in masks], dtype=bool)
    sizes = occupied.sum(axis=1)
    for table in tables:
        blank = np.isnan(table[masks]) & occupied
        # what a rule leaves open is one number for each port and count of occupied ports
        for port in np.flatnonzero(blank.any(axis=0)):
            for size in np.unique(sizes[blank[:, port]]):
                rows.add(_bits(blank[:, port] & (sizes == size)))
    rows.discard(0)
    # a demand that contains another is met with it
    return sorted(row for row in rows if not any(other != row and other & row == other for other in rows))


def _bits(flags: NDArray[np.bool_]) -> int:
    return sum(1 << int(k) for k in np.flatnonzero(flags))


@dataclass(slots=True)
class _Search:
    """Branch and bound; `steps` counts the nodes looked at.

    Parameters
    ----------
    demands
        As `_demands` gives them.
    cost
        Occupied ports of each combination, for ties.
    """

    demands: list[int]
    cost: list[int]
    steps: int = 0
    best: tuple[int, ...] = ()
    best_cost: tuple[int, int] = field(default=(10**9, 0))

    def run(self) -> tuple[int, ...]:
        """The chosen combinations, as places in the list."""
        self._look(self.demands, (), 0)
        return self.best

    def _look(self, left: list[int], chosen: tuple[int, ...], spent: int) -> None:
        self.steps += 1
        if not left:
            if (len(chosen), spent) < self.best_cost:
                self.best, self.best_cost = chosen, (len(chosen), spent)
            return
        if (len(chosen) + _apart(left), spent) >= self.best_cost or (self.steps > _MOST_STEPS and self.best):
            return
        hardest = min(left, key=lambda row: (row.bit_count(), row))
        places = [k for k in range(len(self.cost)) if hardest >> k & 1]
        places.sort(key=lambda k: (-sum(row >> k & 1 for row in left), self.cost[k], k))
        for k in places:
            self._look([row for row in left if not row >> k & 1], (*chosen, k), spent + self.cost[k])


def _apart(rows: list[int]) -> int:
    """A lower bound: demands that share no combination need one each."""
    count, taken = 0, 0
    for row in sorted(rows, key=lambda r: (r.bit_count(), r)):
        if not row & taken:
            count, taken = count + 1, taken | row
    return count
