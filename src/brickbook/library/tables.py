"""Tables that a person wrote in TOML, as dataclasses; each fault with its key and what to do."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from brickbook.core.documents import toml_of
from brickbook.core.errors import BookError, Fault

__all__ = ["parse_toml", "read_table"]

_T = TypeVar("_T")


def parse_toml(text: str, file: str) -> dict[str, Any]:
    """The content of a TOML file; raises `BookError`."""
    try:
        return toml_of(text)
    except tomllib.TOMLDecodeError as error:
        raise BookError(Fault(file, "", f"is not valid TOML: {error}.")) from error


def read_table(kind: type[_T], data: dict[str, Any], file: str, classes: Sequence[Any]) -> _T:
    """A table as a dataclass.

    Parameters
    ----------
    kind
        The dataclass; its fields are the table's keys.
    data, file
        The table, and the name of its file.
    classes
        Dataclasses whose fields may be meant by an unknown key.

    Raises
    ------
    BookError
        With every fault of the table.
    """
    adapter: TypeAdapter[Any] = TypeAdapter(
        tuple[kind],  # type: ignore[valid-type]
        config=ConfigDict(strict=True, extra="forbid", allow_inf_nan=False),
    )
    try:
        # in JSON mode a list may stand for a tuple and a whole number for a float, and nothing else is converted
        found: _T = adapter.validate_json(json.dumps([data], default=str))[0]
    except ValidationError as error:
        details = error.errors(include_url=False)
        # pydantic also counts a list as too short when what is in it was wrong
        told = [d for d in details if d["type"] != "too_short"] or details
        raise BookError(*(_fault(file, data, detail, classes) for detail in told)) from error
    except ValueError as error:  # NaN and infinity are no JSON
        raise BookError(Fault(file, "", f"holds a number that is not finite: {error}.")) from error
    return found


def _fault(file: str, data: dict[str, Any], detail: Any, classes: Sequence[Any]) -> Fault:
    place = [part for part in detail["loc"][1:] if not isinstance(part, str) or "[" not in part]
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in place).lstrip(".")
    found: Any = data
    for part in place:
        try:
            found = found[part]
        except (KeyError, IndexError, TypeError):
            found = None
            break
    if detail["type"] == "unexpected_keyword_argument":
        word = str(place[-1])
        near = difflib.get_close_matches(word, [f.name for cls in classes for f in fields(cls)], n=1)
        return Fault(file, key, "is not a known key.", f"Did you mean {near[0]!r}?" if near else "Take it out.")
    if detail["type"] == "missing":
        return Fault(file, key, "is missing.", "Add the key.")
    if detail["type"] == "value_error":
        return Fault(file, key, f"{detail['ctx']['error']}.", "Correct this table.")
    message = str(detail["msg"])
    shown = "" if isinstance(found, (dict, list)) else f", found {found!r}"
    return Fault(file, key, f"{message[:1].lower()}{message[1:]}{shown}.", "Correct the value.")
