"""What Brickbook says: a `Figure` is one number a reader may quote, a `Finding` sets it against one limit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.table import Rows

__all__ = ["Component", "Decision", "Figure", "Finding", "Note", "Sense"]

Sense = Literal["min", "max", "range"]
Decision = Literal["meets", "does not meet", "undecided", "not judged"]


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget, for people: where it comes from and what it contributes.

    Parameters
    ----------
    source
        Identity; equal identities are fully correlated.
    kind
        "A" from the scatter of the readings, "B" from a data sheet or a statement.
    distribution
        "normal", "rectangular" or "triangular".
    u
        Contribution to the figure, in the figure's unit.
    dof
        Degrees of freedom; infinity for a stated bound.
    sign
        1 if the figure rises with this error, -1 if it falls: numbers that share a source need it.
    """

    source: str
    kind: Literal["A", "B"]
    distribution: str
    u: float
    dof: float
    sign: int = 1


@dataclass(frozen=True, slots=True)
class Figure:
    """One number a reader may quote.

    Parameters
    ----------
    study, name
        Who found it and what it is; the name ends in its unit ("no_load_power_w") or "_ratio".
    value, unit
        Finite value in the unit; "" is a ratio.
    u
        Standard uncertainty in the same unit; 0 only for exact or copied values.
    conditions
        Under what it holds.
    method
        How it was found, one line, with the clause of the procedure.
    sources
        Raw files and rows behind it.
    dof, coverage_factor, lower, upper
        Effective degrees of freedom and the 95 % coverage interval.
    budget
        Components of u, largest first.
    flags
        Anything a reader must know before quoting it ("load 3.1 % off target"); a flagged figure is
        published with its flag, never quietly.
    """

    study: str
    name: str
    value: float
    unit: str
    u: float
    conditions: Conditions
    method: str
    sources: tuple[Rows, ...]
    dof: float = float("inf")
    coverage_factor: float = 1.96
    lower: float = float("nan")
    upper: float = float("nan")
    budget: tuple[Component, ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """Identity made of content, the same on every machine: study/name{conditions}."""
        inside = ";".join(f"{k}={_plain(v)}" for k, v in self.conditions.items())
        return f"{self.study}/{self.name}{{{inside}}}"


@dataclass(frozen=True, slots=True)
class Finding:
    """A figure set against one limit.

    Parameters
    ----------
    figure
        Key of the figure.
    rule, title
        Identity of the rule and its name for people.
    origin
        "standard", "claim" or "house".
    limit, limit_high
        The limit in the figure's unit; `limit_high` only for a range.
    sense
        "min" (at least), "max" (at most) or "range".
    decision
        "meets", "does not meet", "undecided"; "not judged" when the instruments cannot carry a decision.
    p_conform
        Probability of conformity, 0 to 1 (JCGM 106:2012 clause 7).
    source
        Clause, "house rule", or "common practice, no source".
    reading
        Which reading of the text was taken, where it leaves room.
    """

    figure: str
    rule: str
    title: str
    origin: Literal["standard", "claim", "house"]
    limit: float
    sense: Sense
    decision: Decision
    p_conform: float
    source: str
    limit_high: float = float("nan")
    reading: str = ""
    market: str = ""
    edition: str = ""
    applies_from: str = ""
    from_memory: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """Something a reader must know that is not a number: unsettled load, dropped readings, a test not done."""

    study: str
    severity: Literal["info", "warning"]
    text: str
    conditions: Conditions = field(default_factory=Conditions)
    sources: tuple[Rows, ...] = ()


def _plain(value: Scalar) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
