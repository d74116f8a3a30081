"""Which ports share a budget and how, from what each was offered in a few combinations; what to look at next.

The family of hypotheses: the ports fall into groups; what a port is offered depends on the occupied ports of its own
group only; a group of several follows one of the rules of `groups`. All partitions of up to six ports (203) and all
rules are enumerated, those that contradict a reading are dropped, and the rest are weighed. Nothing outside the family
is invented: where only the table by rote is left, or readings contradict each other, the result says so.

The power of a port alone is a reading, or else the maker's word, taken with a grain of salt.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from brickbook.studies.sharing.groups import (
    SAME_W,
    UNEXPLAINED,
    GroupData,
    GroupRule,
    group_rules,
    members,
    table_numbers,
)
from brickbook.studies.sharing.settling import smallest_settling_set

__all__ = ["CERTAIN", "MAX_PORTS", "Group", "Inference", "Offered", "infer_sharing"]

FloatArray = NDArray[np.float64]
Ports = tuple[str, ...]

MAX_PORTS = 6
CERTAIN = 0.95
_CLAIM_HOLDS = 0.97  # that a port alone has the power its maker states (common practice, no source)
_CLAIM_SEEN = 0.999  # the same once the port was seen to have as much with others occupied
# That a charger breaks its own rule in an unknown share of combinations (common practice, no source).
_EXCEPTIONS = 0.15
_ENOUGH = 0.975  # certainty that it does not, from which on no further look is asked for
_KEPT = 1e-5  # rules lighter than this share of the heaviest are dropped
_MOST = 600


@dataclass(frozen=True, slots=True)
class Offered:
    """What was offered with some ports occupied.

    Parameters
    ----------
    occupied
        The occupied ports.
    power_w
        Highest power offered to each port that was looked at [W].
    tolerance_w
        How far the powers may be off, one for all or one for each port [W].
    """

    occupied: Ports
    power_w: Mapping[str, float]
    tolerance_w: float | Mapping[str, float] = 0.5

    def tolerance_of(self, port: str) -> float:
        """How far the power of a port may be off [W]."""
        return self.tolerance_w if isinstance(self.tolerance_w, float) else self.tolerance_w[port]


@dataclass(frozen=True, slots=True)
class Group:
    """Ports that share a budget, or one port on its own.

    Parameters
    ----------
    ports
        In the charger's order.
    kinds
        Rules that fit and lead to the same powers, the weightiest first: "independent", "threshold", "count",
        "equal", "priority", "ladder", "unexplained".
    probability
        That exactly these ports are a group.
    budget_w
        Highest sum offered with all of the group occupied, as seen or foretold; NaN where not known [W].
    order
        From the first served on, as far as the readings determine it; empty where the rule has no order.
    """

    ports: Ports
    kinds: Ports
    probability: float
    budget_w: float
    order: Ports = ()


@dataclass(frozen=True, slots=True)
class Inference:
    """What the readings say.

    Parameters
    ----------
    groups
        The weightiest division into groups.
    groups_probability, rule_probability
        That the division, and that every power of `power_w`, is right, given the family.
    explained_probability
        That a rule of the family, and not only a table by rote, is behind it.
    power_w
        Occupied ports to the power foretold for each, for all combinations; NaN where the rule leaves it open [W].
    next_combination
        The one to look at next; empty when nothing is left to learn.
    settling
        The smallest set of combinations that tells the remaining rules apart.
    settling_is_smallest
        Whether that set is proven to be smallest.
    unconfirmed
        Ports whose power alone is the maker's word.
    contradictions
        Readings that no rule could have given together.
    alternatives
        How many rules with different tables remain.
    confirmed
        How many looks tried the rule beyond those that it took to find it.
    """

    groups: tuple[Group, ...]
    groups_probability: float
    rule_probability: float
    explained_probability: float
    power_w: Mapping[Ports, Mapping[str, float]]
    next_combination: Ports
    settling: tuple[Ports, ...]
    settling_is_smallest: bool
    unconfirmed: Ports
    contradictions: tuple[str, ...]
    alternatives: int
    confirmed: int

    @property
    def settled(self) -> bool:
        """Whether every power is known with 95 % certainty."""
        return not self.contradictions and self.rule_probability >= CERTAIN and self.explained_probability >= CERTAIN


@dataclass(frozen=True, slots=True, eq=False)
class _Hypothesis:
    """A division into groups with a rule for each, as one table over all ports."""

    weight: float
    blocks: tuple[int, ...]
    rules: tuple[GroupRule, ...]
    table: FloatArray

    @property
    def unexplained(self) -> bool:
        return any(UNEXPLAINED in rule.kinds[:1] for rule in self.rules)


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Readings by mask, the powers alone, and what is wrong with them."""

    powers: dict[int, FloatArray]
    tolerance: dict[int, FloatArray]
    alone_w: FloatArray
    trust: FloatArray
    contradictions: tuple[str, ...]


def infer_sharing(
    ports: Sequence[str], readings: Sequence[Offered], claimed_alone_w: Mapping[str, float] | None = None
) -> Inference:
    """Groups, rule, certainty, and what to look at next.

    Parameters
    ----------
    ports
        Ids of two to six ports.
    readings
        What was offered; combinations in any order, repeats allowed.
    claimed_alone_w
        The maker's word on the power of each port alone, used where it was not seen [W].

    Raises
    ------
    ValueError
        When there are too few or too many ports, or a reading names an unknown or unoccupied port or a power that is
        not above zero.
    """
    names = tuple(ports)
    if not 2 <= len(names) <= MAX_PORTS:
        raise ValueError(f"sharing is inferred for 2 to {MAX_PORTS} ports, this charger has {len(names)}")
    seen = _collate(names, readings, claimed_alone_w or {})
    hypotheses = _hypotheses(len(names), seen)
    return _conclude(names, seen, hypotheses)


def _collate(names: Ports, readings: Sequence[Offered], claimed: Mapping[str, float]) -> _Seen:
    n = len(names)
    values: dict[int, list[FloatArray]] = {}
    tolerance: dict[int, FloatArray] = {}
    for reading in readings:
        unknown = [p for p in (*reading.occupied, *reading.power_w) if p not in names]
        if unknown:
            raise ValueError(f"a reading names port {unknown[0]!r}; the ports are {', '.join(names)}")
        loose = [p for p in reading.power_w if p not in reading.occupied]
        if loose or not reading.occupied:
            raise ValueError(f"a reading has a power for {loose[0] if loose else 'no port'}, which is not occupied")
        row = np.array([reading.power_w.get(p, math.nan) for p in names])
        if (row <= 0).any():
            raise ValueError(f"a power offered with {'+'.join(reading.occupied)} occupied is not above zero")
        mask = sum(1 << names.index(p) for p in set(reading.occupied))
        values.setdefault(mask, []).append(row)
        near = np.array([reading.tolerance_of(p) if p in reading.power_w else 0.0 for p in names])
        tolerance[mask] = np.maximum(tolerance.get(mask, 0.0), near)
    powers: dict[int, FloatArray] = {}
    wrong: list[str] = []
    for mask, rows in sorted(values.items()):
        stack = np.array(rows)
        known = np.isfinite(stack).any(axis=0)
        mean = np.full(n, math.nan)
        mean[known] = np.nanmean(stack[:, known], axis=0)
        powers[mask] = mean
        for port in (int(p) for p in np.flatnonzero(known)):
            spread = float(np.nanmax(stack[:, port]) - np.nanmin(stack[:, port]))
            if spread > 2 * tolerance[mask][port] + SAME_W / 2:
                wrong.append(
                    f"{names[port]} with {_plus(mask, names)} occupied was offered "
                    f"{np.nanmin(stack[:, port]):.4g} W once and {np.nanmax(stack[:, port]):.4g} W another time: what "
                    "is offered depends on more than which ports are occupied"
                )
    alone, trust = np.zeros(n), np.ones(n)
    for port, name in enumerate(names):
        own = powers.get(1 << port)
        most = max((float(row[port]) for row in powers.values() if math.isfinite(row[port])), default=math.nan)
        if own is not None and math.isfinite(own[port]):
            alone[port] = own[port]
        elif name in claimed and not most > claimed[name] + SAME_W:
            alone[port] = claimed[name]
            trust[port] = _CLAIM_SEEN if most >= claimed[name] - SAME_W else _CLAIM_HOLDS
        else:
            # no word, or one that the readings refute: the most that was seen, for want of better
            alone[port], trust[port] = (most if math.isfinite(most) else 5.0), 0.5
        slack = SAME_W + max((float(near[port]) for near in tolerance.values()), default=0.0)
        if math.isfinite(most) and most > alone[port] + slack:
            wrong.append(f"{name} was offered {most:.4g} W with others occupied, and {alone[port]:.4g} W alone")
    return _Seen(powers, tolerance, alone, trust, tuple(wrong))


def _hypotheses(n: int, seen: _Seen) -> list[_Hypothesis]:
    """All that fits, the weightiest first, weights adding up to 1."""
    useful = _consistent(n, seen)
    blocks: dict[int, tuple[GroupRule, ...]] = {}
    out: list[_Hypothesis] = []
    for partition in _partitions((1 << n) - 1):
        if not all(block in useful for block in partition):
            continue
        for block in partition:
            if block not in blocks:
                blocks[block] = _rules_of(useful[block])
        rules: list[tuple[float, tuple[GroupRule, ...]]] = [(1.0, ())]
        for block in partition:
            rules = [(w * rule.weight, (*chosen, rule)) for w, chosen in rules for rule in blocks[block]]
            rules = sorted(rules, key=lambda item: -item[0])[:_MOST]
        out += [_Hypothesis(w, partition, chosen, _joined(n, partition, chosen)) for w, chosen in rules]
    out.sort(key=lambda h: -h.weight)
    out = [h for h in out[:_MOST] if h.weight >= _KEPT * out[0].weight]
    return _unique(out) if out else []


def _consistent(n: int, seen: _Seen) -> dict[int, GroupData]:
    """What was seen of each block of ports whose powers depend, as far as was seen, on the block's ports alone."""
    out: dict[int, GroupData] = {}
    for block in range(1, 1 << n):
        data = _block_data([p for p in range(n) if block >> p & 1], seen)
        if data is not None:
            out[block] = data
    return out


def _block_data(ports: list[int], seen: _Seen) -> GroupData | None:
    inside: dict[int, list[FloatArray]] = {}
    tolerance: dict[int, FloatArray] = {}
    for mask, row in seen.powers.items():
        local = sum(1 << k for k, p in enumerate(ports) if mask >> p & 1)
        if local:
            inside.setdefault(local, []).append(row[ports])
            tolerance[local] = np.maximum(tolerance.get(local, 0.0), seen.tolerance[mask][ports])
    alone = seen.alone_w[ports]
    together: dict[int, FloatArray] = {}
    for local, rows in sorted(inside.items()):
        stack = np.array(rows)
        if local.bit_count() == 1:
            stack = np.vstack([stack, np.where(members(local, len(ports)), alone, np.nan)])
        known = np.isfinite(stack).any(axis=0)
        if not known.any():
            continue
        spread = np.nanmax(stack[:, known], axis=0) - np.nanmin(stack[:, known], axis=0)
        if (spread > 2 * tolerance[local][known]).any():
            return None  # the same ports of the block occupied, and yet other powers: others matter too
        mean = np.full(len(ports), math.nan)
        mean[known] = np.nanmean(stack[:, known], axis=0)
        together[local] = mean
    return GroupData(alone, together, tolerance)


def _rules_of(data: GroupData) -> tuple[GroupRule, ...]:
    if data.size == 1:
        table = np.array([[math.nan], [data.alone_w[0]]])
        return (GroupRule(("independent",), 1.0, table, float(data.alone_w[0])),)
    seen = tuple((mask, tuple(data.tolerance_w[mask]), tuple(row)) for mask, row in sorted(data.seen.items()))
    return _cached_rules(tuple(data.alone_w), seen)


@lru_cache(maxsize=256)
def _cached_rules(
    alone_w: tuple[float, ...], seen: tuple[tuple[int, tuple[float, ...], tuple[float, ...]], ...]
) -> tuple[GroupRule, ...]:
    """Rules of a group; most groups do not change from one reading to the next."""
    return group_rules(
        GroupData(
            np.array(alone_w), {m: np.array(row) for m, _, row in seen}, {m: np.array(near) for m, near, _ in seen}
        )
    )


def _partitions(mask: int) -> list[tuple[int, ...]]:
    """All divisions of the ports of a mask into blocks."""
    if mask == 0:
        return [()]
    first = mask & -mask
    rest = mask ^ first
    out = []
    part = rest
    while True:
        out += [(first | part, *others) for others in _partitions(rest ^ part)]
        if part == 0:
            return out
        part = (part - 1) & rest


def _joined(n: int, partition: tuple[int, ...], rules: tuple[GroupRule, ...]) -> FloatArray:
    table = np.full((1 << n, n), np.nan)
    masks = np.arange(1 << n)
    for block, rule in zip(partition, rules, strict=True):
        ports = [p for p in range(n) if block >> p & 1]
        local = sum(((masks >> p) & 1) << k for k, p in enumerate(ports))
        table[:, ports] = rule.power_w[local]
    return table


def _unique(hypotheses: list[_Hypothesis]) -> list[_Hypothesis]:
    """Hypotheses with one table become one."""
    total = sum(h.weight for h in hypotheses)
    tables = np.array([h.table for h in hypotheses])
    numbers = table_numbers(tables)
    # first those that are equal to the digit, then those that are equal to the tolerance
    firsts = [int(k) for k in sorted(np.unique(numbers, return_index=True)[1])]
    left, out = firsts, []
    while left:
        first = tables[left[0]]
        here = tables[left]
        alike = ((np.isnan(here) == np.isnan(first)) & ~(np.abs(here - first) > SAME_W)).all(axis=(1, 2))
        chosen = {int(numbers[k]) for k, same in zip(left, alike, strict=True) if same}
        same = [h for h, number in zip(hypotheses, numbers, strict=True) if int(number) in chosen]
        # of equal tables the one with the most groups: ports that never touch each other are not one group
        finest = max(same, key=lambda h: (len(h.blocks), h.weight))
        out.append(_Hypothesis(sum(h.weight for h in same) / total, finest.blocks, finest.rules, finest.table))
        left = [k for k, alone in zip(left, ~alike, strict=True) if alone]
    return sorted(out, key=lambda h: -h.weight)


def _conclude(names: Ports, seen: _Seen, hypotheses: list[_Hypothesis]) -> Inference:
    n = len(names)
    if not hypotheses:
        everyone = (1 << n) - 1
        wrong = seen.contradictions or ("no division into groups fits: the same combination has other powers",)
        return Inference(
            groups=(),
            groups_probability=0.0,
            rule_probability=0.0,
            explained_probability=0.0,
            power_w={},
            next_combination=() if seen.powers else _named(everyone, names),
            settling=(),
            settling_is_smallest=True,
            unconfirmed=(),
            contradictions=wrong,
            alternatives=0,
            confirmed=0,
        )
    best = hypotheses[0]
    unexplained = sum(h.weight for h in hypotheses if h.unexplained)
    by_blocks: dict[tuple[int, ...], float] = {}
    for h in hypotheses:
        by_blocks[h.blocks] = by_blocks.get(h.blocks, 0.0) + h.weight
    blocks = max(by_blocks, key=lambda b: by_blocks[b])
    leader = best if best.blocks == blocks else next(h for h in hypotheses if h.blocks == blocks)
    trust = float(np.prod(seen.trust))
    open_cells = _open(leader.table, n)
    confirmed = _confirmations(seen, leader)
    ahead = sum(1 for mask in range(1, 1 << n) if mask.bit_count() > 1 and mask not in seen.powers)
    regular = _without_exceptions(confirmed, ahead)
    share = leader.weight * trust * regular
    # an exception can only join ports: where all are one group already, it changes no group
    apart = trust * (regular if len(leader.blocks) > 1 else 1.0)
    groups = tuple(
        Group(
            _named(block, names),
            rule.kinds,
            sum(h.weight for h in hypotheses if block in h.blocks) * apart,
            _budget(block, leader.table),
            tuple(names[[p for p in range(n) if block >> p & 1][k]] for k in _order(block, hypotheses)),
        )
        for block, rule in zip(leader.blocks, leader.rules, strict=True)
    )
    following = _next(n, seen, hypotheses, enough=regular >= _ENOUGH)
    settling, proven = smallest_settling_set(
        [h.table for h in hypotheses if not h.unexplained and h.weight >= 0.005],
        [m for m in range(1, 1 << n) if m not in seen.powers],
        SAME_W,
    )
    doubtful = [1 << p for p in range(n) if seen.trust[p] < _CLAIM_SEEN]
    settling = tuple(sorted({*settling, *doubtful}))
    return Inference(
        groups=tuple(sorted(groups, key=lambda g: names.index(g.ports[0]))),
        groups_probability=by_blocks[blocks] * apart,
        rule_probability=0.0 if open_cells else share,
        explained_probability=1.0 - unexplained,
        power_w={
            _named(mask, names): {names[p]: float(leader.table[mask, p]) for p in range(n) if mask >> p & 1}
            for mask in range(1, 1 << n)
        },
        next_combination=_named(following, names),
        settling=tuple(_named(m, names) for m in settling),
        settling_is_smallest=proven,
        unconfirmed=tuple(names[p] for p in range(n) if seen.trust[p] < 1.0),
        contradictions=seen.contradictions,
        alternatives=len([h for h in hypotheses if not h.unexplained]),
        confirmed=confirmed,
    )


def _confirmations(seen: _Seen, leader: _Hypothesis) -> int:
    """Looks at several ports beyond those that a rule needs: one for each port of a group of several."""
    looks = sum(mask.bit_count() > 1 for mask in seen.powers)
    needed = sum(block.bit_count() for block in leader.blocks if block.bit_count() > 1)
    return max(0, looks - max(1, needed))


def _without_exceptions(confirmed: int, ahead: int) -> float:
    """That the rule holds in all combinations ahead, having held in those that could have broken it.

    With prior 1 - e a charger keeps its rule always; else it breaks it in a share of combinations of which nothing is
    known, so that k that keep it have probability 1/(k + 1) (Laplace's rule of succession).
    """
    always = 1.0 - _EXCEPTIONS
    return (always + _EXCEPTIONS / (confirmed + ahead + 1)) / (always + _EXCEPTIONS / (confirmed + 1))


def _next(n: int, seen: _Seen, hypotheses: list[_Hypothesis], *, enough: bool) -> int:
    """The combination to look at next, as a mask: the one that tells most, or one that tries the rule; 0 for none."""
    if not seen.powers:
        return (1 << n) - 1
    gain = _gains(n, seen, hypotheses)
    best = max(gain, key=lambda mask: (round(gain[mask], 9), -mask.bit_count()), default=0)
    if gain.get(best, 0.0) >= 0.02 or not gain:
        return best
    trials = {mask: _news(mask, n, seen) for mask in gain if mask.bit_count() > 1}
    if enough or not trials:
        return best if gain[best] >= 1e-3 else 0
    return max(trials, key=lambda mask: (trials[mask], gain[mask], -mask))


def _news(mask: int, n: int, seen: _Seen) -> float:
    """How many sights of a port with two others in or out of use a combination adds to those seen."""
    news = 0.0
    for port in (p for p in range(n) if mask >> p & 1):
        for one in range(n):
            for other in range(one + 1, n):
                if port in (one, other):
                    continue
                pick = 1 << port | 1 << one | 1 << other
                news += all(mask & pick != old & pick for old in seen.powers)
        for one in (q for q in range(n) if q != port):
            pick = 1 << port | 1 << one
            news += 0.1 * all(mask & pick != old & pick for old in seen.powers)
    return news


def _open(table: FloatArray, n: int) -> int:
    """How many powers of occupied ports a table leaves open."""
    return sum(int(np.isnan(table[mask][members(mask, n)]).sum()) for mask in range(1, 1 << n))


def _budget(block: int, table: FloatArray) -> float:
    """The highest sum that the group is ever offered at once."""
    ports = [p for p in range(table.shape[1]) if block >> p & 1]
    sums = [
        float(table[mask][[p for p in ports if mask >> p & 1]].sum())
        for mask in range(1, table.shape[0])
        if mask & ~block == 0
    ]
    known = [s for s in sums if math.isfinite(s)]
    return max(known) if len(known) == len(sums) else math.nan


def _order(block: int, hypotheses: list[_Hypothesis]) -> tuple[int, ...]:
    """The ports served first, as far as the weightiest hypotheses with an order agree."""
    orders = [
        rule.order
        for h in hypotheses
        for b, rule in zip(h.blocks, h.rules, strict=True)
        if b == block and rule.kinds[0] == "priority" and h.weight >= 0.02
    ]
    agreed = []
    for ranks in zip(*orders, strict=False):
        if len(set(ranks)) > 1:
            break
        agreed.append(ranks[0])
    return tuple(agreed)


def _gains(n: int, seen: _Seen, hypotheses: list[_Hypothesis]) -> dict[int, float]:
    """What a look at each combination not yet seen is expected to tell [nat]."""
    weights = np.array([h.weight for h in hypotheses])
    unexplained = float(sum(h.weight for h in hypotheses if h.unexplained))
    out: dict[int, float] = {}
    for mask in range(1, 1 << n):
        if mask in seen.powers:
            continue
        occupied = members(mask, n)
        columns = np.array([h.table[mask][occupied] for h in hypotheses])
        known = np.where(np.isnan(columns), -1.0, np.round(columns / (1.5 * SAME_W)))
        _, inverse = np.unique(known, axis=0, return_inverse=True)
        share = np.bincount(inverse.ravel(), weights=weights)
        gain = float(-(share[share > 0] * np.log(share[share > 0])).sum())
        # a power the rule leaves open is learnt whatever it is
        gain += float((weights * np.isnan(columns).sum(axis=1)).sum())
        # the maker's word is put to the test wherever a port is expected to have its power alone
        for at, port in enumerate(np.flatnonzero(occupied)):
            doubt = 1.0 - float(seen.trust[port])
            if doubt <= 1.0 - _CLAIM_SEEN + 1e-9:
                continue
            expected = float(weights[np.abs(columns[:, at] - seen.alone_w[port]) <= SAME_W].sum())
            gain += expected * (-doubt * math.log(doubt) - (1.0 - doubt) * math.log1p(-doubt))
            if mask.bit_count() == 1:
                gain += 2.0 * unexplained
        out[mask] = gain
    return out


def _named(mask: int, names: Ports) -> Ports:
    return tuple(name for port, name in enumerate(names) if mask >> port & 1)


def _plus(mask: int, names: Ports) -> str:
    return "+".join(_named(mask, names))
