"""The page that sets all chargers side by side, figure by figure, in the library's words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from brickbook.core.figure import Figure
from brickbook.core.page import Chart, Section, TableBlock
from brickbook.publish.frame import Frame, render_page
from brickbook.publish.glossary import Linker
from brickbook.publish.pages import file_address

__all__ = ["ComparisonPart", "render_comparison"]


@dataclass(frozen=True, slots=True)
class ComparisonPart:
    """One figure over all chargers.

    Parameters
    ----------
    title
        Heading; unique on the page.
    section
        From the library. Its charts' ids are made unique here.
    """

    title: str
    section: Section


def render_comparison(
    parts: Sequence[ComparisonPart],
    frame: Frame,
    titles: Mapping[str, str],
) -> str:
    """The comparison as one HTML document.

    Parameters
    ----------
    parts
        In the order they are to stand.
    frame
        What stands around it.
    titles
        Title of each charger, as the sections call it, to its slug. A figure in a table row that names a charger
        leads to that charger's report, and so does the name; a title that two chargers share is not to be among them.
    """
    addresses = {title: file_address(slug) for title, slug in titles.items()}
    homes: dict[int, str] = {}
    for part in parts:
        for block in part.section.blocks:
            if isinstance(block, TableBlock):
                for row in block.rows:
                    named = next((cell for cell in row if isinstance(cell, str) and cell in addresses), "")
                    homes |= {id(cell): addresses[named] for cell in row if named and isinstance(cell, Figure)}
    return render_page(
        "comparison.html.j2",
        frame,
        "comparison.html",
        f"Comparison – {frame.book.title}",
        parts=[replace(part, section=_own_ids(part.section, k)) for k, part in enumerate(parts, 1)],
        addresses=addresses,
        home=lambda figure: homes.get(id(figure), ""),
        term=Linker(),
    )


def _own_ids(section: Section, number: int) -> Section:
    blocks = [replace(b, id=f"{b.id}-{number}") if isinstance(b, Chart) else b for b in section.blocks]
    return replace(section, blocks=tuple(blocks))
