"""Every rule of the family by which one group of ports may share, as far as it fits what was seen of the group.

A rule is a table: for each set of occupied ports of the group, the power of each. Rules whose tables agree to the
tolerance are one; their weights add up. The weight is prior times 1/(number of levels) for each level that the rule
has free, so that a rule which explains much with little outweighs one that only lists what was seen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise, permutations

import numpy as np
from numpy.typing import NDArray

from brickbook.studies.sharing.policies import TYPICAL_STEPS_W, EqualSplit, Ladder, Priority

__all__ = [
    "SAME_W",
    "UNEXPLAINED",
    "GroupData",
    "GroupRule",
    "group_rules",
    "members",
    "table_numbers",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SAME_W = 1.0  # two powers closer than this are one: rounding of offered currents, sums of several
UNEXPLAINED = "unexplained"
_DERIVED_W = 0.5  # a computed power carries the rounding of the powers it was computed from
# Prior of each kind of rule for a group of several ports: a judgement, not a statistic (common practice, no source).
_PRIOR: Mapping[str, float] = {
    "threshold": 0.16,
    "count": 0.14,
    "equal": 0.25,
    "priority": 0.28,
    "ladder": 0.15,
    UNEXPLAINED: 0.02,
}
_RESERVES_W = (5.0, 7.5, 10.0, 12.0, 15.0, 18.0, 20.0)
_FLOORS_W = (7.5, 12.0, 15.0)
_ROUNDING_W = 21  # how far the sum offered may stay below the budget by rounding down [W]
_LIKELY = 0.75  # share of the weight from which on an order is told
_UNCHANGED = 0.35  # prior that a port keeps its power at all
_TYPICAL = 0.45  # prior that a changed one goes to an advertised step


@dataclass(frozen=True, slots=True, eq=False)
class GroupData:
    """What was seen of a group.

    Parameters
    ----------
    alone_w
        Power of each port alone, shape (k,) [W].
    seen
        Occupied ports as a bit mask over the group, to powers, shape (k,), NaN where not seen [W].
    tolerance_w
        For each mask of `seen`, how far the reading of each port may be off, shape (k,) [W].
    """

    alone_w: FloatArray
    seen: Mapping[int, FloatArray]
    tolerance_w: Mapping[int, FloatArray]

    @property
    def size(self) -> int:
        """How many ports."""
        return len(self.alone_w)

    @property
    def levels_w(self) -> FloatArray:
        """Powers seen, rising, no two closer than the tolerance [W]."""
        found = [row[np.isfinite(row)] for row in self.seen.values()]
        levels = np.unique(np.round(np.concatenate([*found, self.alone_w]), 1))
        return np.asarray(levels[np.concatenate([[True], np.diff(levels) > SAME_W / 2])])

    @property
    def everyone(self) -> int:
        """The mask of all ports."""
        return (1 << self.size) - 1


@dataclass(frozen=True, slots=True, eq=False)
class GroupRule:
    """A rule that fits.

    Parameters
    ----------
    kinds
        Kinds of rule that lead to this table, the weightiest first.
    weight
        Prior times what the levels cost; only ratios matter.
    power_w
        Shape (2**k, k); row: mask of occupied ports; NaN where not occupied, or where the rule leaves it open [W].
    budget_w
        Of the group, where the rule has one, else NaN [W].
    order
        Ports from the first served on, as far as one beginning is likely among the orders that lead to this table.
    """

    kinds: tuple[str, ...]
    weight: float
    power_w: FloatArray
    budget_w: float = math.nan
    order: tuple[int, ...] = ()


def members(mask: int, size: int) -> BoolArray:
    """The ports of a mask, shape (size,)."""
    return np.array([mask >> port & 1 for port in range(size)], dtype=bool)


def _typical_levels(alone_w: float) -> int:
    """How many advertised steps are below a port's own power."""
    return max(1, sum(step < alone_w - SAME_W for step in TYPICAL_STEPS_W))


def _level_prior(power_w: float, alone_w: float) -> float:
    if abs(power_w - alone_w) <= SAME_W:
        return _UNCHANGED
    other = 1.0 - _UNCHANGED - _TYPICAL
    plain = other / max(5.0, alone_w)
    if any(abs(power_w - step) <= _DERIVED_W for step in TYPICAL_STEPS_W):
        return plain + _TYPICAL / _typical_levels(alone_w)
    return plain


def group_rules(data: GroupData, *, most: int = 120) -> tuple[GroupRule, ...]:
    """All rules of the family that fit a group of two ports or more, the weightiest first, at most `most`.

    The last resort, "unexplained", is a table by rote: it fits whatever was seen and foretells nothing.
    """
    if data.size < 2:
        raise ValueError(f"a group has two ports or more, this one has {data.size}")
    if not _shows_sharing(data):
        return ()
    rules = [*_by_count(data), *_thresholds(data), *_by_rote(data)]
    for kind, policy, log_prior in _policies(data):
        rules += _fitting(kind, policy, log_prior, data)
    return _merged(rules)[:most]


def _shows_sharing(data: GroupData) -> bool:
    return any(
        bool((np.nan_to_num(data.alone_w - row, nan=0.0) > SAME_W).any())
        for mask, row in data.seen.items()
        if mask.bit_count() > 1
    )


def _by_count(data: GroupData) -> Iterator[GroupRule]:
    """A table by the number of occupied ports; more ports never give a port more power."""
    k = data.size
    levels = np.full((k + 1, k), np.nan)
    levels[1] = data.alone_w
    weight = _PRIOR["count"]
    for count in range(2, k + 1):
        rows = [row for mask, row in data.seen.items() if mask.bit_count() == count]
        for port in range(k):
            values = [row[port] for row in rows if math.isfinite(row[port])]
            if not values:
                continue
            if max(values) - min(values) > SAME_W:
                return
            levels[count, port] = float(np.mean(values))
            weight *= _level_prior(levels[count, port], data.alone_w[port])
    for port in range(k):
        known = [c for c in range(1, k + 1) if math.isfinite(levels[c, port])]
        for low, high in pairwise(known):
            if levels[high, port] > levels[low, port] + SAME_W:
                return
            if levels[low, port] - levels[high, port] <= SAME_W:
                levels[low:high, port] = levels[low, port]
    table = np.full((1 << k, k), np.nan)
    for mask in range(1, 1 << k):
        table[mask] = np.where(members(mask, k), levels[mask.bit_count()], np.nan)
    yield GroupRule(("count",), weight, table)


def _thresholds(data: GroupData) -> Iterator[GroupRule]:
    """From a number of occupied ports on, every port has its lower power."""
    k, low = data.size, data.seen.get(data.everyone)
    if low is None or not np.isfinite(low).all():
        return
    prior = _PRIOR["threshold"] / (k - 1)
    cost = math.prod(_level_prior(a, m) for a, m in zip(low, data.alone_w, strict=True))
    for threshold in range(2, k + 1):
        table = np.full((1 << k, k), np.nan)
        for mask in range(1, 1 << k):
            level = data.alone_w if mask.bit_count() < threshold else low
            table[mask] = np.where(members(mask, k), level, np.nan)
        if all(_agrees(table[mask][None, :], mask, data)[0] for mask in data.seen):
            yield GroupRule(("threshold",), prior * cost, table)


def _by_rote(data: GroupData) -> Iterator[GroupRule]:
    k = data.size
    if k == 2:
        return  # two ports have one combination: the table by count is already all there is to know
    table = np.full((1 << k, k), np.nan)
    weight = _PRIOR[UNEXPLAINED]
    for port in range(k):
        table[1 << port, port] = data.alone_w[port]
    for mask, row in data.seen.items():
        table[mask] = np.where(np.isfinite(row), row, table[mask])
        if mask.bit_count() > 1:
            for port in (int(p) for p in np.flatnonzero(np.isfinite(row))):
                weight *= _level_prior(row[port], data.alone_w[port])
    yield GroupRule((UNEXPLAINED,), weight, table)


def _policies(data: GroupData) -> Iterator[tuple[str, EqualSplit | Priority | Ladder, FloatArray]]:
    """Policies with all their parameter sets, and the prior of each set."""
    k, alone = data.size, data.alone_w
    every = np.array(TYPICAL_STEPS_W)
    ladders = (np.zeros(0), every, data.levels_w)
    budgets = np.arange(max(5.0, 0.3 * float(alone.max())), float(alone.sum()), 0.5)
    for steps in ladders:
        for passes_on in (False, True):
            prior = np.full(len(budgets), _PRIOR["equal"] / (len(ladders) * 2 * max(1, len(budgets))))
            yield "equal", EqualSplit(budgets, steps, passes_on), prior
    low = data.seen.get(data.everyone)
    if low is None or not np.isfinite(low).all():
        return  # orders are many: they are tried once all ports of the group were seen at once
    orders = np.array(list(permutations(range(k))), dtype=np.intp)
    spent = float(low.sum())
    per_budget = 2.0 * float(alone.sum())
    for steps in ladders:
        over = np.arange(0.0, 1.5, 0.5) if len(steps) == 0 else np.arange(0.0, float(_ROUNDING_W), 1.0)
        grain = 0.5 if len(steps) == 0 else 1.0
        # a common reserve, or each port its own, which is then what it got with all ports occupied; the first in the
        # order needs none, so its own costs nothing
        reserves = np.vstack([low, *(np.full(k, r) for r in _RESERVES_W)])
        each = np.array([_level_prior(a, m) for a, m in zip(low, alone, strict=True)])
        own = each.prod() / each[orders[:, 0]]
        order, budget, reserve = _crossed(len(orders), len(over), len(reserves))
        cost = np.where(reserve == 0, 0.5 * own[order], 0.5 / len(_RESERVES_W))
        prior = _PRIOR["priority"] / (len(ladders) * len(orders)) * grain * 2 / per_budget * cost
        policy = Priority(orders[order], spent + over[budget], reserves[reserve], steps)
        fits = policy.reaching(alone, low, data.tolerance_w[data.everyone] + _DERIVED_W)
        yield "priority", _kept(policy, fits), prior[fits]
    for steps in ladders[1:]:
        for floor in _FLOORS_W:
            rungs = steps[steps >= floor - SAME_W / 2]
            if not len(rungs):
                continue
            for largest in (True, False):
                trial = Ladder(orders, np.zeros(len(orders)), rungs, largest)
                near = data.tolerance_w[data.everyone] + _DERIVED_W
                least, beyond = trial.budgets_reaching(alone, low, near)
                reached = np.flatnonzero(np.isfinite(least))
                counts = np.minimum(_ROUNDING_W, np.ceil(np.maximum(beyond[reached] - least[reached], 1.0))).astype(int)
                order = np.repeat(reached, counts)
                over = np.concatenate([np.arange(c, dtype=float) for c in counts]) if len(counts) else np.zeros(0)
                level = _PRIOR["ladder"] / (4 * len(_FLOORS_W) * len(orders)) * 2 / per_budget
                yield (
                    "ladder",
                    Ladder(orders[order], least[order] + over, rungs, largest),
                    np.full(len(order), level),
                )


def _crossed(*counts: int) -> tuple[NDArray[np.intp], ...]:
    return tuple(part.ravel() for part in np.meshgrid(*(np.arange(n) for n in counts), indexing="ij"))


def _agrees(powers: FloatArray, mask: int, data: GroupData) -> BoolArray:
    """Which rows agree with what was seen of a set of occupied ports, shape (h,)."""
    apart = np.abs(powers - data.seen[mask])
    return np.asarray((~(apart > data.tolerance_w[mask] + _DERIVED_W)).all(axis=1))


def _fitting(
    kind: str, policy: EqualSplit | Priority | Ladder, prior: FloatArray, data: GroupData
) -> Iterator[GroupRule]:
    # the fullest set first: it leaves the fewest
    for mask in sorted(data.seen, key=lambda m: (-m.bit_count(), m)):
        if not len(prior):
            return
        keep = _agrees(policy.allocate(data.alone_w, members(mask, data.size)), mask, data)
        policy, prior = _kept(policy, keep), prior[keep]
    if not len(prior):
        return
    k = data.size
    tables = np.full((len(prior), 1 << k, k), np.nan)
    for mask in range(1, 1 << k):
        tables[:, mask] = policy.allocate(data.alone_w, members(mask, k))
    misfit = np.zeros(len(prior))
    for mask, row in data.seen.items():
        misfit += np.nansum((tables[:, mask] - row) ** 2, axis=1)
    order = None if isinstance(policy, EqualSplit) else policy.order
    same = table_numbers(tables)
    weights = np.bincount(same, weights=prior)
    for number in range(len(weights)):
        alike = np.flatnonzero(same == number)
        at = int(alike[np.argmin(misfit[alike])])
        who = () if order is None else _likely_first(order[alike], prior[alike])
        yield GroupRule((kind,), float(weights[number]), tables[at], float(policy.budget_w[at]), who)


def table_numbers(tables: FloatArray) -> NDArray[np.intp]:
    """A number for each table, equal for tables equal to a tenth of a watt; shape (h, ...) to (h,)."""
    whole = np.where(np.isnan(tables), -1.0, np.round(10.0 * tables)).astype(np.int64).reshape(len(tables), -1)
    # one odd random factor for each place: tables that differ have different sums but for one in 2**60
    factors = np.random.default_rng(7).integers(1, 2**62, size=whole.shape[1], dtype=np.int64) * 2 + 1
    return np.asarray(np.unique((whole * factors).sum(axis=1), return_inverse=True)[1].ravel())


def _likely_first(orders: NDArray[np.intp], weights: FloatArray) -> tuple[int, ...]:
    """The ports that the orders begin with, as far as one beginning has most of the weight.

    Several orders may lead to the same powers with other reserves: a reserve that is nearly all that a port wants is
    as good as the first place. Small reserves are likelier.
    """
    out: list[int] = []
    left = np.ones(len(orders), dtype=bool)
    for rank in range(orders.shape[1]):
        share = np.bincount(orders[left, rank], weights=weights[left], minlength=orders.shape[1])
        port = int(np.argmax(share))
        if share[port] < _LIKELY * weights.sum():
            break
        out.append(port)
        left &= orders[:, rank] == port
    return tuple(out)


def _kept(policy: EqualSplit | Priority | Ladder, keep: BoolArray | NDArray[np.intp]) -> EqualSplit | Priority | Ladder:
    if isinstance(policy, EqualSplit):
        return replace(policy, budget_w=policy.budget_w[keep])
    if isinstance(policy, Priority):
        return replace(
            policy, order=policy.order[keep], budget_w=policy.budget_w[keep], reserve_w=policy.reserve_w[keep]
        )
    return replace(policy, order=policy.order[keep], budget_w=policy.budget_w[keep])


def _merged(rules: list[GroupRule]) -> tuple[GroupRule, ...]:
    """Rules with one table are one, with the weights of all; the weightiest first."""
    if not rules:
        return ()
    tables = np.array([rule.power_w for rule in rules])
    weights = np.array([rule.weight for rule in rules])
    left = np.argsort(-weights, kind="stable")
    out: list[GroupRule] = []
    while len(left):
        first = tables[left[0]]
        here = tables[left]
        apart = np.abs(here - first)
        same = ((np.isnan(here) == np.isnan(first)) & ~(apart > SAME_W)).all(axis=(1, 2))
        together = left[same]
        by_kind: dict[str, float] = {}
        for at in together:
            by_kind[rules[at].kinds[0]] = by_kind.get(rules[at].kinds[0], 0.0) + float(weights[at])
        kinds = tuple(sorted(by_kind, key=lambda kind: -by_kind[kind]))
        chief = [rules[at] for at in together if rules[at].kinds[0] == kinds[0]]
        out.append(replace(chief[0], kinds=kinds, weight=float(weights[together].sum())))
        left = left[~same]
    return tuple(sorted(out, key=lambda rule: -rule.weight))
