"""`brickbook figures`: pictures for video and posts, and the cue sheet."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from os import cpu_count
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from rich.text import Text

from brickbook.book import Book
from brickbook.commands.analyse import analyse_chargers
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, progress, wanted
from brickbook.publish.media import MediaSet, Themes, write_media

__all__ = ["figures"]


def figures(
    *chargers: Annotated[str, Parameter(help="Folder names; none: all of the book.")],
    theme: Annotated[Themes, Parameter(help="Light pictures, dark ones or both.")] = "light",
    all_: Annotated[
        bool, Parameter(name="--all", negative="", help="All charts; otherwise those that tell the most.")
    ] = False,
    force: Annotated[bool, Parameter(help="Also what has not changed.", negative="")] = False,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Draw a charger's charts for video (1920 x 1080) and for posts (1080 x 1080), and write the cue sheet.

    The sheet says what to tell in which order, each with its picture, the number aloud and how sure it is. What is out
    of date is analysed first; a picture that has not changed is not drawn again.
    """
    opened = open_book(book)
    slugs = wanted(opened, chargers)
    faults = analyse_chargers(opened, slugs)
    good = [slug for slug in slugs if slug not in faults]
    start = time.monotonic()
    made = list(progress(_each(opened, good, theme, all_, force), len(good), "drawing", lambda one: one.slug))
    if json:
        print_json(
            {
                "chargers": [
                    {
                        "charger": one.slug,
                        "folder": str(one.folder),
                        "pictures": one.pictures,
                        "drawn": one.drawn,
                        "cues": one.cues,
                        "bytes": one.bytes_,
                    }
                    for one in made
                ]
            }
        )
    else:
        for one in made:
            what = f"{one.pictures} pictures, {one.drawn} of them drawn now; {one.cues} cues; {one.bytes_ / 1e6:.1f} MB"
            console().print(Text(f"{one.slug}: {what}: {one.folder}"))
        console().print(f"{time.monotonic() - start:.1f} s")
    for found in faults.values():
        for fault in found:
            sys.stderr.write(f"error: {fault}\n")
    return 1 if faults else 0


def _each(book: Book, slugs: Sequence[str], theme: Themes, everything: bool, force: bool) -> Iterator[MediaSet]:
    workers = min(len(slugs), cpu_count() or 1)
    if workers < 2:
        for slug in slugs:
            yield write_media(book, slug, themes=theme, everything=everything, force=force)
        return
    # begun afresh: a copy of this process would wait for ever on the threads that Polars and DuckDB run in it
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        count = len(slugs)
        yield from pool.map(_one, [book.root] * count, slugs, [theme] * count, [everything] * count, [force] * count)


def _one(root: Path, slug: str, theme: Themes, everything: bool, force: bool) -> MediaSet:
    return write_media(Book.open(root), slug, themes=theme, everything=everything, force=force)
