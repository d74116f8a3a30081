"""Data packs of the whole example book: valid for another program, exact when imported, streamed when large.

    python checks/packs.py FOLDER

FOLDER must be empty or not there. Prints for each charger: size, seconds, what `frictionless` says, how many figures
and findings came back equal. Then a raw file of 5 GB, to see that Zip64 and little memory are used. Takes about
three minutes and 100 MB (the large file is sparse).
"""

from __future__ import annotations

import hashlib
import resource
import sys
import time
import zipfile
from pathlib import Path

import frictionless

from brickbook.analysis import analyse_charger, save
from brickbook.book import Book
from brickbook.demo import make_book
from brickbook.publish.pack import compare_with, restore, write_pack
from brickbook.publish.pack.archive import Member, write_archive

LARGE = 5_000_000_000


def main(folder: Path) -> int:
    """Run all checks; 1 when one of them found something wrong."""
    folder.mkdir(parents=True, exist_ok=True)
    root = folder / "book"
    root.mkdir()
    for slug in make_book(root):
        print(f"made {slug}", flush=True)
    book = Book.open(root)
    wrong = 0
    for slug in book.chargers():
        save(book, slug, analyse_charger(book, slug))
        for tier in ("summary", "full"):
            start = time.monotonic()
            made = write_pack(book, slug, tier=tier, target=folder / f"{slug}-{tier}.zip")
            packed = time.monotonic() - start
            valid = frictionless.validate(str(made.path)).valid
            wrong += not valid
            print(f"{slug} {tier}: {made.size / 1e6:.1f} MB in {packed:.1f} s, {'valid' if valid else 'NOT VALID'}")
        start = time.monotonic()
        _, result = restore(folder / f"{slug}-full.zip", folder / "again")
        taken = time.monotonic() - start
        again = Book.open(folder / "again")
        save(again, slug, analyse_charger(again, slug))
        one = compare_with(result, again, slug)
        wrong += not one.exact
        print(f"  back in {taken:.1f} s: {one.equal_figures} of {one.figures} figures equal,", end=" ")
        print(f"{one.equal_findings} of {one.findings} findings", flush=True)
    wrong += not large_file(folder)
    return 1 if wrong else 0


def large_file(folder: Path) -> bool:
    """Pack a sparse file beyond 4 GiB and read it back."""
    raw = folder / "large.bin"
    with raw.open("wb") as file:
        file.truncate(LARGE)
    with raw.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.monotonic()
    write_archive(folder / "large.zip", [Member("large.bin", raw, LARGE, digest)], name="large.zip")
    seconds = time.monotonic() - start
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1000
    with zipfile.ZipFile(folder / "large.zip") as archive, archive.open("large.bin") as member:
        right = hashlib.file_digest(member, "sha256").hexdigest() == digest
    raw.unlink()
    print(f"5 GB packed in {seconds:.0f} s, peak memory grew by {grown:.0f} MB, {'right' if right else 'WRONG'}")
    return right and grown < 100


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
