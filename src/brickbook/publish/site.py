"""From stored results to the pages in derived/report/: what is shown of a charger, and when it must be made anew."""

from __future__ import annotations

import functools
import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

from brickbook import __version__
from brickbook.analysis import Stored, code_digest, load, view_for
from brickbook.analysis.codec import figure_json
from brickbook.analysis.executor import Executor, executor_for
from brickbook.book import Book, Publication, add_publication, read_publications
from brickbook.core.documents import json_of
from brickbook.core.errors import Fault, PublishError
from brickbook.core.figure import Figure
from brickbook.core.page import Section
from brickbook.library.cable_section import cable_section
from brickbook.library.drafts import read_conclusion, refresh_conclusions
from brickbook.publish.corrections import (
    Correction,
    changes_by_publication,
    corrections,
    needs_reason,
    next_publication,
)
from brickbook.publish.frame import PAGES
from brickbook.publish.numbers import value_text
from brickbook.publish.report import BookMeta, Method, RawEntry, ReportInput, render_report
from brickbook.studies import STUDIES

__all__ = [
    "SOFTWARE",
    "Published",
    "beside",
    "book_meta",
    "facts_of",
    "figure_words",
    "page_code_digest",
    "publish_chargers",
    "report_input",
    "site_folder",
]

SOFTWARE = f"Brickbook {__version__}"
_METHODS_KEPT = 4
_RESERVED = re.compile(r"by-.*|404|report|draft|" + "|".join(file.removesuffix(".html") for file, _ in PAGES))


@dataclass(frozen=True, slots=True)
class Published:
    """What became of a charger.

    Parameters
    ----------
    slug
        The charger.
    status
        "published": its page was made; "unchanged": it is there as it must be; "held": what was published would
        change and no reason was given, so the page stays as it was.
    changes
        What has changed since the publication before.
    """

    slug: str
    status: Literal["published", "unchanged", "held"]
    changes: tuple[Correction, ...] = ()


def site_folder(book: Book, *, draft: bool = False) -> Path:
    """Where the pages are: derived/report/, and derived/draft/ for pages that are not published."""
    return book.derived() / ("draft" if draft else "report")


def publish_chargers(
    book: Book,
    slugs: Sequence[str],
    *,
    at: str,
    why: str = "",
    draft: bool = False,
    force: bool = False,
    executor: Executor | None = None,
) -> Iterator[Published]:
    """Write the report of each charger whose inputs have changed; gives each when its report is there.

    Parameters
    ----------
    book, slugs
        The chargers; their stored results are published as they are.
    at
        Time of the publication, UTC: "2026-11-25T11:02:03Z".
    why
        Reason of what has changed since it was published; without one a charger of which figures changed is held.
    draft
        Make pages to look at, and record nothing.
    force
        Also what has not changed.
    executor
        Where the reports are made; on all cores of this machine by default.

    Raises
    ------
    BookError
        When a charger has no result, or its record of publications has faults.
    PublishError
        When a charger has the name of one of the site's pages, or a report cannot be made.
    """
    taken = [slug for slug in slugs if _RESERVED.fullmatch(slug)]
    if taken:
        problem = "is the name of a page or folder of the site."
        raise PublishError(*(Fault(f"chargers/{slug}", "", problem, "Rename the folder.") for slug in taken))
    refresh_conclusions(book, say=value_text)
    due = [s for s in slugs if force or not _is_current(book, s, draft=draft)]
    yield from (Published(s, "unchanged") for s in slugs if s not in due)
    with ExitStack() as stack:
        place = executor or stack.enter_context(executor_for(jobs=len(due)))
        yield from place.map(_publish_one, [_Job(book.root, slug, at, why, draft) for slug in due])


@dataclass(frozen=True, slots=True)
class _Job:
    root: Path
    slug: str
    at: str
    why: str
    draft: bool


def report_input(
    book: Book, slug: str, publications: Sequence[Publication] = (), *, draft: bool = False
) -> ReportInput:
    """Everything the report of a charger shows.

    Parameters
    ----------
    book, slug
        The charger.
    publications
        Those there were, and the one the report is made for; what changed from one to the next is shown.
    draft
        The report is to look at, not published.
    """
    return _report_input(book, slug, load(book, slug), publications, draft=draft)


def _report_input(
    book: Book, slug: str, stored: Stored, publications: Sequence[Publication], *, draft: bool
) -> ReportInput:
    charger = book.charger(slug)
    entries = book.index(slug)
    keys = tuple(f.key for f in _headlines(stored.figures))
    tier = book.settings.publish.data_pack
    return ReportInput(
        slug=slug,
        charger=charger,
        book=book_meta(book, draft=draft),
        settings=book.settings,
        sections=_sections(book, slug, stored),
        figures=stored.figures,
        findings=stored.findings,
        key_figures=keys,
        unmeasured=tuple(charger.claims[k] for k in stored.unmeasured),
        notes=stored.notes,
        raw_files=tuple(RawEntry(e.path, e.sha256, e.studies, e.conditions, e.taken, e.note) for e in entries),
        instruments=book.instruments,
        methods=tuple(Method(s.id, s.title, s.procedure) for s in STUDIES),
        words=figure_words(),
        verdict=book.verdict(slug),
        tester_notes=book.notes(slug),
        software=SOFTWARE,
        index_href="index.html",
        data_href="" if draft or tier == "none" else f"./data/{quote(slug)}-{tier}.zip",
        drafted=read_conclusion(book, slug),
        corrections=corrections(publications, figure_words(), keys),
    )


def figure_words() -> dict[str, str]:
    """Names in words, by "study/name" of the figure."""
    return {f"{s.id}/{name}": words for s in STUDIES for name, words in s.figure_names.items()}


def book_meta(book: Book, *, draft: bool = False) -> BookMeta:
    """What a page says of the book; a draft says so in its title."""
    settings = book.settings
    title = f"{settings.title} (draft, not published)" if draft else settings.title
    return BookMeta(title, settings.publisher, settings.licence)


def facts_of(book: Book, slug: str, *, draft: bool = False) -> Mapping[str, Any] | None:
    """What the site's other pages say of a charger's published report; `None` where there is no report."""
    try:
        data = json_of(_facts_path(book, slug, draft=draft).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    there = (site_folder(book, draft=draft) / f"{slug}.html").exists()
    return data if isinstance(data, dict) and "cells" in data and there else None


def beside(book: Book, slug: str) -> tuple[tuple[str, str], ...]:
    """Files there are beside a charger's report, in words and by relative address: data packs, a printed copy."""
    folder = site_folder(book)
    names = (
        ("Data, all of it (zip)", f"data/{slug}-full.zip"),
        ("Data, the figures (zip)", f"data/{slug}-summary.zip"),
        ("Report (PDF)", f"{slug}.pdf"),
    )
    return tuple((words, f"./{name}") for words, name in names if (folder / name).exists())


@functools.cache
def page_code_digest() -> str:
    """SHA-256 over Brickbook's sources, templates and style sheets: pages made by others are made again."""
    total = hashlib.sha256(code_digest().encode())
    for item in sorted(files("brickbook.publish").joinpath("templates").iterdir(), key=lambda item: item.name):
        total.update(f"{item.name}\0".encode() + hashlib.sha256(item.read_bytes()).digest())
    return total.hexdigest()


def _sections(book: Book, slug: str, stored: Stored) -> tuple[Section, ...]:
    made = [s for s in STUDIES if any(f.study == s.id for f in stored.figures)]
    sections = [study.page(view_for(book, slug, study, stored)) for study in made]
    behind_cables = cable_section(book.charger(slug), stored.figures, book.settings, say=value_text)
    return (*sections, behind_cables) if behind_cables is not None else tuple(sections)


def _headlines(figures: Sequence[Figure]) -> list[Figure]:
    picked = [h.pick([f for f in figures if f.study == s.id]) for s in STUDIES for h in s.headlines]
    return [f for f in picked if f is not None]


def _publish_one(job: _Job) -> Published:
    slug, at, why, draft = job.slug, job.at, job.why, job.draft
    book = Book.open(job.root)
    stored = load(book, slug)
    publications = () if draft else read_publications(book, slug)
    changes: tuple[Correction, ...] = ()
    due = None
    if not draft:
        reason = why if publications else ""
        due = next_publication(publications, stored.figures, stored.findings, book.verdict(slug), at, reason)
    if due is not None:
        publications = (*publications, due)
        keys = [f.key for f in _headlines(stored.figures)]
        changes = changes_by_publication(publications, figure_words(), keys)[-1]
        if not due.why and any(needs_reason(change) for change in changes):
            return Published(slug, "held", changes)
    page = render_report(_report_input(book, slug, stored, publications, draft=draft))
    if due is not None:
        add_publication(book, slug, due)
    folder = site_folder(book, draft=draft)
    book.write(folder / f"{slug}.html", page.encode())
    (folder / f"{slug}.pdf").unlink(missing_ok=True)  # a printed copy of what the report said before
    # the facts come last: a report without them is made again
    facts = _facts(book, slug, stored, publications) | {"made_from": _page_digest(book, slug)}
    book.write(_facts_path(book, slug, draft=draft), json.dumps(facts, ensure_ascii=False).encode())
    return Published(slug, "published", changes)


def _facts(book: Book, slug: str, stored: Stored, publications: Sequence[Publication]) -> dict[str, Any]:
    by_study = {s.id: [f for f in stored.figures if f.study == s.id] for s in STUDIES}
    cells = [h.pick(by_study[s.id]) for s in STUDIES for h in s.headlines if h.index]
    methods: dict[str, dict[str, str]] = {}
    for figure in stored.figures:
        kinds = methods.setdefault(f"{figure.study}/{figure.name}", {})
        if len(kinds) < _METHODS_KEPT:
            kinds.setdefault(re.sub(r"[\d.,+-]+", "#", figure.method), figure.method)
    return {
        "name": book.charger(slug).name,
        "result": hashlib.sha256((book.derived(slug) / "result.json").read_bytes()).hexdigest(),
        "cells": [None if f is None else figure_json(replace(f, sources=(), budget=())) for f in cells],
        "decisions": Counter(f.decision for f in stored.findings),
        "warnings": sum(n.severity == "warning" for n in stored.notes),
        "methods": {name: list(kinds.values()) for name, kinds in methods.items()},
        "published": [publication.at for publication in publications],
    }


def _facts_path(book: Book, slug: str, *, draft: bool) -> Path:
    return book.derived(slug) / ("draft.json" if draft else "published.json")


def _is_current(book: Book, slug: str, *, draft: bool) -> bool:
    facts = facts_of(book, slug, draft=draft)
    return facts is not None and facts.get("made_from") == _page_digest(book, slug)


def _page_digest(book: Book, slug: str) -> str:
    """What a report depends on: result (which vouches for the raw files), the tester's words, the record, the code."""
    total = hashlib.sha256(f"{page_code_digest()}\n{book.settings.publish.data_pack}\n".encode())
    folder = book.root / "chargers" / slug
    for path in (
        book.derived(slug) / "result.json",
        book.derived(slug) / "conclusion.json",
        folder / "verdict.md",
        folder / "notes.md",
        folder / "published.jsonl",
    ):
        try:
            part = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError:
            part = "absent"
        total.update(f"{part}\n".encode())
    return total.hexdigest()
