"""The report: whole, valid, repeatable, each number traceable, no text active."""

import dataclasses
import hashlib
import itertools
import re

import html5lib
import pytest

from brickbook.core.errors import PublishError
from brickbook.core.page import Section, TableBlock
from brickbook.core.study import Settings
from brickbook.core.table import RawFile, Rows
from brickbook.library.conclusion import Conclusion, Sentence
from brickbook.publish import IndexEntry, IndexInput, render_index, render_report
from brickbook.publish.corrections import Correction
from brickbook.publish.ledger import anchor
from brickbook.publish.report import fingerprint


def strict(page):
    """Parse as HTML; any parse error fails (WHATWG HTML 13.2, as html5lib has it)."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def local(element):
    """Tag without its namespace: a script inside an SVG is a script."""
    return str(element.tag).rpartition("}")[2]


def digest(text):
    return hashlib.sha256(text.encode()).hexdigest()


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
    tables = {e.attrib["id"]: t for t in tree.iter("table") for e in t.iter("tr") if "id" in e.attrib}
    for figure in tern.figures:
        row = rows[anchor(figure.key)]
        text = words_of(row)
        source = figure.sources[0]
        assert source.file.path in text
        assert (f"lines {source.first}–{source.last}" in text) or (f"line {source.first}" in text)
        (number,) = {e.attrib["href"][1:] for e in row.iter("a")}
        assert source.file.path in words_of(rows[number])
        assert source.file.sha256 in words_of(rows[number])
        assert all(column in words_of(tables[anchor(figure.key)]) for column in source.columns)
    numbers = [e for e in tree.iter("a") if e.attrib["href"].startswith("#f-")]
    assert len(numbers) > 20
    for link in numbers:
        assert words_of(link) in words_of(rows[link.attrib["href"][1:]])


def test_columns_shared_by_figures_are_named_once_with_a_letter(make_tern):
    plain = make_tern()
    files = [RawFile(f"{name}.csv", digest(name)) for name in ("load", "wall")]

    def with_sources(figure, k):
        load = Rows(files[0], 10 * k + 2, 10 * k + 9, ("U/V", "I/A"))
        again = Rows(files[0], 10 * k + 200, 10 * k + 209, ("U/V", "I/A"))
        return dataclasses.replace(figure, sources=(load, again, Rows(files[1], k + 1, k + 1, ("P/W",))))

    figures = tuple(with_sources(f, k) if f.name == "efficiency_ratio" else f for k, f in enumerate(plain.figures))
    sections = tuple(
        dataclasses.replace(s, blocks=tuple(b for b in s.blocks if not isinstance(b, TableBlock)))
        for s in plain.sections
    )
    tree = strict(render_report(dataclasses.replace(plain, figures=figures, sections=sections)))
    changed = next(f for f in figures if f.name == "efficiency_ratio")
    table = next(t for t in tree.iter("table") if any(e.attrib.get("id") == anchor(changed.key) for e in t.iter("tr")))
    assert "Columns: (a) U/V, I/A; (b) P/W" in words_of(table.find("caption"))
    row = words_of(next(e for e in table.iter("tr") if e.attrib.get("id") == anchor(changed.key)))
    assert "load.csv, lines 2–9, 200–209 (a)" in row
    assert "wall.csv, line 1 (b)" in row


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
    assert titles == [
        "1 Conclusion",
        "2 The charger and the sample",
        "3 Key figures",
        "4 Findings",
        "5 The maker’s claims and marks",
        "6 The tester’s notes",
        "7 Measurements",
        "8 How it was measured",
        "9 Notes and warnings",
        "A Procedures",
        "B Uncertainty budgets",
        "C Where each figure comes from",
        "D Raw files",
        "E Rules used",
    ]


def test_the_first_screen_says_what_is_missed_by_how_much_and_when(make_tern):
    plain = make_tern()
    days = ("2026-02-03T09:00:00", "2026-02-01T10:00:00")
    raw = tuple(
        dataclasses.replace(f, taken=day) for f, day in zip(plain.raw_files, itertools.cycle(days), strict=False)
    )
    overdue = {name: dataclasses.replace(i, due="2026-02-02") for name, i in plain.instruments.items()}
    page = render_report(dataclasses.replace(plain, raw_files=raw, instruments=overdue))
    assert page.count("past when the last reading was taken") == len(overdue)
    header = strict(page).find("body").find("div/header")
    text = words_of(header)
    assert "Does not meet: 2" in text
    assert "Measured 2026-02-01 to 2026-02-03." in text
    missed = [words_of(e) for e in header.findall(".//section[@aria-labelledby='not-met']//li")]
    assert len(missed) == 2
    assert all("limit" in each and "±" in each for each in missed)
    tiles = header.findall(".//dl/div")
    assert 2 <= len(tiles) <= 8
    assert all(tile.find("dd/a").attrib["href"].startswith("#f-") for tile in tiles)


def test_appendices_and_long_lists_are_folded_and_need_no_script(page):
    tree = strict(page)
    folded = list(tree.iter("details"))
    assert len([e for e in folded if e.attrib["class"] == "appendix"]) == 5
    assert not [e for e in folded if "open" in e.attrib]
    assert all(len(e) and e[0].tag == "summary" and words_of(e[0]) for e in folded)


def test_corrections_stand_near_the_top_and_in_full_below(make_tern):
    plain = make_tern()
    average = next(f for f in plain.figures if f.name == "average_active_efficiency_ratio")
    newest = Correction(
        "2026-03-02", average.key, "average active efficiency", "(88 ± 1) %", "(89 ± 1) %", "Wrong probe."
    )
    gone = Correction("2026-02-20", "x/gone{}", "gone", "1 W", "", "Not on this charger.")
    tree = strict(render_report(dataclasses.replace(plain, corrections=(newest, gone))))
    top = words_of(tree.find("body").find("div/header"))
    assert "Corrected on 2026-03-02." in top
    assert "Average active efficiency: (88 ± 1) % (89 ± 1) %" in top
    assert "Why: Wrong probe." in top
    assert "Not on this charger" not in top
    assert "There were earlier corrections too" in top
    table = next(t for t in tree.iter("table") if words_of(t.find("caption")) == "Corrections")
    rows = [" ".join(map(words_of, r)) for r in table.find("tbody")]
    assert rows == [
        "2026-03-02 Average active efficiency (88 ± 1) % (89 ± 1) % Wrong probe.",
        "2026-02-20 Gone 1 W withdrawn Not on this charger.",
    ]
    assert f"#{anchor(average.key)}" in [a.attrib["href"] for a in table.iter("a")]
    assert "Corrected on" not in render_report(plain)
    added = dataclasses.replace(newest, old="")
    only_added = render_report(dataclasses.replace(plain, corrections=(added,)))
    assert "Corrected on" not in only_added  # it stands in the list, and nothing that was said is taken back
    assert 'id="corrections"' in only_added


def test_a_drafted_conclusion_stands_beside_the_testers_and_never_instead_of_it(make_tern):
    plain = make_tern()
    key = plain.figures[0].key
    draft = Conclusion(
        "worth buying",
        0.9,
        0.95,
        (
            Sentence("Worth buying, by the weights.", (key,), (), "judgement"),
            Sentence("It suits one phone.", (key,), (), "for"),
            Sentence("It falls to -8.7 %.", (key,), (), "wrong"),
        ),
    )
    alone = strict(render_report(dataclasses.replace(plain, verdict="", drafted=draft)))
    top = words_of(alone.find("body").find("div/header"))
    assert "the tester has not written a conclusion" in top
    assert "Worth buying, by the weights. [1]" in top
    assert "For whom It suits one phone." in top
    assert "falls to −8.7 %" in words_of(alone.find("body"))
    assert f"#{anchor(key)}" in [a.attrib["href"] for a in alone.find("body").find("div/header").iter("a")]
    both = strict(render_report(dataclasses.replace(plain, drafted=draft)))
    top = words_of(both.find("body").find("div/header"))
    assert "Worth buying, by the weights" not in top
    assert "Worth buying, by the weights" in words_of(both.find("body"))


def test_the_data_pack_is_linked_where_there_is_one(page, make_tern):
    assert "data pack" not in page
    linked = render_report(dataclasses.replace(make_tern(), data_href="./data/larkfield-tern-35-full.zip"))
    assert "./data/larkfield-tern-35-full.zip" in [e.attrib.get("href") for e in strict(linked).iter("a")]


def test_the_fingerprint_follows_readings_figures_and_findings(make_tern):
    plain = make_tern()
    assert fingerprint(plain) == fingerprint(dataclasses.replace(plain, verdict="Other words."))
    other = dataclasses.replace(plain.figures[0], u=plain.figures[0].u * 1.01)
    assert fingerprint(plain) != fingerprint(dataclasses.replace(plain, figures=(other, *plain.figures[1:])))
    assert fingerprint(plain) in render_report(plain)


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
        assert words_of(each).partition(":")[0] in ("Meets", "Does not meet", "Undecided", "Not judged")
        assert next(e for e in each if local(e) == "svg").attrib["aria-hidden"] == "true"


def test_without_a_verdict_the_findings_are_counted(make_tern):
    text = words_of(strict(render_report(make_tern(verdict="  "))).find("body"))
    assert "The tester has not written a conclusion" in text
    assert "8 findings were made: 4 meet it, 2 do not, 1 is undecided, 1 was not judged." in text
    assert "1 of the maker’s claims was not measured" in text


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
    for words in (
        "Nothing was set against a limit",
        "No key figure",
        "There is no raw file",
        "not recorded",
        "no figure",
    ):
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
