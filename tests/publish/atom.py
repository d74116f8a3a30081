"""What RFC 4287 demands of a feed document, written from the text of the standard."""

import re
from xml.etree import ElementTree as ET

ATOM = "{http://www.w3.org/2005/Atom}"
# RFC 3339 5.6, as RFC 4287 3.3 asks: capital T, and Z or an offset
DATE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")


def check_atom(data):
    """What RFC 4287 demands of a feed document; gives its entries."""
    feed = ET.fromstring(data)
    assert feed.tag == f"{ATOM}feed"
    for where in (feed, *feed.findall(f"{ATOM}entry")):
        for name in ("id", "title", "updated"):  # 4.1.1, 4.1.2: exactly one of each
            assert len(where.findall(f"{ATOM}{name}")) == 1, name
            assert where.findtext(f"{ATOM}{name}").strip()
        for name in ("subtitle", "rights", "summary", "content", "published", "logo", "icon", "generator"):
            assert len(where.findall(f"{ATOM}{name}")) <= 1, name
        for name in ("updated", "published"):  # 3.3
            assert all(DATE.fullmatch(e.text) for e in where.findall(f"{ATOM}{name}"))
        links = [
            (e.get("type"), e.get("hreflang")) for e in where.findall(f"{ATOM}link") if e.get("rel") == "alternate"
        ]
        assert len(links) == len(set(links))  # no two alternates of one kind
        assert all(e.get("href") for e in where.findall(f"{ATOM}link"))  # 4.2.7
        assert re.match(r"[a-z][a-z0-9+.-]*:\S+$", where.findtext(f"{ATOM}id"))  # 4.2.6: an IRI, absolute
    entries = feed.findall(f"{ATOM}entry")
    assert feed.findall(f"{ATOM}author") or all(e.findall(f"{ATOM}author") for e in entries)  # 4.1.1
    for author in feed.iter(f"{ATOM}author"):  # 3.2
        assert len(author.findall(f"{ATOM}name")) == 1
    for entry in entries:  # 4.1.2: an alternate where there is no content
        assert entry.findall(f"{ATOM}content") or any(e.get("rel") == "alternate" for e in entry.findall(f"{ATOM}link"))
    ids = [e.findtext(f"{ATOM}id") for e in (feed, *entries)]
    assert len(ids) == len(set(ids))  # 4.2.6: never shared
    known = {
        "feed",
        "id",
        "title",
        "subtitle",
        "updated",
        "published",
        "author",
        "rights",
        "link",
        "entry",
        "summary",
        "name",
    }
    assert {e.tag for e in feed.iter()} <= {f"{ATOM}{name}" for name in known}
    return entries
