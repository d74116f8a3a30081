"""Numbers that remember where their uncertainty comes from.

A `Measured` holds a value and, for each named source of error, the signed standard contribution of that source. Two
numbers that share a source are correlated through it; nothing else correlates them. Combination is the law of
propagation of JCGM 100:2008 (GUM) 5.1.2 and 5.2.2 with sensitivities found by the complex step, so that a formula is
written once. Values may be floats or arrays of one shape; a source marked `per_element` is independent from element to
element (scatter of each point), any other is common to all elements (gain of the meter that read them).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Measured", "Source", "exact", "mean_of", "propagate", "sum_of", "type_a", "type_b"]

Number = float | NDArray[np.float64]
_STEP = 1e-30  # complex step: no subtraction, so it may be as small as floats allow


@dataclass(frozen=True, slots=True)
class Source:
    """One source of error.

    Parameters
    ----------
    id
        Identity; equal ids are the same error.
    kind
        "A" or "B" (GUM 2.3.2, 2.3.3).
    distribution
        Shape of the error.
    dof
        Degrees of freedom; infinity for a bound taken as certain (GUM G.4.2).
    per_element
        Independent from element to element of an array.
    """

    id: str
    kind: Literal["A", "B"] = "B"
    distribution: Literal["normal", "rectangular", "triangular"] = "rectangular"
    dof: float = float("inf")
    per_element: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A value with its sources of error.

    Parameters
    ----------
    value
        Best estimate, float or array of shape (...).
    terms
        For each source, sensitivity times standard uncertainty, signed, shaped like `value`.
    """

    value: Number
    terms: Mapping[Source, Number] = field(default_factory=dict)

    # numpy must not take our operators element by element
    __array_ufunc__ = None

    @property
    def u(self) -> Number:
        """Combined standard uncertainty (GUM 5.1.2; shared sources are already added linearly)."""
        total: Number = np.zeros(np.shape(self.value)) if np.ndim(self.value) else 0.0
        for term in self.terms.values():
            total = total + np.square(term)
        root = np.sqrt(total)
        return root if np.ndim(self.value) else float(root)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch–Satterthwaite (GUM G.4.1); scalars only."""
        scalar(self)
        u = float(self.u)
        if u == 0.0:
            return float("inf")
        bottom = sum(float(t) ** 4 / s.dof for s, t in self.terms.items() if np.isfinite(s.dof))
        return u**4 / bottom if bottom > 0 else float("inf")

    def __getitem__(self, index: Any) -> Measured:
        """Elements of an array; per-element sources keep their identity."""
        value = np.asarray(self.value)
        picked = value[index]
        if np.ndim(picked):
            return Measured(picked, {s: _whole(t, value.shape)[index] for s, t in self.terms.items()})
        terms: dict[Source, Number] = {}
        for source, term in self.terms.items():
            own = replace(source, id=f"{source.id}#{index}", per_element=False) if source.per_element else source
            terms[own] = float(_whole(term, value.shape)[index])
        return Measured(float(picked), terms)

    def __add__(self, other: Measured | float) -> Measured:
        return _linear((self, 1.0), (other, 1.0), lambda a, b: a + b)

    __radd__ = __add__

    def __sub__(self, other: Measured | float) -> Measured:
        return _linear((self, 1.0), (other, -1.0), lambda a, b: a - b)

    def __rsub__(self, other: float) -> Measured:
        return _linear((self, -1.0), (other, 1.0), lambda a, b: b - a)

    def __neg__(self) -> Measured:
        return 0.0 - self

    def __mul__(self, other: Measured | float) -> Measured:
        y = other.value if isinstance(other, Measured) else other
        return _linear((self, y), (other, self.value), lambda a, b: a * b)

    __rmul__ = __mul__

    def __truediv__(self, other: Measured | float) -> Measured:
        y = other.value if isinstance(other, Measured) else other
        return _linear((self, 1.0 / y), (other, -self.value / np.square(y)), lambda a, b: a / b)

    def __rtruediv__(self, other: float) -> Measured:
        return _linear((self, -other / np.square(self.value)), (other, 1.0), lambda a, b: b / a)


def scalar(measured: Measured) -> None:
    """Raise `TypeError` unless the number is a single one."""
    if np.ndim(measured.value):
        raise TypeError(f"a single number is needed, this has shape {np.shape(measured.value)}")


def exact(value: Number) -> Measured:
    """A number without uncertainty."""
    return Measured(value)


def type_a(value: Number, u: Number, dof: float, source: str, *, per_element: bool = True) -> Measured:
    """A mean with the standard uncertainty of its scatter (GUM 4.2)."""
    return Measured(value, {Source(source, "A", "normal", dof, per_element and bool(np.ndim(value))): u})


def type_b(value: Number, half_width: Number, source: str, *, per_element: bool = False) -> Measured:
    """A value whose error lies within ±half_width with equal probability (GUM 4.3.7)."""
    u = np.asarray(half_width) / np.sqrt(3.0)
    return Measured(
        value,
        {Source(source, "B", "rectangular", per_element=per_element): u if np.ndim(value) else float(u)},
    )


def with_source(measured: Measured, source: Source, u: Number) -> Measured:
    """The same number with one more source; a source already there is added linearly."""
    terms = dict(measured.terms)
    terms[source] = terms.get(source, 0.0) + u
    return Measured(measured.value, terms)


def propagate(function: Callable[..., Any], *inputs: Measured | float) -> Measured:
    """The value of a formula with the uncertainty of its inputs.

    Sensitivities are complex-step derivatives, exact to rounding: df/dx = Im f(x + ih)/h (Squire & Trapp,
    SIAM Review 40 (1998) 110). The function must be analytic: one that drops the imaginary part (abs, max,
    comparison, float) is refused.

    Parameters
    ----------
    function
        Takes as many arguments as there are inputs, floats or arrays, and returns one like them.
    inputs
        Measured numbers or plain floats (exact).

    Raises
    ------
    TypeError
        When the function does not carry complex numbers through.
    """
    values = [m.value if isinstance(m, Measured) else m for m in inputs]
    value = function(*values)
    terms: dict[Source, Number] = {}
    for k, measured in enumerate(inputs):
        if not isinstance(measured, Measured) or not measured.terms:
            continue
        stepped: list[Any] = list(values)
        stepped[k] = np.asarray(values[k], dtype=np.complex128) + 1j * _STEP
        try:
            moved = function(*stepped)
        except TypeError as error:
            raise TypeError(f"the formula cannot take complex numbers: {error}") from error
        if not np.iscomplexobj(moved):
            raise TypeError("the formula drops the imaginary part: use differences or Monte Carlo for it")
        sensitivity = np.imag(moved) / _STEP
        for source, term in measured.terms.items():
            terms[source] = terms.get(source, 0.0) + sensitivity * term
    return _tidy(value, terms)


def sum_of(numbers: Iterable[Measured]) -> Measured:
    """Sum of single numbers; shared sources add linearly, others in quadrature."""
    items = list(numbers)
    terms: dict[Source, Number] = {}
    for item in items:
        scalar(item)
        for source, term in item.terms.items():
            terms[source] = terms.get(source, 0.0) + term
    return _tidy(sum(float(item.value) for item in items), terms)


def mean_of(numbers: Sequence[Measured]) -> Measured:
    """Arithmetic mean of single numbers. A gain error they share is not averaged away."""
    if not numbers:
        raise ValueError("the mean of nothing")
    return sum_of(numbers) * (1.0 / len(numbers))


def _linear(
    a: tuple[Measured, Number],
    b: tuple[Measured | float, Number],
    function: Callable[[Any, Any], Any],
) -> Measured:
    first, c_first = a
    second, c_second = b
    terms: dict[Source, Number] = {s: c_first * t for s, t in first.terms.items()}
    if isinstance(second, Measured):
        for source, term in second.terms.items():
            terms[source] = terms.get(source, 0.0) + c_second * term
        return _tidy(function(first.value, second.value), terms)
    return _tidy(function(first.value, second), terms)


def _tidy(value: Any, terms: Mapping[Source, Number]) -> Measured:
    if np.ndim(value):
        return Measured(np.asarray(value, dtype=np.float64), terms)
    return Measured(float(value), {s: float(t) for s, t in terms.items()})


def _whole(term: Number, shape: tuple[int, ...]) -> NDArray[np.float64]:
    return np.broadcast_to(np.asarray(term, dtype=np.float64), shape)
