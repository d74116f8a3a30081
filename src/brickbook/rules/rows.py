"""The pieces a limit is made of: what it is asked for, what it answers, and the rows of its tables."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Gt, Le

__all__ = ["CLASSES", "STRICT", "Band", "Bound", "Confidence", "Harmonic", "Subject", "Supply", "check_bands"]

Confidence = Literal["", "high", "medium-high", "medium", "low"]
Positive = Annotated[float, Gt(0)]
NonNegative = Annotated[float, Ge(0)]

STRICT: dict[str, Any] = {"extra": "forbid", "strict": True, "allow_inf_nan": False}
"""How the file's content is validated into these classes."""

_SINGLE = ("basic", "low-voltage")
_PLAIN = (*_SINGLE, "multiple-voltage", "ac-ac-basic", "ac-ac-low-voltage", "single-voltage", "any")
CLASSES = (*_PLAIN, *(f"adaptive-{name}" for name in _PLAIN if not name.startswith("ac-ac")))
"""Names a table of bands may use. "single-voltage" stands for basic and low-voltage, "any" for every class; a name
with "adaptive-" goes before the plain one for an adaptive supply."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a limit is asked for: the class of the supply, and the power that picks the band.

    Parameters
    ----------
    kind
        "basic", "low-voltage", "multiple-voltage", "ac-ac-basic" or "ac-ac-low-voltage".
    adaptive
        Whether it alters its output voltage by a digital protocol with the load.
    power_w
        Nameplate output power that the text takes [W].
    outputs
        Adaptive ports plus unique fixed output voltages on the others.
    reading
        Which reading of the text this is; empty where the text leaves no room.
    """

    kind: str
    adaptive: bool
    power_w: float
    outputs: int = 1
    reading: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """Names under which a table of bands may hold this class, the closest first."""
        wider = ("single-voltage", "any") if self.kind in _SINGLE else ("any",)
        plain = (self.kind, *wider)
        return tuple(n for name in plain for n in ((f"adaptive-{name}", name) if self.adaptive else (name,)))


@dataclass(frozen=True, slots=True)
class Bound:
    """The number a limit sets, in the figure's unit.

    Parameters
    ----------
    low, high
        Ends of what conforms; infinite where there is no end.
    source
        Clause.
    from_memory
        Confidence of a number remembered and not read; empty for one that was read.
    per_input_watt
        For a limit that grows with input power: its slope [unit/W], else 0.
    """

    low: float
    high: float
    source: str
    from_memory: Confidence = ""
    per_input_watt: float = 0.0


@dataclass(frozen=True, slots=True)
class Supply:
    """The mains a limit speaks of.

    Parameters
    ----------
    voltage_v, tolerance_ratio
        Nominal voltage [V] and how far a supply may be from it.
    min_voltage_v
        For a text that speaks of all systems from a voltage on [V].
    frequency_hz
        Nominal frequency [Hz], within 1 %; `None` for any.
    """

    __pydantic_config__: ClassVar = STRICT

    voltage_v: Positive | None = None
    tolerance_ratio: Annotated[float, Gt(0), Le(0.5)] | None = None
    min_voltage_v: Positive | None = None
    frequency_hz: Positive | None = None

    def __post_init__(self) -> None:
        if (self.voltage_v is None) != (self.tolerance_ratio is None):
            raise ValueError("voltage_v and tolerance_ratio go together")
        if (self.voltage_v is None) == (self.min_voltage_v is None):
            raise ValueError("give either voltage_v with tolerance_ratio, or min_voltage_v")

    def covers(self, voltage_v: float, frequency_hz: float | None) -> bool:
        """Whether a supply of this voltage [V] and frequency [Hz] is the one meant; an unknown frequency passes."""
        if self.voltage_v is not None and self.tolerance_ratio is not None:
            fits = abs(voltage_v - self.voltage_v) <= self.tolerance_ratio * self.voltage_v * (1 + 1e-9)
        else:
            fits = self.min_voltage_v is not None and voltage_v >= self.min_voltage_v
        if self.frequency_hz is None or frequency_hz is None:
            return fits
        return fits and abs(frequency_hz - self.frequency_hz) <= 0.01 * self.frequency_hz * (1 + 1e-9)


@dataclass(frozen=True, slots=True)
class Band:
    """One row of a limit table: a ln(P) + b P + c, P in watts, natural logarithm.

    Parameters
    ----------
    at_least, above
        Lower end of P [W], inclusive or exclusive; with neither, the row begins where the one before it ends.
    to, below
        Upper end of P [W], inclusive or exclusive; with neither, the row has no upper end.
    a, b, c
        Coefficients; c alone is a constant.
    per_output, cap
        Added for each output after the first, and the highest the sum may become.
    from_memory, source
        Mark and clause of this row where they differ from the limit's.
    """

    __pydantic_config__: ClassVar = STRICT

    c: float
    a: float = 0.0
    b: float = 0.0
    at_least: NonNegative | None = None
    above: NonNegative | None = None
    to: Positive | None = None
    below: Positive | None = None
    per_output: NonNegative = 0.0
    cap: Positive | None = None
    from_memory: Confidence = ""
    source: str = ""

    def __post_init__(self) -> None:
        if self.at_least is not None and self.above is not None:
            raise ValueError("at_least and above exclude each other")
        if self.to is not None and self.below is not None:
            raise ValueError("to and below exclude each other")
        low, high = self.at_least or self.above or 0.0, self.top
        if low >= high:
            raise ValueError(f"the band is empty: it begins at {low:g} W and ends at {high:g} W")

    @property
    def top(self) -> float:
        """Upper end [W], infinite where there is none."""
        return next((end for end in (self.to, self.below) if end is not None), math.inf)

    def reaches(self, power_w: float) -> bool:
        """Whether the upper end is not below P [W]."""
        return power_w < self.below if self.below is not None else power_w <= self.top

    def begins(self, power_w: float) -> bool:
        """Whether the lower end, where the row states one, is not above P [W]."""
        too_low = self.at_least is not None and power_w < self.at_least
        return not too_low and not (self.above is not None and power_w <= self.above)

    def value(self, power_w: float, outputs: int = 1) -> float:
        """The limit at P [W], unrounded."""
        logarithm = self.a * math.log(power_w) if self.a else 0.0
        number = logarithm + self.b * power_w + self.c + (outputs - 1) * self.per_output
        return number if self.cap is None else min(number, self.cap)


@dataclass(frozen=True, slots=True)
class Harmonic:
    """Highest current of one harmonic order, or of every second order from `order` to `to`.

    Parameters
    ----------
    order, to
        First and last order; `to` 0 for one order alone.
    cap, cap_over_n
        Highest current [A], or the number that is divided by the order n to give it.
    per_watt, per_watt_over_n
        Current per watt of input power [A/W], or the number that is divided by n to give it.
    """

    __pydantic_config__: ClassVar = STRICT

    order: Annotated[int, Ge(2), Le(40)]
    to: Annotated[int, Ge(0), Le(40)] = 0
    cap: Positive | None = None
    cap_over_n: Positive | None = None
    per_watt: Positive | None = None
    per_watt_over_n: Positive | None = None

    def __post_init__(self) -> None:
        if (self.cap is None) == (self.cap_over_n is None):
            raise ValueError("give either cap or cap_over_n")
        if self.per_watt is not None and self.per_watt_over_n is not None:
            raise ValueError("per_watt and per_watt_over_n exclude each other")
        if self.to and (self.to <= self.order or (self.to - self.order) % 2):
            raise ValueError(f"to = {self.to} must be above order = {self.order} and odd or even like it")

    def holds(self, order: int) -> bool:
        """Whether this row speaks of the order."""
        return order == self.order or (self.order <= order <= self.to and (order - self.order) % 2 == 0)

    def cap_a(self, order: int) -> float:
        """Highest current [A] whatever the power."""
        return self.cap if self.cap is not None else (self.cap_over_n or 0.0) / order

    def slope_a_per_w(self, order: int) -> float:
        """Current per watt [A/W]; 0 for a row without."""
        return self.per_watt if self.per_watt is not None else (self.per_watt_over_n or 0.0) / order


def check_bands(name: str, rows: tuple[Band, ...]) -> None:
    """Raise `ValueError` unless the class is known and its rows follow by rising upper end."""
    if name not in CLASSES:
        raise ValueError(f"unknown class {name!r} in bands; the classes are {', '.join(CLASSES)}")
    if not rows:
        raise ValueError(f"bands.{name} has no row")
    for before, after in pairwise(rows):
        if not before.top < after.top:
            raise ValueError(
                f"bands.{name}: rows must follow by rising upper end; {after.top:g} W after {before.top:g} W"
            )
