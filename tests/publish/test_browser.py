"""The pages in a real Chromium: nothing asked for, no script run, readable by all, nothing cut off."""

from dataclasses import replace

import pypdf
import pytest

from brickbook.core.page import Caution, Section, TableBlock, Text
from brickbook.publish import IndexEntry, IndexInput, render_index, render_report
from brickbook.publish.pdf import find_browser, print_pdf

CHROMIUM = find_browser()
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="NO CHROMIUM FOUND: accessibility and hostile text are NOT checked"),
]


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        chromium = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


def index_of(report):
    cells = (report.figures[0], None)
    return render_index(
        IndexInput(
            report.book,
            ("Efficiency", "No-load"),
            (IndexEntry(report.slug, report.charger, cells, {"meets": 3, "undecided": 1}, 2),),
        )
    )


@pytest.fixture(scope="module")
def files(tern, poisoned, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    many = tuple(TableBlock(f"Table {k}", ("", "U", ""), (("C1", 5.0, "kept"),) * 9) for k in range(3))
    extra = Section("more", "More", "It falls to -2 %.", (Caution("Hot."), Caution("Live."), *many, Text("Said.")))
    pages = {
        "report": render_report(replace(tern, sections=(*tern.sections, extra))),
        "index": index_of(tern),
        "hostile": render_report(poisoned),
        "hostile-index": index_of(poisoned),
    }
    for name, text in pages.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


def open_page(browser, files, name, width=1280, scheme="light"):
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    address = (files / f"{name}.html").as_uri()
    page.goto(address)
    return page, [a for a in asked if a != address], said


@pytest.mark.parametrize("name", ["report", "index", "hostile", "hostile-index"])
def test_one_request_no_script_no_complaint(browser, files, name):
    page, asked, said = open_page(browser, files, name)
    assert asked == []
    assert said == []
    assert page.evaluate("window.ran === undefined && document.scripts.length === 0")
    page.close()


@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [
        ("report", 1280, "light"),
        ("report", 390, "dark"),
        ("index", 1280, "dark"),
        ("index", 390, "light"),
    ],
)
def test_axe_finds_nothing(browser, files, name, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page, _, _ = open_page(browser, files, name, width, scheme)
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.close()


@pytest.mark.parametrize("name", ["report", "index", "hostile"])
@pytest.mark.parametrize("width", [768, 390])
def test_the_page_is_never_wider_than_the_window(browser, files, name, width):
    page, _, _ = open_page(browser, files, name, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_one_picture_of_each_chart_is_drawn_and_nothing_in_it_is_cut_off(browser, files):
    for width in (1280, 390):
        page, _, _ = open_page(browser, files, "report", width)
        charts = page.locator("svg.chart:visible")
        assert charts.count() == 5
        outside = page.evaluate(
            """() => [...document.querySelectorAll('svg.chart')].filter(s => s.getClientRects().length).flatMap(s => {
                const box = s.getBoundingClientRect();
                return [...s.querySelectorAll('text')].filter(t => {
                    const b = t.getBoundingClientRect();
                    return b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1 || b.bottom > box.bottom + 1;
                }).map(t => t.textContent);
            })"""
        )
        assert outside == []
        page.close()


def test_curves_that_the_narrow_picture_borrows_are_drawn_in_it(browser, files):
    page, _, _ = open_page(browser, files, "report", 390)
    borrowed = page.evaluate(
        """() => [...document.querySelectorAll('.on-narrow use')].map(u => {
            const path = document.getElementById(u.getAttribute('href').slice(1)), b = u.getBoundingClientRect();
            return [b.width, b.height, getComputedStyle(path).display, getComputedStyle(path).stroke];
        })"""
    )
    assert borrowed
    assert all(width > 20 and height > 0 for width, height, _, _ in borrowed)
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_charts_follow_the_readers_light_or_dark(browser, files, scheme):
    page, _, _ = open_page(browser, files, "report", scheme=scheme)
    ink, body, halo, paper = page.evaluate(
        """() => { const of = (q) => getComputedStyle(document.querySelector(q));
            return [of('.on-wide svg.chart text:not([class])').fill, of('body').color,
                    of('.on-narrow svg.chart text.h').stroke, of('body').backgroundColor]; }"""
    )
    assert ink == body
    assert halo == paper
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_when_all_is_unfolded(browser, files, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page, _, _ = open_page(browser, files, "report", 1280, scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    page.close()


def test_a_number_leads_into_the_folded_appendix(browser, files):
    page, _, _ = open_page(browser, files, "report")
    assert not page.locator("#provenance-1").is_visible()
    link = page.locator("#table-key >> xpath=..").locator("a[href^='#f-']").first
    target = link.get_attribute("href")
    link.click()
    row = page.locator(f"tr{target}")
    assert row.is_visible()
    assert page.evaluate("q => document.querySelector(q).getBoundingClientRect().top < innerHeight", f"tr{target}")
    page.close()


def test_the_skip_link_comes_first_and_works(browser, files):
    page, _, _ = open_page(browser, files, "report")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "conclusion"
    page.close()


def flat(marks):
    for mark in marks:
        if isinstance(mark, list):
            yield from flat(mark)
        else:
            yield mark


def test_it_prints_with_page_numbers_running_heads_and_without_the_appendices(files, tmp_path):
    reader = pypdf.PdfReader(print_pdf(files / "report.html", tmp_path / "report.pdf"))
    sheets = [sheet.extract_text() for sheet in reader.pages]
    assert 4 <= len(sheets) <= 14
    assert "Larkfield Tern 35: measured on one sample" not in sheets[0]
    for number, text in enumerate(sheets, start=1):
        assert f"{number} of {len(sheets)}" in text
        assert number == 1 or "Larkfield Tern 35: measured on one sample" in text
        assert "J. Doe, independent tester" in text
    everything = " ".join(sheets)
    assert "Nothing in this report says that a charger is safe" in everything
    assert "the half-width of an interval" in " ".join(everything.split())
    assert "from other figures or from what is stated" not in everything
    # a PDF for readers with a screen reader: tagged, with language and title (PDF 32000-1:2008, 14.8, 14.9.2, 14.3.3)
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert "4 Findings" in {mark.title for mark in flat(reader.outline)}
    assert reader.metadata.title == "Larkfield Tern 35 – The Larkfield Bench Book"


def test_the_appendices_print_when_asked_for(files, tmp_path):
    reader = pypdf.PdfReader(print_pdf(files / "report.html", tmp_path / "all.pdf", appendices=True))
    assert "Where each figure comes from" in " ".join(sheet.extract_text() for sheet in reader.pages)
    assert "eff-c1-20v-115.csv" in " ".join(sheet.extract_text() for sheet in reader.pages)
