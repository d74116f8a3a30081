"""Do testers agree? Consensus of several testers' figures for one charger model, and who stands apart.

Each tester states a value and its standard uncertainty. Three questions, three tools:

- do two testers agree: `en_number`, `zeta_score` (ISO 13528:2015 9.7 and 9.6);
- what do all together say: `consensus`, weighted by 1/u^2 where the statements explain the scatter (chi-squared, Cox,
  Metrologia 39 (2002) 589, procedure A), else with a variance between testers after Paule & Mandel (J. Res. NBS 87
  (1982) 377), which charges the disagreement to everyone instead of believing the smallest stated uncertainty;
- which tester stands apart, whatever was stated: `robust_mean` (Algorithm A, ISO 13528:2015 C.3.1) and the z score.

Testers of different samples of one model also differ because samples do: a value far from the others is a tester, a
sample or a batch that differs, and the numbers do not tell which. Publications are cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

__all__ = [
    "Consensus",
    "RobustMean",
    "cautious_p",
    "consensus",
    "en_number",
    "expanded_u",
    "others_of",
    "robust_mean",
    "zeta_score",
]

FloatArray = NDArray[np.float64]

# of a normal sample cut at 1.5 s: sqrt of 1/E[min(z^2, 1.5^2)], and of 1/Phi^-1(3/4); ISO 13528:2015 C.3.1 and C.2.2
_CUT = 1.5
_SCALE = 1.134
_MAD = 1.483
_CHI_LEVEL = 0.05  # Cox 2002, procedure A
_LEAST_P = 1e-15


@dataclass(frozen=True, slots=True)
class RobustMean:
    """Mean and standard deviation that a few wild values hardly move.

    Parameters
    ----------
    value, s
        x* and s* of Algorithm A.
    u
        Standard uncertainty of the value, 1.25 s*/sqrt(p) (ISO 13528:2015 7.7.3).
    count
        Values used, p.
    z
        (x_i - x*)/s*, shape (p,); 0 where s* is 0 and the value is x*, else infinite.
    """

    value: float
    s: float
    u: float
    count: int
    z: FloatArray

    @property
    def action(self) -> NDArray[np.bool_]:
        """Which |z| are 3 or more: an action signal (ISO 13528:2015 9.4.2)."""
        return np.asarray(np.abs(self.z) >= 3.0)

    @property
    def warning(self) -> NDArray[np.bool_]:
        """Which |z| are at least 2 and below 3: a warning signal."""
        return np.asarray((np.abs(self.z) >= 2.0) & (np.abs(self.z) < 3.0))


@dataclass(frozen=True, slots=True)
class Consensus:
    """What several testers' figures say together.

    Parameters
    ----------
    value, u
        Consensus and its standard uncertainty [unit of the values].
    between
        Standard deviation between testers beyond what they state [unit]; 0 where the statements explain the scatter.
    method
        "weighted mean" or "between-tester variance".
    chi_squared, p
        Of the weighted mean, with n - 1 degrees of freedom, and the probability of as much by chance.
    zeta
        Shape (n,): departure of each tester from the consensus of the *others*, over its uncertainty, so that no
        tester is judged by a mean it has pulled to itself.
    """

    value: float
    u: float
    between: float
    method: Literal["weighted mean", "between-tester variance"]
    chi_squared: float
    p: float
    zeta: FloatArray


def en_number(first: float, expanded_first: float, second: float, expanded_second: float) -> float:
    """E_n = (x1 - x2)/sqrt(U1^2 + U2^2), U at the same coverage (ISO 13528:2015 9.7); |E_n| >= 1 is a difference.

    Raises
    ------
    ValueError
        When neither has an uncertainty.
    """
    return _over(first - second, expanded_first, expanded_second)


def zeta_score(value: float, u: float, assigned: float, u_assigned: float) -> float:
    """Zeta = (x - x_pt)/sqrt(u^2 + u_pt^2) (ISO 13528:2015 9.6); 2 warns, 3 asks for action.

    Raises
    ------
    ValueError
        When neither has an uncertainty.
    """
    return _over(value - assigned, u, u_assigned)


def _over(difference: float, one: float, other: float) -> float:
    both = float(np.hypot(one, other))
    if not both > 0:
        raise ValueError("an agreement needs an uncertainty on one side at least")
    return difference / both


def expanded_u(parts: Sequence[tuple[float, float]], level: float = 0.05) -> float:
    """Half-width that a difference exceeds by chance with at most this probability, whatever the true scatter is.

    sqrt(sum (t(1 - level/2, nu_i) u_i)^2), the interval of Banerjee (Sankhya 22 (1960) 357; from memory). The squares
    of two such half-widths add to that of the difference, so that it serves as U in `en_number`.

    Parameters
    ----------
    parts
        Independent parts: standard uncertainty and degrees of freedom; infinite for a bound, which is taken as normal
        with the same variance (for levels of 5 % and below that reaches further than a rectangle).
    level
        Probability, above 0 and below 1.
    """
    return float(sum((_student(level, dof) * u) ** 2 for u, dof in parts) ** 0.5)


def cautious_p(difference: float, parts: Sequence[tuple[float, float]]) -> float:
    """Probability of a difference at least this large by chance: the level at which `expanded_u` reaches it.

    Never told below 1e-15.

    Raises
    ------
    ValueError
        When no part has an uncertainty.
    """
    parts = [part for part in parts if part[0] > 0]
    if not parts:
        raise ValueError("a probability needs an uncertainty")
    size = abs(difference)
    if size == 0.0:
        return 1.0
    if all(np.isinf(dof) for _, dof in parts):
        return max(_LEAST_P, 2.0 * float(special.ndtr(-size / sum(u**2 for u, _ in parts) ** 0.5)))
    if expanded_u(parts, _LEAST_P) <= size:
        return _LEAST_P
    return float(np.exp(optimize.brentq(lambda x: expanded_u(parts, float(np.exp(x))) - size, np.log(_LEAST_P), 0.0)))


def _student(level: float, dof: float) -> float:
    if np.isinf(dof):
        return -float(special.ndtri(level / 2))
    return -float(special.stdtrit(dof, level / 2))


def robust_mean(values: ArrayLike) -> RobustMean:
    """Algorithm A of ISO 13528:2015 C.3.1 (the same in ISO 5725-5:1998 6.2), iterated until it stands.

    The standard stops at an unchanged third digit of s*; this goes on to rounding, which it calls allowed. Up to a
    quarter or so of wild values are survived. With fewer than about twelve values s* is itself a poor estimate: for
    five it is uncertain by a third.

    Parameters
    ----------
    values
        Shape (p,), p >= 2, all finite.

    Raises
    ------
    ValueError
        For fewer than two values, or one that is not finite.
    """
    x = _checked(values)
    middle = float(np.median(x))
    s = _MAD * float(np.median(np.abs(x - middle)))
    if s == 0.0:  # more than half are equal: ISO 13528:2015 C.3.1 note: another start is needed
        s = float(np.std(x, ddof=1))
    for _ in range(1000):
        if s == 0.0:
            break
        held = np.clip(x, middle - _CUT * s, middle + _CUT * s)
        before = middle, s
        middle, s = float(held.mean()), _SCALE * float(np.std(held, ddof=1))
        if abs(middle - before[0]) <= 1e-12 * max(s, 1e-300) and abs(s - before[1]) <= 1e-12 * s:
            break
    away = x - middle
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(away == 0.0, 0.0, away / s)
    return RobustMean(middle, s, 1.25 * s / len(x) ** 0.5, len(x), z)


def consensus(values: ArrayLike, u: ArrayLike) -> Consensus:
    """Consensus of testers who measured independently of one another.

    Parameters
    ----------
    values, u
        Shapes (n,), n >= 2: values and their standard uncertainties, all above zero.

    Raises
    ------
    ValueError
        For fewer than two values, shapes that differ, or an uncertainty that is not above zero.
    """
    x = _checked(values)
    s = np.asarray(u, dtype=np.float64)
    if s.shape != x.shape or not np.isfinite(s).all() or not (s > 0).all():
        raise ValueError("each value needs a standard uncertainty above zero")
    mean, u_mean, q = _weighted(x, s)
    p = float(special.chdtrc(len(x) - 1, q))
    between = 0.0 if p >= _CHI_LEVEL else paule_mandel(x, s)
    if between:
        mean, u_mean, _ = _weighted(x, np.hypot(s, between))
    return Consensus(
        value=mean,
        u=u_mean,
        between=between,
        method="between-tester variance" if between else "weighted mean",
        chi_squared=q,
        p=p,
        zeta=_apart(x, s),
    )


def paule_mandel(values: FloatArray, u: FloatArray) -> float:
    """Standard deviation t between testers at which sum (x - mean)^2/(u^2 + t^2) = n - 1; 0 where it is less at t = 0.

    The sum falls steadily with t, so that there is one root; it lies below the largest departure.
    """
    wanted = len(values) - 1

    def excess(t: float) -> float:
        return _weighted(values, np.hypot(u, t))[2] - wanted

    if excess(0.0) <= 0:
        return 0.0
    most = float(np.ptp(values)) * len(values) ** 0.5
    return float(optimize.brentq(excess, 0.0, most, xtol=1e-15 * most, rtol=1e-12))


def _weighted(x: FloatArray, u: FloatArray) -> tuple[float, float, float]:
    """Weighted mean, its standard uncertainty, and the sum of squared departures over u^2."""
    weights = 1.0 / u**2
    mean = float(weights @ x / weights.sum())
    return mean, float(weights.sum() ** -0.5), float(weights @ (x - mean) ** 2)


def others_of(values: ArrayLike, u: ArrayLike, k: int) -> tuple[float, FloatArray, float]:
    """What all testers but one say: their mean, the weight of each in it, and the deviation between them.

    Parameters
    ----------
    values, u
        Shapes (n,), n >= 2: of all testers.
    k
        The tester left out.

    Returns
    -------
    mean, weights, between
        Weights have shape (n,), 0 for tester k, and add to 1.
    """
    x, s = np.asarray(values, dtype=np.float64), np.asarray(u, dtype=np.float64)
    others, stated = np.delete(x, k), np.delete(s, k)
    mean, _, q = _weighted(others, stated)
    between = 0.0
    if len(others) > 1 and special.chdtrc(len(others) - 1, q) < _CHI_LEVEL:
        between = paule_mandel(others, stated)
        mean, _, _ = _weighted(others, np.hypot(stated, between))
    weights = 1.0 / (stated**2 + between**2)
    return mean, np.insert(weights / weights.sum(), k, 0.0), between


def _apart(x: FloatArray, u: FloatArray) -> FloatArray:
    zeta = np.empty(len(x))
    for k in range(len(x)):
        mean, weights, between = others_of(x, u, k)
        # one more tester varies as the others do
        variance = u[k] ** 2 + between**2 + float(weights**2 @ (u**2 + between**2))
        zeta[k] = (x[k] - mean) / float(np.sqrt(variance))
    return zeta


def _checked(values: ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or len(x) < 2:
        raise ValueError(f"an agreement needs two values or more, not shape {x.shape}")
    if not np.isfinite(x).all():
        raise ValueError("a value is not finite")
    return x
