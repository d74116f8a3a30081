"""Numbers that remember where their uncertainty comes from.

A `Measured` holds a value and, for each named source of error, the signed standard contribution of that source. Two
numbers that share a source are correlated through it; nothing else correlates them. Combination is the law of
propagation of JCGM 100:2008 (GUM) 5.1.2 and 5.2.2 with sensitivities found by the complex step, so that a formula is
written once. Values may be floats or arrays of one shape; a source marked `per_element` is independent from element to
element (scatter of each point), any other is common to all elements (gain of the meter that read them).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Measured",
    "Source",
    "correlated_means",
    "covariance_of",
    "exact",
    "mean_of",
    "propagate",
    "propagate_differences",
    "sum_of",
    "type_a",
    "type_b",
    "welch_satterthwaite",
    "with_source",
]

Number = float | NDArray[np.float64]
COMPONENT = ", component "  # marks the members of one family of sources
_STEP = 1e-30  # complex step: no subtraction, so it may be as small as floats allow
_CHECK = 1e-2  # of u: step of the real difference that checks the complex step
_AGREE = 2e-2  # how well the two must agree, relative to the sum of the absolute contributions


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
    elements, base
        Which elements of the array called `base` a part of it holds; kept by indexing.
    """

    id: str
    kind: Literal["A", "B"] = field(default="B", compare=False)
    distribution: Literal["normal", "rectangular", "triangular"] = field(default="rectangular", compare=False)
    dof: float = field(default=float("inf"), compare=False)
    per_element: bool = False
    elements: NDArray[np.intp] | None = field(default=None, compare=False, repr=False)
    base: str = field(default="", compare=False, repr=False)

    def __post_init__(self) -> None:
        if not self.dof > 0:
            raise ValueError(f"source {self.id!r}: degrees of freedom must be above 0, these are {self.dof}")

    @property
    def family(self) -> str:
        """What stands before ", component k" in the id, else the id.

        Components of one family are independent errors whose standard uncertainties come from one estimate of scatter:
        it is right or wrong for all, so Welch–Satterthwaite counts them once. The id says so because that is what a
        published budget keeps.
        """
        return self.id.partition(COMPONENT)[0]


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
        return welch_satterthwaite(self.terms)

    def __getitem__(self, index: Any) -> Measured:
        """Elements of an array.

        An element keeps its identity whichever way it is reached: a[2:5][0] and a[2] have the same sources, and
        a[1:] - a[:-1] subtracts numbers that are independent in their per-element sources.
        """
        value = np.asarray(self.value)
        picked = value[index]
        numbers = np.arange(value.size).reshape(value.shape)[index]
        terms: dict[Source, Number] = {}
        for source, term in self.terms.items():
            part = _whole(term, value.shape)[index]
            own = _part(source, numbers, value.size) if source.per_element else source
            terms[own] = part if np.ndim(picked) else float(part)
        return Measured(picked if np.ndim(picked) else float(picked), terms)

    def __add__(self, other: Measured | Number) -> Measured:
        return _linear((self, 1.0), (other, 1.0), lambda a, b: a + b)

    __radd__ = __add__

    def __sub__(self, other: Measured | Number) -> Measured:
        return _linear((self, 1.0), (other, -1.0), lambda a, b: a - b)

    def __rsub__(self, other: Number) -> Measured:
        return _linear((self, -1.0), (other, 1.0), lambda a, b: b - a)

    def __neg__(self) -> Measured:
        return 0.0 - self

    def __mul__(self, other: Measured | Number) -> Measured:
        y = other.value if isinstance(other, Measured) else other
        return _linear((self, y), (other, self.value), lambda a, b: a * b)

    __rmul__ = __mul__

    def __truediv__(self, other: Measured | Number) -> Measured:
        y = other.value if isinstance(other, Measured) else other
        return _linear((self, 1.0 / y), (other, -self.value / np.square(y)), lambda a, b: a / b)

    def __rtruediv__(self, other: Number) -> Measured:
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
        {Source(source, "B", "rectangular", per_element=per_element and bool(np.ndim(value))): _plain(u, value)},
    )


def with_source(measured: Measured, source: Source, u: Number) -> Measured:
    """The same number with one more source; a source already there is added linearly."""
    terms = dict(measured.terms)
    terms[source] = terms.get(source, 0.0) + u
    return Measured(measured.value, terms)


def correlated_means(samples: ArrayLike, source: str) -> tuple[Measured, ...]:
    """Means of quantities read together, with the correlation their readings show (GUM 5.2.3, H.2).

    The covariance of the means is s(q_i, q_j)/n, kept exactly through common type A sources of one family.

    Parameters
    ----------
    samples
        Readings, shape (n, m): n sets of m quantities, n >= 2, independent from set to set.
    source
        Identity of this series.

    Raises
    ------
    ValueError
        With fewer than two sets, or a reading missing.
    """
    table = np.asarray(samples, dtype=np.float64)
    if table.ndim != 2 or len(table) < 2:
        raise ValueError(f"a table of at least two sets of readings is needed, this has shape {table.shape}")
    if not np.isfinite(table).all():
        raise ValueError("a reading is missing: leave out its whole set")
    n = len(table)
    means = table.mean(axis=0)
    _, strength, direction = np.linalg.svd(table - means, full_matrices=False)
    parts = strength[:, None] * direction / np.sqrt(n * (n - 1.0))  # parts.T @ parts is the covariance of the means
    sources = [Source(f"{source}{COMPONENT}{k + 1}", "A", "normal", n - 1.0) for k in range(len(parts))]
    return tuple(
        Measured(float(mean), {s: float(t) for s, t in zip(sources, column, strict=True)})
        for mean, column in zip(means, parts.T, strict=True)
    )


def welch_satterthwaite(terms: Mapping[Source, Number]) -> float:
    """Effective degrees of freedom of a sum of terms (GUM G.4.1, equation G.2b); not rounded down.

    u^4 / sum(u_i^4/nu_i), where the terms of one family count as one.
    """
    squares: dict[str, tuple[float, float]] = {}
    total = 0.0
    for source, term in terms.items():
        square = float(term) ** 2
        total += square
        if np.isfinite(source.dof):
            before, _ = squares.get(source.family, (0.0, 0.0))
            squares[source.family] = (before + square, source.dof)
    bottom = sum(square**2 / dof for square, dof in squares.values())
    return total**2 / bottom if bottom > 0 else float("inf")


def covariance_of(numbers: Sequence[Measured]) -> NDArray[np.float64]:
    """Covariance matrix of single numbers, shape (n, n): the sum over their shared sources (GUM F.1.2.3)."""
    columns: dict[Source, NDArray[np.float64]] = {}
    for k, number in enumerate(numbers):
        scalar(number)
        for source, term in number.terms.items():
            columns.setdefault(source, np.zeros(len(numbers)))[k] = float(term)
    if not columns:
        return np.zeros((len(numbers), len(numbers)))
    table = np.column_stack(list(columns.values()))
    return np.asarray(table @ table.T, dtype=np.float64)


def propagate(function: Callable[..., Any], *inputs: Measured | Number) -> Measured:
    """The value of a formula with the uncertainty of its inputs.

    Sensitivities are complex-step derivatives, exact to rounding: df/dx = Im f(x + ih)/h (Squire & Trapp,
    SIAM Review 40 (1998) 110). The function must be analytic where it is used and work element by element on arrays.
    One that drops an imaginary part (`abs(x) * x`) would give a wrong sensitivity without a word: the change along all
    contributions is therefore checked against a real difference.

    Parameters
    ----------
    function
        Takes as many arguments as there are inputs, floats or arrays, and returns one like them.
    inputs
        Measured numbers or plain floats (exact).

    Raises
    ------
    TypeError
        When the function does not carry complex numbers through; use `propagate_differences` for a smooth one, the
        Monte Carlo method for one with a kink near the value.
    ValueError
        When the function mixes the elements of an array whose sources are independent from element to element.
    """
    values = [_valued(m) for m in inputs]
    value = function(*values)
    terms: dict[Source, Number] = {}
    along: Number = 0.0
    size: Number = 0.0
    for k, measured in enumerate(inputs):
        if not isinstance(measured, Measured) or not measured.terms:
            continue
        _same_shape(measured, value)
        if np.ndim(measured.value) and np.shape(value) != np.shape(measured.value):
            raise ValueError("the formula does not keep the shape of its array: use propagate_differences for it")
        stepped: list[Any] = list(values)
        stepped[k] = np.asarray(values[k], dtype=np.complex128) + 1j * _STEP
        try:
            moved = function(*stepped)
        except TypeError as error:
            raise TypeError(f"the formula cannot take complex numbers: {error}") from error
        sensitivity = np.imag(moved) / _STEP  # 0 where the formula does not use this input, or drops its imaginary part
        for source, term in measured.terms.items():
            terms[source] = terms.get(source, 0.0) + sensitivity * term
        along = along + sensitivity * measured.u
        size = size + np.abs(sensitivity * measured.u)
    if terms:
        _check_step(function, inputs, value, along, size)
    return _tidy(value, terms)


def propagate_differences(function: Callable[..., Any], *inputs: Measured | Number) -> Measured:
    """The same for a formula that cannot take complex numbers: half of f(x + u) - f(x - u) for each source.

    GUM 5.1.3 note 2. All inputs that share a source move together by their own contributions, so that correlation needs
    no further term. At a kink the result is the mean of both slopes, and the value is not moved: where a maximum, a
    minimum or a crossing lies within the uncertainty, use the Monte Carlo method.

    Raises
    ------
    ValueError
        When the function mixes the elements of an array whose sources are independent from element to element.
    """
    values = [_valued(m) for m in inputs]
    value = function(*values)
    terms: dict[Source, Number] = {}
    measured = [m for m in inputs if isinstance(m, Measured)]
    for number in measured:
        _same_shape(number, value)
    for source in dict.fromkeys(s for m in measured for s in m.terms):
        ends = []
        for sign in (1.0, -1.0):
            moved = [
                v + sign * m.terms.get(source, 0.0) if isinstance(m, Measured) else v
                for m, v in zip(inputs, values, strict=True)
            ]
            ends.append(function(*moved))
        terms[source] = (ends[0] - ends[1]) / 2
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
    b: tuple[Measured | Number, Number],
    function: Callable[[Any, Any], Any],
) -> Measured:
    first, c_first = a
    second, c_second = b
    value = function(first.value, _valued(second))
    _same_shape(first, value)
    terms: dict[Source, Number] = {s: c_first * t for s, t in first.terms.items()}
    if isinstance(second, Measured):
        _same_shape(second, value)
        for source, term in second.terms.items():
            terms[source] = terms.get(source, 0.0) + c_second * term
    return _tidy(value, terms)


def _check_step(
    function: Callable[..., Any],
    inputs: tuple[Measured | Number, ...],
    value: Any,
    along: Number,
    size: Number,
) -> None:
    """Compare the complex-step change along all contributions with a real one."""
    ends = [
        function(*(m.value + step * m.u if isinstance(m, Measured) else m for m in inputs))
        for step in (_CHECK, -_CHECK)
    ]
    difference = (ends[0] - ends[1]) / (2 * _CHECK)
    rounding = 1e-13 * np.abs(value) / _CHECK  # all that a real difference can promise
    wrong = np.abs(difference - along) > _AGREE * size + rounding
    if np.any(wrong):
        raise TypeError(
            "the complex step and a real difference disagree on this formula: it drops an imaginary part or has a kink "
            "here; use propagate_differences or Monte Carlo for it"
        )


def _same_shape(measured: Measured, value: Any) -> None:
    if (
        np.ndim(measured.value)
        and np.shape(measured.value) != np.shape(value)
        and any(source.per_element for source in measured.terms)
    ):
        raise ValueError(
            f"sources that are independent from element to element of shape {np.shape(measured.value)} cannot be "
            f"carried to a result of shape {np.shape(value)}: take the elements one by one"
        )


def _part(source: Source, numbers: Any, size: int) -> Source:
    """The source of some elements, by their numbers in the array it was made for."""
    base = source.base or source.id
    elements = np.asarray(numbers if source.elements is None else source.elements[numbers], dtype=np.intp)
    if elements.ndim == 0:
        return Source(f"{base}#{int(elements)}", source.kind, source.distribution, source.dof)
    if source.elements is None and np.array_equal(elements.ravel(), np.arange(size)):
        return source
    digest = blake2b(elements.tobytes(), digest_size=8).hexdigest()
    return Source(
        f"{base}#{digest}",
        source.kind,
        source.distribution,
        source.dof,
        per_element=True,
        elements=elements.ravel(),
        base=base,
    )


def _valued(number: Measured | Number) -> Any:
    return number.value if isinstance(number, Measured) else number


def _plain(u: Any, value: Number) -> Number:
    return np.asarray(u, dtype=np.float64) if np.ndim(value) else float(u)


def _tidy(value: Any, terms: Mapping[Source, Number]) -> Measured:
    if np.ndim(value):
        return Measured(np.asarray(value, dtype=np.float64), terms)
    return Measured(float(value), {s: float(t) for s, t in terms.items()})


def _whole(term: Number, shape: tuple[int, ...]) -> NDArray[np.float64]:
    return np.broadcast_to(np.asarray(term, dtype=np.float64), shape)
