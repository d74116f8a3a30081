"""Whether a measured number conforms, by the probability that it does (JCGM 106:2012)."""

from __future__ import annotations

import math

from brickbook.core.coverage import probability_within
from brickbook.core.figure import Decision, Figure
from brickbook.core.readings import measured_of
from brickbook.core.uncertainty import Measured, Source

__all__ = ["PROBABLE", "decide", "number_of", "probability_of_conformity"]

PROBABLE = 0.95
"""Probability of conformity from which on a figure meets a limit; 1 minus it, below which it does not."""


def number_of(figure: Figure) -> Measured:
    """The figure as a measured number; one whose budget was not kept is taken as normal with its u and dof."""
    if figure.u > 0.0 and not figure.budget:
        own = Source(f"uncertainty of {figure.key}", "B", "normal", figure.dof)
        return Measured(figure.value, {own: figure.u})
    return measured_of(figure)


def probability_of_conformity(measured: Measured, low: float = -math.inf, high: float = math.inf) -> float:
    """Probability that the true value lies in [low, high] (JCGM 106:2012 7.2 to 7.4)."""
    return probability_within(measured, low, high)


def decide(value: float, p_conform: float, low: float, high: float, rule: str = "guarded") -> Decision:
    """The decision on one number.

    Parameters
    ----------
    value
        Best estimate.
    p_conform
        Probability of conformity, 0 to 1.
    low, high
        Tolerance limits, infinite where there is none.
    rule
        "guarded": meets from 95 % on, does not meet up to 5 %, else undecided (guarded acceptance and guarded
        rejection, JCGM 106:2012 8.3). "simple": whether the value lies within the limits (8.2).

    Raises
    ------
    ValueError
        For another rule.
    """
    if rule == "simple":
        return "meets" if low <= value <= high else "does not meet"
    if rule != "guarded":
        raise ValueError(f'the decision rule is "guarded" or "simple", found {rule!r}')
    if p_conform >= PROBABLE:
        return "meets"
    return "does not meet" if p_conform <= 1.0 - PROBABLE + 1e-12 else "undecided"
