"""A limit as data: the text it comes from, of which figure it speaks, and the number it sets for a given supply.

A `Rule` is one published text (or one of the tester's own); each of its `Limit`s speaks of one figure. A limit sets
its number in one of four ways: a plain value, bands in nameplate output power for each class of supply, factors of a
voltage the figure was taken at, or rows for each harmonic order. `Limit.bound` turns it into a `Bound`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal

from annotated_types import Ge, Gt, Le, MinLen

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.figure import Sense
from brickbook.rules.rows import STRICT, Band, Bound, Confidence, Harmonic, Subject, Supply, check_bands

__all__ = ["Limit", "Rule"]

Text = Annotated[str, MinLen(1)]
Positive = Annotated[float, Gt(0)]
NonNegative = Annotated[float, Ge(0)]

_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class Limit:
    """What a rule says of one figure.

    Parameters
    ----------
    figure
        "study/name" of the figure.
    quantity
        Name for people and programs, e.g. "average_active_efficiency".
    sense
        "min" (at least), "max" (at most) or "range".
    source
        Clause; empty: the rule's.
    reading
        Which reading of the text this limit is, where another limit of the same rule is the other.
    when
        Conditions the figure must have.
    measured_at, elsewhere
        Where the text wants it measured, and what becomes of a figure measured elsewhere.
    connector, contract
        Connectors and kind of contract of which the limit speaks; empty for any.
    lowest_current
        Which loading at the lowest voltage of an adaptive port the text means: "2 A" (for a USB-PD port that can give
        3 A there), "nameplate", "either" where it leaves it open; empty: of no concern.
    power
        Which power picks the band: the "figure"'s, or the unit's at its "highest" or "lowest" voltage. More than
        one: the text leaves it open and each is computed.
    input_power_above_w, input_power_from_w
        The limit holds for units whose AC input power is above, or from, this [W].
    value, low, high, times
        The number, or for a range its ends; with `times` a factor of that voltage.
    bands, harmonics
        Tables by class and power, or by harmonic order.
    from_memory
        Confidence of a number remembered and not read.
    decimals
        To how many decimals the text rounds it, for display.
    weight, why
        House rules only: how it weighs in the conclusion and why it was chosen.
    """

    __pydantic_config__: ClassVar = STRICT

    figure: Annotated[str, MinLen(3)]
    quantity: Text
    sense: Sense
    source: str = ""
    reading: str = ""
    when: dict[str, Scalar] = field(default_factory=dict)
    measured_at: Literal["", "receptacle", "cable end"] = ""
    elsewhere: Literal["not judged", "note"] = "not judged"
    connector: tuple[Literal["usb-c", "usb-a", "captive", "barrel"], ...] = ()
    contract: tuple[Literal["fixed", "pps", "avs", "legacy"], ...] = ()
    lowest_current: Literal["", "2 A", "nameplate", "either"] = ""
    power: Annotated[tuple[Literal["figure", "highest", "lowest"], ...], MinLen(1)] = ("figure",)
    input_power_above_w: Positive | None = None
    input_power_from_w: Positive | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    times: Literal["", "contract_v", "nameplate_v", "output_v"] = ""
    bands: dict[str, tuple[Band, ...]] = field(default_factory=dict)
    harmonics: tuple[Harmonic, ...] = ()
    from_memory: Confidence = ""
    decimals: Annotated[int, Ge(0), Le(9)] | None = None
    note: str = ""
    weight: NonNegative | None = None
    why: str = ""

    def __post_init__(self) -> None:
        if self.figure.count("/") != 1 or self.figure.startswith("/") or self.figure.endswith("/"):
            raise ValueError(f'figure must be "study/name", found {self.figure!r}')
        ways = [
            name
            for name, given in (
                ("value", self.value is not None),
                ("low and high", self.low is not None or self.high is not None),
                ("bands", bool(self.bands)),
                ("harmonics", bool(self.harmonics)),
            )
            if given
        ]
        if len(ways) != 1:
            found = f"found {', '.join(ways)}" if ways else "found none"
            raise ValueError(f"a limit is given in one way: value, low and high, bands, or harmonics; {found}")
        if (self.sense == "range") != (ways == ["low and high"]):
            raise ValueError('low and high go with sense = "range", and "range" needs them')
        if self.sense == "range":
            if self.low is None or self.high is None:
                raise ValueError('sense = "range" needs both low and high')
            if self.low > self.high:
                raise ValueError(f"low {self.low:g} is above high {self.high:g}")
        if self.times and ways[0] not in ("value", "low and high"):
            raise ValueError(f"times goes with value or with low and high, not with {ways[0]}")
        if self.harmonics and self.sense != "max":
            raise ValueError('harmonics are upper limits: sense must be "max"')
        if self.input_power_above_w is not None and self.input_power_from_w is not None:
            raise ValueError("input_power_above_w and input_power_from_w exclude each other")
        for name, rows in self.bands.items():
            check_bands(name, rows)

    def bound(
        self,
        subject: Subject | None = None,
        *,
        conditions: Conditions | None = None,
        base: float | None = None,
        input_power_w: float | None = None,
    ) -> Bound | None:
        """The number this limit sets, or `None` where it sets none.

        Parameters
        ----------
        subject
            Class and power, for a limit with bands.
        conditions
            Those of the figure, for the harmonic order.
        base
            The voltage that `times` names [V].
        input_power_w
            AC input power [W], for a limit per watt.
        """
        if self.bands:
            band = None if subject is None else self._band(subject)
            if band is None or subject is None:
                return None
            number = band.value(subject.power_w, subject.outputs)
            return self._bound(number, band.source or self.source, band.from_memory or self.from_memory)
        if self.harmonics:
            return self._harmonic(conditions or Conditions(), input_power_w)
        if self.times and base is None:
            return None
        factor = base if self.times and base is not None else 1.0
        if self.low is not None and self.high is not None:
            return Bound(self.low * factor, self.high * factor, self.source, self.from_memory)
        return None if self.value is None else self._bound(self.value * factor, self.source, self.from_memory)

    def _bound(self, number: float, source: str, from_memory: Confidence) -> Bound:
        if self.sense == "min":
            return Bound(number, math.inf, source, from_memory)
        return Bound(-math.inf, number, source, from_memory)

    def _band(self, subject: Subject) -> Band | None:
        rows = next((self.bands[name] for name in subject.names if name in self.bands), ())
        # rows follow by rising upper end: the first that reaches so far is the one, and it may begin further up
        reached = next((row for row in rows if row.reaches(subject.power_w)), None)
        return reached if reached is not None and reached.begins(subject.power_w) else None

    def _harmonic(self, conditions: Conditions, input_power_w: float | None) -> Bound | None:
        if "harmonic" not in conditions:
            return None
        order = int(conditions.number("harmonic"))
        row = next((row for row in self.harmonics if row.holds(order)), None)
        if row is None:
            return None
        slope, cap = row.slope_a_per_w(order), row.cap_a(order)
        if not slope:
            return Bound(-math.inf, cap, self.source, self.from_memory)
        if input_power_w is None:
            return None
        grown = slope * input_power_w
        if grown < cap:
            return Bound(-math.inf, grown, self.source, self.from_memory, slope)
        return Bound(-math.inf, cap, self.source, self.from_memory)


@dataclass(frozen=True, slots=True)
class Rule:
    """One text that sets limits.

    Parameters
    ----------
    id, title
        Identity and name for people.
    market, edition
        Where it holds, and which text was read.
    applies_from, until
        ISO dates; empty where unknown or not bound to a date.
    status
        In words: in force, adopted, voluntary, superseded.
    mains
        Supplies it speaks of; empty for any.
    procedures
        Test procedures whose figures it speaks of, each with the reading it stands for ("" for the text's own);
        empty for any.
    usb_pd_window_v
        Lowest and highest voltage of the text's definition of a USB-PD supply [V], where it has one.
    mark
        Roman numeral: the rule speaks only of a charger that bears this efficiency mark.
    source, note
        Clause where a limit names none; what a reader must know of the rule.
    rounding
        How the text rounds halves, for display.
    not_available
        Why no number of this rule is here; such a rule has no limits.
    limits
        What it says.
    origin
        "standard" or "house".
    """

    __pydantic_config__: ClassVar = STRICT

    id: Annotated[str, MinLen(3)]
    title: Text
    market: str = ""
    edition: str = ""
    source: str = ""
    applies_from: str = ""
    until: str = ""
    status: str = ""
    mains: tuple[Supply, ...] = ()
    procedures: dict[str, str] = field(default_factory=dict)
    usb_pd_window_v: tuple[float, float] | None = None
    mark: str = ""
    note: str = ""
    rounding: Literal["half-up", "half-even"] = "half-up"
    not_available: str = ""
    limits: tuple[Limit, ...] = ()
    origin: Literal["standard", "house"] = "standard"

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", self.id):
            raise ValueError(f"id must be lower-case words joined by hyphens, found {self.id!r}")
        for key, date in (("applies_from", self.applies_from), ("until", self.until)):
            if date and not _ISO_DATE.fullmatch(date):
                raise ValueError(f"{key} must be a date like 2016-02-10, found {date!r}")
        if bool(self.limits) == bool(self.not_available):
            raise ValueError("a rule has either limits, or not_available with the reason why it has none")
        if self.origin == "standard":
            self._check_published()

    def _check_published(self) -> None:
        missing = [key for key in ("market", "edition", "source") if not getattr(self, key)]
        if missing:
            raise ValueError(f"a published rule needs {' and '.join(missing)}")
        if any(limit.weight is not None or limit.why for limit in self.limits):
            raise ValueError("weight and why belong to house rules")

    def speaks_at(self, conditions: Conditions) -> bool:
        """Whether the figure's mains is one this rule speaks of; a figure without mains is none of a mains rule."""
        if not self.mains:
            return True
        if "mains_v" not in conditions:
            return False
        hertz = conditions.number("mains_hz") if "mains_hz" in conditions else None
        return any(supply.covers(conditions.number("mains_v"), hertz) for supply in self.mains)

    def source_of(self, bound: Bound) -> str:
        """Clause of a bound, or the rule's, or for a house rule those words."""
        return bound.source or self.source or ("house rule" if self.origin == "house" else "")
