"""Least-squares fits whose parameters remember where their uncertainty comes from.

A model linear in its parameters has parameters linear in the data, a = P y, so the sources of error of the points pass
through P exactly, shared ones included: a fitted loss coefficient stays correlated with every figure read by the same
meter. Weights only choose P. By default they come from what each point has for itself, because full weighting by
strongly shared errors can pull a fit off its data (Peelle's pertinent puzzle: D'Agostini, Nucl. Instrum. Methods A 346
(1994) 306).
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from brickbook.core.uncertainty import COMPONENT, Measured, Source, covariance_of, scalar

__all__ = ["LinearFit", "NonlinearFit", "fit_linear", "fit_nonlinear", "own_variances"]

FloatArray = NDArray[np.float64]

_COMPLEX_STEP = 1e-30


@dataclass(frozen=True, slots=True)
class LinearFit:
    """A fit linear in its parameters.

    Parameters
    ----------
    parameters
        With the sources of the points, and those of the lack of fit.
    residuals
        Data minus model, shape (n,).
    chi2, dof
        Weighted sum of squared residuals and its degrees of freedom, n - p. NaN when the points have no uncertainty of
        their own to weigh them by.
    birge_ratio
        sqrt(chi2/dof); about 1 when the residuals are what the budget says.
    p_value
        Probability of a chi2 at least this large if the model and budget are right.
    residual_s
        Unweighted standard deviation of the residuals, sqrt(sum r^2/dof), in the unit of y.
    """

    parameters: tuple[Measured, ...]
    residuals: FloatArray
    chi2: float
    dof: int
    birge_ratio: float
    p_value: float
    residual_s: float

    @property
    def covariance(self) -> FloatArray:
        """Covariance matrix of the parameters, shape (p, p)."""
        return covariance_of(self.parameters)

    def at(self, row: ArrayLike) -> Measured:
        """The fitted model for one row of the design matrix, shape (p,)."""
        weights = np.asarray(row, dtype=np.float64)
        total = self.parameters[0] * float(weights[0])
        for parameter, weight in zip(self.parameters[1:], weights[1:], strict=True):
            total = total + parameter * float(weight)
        return total


@dataclass(frozen=True, slots=True)
class NonlinearFit:
    """A fit by iteration.

    Parameters
    ----------
    parameters
        Shape (p,).
    covariance
        s^2 (J'J)^-1, shape (p, p): what the residuals say, nothing of shared errors of the data.
    residuals
        Data minus model, shape (n,), in the unit of y.
    residual_s
        Standard deviation of the (weighted) residuals, sqrt(chi2/dof).
    chi2, dof
        (Weighted) sum of squared residuals and degrees of freedom, n - p.
    condition
        Condition number of the scaled Jacobian; above 1e8 the parameters are hardly told apart.
    evaluations
        Calls of the model.
    """

    parameters: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    residual_s: float
    chi2: float
    dof: int
    condition: float
    evaluations: int

    @property
    def u(self) -> FloatArray:
        """Standard uncertainties of the parameters, shape (p,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    def measured(self, source: str) -> tuple[Measured, ...]:
        """The parameters as correlated type A numbers of one family called `source`."""
        return tuple(
            Measured(float(value), dict(terms))
            for value, terms in zip(self.parameters, _family(self.covariance, self.dof, source), strict=True)
        )


def own_variances(points: Sequence[Measured]) -> FloatArray:
    """Variance of each point from sources no other point has, shape (n,)."""
    uses = Counter(source for point in points for source, term in point.terms.items() if float(term) != 0.0)
    return np.array([sum(float(t) ** 2 for s, t in point.terms.items() if uses[s] == 1) for point in points])


def fit_linear(
    design: ArrayLike,
    points: Sequence[Measured],
    *,
    source: str,
    weighting: ArrayLike | None = None,
) -> LinearFit:
    """Least squares for y = design @ parameters.

    Parameters
    ----------
    design
        Design matrix, shape (n, p), n > p, free of error.
    points
        The n values of y.
    source
        Identity of the lack of fit as a source of error.
    weighting
        Covariance matrix, shape (n, n), or variances, shape (n,), that set the weights (Aitken's generalised least
        squares); `covariance_of(points)` for the full one. By default `own_variances(points)`, or equal weights when a
        point has none. The uncertainty of the parameters always comes from all sources of the points, whatever the
        weights.

    Returns
    -------
    LinearFit
        Where the residuals exceed what the weighting says, by the Birge ratio R > 1 (Birge, Phys. Rev. 40 (1932) 207),
        the excess (R^2 - 1) P V P' is added as type A sources with n - p degrees of freedom. When the points have no
        uncertainty of their own all of it is, with s^2 from the residuals (GUM H.3.2).

    Raises
    ------
    ValueError
        When there are not more points than parameters, shapes differ, something is not finite, the columns of the
        design are dependent, or the weighting is no covariance matrix.
    """
    x = np.asarray(design, dtype=np.float64)
    for point in points:
        scalar(point)
    y = np.array([float(point.value) for point in points])
    if x.ndim != 2 or len(x) != len(y):
        raise ValueError(f"the design matrix has shape {x.shape}, there are {len(y)} points")
    n, p = x.shape
    if n <= p:
        raise ValueError(f"a fit of {p} parameters with uncertainty needs at least {p + 1} points, there are {n}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("the data of a fit must be finite: leave out missing points")
    variance = _weighting(points, weighting)
    known = variance is not None
    root = np.eye(n) if variance is None else _root(variance)  # weights @ V @ weights.T = 1
    xw, yw = _solve(root, x), _solve(root, y)
    scale = np.linalg.norm(xw, axis=0)
    if not (scale > 0).all():
        raise ValueError("a column of the design matrix is zero")
    q, r = np.linalg.qr(xw / scale)
    if np.linalg.cond(r) > 1e12:
        raise ValueError("the columns of the design matrix are not independent: these points cannot tell them apart")
    inverse = np.linalg.solve(r, np.eye(p)) / scale[:, None]
    projector = inverse @ _solve(root, q, transposed=True).T  # parameters = projector @ y
    values = inverse @ (q.T @ yw)
    weighted = yw - xw @ values
    residuals = y - x @ values
    dof = n - p
    squares = float(weighted @ weighted)
    excess = squares / dof - 1.0 if known else squares / dof
    terms = _carried(projector, points)
    if excess > 0.0:
        for own, more in zip(terms, _family(excess * (inverse @ inverse.T), dof, source), strict=True):
            own.update(more)
    return LinearFit(
        parameters=tuple(Measured(float(v), t) for v, t in zip(values, terms, strict=True)),
        residuals=residuals,
        chi2=squares if known else float("nan"),
        dof=dof,
        birge_ratio=float(np.sqrt(squares / dof)) if known else float("nan"),
        p_value=float(special.gammaincc(dof / 2, squares / 2)) if known else float("nan"),
        residual_s=float(np.sqrt(residuals @ residuals / dof)),
    )


def fit_nonlinear(
    model: Callable[..., Any],
    x: ArrayLike,
    y: ArrayLike,
    start: ArrayLike,
    *,
    u_y: ArrayLike | None = None,
    lower: ArrayLike = -np.inf,
    upper: ArrayLike = np.inf,
) -> NonlinearFit:
    """Least squares for y = model(x, *parameters), by a trust-region method.

    Derivatives are complex-step ones where the model carries complex parameters, else three-point differences.

    Parameters
    ----------
    model
        Called with `x` and each parameter, gives an array of shape (n,).
    x, y
        Data; y of shape (n,).
    start
        Starting values, shape (p,).
    u_y
        Standard uncertainties that weigh the points, shape (n,). They set the weights only: the covariance is scaled by
        what the residuals say.
    lower, upper
        Bounds, shape (p,) or one number.

    Raises
    ------
    ValueError
        When there are not more points than parameters, data are not finite, u_y is not positive, or the start is
        outside the bounds.
    ArithmeticError
        When the iteration does not converge, or the parameters cannot be told apart.
    """
    data = np.asarray(y, dtype=np.float64)
    first = np.asarray(start, dtype=np.float64)
    n, p = len(data), len(first)
    if n <= p:
        raise ValueError(f"a fit of {p} parameters with uncertainty needs at least {p + 1} points, there are {n}")
    weight = np.ones(n) if u_y is None else 1.0 / np.asarray(u_y, dtype=np.float64)
    if not (np.isfinite(data).all() and np.isfinite(weight).all() and (weight > 0).all()):
        raise ValueError("the data of a fit must be finite and their uncertainties positive: leave out missing points")
    low, high = np.broadcast_to(lower, (p,)), np.broadcast_to(upper, (p,))
    if not ((low <= first) & (first <= high)).all():
        raise ValueError(f"the starting values {first.tolist()} are not within the bounds")
    calls = 0

    def residual(parameters: FloatArray) -> FloatArray:
        nonlocal calls
        calls += 1
        return np.asarray(weight * (np.asarray(model(x, *parameters), dtype=np.float64) - data), dtype=np.float64)

    def jacobian(parameters: FloatArray) -> FloatArray:
        nonlocal calls
        columns = []
        for k in range(p):
            stepped = parameters.astype(np.complex128)
            stepped[k] += 1j * _COMPLEX_STEP
            columns.append(weight * np.imag(model(x, *stepped)) / _COMPLEX_STEP)
        calls += p
        return np.column_stack(columns)

    with np.errstate(over="ignore", invalid="ignore"):  # a step too far is taken back by the trust region
        found = optimize.least_squares(
            residual,
            first,
            jac=jacobian if _takes_complex(model, x, first) else "3-point",
            bounds=(low, high),
            method="trf",
            x_scale="jac",
            ftol=1e-15,
            xtol=1e-15,
            gtol=1e-15,
            max_nfev=2000,
        )
    if found.status <= 0:
        raise ArithmeticError(f"the fit did not converge from {first.tolist()}: try other starting values")
    jac = np.asarray(found.jac, dtype=np.float64)
    scale = np.linalg.norm(jac, axis=0)
    if not (scale > 0).all():
        raise ArithmeticError("a parameter has no effect on the model here: try other starting values")
    _, singular, direction = np.linalg.svd(jac / scale, full_matrices=False)
    if singular[-1] < 1e-13 * singular[0]:
        raise ArithmeticError("the data cannot tell the parameters apart: use a simpler model")
    dof = n - p
    chi2 = float(found.fun @ found.fun)
    half = (direction.T / singular) / scale[:, None]
    return NonlinearFit(
        parameters=np.asarray(found.x, dtype=np.float64),
        covariance=np.asarray(chi2 / dof * (half @ half.T), dtype=np.float64),
        residuals=np.asarray(-found.fun / weight, dtype=np.float64),
        residual_s=float(np.sqrt(chi2 / dof)),
        chi2=chi2,
        dof=dof,
        condition=float(singular[0] / singular[-1]),
        evaluations=calls,
    )


def _weighting(points: Sequence[Measured], weighting: ArrayLike | None) -> FloatArray | None:
    """Variances (n,) or covariance (n, n); `None` for equal weights of unknown size."""
    if weighting is None:
        own = own_variances(points)
        return own if (own > 0).all() else None
    given = np.asarray(weighting, dtype=np.float64)
    if given.shape not in ((len(points),), (len(points), len(points))):
        raise ValueError(f"the weighting has shape {given.shape}, there are {len(points)} points")
    return given


def _root(variance: FloatArray) -> FloatArray:
    """Lower triangular L with L L' = V."""
    if variance.ndim == 1:
        if not (variance > 0).all() or not np.isfinite(variance).all():
            raise ValueError("the variances that weigh a fit must be positive and finite")
        return np.diag(np.sqrt(variance))
    try:
        return np.asarray(np.linalg.cholesky(variance), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        raise ValueError(
            "the weighting is not a positive definite covariance matrix: points without an error of their own cannot "
            "be weighed by shared ones alone"
        ) from error


def _solve(root: FloatArray, right: FloatArray, *, transposed: bool = False) -> FloatArray:
    return np.asarray(np.linalg.solve(root.T if transposed else root, right), dtype=np.float64)


def _carried(projector: FloatArray, points: Sequence[Measured]) -> list[dict[Source, Any]]:
    """The points' sources carried to the parameters."""
    terms: list[dict[Source, Any]] = [{} for _ in projector]
    for k, point in enumerate(points):
        for source, term in point.terms.items():
            for own, weight in zip(terms, projector[:, k], strict=True):
                own[source] = own.get(source, 0.0) + float(weight) * float(term)
    return terms


def _family(covariance: FloatArray, dof: float, source: str) -> list[dict[Source, Any]]:
    """Independent type A sources of one family that give this covariance."""
    spread = np.sqrt(np.diag(covariance))
    safe = np.where(spread > 0, spread, 1.0)
    size, direction = np.linalg.eigh(covariance / np.outer(safe, safe))
    parts = direction * np.sqrt(np.maximum(size, 0.0)) * spread[:, None]
    sources = [Source(f"{source}{COMPONENT}{k + 1}", "A", "normal", dof) for k in range(len(parts))]
    return [{s: float(t) for s, t in zip(sources, row, strict=True)} for row in parts]


def _takes_complex(model: Callable[..., Any], x: ArrayLike, start: FloatArray) -> bool:
    """Whether the model carries each parameter's imaginary part, tried at the start against a real difference."""
    for k in range(len(start)):
        stepped = start.astype(np.complex128)
        stepped[k] += 1j * _COMPLEX_STEP
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", np.exceptions.ComplexWarning)  # what is dropped is found just below
                moved = model(x, *stepped)
        except TypeError:
            return False
        if not np.iscomplexobj(moved):
            return False
        step = 1e-6 * max(abs(float(start[k])), 1e-3)
        up, down = start.copy(), start.copy()
        up[k] += step
        down[k] -= step
        slope = np.imag(moved) / _COMPLEX_STEP
        difference = (np.asarray(model(x, *up)) - np.asarray(model(x, *down))) / (2 * step)
        if not np.allclose(slope, difference, rtol=1e-3, atol=1e-3 * float(np.max(np.abs(slope))) + 1e-300):
            return False
    return True
