"""What tells machines of the site: a feed of what changed (RFC 4287), the sitemap and robots.txt.

All of it is made from the record of publications and from book.toml: no clock is read, so the same book gives the same
bytes.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlsplit
from xml.etree import ElementTree as ET

from brickbook.publish.corrections import Correction
from brickbook.publish.looks import clean

__all__ = ["FeedMeta", "News", "atom_feed", "robots_text", "sitemap_xml"]

_ATOM = "http://www.w3.org/2005/Atom"
_SITEMAP = "http://www.sitemaps.org/schemas/sitemap/0.9"
_MOST = 100
_LISTED = 12
_NEVER = "1970-01-01T00:00:00Z"  # of a book that has published nothing; an element the feed must have


@dataclass(frozen=True, slots=True)
class FeedMeta:
    """Whose feed it is.

    Parameters
    ----------
    title, publisher, licence
        Of the book.
    base
        Address of the site with a slash at its end; empty: links are relative to the feed's own address.
    tag
        Authority and date of the entries' names, "example.org,2026" (RFC 4151). Empty: the host of `base` with the
        date of the first publication; without that, names made from title and publisher (RFC 9562, version 5).
    """

    title: str
    publisher: str
    licence: str = ""
    base: str = ""
    tag: str = ""


@dataclass(frozen=True, slots=True)
class News:
    """One publication of one charger.

    Parameters
    ----------
    slug, name
        The charger.
    number
        Which publication of this charger, from 1.
    at
        When, UTC: "2026-11-25T11:02:03Z".
    figures
        How many figures are published since.
    why
        The tester's reason for what changed.
    changes
        What changed; empty for a first publication.
    """

    slug: str
    name: str
    number: int
    at: str
    figures: int
    why: str = ""
    changes: tuple[Correction, ...] = ()

    @property
    def headline(self) -> str:
        """What happened, in a few words."""
        if self.number == 1:
            return f"{self.name}: first published"
        if any(not change.is_addition for change in self.changes if change.kind != "conclusion"):
            return f"{self.name}: corrected"
        return f"{self.name}: more was measured" if self.changes else f"{self.name}: published again"


def atom_feed(meta: FeedMeta, news: Sequence[News]) -> bytes:
    """The feed as Atom (RFC 4287), newest first, at most the newest 100.

    Ids are `tag` URIs (RFC 4151) made from `meta` and the publication's number, so they never change.
    """
    ordered = sorted(news, key=lambda each: (each.at, each.slug, each.number), reverse=True)
    first = min((each.at for each in news), default="")
    feed = ET.Element("feed", xmlns=_ATOM)
    _text(feed, "id", _id(meta, first, "feed"))
    _text(feed, "title", meta.title)
    _text(feed, "subtitle", "Chargers measured, and what was corrected")
    _text(feed, "updated", ordered[0].at if ordered else _NEVER)
    _text(_child(feed, "author"), "name", meta.publisher)
    if meta.licence:
        _text(feed, "rights", meta.licence)
    if meta.base:
        _child(feed, "link", rel="self", type="application/atom+xml", href=f"{meta.base}feed.xml")
    _child(feed, "link", rel="alternate", type="text/html", href=meta.base or "./index.html")
    for each in ordered[:_MOST]:
        entry = _child(feed, "entry")
        _text(entry, "id", _id(meta, first, f"chargers/{each.slug}/{each.number}"))
        _text(entry, "title", each.headline)
        _text(entry, "updated", each.at)
        _text(entry, "published", each.at)
        address = f"{meta.base or './'}{quote(each.slug, safe='')}.html"
        _child(entry, "link", rel="alternate", type="text/html", href=address)
        _text(entry, "summary", _summary(each))
    return _bytes(feed)


def sitemap_xml(base: str, pages: Sequence[tuple[str, str]]) -> bytes:
    """The sitemap (sitemaps.org protocol 0.9).

    Parameters
    ----------
    base
        Address of the site with a slash at its end.
    pages
        Address of each page relative to it, and the day it last changed; empty where that is not recorded.
    """
    top = ET.Element("urlset", xmlns=_SITEMAP)
    for address, day in pages:
        page = ET.SubElement(top, "url")
        ET.SubElement(page, "loc").text = base + address
        if day:
            ET.SubElement(page, "lastmod").text = day
    return _bytes(top)


def robots_text(base: str, *, draft: bool = False) -> str:
    """robots.txt (RFC 9309): all is allowed, and nothing of a draft."""
    lines = ["User-agent: *", "Disallow: /" if draft else "Allow: /"]
    return "\n".join([*lines, *([f"Sitemap: {base}sitemap.xml"] if base and not draft else []), ""])


def _summary(news: News) -> str:
    if news.number == 1:
        return f"The report holds {news.figures} figures, each with its uncertainty and the readings behind it."
    lines = [f"Why: {news.why}"] if news.why else []
    for change in news.changes[:_LISTED]:
        if change.is_addition:
            lines.append(f"{change.words}: new, {change.new}.")
        elif not change.new:
            lines.append(f"{change.words}: was {change.old}, is no longer published.")
        else:
            lines.append(f"{change.words}: was {change.old}, is {change.new}.")
    if len(news.changes) > _LISTED:
        lines.append(f"And {len(news.changes) - _LISTED} more, in the report.")
    return " ".join(lines) or "Nothing a reader can see has changed."


def _id(meta: FeedMeta, first: str, what: str) -> str:
    host = urlsplit(meta.base).hostname or ""
    tag = meta.tag or (f"{host},{first[:10]}" if host and first else "")
    if tag:
        return f"tag:{tag}:{what}"
    own = f"{meta.publisher}\0{meta.title}\0{what}"
    return f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, own)}"


def _child(parent: ET.Element, name: str, **attributes: str) -> ET.Element:
    return ET.SubElement(parent, name, attributes)


def _text(parent: ET.Element, name: str, text: str) -> None:
    _child(parent, name).text = clean(text)


def _bytes(top: ET.Element) -> bytes:
    ET.indent(top)
    return bytes(ET.tostring(top, encoding="utf-8", xml_declaration=True)) + b"\n"
