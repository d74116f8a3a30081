"""Whole journeys of a tester, in a real Chromium."""

from __future__ import annotations

import pytest

from .conftest import efficiency_log, until

pytestmark = pytest.mark.browser


def test_from_a_new_charger_to_a_published_report(visitor, app, tmp_path):
    """New charger, claims with a fault found at once, a file dropped in, its mapping corrected, figures, published."""
    page = visitor.page
    page.get_by_role("link", name="New charger").click()
    page.get_by_label("Folder").fill("wader 40")
    page.get_by_role("button", name="Begin").click()
    assert "only a-z, 0-9" in page.get_by_role("alert").inner_text()
    page.get_by_label("Folder").fill("wader-30")
    page.get_by_label("Name").fill("Larkfield Wader 30")
    page.get_by_label("Maker").fill("Larkfield")
    page.get_by_label("Model").fill("LW-30")
    page.get_by_role("button", name="Begin").click()

    # claims: what is wrong is said beside its field while it is typed
    page.locator('[name="nameplate.total_power_w"]').fill("thirty")
    said = page.locator('[data-said="nameplate.total_power_w"]')
    until(lambda: "expected a number above 0" in said.inner_text())
    assert page.locator('[name="nameplate.total_power_w"]').get_attribute("aria-invalid") == "true"
    page.locator('[name="nameplate.total_power_w"]').fill("30")
    if page.locator('[name="ports[0].id"]').count() == 0:
        page.get_by_role("button", name="Add port").click()
    page.locator('[name="ports[0].id"]').fill("C1")
    page.locator('[name="ports[0].connector"]').select_option("usb-c")
    if page.locator('[name="ports[0].outputs[0].kind"]').count() == 0:
        page.get_by_role("button", name="Add output").click()
    page.locator('[name="ports[0].outputs[0].kind"]').select_option("fixed")
    page.locator('[name="ports[0].outputs[0].current_a"]').fill("1.5")
    page.locator('[name="ports[0].outputs[0].voltage_v"]').fill("20")
    page.locator('[name="sample.obtained"]').select_option("bought")
    before = (app.root / "chargers/wader-30/charger.toml").read_text()
    page.get_by_role("button", name="Save").last.click()
    page.wait_for_load_state()
    assert "Saved." in page.locator("main").inner_text(), page.locator("main").inner_text()[:1500]
    after = (app.root / "chargers/wader-30/charger.toml").read_text()
    assert app.book.charger("wader-30").nameplate.total_power_w == 30.0
    comments = [line for line in before.splitlines() if line.startswith("# ")]
    assert len(comments) > 5
    assert [line for line in after.splitlines() if line.startswith("# ")] == comments

    # a file dropped in; power and voltage stand under headers that say nothing
    page.get_by_role("link", name="Raw files").click()
    log = tmp_path / "odd log.csv"
    log.write_bytes(efficiency_log().replace(b"Power [W],U [V]", b"Gadget,Thing"))
    data = page.evaluate_handle(
        """async (text) => { const t = new DataTransfer(); t.items.add(new File([text], "odd log.csv")); return t; }""",
        log.read_text(),
    )
    page.dispatch_event(".drop", "drop", {"dataTransfer": data})
    page.wait_for_url("**/files/new/*")

    # corrected: one by keyboard, one by mouse
    power = page.get_by_label("What “Gadget” is taken for")
    power.focus()
    page.keyboard.type("mains power")
    page.get_by_label("Unit of “Gadget”").fill("W")
    page.get_by_label("What “Thing” is taken for").select_option("port_voltage_v@C1")
    page.get_by_label("Unit of “Thing”").fill("V")
    page.get_by_label("What “I [A]” is taken for").select_option("port_current_a@C1")
    assert power.input_value() == "mains_power_w"
    page.get_by_label("Efficiency", exact=True).check()
    page.get_by_label("Mains voltage [V]").fill("230")
    page.get_by_label("Mains frequency [Hz]").fill("50")
    page.get_by_label("Loaded ports").fill("C1")
    page.get_by_label("Contract").fill("20 V")
    page.get_by_label("Measured at").fill("receptacle")
    page.get_by_role("button", name="Look again").click()
    assert "4 steady stays of the load were found" in page.locator("figcaption").first.inner_text()
    for quantity, name in (("mains_power_w", "wall-meter"), ("port_voltage_v", None), ("port_current_a", None)):
        box = page.locator(f'[name="by-{quantity}"]')
        if not box.input_value():
            box.select_option(name or _able(app, quantity))
    page.get_by_role("button", name="Take in").click()
    page.get_by_text("The file was taken in.").wait_for()
    raw = app.root / "chargers/wader-30/raw/odd log.csv"
    assert raw.read_bytes() == log.read_bytes()

    # figures, each leading to its rows
    page.get_by_role("button", name="Analyse").click()
    page.get_by_role("heading", name="Key figures").wait_for(timeout=60_000)
    page.get_by_role("link", name="Figures").click()
    page.get_by_role("cell").filter(has_text="%").get_by_role("link").first.click()
    page.get_by_role("heading", name="Where it comes from").wait_for()
    page.get_by_role("link", name="odd log.csv").first.click()
    assert page.locator("tr.marked").count() > 3

    # the tester's words, and published
    page.get_by_role("link", name="Your words").click()
    page.get_by_role("textbox", name="Conclusion").fill("It does **what it says**.")
    page.get_by_role("button", name="Save conclusion").click()
    assert app.book.verdict("wader-30") == "It does **what it says**.\n"
    page.get_by_role("link", name="Overview").click()
    page.get_by_role("button", name="Publish").click()
    page.get_by_role("link", name="Published report").wait_for(timeout=60_000)
    page.get_by_role("link", name="Published report").click()
    assert page.locator("strong", has_text="what it says").count() == 1
    page.goto("/")
    row = page.get_by_role("row").filter(has_text="Larkfield Wader 30")
    assert "published" in row.inner_text()


def _able(app, quantity):
    return next(n for n, i in app.book.instruments.items() if any(a.quantity == quantity for a in i.accuracy))
