"""The bench: plan, instruments, runner and interlocks."""

from brickbook.bench.checking import BenchLook, check_bench, read_bench_file
from brickbook.bench.dialect import Dialect, dialect_names, find_dialect, read_dialect
from brickbook.bench.errors import BenchError, DialectError, InstrumentError, LinkError, LinkGarbage, LinkTimeout
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
from brickbook.bench.limits import CEILING, Limits, effective_limits, plan_faults
from brickbook.bench.runner import Outcome, RunChoices, run_plan
from brickbook.bench.screen import event_line, screen_for
from brickbook.bench.status import Asked, RunStatus, status_after, status_of

__all__ = [
    "CEILING",
    "Asked",
    "BenchError",
    "BenchLook",
    "Control",
    "Dialect",
    "DialectError",
    "Event",
    "InstrumentError",
    "JournalReader",
    "Limits",
    "LinkError",
    "LinkGarbage",
    "LinkTimeout",
    "Outcome",
    "RunChoices",
    "RunStatus",
    "append_control",
    "check_bench",
    "dialect_names",
    "effective_limits",
    "event_line",
    "find_dialect",
    "is_alive",
    "open_runs",
    "plan_faults",
    "read_bench_file",
    "read_controls",
    "read_dialect",
    "read_journal",
    "run_plan",
    "runs",
    "screen_for",
    "status_after",
    "status_of",
]
