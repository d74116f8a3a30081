"""Where a run stands, told from its journal alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from brickbook.bench.journal import Event, is_alive, read_journal

__all__ = ["Asked", "RunStatus", "status_after", "status_of"]

RunState = Literal["new", "running", "asking", "paused", "ended", "broken off"]


@dataclass(frozen=True, slots=True)
class Asked:
    """What the runner waits for.

    Parameters
    ----------
    n
        Number of the event.
    task, what, key, text
        The task, "caution", "by_hand" or "reading", what an answer must name, and the words to show.
    unit, quantity, channel
        Of a reading to type in.
    problem
        Why the last answer was not taken; empty at first.
    """

    n: int
    task: str
    what: str
    key: str
    text: str
    unit: str = ""
    quantity: str = ""
    channel: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class RunStatus:
    """Where a run stands.

    Parameters
    ----------
    run_id
        Name of its folder.
    state
        "running", "asking" (it waits for `asked`), "paused", "ended" (see `outcome`), "broken off" (its process is gone
        without an end), or "new" (nothing is written yet).
    alive
        Whether its process lives.
    simulated
        Whether the bench is in software.
    started_at, t
        Wall clock of its start, ISO 8601; bench clock of the last event [s].
    last_n
        Number of the last event.
    task, step, label
        Under way; "", -1, "" between tasks.
    step_count
        Steps of that task, where the journal says so.
    step_started_t, reading_count
        Bench clock at which the step began [s], and readings in it so far.
    readings, reading_t
        Last value of each column of the task (`None`: not read), and when [s].
    tasks
        Ids in order, as planned.
    done, skipped
        Ids of tasks that have ended, with the names of their raw files, and of those left out, with the reason.
    asked
        What is waited for.
    errors
        What instruments reported, newest last, as "name: text".
    interlock
        Fields of the interlock that tripped.
    safe_off
        Fields of the last safe-off, `None` where there was none.
    outcome, why
        How it ended.
    """

    run_id: str
    state: RunState = "new"
    alive: bool = False
    simulated: bool = False
    started_at: str = ""
    t: float = 0.0
    last_n: int = -1
    task: str = ""
    step: int = -1
    label: str = ""
    step_count: int = 0
    step_started_t: float = 0.0
    reading_count: int = 0
    readings: Mapping[str, float | None] = field(default_factory=dict)
    reading_t: float = 0.0
    tasks: tuple[str, ...] = ()
    done: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    skipped: Mapping[str, str] = field(default_factory=dict)
    asked: Asked | None = None
    errors: tuple[str, ...] = ()
    interlock: Mapping[str, Any] | None = None
    safe_off: Mapping[str, Any] | None = None
    outcome: str = ""
    why: str = ""

    @property
    def is_safe(self) -> bool:
        """Whether the last thing known of the outputs is that each was read back as off."""
        return self.safe_off is not None and all(step.get("ok") for step in self.safe_off.get("steps", ()))


def status_of(folder: Path) -> RunStatus:
    """Where a run stands now.

    Raises
    ------
    BookError
        When its journal cannot be read.
    """
    alive = is_alive(folder)  # before the journal: a runner that ends in between has then written its end
    return status_after(folder.name, read_journal(folder), alive=alive)


def status_after(run_id: str, events: Iterable[Event], *, alive: bool) -> RunStatus:
    """Where a run stands after some events; pure.

    Parameters
    ----------
    run_id
        Name of its folder.
    events
        From the first on.
    alive
        Whether its process lives.
    """
    know: dict[str, Any] = {"run_id": run_id, "alive": alive, "done": {}, "skipped": {}, "readings": {}, "errors": ()}
    ended = paused = False
    for event in events:
        know |= {"t": event.t, "last_n": event.n}
        match event.event:
            case "run-started":
                ended = paused = False
                know |= {"outcome": "", "why": "", "interlock": None, "safe_off": None, "asked": None, **_BETWEEN}
                know.setdefault("started_at", event.at)
                know |= {"simulated": bool(event.get("simulated")), "tasks": tuple(event.get("tasks", ()))}
            case "task-started":
                know |= {**_BETWEEN, "readings": {}, "task": event.get("task", ""), "safe_off": None}
                know["step_count"] = int(event.get("steps", 0))
            case "asked":
                words = {k: str(event.get(k, "")) for k in (*_ASKED, "unit", "quantity", "channel", "problem")}
                know["asked"] = Asked(event.n, **words)
            case "answered":
                know["asked"] = None
            case "step-started":
                know |= {"step": int(event.get("step", -1)), "label": str(event.get("label", "")), "safe_off": None}
                know |= {"step_started_t": event.t, "reading_count": 0, "asked": None}
            case "reading":
                know["readings"] = {**know["readings"], **event.get("values", {})}
                know |= {"reading_t": event.t, "reading_count": know.get("reading_count", 0) + 1}
            case "task-ended":
                know["done"] |= {event.get("task", ""): tuple(event.get("raw", ()))}
                know["skipped"].pop(event.get("task", ""), None)
                know |= {**_BETWEEN, "asked": None}
            case "task-skipped":
                know["skipped"] |= {event.get("task", ""): str(event.get("why", ""))}
                know |= {**_BETWEEN, "asked": None}
            case "paused" | "resumed":
                paused = event.event == "paused"
            case "instrument-error":
                know["errors"] = (*know["errors"], f"{event.get('instrument', '')}: {event.get('text', '')}")
            case "interlock" | "safe-off":
                know[event.event.replace("-", "_")] = dict(event.fields)
            case "run-ended":
                ended = True
                know |= {"outcome": str(event.get("outcome", "")), "why": str(event.get("why", "")), "asked": None}
            case _:
                pass
    return RunStatus(**know, state=_state(know, ended=ended, paused=paused))


_BETWEEN: dict[str, Any] = {"task": "", "step": -1, "label": "", "step_count": 0, "reading_count": 0}
_ASKED = ("task", "what", "key", "text")


def _state(know: Mapping[str, Any], *, ended: bool, paused: bool) -> RunState:
    if ended:
        return "ended"
    if not know["alive"]:
        return "broken off" if know.get("last_n", -1) >= 0 else "new"
    if know.get("asked") is not None:
        return "asking"
    return "paused" if paused else "running" if know.get("last_n", -1) >= 0 else "new"
