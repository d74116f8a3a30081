"""The same model measured again: in which figures two samples differ.

Every figure both have, taken the same way, is one difference; all of them together are adjusted by Holm's method, so
that "different" anywhere in the list is false with a probability of at most 5 %. That two samples differ does not say
why: makers change models, but samples of one production differ as well, and two samples cannot tell one from the other.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.library.comparing import Difference, Item, compare_items, holm
from brickbook.library.entries import split_budget

__all__ = ["Change", "Retest", "compare_samples"]


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of both samples.

    Parameters
    ----------
    first, second
        The figures.
    difference
        Second minus first; `different` counts all figures of the list.
    """

    first: Figure
    second: Figure
    difference: Difference


@dataclass(frozen=True, slots=True)
class Retest:
    """Two samples of one model.

    Parameters
    ----------
    changes
        Figures both have, the surest difference first.
    only_first, only_second
        Keys of figures that only one has.
    """

    changes: tuple[Change, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]

    @property
    def different(self) -> tuple[Change, ...]:
        """Those that differ."""
        return tuple(change for change in self.changes if change.difference.different)


def compare_samples(
    first: Sequence[Figure],
    second: Sequence[Figure],
    *,
    instruments: Collection[str] = (),
    repeat_ratio: float = 0.0,
    level: float = 0.05,
) -> Retest:
    """Compare two samples figure by figure.

    Parameters
    ----------
    first, second
        Their figures, with budgets.
    instruments
        Names of those that read both samples: their errors cancel. None by default, which never makes a difference
        look surer.
    repeat_ratio
        Relative standard deviation between repeated set-ups, where the tester knows it.
    level
        Probability of one false "different" in the list.
    """
    ours, theirs = _by_key(first), _by_key(second)
    both = [key for key in ours if key in theirs]
    found = [(ours[key], theirs[key], *_difference(ours[key], theirs[key], instruments, repeat_ratio)) for key in both]
    adjusted = holm(np.array([p for *_, p in found], dtype=np.float64))
    changes = [
        Change(
            one,
            other,
            Difference(d.value, d.u, d.dof, d.expanded, d.e_n, d.p, float(p), different=bool(p <= level)),
        )
        for (one, other, d, _), p in zip(found, adjusted, strict=True)
    ]
    changes.sort(key=lambda c: (c.difference.p_adjusted, c.difference.p, -abs(c.difference.e_n), c.first.key))
    return Retest(
        tuple(changes),
        tuple(ours[key].key for key in ours if key not in theirs),
        tuple(theirs[key].key for key in theirs if key not in ours),
    )


def _by_key(figures: Sequence[Figure]) -> dict[tuple[str, str, str, Conditions], Figure]:
    """Figures by what they are; a load set by hand is never quite the same twice, so it is taken to 10 mA."""
    found: dict[tuple[str, str, str, Conditions], Figure] = {}
    for figure in figures:
        at = figure.conditions
        if "load_a" in at:
            at = at.with_(load_a=round(at.number("load_a"), 2))
        # the input power that goes with a harmonic, and the load of the best efficiency, are results
        at = at.with_(price_date=None, input_w=None)
        if figure.name == "peak_efficiency_ratio":
            at = at.with_(load_ratio=None)
        found.setdefault((figure.study, figure.name, figure.unit, at), figure)
    return found


def _difference(
    one: Figure, other: Figure, instruments: Collection[str], repeat_ratio: float
) -> tuple[Difference, float]:
    """Second minus first, and the probability that is fit to be one among many."""
    repeat_u = repeat_ratio * max(abs(one.value), abs(other.value))
    items = []
    for label, figure in (("first", one), ("second", other)):
        split = split_budget(figure, instruments)
        items.append(Item(label, figure.value, split.stated_u, split.scatter_u, split.scatter_dof, split.shared))
    compared = compare_items(items, repeat_u=repeat_u)
    return compared.difference(1, 0), compared.cautious_p(1, 0)
