"""The figures that sum a shelf up, and where each charger stands in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError
from brickbook.core.study import Mains
from brickbook.library.catalogue import Catalogue
from brickbook.library.comparing import Comparison, compare_items
from brickbook.library.shelf import Shelf, better_end, gather_shelf

__all__ = ["MAIN_FIGURES", "MainFigure", "MainShelf", "Standing", "main_shelves", "places", "standings"]


@dataclass(frozen=True, slots=True)
class MainFigure:
    """A figure by which shelves are compared.

    Parameters
    ----------
    title
        Heading; the mains is added where there is one for each.
    figure
        "study/name".
    when
        Conditions.
    each_mains
        Once for each mains voltage of the book.
    """

    title: str
    figure: str
    when: Mapping[str, Scalar] = field(default_factory=dict)
    each_mains: bool = False


MAIN_FIGURES = (
    MainFigure(
        "Average efficiency", "efficiency/average_active_efficiency_ratio", {"voltage_end": "highest"}, each_mains=True
    ),
    MainFigure("No-load power", "standby/no_load_power_w", each_mains=True),
    MainFigure("Deviation from 5 V", "regulation/voltage_deviation_ratio", {"output_v": 5.0}),
    MainFigure("Ripple at 5 V, full load", "ripple/ripple_pp_v", {"output_v": 5.0, "load_ratio": 1.0}),
    MainFigure("Power held for an hour", "soak/sustained_power_ratio"),
    MainFigure("Power density", "value/power_density_w_per_cm3", {"volume": "without prongs"}),
    MainFigure("Specific power", "value/specific_power_w_per_g"),
    MainFigure("Price per watt", "value/price_per_watt"),
)


@dataclass(frozen=True, slots=True)
class MainShelf:
    """A main figure over all chargers that have it.

    Parameters
    ----------
    title
        Heading with the mains.
    shelf, comparison
        The chargers, compared with each other.
    """

    title: str
    shelf: Shelf
    comparison: Comparison


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one charger stands in one figure.

    Parameters
    ----------
    words
        The figure in words.
    figure
        Its key.
    count
        Chargers that have it, this one among them.
    better, worse
        How many are surely better and surely worse.
    place
        First and last place it may have, counted from the good end.
    """

    words: str
    figure: str
    count: int
    better: int
    worse: int
    place: tuple[int, int]


def main_shelves(catalogue: Catalogue, mains: Sequence[Mains]) -> tuple[MainShelf, ...]:
    """The main figures of all chargers, as far as at least one has them."""
    found = []
    for main in MAIN_FIGURES:
        supplies = [m.voltage_v for m in mains] if main.each_mains else [None]
        for volts in supplies:
            when = dict(main.when) | ({} if volts is None else {"mains_v": volts})
            try:
                shelf = gather_shelf(catalogue, main.figure, when)
            except BookError:
                continue  # nobody has it
            title = main.title if volts is None else f"{main.title}, {volts:g} V"
            found.append(MainShelf(title, shelf, compare_items(shelf.items)))
    return tuple(found)


def places(shelf: Shelf, comparison: Comparison) -> list[tuple[int, int]]:
    """First and last place each charger may have, counted from the good end, or from the smallest where none is."""
    n = len(shelf.items)
    if better_end(shelf.name) == "largest":
        return [
            (n + 1 - int(high), n + 1 - int(low))
            for low, high in zip(comparison.rank_low, comparison.rank_high, strict=True)
        ]
    return [(int(low), int(high)) for low, high in zip(comparison.rank_low, comparison.rank_high, strict=True)]


def standings(shelves: Sequence[MainShelf]) -> dict[tuple[str, str], tuple[Standing, ...]]:
    """Book and charger to its standings; figures of which no end is the good one tell nothing here."""
    found: dict[tuple[str, str], list[Standing]] = {}
    for main in shelves:
        end = better_end(main.shelf.name)
        if not end:
            continue
        place = places(main.shelf, main.comparison)
        largest = end == "largest"
        for k, entry in enumerate(main.shelf.entries):
            more, fewer = int(main.comparison.more[k]), int(main.comparison.fewer[k])
            better, worse = (more, fewer) if largest else (fewer, more)
            found.setdefault((entry.book, entry.charger), []).append(
                Standing(main.shelf.words, entry.figure.key, len(main.shelf.items), better, worse, place[k])
            )
    return {name: tuple(own) for name, own in found.items()}
