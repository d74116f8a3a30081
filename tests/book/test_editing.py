"""Edits by a form: what is wanted is there, comments stay, and nobody's edit is written over unseen."""

from __future__ import annotations

import json
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.book import Book
from brickbook.book.editing import (
    ChangedError,
    charger_faults,
    charger_seen,
    merged,
    save_charger,
    save_words,
    words_seen,
)
from brickbook.core.errors import BookError

TEXT = """\
# An invented charger.
name = "Example 65"  # as on the box
maker = "Example Works"
model = "EX-65"

# The label.
[nameplate]
total_power_w = 65  # printed large

# First port.
[[ports]]
id = "C1"  # left
connector = "usb-c"
outputs = [
  { kind = "fixed", voltage_v = 5.0, current_a = 3.0 },  # default
  { kind = "fixed", voltage_v = 9.0, current_a = 3.0 },  # nine
  { kind = "fixed", voltage_v = 20.0, current_a = 3.25 },  # top
]

# Second port.
[[ports]]
id = "C2"  # right
connector = "usb-c"
outputs = [{ kind = "fixed", voltage_v = 5.0, current_a = 3.0 }]

[sample]
obtained = "bought"
date = 2026-10-03
"""


@pytest.fixture
def book(tmp_path):
    made = Book.create(tmp_path / "book", title="T", publisher="P")
    made.new_charger("example-65")
    (made.root / "chargers/example-65/charger.toml").write_text(TEXT, encoding="utf-8")
    return made


def data_of(text=TEXT):
    return json.loads(json.dumps(tomllib.loads(text), default=lambda d: d.isoformat()))


def test_nothing_changed_is_the_same_text():
    assert merged("f", TEXT, data_of()) == TEXT


def test_one_value_changes_one_line():
    data = data_of()
    data["nameplate"]["total_power_w"] = 66.5
    data["ports"][0]["outputs"][1]["current_a"] = 2.5
    changed = merged("f", TEXT, data)
    pairs = [(a, b) for a, b in zip(TEXT.splitlines(), changed.splitlines(), strict=True) if a != b]
    assert pairs == [
        ("total_power_w = 65  # printed large", "total_power_w = 66.5  # printed large"),
        (
            '  { kind = "fixed", voltage_v = 9.0, current_a = 3.0 },  # nine',
            '  { kind = "fixed", voltage_v = 9.0, current_a = 2.5 },  # nine',
        ),
    ]


def test_a_port_taken_out_takes_only_its_own_comments():
    data = data_of()
    del data["ports"][0]
    changed = merged("f", TEXT, data)
    assert tomllib.loads(changed)["ports"][0]["id"] == "C2"
    assert "# right" in changed
    assert "# left" not in changed
    assert "# printed large" in changed


def test_tables_and_lists_come_and_go():
    data = data_of()
    data["summary"] = "two ports"
    data["price"] = {"amount": 39.9, "currency": "EUR", "date": "2026-10-03"}
    data["claims"] = [{"figure": "a/b", "sense": "max", "value": 1.0, "words": "w", "when": {"mains_v": 230}}]
    data["ports"].append({"id": "A1", "connector": "usb-a", "outputs": [{"kind": "legacy", "voltage_v": 5.0}]})
    data["ports"][0]["outputs"].insert(1, {"kind": "pps", "min_voltage_v": 3.3})
    changed = merged("f", TEXT, data)
    assert data_of(changed) == data
    assert changed.count("#") == TEXT.count("#")
    back = merged("f", changed, data_of())
    assert data_of(back) == data_of()


_leaf = st.one_of(st.text(max_size=8), st.integers(-9, 9), st.floats(-9, 9), st.booleans())
_key = st.sampled_from(["a", "b", "c", "d"])
_row = st.dictionaries(_key, _leaf, max_size=3)
_data = st.dictionaries(
    _key, st.one_of(_leaf, _row, st.lists(_row, max_size=3), st.lists(st.integers(0, 3), max_size=3)), max_size=4
)


@settings(max_examples=150, deadline=None)
@given(_data, _data)
def test_any_data_becomes_any_other_or_is_refused(first, second):
    """The text holds exactly what was wanted, or the edit is refused by name; never something else."""
    text = merged("f", "# head\n", first)
    assert tomllib.loads(text) == first
    try:
        changed = merged("f", text, second)
    except BookError:
        return
    assert tomllib.loads(changed) == second
    assert changed.startswith("# head")


def test_faults_have_the_keys_of_the_form(book):
    seen = charger_seen(book, "example-65")
    data = data_of()
    data["ports"][1]["outputs"][0]["current_a"] = -1.0
    data["nameplate"]["total_power_w"] = "many"
    data["name"] = ""
    places = [fault.place.rpartition(", ")[2] for fault in charger_faults(seen, data)]
    assert places == ["name", "nameplate.total_power_w", "ports[1].outputs[0].current_a"]
    assert charger_faults(seen, data_of()) == ()


def test_an_edit_on_an_old_text_is_refused(book):
    seen = charger_seen(book, "example-65")
    data = data_of()
    data["name"] = "Mine"
    path = book.root / seen.file
    path.write_text(TEXT + "# theirs\n", encoding="utf-8")
    with pytest.raises(ChangedError) as caught:
        save_charger(book, "example-65", data, seen=seen.digest)
    assert caught.value.now.text.endswith("# theirs\n")
    assert path.read_text(encoding="utf-8") == TEXT + "# theirs\n"
    save_charger(book, "example-65", data, seen=caught.value.now.digest)
    assert book.charger("example-65").name == "Mine"
    assert path.read_text(encoding="utf-8").endswith("# theirs\n")


def test_a_wrong_charger_is_not_written(book):
    seen = charger_seen(book, "example-65")
    data = data_of()
    del data["maker"]
    with pytest.raises(BookError, match="maker"):
        save_charger(book, "example-65", data, seen=seen.digest)
    assert charger_seen(book, "example-65") == seen


def test_words(book):
    seen = words_seen(book, "example-65", "notes")
    assert seen.text == ""
    save_words(book, "example-65", "notes", "It hums.\n", seen=seen.digest)
    assert book.notes("example-65") == "It hums.\n"
    with pytest.raises(ChangedError):
        save_words(book, "example-65", "notes", "It sings.\n", seen=seen.digest)
    with pytest.raises(BookError, match="a character that is none"):
        save_words(book, "example-65", "notes", "\ud800", seen=words_seen(book, "example-65", "notes").digest)
    assert book.notes("example-65") == "It hums.\n"
    with book.lock("example-65"):  # a run may be under way
        save_words(book, "example-65", "verdict", "Good.\n", seen=words_seen(book, "example-65", "verdict").digest)
    assert sorted(p.name for p in (book.root / "chargers/example-65").iterdir()) == [
        "charger.toml", "notes.md", "raw", "verdict.md"
    ]  # fmt: skip
