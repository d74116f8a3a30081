"""How long tasks take, and what must be done by hand between them.

The seconds a person needs are common practice, no source; the stays are those of the procedures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from brickbook.core.instrument import Instrument
from brickbook.core.plan import PlanStep, PlanTask, TestPlan

__all__ = ["Hands", "Predicted", "TaskTime", "change_words", "hands_of", "longest_s", "own_s", "predicted_time"]

PLUG_S = 30.0
MAINS_BY_HAND_S = 60.0
MAINS_BY_BENCH_S = 5.0
SENTENCE_S = 60.0
READING_S = 15.0
CAPTURE_S = 10.0
NEGOTIATE_S = 3.0


@dataclass(frozen=True, slots=True)
class Hands:
    """What the bench changes by itself.

    Parameters
    ----------
    mains
        Whether it sets the mains supply: an AC source with an address.
    ports
        Ports whose plug it connects and disconnects: channels of a sink with an address.
    """

    mains: bool = False
    ports: frozenset[str] = frozenset()


def hands_of(instruments: Mapping[str, Instrument]) -> Hands:
    """What a bench of these instruments changes by itself."""
    able = [i for i in instruments.values() if i.address]
    ports = {channel for i in able if i.role == "pd-sink" for channel in i.channels}
    return Hands(any(i.role == "ac-source" for i in able), frozenset(ports))


@dataclass(frozen=True, slots=True)
class Setup:
    """How the bench must stand: mains supply (V, Hz), ports with something plugged in, sentences of hand work.

    A sentence that was true for the task before needs no doing again.
    """

    mains: tuple[float, float]
    ports: frozenset[str]
    by_hand: tuple[str, ...] = ()


NOTHING = Setup((0.0, 0.0), frozenset())


def setup_of(task: PlanTask) -> Setup:
    """Of a task."""
    ports = frozenset(p.port for step in task.steps for p in step.ports if p.contract)
    if task.kind in ("offers", "messages"):
        # its own steps plug in and out: what it begins with is its first step's
        ports = frozenset(p.port for p in task.steps[0].ports if p.contract)
    return Setup((task.mains_v, task.mains_hz), ports, task.by_hand)


def left_by(task: PlanTask) -> Setup:
    """How the bench stands after a task."""
    setup = setup_of(task)
    if task.kind in ("offers", "messages"):
        return replace(setup, ports=frozenset(p.port for p in task.steps[-1].ports if p.contract))
    return setup


def tail_s(task: PlanTask) -> float:
    """Time without load at its end [s]; all of it when it has none."""
    total = 0.0
    for step in reversed(task.steps):
        if any(setting.current_a > 0 for setting in step.ports):
            return total
        total += step.dwell.min_s
    return own_s(task)


def own_s(task: PlanTask, hands: Hands | None = None) -> float:
    """Time a task takes once the bench stands [s]: readings to type in, each step's shortest stay, plugs within."""
    steps = sum(_step_s(step, step.dwell.min_s) for step in task.steps)
    return READING_S * len(task.ask) + steps + _plugs_within_s(task, hands or Hands())


def longest_s(task: PlanTask, hands: Hands | None = None) -> float:
    """The same with each step's longest stay [s]."""
    return own_s(task, hands) + sum(step.dwell.max_s - step.dwell.min_s for step in task.steps)


def by_hand_s(task: PlanTask) -> float:
    """Time for its sentences of hand work [s]."""
    return SENTENCE_S * len(task.by_hand)


def _plugs_within_s(task: PlanTask, hands: Hands) -> float:
    if task.kind not in ("offers", "messages"):
        return 0.0
    plugged = [frozenset(p.port for p in step.ports if p.contract) - hands.ports for step in task.steps]
    return PLUG_S * sum(len(one ^ other) for one, other in pairwise(plugged))


def _step_s(step: PlanStep, stay_s: float) -> float:
    contracts = sum(1 for setting in step.ports if setting.contract)
    return stay_s + (CAPTURE_S if step.capture else 0.0) + (NEGOTIATE_S if contracts else 0.0)


def change_s(before: Setup, after: Setup, hands: Hands) -> float:
    """Time to go from one setup to another [s]."""
    plugs = len((before.ports ^ after.ports) - hands.ports)
    mains = 0.0
    if before.mains != after.mains:
        mains = MAINS_BY_BENCH_S if hands.mains else MAINS_BY_HAND_S
    sentences = sum(1 for sentence in after.by_hand if sentence not in before.by_hand)
    return PLUG_S * plugs + mains + SENTENCE_S * sentences


def change_words(before: Setup, after: Setup, hands: Hands) -> tuple[str, ...]:
    """What the tester does to go from one setup to another."""
    words: list[str] = []
    if before.mains != after.mains and not hands.mains:
        volts, hertz = after.mains
        words.append(f"set mains to {volts:g} V {hertz:g} Hz" if volts else "unplug the charger from mains")
    pulled = sorted(before.ports - after.ports - hands.ports)
    pushed = sorted(after.ports - before.ports - hands.ports)
    if pulled:
        words.append(f"unplug {', '.join(pulled)}")
    if pushed:
        words.append(f"plug in {', '.join(pushed)}")
    return (*words, *(sentence for sentence in after.by_hand if sentence not in before.by_hand))


@dataclass(frozen=True, slots=True)
class TaskTime:
    """When a task comes and what goes before it.

    Parameters
    ----------
    task
        Id.
    change
        What is done by hand before it.
    change_s, rest_s, own_s
        Time for that, waiting for the charger to cool, and the task itself [s].
    longest_s
        The task itself when every step needs its longest stay [s].
    begin_s
        From the campaign's beginning to the change before it [s].
    """

    task: str
    change: tuple[str, ...]
    change_s: float
    rest_s: float
    own_s: float
    longest_s: float
    begin_s: float

    @property
    def end_s(self) -> float:
        """From the campaign's beginning to its end [s]."""
        return self.begin_s + self.change_s + self.rest_s + self.own_s


@dataclass(frozen=True, slots=True)
class Predicted:
    """Time of a campaign.

    Parameters
    ----------
    tasks
        In the plan's order.
    """

    tasks: tuple[TaskTime, ...]

    @property
    def total_s(self) -> float:
        """Bench time when every step ends as soon as its rule can hold [s]."""
        return self.tasks[-1].end_s if self.tasks else 0.0

    @property
    def at_most_s(self) -> float:
        """Bench time when every step needs its longest stay [s]."""
        return self.total_s + sum(t.longest_s - t.own_s for t in self.tasks)

    @property
    def resting_s(self) -> float:
        """Of that, waiting for the charger to cool [s]."""
        return sum(t.rest_s for t in self.tasks)

    @property
    def changing_s(self) -> float:
        """Of that, changing mains and plugs [s]."""
        return sum(t.change_s for t in self.tasks)


def predicted_time(plan: TestPlan, instruments: Mapping[str, Instrument] | None = None) -> Predicted:
    """How long a plan takes on a bench of these instruments, task by task.

    The charger is cold at the beginning, with nothing connected.
    """
    hands = hands_of(instruments or {})
    rows: list[TaskTime] = []
    setup, rested, off, now = NOTHING, float("inf"), float("inf"), 0.0
    for task in plan.tasks:
        wanted = setup_of(task)
        change = change_s(setup, wanted, hands)
        rested += change
        off += change
        wait = max(0.0, task.rest_s - rested, task.off_s - off)
        own = own_s(task, hands)
        words = change_words(setup, wanted, hands)
        rows.append(TaskTime(task.id, words, change, wait, own, longest_s(task, hands), now))
        now = rows[-1].end_s
        rested = tail_s(task) if task.is_loaded else rested + wait + own
        off = 0.0 if task.mains_v else off + wait + own
        setup = left_by(task)
    return Predicted(tuple(rows))
