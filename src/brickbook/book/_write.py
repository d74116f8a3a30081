"""Dataclasses as TOML text, and edits of people's TOML that leave their comments and order alone."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import Any

import tomlkit

from brickbook.book._check import parse
from brickbook.book._locate import KeyPath
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BookError, Fault

__all__ = ["inline", "key_path", "table_text", "verified", "with_item", "with_value"]

_STEP = re.compile(r'(?:^|\.)(?:([A-Za-z0-9_-]+)|"([^"\\]+)")|\[(\d+)\]')


def inline(value: Any) -> str:
    """A value as TOML on one line; dataclasses and mappings become inline tables without what is at its default."""
    if is_dataclass(value) and not isinstance(value, (type, Conditions)):
        value = given(value)
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_key(key)} = {inline(item)}" for key, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(inline(item) for item in value)}]"
    return str(tomlkit.item(value).as_string())


def given(item: Any) -> dict[str, Any]:
    """Fields of a dataclass that are not at their default, in order."""
    return {f.name: getattr(item, f.name) for f in fields(item) if getattr(item, f.name) != _default(f)}


def table_text(header: str, item: Any) -> str:
    """A dataclass as a table under a header such as "[[shape]]"; lists of tables get one line for each."""
    lines = [header]
    for key, value in given(item).items():
        if isinstance(value, tuple) and value and is_dataclass(value[0]):
            lines.append(f"{_key(key)} = [")
            lines += [f"  {inline(entry)}," for entry in value]
            lines.append("]")
        else:
            lines.append(f"{_key(key)} = {inline(value)}")
    return "\n".join(lines) + "\n"


def key_path(file: str, key: str) -> KeyPath:
    """`ports[1].outputs[0].current_a` as a path; raises `BookError` when it is not one."""
    path: list[str | int] = []
    at = 0
    while at < len(key):
        match = _STEP.match(key, at)
        if match is None or (at == 0 and match[3] is not None):
            raise BookError(Fault(file, key, "is not a key.", 'Write it as in "ports[0].outputs[1].current_a".'))
        path.append(int(match[3]) if match[3] is not None else match[1] or match[2])
        at = match.end()
    if not path:
        raise BookError(Fault(file, "", "the key to set is empty.", 'Write it as in "price.amount".'))
    return tuple(path)


def with_value(file: str, text: str, key: str, value: Any) -> str:
    """The text with one value set; a last key that is not there is added to its table.

    Raises
    ------
    BookError
        When the key's table or list item is not there, or the text cannot be edited without touching something else.
    """
    path = key_path(file, key)
    mark, body = ("\ufeff", text[1:]) if text.startswith("\ufeff") else ("", text)
    parse(file, text)
    wanted, document = tomllib.loads(body), tomlkit.parse(body)
    if not (_set(wanted, path, value) and _set(document, path, value)):
        raise BookError(Fault(file, key, "is not there to be set.", "Add its table to the file first."))
    return mark + verified(file, tomlkit.dumps(document), wanted)


def _set(root: Any, path: KeyPath, value: Any) -> bool:
    """Set a value in nested tables and lists; `False` when its place is not there. List items are never added."""
    try:
        place = root
        for step in path[:-1]:
            place = place[step]
        last = path[-1]
        if isinstance(last, int):
            place[last]  # raises when there is no such item
        elif not isinstance(place, Mapping) or (last not in place and isinstance(value, (list, Mapping))):
            return False
        place[last] = value
    except (KeyError, IndexError, TypeError):
        return False
    return True


def with_item(file: str, text: str, name: str, place: int | None, block: str) -> str:
    """The text with a `[[name]]` table replaced (place) or added at the end (`None`)."""
    mark, text = ("\ufeff", text[1:]) if text.startswith("\ufeff") else ("", text)
    end = "\r\n" if "\r\n" in text else "\n"
    item = tomllib.loads(block)[name][0]
    wanted = tomllib.loads(text)
    if place is None:
        wanted.setdefault(name, []).append(item)
        gap = "" if not text else end if text.endswith("\n") else end * 2
        return mark + verified(file, f"{text}{gap}{block.replace(chr(10), end)}", wanted)
    wanted[name][place] = item
    document = tomlkit.parse(text)
    table: Any = document[name][place]
    new: Any = tomlkit.parse(block)[name][0]
    for key in [key for key in table if key not in new]:
        del table[key]
    for key in new:
        if key not in table or table[key] != new[key]:
            table[key] = new[key]
    return mark + verified(file, tomlkit.dumps(document), wanted)


def verified(file: str, text: str, wanted: Mapping[str, Any]) -> str:
    """The edited text, once it has been shown to hold what was wanted and nothing else."""
    try:
        right = tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        problem = "cannot be edited without changing something else."
        raise BookError(Fault(file, "", problem, "Make this change in an editor."))
    return text


def _default(field: Field[Any]) -> Any:
    if field.default is not MISSING:
        return field.default
    return field.default_factory() if field.default_factory is not MISSING else MISSING


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else tomlkit.item(key).as_string()
