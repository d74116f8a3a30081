"""Chargers for a set of devices, in words: what each device gets, from what, and what it rests on."""

from __future__ import annotations

from brickbook.core.uncertainty import Measured
from brickbook.library.choosing import Interruption, Placed
from brickbook.publish.numbers import value_text

__all__ = ["SHARING_WORDS", "interruption_words", "measured_words", "placed_words"]

SHARING_WORDS = {
    "alone": "one device alone",
    "measured": "powers of the ports as offered when looked at",
    "measured groups": "powers of the ports as offered when each of their groups was looked at; the groups were found "
    "not to depend on each other",
    "claimed table": "powers of the ports by the maker's table, not measured",
    "measured budgets": "budgets of the groups as the sharing study found them, divided as is best; how the charger "
    "divides them in this case was not looked at",
    "claimed budgets": "budgets by the maker's word, divided as is best; how the charger divides them is not measured",
    "total only": "only the nameplate's total is known; how the charger divides it is not measured",
}


def placed_words(placed: Placed) -> tuple[str, str, str]:
    """Port, what the device gets there, and from which mode."""
    if placed.served is None:
        return placed.port or "none", "nothing", ""
    short = "" if placed.enough else f" of {placed.device.power_w:g}"
    return placed.port, f"{placed.served.far_w:.1f}{short} W at {placed.served.far_v:.2f} V", placed.served.mode.words


def interruption_words(found: Interruption) -> str:
    """What one device feels when another is plugged in."""
    words = f"{found.device}, when {found.joined} is plugged in:"
    if found.before_w is not None and found.after_w is not None:
        if abs(found.before_w - found.after_w) < 0.5:
            words += f" its port stays at {found.after_w:g} W ({found.known_by})"
        else:
            words += f" its port goes from {found.before_w:g} to {found.after_w:g} W ({found.known_by})"
            words += ", so its contract is made anew"
    if found.without_power_s is None:
        return f"{words}; without power: not measured"
    return f"{words}; without power for up to {found.without_power_s:.3g} s, measured"


def measured_words(number: Measured | None, unit: str) -> str:
    """A number rounded to its uncertainty, or that it was not measured."""
    return "not measured" if number is None else value_text(float(number.value), 2.0 * float(number.u), unit)
