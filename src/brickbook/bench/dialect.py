"""Dialects: how the runner's words are put into an instrument's own, as a TOML file a tester can write.

docs/reference/dialects.md lists every key; docs/how-to/describe-an-instrument.md writes one from a manual.
"""

from __future__ import annotations

import difflib
import re
import string
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from brickbook.bench.errors import DialectError
from brickbook.bench.link import LinkSettings
from brickbook.bench.roles import OPERATIONS, Operation
from brickbook.core.documents import toml_of
from brickbook.core.errors import Fault
from brickbook.core.quantities import QUANTITIES, channel_of, quantity_of

__all__ = ["Command", "Dialect", "dialect_names", "find_dialect", "read_dialect"]

_FOLDER = "dialects"
_SAMPLE: Mapping[str, object] = {"channel": "1", "channels": "1,2", "coupling": "DC", "position": 1, "points": 1000}
_TOP = ("title", "role", "link", "identity", "errors", "ready", "start", "commands")
_LINK = ("read_termination", "write_termination", "timeout_s", "baud_rate")
_COMMAND = ("send", "ask", "gives", "scale", "factor", "words", "pattern", "wait", "overrange")
_OVERRANGE = 9.89e37  # SCPI-1999 volume 1, 7.2.1.4: 9.9E37 is infinity (clause from memory)


@dataclass(frozen=True, slots=True)
class Command:
    """One operation in an instrument's words.

    Parameters
    ----------
    send
        Messages, in order; with `ask`, sent before it.
    ask
        The question, where something comes back; for an operation without a result, the answer is read and left.
    gives
        Names of the numbers that come back, in order; "" for one that is not used.
    scale
        Name to factor: SI value = factor times number.
    factor
        Placeholder to factor: number sent = factor times SI value.
    words
        "on", "off" ... to the answers that mean it.
    pattern
        Regular expression whose first group is the part of the answer that counts.
    wait
        Whether to ask afterwards if the instrument is ready.
    overrange
        From this size on a number is no reading.
    """

    send: tuple[str, ...] = ()
    ask: str = ""
    gives: tuple[str, ...] = ()
    scale: Mapping[str, float] = field(default_factory=dict)
    factor: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    pattern: str = ""
    wait: bool = False
    overrange: float = _OVERRANGE


@dataclass(frozen=True, slots=True)
class Dialect:
    """All of a dialect file.

    Parameters
    ----------
    name, file
        Name as in bench.toml, and the file for messages.
    title, role
        In words, and the role of the instruments that speak it.
    commands
        Operation to command.
    link
        Terminations and timeout.
    identity_ask, identity_expect
        The question who is there, and a regular expression its answer must match.
    error_ask, error_none
        The question for an error, and a regular expression that the answer "none" matches; "" where it has no such.
    ready_ask, ready_expect
        The question whether all is done, and its answer; "" where it has no such.
    start
        Messages sent once the link is open.
    """

    name: str
    file: str
    title: str
    role: str
    commands: Mapping[str, Command]
    link: LinkSettings = field(default_factory=LinkSettings)
    identity_ask: str = "*IDN?"
    identity_expect: str = ""
    error_ask: str = "SYST:ERR?"
    error_none: str = r"^[+-]?0\b"
    ready_ask: str = "*OPC?"
    ready_expect: str = "1"
    start: tuple[str, ...] = ()

    def has(self, operation: str) -> bool:
        """Whether the instrument can do it."""
        return operation in self.commands


def dialect_names(folder: Path | None = None) -> tuple[str, ...]:
    """Names of the dialects that come with the program and, with the folder of a bench.toml, of those beside it."""
    own = [entry.name for entry in (files("brickbook.bench") / _FOLDER).iterdir()]
    theirs = [path.name for path in (folder / _FOLDER).glob("*.toml")] if folder is not None else []
    return tuple(sorted({name.removesuffix(".toml") for name in (*own, *theirs) if name.endswith(".toml")}))


def find_dialect(name: str, folder: Path | None = None) -> Dialect:
    """A dialect by name: the tester's own beside bench.toml goes before one that comes with the program.

    Parameters
    ----------
    name
        As in bench.toml.
    folder
        Of bench.toml; its `dialects/` is looked into.

    Raises
    ------
    DialectError
        When there is none of that name, or with all its faults.
    """
    if folder is not None and (folder / _FOLDER / f"{name}.toml").is_file():
        path = folder / _FOLDER / f"{name}.toml"
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise DialectError(Fault(str(path), "", f"cannot be read: {error}.")) from error
        return read_dialect(name, f"{_FOLDER}/{name}.toml", text)
    known = dialect_names(folder)
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        remedy = f'Did you mean "{near[0]}"?' if near else f"There are {', '.join(known)}."
        place = f"Write {_FOLDER}/{name}.toml beside bench.toml to describe an instrument of your own."
        raise DialectError(Fault("bench.toml", "dialect", f'there is no dialect "{name}".', f"{remedy} {place}"))
    source = files("brickbook.bench") / _FOLDER / f"{name}.toml"
    return read_dialect(name, f"{name}.toml", source.read_text(encoding="utf-8"))


def read_dialect(name: str, file: str, text: str) -> Dialect:
    """The text of a dialect file; raises `DialectError` with all its faults."""
    try:
        data = toml_of(text)
    except tomllib.TOMLDecodeError as error:
        raise DialectError(Fault(file, "", f"is not TOML: {error}.", "Mend that line.")) from error
    reader = _Reader(file)
    reader.known(data, "", _TOP)
    role = reader.text(data, "role", "", needed=True)
    operations = OPERATIONS.get(role)
    if role and operations is None:
        reader.fault("role", f'"{role}" is no role that can be spoken to.', _near(role, tuple(OPERATIONS)))
    raw = reader.table(data, "commands")
    commands: dict[str, Command] = {}
    for key, value in raw.items():
        operation = (operations or {}).get(key)
        if operations is None:
            break
        if operation is None:
            problem = f'"{key}" is nothing a {role} is asked for.'
            reader.fault(f"commands.{key}", problem, _near(key, tuple(operations)))
            continue
        commands[key] = reader.command(f"commands.{key}", value, operation)
    for key, operation in (operations or {}).items():
        if operation.needed and key not in raw:
            reader.fault("commands", f"{key} is missing: {operation.what}.", f"Add [commands.{key}].")
    link = reader.link(reader.table(data, "link"))
    parts = {key: reader.table(data, key) for key in ("identity", "errors", "ready", "start")}
    for key, allowed in (("identity", ("ask", "expect")), ("errors", ("ask", "none")), ("ready", ("ask", "expect"))):
        reader.known(parts[key], f"{key}.", allowed)
    reader.known(parts["start"], "start.", ("send",))
    made = Dialect(
        name=name,
        file=file,
        title=reader.text(data, "title", ""),
        role=role,
        commands=commands,
        link=link,
        identity_ask=reader.text(parts["identity"], "ask", "identity.", "*IDN?"),
        identity_expect=reader.pattern(parts["identity"], "expect", "identity.", ""),
        error_ask=reader.text(parts["errors"], "ask", "errors.", "SYST:ERR?"),
        error_none=reader.pattern(parts["errors"], "none", "errors.", r"^[+-]?0\b"),
        ready_ask=reader.text(parts["ready"], "ask", "ready.", "*OPC?"),
        ready_expect=reader.text(parts["ready"], "expect", "ready.", "1"),
        start=reader.texts(parts["start"], "send", "start."),
    )
    if reader.faults:
        raise DialectError(*reader.faults)
    return made


class _Reader:
    """Collects all faults of one file."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.faults: list[Fault] = []

    def fault(self, place: str, problem: str, remedy: str = "") -> None:
        self.faults.append(Fault(self.file, place, problem, remedy))

    def known(self, data: Mapping[str, Any], prefix: str, allowed: Sequence[str]) -> None:
        for key in data:
            if key not in allowed:
                self.fault(f"{prefix}{key}", "is no key of a dialect file.", _near(key, allowed))

    def table(self, data: Mapping[str, Any], key: str) -> dict[str, Any]:
        value = data.get(key, {})
        if not isinstance(value, dict):
            self.fault(key, f"is {value!r}, a table is expected.", f"Write [{key}].")
            return {}
        return value

    def text(self, data: Mapping[str, Any], key: str, prefix: str, default: str = "", *, needed: bool = False) -> str:
        value: object = data.get(key, default)
        if not isinstance(value, str):
            self.fault(f"{prefix}{key}", f"is {value!r}, a text is expected.", "Put it between quotes.")
            return default
        if needed and not value:
            self.fault(f"{prefix}{key}", "is missing.", f"The roles are {', '.join(OPERATIONS)}.")
        return value

    def texts(self, data: Mapping[str, Any], key: str, prefix: str) -> tuple[str, ...]:
        value = data.get(key, [])
        several = [value] if isinstance(value, str) else value
        if not isinstance(several, list) or not all(isinstance(part, str) for part in several):
            self.fault(f"{prefix}{key}", f"is {value!r}, a text or a list of texts is expected.")
            return ()
        return tuple(several)

    def number(self, data: Mapping[str, Any], key: str, prefix: str, default: float) -> float:
        value = data.get(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 < float(value) < float("inf"):
            self.fault(f"{prefix}{key}", f"is {value!r}, a number above zero is expected.")
            return default
        return float(value)

    def pattern(self, data: Mapping[str, Any], key: str, prefix: str, default: str, groups: int = 0) -> str:
        text = self.text(data, key, prefix, default)
        try:
            compiled = re.compile(text)
        except re.error as error:
            self.fault(f"{prefix}{key}", f"is no regular expression: {error}.", "Put a \\ before signs meant as such.")
            return default
        if text and compiled.groups < groups:
            self.fault(f"{prefix}{key}", "has no group.", "Put round brackets around the part that counts.")
        return text

    def link(self, data: dict[str, Any]) -> LinkSettings:
        self.known(data, "link.", _LINK)
        usual = LinkSettings()
        ends = [self.text(data, key, "link.", "\n") for key in _LINK[:2]]
        for key, end in zip(_LINK, ends, strict=False):
            if not end:
                self.fault(f"link.{key}", "is empty: without it no answer ever ends.", 'Usual is "\\n".')
        return LinkSettings(
            ends[0] or "\n",
            ends[1] or "\n",
            timeout_s=self.number(data, "timeout_s", "link.", usual.timeout_s),
            baud_rate=int(self.number(data, "baud_rate", "link.", usual.baud_rate)),
        )

    def command(self, place: str, value: object, operation: Operation) -> Command:
        if isinstance(value, str):
            value = {"send" if operation.kind == "do" else "ask": value}
        if not isinstance(value, dict):
            self.fault(place, f"is {value!r}, a table or a text is expected.")
            return Command()
        prefix = f"{place}."
        self.known(value, prefix, _COMMAND)
        send, ask = self.texts(value, "send", prefix), self.text(value, "ask", prefix)
        if operation.kind == "do" and not (send or ask):
            self.fault(place, f"needs send, or ask where the instrument answers: {operation.what}.")
        if operation.kind != "do" and not ask:
            self.fault(place, f"needs ask: {operation.what}.", 'For example ask = "MEAS?"')
        for text in (*send, ask):
            self._template(place, text, operation)
        gives = self._gives(value, prefix, operation)
        wait = value.get("wait", False)
        if not isinstance(wait, bool):
            self.fault(f"{prefix}wait", f"is {wait!r}, true or false is expected.")
            wait = False
        return Command(
            send,
            ask,
            gives,
            self._factors(value, "scale", prefix, gives if operation.gives != ("*",) else ("*",)),
            self._factors(value, "factor", prefix, operation.fills),
            self._words(value, prefix, operation),
            self.pattern(value, "pattern", prefix, "", groups=1),
            wait,
            self.number(value, "overrange", prefix, _OVERRANGE),
        )

    def _template(self, place: str, text: str, operation: Operation) -> None:
        try:
            names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
        except ValueError as error:
            self.fault(place, f"{text!r}: {error}.", "Write {{ and }} for braces that are sent.")
            return
        wrong = sorted(names - set(operation.fills))
        if wrong:
            known = ", ".join(f"{{{name}}}" for name in operation.fills) or "none"
            self.fault(place, f"{{{wrong[0]}}} in {text!r} is nothing that can be filled in.", f"There are: {known}.")
            return
        try:
            text.format(**{name: _SAMPLE.get(name, 1.0) for name in names})
        except (ValueError, TypeError, IndexError, KeyError) as error:
            self.fault(place, f"{text!r} cannot be filled in: {error}.", "For example {current_a:.4f}")

    def _gives(self, value: dict[str, Any], prefix: str, operation: Operation) -> tuple[str, ...]:
        fixed = operation.gives
        gives = self.texts(value, "gives", prefix)
        if operation.kind != "numbers" or fixed == ("*",):
            if gives:
                self.fault(f"{prefix}gives", "is not for this command: what comes back is known.")
            return fixed
        if not fixed and not gives:
            self.fault(prefix[:-1], "needs gives, the quantities that come back in order.", 'Use "" for one to skip.')
        for name in gives:
            allowed = name in fixed if fixed else quantity_of(name) in QUANTITIES
            if name and not allowed:
                known = fixed or tuple(QUANTITIES)
                self.fault(f"{prefix}gives", f'"{name}" is not expected here.', _near(name, known))
            elif name and not fixed and (QUANTITIES[quantity_of(name)].channel == "") != (channel_of(name) == ""):
                self.fault(f"{prefix}gives", f'"{name}" needs a channel, or has one too many.', "As mains_harmonic_a@3")
        used = [name for name in gives if name]
        if len(set(used)) != len(used):
            self.fault(f"{prefix}gives", "names a quantity twice.")
        if fixed and gives and set(fixed) - set(gives):
            self.fault(f"{prefix}gives", f"does not name {min(set(fixed) - set(gives))}.")
        return gives or fixed

    def _factors(self, value: dict[str, Any], key: str, prefix: str, names: Sequence[str]) -> dict[str, float]:
        raw = value.get(key, {})
        if isinstance(raw, (int, float)) and not isinstance(raw, bool) and len(names) >= 1:
            raw = {name: raw for name in names if name and name not in ("channel", "channels")}
        if not isinstance(raw, dict):
            self.fault(f"{prefix}{key}", f"is {raw!r}, a number or a table of numbers is expected.")
            return {}
        for name in raw:
            if name not in names:
                self.fault(f"{prefix}{key}.{name}", "is none of the names of this command.", _near(name, names))
        return {name: self.number(raw, name, f"{prefix}{key}.", 1.0) for name in raw}

    def _words(self, value: dict[str, Any], prefix: str, operation: Operation) -> dict[str, tuple[str, ...]]:
        raw = value.get("words", {})
        if operation.kind != "word":
            if raw:
                self.fault(f"{prefix}words", "is not for this command.")
            return {}
        if not isinstance(raw, dict):
            self.fault(f"{prefix}words", f"is {raw!r}, a table is expected.", 'As words = { on = "1", off = "0" }')
            return {}
        usual = {"on": ("1", "ON"), "off": ("0", "OFF")}
        for word in raw:
            if word not in operation.words:
                self.fault(f"{prefix}words.{word}", "is no word of this command.", _near(word, operation.words))
        return {w: self.texts(raw, w, f"{prefix}words.") or usual.get(w, (w,)) for w in operation.words}


def _near(word: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f'Did you mean "{near[0]}"?' if near else f"There are {', '.join(known)}."
