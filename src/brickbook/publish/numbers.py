"""Numbers as people read them. Rounding happens here and nowhere before.

A value is shown with its expanded uncertainty, the uncertainty to two significant digits and the value to the same
place (JCGM 100:2008 7.2.6); the unit follows a parenthesis, "(7.24 ± 0.37) W", so that it belongs to both (7.2.4).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from brickbook.core.figure import Figure, Finding, Sense

__all__ = [
    "NOT_MEASURED",
    "Quantity",
    "decision_word",
    "expanded",
    "factor_text",
    "figure_text",
    "interval_text",
    "limit_text",
    "name_in_words",
    "number_text",
    "plain_text",
    "probability_text",
    "quantity_of_figure",
    "round_pair",
    "unit_text",
    "value_text",
]

NOT_MEASURED = "not measured"
_SPACE = "\N{NO-BREAK SPACE}"
_UNITS = {
    "Ohm": "Ω",
    "ohm": "Ω",
    "degC": "°C",
    "cm3": "cm³",
    "mm3": "mm³",
    "W/cm3": "W/cm³",
    "VA": "VA",
    "1/W": "W⁻¹",
    "ratio": "",
}
_PREFIXED = frozenset({"W", "V", "A", "Ω", "s", "F", "J", "C", "Hz", "VA"})
_PREFIXES = ((1e-9, "n"), (1e-6, "µ"), (1e-3, "m"), (1.0, ""), (1e3, "k"), (1e6, "M"))
# dimensionless by custom, although the name ends in _ratio: a power factor is 0.95, not 95 %
_NOT_PERCENT = ("power_factor", "crest")
_SUFFIXES = (
    "_w_per_cm3",
    "_w_per_g",
    "_per_w",
    "_ratio",
    "_kwh",
    "_cm3",
    "_ohm",
    "_wh",
    "_hz",
    "_mm",
    "_va",
    "_w",
    "_v",
    "_a",
    "_s",
    "_g",
    "_c",
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A unit for people and the factor that leads to it: shown = value × factor."""

    factor: Decimal
    unit: str


def unit_text(unit: str) -> str:
    """A unit as printed: Ω for Ohm, °C for degC, cm³ for cm3; others as they are."""
    return _UNITS.get(unit, unit)


def round_pair(value: float, uncertainty: float, digits: int = 2) -> tuple[str, str]:
    """Value and uncertainty as decimal text, the uncertainty to `digits` significant digits.

    Parameters
    ----------
    value, uncertainty
        Finite, in one unit; the uncertainty above zero.
    digits
        Significant digits of the uncertainty, at most two by JCGM 100:2008 7.2.6.

    Raises
    ------
    ValueError
        When a number is not finite or the uncertainty not above zero.
    """
    return _round_decimals(_decimal(value), _decimal(uncertainty), digits)


def expanded(figure: Figure) -> float:
    """Expanded uncertainty U [the figure's unit]: half the 95 % interval, else coverage factor times u."""
    if math.isfinite(figure.lower) and math.isfinite(figure.upper) and figure.upper > figure.lower:
        return (figure.upper - figure.lower) / 2
    return figure.coverage_factor * figure.u


def quantity_of_figure(name: str, unit: str, value: float, uncertainty: float = 0.0) -> Quantity:
    """The unit a figure is shown in.

    Ratios become percent, save those that trade and standards write as plain numbers (power factor, crest factor).
    SI units get the prefix that puts the value between 0.1 and 10 000; units that carry a prefix already keep it.
    """
    shown = unit_text(unit)
    if shown == "" and name.endswith("_ratio") and not any(part in name for part in _NOT_PERCENT):
        return Quantity(Decimal(100), "%")
    if shown not in _PREFIXED:
        return Quantity(Decimal(1), shown)
    size = abs(value) if value else abs(uncertainty)
    if size == 0.0 or 0.1 <= size < 10_000.0:
        return Quantity(Decimal(1), shown)
    chosen = _PREFIXES[0]
    for prefix in _PREFIXES:
        if size >= prefix[0]:
            chosen = prefix
    return Quantity(Decimal(1) / Decimal(repr(chosen[0])), chosen[1] + shown)


def value_text(
    value: float | None, uncertainty: float, unit: str, name: str = "", *, digits: int = 2, signed: bool = False
) -> str:
    r"""Value ± U with its unit, or "not measured" for `None`.

    Parameters
    ----------
    value
        In `unit`.
    uncertainty
        Expanded, in `unit`; 0 for an exact or copied number, which is then shown without one.
    name
        The figure's name: tells whether a ratio is a percentage.
    signed
        Show a plus sign.

    Examples
    --------
    >>> value_text(7.243, 0.372, "W")
    '(7.24 ±\xa00.37)\xa0W'
    >>> value_text(0.0712, 0.0021, "W")
    '(71.2 ±\xa02.1)\xa0mW'
    >>> value_text(0.89983, 0.0049, "", "efficiency_ratio")
    '(89.98 ±\xa00.49)\xa0%'
    """
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    quantity = quantity_of_figure(name, unit, value, uncertainty)
    if not (uncertainty > 0.0 and math.isfinite(uncertainty)):
        return _with_unit(_exact_text(_decimal(value) * quantity.factor, quantity.unit, signed=signed), quantity.unit)
    number, half = _round_decimals(_decimal(value) * quantity.factor, _decimal(uncertainty) * quantity.factor, digits)
    if signed and not number.startswith("−") and float(value) != 0.0:
        number = "+" + number
    both = f"{number} ±{_SPACE}{half}"
    return f"({both}){_SPACE}{quantity.unit}" if quantity.unit else both


def _exact_text(number: Decimal, unit: str, *, signed: bool = False) -> str:
    """A number without uncertainty: money for something to the cent or three digits, anything else to six digits."""
    money = re.fullmatch(r"[A-Z]{3}(/.+)?", unit) is not None
    if not money:
        return _significant(number, 6, signed=signed)
    return f"{number:.2f}" if abs(number) >= 1 else _significant(number, 3, signed=signed)


def figure_text(figure: Figure) -> str:
    """A figure as value ± U with its unit."""
    return value_text(figure.value, expanded(figure), figure.unit, figure.name)


def number_text(figure: Figure) -> str:
    """A figure's value and unit without its uncertainty, rounded to the place its uncertainty allows."""
    half = expanded(figure)
    quantity = quantity_of_figure(figure.name, figure.unit, figure.value, half)
    if not half > 0.0:
        return _with_unit(_exact_text(_decimal(figure.value) * quantity.factor, quantity.unit), quantity.unit)
    shown, _ = _round_decimals(_decimal(figure.value) * quantity.factor, _decimal(half) * quantity.factor, 2)
    return _with_unit(shown, quantity.unit)


def interval_text(figure: Figure) -> str:
    """The 95 % coverage interval, "88.1 % to 88.9 %", or a dash for an exact number."""
    half = expanded(figure)
    if not half > 0.0:
        return "—"
    quantity = quantity_of_figure(figure.name, figure.unit, figure.value, half)
    low = figure.lower if math.isfinite(figure.lower) else figure.value - half
    high = figure.upper if math.isfinite(figure.upper) else figure.value + half
    texts = [
        _round_decimals(_decimal(end) * quantity.factor, _decimal(half) * quantity.factor, 2)[0] for end in (low, high)
    ]
    return f"{texts[0]}{_SPACE}to{_SPACE}{_with_unit(texts[1], quantity.unit)}"


def factor_text(figure: Figure) -> str:
    """The coverage factor, "k = 1.65"; empty for an exact number."""
    return f"k{_SPACE}={_SPACE}{figure.coverage_factor:.2f}" if figure.u > 0.0 else ""


def limit_text(
    limit: float, sense: Sense, unit: str, name: str = "", high: float = float("nan"), *, beside: float | None = None
) -> str:
    """A limit in words: "at least 88 %", "at most 75 mW", "19 V to 21 V". Printed to five significant digits.

    With `beside`, the measured value [unit], the limit takes the prefix that value is shown with.
    """
    size = max((abs(x) for x in (limit, high) if math.isfinite(x)), default=0.0)
    quantity = quantity_of_figure(name, unit, size if beside is None else beside)

    def one(x: float) -> str:
        return _with_unit(_significant(_decimal(x) * quantity.factor, 5), quantity.unit)

    if sense == "range":
        return f"{one(limit)} to {one(high)}" if math.isfinite(high) else f"from {one(limit)}"
    return f"{'at least' if sense == 'min' else 'at most'} {one(limit)}"


def probability_text(p: float) -> str:
    """A probability of conformity for people: "97.7 %", "over 99.9 %", "under 0.1 %"; a dash when there is none."""
    if not math.isfinite(p):
        return "—"
    if p > 0.999:
        return f"over 99.9{_SPACE}%"
    if p < 0.001:
        return f"under 0.1{_SPACE}%"
    return f"{100 * p:.1f}{_SPACE}%"


def decision_word(finding: Finding) -> str:
    """The decision as the standard's word, with its capital, for a table cell."""
    return finding.decision[:1].upper() + finding.decision[1:]


def plain_text(number: float) -> str:
    """A bare number in a table: up to six significant digits, a true minus sign."""
    return NOT_MEASURED if not math.isfinite(number) else _significant(_decimal(number), 6)


def name_in_words(name: str) -> str:
    """A figure's name without its unit suffix, underscores as spaces: "no_load_power_w" is "no load power"."""
    for suffix in _SUFFIXES:
        if name.endswith(suffix) and len(name) > len(suffix):
            name = name[: -len(suffix)]
            break
    return name.replace("_", " ")


def _decimal(number: float) -> Decimal:
    if not math.isfinite(number):
        raise ValueError(f"a finite number is needed, this is {number}")
    return Decimal(repr(float(number)))


def _round_decimals(value: Decimal, uncertainty: Decimal, digits: int) -> tuple[str, str]:
    if uncertainty <= 0:
        raise ValueError(f"an uncertainty above zero is needed, this is {uncertainty}")
    place = uncertainty.adjusted() - digits + 1
    half = uncertainty.quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN)
    if half.adjusted() > uncertainty.adjusted():  # 0.0996 became 0.100: one digit too many
        place += 1
        half = uncertainty.quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN)
    rounded = value.quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN)
    return _plain(rounded), _plain(half)


def _significant(value: Decimal, digits: int, *, signed: bool = False) -> str:
    if value == 0:
        return "0"
    rounded = value.quantize(Decimal(1).scaleb(value.adjusted() - digits + 1), ROUND_HALF_EVEN)
    text = _plain(rounded.normalize())
    return f"+{text}" if signed and value > 0 else text


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    if not number:
        text = text.removeprefix("-")
    return text.replace("-", "\N{MINUS SIGN}")


def _with_unit(number: str, unit: str) -> str:
    return f"{number}{_SPACE}{unit}" if unit else number
