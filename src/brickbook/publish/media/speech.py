"""Numbers to say aloud: "eighty-nine point nine percent, give or take half a percent".

What is spoken is coarser than what is printed: the expanded uncertainty has one significant digit, or two where the
first is 1 or 2, and the value ends at the same place, after three digits at most, or four where the first is 1. JCGM
100:2008 7.2.6 asks for at most two digits and lets an uncertainty be rounded up: it is rounded up here when rounding
down would take off more than a twenty-fifth of it (the guide's example: 10.47 becomes 11), so that nothing sounds surer
than it is. How to say units and fractions is common practice, no source.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from brickbook.core.figure import Figure
from brickbook.publish.numbers import NOT_MEASURED, expanded, quantity_of_figure

__all__ = ["figure_aloud", "limit_aloud", "number_aloud", "sure_aloud", "unit_aloud", "value_aloud"]

_ONES = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_SIZES = ((10**12, "trillion"), (10**9, "billion"), (10**6, "million"), (1000, "thousand"))
_PREFIXES = {"n": "nano", "µ": "micro", "m": "milli", "": "", "k": "kilo", "M": "mega"}
_UNITS = {  # symbol: (one, many)
    "W": ("watt", "watts"),
    "V": ("volt", "volts"),
    "A": ("ampere", "amperes"),
    "Ω": ("ohm", "ohms"),
    "s": ("second", "seconds"),
    "F": ("farad", "farads"),
    "J": ("joule", "joules"),
    "C": ("coulomb", "coulombs"),
    "Hz": ("hertz", "hertz"),
    "VA": ("volt-ampere", "volt-amperes"),
}
_WHOLE = {
    "": ("", ""),
    "%": ("percent", "percent"),
    "°C": ("degree Celsius", "degrees Celsius"),
    "K": ("kelvin", "kelvins"),
    "°": ("degree", "degrees"),
    "g": ("gram", "grams"),
    "mm": ("millimetre", "millimetres"),
    "cm³": ("cubic centimetre", "cubic centimetres"),
    "kWh": ("kilowatt-hour", "kilowatt-hours"),
    "Wh": ("watt-hour", "watt-hours"),
    "min": ("minute", "minutes"),
    "h": ("hour", "hours"),
    "A²s": ("ampere squared second", "ampere squared seconds"),
    "W⁻¹": ("per watt", "per watt"),
    "EUR": ("euro", "euros"),
    "USD": ("dollar", "dollars"),
    "GBP": ("pound", "pounds"),
    "port": ("port", "ports"),
}


def number_aloud(number: Decimal | int | str) -> str:
    """A number in words, decimals digit by digit.

    Examples
    --------
    >>> number_aloud("89.9")
    'eighty-nine point nine'
    >>> number_aloud(-1204)
    'minus one thousand two hundred and four'
    >>> number_aloud("0.05")
    'zero point zero five'
    """
    text = f"{Decimal(number):f}"
    negative = text.startswith("-") and Decimal(text) != 0
    whole, _, decimals = text.removeprefix("-").partition(".")
    words = _whole(int(whole))
    if decimals:
        words += " point " + " ".join(_ONES[int(digit)] for digit in decimals)
    return f"minus {words}" if negative else words


def unit_aloud(unit: str, *, one: bool = False) -> str:
    """A unit in words; one that is not known is given as it is written.

    Examples
    --------
    >>> unit_aloud("mW"), unit_aloud("W/cm³"), unit_aloud("EUR/W", one=True)
    ('milliwatts', 'watts per cubic centimetre', 'euro per watt')
    """
    above, slash, below = unit.partition("/")
    if slash:
        return f"{unit_aloud(above, one=one)} per {unit_aloud(below, one=True)}"
    if unit in _WHOLE:
        return _WHOLE[unit][0 if one else 1]
    for prefix, words in _PREFIXES.items():
        symbol = unit.removeprefix(prefix)
        if unit.startswith(prefix) and symbol in _UNITS:
            return words + _UNITS[symbol][0 if one else 1]
    return unit


def value_aloud(value: float, uncertainty: float, unit: str, name: str = "") -> str:
    """A value and its expanded uncertainty, both in `unit`, as one would say them.

    Parameters
    ----------
    value, uncertainty
        In `unit`; an uncertainty of 0 belongs to an exact or copied number, and is not spoken of.
    name
        The figure's name: tells whether a ratio is a percentage.

    Examples
    --------
    >>> value_aloud(0.89934, 0.0049, "", "efficiency_ratio")
    'eighty-nine point nine percent, give or take half a percent'
    >>> value_aloud(0.0738, 0.0021, "W")
    'seventy-three point eight milliwatts, give or take two point one milliwatts'
    >>> value_aloud(35.0, 0.0, "W")
    'thirty-five watts'
    """
    if not math.isfinite(value):
        return NOT_MEASURED
    quantity = quantity_of_figure(name, unit, value, uncertainty)
    factor, shown = _aloud_unit(Decimal(repr(float(value))) * quantity.factor, quantity.unit)
    factor *= quantity.factor
    exact = Decimal(repr(float(value))) * factor
    if not (uncertainty > 0.0 and math.isfinite(uncertainty)):
        return _said(_shortest(exact), shown)
    half = _spoken(Decimal(repr(float(uncertainty))) * factor, exact)
    place = half.as_tuple().exponent
    assert isinstance(place, int)
    rounded = exact.quantize(Decimal(1).scaleb(max(place, -30)), ROUND_HALF_EVEN)
    return f"{_said(rounded, shown)}, give or take {_share(half, shown)}"


def figure_aloud(figure: Figure) -> str:
    """A figure with its 95 % interval as one would say it."""
    return value_aloud(figure.value, expanded(figure), figure.unit, figure.name)


def limit_aloud(text: str) -> str:
    """A limit as printed, such as "at least 88 %", with its numbers and units in words."""
    plain = text.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ")

    def said(match: re.Match[str]) -> str:
        number, unit = Decimal(match[1]), match[2] or ""
        factor, shown = _aloud_unit(number, unit)
        return _said(_shortest(number * factor) if factor != 1 else number, shown)

    return _NUMBER.sub(said, plain)


def sure_aloud(p_conform: float, decision: str) -> str:
    """How sure a decision is, from the probability of conformity (JCGM 106:2012 clause 7).

    Examples
    --------
    >>> sure_aloud(0.9996, "meets")
    'more than 99.9 % sure that it keeps the limit'
    >>> sure_aloud(0.02, "does not meet")
    '98 % sure that it misses the limit'
    >>> sure_aloud(0.4, "undecided")
    'too close to say: 40 % that it keeps the limit'
    """
    if decision == "not judged" or not math.isfinite(p_conform):
        return "not judged: the instruments cannot carry a decision"
    if decision == "undecided":
        return f"too close to say: {_percent(p_conform)} that it keeps the limit"
    if decision == "meets":
        return f"{_percent(p_conform)} sure that it keeps the limit"
    return f"{_percent(1.0 - p_conform)} sure that it misses the limit"


_NUMBER = re.compile(
    r"(-?\d+(?:\.\d+)?)"
    r"(?: ((?:[nµmkM]?(?:W|V|A|Ω|s|F|J|C|Hz|VA)|%|°C|K|°|g|mm|cm³|kWh|Wh)(?:/\S+)?)(?!\w))?"
)


def _aloud_unit(number: Decimal, unit: str) -> tuple[Decimal, str]:
    """What to multiply with, and the unit: thousandths of a watt are said in milliwatts, as "zero point" is long."""
    return (Decimal(1000), f"m{unit}") if unit in _UNITS and 0 < abs(number) < 1 else (Decimal(1), unit)


def _percent(p: float) -> str:
    if p > 0.999:
        return "more than 99.9 %"
    if p < 0.001:
        return "less than 0.1 %"
    return f"{100 * p:.3g} %"


def _whole(number: int) -> str:
    if number < 20:
        return _ONES[number]
    if number < 100:
        tens, ones = divmod(number, 10)
        return _TENS[tens] + (f"-{_ONES[ones]}" if ones else "")
    if number < 1000:
        hundreds, rest = divmod(number, 100)
        return f"{_ONES[hundreds]} hundred" + (f" and {_whole(rest)}" if rest else "")
    for size, word in _SIZES:
        if number >= size:
            many, rest = divmod(number, size)
            joint = " and " if 0 < rest < 100 else " "
            return f"{_whole(many)} {word}" + (f"{joint}{_whole(rest)}" if rest else "")
    raise AssertionError(number)


def _spoken(half: Decimal, value: Decimal) -> Decimal:
    """An uncertainty with one digit, or two where the first is 1 or 2, and none beyond those its value is said with."""
    digits = 2 if half.scaleb(-half.adjusted()) < 3 else 1
    last = half.adjusted() - digits + 1
    if value:  # nobody follows more than three digits, or four where the first is 1
        last = max(last, min(value.adjusted() - (3 if _begins_with_one(value) else 2), 0))
    place = Decimal(1).scaleb(last)
    down = half.quantize(place, ROUND_HALF_EVEN)
    if down < half * Decimal("0.96"):
        down = half.quantize(place, ROUND_CEILING)
    plain = down.normalize()
    exponent = plain.as_tuple().exponent
    assert isinstance(exponent, int)
    return plain if exponent <= 0 else down.quantize(Decimal(1))


def _begins_with_one(number: Decimal) -> bool:
    return 1 <= abs(number).scaleb(-number.adjusted()) < 2


def _shortest(value: Decimal) -> Decimal:
    """A number without uncertainty to four digits, without zeros at its end."""
    if value == 0:
        return Decimal(0)
    rounded = value.quantize(Decimal(1).scaleb(min(0, value.adjusted() - 3)), ROUND_HALF_EVEN).normalize()
    exponent = rounded.as_tuple().exponent
    assert isinstance(exponent, int)
    return rounded if exponent <= 0 else rounded.quantize(Decimal(1))


def _said(number: Decimal, unit: str) -> str:
    words = unit_aloud(unit, one=abs(number) == 1)
    return f"{number_aloud(number)} {words}".rstrip()


def _share(half: Decimal, unit: str) -> str:
    """An uncertainty in words: half and a tenth have words of their own."""
    part = {"0.5": "half", "0.1": "a tenth of", "0.01": "a hundredth of"}.get(str(half))
    if part is None or not unit:
        return _said(half, unit)
    one = unit_aloud(unit, one=True)
    return f"{part} {_article(one)} {one}"


def _article(word: str) -> str:
    return "an" if word[:1] in "aeio" and not word.startswith(("euro", "one")) else "a"
