"""The journal of a run: what the runner writes, what the command line and the web app read, and how they speak to it.

A run is a folder `chargers/<slug>/runs/<run-id>/`. `journal.jsonl` only ever grows: one JSON object a line, each line
on the disk before the runner goes on. A line counts once its line feed is there, so a reader never sees half an event;
a line that a power cut left torn is passed over and counted. `control.jsonl` goes the other way: anyone may append to
it, the runner obeys. `pid` is locked while the runner lives.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any, Final, Literal, Self

from brickbook.book import Book
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, BrickbookError, Fault

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None

__all__ = [
    "CONTROLS",
    "CONTROL_FILE",
    "EVENTS",
    "JOURNAL_FILE",
    "PID_FILE",
    "Control",
    "Event",
    "JournalReader",
    "JournalWriter",
    "append_control",
    "is_alive",
    "new_run_id",
    "open_runs",
    "read_controls",
    "read_journal",
    "runs",
    "runs_folder",
    "signed_in",
]

JOURNAL_FILE: Final = "journal.jsonl"
CONTROL_FILE: Final = "control.jsonl"
PID_FILE: Final = "pid"

EVENTS: Final = (
    *("run-started", "task-started", "asked", "answered", "step-started", "reading", "step-ended", "task-ended"),
    *("task-skipped", "paused", "resumed", "note", "instrument-error", "interlock", "safe-off", "run-ended"),
)
ControlWord = Literal["pause", "resume", "skip", "repeat", "abort", "confirm", "answer"]
CONTROLS: Final[tuple[ControlWord, ...]] = ("pause", "resume", "skip", "repeat", "abort", "confirm", "answer")
_OWN = ("n", "at", "t", "event")
_HUGE = 1e38  # beyond it no instrument reads; whole numbers below it fit where they are counted
_DEEPEST = 8
_KINDS: Mapping[str, type] = {
    **dict.fromkeys(("task", "key", "text", "what", "label", "outcome", "why", "instrument"), str),
    "step": int,
    "values": dict,
    "tasks": list,
    "raw": list,
}
_ENDS_OPEN = ("paused",)  # outcomes after which a run waits to be taken up again


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a journal.

    Parameters
    ----------
    n
        Its number, from 0.
    at
        Wall clock, ISO 8601, UTC.
    t
        Bench clock [s].
    event
        What happened, one of `EVENTS`.
    fields
        What belongs to it.
    """

    n: int
    at: str
    t: float
    event: str
    fields: Mapping[str, Any] = field(default_factory=dict)

    def get(self, key: str, default: Any = None) -> Any:
        """A field, or the default where the event has none."""
        return self.fields.get(key, default)


@dataclass(frozen=True, slots=True)
class Control:
    """One line of a control file: what somebody asks the runner to do."""

    n: int
    at: str
    do: ControlWord
    key: str = ""
    value: str = ""
    by: str = ""


class JournalReader:
    """Follows a journal: each call of `new` gives what was added since the last one, however long the file is.

    Parameters
    ----------
    folder
        Of the run.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL_FILE
        self._offset = 0
        self.torn = 0  # lines passed over because they are no event

    def new(self) -> list[Event]:
        """Events added since the last call, in order; none where there is no journal yet."""
        lines, self._offset = _whole_lines(self._path, self._offset)
        events = [_event(line) for line in lines]
        self.torn += events.count(None)
        return [event for event in events if event is not None]


def read_journal(folder: Path, after_n: int = -1) -> list[Event]:
    """Events of a run with numbers above `after_n`, in order; lines that are no event are passed over.

    Raises
    ------
    BookError
        When the file is there and cannot be read.
    """
    return [event for event in JournalReader(folder).new() if event.n > after_n]


class JournalWriter:
    """Appends to a journal; when `write` returns, the event is on the disk.

    Parameters
    ----------
    folder
        Of the run; it is there.
    now_s
        The bench clock [s].
    """

    def __init__(self, folder: Path, now_s: Callable[[], float]) -> None:
        self.folder = folder
        self.now_s = now_s
        self.shown: Callable[[Event], None] = lambda _event: None  # given each event once it is on the disk
        path = folder / JOURNAL_FILE
        self._name = f"{folder.name}/{JOURNAL_FILE}"
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        content = path.read_bytes()
        if content and not content.endswith(b"\n"):
            os.write(self._file, b"\n")  # what a crash left stays, on a line of its own
        numbers = [event.n for event in read_journal(folder)]
        self._next = max(numbers, default=-1) + 1
        self._last_s, self._asking = 0.0, False
        sync_folder(folder)

    def write(self, event: str, /, **fields: Any) -> Event:
        """Append an event.

        Raises
        ------
        ValueError
            When the event or one of its fields has a name that is not for it, or a number is not finite.
        """
        if event not in EVENTS or not set(fields).isdisjoint(_OWN):
            raise ValueError(f"{event!r} with {', '.join(fields)} is no event of a journal")
        made = Event(self._next, utc_now(), self._bench_time_s(), event, fields)
        line = {"n": made.n, "at": made.at, "t": made.t, "event": event, **fields}
        append_line(
            self._file, json.dumps(line, ensure_ascii=False, allow_nan=False, separators=(",", ":")), self._name
        )
        self._next += 1
        with contextlib.suppress(Exception):  # what is shown must never stop what is done
            self.shown(made)
        return made

    def _bench_time_s(self) -> float:
        """Bench time, or the last known while the clock cannot be asked: what is written must not hang on it.

        A clock that fails reports that, which is written here, too.
        """
        if not self._asking:
            self._asking = True
            try:
                self._last_s = round(self.now_s(), 6)
            except BrickbookError:
                pass  # whoever waits by it next finds out
            finally:
                self._asking = False
        return self._last_s

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._file)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self.close()


# Controls


def append_control(folder: Path, do: ControlWord, *, key: str = "", value: str = "", by: str = "") -> Control:
    """Ask a run's runner to do something; it looks a few times a second.

    Parameters
    ----------
    folder
        Of the run.
    do
        What.
    key, value
        Of "confirm" and "answer": the key of what was asked, and the answer.
    by
        Who asks.

    Raises
    ------
    BookError
        When there is no such run, or the file cannot be written.
    """
    if do not in CONTROLS:
        raise ValueError(f"{do!r} is none of {', '.join(CONTROLS)}")
    if not (folder / JOURNAL_FILE).is_file():
        raise BookError(Fault(str(folder), "", "there is no run in this folder.", "Start one with: brickbook run"))
    path = folder / CONTROL_FILE
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        try:
            with _locked(descriptor):
                content = path.read_bytes()
                number = max((c.n for c in read_controls(folder)), default=-1) + 1
                made = Control(number, utc_now(), do, key, value, by)
                text = json.dumps(
                    {"n": number, "at": made.at, "do": do, "key": key, "value": value, "by": by}, ensure_ascii=False
                )
                append_line(descriptor, text if not content or content.endswith(b"\n") else f"\n{text}", str(path))
        finally:
            os.close(descriptor)
    except OSError as error:
        raise BookError(Fault(str(path), "", f"cannot be written: {error.strerror}.")) from error
    return made


def read_controls(folder: Path, after_n: int = -1) -> list[Control]:
    """Controls of a run with numbers above `after_n`, in order; lines that are none are passed over."""
    lines, _ = _whole_lines(folder / CONTROL_FILE, 0)
    found = [_control(line) for line in lines]
    return [control for control in found if control is not None and control.n > after_n]


# Runs of a charger


def runs_folder(book: Book, slug: str) -> Path:
    """Where the runs of a charger are kept; it may not be there yet. Raises `BookError` for an unknown charger."""
    if slug not in book.chargers():
        book.charger(slug)  # says what there is instead
    return book.root / "chargers" / slug / "runs"


def runs(book: Book, slug: str) -> tuple[Path, ...]:
    """Folders of all runs of a charger, oldest first."""
    folder = runs_folder(book, slug)
    if not folder.is_dir():
        return ()
    return tuple(sorted(path for path in folder.iterdir() if (path / JOURNAL_FILE).is_file()))


def open_runs(book: Book, slug: str) -> tuple[Path, ...]:
    """Runs that have not ended: under way, broken off by a crash, or put aside with outcome "paused"; oldest first."""
    return tuple(folder for folder in runs(book, slug) if is_open(read_journal(folder)))


def is_open(events: list[Event]) -> bool:
    """Whether a run has not ended, or has ended only for now."""
    last = next((e for e in reversed(events) if e.event in ("run-ended", "run-started")), None)
    return last is None or last.event == "run-started" or last.get("outcome") in _ENDS_OPEN


def new_run_id(folder: Path, now: dt.datetime | None = None) -> str:
    """The start in UTC, "20261125T110203Z"; with a number after it where that second has a run already."""
    stamp = (now or dt.datetime.now(dt.UTC)).strftime("%Y%m%dT%H%M%SZ")
    taken = [path.name for path in folder.glob(f"{stamp}*")]
    return stamp if not taken else f"{stamp}-{len(taken) + 1}"


@contextmanager
def signed_in(folder: Path) -> Iterator[None]:
    """Hold a run's `pid` file, locked, for the length of a `with` block."""
    path = folder / PID_FILE
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        with _locked(descriptor):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
            yield
            path.unlink(missing_ok=True)
    finally:
        os.close(descriptor)


def is_alive(folder: Path) -> bool:
    """Whether a run's runner lives: told by the lock on its `pid` file, so a number used again deceives nobody."""
    try:
        descriptor = os.open(folder / PID_FILE, os.O_RDONLY)
    except OSError:
        return False
    try:
        if fcntl is None:
            return _answers(os.read(descriptor, 32))
        try:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        return False
    finally:
        os.close(descriptor)


# Within


def utc_now() -> str:
    """Wall clock, ISO 8601 with milliseconds, UTC."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def append_line(descriptor: int, text: str, name: str = "the log of the run") -> None:
    """Append a line and wait until it is on the disk; raises `BookError`, and takes back what of it was written."""
    data = text.encode() + b"\n"
    before = os.fstat(descriptor).st_size
    try:
        while data:  # a write may take less than it is given
            data = data[os.write(descriptor, data) :]
        os.fsync(descriptor)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, before)
        problem = f"cannot be written: {(error.strerror or str(error)).lower()}."
        remedy = "Free some space, or mend the disk; what was written before stays."
        raise BookError(Fault(name, "", problem, remedy)) from error


def sync_folder(folder: Path) -> None:
    """Put a folder's names on the disk, where the system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _whole_lines(path: Path, offset: int) -> tuple[list[bytes], int]:
    """Lines that end after an offset, and the offset behind the last of them."""
    try:
        with path.open("rb") as file:
            file.seek(offset)
            content = file.read()
    except FileNotFoundError:
        return [], offset
    except OSError as error:
        raise BookError(Fault(str(path), "", f"cannot be read: {error.strerror}.")) from error
    end = content.rfind(b"\n") + 1
    return [line for line in content[:end].split(b"\n") if line.strip()], offset + end


def _event(line: bytes) -> Event | None:
    found = _object(line)
    match found:
        case {"n": int(n), "at": str(at), "t": int() | float() as t, "event": str(event)} if n >= 0 and _fits(
            event, found
        ):
            return Event(n, at, float(t), event, {key: value for key, value in found.items() if key not in _OWN})
        case _:
            return None


def _control(line: bytes) -> Control | None:
    found = _object(line)
    match found:
        case {"n": int(n), "at": str(at), "do": str(do)} if n >= 0 and do in CONTROLS:
            more = {key: str(found.get(key, "")) for key in ("key", "value", "by")}
            return Control(n, at, do, **more)
        case _:
            return None


def _object(line: bytes) -> dict[str, Any]:
    try:
        found = json_of(line)
    except ValueError:  # torn: also bytes that are no UTF-8
        return {}
    return found if isinstance(found, dict) and _is_sound(found) else {}


def _is_sound(value: Any) -> bool:
    """Whether numbers are finite and fit, texts can be written, and nothing is deeper than a journal is."""
    todo = [(value, 0)]
    while todo:
        one, depth = todo.pop()
        match one:
            case int() | float():
                if not -_HUGE < one < _HUGE:  # nor NaN
                    return False
            case str():
                if not one.isascii() and any("\ud800" <= character <= "\udfff" for character in one):
                    return False
            case dict() | list():
                if depth > _DEEPEST:
                    return False
                inside = (*one, *one.values()) if isinstance(one, dict) else one
                todo += [(each, depth + 1) for each in inside]
            case _:
                pass
    return True


def _fits(event: str, found: Mapping[str, Any]) -> bool:
    """Whether the fields that readers rely on are what they are in a journal."""
    kinds: dict[str, type] = {**_KINDS, "steps": int if event == "task-started" else list}
    if not all(isinstance(found[key], kind) for key, kind in kinds.items() if key in found):
        return False
    values = found.get("values", {})
    if not all(value is None or isinstance(value, (int, float)) for value in values.values()):
        return False
    names = (*found.get("tasks", ()), *found.get("raw", ()))
    steps = found.get("steps", ()) if event != "task-started" else ()
    return all(isinstance(name, str) for name in names) and all(isinstance(step, dict) for step in steps)


@contextmanager
def _locked(descriptor: int) -> Iterator[None]:
    """The system's lock on an open file, where it has one; waits for readers that only look."""
    if fcntl is not None:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
    yield  # closing the file lets go


def _answers(content: bytes) -> bool:
    try:
        os.kill(int(content), 0)
    except (ValueError, OSError):
        return False
    return True
