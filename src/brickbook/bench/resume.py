"""What of a run is done, told from its journal, so that it can be taken up again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from brickbook.bench.journal import Event, read_journal, runs
from brickbook.bench.take_in import Deposit
from brickbook.book import Book

__all__ = ["Progress", "unfinished_run"]


@dataclass(slots=True)
class Progress:
    """How far a run has come.

    Parameters
    ----------
    started
        Whether it has begun at all.
    done
        Tasks whose raw files are in the book.
    ready
        Tasks whose readings are complete and whose files are still to be taken in.
    """

    started: bool = False
    done: set[str] = field(default_factory=set)
    ready: dict[str, list[Deposit]] = field(default_factory=dict)

    @classmethod
    def of(cls, events: Iterable[Event]) -> Self:
        """From a journal."""
        found = cls()
        for event in events:
            task = str(event.get("task", ""))
            match event.event:
                case "run-started":
                    found.started = True
                case "task-started":
                    found.ready.pop(task, None)
                case "note" if event.get("deposits"):
                    found.ready[task] = [Deposit.of(fields) for fields in event.get("deposits")]
                case "task-ended":
                    found.done.add(task)
                    found.ready.pop(task, None)
                case _:
                    pass
        return found


def unfinished_run(book: Book, slug: str) -> Path | None:
    """The newest run, unless it ended as done or was given up for another: what can be taken up again."""
    every = runs(book, slug)
    if not every:
        return None
    last = every[-1]
    end = next((e for e in reversed(read_journal(last)) if e.event in ("run-ended", "run-started")), None)
    if end is not None and end.event == "run-ended" and end.get("outcome") == "done":
        return None
    if end is not None and end.get("why") == "given up for a new run":
        return None
    return last
