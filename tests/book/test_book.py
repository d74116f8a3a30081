"""Opening, making, chargers, digests."""

import errno
import re
import subprocess
import sys
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

import brickbook.book
from brickbook.book import BenchLimits, Book, BookSettings, IndexEntry, PublishSettings, TextFile
from brickbook.book._words import WORDS
from brickbook.book.settings import Bench
from brickbook.core import charger as charger_module
from brickbook.core.charger import (
    Budget,
    Charger,
    Claim,
    Mark,
    Nameplate,
    Output,
    Port,
    Price,
    Sample,
    SharedOutput,
)
from brickbook.core.errors import BookError
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.shape import Shape, ShapeColumn, ShapeTime
from brickbook.core.study import Mains, Settings

SLUG = "example-65w"
DOCUMENT = Path(__file__).parents[2] / "docs" / "reference" / "book-format.md"

FULL = Charger(
    name='Example "65"',
    maker="Example Works",
    model="EX-65 \\ EU",
    nameplate=Nameplate(65.0, 100.0, 240.0, "50/60", 1.6, 40.0),
    ports=(
        Port("C1", "usb-c", (Output("fixed", 3.0, 5.0), Output("pps", 3.0, None, 3.3, 11.0)), 65.0, "top"),
        Port("A1", "usb-a", (Output("legacy", 2.4, 5.0),)),
    ),
    sample=Sample("bought", "2026-10-03", "0001", "sealed"),
    form="desktop",
    prongs="cord",
    detachable_cable=True,
    budgets=(Budget(("C1", "A1"), 65.0, "both"),),
    sharing=(SharedOutput(("C1", "A1"), (45.0, 12.0)),),
    claims=(
        Claim(
            "standby/no_load_power_w", "max", 0.1, "less than 0.1 W", "box", None, {"mains_v": 230, "situation": "bare"}
        ),
        Claim("identity/mass_g", "about", 120.0, "120 g", "website", 0.05),
    ),
    marks=(
        Mark("efficiency-level", "VI", seen=True, seen_on="label"),
        Mark("other", "none", seen=False, note="looked"),
    ),
    price=Price(39.9, "EUR", "2026-10-03", "paid", "with tax"),
    summary="two ports",
)


def message(call, *args, **more):
    with pytest.raises(BookError) as caught:
        call(*args, **more)
    return str(caught.value)


def test_what_an_open_book_tells(book, root):
    assert book.settings == BookSettings(
        title="Chargers on my bench",
        publisher="A. Tester",
        energy_price_per_kwh=0.3,
        mains=(Mains(230.0, 50.0, "EU"),),
    )
    assert isinstance(book.settings, Settings)
    assert (book.title, book.publisher) == ("Chargers on my bench", "A. Tester")
    assert book.instruments == {
        "wall-meter": Instrument("ac-power-meter", (Accuracy("mains_power_w", 0.1, 0.1, 150.0),), due="2027-01-15")
    }
    assert book.bench_limits == BenchLimits(volts=265.0)
    assert book.house_rules == TextFile("house-rules.toml", "# none\n")
    assert book.chargers() == (SLUG,)
    assert book.charger(SLUG).sample.date == "2026-10-03"
    assert (book.notes(SLUG), book.verdict(SLUG)) == ("", "")
    assert book.derived(SLUG) == root / "derived" / SLUG
    assert book.derived() == root / "derived"


def test_files_that_may_be_absent(root):
    for name in ("bench.toml", "shapes.toml", "house-rules.toml"):
        (root / name).unlink()
    book = Book.open(root)
    assert (book.instruments, book.shapes, book.house_rules) == ({}, {}, None)
    assert book.bench_limits == BenchLimits()


def test_not_a_book(tmp_path):
    assert message(Book.open, tmp_path) == (
        f"{tmp_path}: is not a bench book: there is no book.toml in it. Name the folder of a book, or make a new one."
    )
    nowhere = tmp_path / "nowhere"
    assert message(Book.open, nowhere) == f"{nowhere}: is not a folder. Name the folder of a book, or make a new one."


def test_faults_of_all_top_files_at_once(root):
    for name in ("book.toml", "bench.toml", "shapes.toml"):
        (root / name).write_bytes((root / name).read_bytes() + b"x = \n")
    told = message(Book.open, root).splitlines()
    assert [line.partition(":")[0] for line in told] == ["book.toml", "bench.toml", "shapes.toml"]


def test_charger_that_is_not_there(book):
    assert message(book.charger, "exampel-65w") == (
        'chargers: there is no charger "exampel-65w" in this book. Did you mean "example-65w"?'
    )
    assert (
        message(book.index, "zzz") == 'chargers: there is no charger "zzz" in this book. The chargers are: example-65w.'
    )
    assert message(book.derived, "../..") == (
        'chargers: there is no charger "../.." in this book. The chargers are: example-65w.'
    )


def test_charger_without_its_file(book, root):
    (root / "chargers" / "empty").mkdir()
    assert message(book.charger, "empty") == (
        "chargers/empty/charger.toml: is missing. Write it, or remove the charger's folder."
    )


def test_folders_that_are_no_slugs_are_told_not_left_out(book, root):
    (root / "chargers" / "My Charger").mkdir()
    (root / "chargers" / "a--b").mkdir()
    (root / "chargers" / ".hidden").mkdir()
    (root / "chargers" / "readme.txt").write_text("")
    why = "cannot name a charger: only a-z, 0-9 and single hyphens between them are allowed. Rename the folder."
    assert message(book.chargers).splitlines() == [
        f'chargers/My Charger: "My Charger" {why}',
        f'chargers/a--b: "a--b" {why}',
    ]


@pytest.mark.parametrize("slug", ["", "A", "a b", "../a", "a/b", "-a", "a-", "ä", "a" * 81, "a\n"])
def test_bad_slug(book, slug):
    assert " cannot name a charger: " in message(book.new_charger, slug)


def test_slug_taken(book):
    assert message(book.new_charger, SLUG) == (
        f"chargers/{SLUG}: is there already. Choose another name, or edit its charger.toml."
    )


def test_notes_that_are_not_text(book, root):
    (root / "chargers" / SLUG / "notes.md").write_bytes(b"one\ntwo \xff")
    assert message(book.notes, SLUG) == (
        f"chargers/{SLUG}/notes.md: line 2: is not UTF-8 text: byte 0xff is not valid there. Save the file as UTF-8."
    )


def test_made_book_opens_and_holds_what_was_given(tmp_path):
    instruments = {
        "wall meter": Instrument("ac-power-meter", (Accuracy("mains_power_w", 0.1, 0.05, 150.0),), "two\nlines", "7"),
        "scale": Instrument("scale", (Accuracy("mass_g", absolute=0.1, resolution=0.1),)),
    }
    book = Book.create(
        tmp_path / "new" / "book",
        title='The "bench"',
        publisher="A. Tester",
        licence="CC-BY-4.0",
        currency="USD",
        energy_price_per_kwh=0.17,
        mains=(Mains(115.0, 60.0, "US"),),
        decision="simple",
        instruments=instruments,
    )
    assert book.settings == BookSettings(
        title='The "bench"',
        publisher="A. Tester",
        licence="CC-BY-4.0",
        currency="USD",
        energy_price_per_kwh=0.17,
        mains=(Mains(115.0, 60.0, "US"),),
        decision="simple",
    )
    assert book.instruments == instruments
    assert book.chargers() == ()
    assert (
        message(book.charger, "a") == 'chargers: there is no charger "a" in this book. There are no chargers in it yet.'
    )
    told = message(Book.create, book.root, title="a", publisher="b")
    assert told == (
        f"{book.root}: a new book cannot be made there: it holds something. "
        "Choose a folder that is empty or not there yet."
    )


def test_book_with_a_wrong_value_is_not_made(tmp_path):
    told = message(Book.create, tmp_path / "b", title="", publisher="p", mains=())
    assert [line.split(": ")[1].split(", ")[-1] for line in told.splitlines()] == ["mains", "title"]
    assert not (tmp_path / "b").exists()


def test_full_charger_written_and_read_is_the_same(book):
    path = book.new_charger("full", FULL)
    assert book.charger("full") == FULL
    assert book.check("full") == ()
    assert path.read_text().count("\n#[") == 0, "everything is given, so no table is left as an example"


def test_blank_charger_says_what_to_fill_in(book, root):
    path = book.new_charger("blank", name="Example 30")
    assert [line.split(", ", 1)[1] for line in message(book.charger, "blank").splitlines()] == [
        "maker: expected text in quotes, not empty, found empty text. Fill it in.",
        "model: expected text in quotes, not empty, found empty text. Fill it in.",
        "nameplate.total_power_w: expected a number above 0, found empty text. Fill it in.",
        'sample.obtained: expected "bought", "received" or "lent", found empty text. Fill it in.',
        "ports[0].outputs: expected a list of tables, at least one, found an empty list. Fill it in.",
    ]
    text = path.read_text()
    for blank, value in (
        ('maker = ""', 'maker = "m"'),
        ('model = ""', 'model = "m"'),
        ('total_power_w = ""', "total_power_w = 30"),
        ('obtained = ""', 'obtained = "lent"'),
        ('#{ kind = "fixed"', '{ kind = "fixed"'),
    ):
        text = text.replace(blank, value)
    path.write_text(text)
    assert book.charger("blank").name == "Example 30"


def in_use(text: str) -> str:
    """A template with every key put in use."""
    return re.sub(r"^#(?=[a-z_\[{])", "", text, flags=re.MULTILINE)


def test_every_example_of_a_template_is_right(tmp_path):
    book = Book.create(tmp_path / "b", title="t", publisher="p")
    path = book.new_charger("blank", name="n", maker="m", model="m")
    text = (
        in_use(path.read_text())
        .replace('total_power_w = ""', "total_power_w = 65")
        .replace('obtained = ""', 'obtained = "lent"')
    )
    path.write_text(text.replace('["C1", "C2"]', '["C1", "C1"]'))
    charger = book.charger("blank")
    assert charger.price
    assert charger.claims
    assert charger.marks
    for name in ("book.toml", "bench.toml"):
        (book.root / name).write_text(in_use((book.root / name).read_text()))
    again = Book.open(book.root)
    assert set(again.instruments) == {"wall-meter"}
    assert again.bench_limits == BenchLimits(volts=265.0, amps=6.0, watts=260.0, degrees=90.0)


def models():
    own = [c for c in vars(charger_module).values() if getattr(c, "__module__", "") == charger_module.__name__]
    of_charger = [c for c in own if is_dataclass(c)]
    return [*of_charger, Instrument, Accuracy, BenchLimits, BookSettings, Mains, PublishSettings]


@pytest.mark.parametrize("cls", models(), ids=lambda c: c.__name__)
def test_every_field_is_explained_in_the_templates(cls):
    assert set(WORDS[cls]) == {field.name for field in fields(cls)}


SECTIONS = {
    BookSettings: "## book.toml",
    Mains: "`[[mains]]`:",
    PublishSettings: "`[publish]`:",
    Bench: "## bench.toml",
    Instrument: "`[instruments.<name>]`:",
    Accuracy: "A line of `accuracy`",
    BenchLimits: "`[limits]`:",
    Shape: "## shapes.toml",
    ShapeColumn: "`columns`:",
    ShapeTime: "`time`:",
    Charger: "## chargers/&lt;slug&gt;/charger.toml",
    Nameplate: "`[nameplate]`:",
    Port: "`[[ports]]`:",
    Output: "`outputs`:",
    Budget: "`[[budgets]]`:",
    SharedOutput: "`[[sharing]]`:",
    Claim: "`[[claims]]`:",
    Mark: "`[[marks]]`:",
    Sample: "`[sample]`:",
    Price: "`[price]`:",
    IndexEntry: "## chargers/&lt;slug&gt;/raw/index.toml",
}


@pytest.mark.parametrize("cls", SECTIONS, ids=lambda c: c.__name__)
def test_every_field_is_in_its_section_of_the_document(cls):
    text = DOCUMENT.read_text(encoding="utf-8")
    begin = text.index(f"\n{SECTIONS[cls]}")
    others = [text.find(f"\n{mark}", begin + 1) for mark in (*SECTIONS.values(), "## ")]
    section = text[begin : min(other for other in others if other > 0)]
    assert [field.name for field in fields(cls) if f"`{field.name}`" not in section] == []


def test_every_model_has_its_section():
    assert set(models()) <= set(SECTIONS)


def test_no_half_made_charger_is_left(book, root, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "")

    monkeypatch.setattr("brickbook.book._files._rename", full)
    assert message(book.new_charger, "new") == (
        "chargers/new/notes.md: cannot be written: no space left on device. "
        "The disk is full: free some space and try again. Nothing was changed."
    )
    assert not (root / "chargers" / "new").exists()


def test_a_file_that_cannot_be_read(book, root):
    (root / "bench.toml").unlink()
    (root / "bench.toml").mkdir()
    assert message(Book.open, root) == "bench.toml: cannot be read: is a directory. Check the disk and the file."


@pytest.mark.parametrize(
    "name",
    [
        "book.toml",
        "bench.toml",
        "house-rules.toml",
        "shapes.toml",
        f"chargers/{SLUG}/charger.toml",
        f"chargers/{SLUG}/raw/index.toml",
        f"chargers/{SLUG}/raw/eff-115.csv",
    ],
)
def test_digest_depends_on_every_input(book, root, name):
    before = book.input_digest(SLUG)
    path = root / name
    path.write_bytes(path.read_bytes() + b"\n")
    changed = book.input_digest(SLUG)
    path.unlink()
    gone = {before, changed}
    if not name.endswith("index.toml"):
        gone.add(book.input_digest(SLUG))
        assert len(gone) == 3
    assert changed != before


def test_digest_does_not_depend_on_anything_else(book, root):
    before = book.input_digest(SLUG)
    (root / "chargers" / SLUG / "notes.md").write_text("seen")
    (root / "chargers" / SLUG / "verdict.md").write_text("said")
    book.write(book.derived(SLUG) / "result.json", b"{}")
    book.new_charger("another")
    code = "import sys; from brickbook.book import Book; print(Book.open(sys.argv[1]).input_digest('example-65w'))"
    elsewhere = root.rename(root.parent / "moved")
    done = subprocess.run([sys.executable, "-c", code, str(elsewhere)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == before


def test_the_rooms_door():
    assert brickbook.book.__all__ == sorted(brickbook.book.__all__)
    assert all(hasattr(brickbook.book, name) for name in brickbook.book.__all__)
