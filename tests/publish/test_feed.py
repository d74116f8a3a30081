"""The feed against the rules of RFC 4287, its names against RFC 4151, the sitemap against sitemaps.org 0.9."""

import importlib.util
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from brickbook.book import PublishSettings
from brickbook.publish.corrections import Correction
from brickbook.publish.feed import FeedMeta, News, atom_feed, robots_text, sitemap_xml

_spec = importlib.util.spec_from_file_location("atom", Path(__file__).with_name("atom.py"))
atom = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(atom)
ATOM, check_atom = atom.ATOM, atom.check_atom

# RFC 4151 2.1: "tag:" authority "," date ":" specific; specific of pchar, "/" and "?"
TAG = re.compile(
    r"tag:(?:[\w.-]+@)?[\w.-]+,\d{4}(?:-\d\d(?:-\d\d)?)?:(?:[\w.~!$&'()*+,;=:@/?-]|%[0-9A-F]{2})*", re.ASCII
)

CHANGE = Correction("2026-12-01", "a/b_w{}", "B <power>", "1.0 W", "2.0 W", "Meter & range")
NEW = Correction("2026-12-01", "a/c_w{}", "C", "", "3.0 W", "")
NEWS = (
    News("wren-35", "Wren & <35>", 1, "2026-11-25T11:02:03Z", 211),
    News("wren-35", "Wren & <35>", 2, "2026-12-01T09:00:00Z", 211, "Meter & range", (CHANGE,)),
    News("heron-120", "Heron", 1, "2026-11-26T11:02:03Z", 700),
    News("heron-120", "Heron", 2, "2026-11-27T11:02:03Z", 701, "", (NEW,)),
)
META = FeedMeta("Book & <title>", "A. Tester", "CC-BY-4.0", "https://example.org/chargers/", "example.org,2026")


def test_the_feed_keeps_rfc_4287_and_its_names_rfc_4151():
    data = atom_feed(META, NEWS)
    assert atom_feed(META, NEWS) == data
    entries = check_atom(data)
    feed = ET.fromstring(data)
    assert all(TAG.fullmatch(e.text) for e in feed.iter(f"{ATOM}id"))
    assert feed.findtext(f"{ATOM}updated") == "2026-12-01T09:00:00Z"
    assert [e.findtext(f"{ATOM}title") for e in entries] == [
        "Wren & <35>: corrected",
        "Heron: more was measured",
        "Heron: first published",
        "Wren & <35>: first published",
    ]
    assert entries[0].findtext(f"{ATOM}id") == "tag:example.org,2026:chargers/wren-35/2"
    assert entries[0].find(f"{ATOM}link").get("href") == "https://example.org/chargers/wren-35.html"
    said = entries[0].findtext(f"{ATOM}summary")
    assert said == "Why: Meter & range B <power>: was 1.0 W, is 2.0 W."


def test_names_never_change_when_more_is_published():
    def ids(news):
        return {e.findtext(f"{ATOM}id") for e in check_atom(atom_feed(META, news))}

    assert ids(NEWS[:1]) < ids(NEWS[:3]) < ids(NEWS)


@pytest.mark.parametrize(
    ("base", "tag", "begins"),
    [
        ("", "me@example.org,2026-11", "tag:me@example.org,2026-11:"),
        ("https://example.org/", "", "tag:example.org,2026-11-25:"),
        ("", "", "urn:uuid:"),
    ],
)
def test_where_names_come_from(base, tag, begins):
    entries = check_atom(atom_feed(FeedMeta("T", "P", "", base, tag), NEWS))
    assert all(e.findtext(f"{ATOM}id").startswith(begins) for e in entries)
    if not base:
        assert entries[0].find(f"{ATOM}link").get("href") == "./wren-35.html"


def test_a_feed_of_nothing_and_one_of_very_much():
    assert check_atom(atom_feed(FeedMeta("T", "P"), ())) == []
    many = [News(f"c{k}", f"C{k}", 1, f"2026-11-25T00:{k // 60:02d}:{k % 60:02d}Z", 1) for k in range(150)]
    entries = check_atom(atom_feed(META, many))
    assert len(entries) == 100
    assert entries[0].findtext(f"{ATOM}title") == "C149: first published"


def test_the_sitemap_and_robots():
    data = sitemap_xml("https://example.org/c/", [("", "2026-12-01"), ("wren-35.html", ""), ("a.html", "2026-11-25")])
    top = ET.fromstring(data)
    space = "{http://www.sitemaps.org/schemas/sitemap/0.9}"
    assert top.tag == f"{space}urlset"
    assert [(u.findtext(f"{space}loc"), u.findtext(f"{space}lastmod")) for u in top] == [
        ("https://example.org/c/", "2026-12-01"),
        ("https://example.org/c/wren-35.html", None),
        ("https://example.org/c/a.html", "2026-11-25"),
    ]
    assert "Sitemap: https://example.org/c/sitemap.xml" in robots_text("https://example.org/c/")
    assert robots_text("", draft=True) == "User-agent: *\nDisallow: /\n"


@pytest.mark.parametrize(
    "url", ["ftp://example.org", "example.org", "https://", "https://example.org/?a", "https://a b"]
)
def test_addresses_that_are_none(url):
    with pytest.raises(ValueError, match="web address"):
        PublishSettings(url=url)


@pytest.mark.parametrize("tag", ["example.org", "example,2026", "example.org,26", "example.org,2026-13", "1.2,2026"])
def test_tags_that_are_none(tag):
    with pytest.raises(ValueError, match="a domain of your own"):
        PublishSettings(tag=tag)


def test_a_base_ends_in_a_slash():
    assert PublishSettings(url="https://example.org/a").base == "https://example.org/a/"
    assert PublishSettings().base == ""
