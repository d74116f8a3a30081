"""The pages that speak of all chargers: index, comparison, methods, terms, corrections, about, feed, sitemap."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brickbook.analysis import study_rules
from brickbook.analysis.codec import figure_of_json
from brickbook.book import Book, read_publications
from brickbook.core.documents import json_of
from brickbook.library.catalogue import open_catalogue
from brickbook.library.comparison import comparison_sections
from brickbook.library.shelf import better_end
from brickbook.publish.comparison import render_comparison
from brickbook.publish.corrections import Correction, changes_by_publication
from brickbook.publish.facts import instrument_rows
from brickbook.publish.feed import FeedMeta, News, atom_feed, robots_text, sitemap_xml
from brickbook.publish.frame import PAGES, Frame, render_page
from brickbook.publish.glossary import TERMS
from brickbook.publish.index import IndexEntry, IndexInput, render_index, sorted_views
from brickbook.publish.markdown import markdown_html
from brickbook.publish.methods import MethodsInput, render_methods
from brickbook.publish.site import (
    SOFTWARE,
    beside,
    book_meta,
    facts_of,
    figure_words,
    page_code_digest,
    site_folder,
)
from brickbook.rules import parse_rules
from brickbook.studies import STUDIES

__all__ = ["Site", "publish_site"]

_MOST_CHANGES = 40
_SHORT = ("APDO", "AVS", "EPR", "PDO", "PPS", "SPR", "THD")


@dataclass(frozen=True, slots=True)
class Site:
    """What became of the shared pages.

    Parameters
    ----------
    index
        Path of the first page.
    made, unchanged, removed
        How many files were written, were there as they must be, and were deleted as they are no longer part of it.
    """

    index: Path
    made: int
    unchanged: int
    removed: int


def publish_site(book: Book, *, draft: bool = False, held: Sequence[str] = (), force: bool = False) -> Site:
    """Write the pages of all chargers that have a report; files that would be the same are left alone.

    Parameters
    ----------
    book
        Its chargers' reports are there already.
    draft
        As for `publish_chargers`.
    held
        Chargers whose new results are not published: the comparison, which knows the newest results alone, stays as
        it is until they are.
    force
        Make them even when nothing they depend on has changed.
    """
    folder = site_folder(book, draft=draft)
    facts = {slug: found for slug in book.chargers() if (found := facts_of(book, slug, draft=draft)) is not None}
    state_path = book.derived() / ("draft.json" if draft else "site.json")
    state = _state(state_path)
    known: list[str] = state.get("files", [])
    digest = _digest(book, facts, held)
    if not force and state.get("made_from") == digest and all((folder / name).exists() for name in known):
        return Site(folder / "index.html", 0, len(known), 0)
    made = unchanged = 0
    names = [f"{slug}.html" for slug in facts]
    compared = _compared_from(book, facts)
    same = (bool(held) or state.get("compared") == compared) and not force and (folder / "comparison.html").exists()
    for name, content in _pages(book, facts, draft=draft, comparison=not same):
        names.append(name)
        if content is None or _same(folder / name, content):
            unchanged += 1
            continue
        book.write(folder / name, content)
        made += 1
    gone = [name for name in known if name not in names]
    for name in gone:
        slug = name.removesuffix(".html")
        for old in (name, *(address.removeprefix("./") for _, address in beside(book, slug))):
            (folder / old).unlink(missing_ok=True)
    kept = state.get("compared") if same else compared
    known_now = {"made_from": digest, "compared": kept, "files": sorted(names)}
    book.write(state_path, json.dumps(known_now, indent=1).encode())
    return Site(folder / "index.html", made, unchanged, len(gone))


def _pages(
    book: Book, facts: Mapping[str, Mapping[str, Any]], *, draft: bool, comparison: bool
) -> Iterator[tuple[str, bytes | None]]:
    """File name and content of each page; no content: leave the file as it is."""
    settings = book.settings
    meta, base = book_meta(book, draft=draft), settings.publish.base
    frame = Frame(meta, SOFTWARE, PAGES, "" if draft else "./feed.xml", draft=draft)
    news = [] if draft else [each for slug in facts for each in _news(book, slug, facts[slug])]

    for view in _index_views(book, facts, news, draft=draft):
        name = "index.html" if view.sorted_by is None else view.views[view.sorted_by]
        yield name, render_index(view, frame).encode()
    yield "comparison.html", _comparison(book, facts, frame).encode() if comparison else None
    methods: dict[str, dict[str, None]] = {}
    for found in facts.values():
        for figure, ways in found["methods"].items():
            methods.setdefault(figure, {}).update(dict.fromkeys(ways))
    house = book.house_rules
    yield (
        "methods.html",
        render_methods(
            MethodsInput(
                STUDIES,
                study_rules(),
                parse_rules(house.text, house.file, "house") if house else (),
                {figure: tuple(ways) for figure, ways in methods.items()},
                settings.decision,
            ),
            frame,
        ).encode(),
    )
    yield (
        "glossary.html",
        render_page(
            "glossary.html.j2", frame, "glossary.html", f"Terms – {meta.title}", terms=TERMS, shown=_SHORT
        ).encode(),
    )
    yield "corrections.html", _corrections(news, frame).encode()
    yield (
        "about.html",
        render_page(
            "about.html.j2",
            frame,
            "about.html",
            f"About – {meta.title}",
            about=markdown_html(settings.publish.about, heading_level=2) if settings.publish.about.strip() else None,
            contact=settings.publish.contact,
            mains=[
                f"{m.voltage_v:g} V {m.frequency_hz:g} Hz" + (f" ({m.market})" if m.market else "")
                for m in settings.mains
            ],
            currency=settings.currency,
            energy_price=settings.energy_price_per_kwh,
            instruments=instrument_rows(book.instruments),
        ).encode(),
    )
    lost = Frame(meta, SOFTWARE, PAGES, "", base or "./", draft)
    yield "404.html", render_page("missing.html.j2", lost, "404.html", f"No such page – {meta.title}").encode()
    yield "robots.txt", robots_text(base, draft=draft).encode()
    if draft:
        return
    yield (
        "feed.xml",
        atom_feed(FeedMeta(settings.title, settings.publisher, settings.licence, base, settings.publish.tag), news),
    )
    if base:
        last = {slug: found["published"][-1][:10] if found["published"] else "" for slug, found in facts.items()}
        shared = [(file if file != "index.html" else "", max(last.values(), default="")) for file, _ in PAGES]
        yield "sitemap.xml", sitemap_xml(base, [*shared, *((f"{slug}.html", day) for slug, day in last.items())])


def _index_views(
    book: Book, facts: Mapping[str, Mapping[str, Any]], news: Sequence[News], *, draft: bool
) -> tuple[IndexInput, ...]:
    every = [h for s in STUDIES for h in s.headlines if h.index]
    have = [sum(found["cells"][k] is not None for found in facts.values()) for k in range(len(every))]
    most = [k for k in range(len(every)) if 2 * have[k] >= max(1, len(facts))]
    few = [k for k in range(len(every)) if have[k] and k not in most]
    meta = book_meta(book, draft=draft)
    corrected = {each.slug: each.at[:10] for each in news if each.number > 1}

    def entry(slug: str, columns: Sequence[int]) -> IndexEntry:
        found = facts[slug]
        return IndexEntry(
            slug,
            book.charger(slug),
            tuple(None if (cell := found["cells"][k]) is None else figure_of_json(cell) for k in columns),
            found["decisions"],
            found["warnings"],
            found["published"][0][:10] if found["published"] else "",
            corrected.get(slug, ""),
            () if draft else beside(book, slug),
        )

    rarely = [slug for slug in facts if any(facts[slug]["cells"][k] for k in few)]
    whole = IndexInput(
        meta,
        tuple(every[k].title for k in most),
        tuple(entry(slug, most) for slug in facts),
        software=SOFTWARE,
        nobody=tuple(h.title for h, n in zip(every, have, strict=True) if not n) if facts else (),
        further=IndexInput(meta, tuple(every[k].title for k in few), tuple(entry(slug, few) for slug in rarely))
        if rarely
        else None,
    )
    if len(facts) < 2:
        return (whole,)
    return sorted_views(whole, [better_end(every[k].name) == "smallest" for k in most])


def _comparison(book: Book, facts: Mapping[str, Mapping[str, Any]], frame: Frame) -> str:
    with open_catalogue([book]) as catalogue:
        sections = comparison_sections(catalogue, book)
        rows = catalogue.rows("SELECT charger, title FROM chargers ORDER BY charger")
    titles = [row["title"] for row in rows]
    alone = [row for row in rows if row["charger"] in facts and titles.count(row["title"]) == 1]
    return render_comparison(sections, frame, {row["title"]: row["charger"] for row in alone})


def _news(book: Book, slug: str, found: Mapping[str, Any]) -> Iterator[News]:
    publications = read_publications(book, slug)
    keys = [cell["key"] for cell in found["cells"] if cell]
    changed = changes_by_publication(publications, figure_words(), keys)
    count = 0
    for number, (publication, changes) in enumerate(zip(publications, changed, strict=True), 1):
        count += sum(c.kind == "figure" and c.is_addition for c in changes) - sum(not c.new for c in changes)
        count = len(publication.figures) if number == 1 else count
        yield News(slug, found["name"], number, publication.at, count, publication.why, changes)


def _corrections(news: Sequence[News], frame: Frame) -> str:
    chargers = []
    for slug in dict.fromkeys(each.slug for each in news if each.number > 1):
        own = [each for each in news if each.slug == slug]
        days = [each.at[:10] for each in own]
        parts = [
            {
                "date": each.at[:10],
                "number": days[: each.number].count(each.at[:10]),
                "count": days.count(each.at[:10]),
                "why": each.why,
                "changes": each.changes[:_MOST_CHANGES],
                "total": len(each.changes),
                "more": max(0, len(each.changes) - _MOST_CHANGES),
                **_counted(each.changes),
            }
            for each in reversed(own)
            if each.number > 1
        ]
        latest = own[-1].at
        chargers.append((latest, {"slug": slug, "name": own[0].name, "first": days[0], "parts": parts}))
    chargers.sort(key=lambda pair: pair[0], reverse=True)
    return render_page(
        "corrections.html.j2",
        frame,
        "corrections.html",
        f"Corrections – {frame.book.title}",
        chargers=[charger for _, charger in chargers],
    )


def _counted(changes: Sequence[Correction]) -> dict[str, int]:
    added, gone = sum(c.is_addition for c in changes), sum(not c.new for c in changes)
    return {"added": added, "gone": gone, "changed": len(changes) - added - gone}


def _state(path: Path) -> dict[str, Any]:
    try:
        data = json_of(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}


def _same(path: Path, content: bytes) -> bool:
    return path.exists() and path.read_bytes() == content


def _compared_from(book: Book, facts: Mapping[str, Mapping[str, Any]]) -> str:
    """What the comparison depends on: all results, and what stands around every page."""
    total = hashlib.sha256(page_code_digest().encode() + (book.root / "book.toml").read_bytes())
    for slug, found in facts.items():
        total.update(f"{slug} {found['result']}\n".encode())
    return total.hexdigest()


def _digest(book: Book, facts: Mapping[str, Mapping[str, Any]], held: Sequence[str]) -> str:
    total = hashlib.sha256(page_code_digest().encode())
    for slug, found in facts.items():
        total.update(f"{slug} {found['made_from']} {beside(book, slug)} {slug in held}\n".encode())
    for name in ("book.toml", "bench.toml", "house-rules.toml"):
        path = book.root / name
        total.update(hashlib.sha256(path.read_bytes() if path.exists() else b"").digest())
    return total.hexdigest()
