"""The order of tasks against every order there is, and against a bound no order can beat."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from brickbook.bench.planning.order import EXACT, Job, Way, _exact, _improved, ordered, sequence_cost


def random_case(rng: np.random.Generator, count: int) -> tuple[list[Job], Way]:
    """Jobs of a bench: two supplies, five ports, some that heat, some that want rest, some after others."""
    mains = rng.integers(0, 2, count)
    ports = rng.random((count, 5)) < 0.4
    jobs = []
    for k in range(count):
        warms = bool(rng.random() < 0.6)
        before = frozenset(int(b) for b in range(k) if rng.random() < 0.1)
        jobs.append(
            Job(
                rest_s=float(rng.choice([0.0, 0.0, 600.0, 1800.0])),
                off_s=float(rng.choice([0.0, 0.0, 0.0, 1800.0])),
                powered=warms or bool(rng.random() < 0.7),
                takes_s=float(rng.integers(60, 4000)),
                warms=warms,
                tail_s=float(rng.choice([0.0, 0.0, 600.0])) if warms else 0.0,
                before=before,
            )
        )
    # a number's place says nothing of when it may come
    names = [int(x) for x in rng.permutation(count)]
    shuffled = [jobs[0]] * count
    for k, job in enumerate(jobs):
        shuffled[names[k]] = replace(job, before=frozenset(names[b] for b in job.before))
    plugs = 30.0 * (ports[:, None, :] != ports[None, :, :]).sum(axis=2) + 60.0 * (mains[:, None] != mains[None, :])
    plugs = plugs + rng.integers(0, 3, (count, count)) * 5.0  # ways there and back are unequal
    first = 30.0 * ports.sum(axis=1) + 60.0
    return shuffled, Way(tuple(first.tolist()), tuple(tuple(row) for row in plugs.tolist()))


def every_order(jobs: list[Job], way: Way) -> float:
    """Least cost over all orders: by trying them, a branch left where it costs more than the best so far."""
    best = inf

    def go(done: frozenset[int], last: int, rested: float, off: float, cost: float) -> None:
        nonlocal best
        if cost >= best:
            return
        if len(done) == len(jobs):
            best = cost
            return
        for k, job in enumerate(jobs):
            if k in done or job.before - done:
                continue
            change = way.first_s[k] if last < 0 else way.change_s[last][k]
            # waiting ends when both clocks say so
            until = max(job.rest_s, rested + change), max(job.off_s, off + change)
            wait = max(until[0] - rested - change, until[1] - off - change) if rested < inf else 0.0
            if rested == inf and off < inf:
                wait = until[1] - off - change
            after = job.tail_s if job.warms else rested + change + wait + job.takes_s
            dark = 0.0 if job.powered else off + change + wait + job.takes_s
            go(done | {k}, k, after, dark, cost + change + wait)

    go(frozenset(), -1, inf, inf, 0.0)
    return best


def assignment_bound(jobs: list[Job], way: Way) -> float:
    """No order costs less: each job has one job before it, and rings are let pass (assignment relaxation)."""
    count = len(jobs)
    far = 1e9
    cost = np.full((count + 1, count + 1), far)
    for i, job in enumerate(jobs):
        for j, following in enumerate(jobs):
            if i == j or j in job.before:
                continue
            change = way.change_s[i][j]
            wait = max(0.0, following.rest_s - job.tail_s - change) if job.warms else 0.0
            dark = max(0.0, following.off_s - change) if job.powered else 0.0
            cost[i, j] = change + max(wait, dark)
        cost[i, count] = 0.0
        if not job.before:
            cost[count, i] = way.first_s[i]
    rows, columns = linear_sum_assignment(cost)
    return float(cost[rows, columns].sum())


def is_allowed(places, jobs) -> bool:
    done: set[int] = set()
    for place in places:
        if not jobs[place].before <= done:
            return False
        done.add(place)
    return len(done) == len(jobs)


@pytest.mark.parametrize("block", range(12))
def test_up_to_eight_jobs_no_order_is_better(block):
    rng = np.random.default_rng(1000 + block)
    for count in (*range(2, 9), *range(2, 9), *range(4, 8)):
        jobs, way = random_case(rng, count)
        found = ordered(jobs, way)
        assert found.exact
        assert is_allowed(found.places, jobs)
        assert found.cost_s == pytest.approx(sequence_cost(found.places, jobs, way), abs=1e-9)
        assert found.cost_s == pytest.approx(every_order(jobs, way), abs=1e-6)


def test_the_search_for_many_jobs_finds_the_least_of_twelve_in_nearly_all_cases():
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(12):
        jobs, way = random_case(rng, 12)
        found = _improved(jobs, way)
        assert is_allowed(found.places, jobs)
        ratios.append(found.cost_s / _exact(jobs, way).cost_s)
    assert min(ratios) >= 1.0 - 1e-9
    assert sum(ratio > 1.0 + 1e-9 for ratio in ratios) <= 2
    assert max(ratios) < 1.05


def test_many_jobs_are_not_far_from_a_bound_that_nothing_can_beat():
    """The bound lets rings pass and takes rest as given after work without load, so it is low."""
    rng = np.random.default_rng(5)
    ratios = []
    for count in (15, 20, 25):
        for _ in range(2):
            jobs, way = random_case(rng, count)
            free = [replace(job, before=frozenset()) for job in jobs]
            found = ordered(free, way)
            assert not found.exact
            assert sorted(found.places) == list(range(count))
            ratios.append(found.cost_s / assignment_bound(free, way))
    assert min(ratios) >= 1.0 - 1e-9
    assert np.median(ratios) < 1.3


def test_the_same_jobs_give_the_same_order():
    jobs, way = random_case(np.random.default_rng(3), 25)
    assert ordered(jobs, way) == ordered(jobs, way)


def test_a_circle_is_told():
    jobs = [Job(before=frozenset({1})), Job(before=frozenset({0})), Job()]
    way = Way((0.0,) * 3, ((0.0,) * 3,) * 3)
    with pytest.raises(ValueError, match="circle"):
        ordered(jobs, way)


def test_nothing_to_do_and_one_thing():
    assert ordered([], Way((), ())).places == ()
    assert ordered([Job(rest_s=60.0)], Way((30.0,), ((0.0,),))).cost_s == 30.0


def test_cold_jobs_come_before_hot_ones_and_unheated_work_lets_it_cool():
    hot = Job(takes_s=600.0, warms=True)
    cold = Job(rest_s=1800.0, takes_s=100.0)
    sheet = Job(takes_s=2000.0)
    way = Way((0.0,) * 3, ((0.0,) * 3,) * 3)
    assert ordered([hot, cold, sheet], way).cost_s == 0.0
    after = [hot, Job(rest_s=1800.0, takes_s=100.0, before=frozenset({0})), sheet]
    best = ordered(after, way)
    assert best.places == (0, 2, 1)
    assert best.cost_s == 0.0


def test_time_off_mains_counts_apart_from_time_without_load():
    idle = Job(takes_s=3600.0)  # on mains, without load
    dark = Job(takes_s=900.0, powered=False)
    cold = Job(rest_s=1800.0, off_s=1800.0, takes_s=10.0, before=frozenset({0}))
    way = Way((0.0,) * 3, ((0.0,) * 3,) * 3)
    best = ordered([idle, dark, cold], way)
    assert best.places == (0, 1, 2)
    assert best.cost_s == 900.0


def test_the_limit_of_the_exact_search_holds_eight():
    assert EXACT >= 8
