"""From the mean of some rows to a `Measured` number: scatter (type A) and the instrument's accuracy (type B)."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Literal

from brickbook.core.conditions import Conditions
from brickbook.core.coverage import coverage
from brickbook.core.figure import Component, Figure
from brickbook.core.instrument import Instrument
from brickbook.core.statistics import Mean
from brickbook.core.table import Rows
from brickbook.core.uncertainty import Measured, Source

__all__ = ["figure_of", "measured_of", "reading"]


def reading(
    mean: Mean,
    *,
    quantity: str,
    point: str,
    instrument: str,
    instruments: Mapping[str, Instrument],
    range_max: float | None = None,
) -> Measured:
    """A mean with its type A uncertainty and the accuracy of the instrument that took it.

    Parameters
    ----------
    mean
        Mean of the rows.
    quantity
        Name of `core.quantities`, without channel.
    point
        Identity of the point, so that its scatter is its own source.
    instrument
        Name in bench.toml; "" when unknown.
    range_max
        Full scale in use where the index states it.

    Raises
    ------
    KeyError
        When the instrument, or an accuracy line for the quantity and reading, is missing: the message says which. A
        figure without instrument accuracy would claim more than was measured.
    ValueError
        When the mean is not finite.
    """
    if not isfinite(mean.value):
        raise ValueError(f"the mean of {quantity} at {point} is not finite")
    terms: dict[Source, float] = {}
    if mean.u > 0.0:
        terms[Source(f"scatter of {quantity} at {point}", "A", "normal", mean.dof)] = mean.u
    if instrument not in instruments:
        known = ", ".join(sorted(instruments)) or "none"
        raise KeyError(f"no instrument {instrument!r} in bench.toml for {quantity} (known: {known})")
    accuracy = instruments[instrument].accuracy_for(quantity, mean.value, range_max)
    if accuracy is None:
        raise KeyError(
            f"instrument {instrument!r} has no accuracy line for {quantity} at {mean.value:.6g}"
            + (f" on the {range_max:g} range" if range_max is not None else "")
        )
    scale = f" {accuracy.range_max:g}" if accuracy.range_max is not None else ""
    name = accuracy.reference or f"{quantity}{scale}"
    terms[Source(f"{instrument}: {name}", "B", "rectangular")] = accuracy.bound(mean.value) / 3**0.5
    if accuracy.linearity() > 0.0:
        own = Source(f"{instrument}: {quantity}{scale}, linearity at {point}", "B", "rectangular")
        terms[own] = accuracy.linearity() / 3**0.5
    return Measured(mean.value, terms)


def figure_of(
    measured: Measured,
    *,
    study: str,
    name: str,
    unit: str,
    conditions: Conditions,
    method: str,
    sources: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    """A `Figure` from a measured number: its 95 % interval and its budget, largest contribution first.

    Raises
    ------
    ValueError
        When the value or its uncertainty is not finite.
    """
    if not isfinite(float(measured.value)):
        raise ValueError(f"{study}/{name} is not finite: say in a note why it could not be found")
    interval = coverage(measured)
    components = sorted(
        (
            Component(s.id, s.kind, s.distribution, abs(float(t)), s.dof, 1 if float(t) > 0 else -1)
            for s, t in measured.terms.items()
            if t
        ),
        key=lambda c: (-c.u, c.source),
    )
    return Figure(
        study=study,
        name=name,
        value=float(measured.value),
        unit=unit,
        u=float(measured.u),
        conditions=conditions,
        method=method,
        sources=sources,
        dof=interval.dof,
        coverage_factor=interval.factor,
        lower=interval.lower,
        upper=interval.upper,
        budget=tuple(components),
        flags=flags,
    )


def measured_of(figure: Figure) -> Measured:
    """The measured number a figure was made from, rebuilt from its budget: shared sources correlate as they did."""
    return Measured(
        figure.value,
        {Source(c.source, c.kind, _shape(c.distribution), c.dof): c.sign * c.u for c in figure.budget},
    )


def _shape(distribution: str) -> Literal["normal", "rectangular", "triangular"]:
    if distribution == "rectangular":
        return "rectangular"
    return "triangular" if distribution == "triangular" else "normal"
