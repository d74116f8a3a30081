"""Dataclasses as forms: fields made from their types, and what was typed turned into the data of a TOML file.

A field's name is the key as the book's own messages spell it, `ports[1].outputs[0].current_a`, so that a fault finds
its field by itself. A number that is none stays text: the check of the file says what is wrong with it.
"""

from __future__ import annotations

import copy
import re
import types
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from brickbook.core.conditions import Scalar
from brickbook.core.errors import Fault

__all__ = ["Entry", "Group", "Rows", "add_item", "data_of", "fault_key", "form_of", "pairs_text", "scalar_of"]

_STEP = re.compile(r"([A-Za-z0-9_-]+)|\[(\d{1,4})\]")
_UNITS = {
    "w": "W", "v": "V", "a": "A", "c": "°C", "hz": "Hz", "s": "s", "ohm": "Ω", "m": "m", "awg": "AWG", "wh": "Wh",
}  # fmt: skip
_MOST = 200  # items of one list


@dataclass(frozen=True, slots=True)
class Entry:
    """One field.

    Parameters
    ----------
    key, label, hint
        Its name, its words, what belongs in it.
    kind
        "text", "number", "choice" or "words" (several lines).
    value
        As shown.
    options
        Of a choice: value and words.
    required
        Whether it must be filled in.
    problem
        What is wrong with it.
    """

    key: str
    label: str
    hint: str
    kind: str
    value: str
    options: tuple[tuple[str, str], ...] = ()
    required: bool = False
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that belong together; `problem` is of the group as a whole."""

    key: str
    label: str
    hint: str
    parts: tuple[Entry | Group | Rows, ...]
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Rows:
    """A list of groups that may grow and shrink; `item` is what one is called."""

    key: str
    label: str
    item: str
    hint: str
    items: tuple[Group, ...]
    problem: str = ""


Hints = Mapping[type, Mapping[str, tuple[str, str]]]


def form_of(
    cls: Any, data: Mapping[str, Any], *, hints: Hints, faults: Sequence[Fault] = (), key: str = ""
) -> tuple[Entry | Group | Rows, ...]:
    """The form of a dataclass with data in it.

    Parameters
    ----------
    cls
        Dataclass.
    data
        As a TOML file holds it; what is not there is shown empty.
    hints
        Dataclass to field to (example, words).
    faults
        Each is shown at its field, or at the nearest group around it.
    key
        Where the dataclass stands in the file.
    """
    said: dict[str, list[str]] = {}
    for fault in faults:
        said.setdefault(fault_key(fault), []).append(f"{fault.problem} {fault.remedy}".strip())
    return _parts(cls, data, key, hints, {k: " ".join(v) for k, v in said.items()})


def fault_key(fault: Fault) -> str:
    """Key of a field a fault speaks of; "" for the file."""
    place = fault.place.rpartition(", ")[2]
    return "" if place.startswith("line ") else place


def data_of(cls: Any, pairs: Mapping[str, str], before: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """What was typed, as the data of a TOML file; what is empty, or as it is by default, is left out.

    What the file states although it is so by default stays stated: `before` is the file's data.
    """
    found = _read(cls, pairs, "", before or {})
    return found if isinstance(found, dict) else {}


def add_item(data: dict[str, Any], key: str, *, remove: bool = False) -> dict[str, Any]:
    """The data with an empty item more in the list of that key, or without the item of that key."""
    changed = copy.deepcopy(data)
    steps = [int(m[2]) if m[2] is not None else m[1] for m in _STEP.finditer(key)]
    place: Any = changed
    try:
        for step in steps[:-1]:
            place = place.setdefault(step, {}) if isinstance(place, dict) else place[step]
        if remove:
            del place[steps[-1]]
        elif len(place.setdefault(steps[-1], [])) < _MOST:
            place[steps[-1]].append({})
    except (KeyError, IndexError, TypeError, AttributeError):
        return data  # a form of another page: nothing to do
    return changed


def scalar_of(text: str) -> Scalar:
    """A condition as typed: true, false, a number, or text."""
    if text in ("true", "false"):
        return text == "true"
    for kind in (int, float):
        try:
            number = kind(text)
        except ValueError:
            continue
        return number if number == number and abs(number) != float("inf") else text  # noqa: PLR0124 - NaN
    return text


def pairs_text(pairs: Mapping[str, Any]) -> str:
    """Conditions as typed: "mains_v = 230, port = C1"."""
    return ", ".join(f"{k} = {_shown(v)}" for k, v in pairs.items())


# Making


def _parts(
    cls: Any, data: Mapping[str, Any], key: str, hints: Hints, said: Mapping[str, str]
) -> tuple[Entry | Group | Rows, ...]:
    types_of = get_type_hints(cls, include_extras=True)
    made: list[Entry | Group | Rows] = []
    for field in fields(cls):
        name = f"{key}.{field.name}" if key else field.name
        bare, optional = _bare(types_of[field.name])
        needed = field.default is MISSING and field.default_factory is MISSING
        example, words = hints.get(cls, {}).get(field.name, ("", ""))
        value = data.get(field.name)
        label = _label(field.name)
        item = _item(bare)
        if item is not None and is_dataclass(item):
            rows = value if isinstance(value, list) else []
            groups = tuple(
                Group(
                    f"{name}[{k}]",
                    f"{_one(label)} {k + 1}",
                    "",
                    _parts(item, row if isinstance(row, Mapping) else {}, f"{name}[{k}]", hints, said),
                    said.get(f"{name}[{k}]", ""),
                )
                for k, row in enumerate(rows)
            )
            made.append(Rows(name, label, _one(label).lower(), words, groups, said.get(name, "")))
        elif is_dataclass(bare):
            inner = _parts(bare, value if isinstance(value, Mapping) else {}, name, hints, said)
            if optional or not needed:
                inner = tuple(replace(p, required=False) if isinstance(p, Entry) else p for p in inner)
            made.append(Group(name, label, words, inner, said.get(name, "")))
        else:
            default = "" if needed or field.default in (None, MISSING) else field.default
            # a fault of one word in a list of words is the field's
            problem = said.get(name) or next((v for k, v in said.items() if k.startswith((f"{name}[", f"{name}."))), "")
            made.append(_entry(name, field.name, bare, value, default, words, example, needed, problem))
    return tuple(made)


def _entry(
    key: str,
    name: str,
    bare: Any,
    value: Any,
    default: Any,
    words: str,
    example: str,
    needed: bool,
    problem: str,
) -> Entry:
    shown = _shown(default if value is None else value)
    hint = words
    if example and get_origin(bare) is not Literal and bare is not bool:
        hint = f"{words} For example {example.strip(chr(34))}." if words else f"For example {example}."
    if get_origin(bare) is Literal:
        options = tuple((str(o), str(o).replace("-", " ")) for o in get_args(bare))
        if default == "" and not needed:
            options = (("", "not stated"), *options)
        elif not shown:
            options = (("", "choose"), *options)
        return Entry(key, _label(name), words, "choice", shown, options, needed, problem)
    if bare is bool:
        options = (("false", "no"), ("true", "yes"))
        return Entry(key, _label(name), words, "choice", shown or "false", options, needed, problem)
    kind = "number" if bare in (float, int) else "words" if name in ("note", "summary", "words") else "text"
    return Entry(key, _label(name), hint, kind, shown, (), needed, problem)


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return pairs_text(value)
    if isinstance(value, (list, tuple)):
        return ", ".join(_shown(item) for item in value)
    if isinstance(value, float):
        return f"{value:.15g}"
    return "" if value is None else str(value)


def _label(name: str) -> str:
    words = name.split("_")
    unit = _UNITS.get(words[-1], "") if len(words) > 1 else ""
    text = " ".join(words[:-1] if unit else words)
    return f"{text[:1].upper()}{text[1:]}{f' [{unit}]' if unit else ''}"


def _one(label: str) -> str:
    """A list's label in the singular."""
    return "Line of the sharing table" if label == "Sharing" else label.removesuffix("s")


# Reading


def _read(cls: Any, pairs: Mapping[str, str], key: str, before: Any, *, always: bool = False) -> dict[str, Any] | None:
    """Data of a dataclass; `None` where nothing but ready-made choices was filled in."""
    types_of = get_type_hints(cls, include_extras=True)
    data: dict[str, Any] = {}
    filled = False
    for field in fields(cls):
        name = f"{key}.{field.name}" if key else field.name
        bare, optional = _bare(types_of[field.name])
        needed = field.default is MISSING and field.default_factory is MISSING
        item = _item(bare)
        if item is not None and is_dataclass(item):
            count = max((_index(k, name) + 1 for k in pairs), default=0)
            earlier = _at(before, field.name)
            rows = [
                _read(item, pairs, f"{name}[{k}]", _at(earlier, k)) or {}
                for k in range(count)
                if f"{name}[{k}]" in pairs
            ]
            if rows or needed:
                data[field.name] = rows
            filled = filled or bool(rows)
        elif is_dataclass(bare):
            inner = _read(bare, pairs, name, _at(before, field.name), always=needed and not optional)
            if inner is not None:
                data[field.name] = inner
                filled = True
        elif name in pairs:
            text = pairs[name].strip() if field.name != "words" else pairs[name].strip("\r\n ")
            choice = get_origin(bare) is Literal or bare is bool
            default = "" if needed or field.default in (None, MISSING) else _shown(field.default)
            if text == default and not needed:
                if _at(before, field.name) is not None and _shown(_at(before, field.name)) == text:
                    data[field.name] = _value(bare, text)
                continue
            if text or (needed and bare is str) or (not needed and default):
                data[field.name] = _value(bare, text)
            filled = filled or (bool(text) and not choice)
    return data if filled or always or not key or key in pairs else None


def _at(data: Any, step: str | int) -> Any:
    """What stands at one step in data; `None` where nothing does."""
    if isinstance(data, Mapping):
        return data.get(str(step))
    if isinstance(data, list) and isinstance(step, int) and step < len(data):
        return data[step]
    return None


def _value(bare: Any, text: str) -> Any:
    item = _item(bare)
    if item is not None:
        kind = _bare(item)[0]
        return [_value(kind, part.strip()) for part in text.split(",") if part.strip()]
    if get_origin(bare) is dict:
        pairs = [part.partition("=") for part in text.split(",") if part.strip()]
        return {k.strip(): scalar_of(v.strip()) for k, _, v in pairs} if all(e for _, e, _ in pairs) else text
    if bare is bool:
        return {"true": True, "false": False}.get(text, text)
    if bare in (float, int):
        try:
            number = float(text)
        except ValueError:
            return text
        finite = number == number and abs(number) != float("inf")  # noqa: PLR0124 - NaN
        return (int(text) if bare is int and text.lstrip("+-").isdigit() else number) if finite else text
    return text.replace("\r\n", "\n")


def _index(key: str, name: str) -> int:
    """Place of the list item that a key stands in; -1 when it stands elsewhere."""
    match = re.match(r"\[(\d{1,4})\]", key[len(name) :]) if key.startswith(f"{name}[") else None
    return min(int(match[1]), _MOST - 1) if match else -1


def _bare(wanted: Any) -> tuple[Any, bool]:
    """A type without its marks, and whether it may be `None`."""
    optional = False
    while True:
        if get_origin(wanted) is Annotated:
            wanted = get_args(wanted)[0]
        elif get_origin(wanted) in (Union, types.UnionType) and type(None) in get_args(wanted):
            left = tuple(option for option in get_args(wanted) if option is not type(None))
            wanted, optional = Union[left], True  # noqa: UP007 - made at run time
        else:
            return wanted, optional


def _item(bare: Any) -> Any:
    """Type of the items of a tuple type; `None` for another."""
    return _bare(get_args(bare)[0])[0] if get_origin(bare) is tuple else None
