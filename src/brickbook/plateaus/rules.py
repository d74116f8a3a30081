"""When a unit under test counts as steady, by procedure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt, MinLen

__all__ = [
    "BENCH",
    "IEC_62301_SAMPLING",
    "STABILITY_RULES",
    "US_MULTIPLE_VOLTAGE",
    "US_OFF_MODE",
    "US_SINGLE_VOLTAGE",
    "StabilityRule",
    "slope_limit_w_per_h",
]


@dataclass(frozen=True, slots=True)
class StabilityRule:
    """How long a load must be held, and how little the watched quantity may move meanwhile.

    Parameters
    ----------
    name
        Identity, as plateaus carry it.
    title, source
        Words for a report, and the clause.
    quantity
        What is watched, a name of `core.quantities`; every channel of it must meet the rule.
    criterion
        "drift": (largest - smallest)/largest of the readings in the last `window_s` of the stay. "slope":
        least-squares slope of the last two thirds of the whole stay.
    window_s
        Window of the drift; shortest stay of the slope [s].
    limit_ratio
        Largest drift as a share of the largest reading. The slope has its own limit, `slope_limit_w_per_h`.
    limit_absolute
        Drift that is let pass whatever its share [unit of the quantity].
    shortest_s
        A stay shorter than this counts as part of the change between two loads and is not returned [s].
    smooth_s
        Length of the blocks whose means the drift is taken of [s]; 0 takes single readings.
    longest_interval_s
        Longest time between readings that the procedure allows [s]; `None` where it names none.
    """

    name: Annotated[str, MinLen(1)]
    title: Annotated[str, MinLen(1)]
    source: Annotated[str, MinLen(1)]
    quantity: Annotated[str, MinLen(1)]
    criterion: Literal["drift", "slope"]
    window_s: Annotated[float, Gt(0)]
    limit_ratio: Annotated[float, Ge(0)] = 0.0
    limit_absolute: Annotated[float, Ge(0)] = 0.0
    shortest_s: Annotated[float, Gt(0)] = 15.0
    smooth_s: Annotated[float, Ge(0)] = 0.0
    longest_interval_s: Annotated[float, Gt(0)] | None = None

    def __post_init__(self) -> None:
        if self.window_s <= 0.0 or self.shortest_s <= 0.0:
            raise ValueError("window_s and shortest_s are above zero")
        if self.shortest_s > self.window_s:
            raise ValueError(f"shortest_s {self.shortest_s:g} is longer than window_s {self.window_s:g}")
        if self.criterion == "slope" and (self.quantity != "mains_power_w" or self.limit_ratio or self.limit_absolute):
            raise ValueError("the slope criterion is for mains_power_w and brings its own limit")
        if self.criterion == "drift" and not (self.limit_ratio or self.limit_absolute):
            raise ValueError("the drift criterion needs limit_ratio or limit_absolute")


US_SINGLE_VOLTAGE = StabilityRule(
    name="us-appendix-z-single-voltage",
    title="input power within 5 % of its maximum over 5 min",
    source="10 CFR 430 Subpart B Appendix Z, 5(a)(1)(ii) and 6(a)(1)(ii)",
    quantity="mains_power_w",
    criterion="drift",
    window_s=300.0,
    limit_ratio=0.05,
)

US_MULTIPLE_VOLTAGE = StabilityRule(
    name="us-appendix-z-multiple-voltage",
    title="input power within 1 % of its maximum over 5 min",
    source="10 CFR 430 Subpart B Appendix Z, 5(b)(1)(ii) and 6(b)(1)(ii)",
    quantity="mains_power_w",
    criterion="drift",
    window_s=300.0,
    limit_ratio=0.01,
)

US_OFF_MODE = StabilityRule(
    name="us-appendix-z-off-mode",
    title="input power within 1 % of its maximum or 50 mW, whichever is greater, over 5 min",
    source="10 CFR 430 Subpart B Appendix Z, 5(a)(1)(viii), 5(b)(2) and 6(a)(2)",
    quantity="mains_power_w",
    criterion="drift",
    window_s=300.0,
    limit_ratio=0.01,
    limit_absolute=0.05,
    longest_interval_s=1.0,
)

IEC_62301_SAMPLING = StabilityRule(
    name="iec-62301-sampling",
    title="least-squares slope of the last two thirds of at least 15 min below 10 mW/h, or 1 %/h above 1 W",
    source="IEC 62301:2011 5.3.2 (from memory, high)",
    quantity="mains_power_w",
    criterion="slope",
    window_s=900.0,
)

BENCH = StabilityRule(
    name="bench",
    title="output voltage within 0.2 % of its maximum or 5 mV, whichever is greater, over 5 s",
    source="common practice, no source",
    quantity="port_voltage_v",
    criterion="drift",
    window_s=5.0,
    limit_ratio=0.002,
    limit_absolute=0.005,
    shortest_s=2.0,
)

STABILITY_RULES: dict[str, StabilityRule] = {
    rule.name: rule for rule in (US_SINGLE_VOLTAGE, US_MULTIPLE_VOLTAGE, US_OFF_MODE, IEC_62301_SAMPLING, BENCH)
}


def slope_limit_w_per_h(power_w: float) -> float:
    """Largest slope at which a power counts as stable [W/h]: 10 mW/h up to 1 W, 1 % of the power per hour above.

    IEC 62301:2011 5.3.2 (from memory, high).

    Parameters
    ----------
    power_w
        Mean power [W].
    """
    return max(0.010, 0.01 * power_w)
