"""A campaign as plain data: what the bench does, in which order, and what the tester does by hand.

A plan is a list of tasks. A task gives one raw recording: the bench is set up once (mains, ports, contracts), then its
steps follow one another and every reading goes into one log. Tasks are known by what they are, never by their place,
so that a plan can be edited, reordered and taken up again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Gt, MinLen

from brickbook.core.conditions import Scalar

__all__ = ["CAPTURES", "Dwell", "PlanStep", "PlanTask", "PortSetting", "Size", "TestPlan"]

Size = Literal["short", "standard", "full"]

CAPTURES: Mapping[str, str] = {
    "ripple-slow": "voltage of the port, AC coupled, 200 ms or more at some 400 000 samples a second",
    "ripple-fast": "the same, some milliseconds at 100 million samples a second or as fast as the scope samples",
    "load-step": "voltage and current of the port while its load steps between step_low_a and step_high_a",
    "switch-on": "mains voltage, mains current and voltage of the port, triggered by mains being switched on",
    "switch-off": "mains voltage and voltage of the port, triggered by mains being switched off under load",
}
"""Names that `PlanStep.capture` may have, and what the oscilloscope records."""


@dataclass(frozen=True, slots=True)
class PortSetting:
    """What is connected to one port during a step.

    Parameters
    ----------
    port
        Id of the port.
    contract
        What the sink asks for: "20 V", "PPS 11 V", "AVS 28 V", "legacy 5 V"; "" for nothing plugged in.
    current_a
        Constant current drawn [A].
    """

    port: Annotated[str, MinLen(1)]
    contract: str = ""
    current_a: Annotated[float, Ge(0)] = 0.0


@dataclass(frozen=True, slots=True)
class Dwell:
    """When a step ends.

    Parameters
    ----------
    rule
        Name of a stability rule of the plateaus room; "" for a fixed time.
    min_s, max_s
        Shortest and longest stay [s]; at `max_s` the step ends as not settled and says so.
    relative_u
        Standard uncertainty of the watched mean, relative to it, that must be reached as well; 0 asks for none.
    """

    min_s: Annotated[float, Ge(0)]
    max_s: Annotated[float, Gt(0)]
    rule: str = ""
    relative_u: Annotated[float, Ge(0)] = 0.0

    def __post_init__(self) -> None:
        if self.max_s < self.min_s:
            raise ValueError(f"max_s = {self.max_s:g} is shorter than min_s = {self.min_s:g}")


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One stay at one loading.

    Parameters
    ----------
    label
        In plain words, e.g. "75 %".
    ports
        What is connected; ports not named have nothing plugged in.
    dwell
        When it ends.
    capture
        Name of an oscilloscope setting to record at the end of the stay, one of `CAPTURES`; "" for none.
    conditions
        Of this step's capture, or of its rows of an observation sheet, beyond the task's, e.g. {start = "cold"}.
    """

    label: Annotated[str, MinLen(1)]
    ports: tuple[PortSetting, ...]
    dwell: Dwell
    capture: str = ""
    conditions: Mapping[str, Scalar] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PlanTask:
    """One raw recording.

    Parameters
    ----------
    id
        Content-based: see `PlanTask.name_for`.
    studies
        Studies its raw file belongs to.
    title
        In plain words.
    kind
        "log": readings at an interval; "offers": what each port offers at each step, asked of the sink or written by
        hand, and what was drawn where a step has a current; "messages": a message log while ports are plugged in and
        out from step to step; "captures": an oscilloscope capture at each step that names one; "hand": readings the
        tester types in.
    mains_v, mains_hz
        Supply; 0 where no mains is needed.
    steps
        In order; a "hand" task has none.
    interval_s
        Time between readings [s].
    conditions
        Of the raw file, as in the index of raw files, beyond what follows from the steps.
    by_hand
        What the tester does before it starts, each in one sentence (plug a cable, place a thermocouple).
    ask
        Of a "hand" task: (quantity, channel, unit) of each reading to type in.
    cautions
        Shown, and confirmed on a real bench, before it starts.
    predicted_s
        Time it will take by itself [s]: steps and hand work, without plugging, cooling and change of mains before it.
    rest_s, off_s
        Least time without load, and least time off mains, before it starts, so that it begins cold [s].
    after
        Studies whose tasks come first; "*" for every task that does not say "*" itself.
    note
        What is left out because of it and why, or what it takes for granted.
    made
        Digest of the task as it was made; "" for a task of the tester's own. A task that differs from it was edited,
        and is left alone when the plan is made anew.
    """

    id: Annotated[str, MinLen(1)]
    studies: Annotated[tuple[str, ...], MinLen(1)]
    title: Annotated[str, MinLen(1)]
    kind: Literal["log", "offers", "messages", "captures", "hand"]
    steps: tuple[PlanStep, ...] = ()
    mains_v: Annotated[float, Ge(0)] = 0.0
    mains_hz: Annotated[float, Ge(0)] = 0.0
    interval_s: Annotated[float, Gt(0)] = 1.0
    conditions: Mapping[str, Scalar] = field(default_factory=dict)
    by_hand: tuple[str, ...] = ()
    ask: tuple[tuple[str, str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    predicted_s: Annotated[float, Ge(0)] = 0.0
    rest_s: Annotated[float, Ge(0)] = 0.0
    off_s: Annotated[float, Ge(0)] = 0.0
    after: tuple[str, ...] = ()
    note: str = ""
    made: str = ""

    @property
    def is_loaded(self) -> bool:
        """Whether a current is drawn in any of its steps: the charger is warm after it."""
        return any(setting.current_a > 0 for step in self.steps for setting in step.ports)

    @property
    def raw_conditions(self) -> dict[str, Scalar]:
        """Conditions of the raw file: mains, port or ports and contract as the steps have them, and `conditions`."""
        told: dict[str, Scalar] = {}
        if self.mains_v:
            told |= {"mains_v": self.mains_v, "mains_hz": self.mains_hz}
        return {**told, **_plugged(self.steps), **self.conditions}

    def step_conditions(self, step: PlanStep) -> dict[str, Scalar]:
        """Conditions of what is recorded at one step: the task's, `load_a` where one port is loaded, the step's."""
        told = {**self.raw_conditions, **_plugged((step,))}
        plugged = [setting for setting in step.ports if setting.contract]
        if len(plugged) == 1:
            told["load_a"] = plugged[0].current_a
        return {**told, **self.conditions, **step.conditions}

    @property
    def digest(self) -> str:
        """Short digest of all that a tester may edit: everything but `predicted_s` and `made`."""
        text = json.dumps(asdict(replace(self, predicted_s=0.0, made="")), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    @property
    def is_edited(self) -> bool:
        """Whether it differs from what it was made as; a task of the tester's own does."""
        return self.made != self.digest

    @staticmethod
    def name_for(study: str, **what: Scalar) -> str:
        """Id of a task from its study and what it is (sorted), short and stable: "efficiency-1a2b3c4d"."""
        text = json.dumps({"study": study, **what}, sort_keys=True, separators=(",", ":"))
        return f"{study}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def _plugged(steps: tuple[PlanStep, ...]) -> dict[str, Scalar]:
    """Port and contract where they are the same in all steps: the written form of the index of raw files."""
    seen = {tuple(sorted((p.port, p.contract) for p in step.ports if p.contract)) for step in steps}
    if len(seen) != 1:
        return {}
    plugged = next(iter(seen))
    if not plugged:
        return {}
    if len(plugged) == 1:
        port, contract = plugged[0]
        told: dict[str, Scalar] = {"port": port, "contract": contract}
        volts = contract.split()[-2:]
        if len(volts) == 2 and volts[1] == "V":
            told["output_v"] = float(volts[0])
        return told
    return {
        "ports": "+".join(port for port, _ in plugged),
        "contract": " + ".join(f"{port} {contract}" for port, contract in plugged),
    }


@dataclass(frozen=True, slots=True)
class TestPlan:
    """The tests to do on one charger, in order.

    Parameters
    ----------
    charger
        Slug.
    size
        "short", "standard" or "full".
    tasks
        In the order they are done.
    left_out
        Ids of tasks that are not to be done: they stay away when the plan is made anew.
    order
        "shortest": put in order anew each time the plan is made; "mine": as they stand, new tasks where they fit best.
    conditions
        Of every raw file of the campaign beyond the task's, e.g. {fixture_ohm = 0.004, u_fixture_ohm = 0.0003}.
    notes
        What was left out of the plan and why, and what it takes for granted.
    """

    __test__: ClassVar[bool] = False  # its name is not that of a class of tests

    charger: Annotated[str, MinLen(1)]
    size: Size
    tasks: tuple[PlanTask, ...]
    left_out: tuple[str, ...] = ()
    order: Literal["shortest", "mine"] = "shortest"
    conditions: Mapping[str, Scalar] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for task in self.tasks:
            if task.id in seen:
                raise ValueError(f"task {task.id!r} stands twice in the plan")
            seen.add(task.id)

    def task(self, task_id: str) -> PlanTask:
        """The task of that id; raises `KeyError`."""
        for task in self.tasks:
            if task.id == task_id:
                return task
        raise KeyError(task_id)

    def conditions_of(self, task: PlanTask) -> dict[str, Scalar]:
        """Conditions of the raw file of one of its tasks: the campaign's where they speak of readings, and the task's.

        Those of the campaign go with every task that has steps.
        """
        return {**(self.conditions if task.steps else {}), **task.raw_conditions}
