"""TOML and JSON from anywhere: whatever is wrong with the text is one error, never one of the machine underneath."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

__all__ = ["json_of", "toml_of"]

_DEEPEST = 60
_DOTTED = re.compile(r"(?<![\w-])(?:[\w-]+\.){61}", re.ASCII)


def toml_of(text: str) -> dict[str, Any]:
    """The content of a TOML text; a byte order mark at its start is passed over.

    Raises
    ------
    tomllib.TOMLDecodeError
        Whatever is wrong with it: also when it is nested deeper than the interpreter goes, and when a whole number has
        more digits than it takes.
    """
    if _DOTTED.search(text):  # the parser takes time with the square of the parts of a key
        raise tomllib.TOMLDecodeError("it has a key of more than 60 parts")
    try:
        found = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("it is nested too deep") from None
    except ValueError as error:  # of int() and of dates
        raise tomllib.TOMLDecodeError(str(error).partition(";")[0]) from None
    todo: list[tuple[Any, int]] = [(found, 0)]
    while todo:
        one, depth = todo.pop()
        if depth > _DEEPEST:  # a key with thousands of dots: what looks at the tables goes down step by step
            raise tomllib.TOMLDecodeError("it is nested too deep")
        inside = one.values() if isinstance(one, dict) else one
        todo += [(each, depth + 1) for each in inside if isinstance(each, (dict, list))]
    return found


def json_of(text: str | bytes) -> Any:
    """The content of a JSON text.

    Raises
    ------
    ValueError
        Whatever is wrong with it: also when it is not UTF-8, or is nested deeper than the interpreter goes.
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deep") from None
