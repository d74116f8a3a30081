"""The pages in a real Chromium: nothing asked for, no script run, readable by all, nothing cut off."""

import shutil

import pytest

from brickbook.publish import IndexEntry, IndexInput, render_index, render_report

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
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
    pages = {
        "report": render_report(tern),
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


def test_dark_pages_have_light_ink_in_the_charts(browser, files):
    ink = {}
    for scheme in ("light", "dark"):
        page, _, _ = open_page(browser, files, "report", scheme=scheme)
        ink[scheme] = page.evaluate(
            """() => { const t = document.querySelector('.on-wide svg.chart text[fill="#1c1b19"]');
                       return [getComputedStyle(t).fill, getComputedStyle(document.body).color]; }"""
        )
        page.close()
    assert ink["light"][0] == ink["light"][1]
    assert ink["dark"][0] == ink["dark"][1]
    assert ink["light"] != ink["dark"]


def test_the_skip_link_comes_first_and_works(browser, files):
    page, _, _ = open_page(browser, files, "report")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "conclusion"
    page.close()


def test_it_prints_with_the_running_title_on_later_pages(browser, files):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed: the printed pages are not checked")
    import subprocess

    page, _, _ = open_page(browser, files, "report")
    pdf = page.pdf(prefer_css_page_size=True)
    page.close()
    text = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True
    ).stdout.decode()
    sheets = text.split("\f")
    assert "Larkfield Tern 35: measured on one sample" in sheets[1]
    assert "Larkfield Tern 35: measured on one sample" not in sheets[0]
    assert "J. Doe, independent tester" in sheets[2]
