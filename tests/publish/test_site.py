"""The whole site of a small book: every link leads somewhere, only what changed is made, nothing changes unseen."""

import importlib.util
import os
import re
import shutil
from collections import defaultdict
from pathlib import Path
from urllib.parse import unquote

import html5lib
import pytest

from brickbook.analysis import analyse_charger, is_current, save
from brickbook.book import Book, read_publications
from brickbook.core.errors import BookError, PublishError
from brickbook.demo import make_book
from brickbook.publish.glossary import TERMS, Linker
from brickbook.publish.shared import publish_site
from brickbook.publish.site import publish_chargers
from brickbook.studies import STUDIES

_spec = importlib.util.spec_from_file_location("atom", Path(__file__).with_name("atom.py"))
atom = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(atom)
check_atom = atom.check_atom  # the rules of RFC 4287

AT, LATER = "2026-11-25T11:02:03Z", "2026-12-01T09:00:00Z"
BASE = "https://example.org/chargers/"


def publish(book, at=AT, **how):
    """Analyse what has changed and publish all; status of each charger, and what became of the shared pages."""
    for slug in book.chargers():
        if not is_current(book, slug):
            save(book, slug, analyse_charger(book, slug))
    draft = how.get("draft", False)
    done = {one.slug: one for one in publish_chargers(book, book.chargers(), at=at, **how)}
    held = [one.slug for one in done.values() if one.status == "held"]
    return done, publish_site(book, draft=draft, held=held)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Two chargers that differ in name and price; never changed."""
    root = tmp_path_factory.mktemp("site") / "book"
    root.mkdir()
    list(make_book(root, ("wren-35",), brief=True))
    toml = root / "book.toml"
    toml.write_text(f'{toml.read_text("utf-8")}\n[publish]\nurl = "{BASE}"\ncontact = "tester@example.org"\n', "utf-8")
    twin = root / "chargers/wren-twin"
    shutil.copytree(root / "chargers/wren-35", twin)
    text = (twin / "charger.toml").read_text("utf-8")
    text = text.replace("amount = 24.90", "amount = 19.90").replace('name = "', 'name = "Second ', 1)
    (twin / "charger.toml").write_text(text, "utf-8")
    book = Book.open(root)
    publish(book)
    return book


@pytest.fixture
def book(whole, tmp_path):
    root = tmp_path / "book"
    shutil.copytree(whole.root, root)
    return Book.open(root)


@pytest.fixture(scope="module")
def pages(whole):
    folder = whole.derived() / "report"
    return {p.name: parse(p) for p in sorted(folder.glob("*.html"))}


def parse(path):
    """Strictly, as WHATWG HTML 13.2 has it: any parse error fails."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(path.read_text("utf-8"))


def words(element):
    return " ".join("".join(element.itertext()).split())


def stamps(book):
    return {p: p.stat().st_mtime_ns for p in (book.derived() / "report").rglob("*") if p.is_file()}


def set_price(book, slug, amount):
    path = book.root / f"chargers/{slug}/charger.toml"
    path.write_text(re.sub(r"amount = [\d.]+", f"amount = {amount}", path.read_text("utf-8")), "utf-8")


def test_every_link_and_anchor_of_the_site_resolves(whole, pages):
    folder = whole.derived() / "report"
    ids = {name: [e.get("id") for e in tree.iter() if e.get("id")] for name, tree in pages.items()}
    assert not [(n, i) for n, own in ids.items() for i in own if own.count(i) > 1]
    checked = defaultdict(int)
    for name, tree in pages.items():
        for element in tree.iter():
            for key in ("href", "src", "{http://www.w3.org/1999/xlink}href"):
                target = element.get(key)
                if target is None:
                    continue
                file, _, fragment = target.removeprefix(BASE).removeprefix("./").partition("#")
                file = unquote(file) or name
                assert (folder / file).is_file(), (name, target)
                if fragment and file.endswith(".html"):
                    assert unquote(fragment) in ids[file], (name, target)
                checked[name] += 1
        for attribute in ("aria-labelledby", "aria-describedby", "for"):
            for element in tree.iter():
                assert set((element.get(attribute) or "").split()) <= set(ids[name]), (name, element.get(attribute))
    assert all(checked[name] >= 6 for name in pages)


def test_pages_ask_for_nothing_and_hold_no_script(pages, whole):
    for name, tree in pages.items():
        tags = {str(e.tag).rpartition("}")[2] for e in tree.iter()}
        assert not tags & {"script", "iframe", "object", "embed", "img", "base", "form"}, name
        loads = [e for e in tree.iter("link") if e.get("rel") != "alternate"]
        assert loads == []
        text = (whole.derived() / "report" / name).read_text("utf-8")
        assert "default-src 'none'" in text
        assert str(whole.root) not in text
        assert "Nothing here says that a charger is safe" in words(tree) or "says that a charger is safe" in words(tree)


def test_every_page_is_led_to_from_the_first(pages):
    met, due = set(), ["index.html"]
    while due:
        name = due.pop()
        if name in met or name not in pages:
            continue
        met.add(name)
        due += [e.get("href").removeprefix("./").partition("#")[0] for e in pages[name].iter("a") if e.get("href")]
    assert set(pages) - met == {"404.html"}


def test_headings_tables_and_titles(pages):
    titles = [words(tree.find("head/title")) for tree in pages.values()]
    assert len(set(titles)) == len(titles)
    for name, tree in pages.items():
        assert len(list(tree.iter("h1"))) == 1, name
        for table in tree.iter("table"):
            assert words(table.find("caption")), name
            assert all(th.get("scope") in ("col", "row", "rowgroup") for th in table.iter("th")), name


def test_the_sorted_views_are_sorted_and_hold_the_same_chargers(pages):
    def order(name):
        rows = pages[name].find("body//table/tbody")
        return [words(row.find("th/a")) for row in rows]

    price = "by-price-per-watt.html"
    assert sorted(order("index.html")) == sorted(order(price))
    first, second = order(price)
    assert first.startswith("Second ")  # 19.90 before 24.90: the smallest is the good end
    assert second == first.removeprefix("Second ")
    heads = [th for th in pages[price].iter("th") if th.get("aria-sort")]
    assert [(words(th), th.get("aria-sort")) for th in heads] == [("Price per watt", "ascending")]


def test_methods_hold_every_study_caution_and_rule(pages, whole):
    from brickbook.analysis import study_rules

    text = words(pages["methods.html"])

    def said(part):
        assert " ".join(part.split()) in text, part

    for study in STUDIES:
        said(study.question)
        said(study.procedure.summary)
        for caution in (*study.procedure.cautions, *(s.caution for s in study.procedure.steps if s.caution)):
            said(caution)
        for source in study.procedure.sources:
            said(source)
        for figure in study.figure_names.values():
            said(figure[:1].upper() + figure[1:])
    for rule in study_rules():
        said(rule.title)
        if rule.limits:
            said(rule.source)
            said(rule.edition)


def test_terms_are_linked_at_first_use_and_escaped(pages):
    link = Linker()
    out = str(link("A PPS contract & <b> a PPS contract."))
    assert out.count("<a ") == 2
    assert "&amp; &lt;b&gt;" in out
    linked = {e.get("href") for name in pages for e in pages[name].iter("a") if e.get("class") == "term"}
    assert len(linked) > 8
    names = [t.name.lower() for t in TERMS]
    assert names == sorted(names)
    assert len({t.id for t in TERMS}) == len(TERMS)


def test_feed_sitemap_and_robots_stand_beside_the_pages(whole, pages):
    folder = whole.derived() / "report"
    entries = check_atom((folder / "feed.xml").read_bytes())
    assert len(entries) == 2
    named = re.findall("<loc>(.*?)</loc>", (folder / "sitemap.xml").read_text("utf-8"))
    files = {address.removeprefix(BASE) or "index.html" for address in named}
    assert files == {n for n in pages if not n.startswith(("by-", "404"))}
    assert f"Sitemap: {BASE}sitemap.xml" in (folder / "robots.txt").read_text("utf-8")
    assert f'href="{BASE}index.html"' in (folder / "404.html").read_text("utf-8")


def test_what_has_not_changed_is_not_made_again(book):
    before = stamps(book)
    done, site = publish(book, LATER)
    assert {one.status for one in done.values()} == {"unchanged"}
    assert site.made == 0
    assert stamps(book) == before


def test_a_published_figure_changes_only_with_a_reason_and_readers_are_told(book):
    folder = book.derived() / "report"
    set_price(book, "wren-twin", 21.9)
    before = stamps(book)
    done, _ = publish(book, LATER)
    held = done["wren-twin"]
    assert held.status == "held"
    assert any(c.figure_key.startswith("value/price_per_watt") and c.key_figure for c in held.changes)
    changed = {p.name for p, at in stamps(book).items() if before.get(p) != at}
    assert not changed & {"wren-twin.html", "index.html", "comparison.html", "corrections.html", "feed.xml"}
    assert len(read_publications(book, "wren-twin")) == 1

    (folder / "wren-twin.pdf").write_bytes(b"%PDF")
    done, _ = publish(book, LATER, why="The price was of <b>another</b> shop.")
    assert not (folder / "wren-twin.pdf").exists()  # a printed copy of what was wrong
    assert done["wren-twin"].status == "published"
    assert done["wren-35"].status == "unchanged" or not done["wren-35"].changes
    assert [p.at for p in read_publications(book, "wren-twin")] == [AT, LATER]
    page = parse(folder / "corrections.html")
    rows = {
        words(tr.find("th")): [words(td) for td in tr.iter("td")] for tr in page.iter("tr") if tr.find("td") is not None
    }
    (price,) = [said for name, said in rows.items() if name.startswith("Price per watt (")]
    assert price == ["0.569 EUR/W", "0.626 EUR/W"]
    assert "Why: The price was of <b>another</b> shop." in words(page)
    assert list(page.iter("b")) == []
    assert "corrected 2026-12-01" in words(parse(folder / "index.html"))
    entries = check_atom((folder / "feed.xml").read_bytes())
    assert len(entries) == 3
    assert "corrected" in words(entries[0])
    # the record outlives what is made from it: made again, the pages say the same
    said = (folder / "corrections.html").read_bytes()
    shutil.rmtree(folder)
    publish(book, "2027-01-01T00:00:00Z")
    assert (folder / "corrections.html").read_bytes() == said


def test_only_the_pages_of_what_changed_are_written(book):
    (book.root / "chargers/wren-35/verdict.md").write_text("Another word.\n", "utf-8")
    before = stamps(book)
    done, _ = publish(book, LATER)
    assert {s: one.status for s, one in done.items()} == {"wren-35": "published", "wren-twin": "unchanged"}
    changed = {p.name for p, at in stamps(book).items() if before.get(p) != at}
    assert {"wren-35.html", "corrections.html", "feed.xml"} <= changed
    assert not changed & {"wren-twin.html", "methods.html", "glossary.html", "comparison.html", "about.html"}


def test_pages_of_a_charger_that_has_gone_go_too_and_others_stay(book):
    folder = book.derived() / "report"
    (folder / "data").mkdir(exist_ok=True)
    (folder / "data/wren-35-full.zip").write_bytes(b"PK")
    (folder / "own.html").write_text("mine", "utf-8")
    (folder / "wren-twin.pdf").write_bytes(b"%PDF")
    shutil.rmtree(book.root / "chargers/wren-twin")
    _, site = publish(book, LATER)
    assert site.removed > 1
    assert not (folder / "wren-twin.html").exists()
    assert not (folder / "wren-twin.pdf").exists()
    assert not list(folder.glob("by-*.html"))  # one charger cannot be sorted
    assert (folder / "own.html").exists()
    assert "./data/wren-35-full.zip" in (folder / "index.html").read_text("utf-8")
    assert "nothing to compare yet" in (folder / "comparison.html").read_text("utf-8")


def test_a_draft_is_marked_and_publishes_nothing(book):
    (book.root / "chargers/wren-twin/verdict.md").write_text("Not yet.", "utf-8")
    before = stamps(book)
    done, site = publish(book, LATER, draft=True)
    assert {one.status for one in done.values()} == {"published"}
    assert stamps(book) == before
    assert len(read_publications(book, "wren-twin")) == 1
    folder = book.derived() / "draft"
    assert site.index == folder / "index.html"
    for path in folder.glob("*.html"):
        assert "draft, not published" in path.read_text("utf-8"), path.name
    assert not (folder / "feed.xml").exists()
    assert "Disallow: /" in (folder / "robots.txt").read_text("utf-8")


def test_names_the_site_needs_are_refused(book):
    (book.root / "chargers/wren-twin").rename(book.root / "chargers/methods")
    with pytest.raises(PublishError, match=r"chargers/methods: is the name of a page or folder of the site\. Rename"):
        list(publish_chargers(book, ["methods"], at=AT))


def test_on_a_terminal_the_reason_is_asked_for(book, monkeypatch, capsys):
    from brickbook.commands import publish as command

    set_price(book, "wren-twin", 25.0)
    asked = []
    monkeypatch.setattr(command, "_can_ask", lambda: True)
    monkeypatch.setattr("builtins.input", lambda words: asked.append(words) or " ")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1796115600")
    assert command.publish("wren-twin", book=book.root) == 1
    monkeypatch.setattr("builtins.input", lambda words: asked.append(words) or "A new price.")
    assert command.publish("wren-twin", book=book.root) == 0
    assert len(asked) == 2
    shown = capsys.readouterr()
    assert "0.569 EUR/W becomes 0.714 EUR/W" in " ".join(shown.out.split())
    assert 'brickbook publish wren-twin --why "..."' in shown.err
    assert [(p.at, p.why) for p in read_publications(book, "wren-twin")] == [(AT, ""), (LATER, "A new price.")]


def test_a_moment_that_is_none_is_told(monkeypatch):
    from brickbook.commands import publish as command

    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(BookError, match='expected seconds since 1970, found "yesterday"'):
        command._now()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    assert command._now() == "1970-01-01T00:00:00Z"


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="NO CHROMIUM FOUND: accessibility of the site is NOT checked")
def test_axe_finds_nothing_and_no_page_is_wider_than_a_phone(whole):
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    folder = Path(os.path.realpath(whole.derived() / "report"))
    shown = ("index", "methods", "comparison", "corrections", "by-price-per-watt", "about")
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for k, name in enumerate(shown):
            width, scheme = ((390, "dark"), (1280, "light"))[k % 2]
            page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
            asked = []
            page.on("request", lambda request, asked=asked: asked.append(request.url))
            page.goto((folder / f"{name}.html").as_uri())
            assert len(asked) == 1, name
            found = Axe().run(page)
            assert found.violations_count == 0, (name, found.generate_report())
            page.set_viewport_size({"width": 390, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, name
            page.close()
        browser.close()
