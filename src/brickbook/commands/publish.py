"""`brickbook publish`: reports and the index."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from brickbook.commands.analyse import analyse_chargers
from brickbook.commands.common import BookOption, console, open_book, progress, wanted
from brickbook.publish.site import publish_chargers, publish_index

__all__ = ["publish"]


def publish(
    *chargers: Annotated[str, Parameter(help="Folder names; none: all of the book.")],
    force: Annotated[bool, Parameter(help="Also what has not changed.", negative="")] = False,
    book: BookOption = Path(),
) -> int:
    """Write one report a charger and the index of the book, into derived/report/.

    What is out of date is analysed first. A report opens offline and holds all its pictures.
    """
    opened = open_book(book)
    slugs = wanted(opened, chargers)
    faults = analyse_chargers(opened, slugs)
    good = [s for s in slugs if s not in faults]
    for _ in progress(publish_chargers(opened, good, force=force), len(good), "publishing", str):
        pass
    index = publish_index(opened)
    for found in faults.values():
        for fault in found:
            sys.stderr.write(f"error: {fault}\n")
    console().print(f"The index of all reports: {index}")
    return 1 if faults else 0
