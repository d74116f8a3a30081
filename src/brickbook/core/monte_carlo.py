"""Propagation of distributions by Monte Carlo, for formulas that are not smooth: maxima, minima, crossings.

The method of JCGM 101:2008 clause 7. The result stays part of the budget: the part of the scatter that follows a source
linearly keeps that source, so that the number remains correlated with others that share it; what is left over, which is
the effect of the kink, becomes one normal source of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brickbook.core.uncertainty import Measured, Source, scalar

__all__ = ["Simulated", "propagate_monte_carlo"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Simulated:
    """What the draws gave.

    Parameters
    ----------
    measured
        The formula at the best estimates, with the standard deviation of the draws as u, shared among the sources.
    shift
        Mean of the draws minus that value: a maximum of noisy numbers is on average too high. Not corrected.
    lower, upper
        Probabilistically symmetric 95 % interval of the draws (JCGM 101:2008 7.7.2), with each normal source of finite
        degrees of freedom drawn from its t distribution (6.4.9).
    leftover
        Standard deviation of the draws that no source explains linearly.
    draws
        Their number.
    """

    measured: Measured
    shift: float
    lower: float
    upper: float
    leftover: float
    draws: int


def propagate_monte_carlo(
    function: Callable[..., Any],
    *inputs: Measured | float,
    source: str,
    seed: int,
    draws: int = 100_000,
) -> Simulated:
    """The value of any formula with the uncertainty of its inputs, by drawing their errors.

    Parameters
    ----------
    function
        Takes one array of draws, shape (draws,), for each input and returns an array of that shape
        (`numpy.maximum`, not `max`).
    inputs
        Single numbers; plain floats are exact.
    source
        Identity of the left-over source.
    seed
        Seed of the generator; the same seed gives the same result.
    draws
        Number of draws, at least 1000. u is good to about 0.7/sqrt(draws) of itself.

    Raises
    ------
    TypeError
        When an input is an array, or the function does not return one number for each draw.
    ValueError
        With too few draws, or when a result is not finite.
    """
    if draws < 1000:
        raise ValueError(f"at least 1000 draws are needed, {draws} were asked for")
    for number in inputs:
        if isinstance(number, Measured):
            scalar(number)
    best = float(function(*(m.value if isinstance(m, Measured) else m for m in inputs)))
    sources = list(dict.fromkeys(s for m in inputs if isinstance(m, Measured) for s in m.terms))
    generator = np.random.default_rng(seed)
    errors = {s: _draw(generator, s, draws) for s in sources}
    outcome = _evaluate(function, inputs, errors, draws)
    scatter = outcome - outcome.mean()
    terms: dict[Source, float] = {}
    leftover = float(np.std(scatter))
    if sources:  # least squares on all at once: for a linear formula nothing is left over, whatever the draws
        table = np.stack([errors[s] - errors[s].mean() for s in sources])
        slopes = np.linalg.solve(table @ table.T, table @ scatter)
        terms = {s: float(t) for s, t in zip(sources, slopes, strict=True)}
        leftover = float(np.std(scatter - slopes @ table))
    if leftover > 1e-9 * float(np.std(scatter)):
        terms[Source(source, "B", "normal")] = leftover
    # wide-tailed draws for the interval only: a t distribution of two degrees of freedom has no standard deviation
    known = {s.family: s.dof for s in sources if np.isfinite(s.dof)}
    stretch = {family: np.sqrt(dof / generator.chisquare(dof, draws)) for family, dof in known.items()}
    wide = {s: errors[s] * stretch[s.family] if np.isfinite(s.dof) else errors[s] for s in sources}
    lower, upper = np.quantile(_evaluate(function, inputs, wide, draws), [0.025, 0.975])
    return Simulated(Measured(best, terms), float(outcome.mean()) - best, float(lower), float(upper), leftover, draws)


def _draw(generator: np.random.Generator, source: Source, draws: int) -> FloatArray:
    """Errors of unit standard deviation."""
    if source.distribution == "rectangular" and np.isinf(source.dof):
        return generator.uniform(-(3**0.5), 3**0.5, draws)
    if source.distribution == "triangular" and np.isinf(source.dof):
        return generator.triangular(-(6**0.5), 0.0, 6**0.5, draws)
    return generator.standard_normal(draws)


def _evaluate(
    function: Callable[..., Any], inputs: tuple[Measured | float, ...], errors: dict[Source, FloatArray], draws: int
) -> FloatArray:
    arguments = [
        sum((float(t) * errors[s] for s, t in m.terms.items()), start=np.full(draws, float(m.value)))
        if isinstance(m, Measured)
        else np.full(draws, float(m))
        for m in inputs
    ]
    outcome = np.asarray(function(*arguments), dtype=np.float64)
    if outcome.shape != (draws,):
        raise TypeError(f"the formula must give one number for each draw, it gave shape {outcome.shape}")
    if not np.isfinite(outcome).all():
        count = int(np.count_nonzero(~np.isfinite(outcome)))
        raise ValueError(f"the formula is not finite for {count} of {draws} draws within the inputs' uncertainty")
    return outcome
