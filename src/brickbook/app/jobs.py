"""Work that takes long runs as a command of its own process: the very verb a person would type."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

__all__ = ["Job", "Jobs", "command"]

_KEPT = 50
_LINES = 200


def command(*words: str) -> list[str]:
    """The command line of a verb, run by this very interpreter."""
    return [sys.executable, "-c", "from brickbook.cli import main; main()", *words]


@dataclass(slots=True)
class Job:
    """A verb at work.

    Parameters
    ----------
    id, verb, slug
        Its number, what it does, and to which charger.
    state
        "working", "done" or "failed".
    lines
        The last lines it wrote.
    """

    id: int
    verb: str
    slug: str
    state: Literal["working", "done", "failed"] = "working"
    lines: deque[str] = field(default_factory=lambda: deque(maxlen=_LINES))

    @property
    def faults(self) -> tuple[str, ...]:
        """What went wrong, one line each."""
        return tuple(line.removeprefix("error: ") for line in self.lines if line.startswith("error: "))


class Jobs:
    """Verbs the app has started, newest last; one at a time for each charger.

    Parameters
    ----------
    root
        The book.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._jobs: dict[int, Job] = {}
        self._numbers = itertools.count(1)
        self._lock = threading.Lock()

    def start(self, verb: str, slug: str, options: Sequence[str] = ()) -> Job:
        """Start a verb on a charger, or give the one that is at work on it."""
        with self._lock:
            for job in self._jobs.values():
                if (job.verb, job.slug, job.state) == (verb, slug, "working"):
                    return job
            job = Job(next(self._numbers), verb, slug)
            self._jobs[job.id] = job
            for old in [j for j in self._jobs.values() if j.state != "working"][:-_KEPT]:
                del self._jobs[old.id]
        words = command(verb, slug, *options, "--book", str(self._root))
        threading.Thread(target=_work, args=(job, words), daemon=True).start()
        return job

    def get(self, number: int) -> Job | None:
        """A job by its number."""
        return self._jobs.get(number)

    def of(self, slug: str) -> tuple[Job, ...]:
        """Jobs of a charger, newest first."""
        return tuple(job for job in reversed(list(self._jobs.values())) if job.slug == slug)


def _work(job: Job, words: list[str]) -> None:
    environment = {**os.environ, "NO_COLOR": "1", "COLUMNS": "200"}
    try:
        process = subprocess.Popen(  # noqa: S603 - our own interpreter and verb; the slug was checked
            words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            encoding="utf-8", errors="replace", env=environment,
        )  # fmt: skip
    except OSError as error:
        job.lines.append(f"error: {job.verb} could not be started: {error.strerror}")
        job.state = "failed"
        return
    with process:
        assert process.stdout is not None
        for line in process.stdout:
            job.lines.append(line.rstrip("\n")[:1000])
    job.state = "done" if process.returncode == 0 else "failed"
