"""Check that the inference finds the rule of sharing from fewer than half of the combinations.

Random chargers of two to six ports are made here, by code that shares nothing with the inference, and looked at as a
tester would: one combination of occupied ports after another, always the one the inference asks for, until it asks for
none or the allowance is used up. The allowance is the largest number below half of all 2^n - 1 combinations.
Found means: the groups, and the power of every port in every combination, are those of the charger.

    .venv/bin/python checks/sharing_inference.py --chargers 600 --strangers 300

The chargers: ports of 7.5 to 140 W, one in ten of them at no usual power; groups by a random partition; for each group
of several one of eight rules. Budgets are any half watt; ladders of steps are random parts of the usual ones, each
charger its own; reserves differ from port to port; tables by count are random. One port in fifty does not have the
power alone that its maker states. Readings are rounded down to 10 mA at the offered voltage, or are a hand reading, off
by up to 0.4 W.

The strangers follow rules outside the family: shares in proportion to what each port could have, a limit on the whole
charger over its groups, one port that throttles a port of another group, tables drawn at random for each combination,
and answers that depend on which port was plugged in first. There the inference must not be sure of a wrong table.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from brickbook.studies.sharing.inference import Inference, Offered, infer_sharing

USUAL = (7.5, 10.0, 12.0, 15.0, 18.0, 20.0, 25.0, 27.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0, 65.0, 70.0, 90.0, 100.0)
ALONE = (12.0, 15.0, 18.0, 20.0, 25.0, 27.0, 30.0, 33.0, 45.0, 60.0, 65.0, 67.0, 87.0, 96.0, 100.0, 120.0, 140.0)
CLAIM_WRONG = 0.02
VOLTS = (5.0, 9.0, 15.0, 20.0, 28.0)

Table = dict[frozenset[int], dict[int, float]]
Rule = Callable[[frozenset[int]], dict[int, float]]


@dataclass(frozen=True)
class Unit:
    """A hidden charger: its true table, the maker's words, and what sort it is."""

    ports: int
    sort: str
    kinds: tuple[str, ...]
    table: Table
    claims: dict[int, float]
    order_matters: bool = False


def down(power: float, ladder: list[float], own: float) -> float:
    if power >= own - 1e-9:
        return own
    fitting = [step for step in ladder if step <= power + 1e-9]
    return max(fitting) if fitting else power


def make_rule(kind: str, ports: list[int], alone: dict[int, float], rng: np.random.Generator) -> Rule:
    """A rule of the family, with random parameters."""
    total, top = sum(alone[p] for p in ports), max(alone[p] for p in ports)
    budget = round(2 * rng.uniform(max(top, 0.35 * total), 0.95 * total)) / 2
    size = int(rng.integers(5, len(USUAL) + 1))
    ladder = sorted(rng.choice(USUAL, size=size, replace=False)) if kind.endswith("stepped") else []

    def rounded(power: float, port: int) -> float:
        return down(power, ladder, alone[port]) if ladder else min(power, alone[port])

    order = list(rng.permutation(ports))
    reserve = {p: min(alone[p], float(rng.choice((7.5, 10.0, 12.0, 15.0, 18.0, 20.0)))) for p in ports}
    if rng.random() < 0.5:
        one = float(rng.choice((7.5, 10.0, 12.0, 15.0, 18.0, 20.0)))
        reserve = {p: min(alone[p], one) for p in ports}
    low = {
        p: alone[p]
        if rng.random() < 0.2
        else float(max((u for u in USUAL if u < alone[p] * rng.uniform(0.3, 1.0)), default=alone[p]))
        for p in ports
    }
    threshold = int(rng.integers(2, len(ports) + 1))
    levels = {p: [alone[p]] for p in ports}
    for p in ports:
        for _ in range(1, len(ports)):
            now = levels[p][-1]
            choices = [u for u in USUAL if 0.3 * now <= u < now - 1.0]
            levels[p].append(float(rng.choice(choices)) if choices and rng.random() < 0.7 else now)
    passes = bool(rng.random() < 0.5)
    floor = float(rng.choice((7.5, 12.0, 15.0)))
    rungs = sorted({floor, *(u for u in USUAL if u > floor and (rng.random() < 0.8))})
    largest = bool(rng.random() < 0.7)

    def equal(here: frozenset[int]) -> dict[int, float]:
        left, count, out = budget, len(here), {}
        for p in sorted(here, key=lambda q: alone[q]):
            share = left / count
            out[p] = rounded(share, p)
            if passes:
                left, count = left - min(share, alone[p]), count - 1
        return out

    def priority(here: frozenset[int]) -> dict[int, float]:
        left, out = budget, {}
        ranked = [p for p in order if p in here]
        for k, p in enumerate(ranked):
            kept = sum(reserve[q] for q in ranked[k + 1 :])
            out[p] = rounded(max(left - kept, reserve[p]), p)
            left -= out[p]
        return out

    def step_down(here: frozenset[int]) -> dict[int, float]:
        now = {p: alone[p] for p in here}
        while sum(now.values()) > budget + 1e-9:
            able = [p for p in now if now[p] > floor + 1e-9]
            if not able:
                break
            chosen = max(able, key=(lambda p: (now[p], order.index(p))) if largest else order.index)
            now[chosen] = max(r for r in rungs if r < now[chosen] - 1e-9)
        return now

    rules: dict[str, Rule] = {
        "equal": equal,
        "equal stepped": equal,
        "priority": priority,
        "priority stepped": priority,
        "threshold": lambda here: {p: low[p] if len(here) >= threshold else alone[p] for p in here},
        "any other": lambda here: {p: low[p] for p in here},
        "count": lambda here: {p: levels[p][len(here) - 1] for p in here},
        "ladder": step_down,
    }
    chosen = rules[kind]
    return lambda here: {p: alone[p] for p in here} if len(here) == 1 else chosen(here)


KINDS = ("equal", "equal stepped", "priority", "priority stepped", "threshold", "any other", "count", "ladder")
STRANGERS = ("proportion", "total", "crosstalk", "random", "first come")


def subsets(n: int) -> list[frozenset[int]]:
    return [frozenset(c) for k in range(1, n + 1) for c in combinations(range(n), k)]


def make_unit(n: int, rng: np.random.Generator, stranger: str = "") -> Unit:
    alone = {
        p: float(rng.choice(ALONE)) if rng.random() < 0.9 else float(np.round(rng.uniform(10, 140), 1))
        for p in range(n)
    }
    label = [0]
    for _ in range(1, n):
        label.append(int(rng.integers(0, max(label) + 2)))
    groups = [[p for p in range(n) if label[p] == g] for g in range(max(label) + 1)]
    if stranger in ("proportion", "random", "first come") or (stranger and len(groups) == 1):
        groups = [list(range(n))] if stranger not in ("total", "crosstalk") else [[0], list(range(1, n))]
    rules, kinds = [], []
    for group in groups:
        if len(group) == 1:
            kinds.append("independent")
            rules.append(lambda here: {p: alone[p] for p in here})
            continue
        kind = str(rng.choice(KINDS))
        kinds.append(kind)
        rules.append(make_rule(kind, group, alone, rng))
    table: Table = {}
    total = sum(alone.values())
    budget = rng.uniform(max(alone.values()), max(0.8 * total, 1.01 * max(alone.values())))
    for here in subsets(n):
        row: dict[int, float] = {}
        for group, rule in zip(groups, rules, strict=True):
            inside = here & frozenset(group)
            if inside:
                row |= rule(frozenset(inside))
        if stranger == "proportion":
            need = sum(alone[p] for p in here)
            row = {p: alone[p] * min(1.0, budget / need) for p in here}
        elif stranger == "total" and sum(row.values()) > budget:
            worst = max(row, key=lambda p: (row[p], p))
            if len(here) > 1:
                row[worst] = max(7.5, row[worst] - (sum(row.values()) - budget))
        elif stranger == "crosstalk" and {0, n - 1} <= here:
            row[0] = min(row[0], max(7.5, 0.5 * alone[0]))
        elif stranger == "random" and len(here) > 1:
            row = {p: float(rng.choice([u for u in USUAL if u <= alone[p]] or [alone[p]])) for p in here}
        elif stranger == "first come" and len(here) > 1:
            row = {p: min(alone[p], 15.0) for p in here}
        table[here] = row
    claims = {p: float(rng.choice(ALONE)) if rng.random() < CLAIM_WRONG else w for p, w in alone.items()}
    return Unit(n, stranger or "family", tuple(kinds), table, claims, stranger == "first come")


def look(unit: Unit, here: frozenset[int], rng: np.random.Generator, *, by_hand: bool) -> dict[int, float]:
    """What a tester writes down."""
    row = dict(unit.table[here])
    if unit.order_matters and len(here) > 1:
        first = int(rng.choice(sorted(here)))
        row[first] = unit.table[frozenset({first})][first]
    out = {}
    for p, power in row.items():
        if by_hand:
            out[p] = power + rng.uniform(-0.4, 0.4)
        else:
            volts = max((v for v in VOLTS if power / v <= 5.0 and v <= max(5.0, power / 1.5)), default=5.0)
            out[p] = np.floor(100 * power / volts + 1e-9) / 100 * volts
    return out


def truth_groups(unit: Unit) -> set[frozenset[int]]:
    """Finest division in which a port depends on ports of its own part only."""
    link = {p: {p} for p in range(unit.ports)}
    for here, row in unit.table.items():
        for q in set(range(unit.ports)) - here:
            wider = unit.table[here | {q}]
            for p in row:
                if abs(wider[p] - row[p]) > 1.0:
                    union = link[p] | link[q]
                    for member in union:
                        link[member] = union
    return {frozenset(part) for part in link.values()}


def right(unit: Unit, result: Inference) -> tuple[bool, bool]:
    """Whether groups, and all powers, are right."""
    groups = {frozenset(int(p) for p in g.ports) for g in result.groups} == truth_groups(unit)
    powers = bool(result.power_w) and all(
        abs(result.power_w[tuple(str(p) for p in sorted(here))][str(p)] - power) <= max(1.5, 0.02 * power)
        for here, row in unit.table.items()
        for p, power in row.items()
    )
    return groups, powers


def examine(task: tuple[int, int, str]) -> dict[str, object]:
    seed, n, stranger = task
    rng = np.random.default_rng(seed)
    unit = make_unit(n, rng, stranger)
    names = tuple(str(p) for p in range(n))
    allowance = (2**n - 2) // 2
    claims = {str(p): w for p, w in unit.claims.items()}
    by_hand = bool(rng.random() < 0.2)
    readings: list[Offered] = []
    seen: set[tuple[str, ...]] = set()
    began = time.process_time()
    result = infer_sharing(names, readings, claims)
    while len(seen) < allowance and result.next_combination and not result.contradictions:
        seen.add(result.next_combination)
        # all ports at once are looked at twice, plugged in another order: a repeat is no further combination
        for _ in range(2 if len(seen) == 1 else 1):
            here = frozenset(int(p) for p in result.next_combination)
            powers = {str(p): w for p, w in look(unit, here, rng, by_hand=by_hand).items()}
            readings.append(Offered(result.next_combination, powers, 0.6 if by_hand else 0.5))
        result = infer_sharing(names, readings, claims)
    groups, right_powers = right(unit, result)
    return {
        "ports": n,
        "sort": unit.sort,
        "kinds": unit.kinds,
        "seed": seed,
        "groups": groups,
        "found": groups and right_powers,
        "powers": right_powers,
        "settled": result.settled,
        "explained": result.explained_probability,
        "used": len(seen),
        "all": 2**n - 1,
        "honest": all(abs(unit.claims[p] - unit.table[frozenset({p})][p]) < 1e-9 for p in range(n)),
        "seconds": time.process_time() - began,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chargers", type=int, default=600)
    parser.add_argument("--strangers", type=int, default=300)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--lost", action="store_true", help="list the chargers whose rule was not found")
    options = parser.parse_args()
    tasks = [(options.seed + k, 2 + k % 5, "") for k in range(options.chargers)]
    tasks += [
        (options.seed + 10**6 + k, 3 + k % 4, STRANGERS[k // 4 % len(STRANGERS)]) for k in range(options.strangers)
    ]
    with ProcessPoolExecutor(options.workers) as pool:
        rows = list(pool.map(examine, tasks, chunksize=4))
    own = [r for r in rows if r["sort"] == "family"]
    print("ports  chargers  found  groups  settled  settled+wrong  looks of all   s/charger")
    for n in (2, 3, 4, 5, 6, 0):
        part = [r for r in own if n in (0, r["ports"])]
        report(str(n) if n else "all", part)
    by_kind = defaultdict(list)
    for r in own:
        for kind in set(r["kinds"]):
            by_kind[kind].append(r)
    print("\nby a rule among its groups")
    for kind in sorted(by_kind):
        report(kind, by_kind[kind])
    print("\nwhere every word of the maker is true")
    report("honest", [r for r in own if r["honest"]])
    print("\nstrangers: rules outside the family")
    for sort in STRANGERS:
        part = [r for r in rows if r["sort"] == sort]
        sure_wrong = sum(bool(r["settled"]) and not r["powers"] for r in part)
        right_powers = sum(bool(r["powers"]) for r in part)
        print(
            f"{sort:14s} {len(part):4d}  all powers right {right_powers:3d}"
            f"  not settled {sum(not r['settled'] for r in part):3d}  sure and wrong {sure_wrong:3d}"
        )
    if options.lost:
        for r in rows:
            if (r["sort"] == "family" and not r["found"]) or (r["settled"] and not r["powers"]):
                print(r)


def report(name: str, part: list[dict[str, object]]) -> None:
    if not part:
        return
    count = len(part)
    found = sum(bool(r["found"]) for r in part)
    print(
        f"{name:17s} {count:5d}  {100 * found / count:5.1f}%"
        f"  {100 * sum(bool(r['groups']) for r in part) / count:5.1f}%"
        f"  {100 * sum(bool(r['settled']) for r in part) / count:5.1f}%"
        f"  {sum(bool(r['settled']) and not r['found'] for r in part):4d}"
        f"  {sum(r['used'] for r in part) / count:5.1f} of {sum(r['all'] for r in part) / count:4.1f}"
        f"  {sum(r['seconds'] for r in part) / count:6.2f}"
    )


if __name__ == "__main__":
    main()
