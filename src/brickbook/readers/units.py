"""Unit text to factor. The only place where pint is used: no quantity objects go further in."""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pint import UnitRegistry

__all__ = ["Conversion", "UnitProblem", "conversion", "is_unit", "split_header"]

FloatArray = NDArray[np.float64]
_LONGEST = 24
# Spellings pint does not know, in lower case unless the case carries the meaning. Before pint, never instead of it.
_SPELLINGS = {
    "volt": "V",
    "volts": "V",
    "amp": "A",
    "amps": "A",
    "ampere": "A",
    "amperes": "A",
    "watt": "W",
    "watts": "W",
    "vrms": "V",
    "vac": "V",
    "vdc": "V",
    "arms": "A",
    "aac": "A",
    "adc": "A",
    "ohm": "ohm",
    "ohms": "ohm",
    "kohm": "kohm",
    "sec": "s",
    "secs": "s",
    "seconds": "s",
    "sekunden": "s",
    "hr": "h",
    "hrs": "h",
    "hours": "h",
    "std": "h",
    "percent": "%",
    "pct": "%",
    "deg c": "degC",
    "deg f": "degF",
    "kw": "kW",
    "kwh": "kWh",
    "wh": "Wh",
    "va": "VA",
    "hz": "Hz",
    "khz": "kHz",
    "1": "",
    "-": "",
}
_TEMPERATURES = {"c": "degC", "f": "degF", "k": "kelvin"}
_LONGEST_HEADER = 400
_BRACKETS = re.compile(r"\s*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*$")
_SLASH = re.compile(r"\s*/\s*([^\s/\[\]()]+)\s*$")
_COMMA = re.compile(r"\s*,\s*([^\s,\[\]()]+)\s*$")
_LAST_WORD = re.compile(r"[\s_]+([^\s_\[\]()]+)$")


class UnitProblem(ValueError):  # noqa: N818 - becomes a Fault of a ReadError where file and line are known
    """A unit that is none, or one of another dimension."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """value in the quantity's unit = (reading - zero) * numerator / denominator.

    A fraction of whole numbers rather than a factor: 1000 is a float, 0.001 is not, so that 7 ms becomes the float
    nearest to 0.007.
    """

    numerator: float = 1.0
    denominator: float = 1.0
    zero: float = 0.0

    @property
    def factor(self) -> float:
        """The fraction as one number."""
        return self.numerator / self.denominator

    def apply(self, values: FloatArray) -> FloatArray:
        """Readings in the quantity's unit."""
        if self == Conversion():
            return values
        return (values - self.zero) * self.numerator / self.denominator


@functools.cache
def _registry() -> UnitRegistry[Any]:
    from pint import UnitRegistry  # noqa: PLC0415 - a tenth of a second that most commands need not spend

    return UnitRegistry(autoconvert_offset_to_baseunit=True)


@functools.cache
def _parse(text: str, temperature: bool) -> Any:
    """A pint unit of a spelling, or a `UnitProblem`."""
    plain = text.strip()
    if temperature and plain.casefold() in _TEMPERATURES:
        plain = _TEMPERATURES[plain.casefold()]
    plain = _SPELLINGS.get(plain.casefold(), plain)
    plain = re.sub(r"(?<=[kmMµμu])Ohm$", "ohm", plain)
    if len(plain) > _LONGEST:
        raise UnitProblem(f"{text!r} is not a unit")
    try:
        return _registry().parse_units(plain)
    except Exception as error:  # pint's tokenizer lets many kinds of exception through
        raise UnitProblem(f"{text!r} is not a unit") from error


@functools.cache
def conversion(unit: str, wanted: str) -> Conversion:
    """Factor and offset from a unit as written in a file to a unit of `core.quantities`.

    Parameters
    ----------
    unit
        As in the file: "mW", "µA", "°C", "%". Empty: the wanted unit, which only a quantity without unit may leave out.
    wanted
        Unit of the quantity, e.g. "W", "degC", "".

    Raises
    ------
    UnitProblem
        When the text is not a unit, or one of another dimension.
    """
    target = _parse(wanted, temperature=wanted == "degC")
    source = _parse(unit, temperature=wanted == "degC")
    if source.dimensionality != target.dimensionality:
        what = f"{unit!r} is a unit of something else" if unit else "there is no unit"
        raise UnitProblem(f"{what}; expected {wanted or 'a plain ratio or %'}, or a multiple of it")
    quantity = _registry().Quantity
    zero = round(float(quantity(0.0, target).to(source).magnitude), 9) if wanted == "degC" else 0.0
    one = float(quantity(zero + 1.0, source).to(target).magnitude) - float(quantity(zero, source).to(target).magnitude)
    return Conversion(*_fraction(one), zero)


def _fraction(factor: float) -> tuple[float, float]:
    """The simple fraction a factor of pint's float arithmetic stands for."""
    for most in (1000, 10**6, 10**9, 10**12):
        simple = Fraction(factor).limit_denominator(most)
        if simple and abs(float(simple) / factor - 1.0) < 1e-12:
            return float(simple.numerator), float(simple.denominator)
    return factor, 1.0


def is_unit(text: str) -> bool:
    """Whether a text, with or without brackets, is a unit a meter would write (no lengths: "in" is a word here)."""
    plain = text.strip().strip("[]()").strip()
    if not plain or re.search(r"\d", plain):
        return False
    try:
        found = _parse(plain, temperature=plain.casefold() in _TEMPERATURES)
    except UnitProblem:
        return False
    return _known_dimension(found)


@functools.cache
def _known_dimension(unit: Any) -> bool:
    kinds = ("s", "V", "A", "W", "Wh", "Hz", "ohm", "degC", "A*h", "%")
    return any(unit.dimensionality == _registry().parse_units(kind).dimensionality for kind in kinds)


def split_header(header: str) -> tuple[str, str]:
    """Words and unit of a header: "P_in [mW]", "Voltage (V)", "I/A", "Power, W", "Power W"; the unit may be ""."""
    plain = header.strip()
    if len(plain) > _LONGEST_HEADER:  # no header: searching it for a unit would take long
        return plain, ""
    for pattern in (_BRACKETS, _SLASH, _COMMA):
        found = pattern.search(plain)
        if found and found.start() > 0 and (is_unit(found[1]) or pattern is _BRACKETS):
            if pattern is _BRACKETS and not is_unit(found[1]):
                continue
            return plain[: found.start()].strip(), found[1].strip()
    found = _LAST_WORD.search(plain)
    # a lone letter after a blank is as likely a phase or a channel ("Port A"); V, W, s, h are not
    if found and is_unit(found[1]) and (len(found[1]) > 1 or found[1] in "VWs%"):
        return plain[: found.start()].strip(), found[1]
    return plain, ""
