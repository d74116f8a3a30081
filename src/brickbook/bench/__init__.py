"""The bench: plan, instruments, runner and interlocks."""

from brickbook.bench.journal import (
    Control,
    Event,
    JournalReader,
    append_control,
    is_alive,
    open_runs,
    read_controls,
    read_journal,
    runs,
)
from brickbook.bench.status import Asked, RunStatus, status_after, status_of

__all__ = [
    "Asked",
    "Control",
    "Event",
    "JournalReader",
    "RunStatus",
    "append_control",
    "is_alive",
    "open_runs",
    "read_controls",
    "read_journal",
    "runs",
    "status_after",
    "status_of",
]
