"""How long the site of a shelf takes: in full, when one charger changed, and when nothing did.

Run: python benchmarks/publish.py BOOK [--chargers N]. The book is copied to a temporary folder and left as it is; with
--chargers the copy is filled up with further chargers under new names until it has N. Each step is a process of its
own, as a person runs it, so the start of Python and the reading of the code are in the times.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

COMMAND = "import sys; from brickbook.cli import run; sys.exit(run(sys.argv[1:]))"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("book", type=Path)
    parser.add_argument("--chargers", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        book = Path(folder) / "book"
        shutil.copytree(asked.book, book, ignore=shutil.ignore_patterns("derived", "published.jsonl"))
        fill(book, asked.chargers)
        slugs = sorted(p.name for p in (book / "chargers").iterdir())
        print(f"{len(slugs)} chargers, {os.cpu_count()} cores")
        step("analysed (all)", book, "analyse")
        step("published in full", book, "publish")
        site = book / "derived/report"
        files = [p for p in site.rglob("*") if p.is_file()]
        reports = [site / f"{slug}.html" for slug in slugs]
        print(f"  {len(files)} files, {sum(p.stat().st_size for p in files) / 1e6:.1f} MB; ", end="")
        print(f"reports {sum(p.stat().st_size for p in reports) / len(reports) / 1e3:.0f} kB each")
        records = [p.stat().st_size for p in book.glob("chargers/*/published.jsonl")]
        print(f"  records of publications {sum(records) / len(records) / 1e3:.0f} kB each")
        step("nothing changed", book, "publish")
        (book / "chargers" / slugs[0] / "verdict.md").write_text("Another word from the tester.\n", "utf-8")
        step("one charger's words changed", book, "publish")
        toml = book / "chargers" / slugs[0] / "charger.toml"
        toml.write_text(f"{toml.read_text('utf-8')}\n# a remark\n", "utf-8")
        step("one charger analysed anew, figures the same", book, "publish")
        shutil.rmtree(book / "derived/report")
        step("the site deleted and made again", book, "publish")


def fill(book: Path, count: int) -> None:
    own = sorted(p for p in (book / "chargers").iterdir() if p.is_dir())
    for k in range(len(own), count):
        like = own[k % len(own)]
        target = like.with_name(f"{like.name}-copy-{k}")
        shutil.copytree(like, target)
        toml = target / "charger.toml"
        toml.write_text(toml.read_text("utf-8").replace('name = "', f'name = "Copy {k} of ', 1), "utf-8")


def step(words: str, book: Path, *arguments: str) -> None:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, *arguments, "--book", str(book)], capture_output=True, text=True, check=False
    )
    took = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        sys.exit(done.stderr)
    made = done.stderr.count("publishing ")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"{words:46s} {took:6.1f} s, {cpu:6.1f} s of processor" + (f" ({made} looked at)" if made else ""))


if __name__ == "__main__":
    main()
