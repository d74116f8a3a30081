"""From raw files to reports: the same every time, nothing silently used, only what changed done again."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest


def tree(root: Path) -> dict[str, str]:
    return {
        str(p.relative_to(root)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(root.rglob("*"))
        if p.is_file() and p.name != "made.json"  # the catalogue's note of when its files were written
    }


def test_the_same_raw_files_give_the_same_bytes(bb, made_book, published_book, tmp_path):
    """Made twice, in different folders, from different working directories."""
    other = tmp_path / "elsewhere" / "another name"
    other.parent.mkdir()
    shutil.copytree(made_book, other)
    assert bb("publish", "--book", ".", cwd=other).code == 0
    assert tree(other / "derived") == tree(published_book / "derived")


def test_a_report_names_no_machine_and_no_clock(published_book):
    page = (published_book / "derived/report/wren-35.html").read_text(encoding="utf-8")
    assert str(published_book) not in page
    assert "/tmp" not in page
    assert not re.search(r"generated (on|at)", page, re.IGNORECASE)


def test_nothing_changed_nothing_done(bb, book):
    before = tree(book)
    result = bb("publish", "--book", book)
    assert result.code == 0
    assert "analysing" not in result.err
    assert tree(book) == before


def test_a_changed_raw_file_stops_the_analysis(bb, book):
    raw = book / "chargers/wren-35/raw/standby-bare-230v.csv"
    raw.write_bytes(raw.read_bytes().replace(b"0,0", b"0,1", 1))
    result = bb("analyse", "--book", book)
    assert result.code == 1
    assert "chargers/wren-35/raw/standby-bare-230v.csv" in result.err
    assert "SHA-256" in result.err
    # what was known stays as it was, and says that it is old
    shown = bb("show", "wren-35", "--book", book)
    assert "Files have changed since these figures were made" in shown.out


def test_a_missing_raw_file_stops_the_analysis(bb, book):
    (book / "chargers/wren-35/raw/vi-c1-9v.csv").unlink()
    result = bb("analyse", "--book", book)
    assert result.code == 1
    assert "chargers/wren-35/raw/vi-c1-9v.csv" in result.err


def test_a_file_nobody_imported_is_told_and_not_used(bb, book):
    (book / "chargers/wren-35/raw/extra.csv").write_text("t,P\n0,1\n")
    assert bb("analyse", "--force", "--book", book).code == 0
    notes = bb("show", "wren-35", "--json", "--book", book).json()["notes"]
    assert any("extra.csv" in n["text"] and n["text"].startswith("Not used:") for n in notes)


def test_only_the_changed_charger_is_done_again(bb, book):
    second = book / "chargers/wren-twin"
    shutil.copytree(book / "chargers/wren-35", second)
    assert bb("publish", "--book", book).code == 0
    stamp = (book / "derived/wren-35/result.json").stat().st_mtime_ns
    toml = second / "charger.toml"
    toml.write_text(toml.read_text().replace("amount = 24.90", "amount = 19.90"))
    result = bb("publish", "--book", book)
    assert "analysing 1/1: wren-twin" in result.err
    # the price per watt was published: it does not change without a word to the reader
    assert result.code == 1
    assert "becomes" in result.err
    assert '--why "..."' in result.err
    assert bb("publish", "--why", "The price was read from the wrong label.", "--book", book).code == 0
    assert "The price was read from the wrong label." in (book / "derived/report/corrections.html").read_text("utf-8")
    assert (book / "derived/wren-35/result.json").stat().st_mtime_ns == stamp
    price = next(
        f for f in bb("show", "wren-twin", "--json", "--book", book).json()["figures"] if f["name"] == "price_per_watt"
    )
    assert price["value"] == pytest.approx(19.90 / 35)


def test_a_new_verdict_makes_a_new_report_but_no_new_figures(bb, book):
    stamp = (book / "derived/wren-35/result.json").stat().st_mtime_ns
    (book / "chargers/wren-35/verdict.md").write_text("A word from the tester.\n")
    assert bb("publish", "--book", book).code == 0
    assert "A word from the tester." in (book / "derived/report/wren-35.html").read_text(encoding="utf-8")
    assert (book / "derived/wren-35/result.json").stat().st_mtime_ns == stamp


def test_derived_can_be_deleted_and_made_again(bb, book):
    before = tree(book / "derived")
    shutil.rmtree(book / "derived")
    assert bb("publish", "--book", book).code == 0
    assert tree(book / "derived") == before


def test_a_broken_result_is_made_again(bb, book):
    result = book / "derived/wren-35/result.json"
    whole = result.read_bytes()
    result.write_bytes(whole[: len(whole) // 2])
    assert bb("analyse", "--book", book).code == 0
    assert result.read_bytes() == whole


def test_figures_lead_back_to_rows_that_hold_them(published_book, bb):
    """Take a figure, go to the lines it names, and average them by hand."""
    figures = bb("show", "wren-35", "--json", "--book", published_book).json()["figures"]
    figure = next(
        f for f in figures if f["name"] == "input_power_w" and f["conditions"]["mains_v"] == 115 and "20 V" in f["key"]
    )
    source = next(s for s in figure["sources"] if "Mains power (W)" in s["columns"])
    path = published_book / "chargers/wren-35/raw" / source["file"]
    assert hashlib.sha256(path.read_bytes()).hexdigest() == source["sha256"]
    lines = path.read_text().splitlines()
    header = next(line for line in lines if line.startswith("Time,")).split(",")
    column = header.index("Mains power (W)")
    cells = [line.split(",")[column] for line in lines[source["first"] - 1 : source["last"]]]
    values = [float(c) for c in cells if c and float(c) < 9e37]
    assert sum(values) / len(values) == pytest.approx(figure["value"], abs=1e-9)


def test_parquet_holds_the_same_figures(published_book, bb):
    import polars as pl

    frame = pl.read_parquet(published_book / "derived/wren-35/figures.parquet")
    figures = bb("show", "wren-35", "--json", "--book", published_book).json()["figures"]
    assert frame["key"].to_list() == [f["key"] for f in figures]
    assert frame["value"].to_list() == [f["value"] for f in figures]
    assert json.loads(frame["conditions"][0]) == figures[0]["conditions"]


STUDY = {
    "__init__.py": '''
"""How loud is it?"""
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.page import Section, TableBlock
from brickbook.core.study import Outcome, Procedure, Step, Study

def figures(evidence):
    width = len(evidence.charger.ports)
    return Outcome((Figure("hum", "hum_level_db", 20.0 + width, "dB", 0.5, Conditions(), "invented", ()),))

def page(view):
    return Section("hum", "Hum", "Is it to be heard?", (TableBlock("Hum", ("", "Level"), (("Hum", view.figures[0]),)),))

STUDY = Study("hum", "Hum", "How loud is it?", Procedure("Listen.", (Step("Listen closely."),)), figures, page, __name__,
              needs_readings=False)
''',
    "rules.toml": """
[[rule]]
id = "hum-limit"
title = "A hum nobody hears"
market = "nowhere"
edition = "test"
source = "test"

[[rule.limit]]
figure = "hum/hum_level_db"
quantity = "hum_level"
sense = "max"
value = 25.0
""",
}


def test_adding_a_study_is_one_folder_and_one_line(bb, made_book, tmp_path):
    """It appears in analysis, findings, show and report; nothing else is changed."""
    import brickbook

    source = tmp_path / "src"
    shutil.copytree(Path(brickbook.__file__).parent, source / "brickbook", ignore=shutil.ignore_patterns("__pycache__"))
    room = source / "brickbook/studies/hum"
    room.mkdir()
    for name, text in STUDY.items():
        (room / name).write_text(text)
    registry = source / "brickbook/studies/__init__.py"
    text = registry.read_text()
    registry.write_text(
        text.replace("import efficiency,", "import hum, efficiency,", 1)
        .replace("from brickbook.studies import (", "from brickbook.studies import (hum,", 1)
        .replace("    identity.STUDY,", "    identity.STUDY,\n    hum.STUDY,", 1)
    )
    root = tmp_path / "book"
    shutil.copytree(made_book, root)
    assert bb("publish", "--book", root, path=source).code == 0
    data = bb("show", "wren-35", "--study", "hum", "--json", "--book", root, path=source).json()
    assert [f["value"] for f in data["figures"]] == [21.0]
    assert [(f["rule"], f["decision"]) for f in data["findings"]] == [("hum-limit", "meets")]
    report = (root / "derived/report/wren-35.html").read_text(encoding="utf-8")
    assert "Is it to be heard?" in report
    assert "Listen closely." in report
    assert "A hum nobody hears" in report
