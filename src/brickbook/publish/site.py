"""From stored results to pages in derived/report/: what is shown of a charger, and when it must be made anew."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from os import cpu_count
from pathlib import Path

from brickbook import __version__
from brickbook.analysis import Stored, code_digest, is_current, load, view_for
from brickbook.book import Book
from brickbook.core.errors import BookError
from brickbook.core.figure import Figure
from brickbook.core.page import Section
from brickbook.publish.index import IndexEntry, IndexInput, render_index
from brickbook.publish.report import BookMeta, Method, RawEntry, ReportInput, render_report
from brickbook.studies import STUDIES

__all__ = ["publish_chargers", "publish_index", "report_input"]

_SOFTWARE = f"Brickbook {__version__}"


def publish_chargers(book: Book, slugs: Sequence[str], *, force: bool = False) -> Iterator[str]:
    """Write the report of each charger whose inputs have changed; gives each slug when its report is there."""
    due = [s for s in slugs if force or not _report_is_current(book, s)]
    yield from (s for s in slugs if s not in due)
    workers = min(len(due), cpu_count() or 1)
    if workers < 2:
        for slug in due:
            yield _publish_one(book.root, slug)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(_publish_one, [book.root] * len(due), due)


def publish_index(book: Book) -> Path:
    """Write the index of all chargers that have a result; returns its path."""
    columns = tuple(h for s in STUDIES for h in s.headlines if h.index)
    entries = []
    for slug in book.chargers():
        try:
            stored = load(book, slug)
        except BookError:
            continue
        by_study = {s.id: [f for f in stored.figures if f.study == s.id] for s in STUDIES}
        cells = tuple(h.pick(by_study[s.id]) for s in STUDIES for h in s.headlines if h.index)
        entries.append(
            IndexEntry(
                slug,
                book.charger(slug),
                cells,
                Counter(f.decision for f in stored.findings),
                sum(n.severity == "warning" for n in stored.notes),
            )
        )
    page = render_index(IndexInput(_meta(book), tuple(h.title for h in columns), tuple(entries), software=_SOFTWARE))
    path = book.derived() / "report" / "index.html"
    book.write(path, page.encode())
    return path


def report_input(book: Book, slug: str) -> ReportInput:
    """Everything the report of a charger shows."""
    stored = load(book, slug)
    charger = book.charger(slug)
    entries = book.index(slug)
    return ReportInput(
        slug=slug,
        charger=charger,
        book=_meta(book),
        settings=book.settings,
        sections=_sections(book, slug, stored),
        figures=stored.figures,
        findings=stored.findings,
        key_figures=tuple(f.key for f in _headlines(stored.figures)),
        unmeasured=tuple(charger.claims[k] for k in stored.unmeasured),
        notes=stored.notes,
        raw_files=tuple(RawEntry(e.path, e.sha256, e.studies, e.conditions, e.taken, e.note) for e in entries),
        instruments=book.instruments,
        methods=tuple(Method(s.id, s.title, s.procedure) for s in STUDIES),
        words={f"{s.id}/{name}": words for s in STUDIES for name, words in s.figure_names.items()},
        verdict=book.verdict(slug),
        tester_notes=book.notes(slug),
        software=_SOFTWARE,
        index_href="index.html",
    )


def _sections(book: Book, slug: str, stored: Stored) -> tuple[Section, ...]:
    made = [s for s in STUDIES if any(f.study == s.id for f in stored.figures)]
    return tuple(study.page(view_for(book, slug, study, stored)) for study in made)


def _headlines(figures: Sequence[Figure]) -> list[Figure]:
    picked = [h.pick([f for f in figures if f.study == s.id]) for s in STUDIES for h in s.headlines]
    return [f for f in picked if f is not None]


def _meta(book: Book) -> BookMeta:
    settings = book.settings
    return BookMeta(settings.title, settings.publisher, settings.licence)


def _publish_one(root: Path, slug: str) -> str:
    book = Book.open(root)
    digest = _page_digest(book, slug)
    page = render_report(report_input(book, slug))
    folder = book.derived() / "report"
    book.write(folder / f"{slug}.html", page.encode())
    # the digest comes last: a report without it is made again
    book.write(book.derived(slug) / "published.json", json.dumps({"made_from": digest}).encode())
    return slug


def _report_is_current(book: Book, slug: str) -> bool:
    path = book.derived(slug) / "published.json"
    page = book.derived() / "report" / f"{slug}.html"
    try:
        known = json.loads(path.read_text(encoding="utf-8"))["made_from"]
    except (OSError, ValueError, KeyError, TypeError):
        return False
    return page.exists() and is_current(book, slug) and bool(known == _page_digest(book, slug))


def _page_digest(book: Book, slug: str) -> str:
    """What a report depends on beyond the result itself: the result, the tester's words, the code."""
    total = hashlib.sha256(code_digest().encode())
    for text in (book.input_digest(slug), book.verdict(slug), book.notes(slug)):
        total.update(hashlib.sha256(text.encode()).digest())
    return total.hexdigest()
