"""In which order to do tasks: the least time for changes by hand and for cooling, with some tasks after others.

A sequence's cost is what lies between its jobs: seconds to change mains and plugs, and seconds to wait where a job
wants the charger to have rested and it has not yet. This is the travelling salesman's problem with precedence and
unequal ways there and back (sequential ordering; Escudero 1988, from memory, medium), with one thing more: how long the
charger has rested depends on more than the job before.

Up to `EXACT` jobs all sequences are weighed by dynamic programming over sets (Held and Karp 1962, Bellman 1962; from
memory, high), keeping for each set and last job every cost and rest that no other beats. Larger numbers
begin with sequences made by nearest job and by cheapest insertion, improved by moving and turning runs of jobs (or-opt;
Or 1976, from memory, medium), with repeatable kicks out of local rest.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain
from math import inf

import numpy as np

__all__ = ["EXACT", "Job", "Ordered", "Way", "ordered", "sequence_cost", "walk"]

EXACT = 10
_LONGEST_RUN = 4
_PATIENCE = 25  # kicks in a row that help nothing
_SHORT_PATIENCE = 1000  # the same times the number of jobs: few jobs are kicked more often
_TRIES = 20  # for a kick that precedence lets
_MANY = 80  # jobs; beyond, insertion takes too long
_MOST_TRIES = 300_000  # moves weighed before the last kick: some seconds
_KICK = 8  # longest part that a kick moves
_EPS = 1e-9
Rest = tuple[float, float]  # time without load, and off mains [s]
_COLD: Rest = (inf, inf)
_Label = tuple[float, Rest, tuple[int, ...]]  # cost, rest, and the way there


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done once.

    Parameters
    ----------
    rest_s, off_s
        Least time without load, and off mains, before it [s].
    takes_s
        Its own length [s].
    warms
        Whether the charger is loaded in it.
    tail_s
        Time without load at its end [s]; only of a job that warms.
    powered
        Whether the charger is on mains in it.
    before
        Places of the jobs that must come before it.
    """

    rest_s: float = 0.0
    off_s: float = 0.0
    takes_s: float = 0.0
    warms: bool = False
    tail_s: float = 0.0
    powered: bool = True
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


def walk(job: Job, rest: Rest, change_s: float) -> tuple[float, Rest]:
    """Waiting before a job [s], and how long the charger has been without load and off mains after it [s]."""
    rested, off = rest[0] + change_s, rest[1] + change_s
    wait = max(0.0, job.rest_s - rested, job.off_s - off)
    after = job.tail_s if job.warms else rested + wait + job.takes_s
    return wait, (after, 0.0 if job.powered else off + wait + job.takes_s)


def sequence_cost(places: Sequence[int], jobs: Sequence[Job], way: Way) -> float:
    """Changes and waiting of a sequence [s]; the charger is cold and off at the beginning."""
    total, rest, last = 0.0, _COLD, -1
    for place in places:
        change = way.change_s[last][place] if last >= 0 else way.first_s[place]
        wait, rest = walk(jobs[place], rest, change)
        total += change + wait
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
    # rest beyond the longest wanted counts as that: fewer labels differ
    enough = (max(job.rest_s for job in jobs), max(job.off_s for job in jobs))
    labels: dict[tuple[int, int], list[_Label]] = {(0, -1): [(0.0, enough, ())]}
    for _ in range(count):
        following: dict[tuple[int, int], list[_Label]] = {}
        for (done, last), known in labels.items():
            for place, job in enumerate(jobs):
                if done >> place & 1 or needs[place] & ~done:
                    continue
                change = way.change_s[last][place] if last >= 0 else way.first_s[place]
                here = following.setdefault((done | 1 << place, place), [])
                for cost, rest, places in known:
                    wait, (rested, off) = walk(job, rest, change)
                    then = (min(rested, enough[0]), min(off, enough[1]))
                    _add(here, (cost + change + wait, then, (*places, place)))
        labels = following
    cost, _, places = min(label for known in labels.values() for label in known)
    return Ordered(places, cost, exact=True)


def _add(known: list[_Label], new: _Label) -> None:
    """Keep a label unless another is as good in cost and both rests; drop those that it beats."""
    if any(_beats(old, new) for old in known):
        return
    known[:] = [old for old in known if not _beats(new, old)]
    known.append(new)


def _beats(one: _Label, other: _Label) -> bool:
    return one[0] <= other[0] and one[1][0] >= other[1][0] and one[1][1] >= other[1][1]


def _improved(jobs: Sequence[Job], way: Way) -> Ordered:
    many = range(len(jobs))
    starts = [_nearest(jobs, way)]
    if len(jobs) <= _MANY:
        starts.append(_inserted(jobs, way, many))
        starts.append(_inserted(jobs, way, sorted(many, key=lambda k: (-jobs[k].rest_s, k))))
    search = _Search(jobs, way)
    best = min((search.local(s, many) for s in starts), key=lambda s: sequence_cost(s, jobs, way))
    cost = sequence_cost(best, jobs, way)
    rng = np.random.default_rng(len(jobs))  # repeatable: the same plan each time
    idle = 0
    while idle < max(_PATIENCE, _SHORT_PATIENCE // len(jobs)) and search.tries < _MOST_TRIES:
        idle += 1
        kicked = next((k for k in (_kicked(best, jobs, rng) for _ in range(_TRIES)) if k is not None), None)
        if kicked is None:
            continue
        sequence = search.local(*kicked)
        less = sequence_cost(sequence, jobs, way)
        if less < cost - _EPS:
            idle = 0
        if less < cost + _EPS:  # as good counts too: the next kick begins elsewhere
            best, cost = sequence, less
    return Ordered(tuple(best), cost, exact=False)


def _nearest(jobs: Sequence[Job], way: Way) -> list[int]:
    sequence: list[int] = []
    done: set[int] = set()
    rest = _COLD
    while len(sequence) < len(jobs):
        choices = []
        for place, job in enumerate(jobs):
            if place in done or not job.before <= done:
                continue
            change = way.change_s[sequence[-1]][place] if sequence else way.first_s[place]
            wait, then = walk(job, rest, change)
            choices.append((change + wait, place, then))
        _, place, rest = min(choices)
        sequence.append(place)
        done.add(place)
    return sequence


def _inserted(jobs: Sequence[Job], way: Way, turn: Iterable[int]) -> list[int]:
    before = [_closure(k, [job.before for job in jobs]) for k in range(len(jobs))]
    sequence: list[int] = []
    for place in turn:
        low = max((k + 1 for k, other in enumerate(sequence) if other in before[place]), default=0)
        high = next((k for k, other in enumerate(sequence) if place in before[other]), len(sequence))
        options = ([*sequence[:k], place, *sequence[k:]] for k in range(low, high + 1))
        sequence = min(options, key=lambda s: sequence_cost(s, jobs, way))
    return sequence


def _closure(place: int, before: Sequence[frozenset[int]]) -> frozenset[int]:
    """All that comes before a job, by whatever chain."""
    found: set[int] = set()
    left = list(before[place])
    while left:
        k = left.pop()
        if k not in found:
            found.add(k)
            left += before[k]
    return frozenset(found)


class _Search:
    """Moves runs of jobs elsewhere and turns them round, until nothing helps.

    A move changes a stretch of the sequence. What it costs is told by walking the stretch and what follows it, up to
    where the charger has rested as long as before: from there on nothing changes.
    """

    def __init__(self, jobs: Sequence[Job], way: Way) -> None:
        self.jobs = jobs
        self.need = [job.rest_s for job in jobs]
        self.off_need = [job.off_s for job in jobs]
        self.tries = 0
        self.powered = [job.powered for job in jobs]
        self.takes = [job.takes_s for job in jobs]
        self.tail = [job.tail_s if job.warms else -1.0 for job in jobs]
        self.change = [*(list(row) for row in way.change_s), list(way.first_s)]  # the last row: from the beginning

    def local(self, start: Sequence[int], touched: Iterable[int]) -> list[int]:
        """Improve a sequence, looking at runs that begin with the touched jobs, and then with those near a change."""
        sequence = list(start)
        waiting = deque(touched)
        queued = set(waiting)
        self._walked(sequence)
        while waiting:
            job = waiting.popleft()
            queued.discard(job)
            moved = self._best(sequence, sequence.index(job))
            if moved is None:
                continue
            low, high, stretch = moved
            near = {*sequence[max(low - 2, 0) : low], *sequence[high : high + 2], *stretch[:2], *stretch[-2:], job}
            sequence[low:high] = stretch
            self._walked(sequence)
            for other in sorted(near - queued):
                waiting.append(other)
                queued.add(other)
        return sequence

    def _walked(self, sequence: Sequence[int]) -> None:
        """Cost, and rest, after each job of the sequence, and before the first."""
        self.cost, self.rest = [0.0], [_COLD]
        last = -1
        for place in sequence:
            change = self.change[last][place]
            wait, rest = walk(self.jobs[place], self.rest[-1], change)
            self.cost.append(self.cost[-1] + change + wait)
            self.rest.append(rest)
            last = place

    def _best(self, sequence: list[int], begin: int) -> tuple[int, int, list[int]] | None:
        """The best move of a run that begins at a place: the stretch it changes, from, to and as it becomes."""
        best: tuple[int, int, list[int]] | None = None
        limit = self.cost[-1] - _EPS
        for length in range(1, min(_LONGEST_RUN, len(sequence) - begin) + 1):
            run = sequence[begin : begin + length]
            end = begin + length
            turned = run[::-1]
            forms = [run] if length == 1 or not self._allows(turned) else [run, turned]
            inside = set(run)
            needed: set[int] = set().union(*(self.jobs[place].before for place in run))
            if len(forms) == 2:
                limit, best = self._tried(sequence, (begin, end, turned), limit, best)
            for low in range(begin - 1, -1, -1):  # earlier: the run passes the job at `low`
                if sequence[low] in needed:
                    break
                for form in forms:
                    stretch = [*form, *sequence[low:begin]]
                    limit, best = self._tried(sequence, (low, end, stretch), limit, best)
            for high in range(end, len(sequence)):  # later
                if self.jobs[sequence[high]].before & inside:
                    break
                for form in forms:
                    stretch = [*sequence[end : high + 1], *form]
                    limit, best = self._tried(sequence, (begin, high + 1, stretch), limit, best)
        return best

    def _allows(self, run: Sequence[int]) -> bool:
        return not any(self.jobs[place].before & set(run[k + 1 :]) for k, place in enumerate(run))

    def _tried(
        self,
        sequence: Sequence[int],
        move: tuple[int, int, list[int]],
        limit: float,
        best: tuple[int, int, list[int]] | None,
    ) -> tuple[float, tuple[int, int, list[int]] | None]:
        """Cost of a move against the limit."""
        self.tries += 1
        low, high, stretch = move
        change, need, off_need = self.change, self.need, self.off_need
        takes, tail, powered = self.takes, self.tail, self.powered
        total, (rested, off) = self.cost[low], self.rest[low]
        last = sequence[low - 1] if low else -1
        inside = len(stretch)
        for k, place in enumerate(chain(stretch, sequence[high:])):
            more = change[last][place]
            rested += more
            off += more
            # `walk`, written out: this is where the time goes
            wait = need[place] - rested
            wait = max(wait, off_need[place] - off)
            if wait > 0.0:
                more += wait
                rested += wait
                off += wait
            total += more
            if total >= limit:
                return limit, best
            rested = tail[place] if tail[place] >= 0.0 else rested + takes[place]
            off = 0.0 if powered[place] else off + takes[place]
            last = place
            if k >= inside and (rested, off) == self.rest[high + k - inside + 1]:
                total += self.cost[-1] - self.cost[high + k - inside + 1]
                break
        return (total - _EPS, move) if total < limit else (limit, best)


def _kicked(
    sequence: Sequence[int], jobs: Sequence[Job], rng: np.random.Generator
) -> tuple[list[int], list[int]] | None:
    """Two short neighbouring parts exchanged, and the jobs at their ends; `None` where precedence does not let them."""
    count = len(sequence)
    a = int(rng.integers(0, count - 1))
    b = a + int(rng.integers(1, min(_KICK, count - a - 1) + 1))
    c = b + int(rng.integers(1, min(_KICK, count - b) + 1))
    kicked = [*sequence[:a], *sequence[b:c], *sequence[a:b], *sequence[c:]]
    done: set[int] = set()
    for place in kicked:
        if not jobs[place].before <= done:
            return None
        done.add(place)
    ends = [k for edge in (a, a + c - b, c) for k in (edge - 2, edge - 1, edge) if 0 <= k < count]
    return kicked, list(dict.fromkeys(kicked[k] for k in ends))
