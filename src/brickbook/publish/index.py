"""The book's first page: all chargers in one table, each leading to its report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from brickbook.core.charger import Charger
from brickbook.core.errors import Fault, PublishError
from brickbook.core.figure import Decision
from brickbook.core.page import Cell
from brickbook.publish.facts import facts
from brickbook.publish.judgements import DECISIONS
from brickbook.publish.pages import css_string, environment, style_sheet
from brickbook.publish.report import BookMeta

__all__ = ["IndexEntry", "IndexInput", "render_index"]


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
    """

    slug: str
    charger: Charger
    cells: tuple[Cell, ...] = ()
    decisions: Mapping[Decision, int] | None = None
    warnings: int = 0


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
    """

    book: BookMeta
    columns: tuple[str, ...]
    entries: tuple[IndexEntry, ...]
    intro: str = ""
    software: str = ""


def render_index(index: IndexInput) -> str:
    """The index as one HTML document without script.

    Raises
    ------
    PublishError
        When an entry's cells and the columns differ in number, or two chargers share a slug.
    """
    faults = [
        Fault("index", entry.slug, f"has {len(entry.cells)} cells for {len(index.columns)} columns")
        for entry in index.entries
        if len(entry.cells) != len(index.columns)
    ]
    slugs = [entry.slug for entry in index.entries]
    faults += [
        Fault("index", slug, "two chargers have this slug") for slug in sorted(set(slugs)) if slugs.count(slug) > 1
    ]
    if faults:
        raise PublishError(*faults)
    return (
        environment()
        .get_template("index.html.j2")
        .render(
            index=index,
            book=index.book,
            style=style_sheet(),
            running_title=css_string(index.book.title),
            running_publisher=css_string(index.book.publisher),
            decisions=DECISIONS,
            facts=facts,
        )
    )
