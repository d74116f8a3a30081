"""Edits of people's TOML: one thing changes, comments and order stay."""

import difflib
import tomllib
from dataclasses import replace

import pytest

from brickbook.book import Book
from brickbook.book._write import key_path, table_text
from brickbook.core.errors import BookError
from brickbook.core.shape import Shape, ShapeColumn, ShapeTime

SLUG = "example-65w"
FILE = f"chargers/{SLUG}/charger.toml"

SHAPE = Shape(
    id="m00aa11",
    delimiter="\t",
    headers=("Time", 'P "W"'),
    columns=(ShapeColumn('P "W"', "mains_power_w", "W"),),
    time=ShapeTime("date-time", ("Time",), utc_offset="+02:00"),
    missing=("OL", ""),
)


def changed_lines(before: str, after: str):
    return [line for line in difflib.ndiff(before.splitlines(), after.splitlines()) if line[0] in "+-"]


@pytest.mark.parametrize(
    ("key", "value", "lines"),
    [
        ("price.amount", 29.9, ["- amount = 39.9 # with tax", "+ amount = 29.9 # with tax"]),
        (
            "nameplate.total_power_w",
            67,
            ["- total_power_w = 65   # both ports together", "+ total_power_w = 67   # both ports together"],
        ),
        ("summary", "two ports", ['+ summary = "two ports"']),
        ("sample.note", "sealed", ['+ note = "sealed"']),
        ("ports[1].label", "side", ['+ label = "side"']),
        (
            "ports[0].outputs[0].current_a",
            2.5,
            [
                '-   { kind = "fixed", voltage_v = 5, current_a = 3 },',
                '+   { kind = "fixed", voltage_v = 5, current_a = 2.5 },',
            ],
        ),
    ],
)
def test_one_value_changes_and_nothing_else(book, root, key, value, lines):
    before = (root / FILE).read_text()
    charger = book.set_value(SLUG, key, value)
    after = (root / FILE).read_text()
    assert [line for line in changed_lines(before, after) if line[0] != "?"] == lines
    assert book.charger(SLUG) == charger


@pytest.mark.parametrize("change", [lambda b: b.replace(b"\n", b"\r\n"), lambda b: b"\xef\xbb\xbf" + b])
def test_line_ends_and_byte_order_mark_stay(book, root, change):
    path = root / FILE
    path.write_bytes(change(path.read_bytes()))
    before = path.read_bytes()
    book.set_value(SLUG, "price.amount", 29.9)
    assert path.read_bytes() == before.replace(b"39.9", b"29.9")


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        (
            "price.amount",
            -1,
            f"{FILE}: line 27, price.amount: expected a number of at least 0, found -1. Correct the value.",
        ),
        ("price.amout", 1.0, f'{FILE}: line 30, price.amout: is not a known key. Did you mean "amount"?'),
        ("prize.amount", 1.0, f"{FILE}: prize.amount: is not there to be set. Add its table to the file first."),
        ("ports[2].label", "x", f"{FILE}: ports[2].label: is not there to be set. Add its table to the file first."),
        ("ports[2]", "x", f"{FILE}: ports[2]: is not there to be set. Add its table to the file first."),
        ("name.first", "x", f"{FILE}: name.first: is not there to be set. Add its table to the file first."),
        ("ports.", 1, f'{FILE}: ports.: is not a key. Write it as in "ports[0].outputs[1].current_a".'),
        ("", 1, f'{FILE}: the key to set is empty. Write it as in "price.amount".'),
    ],
)
def test_a_wrong_edit_writes_nothing(book, root, key, value, told):
    before = (root / FILE).read_bytes()
    with pytest.raises(BookError) as caught:
        book.set_value(SLUG, key, value)
    assert str(caught.value) == told
    assert (root / FILE).read_bytes() == before


def test_a_file_that_is_not_toml_is_not_edited(book, root):
    (root / FILE).write_text("name = 1\nmaker =\n")
    with pytest.raises(BookError) as caught:
        book.set_value(SLUG, "name", "x")
    assert str(caught.value) == (
        f"{FILE}: line 2, column 8: is not valid TOML: invalid value. Correct the line, or the one before it."
    )
    (root / FILE).unlink()
    with pytest.raises(BookError, match=r"charger\.toml: is missing\. Write it first\."):
        book.set_value(SLUG, "name", "x")


@pytest.mark.parametrize("wrong", ["name = 1\n", "name = \n"])
def test_an_edit_that_did_something_else_is_not_written(book, root, monkeypatch, wrong):
    before = (root / FILE).read_bytes()
    monkeypatch.setattr("brickbook.book._write.tomlkit.dumps", lambda _: wrong)
    with pytest.raises(BookError) as caught:
        book.set_value(SLUG, "name", "x")
    assert str(caught.value) == (
        f"{FILE}: cannot be edited without changing something else. Make this change in an editor."
    )
    assert (root / FILE).read_bytes() == before


def test_key_path():
    assert key_path("f", 'a."b c"[2].d') == ("a", "b c", 2, "d")


def test_a_shape_is_added_once(book, root):
    before = (root / "shapes.toml").read_text()
    book.save_shape(SHAPE)
    book.save_shape(SHAPE)
    after = (root / "shapes.toml").read_text()
    assert after.startswith(before)
    assert after.count(SHAPE.id) == 1
    assert Book.open(root).shapes[SHAPE.id] == SHAPE
    assert not (root / ".shapes.lock").exists()


def test_a_shape_is_replaced_only_on_purpose(book, root):
    text = (root / "shapes.toml").read_text().replace("[[shape]]", "# the meter by the window\n[[shape]]  # first")
    (root / "shapes.toml").write_text(text)
    book.save_shape(SHAPE)
    known = book.shapes["m1f3a9"]
    other = replace(known, missing=("----",), note="corrected", time=ShapeTime("interval", interval_s=1.0))
    with pytest.raises(BookError) as caught:
        book.save_shape(other)
    assert str(caught.value) == (
        'shapes.toml: another shape has the id "m1f3a9". Replace it on purpose, or give the new one another id.'
    )
    book.save_shape(other, replace=True)
    assert book.shapes == {"m1f3a9": other, SHAPE.id: SHAPE}
    after = (root / "shapes.toml").read_text()
    assert after.startswith("# the meter by the window\n[[shape]]  # first\n")
    book.save_shape(known, replace=True)
    assert book.shapes["m1f3a9"] == known


def test_table_text_leaves_out_defaults():
    assert tomllib.loads(table_text("[[shape]]", SHAPE))["shape"][0] == {
        "id": "m00aa11",
        "delimiter": "\t",
        "headers": ["Time", 'P "W"'],
        "columns": [{"header": 'P "W"', "column": "mains_power_w", "unit": "W"}],
        "time": {"kind": "date-time", "headers": ["Time"], "utc_offset": "+02:00"},
        "missing": ["OL", ""],
    }
