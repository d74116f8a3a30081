"""`brickbook analyse`: raw files to figures and findings, for what has changed."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from brickbook.analysis import analyse_charger, is_current, load, save
from brickbook.analysis.executor import Executor, executor_for
from brickbook.book import Book
from brickbook.book import break_lock as break_lock_of
from brickbook.commands.common import (
    BookOption,
    ClusterOption,
    JsonOption,
    console,
    print_json,
    progress,
    wanted,
    working_on,
)
from brickbook.core.errors import BookError, BrickbookError, Fault
from brickbook.library.catalogue import write_entry

__all__ = ["analyse", "analyse_chargers"]


def analyse(
    *chargers: Annotated[str, Parameter(help="Folder names; none: all of the book.")],
    force: Annotated[bool, Parameter(help="Also what has not changed.", negative="")] = False,
    cluster: ClusterOption = "",
    break_lock: Annotated[
        bool, Parameter(negative="", help="First free these chargers of a process on another machine that is gone.")
    ] = False,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Make figures and findings from the raw files.

    Every raw file's SHA-256 is checked first. A charger of which nothing has changed is left as it is.
    """
    with working_on(book, chargers) as opened:
        if break_lock:
            _free(opened, chargers)
        return _analyse(opened, chargers, force=force, cluster=cluster, json=json)


def _analyse(opened: Book, chargers: Sequence[str], *, force: bool, cluster: str, json: bool) -> int:
    slugs = wanted(opened, chargers)
    if not slugs:
        console().print("The book has no chargers yet. Begin one with: brickbook new charger NAME")
        return 0
    with ExitStack() as stack:
        executor = stack.enter_context(executor_for(cluster)) if cluster else None
        faults = analyse_chargers(opened, slugs, force=force, executor=executor)
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


def _free(book: Book, chargers: Sequence[str]) -> None:
    if not chargers:
        raise BookError(Fault("--break-lock", "", "frees no charger that is not named.", "Name the charger."))
    for slug in wanted(book, chargers):
        holder = break_lock_of(book, slug)
        if holder is not None:
            sys.stderr.write(f"{slug}: taken from {holder.text()}\n")


def analyse_chargers(
    book: Book, slugs: Sequence[str], *, force: bool = False, executor: Executor | None = None
) -> dict[str, tuple[Fault, ...]]:
    """Analyse what has changed, on all cores of this machine or where `executor` works.

    Returns
    -------
    dict
        The faults of those that could not be analysed.
    """
    if executor is not None and not executor.shares_locks:
        # whether files have changed is for the workers to find out too: it takes reading all of them
        done = progress(_on_cluster(book, slugs, force, executor), len(slugs), "analysing", lambda pair: pair[0])
        return {slug: found for slug, found in done if found}
    due = [s for s in slugs if force or not is_current(book, s)]
    done = progress(_here(book, due, executor), len(due), "analysing", lambda pair: pair[0])
    return {slug: found for slug, found in done if found}


@dataclass(frozen=True, slots=True)
class _Job:
    root: Path
    slug: str
    only_changed: bool = False
    locked: bool = False  # by the caller


def _here(book: Book, due: Sequence[str], executor: Executor | None) -> Iterator[tuple[str, tuple[Fault, ...]]]:
    with ExitStack() as stack:
        place = executor or stack.enter_context(executor_for(jobs=len(due), start="fork"))
        yield from place.map(_analyse_one, [_Job(book.root, slug) for slug in due])


def _on_cluster(
    book: Book, slugs: Sequence[str], force: bool, executor: Executor
) -> Iterator[tuple[str, tuple[Fault, ...]]]:
    """The caller holds the lock of each charger that is worked on: that of a killed worker would outlive it."""
    locks: dict[str, ExitStack] = {}
    busy: list[tuple[str, tuple[Fault, ...]]] = []

    def jobs() -> Iterator[_Job]:
        for slug in slugs:
            with ExitStack() as taken:
                try:
                    taken.enter_context(book.lock(slug))
                except BookError as error:
                    busy.append((slug, error.faults))
                    continue
                locks[slug] = taken.pop_all()
            yield _Job(book.root, slug, not force, locked=True)

    try:
        for slug, faults in executor.map(_analyse_one, jobs()):
            locks.pop(slug).close()
            yield slug, faults
    finally:
        for left in locks.values():
            left.close()
    yield from busy


def _analyse_one(job: _Job) -> tuple[str, tuple[Fault, ...]]:
    slug = job.slug
    try:
        book = Book.open(job.root)
        with ExitStack() as stack:
            if not job.locked:
                stack.enter_context(book.lock(slug))
            if job.only_changed and is_current(book, slug):
                return slug, ()
            save(book, slug, analyse_charger(book, slug))
            write_entry(book, slug)
    except BrickbookError as error:
        return slug, error.faults
    return slug, ()
