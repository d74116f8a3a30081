"""Make the example book: settings, chargers, and their raw files, taken in as a tester would take them in."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from importlib.resources import files
from multiprocessing import get_context
from os import cpu_count
from pathlib import Path

from brickbook.book import Book, write_atomic
from brickbook.core.errors import BookError, Fault
from brickbook.demo.campaign import RawDeposit, campaign, hour_at_full_load
from brickbook.demo.isolation import isolation_campaign
from brickbook.demo.messages import messages
from brickbook.demo.observations import observations
from brickbook.demo.scenario import CHARGERS
from brickbook.demo.shelf import draw
from brickbook.demo.thermal import heat_campaign
from brickbook.demo.transients import transients
from brickbook.demo.waveforms import captures
from brickbook.readers import guess_shape, matching_shape

__all__ = ["deposit", "example_title", "make_book", "write_claims", "write_top"]

_SEED = 20261003
_SHAPES = b"# How the columns of each kind of log are understood.\n"
_TOP = ("book.toml", "bench.toml", "house-rules.toml")


def example_title() -> str:
    """Title of the example book: by it an example book is recognised."""
    return str(tomllib.loads(_text("book.toml"))["title"])


def make_book(
    root: Path, slugs: tuple[str, ...] = tuple(CHARGERS), *, brief: bool = False, live: tuple[str, ...] = ()
) -> Iterator[str]:
    """Write the example book into a folder that is empty or not there; gives each charger's slug once it is done.

    Parameters
    ----------
    root
        The folder.
    slugs
        The four of the scenario by default; the rest of the shelf is in `SHELF`.
    brief
        Only what the meters logged.
    live
        Those of the four that are put through a short plan on the software bench, through sockets; of the studies the
        plan does not have, the files are made without a bench as for the others. Their times are those of the clock on
        the wall, so that such a book is another one each time.
    """
    write_top(root)
    jobs = [(root, number, slug, brief, slug in live) for number, slug in enumerate(slugs)]
    workers = min(len(jobs), cpu_count() or 1)
    if workers < 2:
        yield from map(_make_charger, jobs)
        return
    with ProcessPoolExecutor(workers, initializer=_share, initargs=(get_context().Lock(),)) as pool:
        yield from pool.map(_make_charger, jobs)
    # found by several processes in any order: written in one, so that the book is the same each time
    book = Book.open(root)
    shapes = sorted(book.shapes.values(), key=lambda shape: shape.id)
    write_atomic(root / "shapes.toml", _SHAPES, name="shapes.toml")
    for shape in shapes:
        book.save_shape(shape)


def write_top(root: Path) -> None:
    """Write the settings of the example book into a folder: bench, house rules, no shapes yet."""
    for name in _TOP[1:]:
        write_atomic(root / name, _text(name).encode(), name=name)
    write_atomic(root / "shapes.toml", _SHAPES, name="shapes.toml")
    write_atomic(root / ".gitignore", b"derived/\n", name=".gitignore")
    write_atomic(root / _TOP[0], _text(_TOP[0]).encode(), name=_TOP[0])


def write_claims(root: Path, slug: str) -> None:
    """Write one of the four of the scenario into the example book, without any readings."""
    (root / "chargers" / slug / "raw").mkdir(parents=True)
    for name in ("charger.toml", "notes.md", "verdict.md"):
        path = root / "chargers" / slug / name
        write_atomic(path, _text(f"{slug}/{name}").encode(), name=str(path.relative_to(root)))


# One for all processes that write into one book; none is needed where there is one process.
_guard: AbstractContextManager[object] = nullcontext()


def _share(lock: AbstractContextManager[object]) -> None:
    global _guard  # noqa: PLW0603 - the way a pool hands a lock to its workers
    _guard = lock


def _make_charger(job: tuple[Path, int, str, bool, bool]) -> str:
    root, number, slug, brief, live = job
    book = Book.open(root)
    if slug in CHARGERS:
        write_claims(root, slug)
    else:
        book.new_charger(slug, draw(slug).charger)
    told, measured = slug, frozenset[str]()
    if live:
        told, measured = _measure(root, slug, _SEED + number)
    for raw in _everything(book, slug, _SEED + number, brief=brief):
        if not measured.issuperset(raw.studies):
            deposit(book, slug, raw)
    return told


def _measure(root: Path, slug: str, seed: int) -> tuple[str, frozenset[str]]:
    """Put a charger through its short plan on a bench of its own; gives what to say of it, and the studies it has now.

    In a book of its own, since one book has one bench: several are measured at once.
    """
    from brickbook.demo.live import run_live  # noqa: PLC0415 (instruments and sockets: half a second others do without)

    memory = Path("/dev/shm")  # noqa: S108 - every reading is flushed; in memory that takes no time
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() and os.access(memory, os.W_OK) else None) as place:
        own_root = Path(place) / "book"
        write_top(own_root)
        write_claims(own_root, slug)
        own = Book.open(own_root)
        done = run_live(own, slug, "short", seed=seed)
        if done.outcome != "done":
            raise BookError(Fault(str(done.folder), "", f"the run on the software bench ended as {done.outcome}.", ""))
        own = Book.open(own_root)
        studies = frozenset(study for entry in own.index(slug) for study in entry.studies)
        with _guard:
            book = Book.open(root)
            for shape in own.shapes.values():
                book.save_shape(shape)
        shutil.copytree(own_root / "chargers" / slug, root / "chargers" / slug, dirs_exist_ok=True)
    tasks = len(Book.open(root).plan(slug).tasks)
    hours = done.bench_s / 3600.0
    return f"{slug}: {tasks} tasks on the software bench, {hours:.1f} h of bench time", studies


def _everything(book: Book, slug: str, seed: int, *, brief: bool) -> Iterator[RawDeposit]:
    """All raw files of a charger, in the order they would be taken; only the meters' logs where brief."""
    if slug not in CHARGERS:
        drawn = draw(slug)
        yield from campaign(drawn.example, book.instruments, seed=seed, errors_seed=_SEED)
        if not brief:
            yield from observations(drawn.example, drawn.scene)
            highest = [loading for loading in drawn.example.loadings if loading.end == "highest"]
            yield hour_at_full_load(
                drawn.example, highest[-1], drawn.folds, book.instruments, seed=seed + 200, errors_seed=_SEED
            )
        return
    example, instruments = CHARGERS[slug], book.instruments
    yield from campaign(example, instruments, seed=seed, errors_seed=_SEED)
    if brief:
        return
    yield from observations(example)
    yield from messages(slug, book.charger(slug), seed=seed + 50)
    yield from captures(example, instruments, seed=seed + 100, errors_seed=_SEED)
    yield from transients(example, instruments, seed=seed + 150, errors_seed=_SEED)
    yield from heat_campaign(example, instruments, seed=seed + 200, errors_seed=_SEED)
    yield from isolation_campaign(example, instruments, seed=seed + 300, errors_seed=_SEED)


def deposit(book: Book, slug: str, raw: RawDeposit) -> None:
    """Take one raw file into the book; its shape is that of an earlier file with the same headers, or guessed anew."""
    shape = ""
    if raw.reader == "meter-log":
        known = matching_shape(raw.data, tuple(book.shapes.values()), name=raw.name)
        if known is None:
            with _guard:
                known = matching_shape(raw.data, tuple(book.shapes.values()), name=raw.name)
                if known is None:
                    known = guess_shape(raw.data, raw.name).shape
                    book.save_shape(known)
        shape = known.id
    book.import_raw(
        slug,
        raw.data,
        name=raw.name,
        studies=raw.studies,
        reader=raw.reader,
        shape=shape,
        recording=raw.recording,
        align=raw.align,
        taken=raw.taken,
        imported=raw.taken,
        conditions=raw.conditions,
        instruments=raw.instruments,
        note=raw.note,
    )


def _text(name: str) -> str:
    path = files("brickbook.demo") / "scenario" / name
    return path.read_text(encoding="utf-8") if path.is_file() else ""
