"""Raw files: taken in byte for byte, and never used once they are not what came in."""

import errno
import hashlib
import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from brickbook.book import Book, IndexEntry
from brickbook.book import raw as raw_module
from brickbook.book.entries import entry_text, name_problem, read_index
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BookError, Fault
from brickbook.core.table import RawFile

SLUG = "example-65w"
RAW = f"chargers/{SLUG}/raw"
FACTS = {"studies": ["standby"], "reader": "meter-log"}


def message(call, *args, **more):
    with pytest.raises(BookError) as caught:
        call(*args, **more)
    return str(caught.value)


def state(root):
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


def test_entry_and_bytes(book, root):
    (entry,) = book.index(SLUG)
    assert entry.raw == RawFile("eff-115.csv", hashlib.sha256(book.raw_bytes(SLUG, entry)).hexdigest())
    assert entry.recording == "eff-115.csv"
    assert entry.conditions == Conditions.of(mains_v=115, port="C1", contract="20 V")
    assert book.check_raw(SLUG) == ()
    assert book.check(SLUG) == ()


def test_changed_file_is_not_used(book, root):
    (entry,) = book.index(SLUG)
    with (root / RAW / "eff-115.csv").open("ab") as stream:
        stream.write(b"\n")
    now = hashlib.sha256((root / RAW / "eff-115.csv").read_bytes()).hexdigest()
    expected = (
        f"{RAW}/eff-115.csv: has changed since it was taken in: its SHA-256 is {now[:12]}..., the index says "
        f"{entry.sha256[:12]}...; it is not used. "
        "Put the file back as it came, or import the other one under a new name."
    )
    assert message(book.raw_bytes, SLUG, entry) == expected
    assert [str(fault) for fault in book.check_raw(SLUG)] == [expected]


def test_missing_file_is_told(book, root):
    (entry,) = book.index(SLUG)
    (root / RAW / "eff-115.csv").unlink()
    expected = (
        f"{RAW}/eff-115.csv: is in the index and is missing. "
        "Put the file back as it came, or take its entry out of the index."
    )
    assert message(book.raw_bytes, SLUG, entry) == expected


def test_an_entry_that_is_not_in_the_index_is_not_read(book, root):
    (root / RAW / "other.csv").write_bytes(b"1")
    entry = IndexEntry("other.csv", hashlib.sha256(b"1").hexdigest(), ("standby",), "meter-log")
    expected = (
        f'{RAW}/index.toml: "other.csv" with the SHA-256 {entry.sha256[:12]}... is not in the index. Import the file.'
    )
    assert message(book.raw_bytes, SLUG, entry) == expected
    assert book.check_raw(SLUG) == (
        Fault(
            f"{RAW}/other.csv",
            "",
            "is not in the index, so no study uses it.",
            "Import it, or move it out of raw/.",
        ),
    )


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path, out: path.symlink_to(out), "is a link that leads out of raw/. Put the file itself there."),
        (lambda path, out: path.mkdir(), "is not a plain file. Put the file as it came there."),
        (lambda path, out: os.mkfifo(path), "is not a plain file. Put the file as it came there."),
        (lambda path, out: path.symlink_to(path), "is a link that leads nowhere. Put the file itself there."),
    ],
    ids=["link", "folder", "pipe", "loop"],
)
def test_what_is_no_file_inside_raw(book, root, tmp_path, make, words):
    outside = tmp_path / "outside.csv"
    path = root / RAW / "eff-115.csv"
    outside.write_bytes(path.read_bytes())  # even with the right bytes
    path.unlink()
    make(path, outside)
    (entry,) = book.index(SLUG)
    assert message(book.raw_bytes, SLUG, entry) == f"{RAW}/eff-115.csv: {words}"
    assert [str(fault) for fault in book.check_raw(SLUG)] == [f"{RAW}/eff-115.csv: {words}"]


def test_all_problems_at_once(book, root):
    (root / RAW / "eff-115.csv").unlink()
    (root / RAW / "b.csv").write_bytes(b"b")
    (root / RAW / "sub").mkdir()
    (root / RAW / "sub" / "c.csv").write_bytes(b"c")
    (root / RAW / ".brickbook-1-0.part").write_bytes(b"")
    (root / RAW / ".folder-settings").write_bytes(b"")
    told = [(fault.file, fault.problem) for fault in book.check_raw(SLUG)]
    assert told == [
        (f"{RAW}/eff-115.csv", "is in the index and is missing."),
        (f"{RAW}/.brickbook-1-0.part", "is what an interrupted write left behind."),
        (f"{RAW}/b.csv", "is not in the index, so no study uses it."),
        (f"{RAW}/sub/c.csv", "is not in the index, so no study uses it."),
    ]


def test_what_cannot_be_read_is_told(book, root, monkeypatch):
    def denied(path, *_):
        raise PermissionError(errno.EACCES, "", str(path))

    (entry,) = book.index(SLUG)
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda p, *a, **k: denied(p) if p.suffix == ".csv" else real(p, *a, **k))
    monkeypatch.setattr("os.scandir", denied)
    why = "cannot be read: permission denied. Check who may read and write it."
    assert message(book.raw_bytes, SLUG, entry) == f"{RAW}/eff-115.csv: {why}"
    assert [str(fault) for fault in book.check_raw(SLUG)] == [f"{RAW}/eff-115.csv: {why}", f"{RAW}: {why}"]


@pytest.mark.parametrize(
    ("path", "problem"),
    [
        ("a//b", 'has an empty part or "." in it'),
        ("a/./b", 'has an empty part or "." in it'),
        ("a ", "has the part 'a ', which begins with a dot or a space or ends with one"),
        ("é" * 101, "is longer than 200 bytes"),
        ("a\u202eb", r"has the character '\u202e' in it, which not every file system allows"),
        ("INDEX.toml", "is the name of the index itself"),
        ("Messung 1/é.csv", ""),
    ],
)
def test_names(path, problem):
    assert name_problem(path) == problem


def test_import_keeps_what_people_wrote(book, root, tmp_path):
    before = (root / RAW / "index.toml").read_text()
    source = tmp_path / "standby 230.csv"
    source.write_bytes(b"\xff\x00raw\r\n")
    entry = book.import_raw(
        SLUG,
        source,
        **FACTS,
        shape="m1f3a9",
        recording="night",
        clock_offset_s=-3.5,
        align="load-steps",
        taken="2026-10-04T08:00:00",
        imported="2026-10-05T09:00:00",
        conditions={"mains_v": 230, "situation": "bare", "u_fixture_ohm": 0.002, "settled": True},
        ranges={"mains_power_w": 1.5},
        instruments={"mains_power_w": "wall-meter", "port_voltage_v@C1": "wall-meter"},
        note='said "ok"\nand more',
    )
    after = (root / RAW / "index.toml").read_text()
    assert after.startswith(before)
    assert book.index(SLUG)[1] == entry
    assert book.raw_bytes(SLUG, entry) == source.read_bytes() == (root / RAW / "standby 230.csv").read_bytes()
    assert book.check(SLUG) == ()
    assert tomllib.loads(after)["file"][1]["conditions"]["mains_v"] == 230


def test_windows_line_ends_of_the_index_stay(book, root):
    path = root / RAW / "index.toml"
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    book.import_raw(SLUG, b"x", name="x.csv", **FACTS)
    content = path.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    assert len(book.index(SLUG)) == 2


def test_same_content_twice_names_the_earlier_entry(book, root):
    before = state(root)
    told = message(book.import_raw, SLUG, (root / RAW / "eff-115.csv").read_bytes(), name="again.csv", **FACTS)
    assert told == (
        f'{RAW}/again.csv: the same content is in the index already, as "eff-115.csv". '
        "Use that entry; a second one would be counted twice."
    )
    assert state(root) == before


@pytest.mark.parametrize("name", ["eff-115.csv", "EFF-115.csv"])
def test_taken_name_needs_another(book, root, name):
    before = state(root)
    told = message(book.import_raw, SLUG, b"other", name=name, **FACTS)
    assert told == f"{RAW}/eff-115.csv: is there already, with other content. Give the new file another name."
    assert state(root) == before
    assert book.import_raw(SLUG, b"other", name="eff-115-b.csv", **FACTS).path == "eff-115-b.csv"


def test_a_file_laid_into_raw_by_hand_is_taken_as_it_is(book, root):
    path = root / RAW / "scope" / "inrush.csv"
    path.parent.mkdir()
    path.write_bytes(b"t,v\n")
    told = message(book.import_raw, SLUG, b"different", name="scope/inrush.csv", **FACTS)
    assert told == f"{RAW}/scope/inrush.csv: is there already, with other content. Give the new file another name."
    made = path.stat().st_mtime_ns
    entry = book.import_raw(SLUG, b"t,v\n", name="scope/inrush.csv", **FACTS)
    assert path.stat().st_mtime_ns == made
    assert book.raw_bytes(SLUG, entry) == b"t,v\n"
    assert book.check_raw(SLUG) == ()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"studies": []}, "file[1].studies: expected a list of texts in quotes, at least one, found an empty list."),
        ({"reader": ""}, "file[1].reader: expected text in quotes, not empty, found empty text."),
        ({"ranges": {"mains_power_w": float("nan")}}, "file[1].ranges.mains_power_w: expected a number, found nan."),
        ({"taken": "yesterday"}, 'found the text "yesterday".'),
        ({"align": "guess"}, 'file[1].align: expected "stated" or "load-steps", found the text "guess".'),
        ({"name": ""}, f'{RAW}: "" is empty. Give the file another name.'),
        (
            {"name": "../x.csv"},
            f'{RAW}: "../x.csv" has ".." in it; it must stay inside raw/. Give the file another name.',
        ),
        ({"name": "eff-115.csv/x"}, f"{RAW}/eff-115.csv/x: cannot be written: "),
    ],
)
def test_a_wrong_import_changes_nothing(book, root, more, words):
    before = state(root)
    told = message(book.import_raw, SLUG, b"x", **{"name": "x.csv", **FACTS, **more})
    assert words in told
    assert state(root) == before


def test_source_that_is_not_there(book, tmp_path):
    told = message(book.import_raw, SLUG, tmp_path / "no.csv", **FACTS)
    assert told == f"{tmp_path / 'no.csv'}: cannot be read: no such file or directory. Check the path."


def test_a_link_out_of_raw_is_not_written_through(book, root, tmp_path):
    (tmp_path / "outside").mkdir()
    (root / RAW / "sub").symlink_to(tmp_path / "outside")
    told = message(book.import_raw, SLUG, b"x", name="sub/x.csv", **FACTS)
    assert told == f"{RAW}/sub/x.csv: is a link that leads out of raw/. Put the file itself there."
    assert list((tmp_path / "outside").iterdir()) == []


def test_full_disk_at_the_index_takes_the_file_back(book, root, monkeypatch):
    before = state(root)
    write = raw_module.write_atomic

    def full(path, content, *, name):
        if path.name == "index.toml":
            raise BookError(Fault(name, "", "cannot be written: no space left on device."))
        write(path, content, name=name)

    monkeypatch.setattr(raw_module, "write_atomic", full)
    assert "no space left" in message(book.import_raw, SLUG, b"x", name="x.csv", **FACTS)
    assert state(root) == before


def test_an_index_in_another_style_is_left_alone(book, root):
    path = root / RAW / "index.toml"
    (root / RAW / "eff-115.csv").unlink()
    path.write_text("file = []\n")
    told = message(book.import_raw, SLUG, b"x", name="x.csv", **FACTS)
    assert told == (
        f"{RAW}/index.toml: another entry cannot be added: the entries are not written as [[file]] tables. "
        "Write each entry as a [[file]] table of its own."
    )
    assert path.read_text() == "file = []\n"


names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=40) | st.from_regex(
    r"[a-z]{1,8}(/[a-zé ]{1,5})?\.csv", fullmatch=True
)
words = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1, max_size=12)
scalars = words | st.integers(-(10**9), 10**9) | st.booleans() | st.floats(allow_nan=False, allow_infinity=False)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=30)
@given(
    files=st.lists(
        st.tuples(names, st.binary(max_size=200), words, st.dictionaries(words, scalars, max_size=3)),
        min_size=1,
        max_size=3,
    )
)
def test_any_bytes_under_any_name(tmp_path_factory, files):
    book = Book.create(tmp_path_factory.mktemp("book") / "b", title="t", publisher="p")
    book.new_charger("x")
    kept = []
    for name, content, note, conditions in files:
        clash = any(content == c for _, c in kept)
        try:
            entry = book.import_raw("x", content, name=name, note=note, conditions=conditions, **FACTS)
        except BookError as error:
            told = str(error)
            assert clash or name_problem(name) or "with other content" in told or "cannot be written" in told
            continue
        assert not clash
        assert not name_problem(name)
        kept.append((entry, content))
        assert entry.sha256 == hashlib.sha256(content).hexdigest()
    again = Book.open(book.root)
    assert again.index("x") == tuple(entry for entry, _ in kept)
    for entry, content in kept:
        assert again.raw_bytes("x", entry) == content
        assert (book.root / "chargers" / "x" / "raw" / entry.path).read_bytes() == content
    assert again.check_raw("x") == ()


@given(words, words, st.dictionaries(words, scalars), st.floats(allow_nan=False, allow_infinity=False))
def test_an_entry_written_and_read_is_the_same(note, recording, conditions, offset):
    entry = IndexEntry(
        path="a.csv",
        sha256="0" * 64,
        studies=("a", "b"),
        reader="r",
        recording=recording,
        clock_offset_s=offset,
        conditions=Conditions.of(conditions),
        note=note,
    )
    assert read_index("index.toml", entry_text(entry)) == (entry,)
