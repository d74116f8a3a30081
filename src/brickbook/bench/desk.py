"""Where people speak to the runner: questions to them, their answers, and their wishes, all through the run's files."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import TypeVar

from brickbook.bench.journal import CONTROLS, Control, JournalWriter, append_control, read_controls

__all__ = ["Desk", "Paused", "Question", "Repeated", "Skipped", "Stopped", "signals_to"]

_T = TypeVar("_T")
_POLL_S = 0.05
_CHECK_S = 1.0
_YES = ("y", "yes")


class Stopped(Exception):  # noqa: N818 - somebody wants it so
    """Somebody ends the run."""


class Skipped(Exception):  # noqa: N818 - as above
    """Somebody leaves the task out."""


class Repeated(Exception):  # noqa: N818 - as above
    """Somebody wants the task from its beginning."""


class Paused(Exception):  # noqa: N818 - as above
    """Somebody wants the bench to rest."""


@dataclass(frozen=True, slots=True)
class Question:
    """What people are asked.

    Parameters
    ----------
    task
        Id of the task.
    what
        "caution" and "by_hand" are confirmed, "reading" is answered.
    key
        What an answer must name.
    text
        In words.
    unit, quantity, channel
        Of a reading.
    """

    task: str
    what: str
    key: str
    text: str
    unit: str = ""
    quantity: str = ""
    channel: str = ""


class Desk:
    """Asks people and hears them.

    Parameters
    ----------
    folder
        Of the run.
    journal
        Questions and answers are written there.
    confirms
        Who confirms cautions and work by hand without being asked, as on a simulated bench; "" for nobody.
    """

    def __init__(self, folder: Path, journal: JournalWriter, *, confirms: str = "") -> None:
        self._folder, self._journal, self.confirms = folder, journal, confirms
        self._handled = max((control.n for control in read_controls(folder)), default=-1)
        self._size = -1
        self._waiting: list[Control] = []
        self.stop_why = ""  # set by a signal
        self.asked: Question | None = None
        self.beat: Callable[[], None] = lambda: None  # said each time the runner passes by

    def look(self) -> None:
        """See whether somebody wants something; raises what they want."""
        self.beat()
        if self.stop_why:
            raise Stopped(self.stop_why)
        self._fetch()
        while self._waiting:
            _raise(self._waiting.pop(0))

    def ask(
        self, question: Question, check: Callable[[str], _T], meanwhile: Callable[[], None] = lambda: None
    ) -> tuple[_T, str]:
        """Ask until an answer is taken; gives what the check made of it, and who gave it.

        Parameters
        ----------
        question
            The question.
        check
            Makes a value of an answer, or raises `ValueError` saying what is wrong with it: then it is asked again.
        meanwhile
            Done about once a second while nobody answers.
        """
        if self.confirms and question.what != "reading":
            self._write_question(question, "")
            self._journal.write("answered", task=question.task, key=question.key, value="yes", by=self.confirms)
            return check("yes"), self.confirms
        problem = ""
        while True:
            self._write_question(question, problem)
            self.asked = question
            try:
                control = self._answer(question, meanwhile)
            finally:
                self.asked = None
            text = "yes" if control.do == "confirm" else control.value.strip()
            try:
                value = check(text)
            except ValueError as error:
                problem = str(error)
                continue
            self._journal.write("answered", task=question.task, key=question.key, value=text, by=control.by)
            return value, control.by

    def confirm(self, question: Question) -> str:
        """Ask for a confirmation; gives who gave it."""

        def agreed(text: str) -> bool:
            if text.casefold() not in _YES:
                raise ValueError(f"{text!r} is not yes. Say yes, skip or abort.")
            return True

        return self.ask(question, agreed)[1]

    def wait_while_paused(self) -> None:
        """Come back when somebody says resume; raises what else they want."""
        while True:
            if self.stop_why:
                raise Stopped(self.stop_why)
            self._fetch()
            while self._waiting:
                control = self._waiting.pop(0)
                if control.do == "resume":
                    return
                if control.do != "pause":
                    _raise(control)
            time.sleep(_POLL_S)

    def _answer(self, question: Question, meanwhile: Callable[[], None]) -> Control:
        next_check = time.monotonic()
        while True:
            self.beat()
            if self.stop_why:
                raise Stopped(self.stop_why)
            self._fetch()
            while self._waiting:
                control = self._waiting.pop(0)
                if control.do in ("confirm", "answer") and control.key == question.key:
                    return control
                _raise(control)
            if time.monotonic() >= next_check:
                meanwhile()
                next_check = time.monotonic() + _CHECK_S
            time.sleep(_POLL_S)

    def _write_question(self, question: Question, problem: str) -> None:
        fields = {"task": question.task, "what": question.what, "key": question.key, "text": question.text}
        for key in ("unit", "quantity", "channel"):
            if getattr(question, key):
                fields[key] = getattr(question, key)
        self._journal.write("asked", **fields, **({"problem": problem} if problem else {}))

    def _fetch(self) -> None:
        try:
            size = (self._folder / "control.jsonl").stat().st_size
        except FileNotFoundError:
            return
        if size == self._size:
            return
        self._size = size
        new = read_controls(self._folder, self._handled)
        self._waiting += new
        self._handled = max((control.n for control in new), default=self._handled)


def _raise(control: Control) -> None:
    by = f" by {control.by}" if control.by else ""
    match control.do:
        case "abort":
            raise Stopped(f"ended{by}")
        case "skip":
            raise Skipped(f"left out{by}")
        case "repeat":
            raise Repeated(f"begun anew{by}")
        case "pause":
            raise Paused(f"paused{by}")
        case _:
            return  # an answer to what is not asked, or a resume of what goes on


@contextmanager
def signals_to(desk: Desk) -> Iterator[None]:
    """Have the signals that end a process end the run instead, however often they come, for a `with` block.

    The handlers only take a note: the runner sees it before its next reading, so no exchange with an instrument is cut
    in two, and a second signal cannot skip what the first one set off.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]

    def note(number: int, _: FrameType | None) -> None:
        desk.stop_why = desk.stop_why or f"ended by {signal.Signals(number).name}"

    before = {name: signal.signal(getattr(signal, name), note) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def listen_to_terminal(folder: Path, desk: Desk) -> None:
    """Turn lines typed at the terminal into controls, from a thread of its own, for the rest of the process."""

    def listen() -> None:
        for line in sys.stdin:
            words = line.strip()
            asked = desk.asked
            if words.casefold() in CONTROLS[:5]:
                append_control(folder, words.casefold(), by="terminal")  # type: ignore[arg-type]
            elif asked is not None and words:
                append_control(folder, "answer", key=asked.key, value=words, by="terminal")

    threading.Thread(target=listen, name="terminal", daemon=True).start()
