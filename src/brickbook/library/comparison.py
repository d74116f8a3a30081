"""The comparison of a whole book, as sections of a page.

Places at a glance, several figures at once, each main figure, and models that were measured twice.
"""

from __future__ import annotations

from collections.abc import Sequence

from brickbook.analysis import load
from brickbook.book import Book
from brickbook.core.errors import BookError
from brickbook.core.page import Block, Cell, Section, TableBlock, Text
from brickbook.core.study import Mains
from brickbook.library.catalogue import Catalogue
from brickbook.library.comparing import compare_items
from brickbook.library.page import front_section, left_out, retest_section, shelf_chart, shelf_order, shelf_table
from brickbook.library.pareto import pareto_front
from brickbook.library.retest import compare_samples
from brickbook.library.shelf import better_end
from brickbook.library.standing import MainShelf, main_shelves, places

__all__ = ["comparison_sections"]

_FRONT = ("average_active_efficiency_ratio", "power_density_w_per_cm3", "price_per_watt")


def comparison_sections(catalogue: Catalogue, book: Book, mains: Sequence[Mains] | None = None) -> tuple[Section, ...]:
    """All of it; empty where no two chargers have a figure taken alike.

    Parameters
    ----------
    catalogue
        Of this one book.
    book
        For the results of models that were measured twice.
    mains
        Supplies; those of the book by default.
    """
    shelves = [
        main
        for main in main_shelves(catalogue, book.settings.mains if mains is None else mains)
        if len(main.shelf.items) > 1
    ]
    if not shelves:
        return ()
    sections = [_glance(shelves, catalogue)]
    front = _front(shelves)
    if front is not None:
        sections.append(front)
    sections += [_one(main) for main in shelves]
    sections += _retests(catalogue, book)
    sections.append(_how(shelves))
    return tuple(sections)


def _glance(shelves: Sequence[MainShelf], catalogue: Catalogue) -> Section:
    """Places of all chargers in all main figures."""
    place: dict[str, dict[str, str]] = {}
    for main in shelves:
        if not better_end(main.shelf.name):
            continue
        for entry, (low, high) in zip(main.shelf.entries, places(main.shelf, main.comparison), strict=True):
            place.setdefault(entry.charger, {})[main.title] = f"{low}" if low == high else f"{low}–{high}"
    heads = [main.title for main in shelves if better_end(main.shelf.name)]
    counts = {main.title: len(main.shelf.items) for main in shelves}
    rows: list[tuple[Cell, ...]] = [
        (row["title"], *(place[row["charger"]].get(head, "–") for head in heads))
        for row in catalogue.rows("SELECT charger, title FROM chargers ORDER BY title, charger")
        if row["charger"] in place
    ]
    table = TableBlock(
        "Place of each charger, 1 is best",
        ("Charger", *(f"{head} (of {counts[head]})" for head in heads)),
        tuple(rows),
        align="l" + "r" * len(heads),
        note="“3–5” is a charger that stands somewhere from third to fifth: nearer it cannot be told with these "
        "measurements. All intervals of a column hold together with 95 % probability. “–”: not measured, or not so.",
    )
    text = Text("In the order of their names: no figure here is the one that counts for everybody.")
    return Section("comparison", "At a glance", "", (text, table))


def _front(shelves: Sequence[MainShelf]) -> Section | None:
    """Who is beaten in efficiency, size and price at once; of several mains the last is taken."""
    chosen = [next((m for m in reversed(shelves) if m.shelf.name == name), None) for name in _FRONT]
    mains = [main for main in chosen if main is not None]
    if len(mains) < 2:
        return None
    where = [{entry.charger: k for k, entry in enumerate(main.shelf.entries)} for main in mains]
    have = [charger for charger in where[0] if all(charger in one for one in where)]
    if len(have) < 2:
        return None
    rows = tuple(tuple(one[charger] for one in where) for charger in have)
    apart = [compare_items(main.shelf.items, against=0).u_apart for main in mains]
    ends = [better_end(main.shelf.name) for main in mains]
    front = pareto_front(
        [[float(main.shelf.items.value[k]) for main, k in zip(mains, row, strict=True)] for row in rows],
        [[float(u[k]) for u, k in zip(apart, row, strict=True)] for row in rows],
        [end for end in ends if end],
    )
    titles = tuple(mains[0].shelf.entries[row[0]].title for row in rows)
    return front_section(tuple(main.shelf for main in mains), titles, rows, front)


def _one(main: MainShelf) -> Section:
    """One figure: the chart, the places, and what was taken otherwise."""
    order = shelf_order(main.shelf, main.comparison)
    blocks: list[Block] = []
    chart = shelf_chart(main.shelf, main.comparison, order)
    if chart is not None:
        blocks.append(chart)
    blocks.append(shelf_table(main.shelf, main.comparison, order))
    blocks += left_out(main.shelf, most=4)
    taken = main.shelf.conditions.full_text()
    lead = f"{main.shelf.words}{f': {taken}' if taken else ''}."
    if main.shelf.by_size:
        lead += " Compared by size, without the sign."
    return Section("comparison", main.title, lead, tuple(blocks))


def _retests(catalogue: Catalogue, book: Book) -> list[Section]:
    pairs = catalogue.rows(
        "SELECT a.charger AS one, b.charger AS other, a.title AS first, b.title AS second "
        "FROM chargers a JOIN chargers b ON a.maker = b.maker AND a.model = b.model AND a.charger <> b.charger "
        "WHERE (coalesce(a.sample_date, ''), a.charger) < (coalesce(b.sample_date, ''), b.charger) ORDER BY 1, 2"
    )
    out = []
    for pair in pairs:
        try:
            one, other = load(book, pair["one"]), load(book, pair["other"])
        except BookError:
            continue  # not analysed any more
        out.append(
            retest_section(
                pair["first"], pair["second"], compare_samples(one.figures, other.figures, instruments=book.instruments)
            )
        )
    return out


def _how(shelves: Sequence[MainShelf]) -> Section:
    common = sorted({s.rpartition("\0")[2].partition(": ")[0] for main in shelves for s in main.shelf.items.common})
    meters = f" errors of the instruments that both were read by ({', '.join(common)}) cancel." if common else ""
    return Section(
        "comparison",
        "How this is compared",
        "",
        (
            Text(
                "Only figures taken the same way stand side by side. The uncertainty of a difference is not that of "
                f"the two figures:{meters or ' what they have in common is taken off.'} In each table all pairs are "
                "tested together by Holm's method, so that the probability of one false “different” anywhere in it is "
                "at most 5 %. One sample of each model was measured unless two are named: what another would show is "
                "not known."
            ),
        ),
    )
