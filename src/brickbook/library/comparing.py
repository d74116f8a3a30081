"""Which chargers differ, and in what order they stand: one figure over a whole shelf.

A difference d = x_i - x_j has the variance

    u^2(d) = own_i^2 + own_j^2 + sum over shared errors k of (s_ik - s_jk)^2,

because an error both figures have in common, such as the gain of the meter that read both, moves them together (GUM
5.2.2). A bound of an instrument enters by its standard uncertainty: for probabilities of 5 % and below a normal error
of equal variance reaches further than a rectangular one, so this never makes a difference look surer. Scatter known
through few readings enters by degrees of freedom: for one difference those of Welch–Satterthwaite (GUM G.4.1); for
many at most the smaller of the two figures' own, because far out, where a table of differences is decided, the former
are too bold (`checks/comparison.py`) and the latter are a bound (Mickey & Brown, Ann. Math. Statist. 37 (1966) 639).

Many differences are looked at at once, so that one in twenty would "differ" by chance. Up to 400 chargers every pair is
tested and the p-values are adjusted by Holm's step-down method (S. Holm, Scand. J. Statist. 6 (1979) 65): the
probability of one false "different" anywhere in the table is at most 5 %, whatever the tests have in common. The
procedure of Benjamini and Hochberg would find more, but lets 5 % of what it finds be false, and its proof needs tests
that do not depend on one another the way pairs of one shelf do; a reader who looks up one pair wants the former. For
more chargers, intervals that hold jointly (each at 1 - 5 %/n) take the place of pairs: two chargers differ where theirs
do not touch, and ranks follow as in Klein, Wright & Wieczorek, J. R. Statist. Soc. A 183 (2020) 589. Before, each
shared error's middle value is taken off all chargers, which changes no difference.

The publications are cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["Comparison", "Difference", "Item", "Spread", "compare_items", "holm"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

MOST_PAIRWISE = 400


@dataclass(frozen=True, slots=True)
class Item:
    """One charger's figure among others.

    Parameters
    ----------
    label
        Identity on the shelf.
    value
        Of the figure.
    own_u, own_dof
        Standard uncertainty that no other figure shares, and its degrees of freedom.
    shared
        Source to signed standard contribution, for errors other figures may have as well.
    """

    label: str
    value: float
    own_u: float
    own_dof: float = float("inf")
    shared: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Difference:
    """The difference of two figures.

    Parameters
    ----------
    value, u, dof
        First minus second, its standard uncertainty and degrees of freedom.
    expanded
        95 % half-width.
    e_n
        Value over `expanded`; beyond ±1 two laboratories would be told to disagree (ISO 13528). NaN for exact numbers
        that are equal.
    p, p_adjusted
        Probability of a difference at least this large between equals, alone and among all that were looked at.
    different
        Whether it is called a difference.
    """

    value: float
    u: float
    dof: float
    expanded: float
    e_n: float
    p: float
    p_adjusted: float
    different: bool


@dataclass(frozen=True, slots=True)
class Spread:
    """How a figure is distributed over the shelf.

    Parameters
    ----------
    count
        Chargers.
    smallest, lower_quartile, median, upper_quartile, largest
        Of the values.
    s
        Standard deviation of the values; NaN for one.
    u
        Root mean square of the standard uncertainties, shared errors apart.
    beyond_measurement
        Standard deviation of the chargers themselves: sqrt(s^2 - u^2), 0 where the measurement explains all.
    """

    count: int
    smallest: float
    lower_quartile: float
    median: float
    upper_quartile: float
    largest: float
    s: float
    u: float
    beyond_measurement: float


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """A shelf compared.

    Parameters
    ----------
    items
        As given.
    order
        Indices by rising value, shape (n,).
    rank_low, rank_high
        First and last place each may have among all, counted from the smallest, shape (n,). All hold together with
        at least 95 % probability.
    fewer, more
        How many chargers are surely below and surely above each, shape (n,).
    way
        "pairs" or "intervals".
    tests
        How many differences were tested.
    """

    items: tuple[Item, ...]
    order: IntArray
    rank_low: IntArray
    rank_high: IntArray
    fewer: IntArray
    more: IntArray
    way: Literal["pairs", "intervals"]
    tests: int
    spread: Spread
    level: float
    _shelf: _Shelf = field(repr=False)
    _pairs: FloatArray | None = field(default=None, repr=False)  # adjusted p of every pair
    _against: int | None = field(default=None, repr=False)
    _row: FloatArray | None = field(default=None, repr=False)  # adjusted p against that one
    _half: FloatArray | None = field(default=None, repr=False)  # of the joint intervals

    @property
    def u_apart(self) -> FloatArray:
        """Standard uncertainty of each beside the others: what all have in common is left out, shape (n,)."""
        return np.sqrt(self._shelf.reduced_variance)

    def difference(self, first: int, second: int) -> Difference:
        """The difference of two items by their indices.

        Raises
        ------
        ValueError
            When all were compared with one only, and this pair is another.
        """
        shelf = self._shelf
        d, u, dof = (float(x[0]) for x in shelf.differences(np.array([first]), np.array([second]), many=self.tests > 1))
        p = float(_p(np.array([d]), np.array([u]), np.array([dof]))[0])
        if self._row is not None:
            if self._against not in (first, second):
                raise ValueError(f"all were compared with {self.items[self._against or 0].label} only")
            adjusted = float(self._row[second if first == self._against else first])
            different = adjusted <= self.level
        elif self._pairs is not None:
            adjusted = float(self._pairs[first, second])
            different = adjusted <= self.level
        else:
            assert self._half is not None
            adjusted = min(1.0, p * self.tests)
            different = bool(abs(shelf.value[first] - shelf.value[second]) > self._half[first] + self._half[second])
        expanded = float(special.stdtrit(min(dof, _MANY), 0.975)) * u
        e_n = d / expanded if expanded > 0.0 else (float("nan") if d == 0.0 else float(np.copysign(np.inf, d)))
        return Difference(d, u, dof, expanded, e_n, p, adjusted, different)


def compare_items(
    items: Sequence[Item], *, against: int | None = None, repeat_u: float = 0.0, level: float = 0.05
) -> Comparison:
    """Compare a figure over a shelf.

    Parameters
    ----------
    items
        At least one.
    against
        Compare all with this one only: fewer tests, so that smaller differences are told.
    repeat_u
        Standard deviation between repeated set-ups of one charger [unit of the figure], where the tester knows it:
        plugging in again, warming, handling. Within one run it does not show.
    level
        Probability of one false "different" in the whole table.

    Raises
    ------
    ValueError
        Without items, or when a number is not finite or an uncertainty negative.
    """
    shelf = _shelf_of(items, repeat_u)
    n = len(items)
    pairs: FloatArray | None = None
    row: FloatArray | None = None
    half: FloatArray | None = None
    way: Literal["pairs", "intervals"] = "pairs"
    if against is not None:
        others = np.delete(np.arange(n), against)
        d, u, dof = shelf.differences(others, np.full(n - 1, against), many=n > 2)
        p = holm(_p(d, u, dof))
        row = np.ones(n)
        row[others] = p
        fewer, more = np.zeros(n, dtype=np.intp), np.zeros(n, dtype=np.intp)
        fewer[others], more[others] = (p <= level) & (d > 0), (p <= level) & (d < 0)
        fewer[against], more[against] = more.sum(), fewer.sum()
        tests = n - 1
    elif n <= MOST_PAIRWISE:
        first, second = np.triu_indices(n, 1)
        p = holm(_p(*shelf.differences(first, second, many=n > 2)))
        pairs = np.ones((n, n))
        pairs[first, second] = pairs[second, first] = p
        above = shelf.value[:, None] > shelf.value[None, :]
        sure = pairs <= level
        fewer, more = (sure & above).sum(axis=1), (sure & above.T).sum(axis=1)
        tests = len(first)
    else:
        way = "intervals"
        half = shelf.half_widths(level / n)
        low, high = shelf.value - half, shelf.value + half
        fewer = np.searchsorted(np.sort(high), low, side="left")
        more = n - np.searchsorted(np.sort(low), high, side="right")
        tests = n * (n - 1) // 2
    return Comparison(
        items=tuple(items),
        order=np.argsort(shelf.value, kind="stable"),
        rank_low=1 + fewer,
        rank_high=n - more,
        fewer=fewer,
        more=more,
        way=way,
        tests=tests,
        spread=_spread(shelf),
        level=level,
        _shelf=shelf,
        _pairs=pairs,
        _against=against,
        _row=row,
        _half=half,
    )


def holm(p: FloatArray) -> FloatArray:
    """p-values adjusted by Holm's step-down method, in the order given.

    The k-th smallest of m becomes the largest of (m - j + 1) p_(j) over j <= k, at most 1.
    """
    m = len(p)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate((m - np.arange(m)) * p[order])
    adjusted = np.empty(m)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


_NO_MATTER = 0.05  # share of a difference's variance below which a figure's own degrees of freedom are no bound
_MANY = 1e9  # degrees of freedom that are as good as infinite


@dataclass(frozen=True, slots=True, eq=False)
class _Shelf:
    """Items as arrays. `shared` has a column for each error that at least two have; the rest is in `own_variance`."""

    value: FloatArray
    own_variance: FloatArray
    own_quartic: FloatArray  # sum of u^4/nu over the own parts
    own_dof: FloatArray
    shared: FloatArray

    @property
    def middle(self) -> FloatArray:
        """Middle contribution of each shared error, shape (k,)."""
        return np.asarray(np.median(self.shared, axis=0), dtype=np.float64)

    @property
    def reduced_variance(self) -> FloatArray:
        """Variance of each once the middle of each shared error is taken off all."""
        return np.asarray(self.own_variance + np.square(self.shared - self.middle).sum(axis=1), dtype=np.float64)

    def differences(
        self, first: IntArray, second: IntArray, *, many: bool
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Differences, their standard uncertainties and degrees of freedom, to be looked at alone or with many."""
        d = self.value[first] - self.value[second]
        variance = self.own_variance[first] + self.own_variance[second]
        for column in self.shared.T:
            variance = variance + np.square(column[first] - column[second])
        dof = _dof(variance, self.own_quartic[first] + self.own_quartic[second])
        if many:
            for end in (first, second):
                counts = self.own_variance[end] > _NO_MATTER * variance
                dof = np.where(counts, np.minimum(dof, self.own_dof[end]), dof)
        return d, np.sqrt(variance), dof

    def half_widths(self, level: float) -> FloatArray:
        """Half-widths of intervals that miss with probability `level` each."""
        variance = self.reduced_variance
        dof = _dof(variance, self.own_quartic)
        factor = -special.stdtrit(np.minimum(dof, _MANY), level / 2)
        return np.asarray(factor * np.sqrt(variance), dtype=np.float64)


def _shelf_of(items: Sequence[Item], repeat_u: float) -> _Shelf:
    if not items:
        raise ValueError("there is nothing to compare")
    value = np.array([item.value for item in items], dtype=np.float64)
    own = np.array([item.own_u for item in items], dtype=np.float64)
    dof = np.array([item.own_dof for item in items], dtype=np.float64)
    for numbers in (value, own):
        for item, number in zip(items, numbers, strict=True):
            if not np.isfinite(number):
                raise ValueError(f"{item.label}: value and uncertainty must be finite")
    if (own < 0).any() or not (np.isfinite(repeat_u) and repeat_u >= 0.0):
        raise ValueError("an uncertainty must be at least 0")
    uses: dict[str, int] = {}
    for item in items:
        for source in item.shared:
            uses[source] = uses.get(source, 0) + 1
    column = {source: k for k, source in enumerate(s for s, count in uses.items() if count > 1)}
    shared = np.zeros((len(items), len(column)))
    variance = own**2 + repeat_u**2
    for k, item in enumerate(items):
        for source, term in item.shared.items():
            if source in column:
                shared[k, column[source]] = term
            else:
                variance[k] += term**2
    quartic = np.where(np.isfinite(dof), own**4 / np.maximum(dof, 1e-9), 0.0)
    return _Shelf(value, variance, quartic, _dof(variance, quartic), shared)


def _dof(variance: FloatArray, quartic: FloatArray) -> FloatArray:
    """Welch–Satterthwaite; infinite where nothing has finite degrees of freedom."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(quartic > 0.0, variance**2 / quartic, np.inf)


def _p(d: FloatArray, u: FloatArray, dof: FloatArray) -> FloatArray:
    """Two-sided probability; exact numbers differ when they are not equal."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(u > 0.0, np.abs(d) / u, np.where(d == 0.0, 0.0, np.inf))
    return np.asarray(2.0 * special.stdtr(np.minimum(dof, _MANY), -z), dtype=np.float64)


def _spread(shelf: _Shelf) -> Spread:
    value = shelf.value
    n = len(value)
    quartiles = np.percentile(value, (25, 50, 75))
    s = float(value.std(ddof=1)) if n > 1 else float("nan")
    mean_square = float(shelf.reduced_variance.mean())
    beyond = float(np.sqrt(max(s * s - mean_square, 0.0))) if n > 1 else float("nan")
    lower, median, upper = (float(q) for q in quartiles)
    return Spread(
        n, float(value.min()), lower, median, upper, float(value.max()), s, float(np.sqrt(mean_square)), beyond
    )
