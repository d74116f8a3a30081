"""Like with like: which figures of different chargers may be set side by side.

Two figures are alike when they have the same study, name and unit and were taken the same way: same mains, procedure,
share of load, situation, place of measurement and voltage. What is a charger's own is left out: which port, its name,
its contract where the voltage is stated, its nameplate. A condition that is not known here counts as one that must be
equal, so that a new study's figures are never compared too freely.
"""

from __future__ import annotations

from collections.abc import Mapping

from brickbook.core.conditions import Conditions, Scalar, describe_condition
from brickbook.core.figure import Figure

__all__ = ["alike_conditions", "alike_text", "difference_in_words"]

# What belongs to the charger and not to the way it was measured.
_OWN = frozenset(
    (
        "contract",
        "input_w",
        "loading",
        "nameplate_a",
        "nameplate_v",
        "nameplate_w",
        "output_kind",
        "outputs",
        "port",
        "ports",
        "price_date",
    )
)
# The load of these is a result: where the departure was largest.
_LOAD_IS_RESULT = frozenset(("voltage_deviation_ratio", "worst_voltage_v"))


def alike_conditions(figure: Figure, port_count: int) -> Conditions:
    """The conditions that a figure of another charger must share.

    Parameters
    ----------
    figure
        The figure.
    port_count
        How many ports the charger has: "C1+C2" becomes "all ports" or "2 ports".
    """
    kept: dict[str, Scalar] = {k: v for k, v in figure.conditions.items() if k not in _OWN}
    if "load_a" in kept:
        if figure.name in _LOAD_IS_RESULT:
            del kept["load_a"]
        else:
            kept["load_a"] = round(figure.conditions.number("load_a"), 1)
    if "ports" in figure.conditions:
        loaded = len(str(figure.conditions["ports"]).split("+"))
        kept["loaded"] = "one port" if loaded == 1 else "all ports" if loaded == port_count else f"{loaded} ports"
    return Conditions.of(kept)


def alike_text(conditions: Mapping[str, Scalar]) -> str:
    """One text for equal conditions: "loaded=one port;mains_v=230"."""
    return ";".join(f"{k}={_plain(v)}" for k, v in sorted(conditions.items()))


def difference_in_words(one: Mapping[str, Scalar], other: Mapping[str, Scalar]) -> str:
    """Why two figures of one name cannot be compared, "" when they can.

    For example "mains 115 V against mains 230 V; procedure us-appendix-z against none".
    """
    parts = []
    for key in sorted({*one, *other}):
        if key in one and key in other and _plain(one[key]) == _plain(other[key]):
            continue
        words = [describe_condition(key, side[key]) if key in side else f"no {_label(key)}" for side in (one, other)]
        parts.append(" against ".join(words))
    return "; ".join(parts)


def _label(key: str) -> str:
    return describe_condition(key, "").strip()


def _plain(value: Scalar) -> str:
    return f"{value:.6g}" if isinstance(value, (int, float)) and not isinstance(value, bool) else str(value)
