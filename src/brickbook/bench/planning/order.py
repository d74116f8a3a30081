"""In which order to do tasks: the least time for changes by hand and for cooling, with some tasks after others.

A sequence's cost is what lies between its jobs: seconds to change mains and plugs, and seconds to wait where a job
wants the charger to have rested and it has not yet. This is the travelling salesman's problem with precedence and
unequal ways there and back (sequential ordering; Escudero 1988, from memory, medium), with one thing more: how long the
charger has rested depends on more than the job before.

Up to `EXACT` jobs all sequences are weighed by dynamic programming over sets (Held and Karp 1962, Bellman 1962; from
memory, high), keeping for each set and last job every pair of cost and rest that no other pair beats. Larger numbers
begin with sequences made by nearest job and by cheapest insertion, improved by moving and turning runs of jobs (or-opt;
Or 1976, from memory, medium), with repeatable kicks out of local rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np

__all__ = ["EXACT", "Job", "Ordered", "Way", "ordered", "sequence_cost", "walk"]

EXACT = 9
_LONGEST_RUN = 4
_KICKS = 60
_EPS = 1e-9


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done once.

    Parameters
    ----------
    rest_s
        Least time without load before it [s].
    takes_s
        Its own length [s].
    warms
        Whether the charger is loaded in it.
    tail_s
        Time without load at its end [s]; only of a job that warms.
    before
        Places of the jobs that must come before it.
    """

    rest_s: float = 0.0
    takes_s: float = 0.0
    warms: bool = False
    tail_s: float = 0.0
    before: frozenset[int] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True)
class Way:
    """Time to change from one job's setup to another's [s]: from the beginning, and between jobs (rows: from)."""

    first_s: tuple[float, ...]
    change_s: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Ordered:
    """A sequence and its cost.

    Parameters
    ----------
    places
        Of the jobs, in order.
    cost_s
        Changes and waiting [s].
    exact
        Whether no sequence costs less.
    """

    places: tuple[int, ...]
    cost_s: float
    exact: bool


def ordered(jobs: Sequence[Job], way: Way) -> Ordered:
    """The jobs in an order of little cost, in the least where there are up to `EXACT`.

    Raises
    ------
    ValueError
        When jobs come before each other in a circle.
    """
    _check(jobs)
    if len(jobs) <= EXACT:
        return _exact(jobs, way)
    return _improved(jobs, way)


def walk(job: Job, rested_s: float, change_s: float) -> tuple[float, float]:
    """Waiting before a job [s], and how long the charger has rested after it [s]."""
    rested = rested_s + change_s
    wait = max(0.0, job.rest_s - rested)
    return wait, (job.tail_s if job.warms else rested + wait + job.takes_s)


def sequence_cost(places: Sequence[int], jobs: Sequence[Job], way: Way) -> float:
    """Changes and waiting of a sequence [s]; the charger is cold at the beginning."""
    return _cost(places, jobs, way, inf)


def _cost(places: Sequence[int], jobs: Sequence[Job], way: Way, limit: float) -> float:
    total, rested, last = 0.0, inf, -1
    for place in places:
        change = way.change_s[last][place] if last >= 0 else way.first_s[place]
        job = jobs[place]
        rested += change
        wait = job.rest_s - rested
        if wait > 0.0:
            total += wait
            rested += wait
        total += change
        if total >= limit:
            return total
        rested = job.tail_s if job.warms else rested + job.takes_s
        last = place
    return total


def _check(jobs: Sequence[Job]) -> None:
    done: set[int] = set()
    while len(done) < len(jobs):
        ready = {k for k, job in enumerate(jobs) if k not in done and job.before <= done}
        if not ready:
            left = sorted(set(range(len(jobs))) - done)
            raise ValueError(f"jobs {left} come before each other in a circle")
        done |= ready


def _exact(jobs: Sequence[Job], way: Way) -> Ordered:
    """By sets of jobs done: for each set and last job all (cost, rest) that are not beaten, with the way there."""
    count = len(jobs)
    if not count:
        return Ordered((), 0.0, exact=True)
    needs = [sum(1 << k for k in job.before) for job in jobs]
    # rest beyond the longest wanted counts as that: fewer pairs differ
    enough = max(job.rest_s for job in jobs)
    labels: dict[tuple[int, int], list[tuple[float, float, tuple[int, ...]]]] = {(0, -1): [(0.0, enough, ())]}
    for _ in range(count):
        following: dict[tuple[int, int], list[tuple[float, float, tuple[int, ...]]]] = {}
        for (done, last), known in labels.items():
            for place, job in enumerate(jobs):
                if done >> place & 1 or needs[place] & ~done:
                    continue
                change = way.change_s[last][place] if last >= 0 else way.first_s[place]
                here = following.setdefault((done | 1 << place, place), [])
                for cost, rested, places in known:
                    wait, then = walk(job, rested, change)
                    _add(here, (cost + change + wait, min(then, enough), (*places, place)))
        labels = following
    cost, _, places = min(label for known in labels.values() for label in known)
    return Ordered(places, cost, exact=True)


def _add(known: list[tuple[float, float, tuple[int, ...]]], new: tuple[float, float, tuple[int, ...]]) -> None:
    for cost, rested, _ in known:
        if cost <= new[0] and rested >= new[1]:
            return
    known[:] = [old for old in known if not (new[0] <= old[0] and new[1] >= old[1])]
    known.append(new)


def _improved(jobs: Sequence[Job], way: Way) -> Ordered:
    starts = [_nearest(jobs, way), _inserted(jobs, way, range(len(jobs)))]
    starts.append(_inserted(jobs, way, sorted(range(len(jobs)), key=lambda k: (-jobs[k].rest_s, k))))
    best, best_cost = min(
        ((sequence, cost) for sequence, cost in (_local(start, jobs, way) for start in starts)), key=lambda x: x[1]
    )
    rng = np.random.default_rng(len(jobs))  # repeatable: the same plan each time
    for _ in range(_KICKS):
        kicked = _kicked(best, jobs, rng)
        if kicked is None:
            continue
        sequence, cost = _local(kicked, jobs, way)
        if cost < best_cost - _EPS:
            best, best_cost = sequence, cost
    return Ordered(tuple(best), best_cost, exact=False)


def _nearest(jobs: Sequence[Job], way: Way) -> list[int]:
    sequence: list[int] = []
    done: set[int] = set()
    rested = inf
    while len(sequence) < len(jobs):
        choices = []
        for place, job in enumerate(jobs):
            if place in done or not job.before <= done:
                continue
            change = way.change_s[sequence[-1]][place] if sequence else way.first_s[place]
            wait, then = walk(job, rested, change)
            choices.append((change + wait, place, then))
        _, place, rested = min(choices)
        sequence.append(place)
        done.add(place)
    return sequence


def _inserted(jobs: Sequence[Job], way: Way, turn: Iterable[int]) -> list[int]:
    sequence: list[int] = []
    after: dict[int, set[int]] = {k: set() for k in range(len(jobs))}
    for k, job in enumerate(jobs):
        for b in job.before:
            after[b].add(k)
    for place in turn:
        where = {other: k for k, other in enumerate(sequence)}
        low = max((where[b] + 1 for b in _all_before(place, jobs) if b in where), default=0)
        high = min((where[a] for a in _all_before_of(place, after) if a in where), default=len(sequence))
        options = ([*sequence[:k], place, *sequence[k:]] for k in range(low, high + 1))
        sequence = min(options, key=lambda s: sequence_cost(s, jobs, way))
    return sequence


def _all_before(place: int, jobs: Sequence[Job]) -> set[int]:
    found: set[int] = set()
    left = list(jobs[place].before)
    while left:
        k = left.pop()
        if k not in found:
            found.add(k)
            left += jobs[k].before
    return found


def _all_before_of(place: int, after: dict[int, set[int]]) -> set[int]:
    found: set[int] = set()
    left = list(after[place])
    while left:
        k = left.pop()
        if k not in found:
            found.add(k)
            left += after[k]
    return found


def _local(start: Sequence[int], jobs: Sequence[Job], way: Way) -> tuple[list[int], float]:
    """Runs of jobs moved elsewhere, and turned round, until nothing helps."""
    sequence = list(start)
    cost = sequence_cost(sequence, jobs, way)
    helped = True
    while helped:
        helped = False
        for length in range(1, min(_LONGEST_RUN, len(sequence) - 1) + 1):
            for begin in range(len(sequence) - length + 1):
                moved, less = _best_move(sequence, begin, length, jobs, way, cost)
                if moved is not None:
                    sequence, cost, helped = moved, less, True
    return sequence, cost


def _best_move(
    sequence: list[int], begin: int, length: int, jobs: Sequence[Job], way: Way, cost: float
) -> tuple[list[int] | None, float]:
    run = sequence[begin : begin + length]
    rest = sequence[:begin] + sequence[begin + length :]
    found: list[int] | None = None
    for turned in (run, run[::-1]) if length > 1 else (run,):
        for k in _allowed(rest, turned, jobs):
            if k == begin and turned is run:
                continue
            other = rest[:k] + turned + rest[k:]
            less = _cost(other, jobs, way, cost - _EPS)
            if less < cost - _EPS:
                found, cost = other, less
    return found, cost


def _allowed(rest: Sequence[int], run: Sequence[int], jobs: Sequence[Job]) -> range:
    """Places in the rest where a run may stand by precedence; empty when its own order is not allowed."""
    inside = set(run)
    for k, place in enumerate(run):
        if jobs[place].before & set(run[k + 1 :]):
            return range(0)
    needed: set[int] = set().union(*(jobs[place].before for place in run)) - inside
    low = max((k + 1 for k, place in enumerate(rest) if place in needed), default=0)
    high = next((k for k, place in enumerate(rest) if jobs[place].before & inside), len(rest))
    return range(low, high + 1)


def _kicked(sequence: Sequence[int], jobs: Sequence[Job], rng: np.random.Generator) -> list[int] | None:
    """Two neighbouring parts exchanged, where precedence lets them; `None` when it does not."""
    count = len(sequence)
    a, b, c = sorted(int(x) for x in rng.choice(count + 1, size=3, replace=False))
    kicked = [*sequence[:a], *sequence[b:c], *sequence[a:b], *sequence[c:]]
    done: set[int] = set()
    for place in kicked:
        if not jobs[place].before <= done:
            return None
        done.add(place)
    return kicked
