"""How a text wants a number shown. Display only: everything is computed and judged unrounded."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Literal

from brickbook.rules.model import Limit, Rule

__all__ = ["rounded", "shown"]


def rounded(value: float, decimals: int, halves: Literal["half-up", "half-even"] = "half-up") -> str:
    """The shortest decimal text of a number, rounded to so many decimals.

    Parameters
    ----------
    value
        Finite number.
    decimals
        Decimals kept, 0 or more.
    halves
        "half-up" away from zero; "half-even" to the even digit, as GB/T 8170 (from memory, medium).

    Raises
    ------
    ValueError
        For a number that is not finite.
    """
    exact = Decimal(repr(float(value)))
    if not exact.is_finite():
        raise ValueError(f"only a finite number can be rounded, found {value}")
    mode = ROUND_HALF_EVEN if halves == "half-even" else ROUND_HALF_UP
    return str(exact.quantize(Decimal(1).scaleb(-decimals), rounding=mode))


def shown(value: float, limit: Limit, rule: Rule) -> str:
    """A number to the precision the text asks for, or as it is where it asks for none (the US rule has none).

    (EU) 2019/1782 Annex II 2: efficiency 0.1 %, no-load 0.01 W. (EU) 2025/2052 Table 7: 0.1 %, 0.001 W.
    """
    return repr(float(value)) if limit.decimals is None else rounded(value, limit.decimals, rule.rounding)
