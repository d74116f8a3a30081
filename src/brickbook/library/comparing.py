"""Which chargers differ, and in what order they stand: one figure over a whole shelf.

A difference d = x_i - x_j has the variance

    u^2(d) = own_i^2 + own_j^2 + sum over shared errors k of (s_ik - s_jk)^2,

because an error both figures have in common, such as the gain of the meter that read both, moves them together (GUM
5.2.2). A bound of an instrument enters by its standard uncertainty: for probabilities of 5 % and below a normal error
of equal variance reaches further than a rectangular one, so this never makes a difference look surer.

Scatter is known through some readings only. One difference alone is judged with the degrees of freedom of
Welch–Satterthwaite (GUM G.4.1). Far out, where a table of many is decided, these are too bold: they are large just when
the readings happened to lie close together. There the interval of Banerjee (Sankhya 22 (1960) 357) takes their place,
whose half-width is the root sum square of each part's own, sum of (t(p, nu_i) u_i)^2; it misses with at most the
probability p whatever the true scatter is. Both were tried: `checks/comparison.py`.

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
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["Comparison", "Difference", "Item", "Items", "Spread", "compare_items", "holm"]

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
    stated_u
        Standard uncertainty from bounds that no other figure shares.
    scatter_u, scatter_dof
        Standard uncertainty from scatter, and its degrees of freedom.
    shared
        Source to signed standard contribution, for errors other figures may have as well.
    """

    label: str
    value: float
    stated_u: float
    scatter_u: float = 0.0
    scatter_dof: float = float("inf")
    shared: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Items(Sequence[Item]):
    """Many items as arrays, shape (n,).

    Parameters
    ----------
    labels, value, stated_u, scatter_u, scatter_dof
        As of `Item`.
    shared
        Source to signed contributions, 0 where an item does not have it.
    """

    labels: tuple[str, ...]
    value: FloatArray
    stated_u: FloatArray
    scatter_u: FloatArray
    scatter_dof: FloatArray
    shared: Mapping[str, FloatArray]

    @classmethod
    def of(cls, items: Sequence[Item]) -> Items:
        """The arrays of single items."""
        if isinstance(items, cls):
            return items
        shared: dict[str, FloatArray] = {}
        for k, item in enumerate(items):
            for source, term in item.shared.items():
                shared.setdefault(source, np.zeros(len(items)))[k] = term
        return cls(
            tuple(item.label for item in items),
            np.array([item.value for item in items], dtype=np.float64),
            np.array([item.stated_u for item in items], dtype=np.float64),
            np.array([item.scatter_u for item in items], dtype=np.float64),
            np.array([item.scatter_dof for item in items], dtype=np.float64),
            shared,
        )

    def __len__(self) -> int:
        return len(self.labels)

    @overload
    def __getitem__(self, index: int) -> Item: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Item]: ...
    def __getitem__(self, index: int | slice) -> Item | Sequence[Item]:
        if isinstance(index, slice):
            return tuple(self[k] for k in range(*index.indices(len(self))))
        return Item(
            self.labels[index],
            float(self.value[index]),
            float(self.stated_u[index]),
            float(self.scatter_u[index]),
            float(self.scatter_dof[index]),
            {source: float(terms[index]) for source, terms in self.shared.items() if terms[index]},
        )

    @property
    def common(self) -> tuple[str, ...]:
        """Sources that at least two items have."""
        return tuple(source for source, terms in self.shared.items() if np.count_nonzero(terms) > 1)


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

    items: Items
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

    def cautious_p(self, first: int, second: int) -> float:
        """Probability of a difference at least this large between equals, fit to be one among many tests."""
        return float(self._shelf.p_values(np.array([first]), np.array([second]))[0])

    def difference(self, first: int, second: int) -> Difference:
        """The difference of two items by their indices.

        Raises
        ------
        ValueError
            When all were compared with one only, and this pair is another.
        """
        shelf = self._shelf
        d, u, dof = shelf.alone(first, second)
        p = _p_alone(d, u, dof)
        if self._row is not None:
            if self._against not in (first, second):
                raise ValueError(f"all were compared with {self.items.labels[self._against or 0]} only")
            adjusted = float(self._row[second if first == self._against else first])
            different = adjusted <= self.level
        elif self._pairs is not None:
            adjusted = float(self._pairs[first, second])
            different = adjusted <= self.level
        else:
            assert self._half is not None
            adjusted = min(1.0, self.cautious_p(first, second) * self.tests)
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
    table = Items.of(items)
    shelf = _shelf_of(table, repeat_u)
    n = len(table)
    pairs: FloatArray | None = None
    row: FloatArray | None = None
    half: FloatArray | None = None
    way: Literal["pairs", "intervals"] = "pairs"
    if against is not None:
        others = np.delete(np.arange(n), against)
        p = holm(shelf.p_values(others, np.full(n - 1, against)))
        d = shelf.value[others] - shelf.value[against]
        row = np.ones(n)
        row[others] = p
        fewer, more = np.zeros(n, dtype=np.intp), np.zeros(n, dtype=np.intp)
        fewer[others], more[others] = (p <= level) & (d > 0), (p <= level) & (d < 0)
        fewer[against], more[against] = more.sum(), fewer.sum()
        tests = n - 1
    elif n <= MOST_PAIRWISE:
        first, second = np.triu_indices(n, 1)
        # one pair alone needs no table
        p = holm(shelf.p_values(first, second)) if n != 2 else np.array([_p_alone(*shelf.alone(0, 1))])
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
        items=table,
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


_MANY = 1e6  # degrees of freedom that are as good as infinite
# Levels at which half-widths are tabulated. Between them the logarithm of p is taken as straight in the square of the
# half-width, of which it is a convex function: p comes out too large, if anything.
_LEVELS = np.concatenate([[1.0, 0.9, 0.8, 0.65, 0.5, 0.4, 0.3, 0.2], 10.0 ** -np.arange(1.0, 18.01, 0.2)])


@dataclass(frozen=True, slots=True, eq=False)
class _Shelf:
    """Items as arrays. `shared` has a column for each error that at least two have; the rest is in `stated`."""

    value: FloatArray
    stated: FloatArray  # variance
    scatter: FloatArray  # variance
    dof: FloatArray
    shared: FloatArray

    @property
    def apart(self) -> FloatArray:
        """Variance of each without scatter, once the middle of each shared error is taken off all."""
        middle = np.median(self.shared, axis=0)
        return np.asarray(self.stated + np.square(self.shared - middle).sum(axis=1), dtype=np.float64)

    @property
    def reduced_variance(self) -> FloatArray:
        """Variance of each, scatter included, once the middle of each shared error is taken off all."""
        return self.apart + self.scatter

    def known_variance(self, first: IntArray, second: IntArray) -> FloatArray:
        """Variance of differences but for their scatter."""
        variance = self.stated[first] + self.stated[second]
        for column in self.shared.T:
            variance = variance + np.square(column[first] - column[second])
        return np.asarray(variance, dtype=np.float64)

    def alone(self, first: int, second: int) -> tuple[float, float, float]:
        """One difference, its standard uncertainty and degrees of freedom by Welch–Satterthwaite."""
        ends = np.array([first, second])
        variance = float(self.known_variance(ends[:1], ends[1:])[0] + self.scatter[ends].sum())
        quartic = float((self.scatter[ends] ** 2 / self.dof[ends]).sum())
        dof = variance**2 / quartic if quartic > 0.0 else float("inf")
        return float(self.value[first] - self.value[second]), float(np.sqrt(variance)), dof

    def p_values(self, first: IntArray, second: IntArray) -> FloatArray:
        """Probability of differences at least as large between equals, by Banerjee's intervals; never too small."""
        square = np.square(self.value[first] - self.value[second])
        known = self.known_variance(first, second)
        own = np.square(_quantiles(self.dof, _LEVELS)) * self.scatter[:, None]
        normal = np.square(_quantiles(np.array([np.inf]), _LEVELS))[0]

        def half_square(k: IntArray) -> FloatArray:
            return np.asarray(own[first, k] + own[second, k] + normal[k] * known, dtype=np.float64)

        # the largest level whose half-width is reached, by bisection
        low, high = np.zeros(len(square), dtype=np.intp), np.full(len(square), len(_LEVELS), dtype=np.intp)
        while (high - low).max(initial=0) > 1:
            middle = (low + high) // 2
            reached = half_square(np.minimum(middle, len(_LEVELS) - 1)) <= square
            open_ = high - low > 1
            low, high = np.where(open_ & reached, middle, low), np.where(open_ & ~reached, middle, high)
        above = np.minimum(low + 1, len(_LEVELS) - 1)
        left, right = half_square(low), half_square(above)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(right > left, np.clip((square - left) / (right - left), 0.0, 1.0), 0.0)
        return np.asarray(
            np.where(square > 0.0, np.exp((1 - share) * np.log(_LEVELS[low]) + share * np.log(_LEVELS[above])), 1.0),
            dtype=np.float64,
        )

    def half_widths(self, level: float) -> FloatArray:
        """Half-widths of intervals that miss with a probability of at most `level` each."""
        own = np.square(_quantiles(self.dof, np.array([level]))[:, 0]) * self.scatter
        return np.asarray(np.sqrt(own + special.ndtri(level / 2) ** 2 * self.apart), dtype=np.float64)


def _quantiles(dof: FloatArray, levels: FloatArray) -> FloatArray:
    """Two-sided t quantiles, shape (dof, levels). Degrees of freedom are rounded down to two digits, to have few."""
    capped = np.minimum(dof, _MANY)
    place = 10.0 ** np.maximum(np.floor(np.log10(capped)) - 1, -3)
    kinds, which = np.unique(np.floor(capped / place) * place, return_inverse=True)
    table = np.array([-special.ndtri(levels / 2) if nu >= _MANY else -special.stdtrit(nu, levels / 2) for nu in kinds])
    return np.asarray(table[which], dtype=np.float64)


def _shelf_of(items: Items, repeat_u: float) -> _Shelf:
    if not len(items):
        raise ValueError("there is nothing to compare")
    for numbers in (items.value, items.stated_u, items.scatter_u):
        for k in np.flatnonzero(~np.isfinite(numbers))[:1]:
            raise ValueError(f"{items.labels[int(k)]}: value and uncertainty must be finite")
    if min(items.stated_u.min(), items.scatter_u.min()) < 0 or not (np.isfinite(repeat_u) and repeat_u >= 0.0):
        raise ValueError("an uncertainty must be at least 0")
    if not (items.scatter_dof > 0).all():
        raise ValueError("degrees of freedom must be above 0")
    common = items.common
    variance = items.stated_u**2 + repeat_u**2
    for source, terms in items.shared.items():
        if source not in common:
            variance = variance + terms**2
    shared = np.column_stack([items.shared[source] for source in common]) if common else np.zeros((len(items), 0))
    return _Shelf(items.value, variance, items.scatter_u**2, items.scatter_dof, shared)


def _p_alone(d: float, u: float, dof: float) -> float:
    """Two-sided probability; exact numbers differ when they are not equal."""
    if u == 0.0:
        return 1.0 if d == 0.0 else 0.0
    return float(2.0 * (special.ndtr(-abs(d) / u) if dof > _MANY else special.stdtr(dof, -abs(d) / u)))


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
