"""The report: whole, valid, repeatable, each number traceable, no text active."""

import dataclasses
import itertools
import re

import html5lib
import pytest

from brickbook.core.errors import PublishError
from brickbook.core.page import Section, TableBlock
from brickbook.core.study import Settings
from brickbook.publish import IndexEntry, IndexInput, render_index, render_report
from brickbook.publish.ledger import anchor


def strict(page):
    """Parse as HTML; any parse error fails (WHATWG HTML 13.2, as html5lib has it)."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def local(element):
    """Tag without its namespace: a script inside an SVG is a script."""
    return str(element.tag).rpartition("}")[2]


def words_of(element):
    return " ".join("".join(element.itertext()).split())


@pytest.fixture(scope="session")
def page(tern):
    return render_report(tern)


def test_report_is_valid_html_and_the_same_each_time(page, make_tern):
    strict(page)
    assert render_report(make_tern()) == page
    assert "/work" not in page
    assert "/tmp" not in page


def test_report_asks_for_nothing_outside(page):
    tree = strict(page)
    for element in tree.iter():
        assert local(element) not in ("script", "iframe", "object", "embed", "link", "img", "base", "form")
        for name, value in element.attrib.items():
            key = name[1] if isinstance(name, tuple) else name
            assert not key.startswith("on")
            if key in ("href", "src", "xlink:href"):
                assert value.startswith("#") or value == "index.html"
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", page)
    assert "default-src 'none'" in page


def test_every_link_leads_somewhere_and_ids_are_unique(page, tern):
    tree = strict(page)
    ids = [e.attrib["id"] for e in tree.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))
    links = [e.attrib["href"][1:] for e in tree.iter("a") if e.attrib.get("href", "").startswith("#")]
    assert links
    assert set(links) <= set(ids)
    assert {anchor(f.key) for f in tern.figures} <= set(ids)
    referred = [w for e in tree.iter() for w in e.attrib.get("aria-labelledby", "").split()]
    assert set(referred) <= set(ids)


def test_every_shown_number_links_to_its_provenance_with_file_lines_and_hash(page, tern):
    tree = strict(page)
    rows = {e.attrib["id"]: e for e in tree.iter("tr") if "id" in e.attrib}
    files = {e.attrib["id"]: words_of(e) for e in tree.iter("tr") if e.attrib.get("id", "").startswith("file-")}
    for figure in tern.figures:
        row = words_of(rows[anchor(figure.key)])
        source = figure.sources[0]
        assert source.file.path in row
        assert source.file.sha256[:12] in row
        assert (f"lines {source.first}–{source.last}" in row) or (f"line {source.first}" in row)
        table = words_of(next(t for t in tree.iter("table") if rows[anchor(figure.key)] in list(t.iter("tr"))))
        assert all(column in table for column in source.columns)
        assert any(source.file.path in text and source.file.sha256 in text for text in files.values())
    numbers = [e for e in tree.iter("a") if e.attrib.get("class") == "number"]
    assert len(numbers) > 20
    for link in numbers:
        assert words_of(link) in words_of(rows[link.attrib["href"][1:]])


def test_headings_are_in_order_and_tables_have_captions_and_scopes(page):
    tree = strict(page)
    levels = [int(e.tag[1]) for e in tree.iter() if re.fullmatch("h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    for table in tree.iter("table"):
        assert words_of(table.find("caption"))
        assert all(th.attrib.get("scope") in ("col", "row", "rowgroup") for th in table.iter("th"))
        width = len(table.find("thead").find("tr"))
        for tr in table.iter("tr"):
            assert sum(int(cell.attrib.get("colspan", 1)) for cell in tr) == width


def test_order_of_the_report(page):
    tree = strict(page)
    titles = [words_of(e) for e in tree.iter("h2")]
    assert [t.lstrip("0123456789 ") for t in titles] == [
        "Conclusion",
        "Key figures",
        "Findings",
        "The maker’s claims and marks",
        "The tester’s notes",
        "Measurements",
        "How it was measured",
        "Uncertainty",
        "Where each figure comes from",
        "Raw files",
        "Rules used",
        "Notes and warnings",
    ]


def test_what_a_reader_must_find(page):
    text = words_of(strict(page).find("body"))
    for words in (
        "Larkfield Tern 35",
        "bought by the tester",
        "115 V 60 Hz, 230 V 50 Hz",
        "J. Doe, independent tester",
        "what its label says",
        "Does not meet",
        "Undecided",
        "Not judged",
        "from memory",
        "over 93 %",
        "A mark is the maker’s claim",
        "stays cool",
        "not measured",
        "Caution.",
        "keep covers on",
        "2026-02-01",
        "nameplate power at the highest voltage",
        "10 CFR 430.32(w)(1)(ii)",
        "CC BY 4.0",
        "Brickbook 0.1.0",
        "Nothing in this report says that a charger is safe",
        "load 3.1 % off target",
        "k = 1.71",
        "One sample says nothing",
    ):
        assert words in text, words
    assert not re.search(r"charger is safe(?!\. It tells)", text)


def test_decisions_are_said_in_words_beside_their_sign(page):
    tree = strict(page)
    decisions = [e for e in tree.iter("span") if "decision" in e.attrib.get("class", "").split()]
    assert decisions
    for each in decisions:
        assert words_of(each) in ("Meets", "Does not meet", "Undecided", "Not judged")
        assert next(e for e in each if local(e) == "svg").attrib["aria-hidden"] == "true"


def test_without_a_verdict_plain_sentences_are_drafted_from_the_findings(make_tern):
    text = words_of(strict(render_report(make_tern(verdict="  "))).find("body"))
    assert "the tester has not written a conclusion" in text
    assert "8 findings were made: 4 meet it, 2 do not, 1 is undecided, 1 was not judged." in text
    assert "No-load power (" in text
    assert "Too close to decide, the limit lies within the uncertainty: " in text
    assert "One claim was not measured." in text


def test_a_report_of_nothing_measured_is_still_a_report(make_tern):
    empty = make_tern(
        sections=(),
        figures=(),
        findings=(),
        key_figures=(),
        notes=(),
        raw_files=(),
        methods=(),
        instruments={},
        verdict="",
        tester_notes="",
        unmeasured=(),
        settings=Settings(()),
        index_href="",
        software="",
    )
    text = words_of(strict(render_report(empty)).find("body"))
    for words in ("Nothing was set against a limit", "No key figure", "There is no raw file", "not recorded"):
        assert words in text


def test_faults_are_named_together(make_tern):
    plain = make_tern()
    stray = dataclasses.replace(plain.figures[0], value=0.5)
    report = dataclasses.replace(
        plain,
        figures=plain.figures[1:],
        key_figures=("no/such{}",),
        sections=(
            *plain.sections,
            Section("x", "X", "", (TableBlock("t", ("a", "b"), (("c", stray, "d"),)), plain.sections[0].blocks[0])),
        ),
    )
    with pytest.raises(PublishError) as caught:
        render_report(report)
    said = str(caught.value)
    for words in ("no such figure", "a figure that is not in the report", "used twice", "3 cells under 2 headings"):
        assert words in said
    with pytest.raises(PublishError, match="two figures have this identity"):
        render_report(dataclasses.replace(plain, figures=(*plain.figures, plain.figures[0])))


def test_hostile_text_everywhere_is_only_text(poisoned):
    page = render_report(poisoned)
    page.encode("utf-8")
    tree = strict(page)
    assert not [e for e in tree.iter() if local(e) in ("script", "img")]
    assert len(list(tree.iter("style"))) == 1
    assert "49" not in words_of(tree.find("head/title"))
    assert page.count("window.ran = 1") > 60  # it did reach the page, as text
    for element in tree.iter():
        for name, value in element.attrib.items():
            key = name[1] if isinstance(name, tuple) else name
            assert not key.startswith("on")
            if key in ("href", "src"):
                assert not value.lower().strip().startswith(("javascript:", "http", "data:"))


def test_size_stays_far_below_a_megabyte_and_a_half(page):
    assert len(page.encode()) < 300_000


def test_index_lists_chargers_with_figures_linked_into_their_reports(tern):
    by_name = {f.name: f for f in tern.figures}
    average = by_name["average_active_efficiency_ratio"]
    index = IndexInput(
        tern.book,
        ("Average efficiency", "No-load power", "Ports"),
        (
            IndexEntry("larkfield-tern-35", tern.charger, (average, None, 3), {"meets": 4, "does not meet": 2}, 1),
            IndexEntry("a b/../c", tern.charger, ("–", 2.5, 1)),
        ),
        "At 230 V.",
        "Brickbook 0.1.0",
    )
    page = render_index(index)
    assert page == render_index(index)
    tree = strict(page)
    links = [e.attrib["href"] for e in tree.iter("a")]
    assert "./larkfield-tern-35.html" in links
    assert f"./larkfield-tern-35.html#{anchor(average.key)}" in links
    assert "./a%20b%2F..%2Fc.html" in links
    text = words_of(tree.find("body"))
    assert "Does not meet: 2" in text
    assert "not measured" in text
    assert "1 warning" in text
    assert "nothing judged" in text
    with pytest.raises(PublishError, match="2 cells for 3 columns"):
        render_index(dataclasses.replace(index, entries=(IndexEntry("x", tern.charger, (1, 2)),)))
    with pytest.raises(PublishError, match="two chargers have this slug"):
        render_index(dataclasses.replace(index, entries=(index.entries[0], index.entries[0])))


def test_index_holds_hostile_names(poisoned, hostile):
    page = render_index(
        IndexInput(poisoned.book, (hostile,), (IndexEntry(hostile, poisoned.charger, (hostile,)),), hostile, hostile)
    )
    tree = strict(page)
    assert not [e for e in tree.iter() if local(e) in ("script", "img")]
    assert all(e.attrib["href"].startswith(("./", "#")) for e in tree.iter("a"))
