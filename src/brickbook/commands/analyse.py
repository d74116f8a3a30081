"""`brickbook analyse`: raw files to figures and findings, for what has changed."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from brickbook.analysis import analyse_charger, is_current, load, save
from brickbook.book import Book
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, progress, wanted
from brickbook.core.errors import BrickbookError, Fault
from brickbook.library.catalogue import write_entry

__all__ = ["analyse", "analyse_chargers"]


def analyse(
    *chargers: Annotated[str, Parameter(help="Folder names; none: all of the book.")],
    force: Annotated[bool, Parameter(help="Also what has not changed.", negative="")] = False,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Make figures and findings from the raw files.

    Every raw file's SHA-256 is checked first. A charger of which nothing has changed is left as it is.
    """
    opened = open_book(book)
    slugs = wanted(opened, chargers)
    if not slugs:
        console().print("The book has no chargers yet. Begin one with: brickbook new charger NAME")
        return 0
    faults = analyse_chargers(opened, slugs, force=force)
    summary: list[dict[str, Any]] = []
    for slug in slugs:
        if slug in faults:
            summary.append({"charger": slug, "error": [str(f) for f in faults[slug]]})
            continue
        stored = load(opened, slug)
        counts = Counter(f.decision for f in stored.findings)
        warnings = sum(n.severity == "warning" for n in stored.notes)
        summary.append(
            {"charger": slug, "figures": len(stored.figures), "findings": dict(counts), "warnings": warnings}
        )
    if json:
        print_json({"chargers": summary})
    else:
        for row in summary:
            if "error" not in row:
                words = ", ".join(f"{n} {d}" for d, n in sorted(row["findings"].items()))
                console().print(f"{row['charger']}: {row['figures']} figures; {words}; {row['warnings']} warnings")
    for slug_faults in faults.values():
        for fault in slug_faults:
            sys.stderr.write(f"error: {fault}\n")
    return 1 if faults else 0


def analyse_chargers(book: Book, slugs: Sequence[str], *, force: bool = False) -> dict[str, tuple[Fault, ...]]:
    """Analyse what has changed, on all cores; returns the faults of those that could not be analysed."""
    due = [s for s in slugs if force or not is_current(book, s)]
    done = progress(_each(book, due), len(due), "analysing", lambda pair: pair[0])
    return {slug: found for slug, found in done if found}


def _each(book: Book, due: Sequence[str]) -> Iterator[tuple[str, tuple[Fault, ...]]]:
    workers = min(len(due), os.cpu_count() or 1)
    if workers < 2:
        for slug in due:
            yield _analyse_one(book.root, slug)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(_analyse_one, [book.root] * len(due), due)


def _analyse_one(root: Path, slug: str) -> tuple[str, tuple[Fault, ...]]:
    book = Book.open(root)
    try:
        with book.lock(slug):
            save(book, slug, analyse_charger(book, slug))
            write_entry(book, slug)
    except BrickbookError as error:
        return slug, error.faults
    return slug, ()
