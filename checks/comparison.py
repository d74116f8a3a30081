"""How often a shelf of chargers shows a difference that is not there, and how often one that is.

Shelves are drawn again and again: each charger has a true value; one meter reads all of them, with an error that is one
unknown fraction of its bound, the bound itself depending on the reading; on top comes scatter known through a few
readings, a resistance taken as not shared, and linearity. Each shelf is compared as the program does it, and by
simpler ways.

    .venv/bin/python checks/comparison.py --shelves 4000

For shelves without any true difference, and for shelves of pairs of equals, "false" is the share of shelves with at
least one pair falsely called different: Brickbook promises at most 5 %. "rank" is the share of shelves on which some
charger's true place (any of the places of those equal to it) lies outside its interval of ranks. "found" is the share
of pairs truly different by 1 % of the value that were called so.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.library import comparing
from brickbook.library.comparing import Comparison, Item, compare_items, holm

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Bench:
    """What a shelf was measured with: relative standard uncertainties, and readings behind each scatter."""

    gain: float = 0.005  # of the meter, shared; rectangular
    scatter: float = 0.001
    readings: int = 8
    linearity: float = 0.0008  # rectangular
    stated: float = 0.0006  # of a resistance used for all, which the program takes as not shared


def draw(truth: FloatArray, bench: Bench, rng: np.random.Generator) -> list[Item]:
    """One shelf as its figures would be stored."""
    n = len(truth)
    bound = bench.gain * truth * (1 + 0.3 * np.sin(np.arange(n)))  # ranges and readings differ a little
    gain_error = rng.uniform(-1, 1) * 3**0.5
    stated_error = rng.normal()
    scatter = bench.scatter * truth
    linear = bench.linearity * truth
    dof = bench.readings - 1
    estimated = scatter * np.sqrt(rng.chisquare(dof, n) / dof)
    measured = (
        truth
        + bound * gain_error
        + bench.stated * truth * stated_error
        + linear * rng.uniform(-(3**0.5), 3**0.5, n)
        + scatter * rng.normal(size=n)
    )
    items = []
    for k in range(n):
        stated = float(np.hypot(linear[k], bench.stated * truth[k]))
        items.append(
            Item(f"c{k}", float(measured[k]), stated, float(estimated[k]), float(dof), {"meter": float(bound[k])})
        )
    return items


def pairs_called(found: Comparison) -> NDArray[np.bool_]:
    n = len(found.items)
    table = np.zeros((n, n), dtype=bool)
    for i in range(n):
        for j in range(i):
            table[i, j] = table[j, i] = found.difference(i, j).different
    return table


def bold(items: list[Item]) -> NDArray[np.bool_]:
    """Holm's method on the p-values of Welch–Satterthwaite."""
    found = compare_items(items)
    n = len(items)
    first, second = np.triu_indices(n, 1)
    p = holm(np.array([found.difference(int(i), int(j)).p for i, j in zip(first, second, strict=True)]))
    table = np.zeros((n, n), dtype=bool)
    table[first, second] = table[second, first] = p <= 0.05
    return table


def one_by_one(items: list[Item]) -> NDArray[np.bool_]:
    """|E_n| > 1 for each pair, many comparisons or not."""
    found = compare_items(items)
    n = len(items)
    return np.array([[i != j and abs(found.difference(i, j).e_n) > 1 for j in range(n)] for i in range(n)])


def meters_forgotten(items: list[Item]) -> NDArray[np.bool_]:
    """Holm's method on differences whose figures are taken to share nothing."""
    alone = [
        Item(i.label, i.value, float(np.hypot(i.stated_u, i.shared["meter"])), i.scatter_u, i.scatter_dof)
        for i in items
    ]
    return pairs_called(compare_items(alone))


def run(
    truth: FloatArray, bench: Bench, shelves: int, seed: int, way: Callable[[list[Item]], NDArray[np.bool_]]
) -> tuple[float, float]:
    """Share of shelves with a false difference, and share of true ones found."""
    rng = np.random.default_rng(seed)
    differs = np.abs(truth[:, None] - truth[None, :]) > 1e-12
    false, found = 0, []
    for _ in range(shelves):
        called = way(draw(truth, bench, rng))
        false += bool((called & ~differs).any())
        if differs.any():
            found.append(called[differs].mean())
    return false / shelves, float(np.mean(found)) if found else float("nan")


def rank_misses(truth: FloatArray, bench: Bench, shelves: int, seed: int) -> float:
    """Share of shelves on which a true place lies outside an interval."""
    rng = np.random.default_rng(seed)
    least = 1 + (truth[None, :] < truth[:, None] - 1e-12).sum(axis=1)
    most = (truth[None, :] <= truth[:, None] + 1e-12).sum(axis=1)
    missed = 0
    for _ in range(shelves):
        found = compare_items(draw(truth, bench, rng))
        # equals may stand at any of their places: none of them may be excluded for all
        missed += bool(((found.rank_low > least) | (found.rank_high < most)).any())
    return missed / shelves


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shelves", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=20261125)
    options = parser.parse_args()
    benches = {
        "usual": Bench(),
        "few readings": Bench(readings=3, linearity=0.0, stated=0.0),
        "scatter rules": Bench(scatter=0.004, readings=5),
    }
    print(
        f"{options.shelves} shelves of the smallest size; the statistical error of a share of 5 % is then "
        f"{(0.05 * 0.95 / options.shelves) ** 0.5:.2%}"
    )
    print(
        f"{'chargers':>8} {'truth':>14} {'bench':>14} {'false':>7} {'rank':>7} {'found':>7}  "
        "one by one (false)  Welch–Satterthwaite (false)  meters forgotten (found)"
    )
    for n in (5, 20, 40):
        for words, truth in (
            ("all equal", np.full(n, 0.9)),
            ("equal in pairs", 0.9 * (1 + 0.01 * (np.arange(n) // 2))),
        ):
            for name, bench in benches.items():
                shelves = max(300, options.shelves // (1 if n < 20 else 4 if n < 40 else 10))
                start = time.perf_counter()
                false, found = run(
                    truth, bench, shelves, options.seed, lambda items: pairs_called(compare_items(items))
                )
                ranks = rank_misses(truth, bench, shelves, options.seed)
                less = max(200, shelves // 5)
                single, _ = run(truth, bench, less, options.seed, one_by_one)
                bolder, _ = run(truth, bench, less, options.seed, bold)
                _, forgotten = run(truth, bench, less, options.seed, meters_forgotten)
                print(
                    f"{n:8d} {words:>14} {name:>14} {false:7.2%} {ranks:7.2%} {found:7.1%}  "
                    f"{single:18.1%}  {bolder:27.1%}  {forgotten:24.1%}   "
                    f"({shelves} shelves, {time.perf_counter() - start:.0f} s)",
                    flush=True,
                )
    comparing.MOST_PAIRWISE = 10
    for name, bench in benches.items():
        truth = np.full(600, 0.9)
        ranks = rank_misses(truth, bench, max(300, options.shelves // 4), options.seed)
        print(
            f"     600      all equal {name:>14}         {ranks:7.2%}  joint intervals",
            flush=True,
        )


if __name__ == "__main__":
    main()
