"""The smallest settling set against a search through all sets, and against scipy's integer solver."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from brickbook.studies.sharing.settling import smallest_settling_set


def table(n, powers):
    out = np.full((1 << n, n), np.nan)
    for mask in range(1, 1 << n):
        for port in range(n):
            if mask >> port & 1:
                out[mask, port] = powers(mask, port)
    return out


def settles(tables, chosen):
    return all(
        np.nanmax(np.abs(a - b)) <= 1.0 or any(np.nanmax(np.abs(a[m] - b[m])) > 1.0 for m in chosen)
        for a, b in combinations(tables, 2)
    )


@pytest.mark.parametrize("seed", range(12))
def test_no_smaller_set_settles(seed):
    """Against exhaustive search over all sets of combinations of three ports."""
    rng = np.random.default_rng(seed)
    base = rng.choice([15.0, 30.0, 45.0], size=(8, 3))
    tables = []
    for _ in range(6):
        other = base.copy()
        for mask in rng.choice(np.arange(1, 8), size=2, replace=False):
            other[mask] += 10.0
        tables.append(table(3, lambda mask, port, other=other: other[mask, port]))
    available = list(range(1, 8))
    chosen, proven = smallest_settling_set(tables, available, 1.0)
    assert proven
    assert settles(tables, chosen)
    for size in range(len(chosen)):
        assert not any(settles(tables, few) for few in combinations(available, size))


@pytest.mark.parametrize("seed", range(6))
def test_as_small_as_the_integer_solvers_set(seed):
    """scipy.optimize.milp on the same cover: 12 rules over the 31 combinations of five ports."""
    rng = np.random.default_rng(100 + seed)
    base = rng.choice([15.0, 30.0, 45.0], size=(32, 5))
    tables = []
    for _ in range(12):
        other = base.copy()
        for mask in rng.choice(np.arange(1, 32), size=3, replace=False):
            other[mask] += 10.0
        tables.append(table(5, lambda mask, port, other=other: other[mask, port]))
    available = list(range(1, 32))
    chosen, proven = smallest_settling_set(tables, available, 1.0)
    assert proven
    assert settles(tables, chosen)
    rows = np.array([np.nanmax(np.abs(a - b)[1:], axis=1) > 1.0 for a, b in combinations(tables, 2)], dtype=float)
    rows = rows[rows.any(axis=1)]
    answer = milp(
        np.ones(31), constraints=LinearConstraint(rows, lb=1.0), bounds=Bounds(0, 1), integrality=np.ones(31, dtype=int)
    )
    assert len(chosen) == round(answer.fun)


def test_a_search_that_is_given_up_says_so():
    """Sixty rules: only the first forty count, so nothing is proven."""
    rng = np.random.default_rng(5)
    tables = [table(3, lambda mask, port, by=by: 20.0 + by[mask]) for by in rng.uniform(0.0, 40.0, size=(60, 8))]
    _, proven = smallest_settling_set(tables, list(range(1, 8)), 1.0)
    assert not proven


def test_one_rule_needs_no_look():
    assert smallest_settling_set([table(2, lambda *_: 15.0)], [3], 1.0) == ((), True)


def test_what_a_rule_leaves_open_must_be_looked_at():
    """A table by count with the level of two ports open: any two of the pairs show it for all three ports."""
    one = table(3, lambda mask, _: np.nan if mask.bit_count() == 2 else 15.0)
    chosen, proven = smallest_settling_set([one], [3, 5, 6], 1.0)
    assert proven
    assert len(chosen) == 2
