"""The book's first page: all chargers in one table, each leading to its report, and the same sorted by each column."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from brickbook.core.charger import Charger
from brickbook.core.errors import Fault, PublishError
from brickbook.core.figure import Decision, Figure
from brickbook.core.page import Cell
from brickbook.publish.facts import facts
from brickbook.publish.frame import Frame, render_page
from brickbook.publish.judgements import DECISIONS
from brickbook.publish.report import BookMeta

__all__ = ["IndexEntry", "IndexInput", "render_index", "sorted_views"]


@dataclass(frozen=True, slots=True)
class IndexEntry:
    """A charger's line.

    Parameters
    ----------
    slug
        The report is "<slug>.html" beside the index.
    charger
        As the book has it.
    cells
        One for each column: a figure (linked into the report), text, a number or `None` for "not measured".
    decisions
        How many findings of each decision.
    warnings
        How many notes are warnings.
    published, corrected
        Day of the first publication, and of the last that changed what was published; empty for none.
    files
        What there is beside the report: words and relative address of each.
    """

    slug: str
    charger: Charger
    cells: tuple[Cell, ...] = ()
    decisions: Mapping[Decision, int] | None = None
    warnings: int = 0
    published: str = ""
    corrected: str = ""
    files: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class IndexInput:
    """All the index shows.

    Parameters
    ----------
    book
        Title, publisher, licence.
    columns
        Headings of the key figures.
    entries
        In the order they are to stand; the index does not rank.
    intro
        A sentence on what the columns hold (mains, ports), empty for none.
    software
        Name and version of what made the page.
    views
        File of the table sorted by each column; empty for none.
    sorted_by, rising
        Column this table is sorted by, `None` for the book's order, and whether the smallest comes first.
    nobody
        Key figures that no charger has, and that are no columns for that reason.
    further
        Key figures that few chargers have, and those chargers: a table of its own below.
    """

    book: BookMeta
    columns: tuple[str, ...]
    entries: tuple[IndexEntry, ...]
    intro: str = ""
    software: str = ""
    views: tuple[str, ...] = ()
    sorted_by: int | None = None
    rising: bool = False
    nobody: tuple[str, ...] = ()
    further: IndexInput | None = None


def render_index(index: IndexInput, frame: Frame | None = None) -> str:
    """The index as one HTML document without script.

    Raises
    ------
    PublishError
        When an entry's cells and the columns differ in number, or two chargers share a slug.
    """
    faults = [
        Fault("index", entry.slug, f"has {len(entry.cells)} cells for {len(table.columns)} columns")
        for table in (index, *([index.further] if index.further else []))
        for entry in table.entries
        if len(entry.cells) != len(table.columns)
    ]
    slugs = [entry.slug for entry in index.entries]
    faults += [
        Fault("index", slug, "two chargers have this slug") for slug in sorted(set(slugs)) if slugs.count(slug) > 1
    ]
    if faults:
        raise PublishError(*faults)
    here = "index.html" if index.sorted_by is None else index.views[index.sorted_by]
    title = index.book.title
    if index.sorted_by is not None:
        title = f"By {index.columns[index.sorted_by]} – {title}"
    return render_page(
        "index.html.j2",
        frame or Frame(index.book, index.software),
        here,
        title,
        index=index,
        decisions=DECISIONS,
        facts=facts,
    )


def sorted_views(index: IndexInput, rising: Sequence[bool]) -> tuple[IndexInput, ...]:
    """The index, and the same table sorted by each of its columns; chargers without the figure come last.

    Parameters
    ----------
    index
        In the book's order.
    rising
        For each column, whether the smallest comes first.
    """
    names = [re.sub(r"[^a-z0-9]+", "-", column.lower()).strip("-") or "column" for column in index.columns]
    files = tuple(
        f"by-{name}.html" if names.count(name) == 1 else f"by-{name}-{k}.html" for k, name in enumerate(names, 1)
    )
    whole = replace(index, views=files)
    views = [whole]
    for k, up in enumerate(rising):
        have = [entry for entry in index.entries if _number(entry.cells[k]) is not None]
        without = [entry for entry in index.entries if _number(entry.cells[k]) is None]
        have.sort(key=lambda entry, k=k, up=up: (_number(entry.cells[k]) or 0.0) * (1 if up else -1))  # type: ignore[misc]
        views.append(replace(whole, entries=(*have, *without), sorted_by=k, rising=up))
    return tuple(views)


def _number(cell: Cell) -> float | None:
    if isinstance(cell, Figure):
        return cell.value
    return None if cell is None or isinstance(cell, str) else float(cell)
