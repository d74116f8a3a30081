"""`brickbook demo`: the whole job on an example, from raw files to published reports."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from brickbook.book import Book
from brickbook.commands.common import console, progress
from brickbook.commands.publish import publish
from brickbook.core.errors import BookError, Fault
from brickbook.demo import CHARGERS, SHELF, example_title, make_book

__all__ = ["demo"]


def demo(
    *,
    into: Annotated[Path, Parameter(help="Folder for the example book.")] = Path("demo-book"),
    live: Annotated[
        list[str] | None,
        Parameter(
            help="One of the four to be measured on the software bench, through sockets; several times for more."
        ),
    ] = None,
    few: Annotated[bool, Parameter(help="Only the four that were put through every test.", negative="")] = False,
) -> int:
    """Make an example book of invented chargers, analyse it and publish its reports.

    Four of them were put through every test; the others, through the short ones, so that there is a shelf to compare.

    Its raw files are drawn from the same physics as the software bench, without the bench. With --live a charger is
    put through its short plan on that bench instead, every reading through a socket, the questions answered by a
    script; the studies a short plan does not have (inrush, overload, isolation) are still drawn.

    Run again, it works on the example book that is there: what has not changed is not done again.
    """
    measured = tuple(live or ())
    for name in measured:
        if name not in CHARGERS:
            raise BookError(Fault("--live", name, "is none that can be measured.", f"There are {', '.join(CHARGERS)}."))
    if into.exists() and any(into.iterdir()):
        book = Book.open(into)
        if book.title != example_title():
            raise BookError(Fault(str(into), "", "holds another book.", "Choose another folder with --into."))
        console().print(f"The example book is in {into} already.")
        if measured:
            console().print("Nothing is measured anew: give another folder with --into.")
    else:
        into.mkdir(parents=True, exist_ok=True)
        slugs = tuple(CHARGERS) if few else (*CHARGERS, *SHELF)
        made = make_book(into, slugs, live=measured)
        told = list(progress(made, len(slugs), "taking in raw files", str))
        for line in told:
            if line not in slugs:
                console().print(f"{line}; inrush, overload and isolation without the bench.")
    # the readings never change; another version of the program may make other figures of them, and readers are told
    return publish(why="The example was made again with another version of Brickbook.", book=into)
