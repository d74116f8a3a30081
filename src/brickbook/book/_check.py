"""From TOML text to the dataclasses of core, with every fault of a file found at once.

The dataclasses carry their limits as `annotated_types` marks. Pydantic checks against them in its strict JSON mode:
lists become tuples, a whole number may stand for a float, nothing else is converted. What pydantic finds is told in
the book's own words, made from the field's type, so that a message always says what was found and what was expected.
"""

from __future__ import annotations

import difflib
import functools
import json
import math
import re
import tomllib
import types
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime, time
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from annotated_types import Ge, Gt, Le, Lt, MinLen
from pydantic import ConfigDict, GetCoreSchemaHandler, TypeAdapter, ValidationError
from pydantic_core import CoreSchema, core_schema

from brickbook.book._locate import KeyPath, key_text, line_of, locate
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.documents import toml_of
from brickbook.core.errors import BookError, Fault

__all__ = ["Format", "TomlText", "as_conditions", "day", "load", "moment", "parse"]

T = TypeVar("T")

_CONFIG = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
_POSITION = re.compile(
    r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.DOTALL
)


class _AsConditions:
    """Mark of a field of type `Conditions` that is a table of text, numbers and true/false in the file."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(Conditions.of, handler.generate_schema(dict[str, Scalar]))


as_conditions = _AsConditions()


@dataclass(frozen=True, slots=True)
class Format:
    """How the text of a key must look: `fits` tells, `expected` says it in words."""

    fits: Callable[[str], bool]
    expected: str


@dataclass(frozen=True, slots=True)
class TomlText:
    """A TOML file, parsed: name as the user knows it, text, data with dates as ISO 8601 text, line of each key."""

    file: str
    text: str
    data: dict[str, Any]
    lines: dict[KeyPath, int]

    def fault(self, path: KeyPath, problem: str, remedy: str = "") -> Fault:
        """A fault at a key, with the key's line or that of the table around it."""
        line, key = line_of(self.lines, path), key_text(path)
        place = ", ".join(part for part in (f"line {line}" if line else "", key) if part)
        return Fault(self.file, place, problem, remedy)


def _is_day(text: str) -> bool:
    try:
        return len(text) == 10 and bool(date.fromisoformat(text))
    except ValueError:
        return False


def _is_moment(text: str) -> bool:
    try:
        return _is_day(text) or (len(text) >= 16 and text[10] == "T" and bool(datetime.fromisoformat(text)))
    except ValueError:
        return False


day = Format(_is_day, 'a date such as "2026-10-03"')
moment = Format(_is_moment, 'a date and time such as "2026-10-03T10:22:00", or a date')


def parse(file: str, text: str) -> TomlText:
    """TOML text as data.

    Raises
    ------
    BookError
        When it is not TOML: line and column are named.
    """
    try:
        data = toml_of(text)
    except tomllib.TOMLDecodeError as error:
        match = _POSITION.match(str(error))
        what = match["what"] if match else str(error)
        if match and match["line"]:
            place = f"line {match['line']}, column {match['column']}"
        else:
            place = f"line {text.count(chr(10)) + 1}"
        problem = f"is not valid TOML: {what[:1].lower()}{what[1:]}."
        raise BookError(Fault(file, place, problem, "Correct the line, or the one before it.")) from error
    try:
        return TomlText(file, text, _plain(data), locate(text))
    except RecursionError:
        raise BookError(Fault(file, "", "is nested too deep.", "Write it flatter.")) from None


def load(cls: type[T], toml: TomlText, formats: Mapping[str, Format] | None = None) -> T:
    """The data of a file as an instance of a dataclass.

    Parameters
    ----------
    cls
        Dataclass the whole file stands for.
    toml
        The parsed file.
    formats
        Field name to the look its text must have; empty text is left to the field's own limits.

    Raises
    ------
    BookError
        With all faults of the file, in the order of its lines.
    """
    found = list(_format_faults(cls, toml, formats or {}))
    result: T | None = None
    kind: Any = cls
    try:
        result = _adapter(kind).validate_json(json.dumps([toml.data]))[0]
    except ValidationError as error:
        found += _pydantic_faults(cls, toml, error)
    if found or result is None:
        ordered = sorted(found, key=lambda item: (line_of(toml.lines, item[0]) or 0, key_text(item[0])))
        raise BookError(*(fault for _, fault in ordered))
    return result


@functools.cache
def _adapter(cls: Any) -> TypeAdapter[Any]:
    # a config is accepted for a tuple, not for a standard library dataclass, and handed on to what is inside
    return TypeAdapter(tuple[cls], config=_CONFIG)


def _plain(value: Any) -> Any:
    """TOML data with dates and times as ISO 8601 text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if isinstance(value, (date, datetime, time)):
        return value.isoformat()
    return value


def _format_faults(cls: type, toml: TomlText, formats: Mapping[str, Format]) -> Iterator[tuple[KeyPath, Fault]]:
    for path, value in _leaves(toml.data, ()):
        wanted = formats.get(str(path[-1]))
        if wanted is None or not isinstance(value, str) or not value or wanted.fits(value):
            continue
        if is_dataclass(_bare(_type_at(cls, path[:-1]))[0]):
            yield path, toml.fault(path, f"expected {wanted.expected}, found {_shown(value)}.", "Correct the value.")


def _leaves(value: Any, path: KeyPath) -> Iterator[tuple[KeyPath, Any]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _leaves(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _leaves(item, (*path, index))
    else:
        yield path, value


def _pydantic_faults(cls: type, toml: TomlText, error: ValidationError) -> Iterator[tuple[KeyPath, Fault]]:
    items = error.errors(include_url=False)
    meant = {_meant(cls, tuple(item["loc"][1:])) for item in items if item["type"] == "unexpected_keyword_argument"}
    seen: set[KeyPath] = set()
    for item in items:
        kind = item["type"]
        path = tuple(item["loc"][1:])
        if kind not in ("missing", "unexpected_keyword_argument"):
            path, value = _follow(toml.data, path)
            if kind == "too_short" and len(value) > 0:
                continue  # it had items; pydantic counts those that were right, and the others are reported
        if path in seen or (kind == "missing" and path in meant):
            continue
        seen.add(path)
        yield path, _told(cls, toml, path, item)


def _told(cls: type, toml: TomlText, path: KeyPath, item: Any) -> Fault:
    wanted = _type_at(cls, path)
    if item["type"] == "missing":
        return toml.fault(path, f"is missing; expected {_expected(wanted)}.", "Add the key.")
    if item["type"] == "unexpected_keyword_argument":
        owner = _bare(_type_at(cls, path[:-1]))[0]
        known = [field.name for field in fields(owner)]
        return toml.fault(path, "is not a known key.", _hint(str(path[-1]), known, "Known keys"))
    _, value = _follow(toml.data, path)
    if item["type"] == "value_error":
        return toml.fault(path, f"{item['ctx']['error']}.", "Correct this table." if path else "Correct the file.")
    return toml.fault(path, f"expected {_expected(wanted)}, found {_shown(value)}.", _remedy(wanted, value))


def _meant(cls: type, path: KeyPath) -> KeyPath:
    """The key that an unknown key was probably meant to be: it is not reported as missing as well."""
    known = [field.name for field in fields(_bare(_type_at(cls, path[:-1]))[0])]
    return (*path[:-1], *difflib.get_close_matches(str(path[-1]), known, n=1))


def _hint(word: str, known: list[str], label: str) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f'Did you mean "{near[0]}"?' if near else f"{label}: {', '.join(known)}."


def _follow(data: Any, path: KeyPath) -> tuple[KeyPath, Any]:
    """The part of a path that is in the data, and the value there; pydantic adds names of union members after it."""
    for index, part in enumerate(path):
        if isinstance(data, dict) and part in data:
            data = data[str(part)]
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return path[:index], data
    return path, data


def _type_at(cls: Any, path: KeyPath) -> Any:
    """Type of what stands at a key path of a dataclass; `None` where the path leaves it."""
    current = cls
    for part in path:
        bare, _ = _bare(current)
        if is_dataclass(bare) and bare is not Conditions:
            current = get_type_hints(bare, include_extras=True).get(str(part))
        elif get_origin(bare) is tuple:
            current = get_args(bare)[0]
        elif get_origin(bare) is dict:
            current = get_args(bare)[1]
        else:
            return Scalar if bare is Conditions else None
    return current


def _bare(wanted: Any) -> tuple[Any, tuple[Any, ...]]:
    """A type without its marks and without "or None", and the marks."""
    marks: tuple[Any, ...] = ()
    while True:
        if get_origin(wanted) is Annotated:
            wanted, *more = get_args(wanted)
            marks = (*marks, *more)
        elif get_origin(wanted) in (Union, types.UnionType) and type(None) in get_args(wanted):
            left = tuple(option for option in get_args(wanted) if option is not type(None))
            wanted = Union[left]  # noqa: UP007 - made at run time
        else:
            return wanted, marks


def _expected(wanted: Any) -> str:
    """What a field wants, in words."""
    bare, marks = _bare(wanted)
    some = any(isinstance(mark, MinLen) and mark.min_length > 0 for mark in marks)
    if get_origin(bare) is Literal:
        *options, last = [f'"{option}"' for option in get_args(bare)]
        return f"{', '.join(options)} or {last}" if options else last
    if get_origin(bare) is tuple:
        item, _ = _bare(get_args(bare)[0])
        many = "texts in quotes" if item is str else "numbers" if item in (float, int) else "tables"
        return f"a list of {many}{', at least one' if some else ''}"
    if bare is str:
        return "text in quotes, not empty" if some else "text in quotes"
    if bare is bool:
        return "true or false"
    if bare in (float, int):
        return f"a {'whole ' if bare is int else ''}number{_bounds(marks)}"
    if get_origin(bare) in (Union, types.UnionType):
        return "text in quotes, a number, true or false"
    return "a table"


def _bounds(marks: tuple[Any, ...]) -> str:
    words = {Gt: ("above", "gt"), Ge: ("of at least", "ge"), Lt: ("below", "lt"), Le: ("at most", "le")}
    told = []
    for mark in marks:
        if type(mark) in words:
            word, attribute = words[type(mark)]
            told.append(f"{word} {getattr(mark, attribute):g}")
    return f" {' and '.join(told)}" if told else ""


def _shown(value: Any) -> str:
    """What was found, in a few words."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        if not value:
            return "empty text"
        short = value if len(value) <= 60 else f"{value[:57]}..."
        return f"the text {json.dumps(short, ensure_ascii=False)}"
    return repr(value)


def _remedy(wanted: Any, value: Any) -> str:
    bare, _ = _bare(wanted)
    if value in ("", []):
        return "Fill it in."
    if isinstance(value, float) and not math.isfinite(value):
        return "Write a finite number, or leave the key out when it is not known."
    if bare in (float, int) and isinstance(value, str) and re.fullmatch(r"[-+]?\d+(\.\d+)?", value):
        return "Write the number without quotes."
    if bare is str and isinstance(value, (int, float)):
        return "Put it in quotes."
    if get_origin(bare) is Literal and isinstance(value, str):
        near = difflib.get_close_matches(value, [str(option) for option in get_args(bare)], n=1)
        if near:
            return f'Did you mean "{near[0]}"?'
    if get_origin(bare) is tuple and isinstance(value, dict):
        return "Write its name in double square brackets, or put it in square brackets."
    if get_origin(bare) is tuple:
        return "Put it in square brackets."
    return "Correct the value."
