"""Every page in a real Chromium: readable by all, nothing from elsewhere, and what works without a script."""

from __future__ import annotations

import hashlib
from urllib.parse import quote, urlencode

import pytest

from .conftest import Visitor, described, efficiency_log, until

pytestmark = pytest.mark.browser
PAGES = [
    "/", "/compare", "/choose", "/new", "/none", "/chargers/tern-30", "/chargers/tern-30/claims", "/chargers/tern-30/files",
    "/chargers/tern-30/figures", "/chargers/tern-30/words", "/chargers/tern-30/bench",
    "/chargers/tern-30/raw/standby.csv?first=5&last=9", "/chargers/tern-30/files/new/{staged}", "/chargers/tern-30/figures/{figure}",
]  # fmt: skip


@pytest.fixture(scope="module")
def pages(app):
    answer = app.ask("PUT", "/chargers/tern-30/files?name=waits.csv", efficiency_log())
    assert answer.code == 201
    href = answer.text.split('"href":"')[1].split('"')[0]
    columns = [("header", h) for h in ("Power [W]", "U [V]", "I [A]")]
    columns += [("column", c) for c in ("mains_power_w", "port_voltage_v@C1", "port_current_a@C1")]
    columns += [(n, u) for n in ("unit", "was-unit") for u in ("W", "V", "A")] + [("was", "")] * 3
    assert app.ask("POST", href, urlencode([("do", "look"), *columns])).code == 303
    figures = app.ask("GET", "/chargers/tern-30/figures").text
    mark = figures.split('href="/chargers/tern-30/figures/')[1].split('"')[0]
    return [p.format(staged=href.rpartition("/")[2], figure=mark) for p in PAGES]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_axe_finds_nothing_and_nothing_sticks_out(chromium, app, pages, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    visitor = Visitor(chromium, app, viewport={"width": width, "height": 900}, color_scheme=scheme)
    for path in pages:
        visitor.page.goto(path)
        found = Axe().run(visitor.page)
        assert found.violations_count == 0, path + found.generate_report()
        assert visitor.page.evaluate("document.documentElement.scrollWidth") <= width, path
    visitor.close()


def test_the_trace_shows_the_stays(visitor, pages):
    visitor.page.goto(next(p for p in pages if "/files/new/" in p))
    assert "4 steady stays of the load were found" in visitor.page.locator("figcaption").first.inner_text()
    assert visitor.page.locator("figure .on-wide svg path").count() >= 5
    visitor.page.get_by_label("Second trace").select_option("port_voltage_v")
    until(lambda: "Output voltage" in visitor.page.locator("figcaption").nth(1).inner_text())


def test_the_skip_link_comes_first_and_all_is_reached_by_keyboard(visitor):
    page = visitor.page
    page.goto("/chargers/tern-30")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    wanted = page.locator("main a[href], main button:not([disabled]), main input:not([type=hidden])").count()
    reached = set()
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("[...document.querySelectorAll('main *')].indexOf(document.activeElement)"))
    assert len(reached - {-1}) >= wanted


def test_the_shelf_and_a_form_work_without_a_script(chromium, app):
    visitor = Visitor(chromium, app, java_script_enabled=False)
    page = visitor.page
    page.goto("/")
    page.get_by_label("Find").fill("tern")
    page.get_by_role("button", name="Show").click()
    assert "words=tern" in page.url
    assert page.locator("tbody tr").count() >= 1
    page.get_by_role("link", name="No-load power").click()
    assert page.locator('th[aria-sort="ascending"]').inner_text().startswith("No-load power")
    page.goto("/chargers/tern-30/claims")
    page.locator('[name="summary"]').fill("One port, without a script.")
    page.get_by_role("button", name="Save").last.click()
    assert app.book.charger("tern-30").summary == "One port, without a script."
    page.goto("/choose")
    page.get_by_role("button", name="Choose", exact=True).last.click()
    assert "What each charger does for these devices" in page.locator("main").inner_text()
    visitor.close()


def test_the_search_follows_the_typing(visitor):
    page = visitor.page
    page.goto("/")
    page.get_by_label("Find").fill("nothing like this")
    until(lambda: "No charger fits" in page.locator("#shelf").inner_text())


def test_a_file_that_changed_meanwhile_is_not_written_over(chromium, app):
    app.book.new_charger("twice", described("Twice"))
    one, other = Visitor(chromium, app), Visitor(chromium, app)
    for visitor in (one, other):
        visitor.page.goto("/chargers/twice/words")
    one.page.get_by_role("textbox", name="Notes").fill("From the first.")
    one.page.get_by_role("button", name="Save notes").click()
    other.page.get_by_role("textbox", name="Notes").fill("From the second.")
    other.page.get_by_role("button", name="Save notes").click()
    said = other.page.get_by_role("alert").inner_text()
    assert "From the first." in said
    assert other.page.get_by_role("textbox", name="Notes").input_value().strip() == "From the second."
    assert app.book.notes("twice") == "From the first.\n"
    other.page.get_by_role("button", name="Save notes").click()
    assert app.book.notes("twice") == "From the second.\n"
    one.close()
    other.close()


def test_claims_that_changed_meanwhile_are_shown(app):
    seen = hashlib.sha256(b"another text").hexdigest()
    answer = app.ask("POST", "/chargers/tern-30/claims", urlencode({"do": "save", "seen": seen, "name": "x"}))
    assert answer.code == 409
    assert "changed by somebody else" in answer.text
    assert "total_power_w = 30" in answer.text


def test_an_upload_that_is_too_large_is_told_before_it_is_sent(visitor, app):
    page = visitor.page
    page.goto("/chargers/tern-30/files")
    page.evaluate("document.querySelector('[data-upload]').dataset.most = '10'")
    page.locator("#pick").set_input_files({"name": "large.csv", "mimeType": "text/csv", "buffer": b"0" * 100})
    until(lambda: "is larger than" in page.locator("[data-progress]").inner_text())


def test_a_mapping_that_cannot_be_is_told(app):
    answer = app.ask(
        "PUT", f"/chargers/tern-30/files?name={quote('two.csv')}", b"t [s],A1,B2\n" + b"0,1,2\n1,1,2\n2,3,4\n"
    )
    href = answer.text.split('"href":"')[1].split('"')[0]
    pairs = [("header", "A1"), ("header", "B2"), ("column", "mains_power_w"), ("column", "mains_power_w")]
    pairs += [
        ("unit", "W"),
        ("unit", "W"),
        ("was", ""),
        ("was", ""),
        ("was-unit", ""),
        ("was-unit", ""),
        ("do", "import"),
    ]
    answer = app.ask("POST", href, urlencode(pairs))
    assert answer.code == 422
    assert "no study is ticked" in answer.text
    answer = app.ask("POST", href, urlencode([*pairs, ("study", "standby")]))
    assert answer.code == 422
    assert "column mains_power_w is named twice" in answer.text, answer.text.split("alert")[1][:600]
    assert "What “A1” is taken for" in answer.text  # can still be put right
