"""Rules from TOML text, with faults that name the file, the line where it can be found, and the key."""

from __future__ import annotations

import difflib
import importlib.resources
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from brickbook.core.documents import toml_of
from brickbook.core.errors import BookError, Fault
from brickbook.rules.model import Limit, Rule
from brickbook.rules.rows import Band, Harmonic, Supply

__all__ = ["load_rules", "parse_rules"]

_ADAPTER: TypeAdapter[Rule] = TypeAdapter(Rule)
_OPINION = ("conclusion", "buyer")  # of a house-rules.toml, read where conclusions are drawn
_Place = tuple[str | int, ...]
_SHARED = (
    "title", "market", "edition", "applies_from", "until", "status", "mains", "procedures", "usb_pd_window_v", "mark",
)  # fmt: skip


def parse_rules(text: str, file: str, origin: Literal["standard", "house"] = "standard") -> tuple[Rule, ...]:
    """Rules written as TOML.

    Parameters
    ----------
    text
        Content of the file: any number of `[[rule]]` tables, each with `[[rule.limit]]` tables.
    file
        Its name, for the faults.
    origin
        "standard" for published texts, "house" for the tester's own, where market, edition and source may be left
        out, and a limit may have `weight` and `why`.

    Raises
    ------
    BookError
        With every fault found.
    """
    try:
        data = toml_of(text)
    except tomllib.TOMLDecodeError as error:
        raise BookError(_syntax_fault(str(error), file)) from error
    lines = _lines(text)
    faults = [
        Fault(file, _where((key,), lines), f"unknown key {key!r}: the file holds [[rule]] tables.", "Write [[rule]].")
        for key in data
        if key != "rule" and not (origin == "house" and key in _OPINION)
    ]
    tables = data.get("rule", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        faults.append(Fault(file, _where(("rule",), lines), "rule must be a list of tables.", "Write [[rule]]."))
        tables = []
    rules: list[Rule] = []
    for index, table in enumerate(tables):
        result = _rule(table, origin)
        if isinstance(result, Rule):
            rules.append(result)
        else:
            faults += [_fault(detail, index, table, file, lines) for detail in result]
    faults += _repeats(rules, file, lines)
    if faults:
        raise BookError(*faults)
    return tuple(rules)


def load_rules(packages: Sequence[str]) -> tuple[Rule, ...]:
    """Rules of the `rules.toml` inside each package; a package without one has none.

    A text that speaks of figures of several studies stands in each study's file with its own limits; what is said of
    the text itself must be the same in each.

    Raises
    ------
    ModuleNotFoundError
        When there is no such package.
    BookError
        When a file is wrong, or two files describe one rule differently.
    """
    gathered: list[Rule] = []
    for package in packages:
        resource = importlib.resources.files(package).joinpath("rules.toml")
        if resource.is_file():
            name = f"{package.rpartition('.')[2]}/rules.toml"
            gathered += _agreeing(parse_rules(resource.read_text(encoding="utf-8"), name), gathered, name)
    return tuple(gathered)


def _agreeing(new: tuple[Rule, ...], known: Sequence[Rule], file: str) -> tuple[Rule, ...]:
    by_id = {rule.id: rule for rule in known}
    faults = [
        Fault(
            file,
            f"rule {rule.id}",
            f"{key} is {getattr(rule, key)!r} here and {getattr(by_id[rule.id], key)!r} elsewhere",
        )
        for rule in new
        if rule.id in by_id
        for key in _SHARED
        if getattr(rule, key) != getattr(by_id[rule.id], key)
    ]
    if faults:
        raise BookError(*faults)
    return new


def _rule(table: Mapping[str, Any], origin: str) -> Rule | list[ErrorDetails]:
    """One rule, or what is wrong with it."""
    if "origin" in table or "limits" in table:
        bad = "origin" if "origin" in table else "limits"
        return [_detail("extra_forbidden", (bad,), "")]
    content = {("limits" if key == "limit" else key): value for key, value in table.items()}
    # by way of JSON: there a strict adapter takes a table for a dataclass and a list for a tuple, and nothing else
    written = json.dumps({**content, "origin": origin}, default=str)
    try:
        return _ADAPTER.validate_json(written)
    except ValidationError as error:
        return error.errors(include_url=False)


def _detail(kind: str, loc: _Place, message: str) -> ErrorDetails:
    return {"type": kind, "loc": loc, "msg": message, "input": None}


def _repeats(rules: Sequence[Rule], file: str, lines: Mapping[_Place, int]) -> list[Fault]:
    seen: set[str] = set()
    faults = []
    for index, rule in enumerate(rules):
        if rule.id in seen:
            faults.append(Fault(file, _where(("rule", index, "id"), lines), f"rule id {rule.id!r} is used twice"))
        seen.add(rule.id)
    return faults


# --- faults ---------------------------------------------------------------------------------------------------------

_EXPECTED = {
    "string_type": "a text in quotes",
    "float_type": "a number",
    "int_type": "a whole number",
    "tuple_type": "a list",
    "dict_type": "a table",
    "dataclass_type": "a table",
    "dataclass_exact_type": "a table",
    "bool_type": "true or false",
}
_KEYS_AT = {"rule": Rule, "limit": Limit, "mains": Supply, "bands": Band, "harmonics": Harmonic}


def _fault(detail: ErrorDetails, index: int, table: Mapping[str, Any], file: str, lines: Mapping[_Place, int]) -> Fault:
    kind, inner = detail["type"], tuple(part for part in detail["loc"] if part != "[key]")
    if inner[:1] == ("limits",) and not (len(inner) == 1 and kind == "extra_forbidden"):
        inner = ("limit", *inner[1:])  # the file's word for it
    place: _Place = ("rule", index, *inner)
    key = str(place[-1])
    where = _where(place, lines, str(table.get("id", "")))
    if kind == "missing":
        return Fault(file, _where(place[:-1], lines, str(table.get("id", ""))), f"key {key!r} is missing")
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        near = difflib.get_close_matches(key, _known_keys(place), n=1)
        return Fault(file, where, f"unknown key {key!r}.", f"Did you mean {near[0]!r}?" if near else "Take it out.")
    if kind == "value_error":
        return Fault(file, where, detail["msg"].removeprefix("Value error, "))
    found = _found(detail["input"])
    if kind == "literal_error":
        return Fault(file, where, f"expected {detail['ctx']['expected']}, found {found}")
    if kind in _EXPECTED:
        return Fault(file, where, f"expected {_EXPECTED[kind]}, found {found}")
    return Fault(file, where, f"{detail['msg'][0].lower()}{detail['msg'][1:]}, found {found}")


def _known_keys(place: _Place) -> tuple[str, ...]:
    level = next((part for part in reversed(place[:-1]) if isinstance(part, str) and part in _KEYS_AT), "rule")
    names = [item.name for item in fields(_KEYS_AT[level])]
    return tuple("limit" if name == "limits" else name for name in names if name != "origin")


def _found(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value) if isinstance(value, str | int | float) else f"{type(value).__name__} {value}"


def _syntax_fault(message: str, file: str) -> Fault:
    match = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    if match is None:
        return Fault(file, "", f"not valid TOML: {message}")
    return Fault(file, f"line {match[1]}", f"not valid TOML: {message[: match.start()]} (column {match[2]})")


def _where(place: _Place, lines: Mapping[_Place, int], rule_id: str = "") -> str:
    """'line 12, rule[0].limit[1].sense (rule-id)', the line being that of the innermost part that has one."""
    words = ""
    for part in place:
        words += f"[{part}]" if isinstance(part, int) else (f".{part}" if words else part)
    if rule_id:
        words += f" ({rule_id})"
    line = next((lines[place[:n]] for n in range(len(place), 0, -1) if place[:n] in lines), None)
    return words if line is None else f"line {line}, {words}"


_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-]+)\s*\]")
_KEY = re.compile(r'^\s*"?([A-Za-z0-9_\-]+)"?\s*=')


def _lines(text: str) -> dict[_Place, int]:
    """Line of each table header, key, and of each row of a list that starts on a line of its own.

    Written for the layout the documents show; a file laid out otherwise is read all the same and its faults name a
    line further out.
    """
    found: dict[_Place, int] = {}
    counts: dict[_Place, int] = {}
    table: _Place = ()
    inside: _Place = ()
    row = -1
    for number, line in enumerate(text.splitlines(), start=1):
        if inside:
            stripped = line.strip()
            if stripped.startswith("{"):
                row += 1
                found[(*inside, row)] = number
            if stripped.startswith("]"):
                inside = ()
            continue
        header = _HEADER.match(line)
        if header is not None:
            table = _table_of(header[2].split("."), counts, repeated=header[1] == "[[")
            found[table] = number
            if isinstance(table[-1], int):
                found.setdefault(table[:-1], number)
            continue
        key = _KEY.match(line)
        if key is not None:
            place = (*table, key[1])
            found.setdefault(place, number)
            if line.rstrip().endswith("["):
                inside, row = place, -1
    return found


def _table_of(parts: list[str], counts: dict[_Place, int], *, repeated: bool) -> _Place:
    path: _Place = ()
    for depth, part in enumerate(parts):
        path = (*path, part)
        last = depth == len(parts) - 1
        if repeated and last:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path
