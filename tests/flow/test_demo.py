"""The whole demo, as a person runs it."""

from __future__ import annotations

import re

from brickbook.studies import STUDIES

SLUGS = ("albatross-200", "heron-120", "plover-67", "wren-35")


def test_the_demo_does_the_whole_job(bb, tmp_path):
    first = bb("demo", "--few", "--into", "demo-book", cwd=tmp_path)
    assert first.code == 0, first.err
    assert "demo-book/derived/report/index.html" in first.out
    reports = tmp_path / "demo-book/derived/report"
    pages = {slug: (reports / f"{slug}.html").read_text(encoding="utf-8") for slug in SLUGS}
    index = (reports / "index.html").read_text(encoding="utf-8")
    for slug, page in pages.items():
        assert f'href="./{slug}.html' in index
        for study in STUDIES:
            assert study.question in page or study.title in page
        # nothing is fetched from anywhere: every address in the page leads to a place within it or to a page beside it
        assert not re.search(r'(?:src|href)="(?!#|index\.html|data:)[^"]*//', page)

    def said(slug):
        return re.sub(r"<[^>]+>", "", pages[slug])

    # each example was made to show something; the analysis does not know that, and finds it
    assert "folded back in two steps" in said("heron-120")
    assert "would have rebooted a device without a battery on C2" in said("heron-120")
    data = {slug: bb("show", slug, "--json", "--book", "demo-book", cwd=tmp_path).json() for slug in SLUGS}

    def decisions(slug, rule, name, **conditions):
        figures = {f["key"]: f for f in data[slug]["figures"] if f["name"] == name}
        return {
            finding["decision"]
            for finding in data[slug]["findings"]
            if finding["rule"].startswith(rule)
            and finding["figure"] in figures
            and conditions.items() <= figures[finding["figure"]]["conditions"].items()
        }

    assert decisions("plover-67", "us-10cfr430", "no_load_power_w", mains_v=115) == {"meets"}
    assert "does not meet" in decisions("plover-67", "eu-2019-1782", "no_load_power_w", mains_v=230)
    assert decisions("heron-120", "claim:", "delivered_power_w") == {"does not meet"}
    assert decisions("heron-120", "usb-pd-fixed", "worst_voltage_v", port="C2", contract="9 V") == {"does not meet"}
    for rule in ("us-10cfr430", "eu-2019-1782", "usb-pd", "house-efficiency", "house-regulation"):
        for name in (
            "average_active_efficiency_ratio",
            "no_load_power_w",
            "worst_voltage_v",
            "voltage_deviation_ratio",
        ):
            assert decisions("wren-35", rule, name) <= {"meets"}

    again = bb("demo", "--few", "--into", "demo-book", cwd=tmp_path)
    assert again.code == 0
    assert "analysing" not in again.err
