"""Conditions and sources of uncertainty as a reader would say them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from brickbook.core.conditions import Conditions, Scalar, describe_condition
from brickbook.core.quantities import QUANTITIES
from brickbook.publish.looks import minus_signs
from brickbook.publish.numbers import unit_text

__all__ = ["conditions_text", "shared_conditions", "source_text"]

_SPACE = "\N{NO-BREAK SPACE}"
_PROCEDURES = {
    "us-appendix-z": "procedure of 10 CFR 430 Appendix Z",
    "eu-2025-2052": "procedure of Regulation (EU) 2025/2052",
}
_SITUATIONS = {"bare": "nothing plugged in", "cable": "cable only", "adapter": "cable and adapter"}


def _number(value: Scalar) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) and not isinstance(value, bool) else str(value)


_SAID: dict[str, Callable[[Scalar], str]] = {
    "mains_v": lambda v: f"{_number(v)}{_SPACE}V",
    "port": lambda v: f"port{_SPACE}{v}",
    "ports": lambda v: f"ports {str(v).replace('+', ' + ')}" if "+" in str(v) else f"port{_SPACE}{v}",
    "contract": lambda v: f"{v} contract",
    "load_ratio": lambda v: f"{100 * float(v):.4g}{_SPACE}% load" if isinstance(v, (int, float)) else f"load {v}",
    "load_a": lambda v: f"{_number(v)}{_SPACE}A load",
    "output_v": lambda v: f"{_number(v)}{_SPACE}V out",
    "situation": lambda v: _SITUATIONS.get(str(v), str(v)),
    "measured_at": lambda v: f"at the {v}",
    "procedure": lambda v: _PROCEDURES.get(str(v), f"procedure {v}"),
}
_ORDER = (*_SAID, "ambient_c")


def conditions_text(conditions: Mapping[str, Scalar]) -> str:
    """Conditions in one line, supply first: "230 V 50 Hz, port C1, 20 V contract, 50 % load"."""
    said_in_contract = _names_ports(conditions)
    left_out = ("mains_hz", "ports") if said_in_contract else ("mains_hz",)
    keys = sorted((k for k in conditions if k not in left_out), key=lambda k: _ORDER.index(k) if k in _ORDER else 99)
    parts = []
    for key in keys:
        said = _SAID[key](conditions[key]) if key in _SAID else describe_condition(key, conditions[key])
        if key == "contract" and said_in_contract:
            said = str(conditions[key])
        if key == "mains_v" and "mains_hz" in conditions:
            said += f"{_SPACE}{_number(conditions['mains_hz'])}{_SPACE}Hz"
        parts.append(said)
    if "mains_hz" in conditions and "mains_v" not in conditions:
        parts.insert(0, describe_condition("mains_hz", conditions["mains_hz"]))
    return minus_signs(", ".join(parts))


def _names_ports(conditions: Mapping[str, Scalar]) -> bool:
    """Whether the contract names the ports already: "C1 20 V + A1 5 V"."""
    ports, contract = str(conditions.get("ports", "")), str(conditions.get("contract", ""))
    return "+" in ports and all(f"{port} " in contract for port in ports.split("+"))


def shared_conditions(many: Sequence[Conditions]) -> Conditions:
    """The conditions all have with equal value; none for fewer than two."""
    if len(many) < 2:
        return Conditions()
    first = many[0]
    same = {k: v for k, v in first.items() if all(k in other and other[k] == v for other in many[1:])}
    if ("mains_v" in same) != ("mains_hz" in same) and all("mains_hz" in c and "mains_v" in c for c in many):
        same.pop("mains_v", None)  # voltage and frequency are one thing to a reader
        same.pop("mains_hz", None)
    return Conditions.of(same)


_QUANTITY = re.compile(
    r"\b(" + "|".join(sorted(QUANTITIES, key=len, reverse=True)) + r")\b(?:@([\w-]+))?(?: (\d[\d.e+-]*)(?=,|$))?"
)


def source_text(source: str) -> str:
    """A source of uncertainty with the names of quantities in words: "wall-meter: mains power, range 150 W"."""

    def said(match: re.Match[str]) -> str:
        quantity = QUANTITIES[match.group(1)]
        channel = f" {match.group(2)}" if match.group(2) else ""
        unit = unit_text(quantity.unit)
        scale = f", range {match.group(3)}{_SPACE + unit if unit else ''}" if match.group(3) else ""
        return f"{quantity.label}{channel}{scale}"

    return _QUANTITY.sub(said, source)
