"""A campaign as plain data: what the bench does, in which order, and what the tester does by hand.

A plan is a list of tasks. A task gives one raw recording: the bench is set up once (mains, ports, contracts), then its
steps follow one another and every reading goes into one log. Tasks are known by what they are, never by their place,
so that a plan can be edited, reordered and taken up again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge, Gt, MinLen

from brickbook.core.conditions import Scalar

__all__ = ["Dwell", "PlanStep", "PlanTask", "PortSetting", "TestPlan"]


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
        Name of an oscilloscope setting to record at the end of the stay, e.g. "ripple"; "" for none.
    """

    label: Annotated[str, MinLen(1)]
    ports: tuple[PortSetting, ...]
    dwell: Dwell
    capture: str = ""


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
        "log": readings at an interval; "offers": what each port offers, asked of the sink or written by hand;
        "messages": a message log around plugging; "captures": oscilloscope captures at each step;
        "hand": readings the tester types in.
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
        Time it will take, hand work included [s].
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

    @staticmethod
    def name_for(study: str, **what: Scalar) -> str:
        """Id of a task from its study and what it is (sorted), short and stable: "efficiency-1a2b3c4d"."""
        text = json.dumps({"study": study, **what}, sort_keys=True, separators=(",", ":"))
        return f"{study}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"


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
    """

    charger: Annotated[str, MinLen(1)]
    size: Literal["short", "standard", "full"]
    tasks: tuple[PlanTask, ...]

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for task in self.tasks:
            if task.id in seen:
                raise ValueError(f"task {task.id!r} stands twice in the plan")
            seen.add(task.id)
