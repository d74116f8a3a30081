"""The smallest set of combinations that tells rules apart: a set cover, solved exactly."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

__all__ = ["smallest_settling_set"]

FloatArray = NDArray[np.float64]
_MOST_RULES = 40


def smallest_settling_set(
    tables: Sequence[FloatArray], available: Sequence[int], same_w: float
) -> tuple[tuple[int, ...], bool]:
    """Fewest combinations after which at most one rule is left, whichever of them is true.

    Every pair of tables that differ in a combination available must differ in a chosen one, and every power that a
    table leaves open (NaN) must be in a chosen one, or stand for itself in one that shares it. The set is fixed
    beforehand: one who chooses after each look may need fewer. Solved as a mixed-integer linear programme.

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
    The masks, rising, and whether no smaller set would do.
    """
    masks = list(available)
    if not masks or not tables:
        return (), True
    rows: set[frozenset[int]] = set()
    kept = [np.asarray(table) for table in tables[:_MOST_RULES]]
    for one, other in combinations(kept, 2):
        apart = np.abs(one[masks] - other[masks]) > same_w
        column = frozenset(int(k) for k in np.flatnonzero(apart.any(axis=1)))
        if column:
            rows.add(column)
    occupied = np.array([[mask >> port & 1 for port in range(kept[0].shape[1])] for mask in masks], dtype=bool)
    sizes = occupied.sum(axis=1)
    for table in kept:
        blank = np.isnan(table[masks]) & occupied
        # what a rule leaves open is one number for each port and count of occupied ports
        for port in np.flatnonzero(blank.any(axis=0)):
            for size in np.unique(sizes[blank[:, port]]):
                rows.add(frozenset(int(k) for k in np.flatnonzero(blank[:, port] & (sizes == size))))
    # a row that contains another is covered with it
    needed = [row for row in rows if not any(other < row for other in rows)]
    if not needed:
        return (), True
    entries = [(r, k) for r, row in enumerate(needed) for k in sorted(row)]
    matrix = csr_array(
        (np.ones(len(entries)), ([r for r, _ in entries], [k for _, k in entries])), shape=(len(needed), len(masks))
    )
    # of equally small sets the one with the fewest occupied ports
    cost = 1.0 + sizes / (10.0 * len(masks) * kept[0].shape[1])
    result = milp(
        cost,
        constraints=LinearConstraint(matrix, lb=1.0),
        bounds=Bounds(0.0, 1.0),
        integrality=np.ones(len(masks), dtype=np.int64),
        options={"time_limit": 2.0},
    )
    if result.x is None:
        return tuple(sorted(masks)), False
    chosen = tuple(sorted(masks[k] for k in np.flatnonzero(result.x > 0.5)))
    return chosen, bool(result.status == 0) and len(tables) <= _MOST_RULES
