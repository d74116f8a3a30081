"""`brickbook pack`: a charger's data as one file that anyone can read, check and import."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from rich.text import Text

from brickbook.book import Book
from brickbook.commands.analyse import analyse_chargers
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, progress, wanted
from brickbook.core.errors import BookError, Fault
from brickbook.publish.pack import PackMade, renew_pack, write_pack

__all__ = ["beside_reports", "pack"]


def pack(
    *chargers: Annotated[str, Parameter(help="Folder names; none: all of the book.")],
    tier: Annotated[
        Literal["book", "summary", "full"],
        Parameter(help="Tables alone, or raw files too; 'book': what book.toml says, else full."),
    ] = "book",
    out: Annotated[Path | None, Parameter(help="Folder for the packs; by default beside the reports.")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Write a charger's data pack: CSV and Parquet tables with a descriptor, a data dictionary, checksums, licence.

    A full pack holds the raw files too: whoever imports it can make the figures anew. What is out of date is analysed
    first.
    """
    opened = open_book(book)
    slugs = wanted(opened, chargers)
    faults = analyse_chargers(opened, slugs)
    good = [slug for slug in slugs if slug not in faults]
    stated = opened.settings.publish.data_pack
    chosen: Literal["summary", "full"] = tier if tier != "book" else "summary" if stated == "summary" else "full"
    start = time.monotonic()
    made = list(progress(_each(opened, good, chosen, out), len(good), "packing", lambda one: one.slug))
    if json:
        print_json({"packs": [_plain(one) for one in made]})
    else:
        for one in made:
            size = f"{one.files} files, {one.content / 1e6:.1f} MB in {one.size / 1e6:.1f} MB"
            console().print(Text(f"{one.slug}: {one.tier}, {size}: {one.path}"))
        console().print(f"{time.monotonic() - start:.1f} s")
        if not opened.settings.licence:
            console().print("! book.toml states no licence: readers may not use the data. Set licence, e.g. CC-BY-4.0.")
    for found in faults.values():
        for fault in found:
            sys.stderr.write(f"error: {fault}\n")
    return 1 if faults else 0


def beside_reports(book: Book, slugs: Sequence[str]) -> list[PackMade]:
    """Bring the packs beside the reports of these chargers up to date, as book.toml wants them; gives those written."""
    tier = book.settings.publish.data_pack
    if tier == "none":
        return []
    return [made for slug in slugs if (made := renew_pack(book, slug, tier)) is not None]


def _each(book: Book, slugs: Sequence[str], tier: Literal["summary", "full"], out: Path | None) -> Iterator[PackMade]:
    if out is not None and out.exists() and not out.is_dir():
        raise BookError(Fault("--out", str(out), "is a file, not a folder.", "Name a folder."))
    for slug in slugs:
        yield write_pack(book, slug, tier=tier, target=None if out is None else out / f"{slug}-data.zip")


def _plain(one: PackMade) -> dict[str, object]:
    return {
        "charger": one.slug,
        "tier": one.tier,
        "path": str(one.path),
        "files": one.files,
        "content_bytes": one.content,
        "bytes": one.size,
    }
