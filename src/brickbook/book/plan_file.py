"""plan.toml: a test plan as text that a person edits, and back.

Written anew, each task keeps the place of its words: a task that has not changed keeps its text to the letter, comments
and all, and one that has changed keeps the lines of comment that stood in it.
"""

from __future__ import annotations

import difflib
import re
import textwrap
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from brickbook.book._check import TomlText, load, parse
from brickbook.book._locate import KeyPath
from brickbook.book._write import given, inline
from brickbook.core.charger import Charger
from brickbook.core.errors import BookError, Fault
from brickbook.core.plan import CAPTURES, PlanStep, PlanTask, TestPlan

__all__ = ["plan_text", "read_plan"]

_HEADER = re.compile(r"^[ \t]*\[\[[ \t]*tasks[ \t]*\]\]")
_TOP = ("charger", "size", "order", "left_out", "conditions", "notes")
_HEAD = """\
The tests to do on this charger, in order; `brickbook plan` wrote it, and it is yours to edit.

Made anew, a task that you have edited stays as you left it, a task of your own stays, and what you do not want comes
back unless its id stands in left_out. Lines of comment stay with the task below them.
"""
_WORDS = {
    "size": '"short", "standard" or "full": how much `brickbook plan` puts in.',
    "order": '"shortest": put in order anew each time the plan is made. "mine": as the tasks stand here.',
    "left_out": "Ids of tasks not to be done: move an id here when you delete its task.",
    "conditions": "Of every raw file of this campaign, e.g. { fixture_ohm = 0.004, u_fixture_ohm = 0.0003, "
    "cable_ohm = 0.12, u_cable_ohm = 0.003, ambient_c = 22.0 }.",
    "notes": "What was left out, and why.",
}
_TASKS = """\
One [[tasks]] gives one raw recording. A step ends after min_s seconds once its rule holds, and after max_s in any
case; rule = "" is a fixed time. rest_s is the time without load, off_s the time off mains before the task begins; after
names studies that come first ("*": all others). predicted_s and made are written by `brickbook plan`.
"""


def read_plan(
    file: str, text: str | None, charger: Charger | None = None, rules: Collection[str] | None = None
) -> TestPlan:
    """The text of a plan.toml.

    Parameters
    ----------
    file, text
        Name for messages, and content; `None` where there is no such file.
    charger
        Its ports are the ones a step may name; `None` does not look.
    rules
        Names of stability rules a dwell may have; `None` does not look.

    Raises
    ------
    BookError
        With all faults of the file, each with its line and key.
    """
    if text is None:
        raise BookError(Fault(file, "", "is missing.", "Make it: brickbook plan, and the charger's name."))
    toml = parse(file, text)
    plan = load(TestPlan, toml)
    faults = list(_faults(toml, plan, charger, rules))
    if faults:
        raise BookError(*faults)
    return plan


def _faults(toml: TomlText, plan: TestPlan, charger: Charger | None, rules: Collection[str] | None) -> Iterator[Fault]:
    ports = [port.id for port in charger.ports] if charger is not None else None
    for place, task in enumerate(plan.tasks):
        if task.kind != "hand" and not task.steps:
            yield toml.fault(("tasks", place, "steps"), f'a task of the kind "{task.kind}" needs steps.', "Add one.")
        if task.kind == "hand" and not (task.ask or task.by_hand):
            yield toml.fault(("tasks", place, "ask"), "a task by hand needs readings to ask for.", "Add one.")
        for number, step in enumerate(task.steps):
            yield from _step_faults(toml, ("tasks", place, "steps", number), step, ports, rules)


def _step_faults(
    toml: TomlText, path: KeyPath, step: PlanStep, ports: list[str] | None, rules: Collection[str] | None
) -> Iterator[Fault]:
    named = [setting.port for setting in step.ports]
    for number, port in enumerate(named):
        where = (*path, "ports", number, "port")
        if ports is not None and port not in ports:
            yield toml.fault(where, f'"{port}" is not a port of the charger.', _near(port, ports, "The ports are"))
        if port in named[:number]:
            yield toml.fault(where, f'"{port}" stands twice in one step.', "Leave one of them out.")
        setting = step.ports[number]
        if setting.current_a > 0 and not setting.contract:
            problem = f"{setting.current_a:g} A are drawn from a port with nothing plugged in."
            yield toml.fault((*path, "ports", number, "contract"), problem, 'Give it a contract such as "20 V".')
    if rules is not None and step.dwell.rule and step.dwell.rule not in rules:
        problem = f'there is no stability rule "{step.dwell.rule}".'
        remedy = _near(step.dwell.rule, sorted(rules), "The rules are")
        yield toml.fault((*path, "dwell", "rule"), problem, remedy)
    if step.capture and step.capture not in CAPTURES:
        problem = f'there is no oscilloscope setting "{step.capture}".'
        yield toml.fault((*path, "capture"), problem, _near(step.capture, list(CAPTURES), "The settings are"))


def _near(word: str, known: list[str], label: str) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f'Did you mean "{near[0]}"?' if near else f"{label}: {', '.join(known)}."


def plan_text(file: str, plan: TestPlan, before: str = "") -> str:
    """A plan as TOML with every key explained.

    Parameters
    ----------
    file
        Name for messages.
    plan
        The plan.
    before
        Text of the file as it is: its comments are kept. Empty for a new file.

    Raises
    ------
    BookError
        When the file as it is cannot be read, or its tasks are not written as [[tasks]].
    """
    ends = "\r\n" if "\r\n" in before else "\n"
    before = before.replace("\r\n", "\n")
    head, blocks = _split(file, before) if before.strip() else ("", {})
    parts = [_top(plan, head)]
    parts += [_block(task, *blocks.get(task.id, (None, ""))) for task in plan.tasks]
    text = "\n".join(part.rstrip("\n") + "\n" for part in parts)
    if read_plan(file, text) != plan:
        raise BookError(Fault(file, "", "cannot be written so that it reads back the same.", "Tell the authors."))
    return text.replace("\n", ends)


def _split(file: str, text: str) -> tuple[str, dict[str, tuple[PlanTask, str]]]:
    """The text above the first task, and each task's own text with the comment lines right above it."""
    toml = parse(file, text)
    plan = load(TestPlan, toml)
    lines = _lines(text.removeprefix("\ufeff"))
    starts: list[int] = []
    for place in range(len(plan.tasks)):
        number = toml.lines[("tasks", place)] - 1
        if not _HEADER.match(lines[number]):
            remedy = "Write each task below a line [[tasks]] of its own."
            raise BookError(toml.fault(("tasks", place), "this task is not written as [[tasks]].", remedy))
        while number and lines[number - 1].lstrip().startswith("#"):
            number -= 1
        starts.append(number)
    ends = [*starts[1:], len(lines)] if starts else []
    head = "".join(lines[: starts[0]] if starts else lines)
    blocks = {
        task.id: (task, "".join(lines[start:end]).strip("\n") + "\n")
        for task, start, end in zip(plan.tasks, starts, ends, strict=True)
    }
    return head, blocks


def _top(plan: TestPlan, before: str) -> str:
    """The keys above the tasks; of what stood there, comment lines that are not ours stay."""
    lines = _words(_HEAD)
    for name in _TOP:
        value = getattr(plan, name)
        if name in _WORDS:
            lines += ["", *_words(_WORDS[name])]
        if name == "notes" and value:
            lines += ["notes = [", *(f"  {inline(note)}," for note in value), "]"]
        else:
            lines.append(f"{name} = {inline(dict(value) if isinstance(value, Mapping) else value)}")
    ours = {*lines, *_words(_TASKS)}
    kept = [line.rstrip() for line in _lines(before) if line.lstrip().startswith("#") and line.strip() not in ours]
    none = [] if plan.tasks else ["tasks = []"]
    return "\n".join([*lines, *none, *(["", *kept] if kept else []), "", *_words(_TASKS)]) + "\n"


def _block(task: PlanTask, before: PlanTask | None, text: str) -> str:
    if before is not None and before == task:
        return text
    if before is not None and replace(before, predicted_s=task.predicted_s, made=task.made) == task:
        changed = _with_line(text, "predicted_s", inline(task.predicted_s))
        changed = _with_line(changed, "made", inline(task.made))
        if _read_block(changed) == task:
            return changed
    comments = [line.rstrip() for line in _lines(text) if line.lstrip().startswith("#")]
    return "\n".join([*comments, *_task_lines(task)]) + "\n"


def _with_line(text: str, key: str, value: str) -> str:
    """The block with a key's line replaced, or added at its end."""
    line = rf"(?m)^([ \t]*{key}[ \t]*=[ \t]*)[^#\n]*?([ \t]*(?:#.*)?)$"
    if re.search(line, text):
        return re.sub(line, lambda m: m[1] + value + m[2], text)
    return f"{text.rstrip(chr(10))}\n{key} = {value}\n"


def _read_block(text: str) -> PlanTask | None:
    try:
        plan = read_plan("", 'charger = "-"\nsize = "short"\n' + text)
    except BookError:
        return None
    return plan.tasks[0] if len(plan.tasks) == 1 else None


def _task_lines(task: PlanTask) -> list[str]:
    lines = ["[[tasks]]"]
    for key, value in given(task).items():
        if key in ("by_hand", "cautions", "steps", "ask"):
            lines += [f"{key} = [", *(f"  {inline(entry)}," for entry in value), "]"]
        else:
            lines.append(f"{key} = {inline(dict(value) if isinstance(value, Mapping) else value)}")
    return lines


def _lines(text: str) -> list[str]:
    """Lines as TOML knows them: other line separators may stand inside a text."""
    return re.findall(r"[^\n]*\n|[^\n]+", text)


def _words(text: str) -> list[str]:
    lines: list[str] = []
    for paragraph in text.strip().split("\n\n"):
        lines += [*(["#"] if lines else []), *(f"# {line}" for line in textwrap.wrap(paragraph, 110))]
    return lines
