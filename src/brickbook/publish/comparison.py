"""The page that sets all chargers side by side, figure by figure, in the library's words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from brickbook.core.figure import Figure
from brickbook.core.page import Chart, Section, TableBlock
from brickbook.publish.frame import Frame, render_page
from brickbook.publish.glossary import Linker
from brickbook.publish.pages import file_address

__all__ = ["render_comparison"]


def render_comparison(sections: Sequence[Section], frame: Frame, titles: Mapping[str, str]) -> str:
    """The comparison as one HTML document.

    Parameters
    ----------
    sections
        From the library, in the order they are to stand. Their charts' ids are made unique here.
    frame
        What stands around it.
    titles
        Title of each charger, as the sections call it, to its slug. A figure in a row or column that names a charger
        leads to that charger's report, and so does the name; a title that two chargers share is not to be among them.
    """
    addresses = {title: file_address(slug) for title, slug in titles.items()}
    homes = dict(pair for section in sections for pair in _homes(section, addresses))
    return render_page(
        "comparison.html.j2",
        frame,
        "comparison.html",
        f"Comparison – {frame.book.title}",
        sections=[_own_ids(section, k) for k, section in enumerate(sections, 1)],
        addresses=addresses,
        home=lambda figure: homes.get(id(figure), ""),
        term=Linker(),
    )


def _homes(section: Section, addresses: Mapping[str, str]) -> Iterator[tuple[int, str]]:
    """Each figure of the tables, by identity, with the address of the charger its row or column names."""
    for block in section.blocks:
        if not isinstance(block, TableBlock):
            continue
        for row in block.rows:
            of_row = next((addresses[cell] for cell in row if isinstance(cell, str) and cell in addresses), "")
            for head, cell in zip(block.head, row, strict=True):
                address = of_row or addresses.get(head, "")
                if address and isinstance(cell, Figure):
                    yield id(cell), address


def _own_ids(section: Section, number: int) -> Section:
    blocks = [replace(b, id=f"{b.id}-{number}") if isinstance(b, Chart) else b for b in section.blocks]
    return replace(section, blocks=tuple(blocks))
