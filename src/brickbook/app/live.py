"""What the app knows of runs under way: it reads their journals as they grow, and keeps a bounded picture of each.

However long a run is and however many browsers watch, one `Watch` reads its journal once. Readings are kept as traces
of at most `POINTS` points: when one is full, every second point goes and from then on fewer are taken, so that the
whole of the task stays in sight.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from brickbook.bench import Event, JournalReader, RunStatus, is_alive, status_after

__all__ = ["POINTS", "Trace", "Watch", "Watches"]

POINTS = 1200
_NEWS = 400  # readings a browser may be behind before it is sent the whole picture again
_COLUMNS = 40
_KEPT_EVENTS = 4000


@dataclass(slots=True)
class Trace:
    """One column over the bench clock, thinned as it grows.

    Parameters
    ----------
    times, values
        Points kept [s], [unit of the column]; `None`: not read.
    stride
        One reading in so many is kept.
    """

    times: list[float] = field(default_factory=list)
    values: list[float | None] = field(default_factory=list)
    stride: int = 1
    _count: int = 0

    def add(self, t: float, value: float | None) -> None:
        """Take a reading."""
        if self._count % self.stride == 0:
            self.times.append(t)
            self.values.append(value)
            if len(self.times) > POINTS:
                self.times, self.values = self.times[::2], self.values[::2]
                self.stride *= 2
        self._count += 1


class Watch:
    """One run, followed.

    Parameters
    ----------
    folder
        Of the run.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.touched = time.monotonic()
        self._reader = JournalReader(folder)
        self._lock = threading.Lock()
        self._story: deque[Event] = deque(maxlen=_KEPT_EVENTS)  # all events but readings
        self._last: Event | None = None
        self._step_readings = 0
        self._status: RunStatus | None = None
        self._traces: dict[str, Trace] = {}
        self._news: deque[tuple[int, float, Mapping[str, float | None]]] = deque(maxlen=_NEWS)
        self._looked = 0.0

    def status(self) -> RunStatus:
        """Where the run stands now."""
        with self._lock:
            self._look()
            assert self._status is not None
            return self._status

    def story(self) -> tuple[Event, ...]:
        """All events but readings, oldest first; of a very long run the last of them."""
        with self._lock:
            self._look()
            return tuple(self._story)

    def picture(self) -> dict[str, Any]:
        """Status and traces of the task under way, whole."""
        with self._lock:
            self._look()
            traces = {
                name: {"t": [round(t, 3) for t in trace.times], "v": trace.values}
                for name, trace in self._traces.items()
            }
            return {**self._plain(), "whole": True, "traces": traces}

    def since(self, n: int) -> dict[str, Any] | None:
        """What is new since event `n`: status and readings, or all for one too far behind; nothing new: `None`."""
        with self._lock:
            self._look()
            assert self._status is not None
            if self._status.last_n == n:
                return None
            behind = bool(self._news) and self._news[0][0] > n + 1 and len(self._news) == _NEWS
            new_task = any(e.n > n and e.event in ("task-started", "run-started") for e in self._recent())
            if not behind and not new_task and n >= 0:
                news = [[round(t, 3), dict(values)] for number, t, values in self._news if number > n]
                return {**self._plain(), "whole": False, "news": news}
        return self.picture()

    def _recent(self) -> list[Event]:
        recent = []
        for event in reversed(self._story):
            recent.append(event)
            if len(recent) > 50:
                break
        return recent

    def _plain(self) -> dict[str, Any]:
        assert self._status is not None
        s = self._status
        asked = None
        if s.asked is not None:
            asked = {name: getattr(s.asked, name) for name in ("key", "what", "text", "unit", "quantity", "problem")}
        return {
            "n": s.last_n, "state": s.state, "task": s.task, "step": s.step, "label": s.label, "t": round(s.t, 3),
            "steps": s.step_count, "in_step_s": round(max(0.0, s.t - s.step_started_t), 1) if s.step >= 0 else 0.0,
            "readings": dict(s.readings), "asked": asked, "done": list(s.done), "skipped": list(s.skipped),
            "outcome": s.outcome, "safe": s.is_safe, "alive": s.alive,
        }  # fmt: skip

    def _look(self) -> None:
        """Read what was added; the caller holds the lock."""
        self.touched = now = time.monotonic()
        if self._status is not None and now - self._looked < 0.05:
            return
        self._looked = now
        alive = is_alive(self.folder)  # before the journal: a runner that ends in between has then written its end
        new = self._reader.new()
        for event in new:
            self._take(event)
        if new or self._status is None or self._status.alive != alive:
            told = [*self._story, *([self._last] if self._last is not None else [])]
            told.sort(key=lambda event: event.n)
            status = status_after(self.folder.name, told, alive=alive)
            self._status = replace(status, reading_count=self._step_readings)

    def _take(self, event: Event) -> None:
        if event.event != "reading":
            self._story.append(event)
            if event.event in ("task-started", "run-started"):
                self._traces.clear()
                self._news.clear()
                self._last = None
            if event.event == "step-started":
                self._step_readings = 0
            return
        self._step_readings += 1
        values = {str(k): v for k, v in event.get("values", {}).items() if v is None or isinstance(v, (int, float))}
        before = dict(self._last.get("values", {})) if self._last is not None else {}
        self._last = replace(event, fields={**event.fields, "values": {**before, **values}})
        self._news.append((event.n, event.t, values))
        for name, value in values.items():
            if name not in self._traces and len(self._traces) >= _COLUMNS:
                continue
            self._traces.setdefault(name, Trace()).add(event.t, value)


class Watches:
    """The runs somebody looks at; one that nobody has looked at for a while is let go."""

    _IDLE_S = 600.0

    def __init__(self) -> None:
        self._watches: dict[Path, Watch] = {}
        self._lock = threading.Lock()

    def of(self, folder: Path) -> Watch:
        """The watch of a run's folder."""
        with self._lock:
            now = time.monotonic()
            for path in [p for p, w in self._watches.items() if now - w.touched > self._IDLE_S and p != folder]:
                del self._watches[path]
            return self._watches.setdefault(folder, Watch(folder))
