"""Whether a person feels a touch current, in words that promise nothing."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LIGHT_TOUCH_A", "REACTION_A", "Feeling", "feeling"]

LIGHT_TOUCH_A = (0.1e-3, 0.2e-3)
"""From about here a light touch with a small contact area is felt (common practice, no source)."""
REACTION_A = 0.5e-3
"""Upper end of zone AC-1 of IEC 60479-1, 15 to 100 Hz: usually no reaction. Also the usual threshold of perception or
startle reaction (from memory, high)."""


@dataclass(frozen=True, slots=True)
class Feeling:
    """What may be felt, and on what that rests."""

    words: str
    source: str


def feeling(current_a: float) -> Feeling:
    """What a weighted touch current of 50 or 60 Hz may feel like.

    Parameters
    ----------
    current_a
        rms [A]; the upper end of its interval, for a statement on the cautious side.

    Raises
    ------
    ValueError
        When it is negative.
    """
    if not current_a >= 0:
        raise ValueError(f"a current from 0 A on is needed, this is {current_a:g} A")
    if current_a < LIGHT_TOUCH_A[0]:
        return Feeling("mostly not felt", "common practice, no source")
    if current_a < LIGHT_TOUCH_A[1]:
        return Feeling("some feel a tingle on lightly touched metal", "common practice, no source")
    if current_a <= REACTION_A:
        return Feeling(
            "a tingle on lightly touched metal is likely", "common practice, no source; IEC 60479-1 zone AC-1"
        )
    return Feeling("felt, may startle", "IEC 60479-1, above zone AC-1")
