"""Display rounding."""

import pytest

from brickbook.rules import rounded, shown


@pytest.mark.parametrize(
    ("value", "decimals", "up", "even"),
    [
        (0.8785, 3, "0.879", "0.878"),  # a half, to the even digit by GB/T 8170
        (0.8795, 3, "0.880", "0.880"),
        (0.0745, 3, "0.075", "0.074"),
        (0.87851, 3, "0.879", "0.879"),
        (2.675, 2, "2.68", "2.68"),  # as written, not as stored in binary
        (-0.0745, 3, "-0.075", "-0.074"),
        (0.1, 3, "0.100", "0.100"),
        (5, 0, "5", "5"),
    ],
)
def test_halves(value, decimals, up, even):
    assert rounded(value, decimals) == up
    assert rounded(value, decimals, "half-even") == even


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_only_finite_numbers(value):
    with pytest.raises(ValueError, match="only a finite number can be rounded"):
        rounded(value, 2)


@pytest.mark.parametrize(
    ("rule", "quantity", "value", "text"),
    [
        # (EU) 2019/1782 Annex II 2(a), (b): efficiency to 0.1 %, no-load to 0.01 W
        ("eu-2019-1782", "average_active_efficiency", 0.87654, "0.877"),
        ("eu-2019-1782", "no_load_power", 0.0749, "0.07"),
        # (EU) 2025/2052 Table 7: 0.1 %, 0.001 W
        ("eu-2025-2052", "average_active_efficiency", 0.87654, "0.877"),
        ("eu-2025-2052", "no_load_power", 0.0749, "0.075"),
        # no rounding instruction in the US rule
        ("us-10cfr430-level-vi", "average_active_efficiency", 0.87654, "0.87654"),
    ],
)
def test_precision_of_the_text(rules, rule, quantity, value, text):
    chosen = [(limit, r) for r in rules if r.id == rule for limit in r.limits if limit.quantity == quantity]
    assert {shown(value, limit, r) for limit, r in chosen} == {text}


def test_china_rounds_to_even(rules):
    """GB 20943-2025 by GB/T 8170 (half to even from memory, medium)."""
    assert next(r for r in rules if r.id == "cn-gb-20943-2025").rounding == "half-even"
