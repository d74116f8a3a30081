"""An example charger put through a plan on the software bench: real sockets, real files, and a scripted operator.

The operator does what a person would do and the bench cannot: confirms cautions, plugs bare cables in, and types in
what scale, calliper and isolation tester show. These show the truth of the charger's model with errors as their
accuracy allows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from brickbook.bench import Event, RunChoices, append_control, run_plan, runs
from brickbook.bench.planning import build_plan, predicted_time
from brickbook.book import Book
from brickbook.core.instrument import Instrument
from brickbook.core.plan import PlanTask, Size, TestPlan
from brickbook.demo.simulated import simulated
from brickbook.simbench import SimBench, SimCharger, start_bench
from brickbook.simbench.readings import ReadingErrors
from brickbook.simbench.touch import network_readings
from brickbook.simbench.world import World

__all__ = ["LiveRun", "Operator", "ready_plan", "run_live"]

_FIXTURE_OHM, _U_FIXTURE_OHM = 0.0040, 0.0003
_NETWORK_TOLERANCE = 0.01
_OPEN_FIXTURE_F = 18e-12
_FACTORS = {"": 1.0, "g": 1.0, "mm": 1.0, "Hz": 1.0, "V": 1.0, "mV": 1e3, "A": 1.0, "uA": 1e6, "Ohm": 1.0, "Mohm": 1e-6}
_DIGITS = 7


@dataclass(frozen=True, slots=True)
class LiveRun:
    """How a run went.

    Parameters
    ----------
    slug, size, outcome
        Which charger and plan, and how the run ended.
    folder
        Of the run.
    predicted_s, most_s, by_hand_s
        Bench time the plan predicts, shortest and longest, and what of it is a person's work, which takes no time here
        [s].
    bench_s
        Bench time the run took [s].
    """

    slug: str
    size: Size
    outcome: str
    folder: Path
    predicted_s: float
    most_s: float
    by_hand_s: float
    bench_s: float


@dataclass(slots=True)
class Operator:
    """Answers what a run asks, as soon as the question is on the disk.

    Parameters
    ----------
    book, plan
        Of the run.
    bench
        The software bench it runs on.
    seed
        Of what the hand instruments err by.
    perfect
        Hand instruments without error, for checks.
    """

    book: Book
    plan: TestPlan
    bench: SimBench
    seed: int = 0
    perfect: bool = False
    _task: PlanTask | None = field(default=None, init=False)
    _errors: dict[str, ReadingErrors] = field(default_factory=dict, init=False)
    _network_gain: float = field(init=False)

    def __post_init__(self) -> None:
        drawn = float(np.random.default_rng([self.seed, 7]).uniform(-1, 1))
        self._network_gain = 1.0 if self.perfect else 1.0 + _NETWORK_TOLERANCE * drawn

    def __call__(self, event: Event) -> None:
        """Hear of an event of the journal."""
        if event.event == "task-started":
            self._task = self.plan.task(str(event.get("task")))
            self._cables()
        elif event.event == "asked":
            folder = runs(self.book, self.plan.charger)[-1]
            if event.get("what") == "reading":
                text = self._reading(str(event.get("quantity")), str(event.get("channel") or ""), event.get("unit"))
                append_control(folder, "answer", key=str(event.get("key")), value=text, by="scripted operator")
            else:
                append_control(folder, "confirm", key=str(event.get("key")), by="scripted operator")

    def _cables(self) -> None:
        """Bare cables stand where the task under way has them, and nowhere else."""
        wanted = {
            port
            for port in self.bench.world.ports
            for sentence in (self._task.by_hand if self._task else ())
            if sentence.startswith(f"Plug a cable into {port},")
        }

        def plug(world: World) -> None:
            for port in world.ports:
                world.plug_cable(port, plugged=port in wanted)

        self.bench.do(plug)

    def _reading(self, quantity: str, channel: str, unit: object) -> str:
        """What an instrument shows, in the unit asked for."""
        truth = self._truth(quantity, channel)
        able = self._shown(quantity)
        name = min(able, key=lambda n: _smallest_range(able[n], quantity, truth))
        shown = self._read(name, quantity, truth)
        word = str(unit or "")
        beyond = ""
        limit = self.bench.charger.barrier.resistance_ohm if quantity == "resistance_ohm" else 0.0
        if limit and shown is None:
            top = max(self._errors[name].ranges(quantity))
            shown, beyond = top, "> "
        if shown is None:
            raise ValueError(f"{name} cannot read {quantity} of {channel}")
        return f"{beyond}{shown * _FACTORS[word]:.{_DIGITS}g} {word}".strip()

    def _shown(self, quantity: str) -> dict[str, Instrument]:
        """Instruments that can show a quantity: on mains all displays, else what is worked by hand."""
        on_mains = self._task is not None and self._task.mains_v > 0.0
        return {
            name: instrument
            for name, instrument in self.bench.instruments.items()
            if any(line.quantity == quantity for line in instrument.accuracy)
            and (on_mains or name not in self.bench.devices)
        }

    @property
    def _conditions(self) -> Mapping[str, object]:
        return self._task.conditions if self._task is not None else {}

    def _read(self, name: str, quantity: str, truth: float) -> float | None:
        if name in self.bench.devices:
            return self.bench.do(lambda _: self.bench.device(name).errors.read(quantity, truth))
        if name not in self._errors:
            instrument = self.bench.instruments[name]
            self._errors[name] = ReadingErrors(name, instrument, seed=self.seed, perfect=self.perfect)
        errors = self._errors[name]
        if errors.line_for(quantity, truth) is None:
            return None
        return errors.read(quantity, truth)

    def _truth(self, quantity: str, channel: str) -> float:
        charger, tied = self.bench.charger, self._conditions.get("polarity") == "tied"
        test_v, test_hz = float(str(self._conditions.get("test_v", 500.0))), 50.0
        match quantity:
            case "mass_g":
                return charger.mass_g
            case "length_mm":
                sizes = charger.prongs_mm if channel.startswith("with prongs") else charger.body_mm
                return sizes[("length", "width", "height").index(channel.rsplit(maxsplit=1)[-1])]
            case "resistance_ohm":
                return charger.barrier.resistance_ohm
            case "current_a":
                return test_v * _admittance(charger, test_hz, fixture_only="fixture" in channel)
            case "mains_frequency_hz":
                return test_hz if tied else self.bench.do(lambda world: world.mains_hz)
            case "mains_voltage_v":
                return self.bench.do(lambda world: world.mains_v)
            case "voltage_v" if tied:
                return test_v
            case "voltage_v":
                return self._network_v(peak=channel.endswith("peak"))
            case _:
                raise ValueError(f"nobody here can read {quantity}")

    def _network_v(self, *, peak: bool) -> float:
        barrier = self.bench.charger.barrier
        driven = barrier.one_f if self._conditions.get("polarity") == "A" else barrier.other_f
        volts, hertz = self.bench.do(lambda world: (world.mains_v, world.mains_hz))
        return self._network_gain * network_readings(driven, barrier.rail_f, volts, hertz)[peak]


def _smallest_range(instrument: Instrument, quantity: str, value: float) -> float:
    """Full scale of the smallest range that holds a value; beyond all of them, more than any."""
    line = instrument.accuracy_for(quantity, value)
    if line is None:
        return math.inf
    return line.range_max if line.range_max is not None else 1e99


def _admittance(charger: SimCharger, hertz: float, *, fixture_only: bool) -> float:
    """Of the barrier with both pins tied, beside the open fixture [S]."""
    barrier, omega = charger.barrier, 2 * np.pi * hertz
    if fixture_only:
        return omega * _OPEN_FIXTURE_F
    farads = barrier.one_f + barrier.other_f + barrier.rail_f + _OPEN_FIXTURE_F
    return float(np.hypot(omega * farads, 1 / barrier.resistance_ohm))


def ready_plan(book: Book, slug: str, size: Size, bench: SimBench, *, seed: int = 0, perfect: bool = False) -> TestPlan:
    """The plan of a charger with what a tester writes into it: fixture, class of protection, supply.

    Parameters
    ----------
    book, slug, size
        Whose plan, and how much.
    bench
        The bench it is to run on.
    seed
        Of what the stated fixture resistance errs by.
    perfect
        The stated resistance is the true one.
    """
    plan = build_plan(
        slug,
        book.charger(slug),
        book.settings,
        size,
        instruments=bench.instruments,
        amps=book.bench_limits.amps,
    )
    off = 0.0 if perfect else float(np.random.default_rng([seed, 11]).normal())
    stated = round(_FIXTURE_OHM + off * _U_FIXTURE_OHM, 6)
    tasks = []
    for task in plan.tasks:
        more: dict[str, str] = {}
        if "isolation" in task.studies:
            more["protection_class"] = "II"
        if "inrush" in task.studies:
            more["supply"] = "AC source that gives the inrush"
        tasks.append(replace(task, conditions={**task.conditions, **more}) if more else task)
    return replace(
        plan, tasks=tuple(tasks), conditions={"fixture_ohm": stated, "u_fixture_ohm": _U_FIXTURE_OHM, "ambient_c": 22.0}
    )


def run_live(
    book: Book,
    slug: str,
    size: Size = "short",
    *,
    seed: int = 0,
    perfect: bool = False,
    change: Callable[[TestPlan], TestPlan] = lambda plan: plan,
    show: Callable[[Event], None] = lambda _event: None,
) -> LiveRun:
    """Plan an example charger and do the plan on a software bench of its own, through sockets.

    Parameters
    ----------
    book
        An example book in which the charger is.
    slug
        Which example; raises `KeyError` for another.
    size
        Of the plan.
    seed
        Of all errors and draws.
    perfect
        Instruments without error and noise, for checks.
    change
        Makes another plan of it before it is written and done.
    show
        Is given each event, too.
    """
    with start_bench(simulated(slug, book.charger(slug)), book.instruments, seed=seed, perfect=perfect) as bench:
        plan = change(ready_plan(book, slug, size, bench, seed=seed, perfect=perfect))
        book.write_plan(slug, plan)
        operator = Operator(book, plan, bench, seed=seed, perfect=perfect)

        def hear(event: Event) -> None:
            operator(event)
            show(event)

        began_s = bench.do(lambda world: world.now_s)
        outcome, folder = run_plan(book, slug, RunChoices(), instruments=bench.instruments, show=hear)
        ended_s = bench.do(lambda world: world.now_s)
        if bench.mistakes:
            raise bench.mistakes[0]
        times = predicted_time(plan, bench.instruments)
    return LiveRun(slug, size, outcome, folder, times.total_s, times.at_most_s, times.changing_s, ended_s - began_s)
