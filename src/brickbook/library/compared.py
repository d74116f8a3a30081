"""One figure over all chargers of a catalogue, ready to be shown: compared, ordered, and several figures at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.core.page import Section
from brickbook.library.catalogue import Catalogue
from brickbook.library.comparing import Comparison, compare_items
from brickbook.library.page import front_section, shelf_section
from brickbook.library.pareto import Front, pareto_front
from brickbook.library.shelf import Shelf, better_end, gather_shelf

__all__ = ["Compared", "FrontRows", "compare_shelf"]

FrontRows = tuple[tuple[str, ...], tuple[tuple[int, ...], ...], Front]


@dataclass(frozen=True, slots=True)
class Compared:
    """A shelf and what was found on it.

    Parameters
    ----------
    shelf, comparison
        The figure of all chargers, and their differences.
    against
        Index on the shelf of the one all are compared with; `None`: each with each.
    front
        Titles, places on each shelf and standing, where further figures were asked for.
    sections
        What is shown.
    missing
        Chargers that were not analysed.
    """

    shelf: Shelf
    comparison: Comparison
    against: int | None
    front: FrontRows | None
    sections: tuple[Section, ...]
    missing: tuple[str, ...]


def compare_shelf(
    catalogue: Catalogue,
    figure: str,
    when: Mapping[str, Scalar] | None = None,
    *,
    further: Sequence[str] = (),
    against: str | None = None,
    repeat_u: float = 0.0,
) -> Compared:
    """Compare a figure over all chargers.

    Parameters
    ----------
    catalogue
        All chargers.
    figure, when
        As `gather_shelf`.
    further
        Further figures: who is beaten in all of them.
    against
        Folder name of a charger that all are compared with.
    repeat_u
        Standard deviation between repeated set-ups [unit of the figure].

    Raises
    ------
    BookError
        When a figure, a condition or a charger is not there, or nothing says which end of a further figure is good.
    """
    shelf = gather_shelf(catalogue, figure, when)
    others = tuple(gather_shelf(catalogue, name) for name in further)
    missing = tuple(name for done in catalogue.refreshed for name in done.missing)
    other = None if against is None else _index_of(shelf, against)
    compared = _compared(shelf, other, repeat_u)
    sections = [shelf_section(shelf, compared, against=shelf.entries[other].title if other is not None else "")]
    front = None
    if others:
        front = _front((shelf, *others), catalogue)
        sections.append(front_section((shelf, *others), front[0], front[1], front[2]))
    return Compared(shelf, compared, other, front, tuple(sections), missing)


def _compared(shelf: Shelf, against: int | None, repeat_u: float) -> Comparison:
    try:
        return compare_items(shelf.items, against=against, repeat_u=repeat_u)
    except ValueError as error:
        raise BookError(Fault("--repeat-u", f"{repeat_u:g}", f"{error}.")) from error


def _index_of(shelf: Shelf, charger: str) -> int:
    for k, label in enumerate(shelf.items.labels):
        if charger == label or label.startswith(f"{charger} ("):
            return k
    there = ", ".join(shelf.items.labels[:20])
    raise BookError(Fault("--against", charger, "has no such figure taken so.", f"There are: {there}."))


def _front(shelves: tuple[Shelf, ...], catalogue: Catalogue) -> FrontRows:
    """Chargers that have all figures, where each stands on each shelf, and the front."""
    ends = []
    for shelf in shelves:
        end = better_end(shelf.name)
        if not end:
            problem = f"nothing says whether more or less of {shelf.study}/{shelf.name} is better."
            raise BookError(Fault("--with", shelf.name, problem, "Compare it alone."))
        ends.append(end)
    where = [{(e.book, e.charger): k for k, e in enumerate(shelf.entries)} for shelf in shelves]
    have = [key for key in where[0] if all(key in places_ for places_ in where)]
    if not have:
        raise BookError(Fault("--with", ", ".join(s.name for s in shelves), "no charger has all of these figures."))
    rows = tuple(tuple(places_[key] for places_ in where) for key in have)
    apart = [compare_items(shelf.items, against=0).u_apart for shelf in shelves]
    front = pareto_front(
        [[float(shelf.items.value[k]) for shelf, k in zip(shelves, row, strict=True)] for row in rows],
        [[float(u[k]) for u, k in zip(apart, row, strict=True)] for row in rows],
        ends,
    )
    many = len(catalogue.books) > 1
    titles = tuple(
        f"{shelves[0].entries[row[0]].title} ({book})" if many else shelves[0].entries[row[0]].title
        for (book, _), row in zip(have, rows, strict=True)
    )
    return titles, rows, front
