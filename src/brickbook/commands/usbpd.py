"""`brickbook usbpd`: words of a Source_Capabilities message in plain language."""

from __future__ import annotations

import sys
from typing import Annotated, Any

from cyclopts import Parameter
from rich.table import Table

from brickbook.commands.common import JsonOption, console, print_json
from brickbook.core.errors import Fault, ReadError
from brickbook.usbpd import WordError, describe_words, parse_words

__all__ = ["usbpd"]


def usbpd(
    *words: Annotated[str, Parameter(help="32-bit words in hexadecimal; none: read standard input.")],
    json: JsonOption = False,
) -> int:
    """Decode source power data objects given as hexadecimal words.

    The position in the list is the object position. Reserved bits are shown, not dropped.
    """
    text = " ".join(words) if words else sys.stdin.read()
    try:
        described = describe_words(parse_words(text))
    except WordError as error:
        where = "words" if words else "standard input"
        raise ReadError(Fault(where, "", str(error))) from error
    if json:
        print_json({"words": described})
        return 0
    table = Table("Position", "Word", "Kind", "Voltage", "Current", "Power", "Flags")
    for position, word in enumerate(described, 1):
        table.add_row(
            str(position),
            word["raw"],
            str(word["kind"]).replace("_", " "),
            _range(word["min_v"], word["max_v"]),
            _number(word["max_a"], "A"),
            _number(word["max_w"], "W"),
            ", ".join(_flag(k, v) for k, v in word["flags"].items() if v),
        )
    console().print(table)
    return 0


def _range(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return ""
    return f"{low:g} V" if low == high else f"{low:g} to {high:g} V"


def _number(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:g} {unit}"


def _flag(name: str, value: Any) -> str:
    words = name.replace("_", " ")
    return words if value is True else f"{words} {value:g}"
