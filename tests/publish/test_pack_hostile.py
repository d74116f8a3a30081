"""Packs that lie: refused with a clear word, nothing half written, nothing outside, whatever the bytes are."""

from __future__ import annotations

import hashlib
import json
import shutil
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from brickbook.analysis import analyse_charger, save
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.errors import BrickbookError
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.publish.pack import Bounds, restore, write_pack

SHEET = b"""quantity,channel,value,unit,instrument,time,note
mass_g,charger,62.1,g,kitchen-scale,,
mass_g,charger,62.2,g,kitchen-scale,,
"""
SLUG = "tiny"
RAW = f"chargers/{SLUG}/raw/sheet.csv"


@pytest.fixture(scope="module")
def pack(tmp_path_factory) -> Path:
    """A full pack of a charger that was only weighed."""
    root = tmp_path_factory.mktemp("tiny") / "book"
    scale = Instrument("scale", (Accuracy("mass_g", absolute=0.2, resolution=0.1),))
    book = Book.create(root, title="Tiny", publisher="A. Tester", instruments={"kitchen-scale": scale})
    port = Port("C1", "usb-c", (Output("fixed", 3.0, 5.0),))
    book.new_charger(SLUG, Charger("Tiny", "Nobody", "T1", Nameplate(15.0), (port,), Sample("bought")))
    book.import_raw(SLUG, SHEET, name="sheet.csv", studies=["identity"], reader="hand-sheet")
    save(book, SLUG, analyse_charger(book, SLUG))
    return write_pack(book, SLUG, target=root.parent / "tiny.zip").path


def content_of(pack: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(pack) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def pack_of(path: Path, files: dict[str, bytes], *, sums: bool = True, change: Callable | None = None) -> Path:
    """A pack of these files; with checksums that fit, as a clever liar would make them."""
    if sums:
        lines = [
            f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items() if name != "SHA256SUMS"
        ]
        files = {**files, "SHA256SUMS": "".join(lines).encode("utf-8", "surrogatepass")}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            info = zipfile.ZipInfo("x")
            info.filename = name
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o100644 << 16
            if change is not None:
                change(info)
            archive.writestr(info, data)
    return path


def tree(root: Path) -> dict[str, str]:
    return {
        str(path.relative_to(root)): path.read_bytes().hex()[:64] if path.is_file() else "folder"
        for path in sorted(root.rglob("*"))
    }


def refused(path: Path, tmp_path: Path, bounds: Bounds | None = None) -> str:
    """The message; the disk is as it was before, in an empty folder as in a book."""
    home = tmp_path / "home"
    home.mkdir(exist_ok=True)
    mine = home / "mine"
    if not mine.exists():
        Book.create(mine, title="Mine", publisher="Me")
    texts = []
    before = tree(tmp_path)
    for root in (home / "new", mine):
        with pytest.raises(BrickbookError) as caught:
            restore(path, root, bounds=bounds)
        texts.append(str(caught.value))
        assert tree(tmp_path) == before
    return texts[0]


def test_the_honest_pack_is_taken(pack, tmp_path):
    path = pack_of(tmp_path / "same.zip", content_of(pack))
    adopted, result = restore(path, tmp_path / "new")
    assert adopted.slug == SLUG
    assert (tmp_path / "new" / RAW).read_bytes() == SHEET
    assert any(figure["name"] == "mass_g" for figure in result["figures"])


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("../evil.txt", "leads out"),
        ("chargers/../../evil.txt", "leads out"),
        ("/etc/evil", "absolute"),
        ("C:/evil", "absolute"),
        ("..\\evil", "absolute"),
        ("data//evil", "empty part"),
        ("data/./evil", "empty part"),
        ("data/\x01evil", "character"),
        ("data/ev\u202eil", "character"),
        ("data/con.txt", "not every file system"),
        ("data/.evil", "not every file system"),
        ("data/evil. ", "not every file system"),
        ("DATA/Figures.csv", "there twice"),
        ("data/figures.csv/evil", "lies in a file"),
        ("data/" + "e" * 500, "too long"),
    ],
)
def test_names_that_lead_elsewhere(pack, tmp_path, name, word):
    path = pack_of(tmp_path / "p.zip", {**content_of(pack), name: b"evil"})
    assert word in refused(path, tmp_path)


def test_one_name_twice(pack, tmp_path):
    path = tmp_path / "p.zip"
    shutil.copy(pack, path)
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(path, "a") as archive:
        archive.writestr(RAW, b"other")
    assert "there twice" in refused(path, tmp_path)


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFDIR])
def test_links_and_devices(pack, tmp_path, kind):
    def change(info):
        if info.filename == RAW:
            info.external_attr = (kind | 0o777) << 16

    path = pack_of(tmp_path / "p.zip", {**content_of(pack), RAW: b"/etc/passwd"}, change=change)
    assert ("is a link" if kind == stat.S_IFLNK else "not a plain file") in refused(path, tmp_path)


def test_an_encrypted_file(pack, tmp_path):
    data = bytearray(pack.read_bytes())
    at = data.rindex(b"PK\x01\x02")
    data[at + 8] |= 1
    (tmp_path / "p.zip").write_bytes(data)
    assert "encrypted" in refused(tmp_path / "p.zip", tmp_path)


def test_a_bomb_is_not_unpacked(pack, tmp_path):
    """30 MB of zeros in 30 kB; the bound on growth is lowered with the size at which it begins to count."""
    path = pack_of(tmp_path / "p.zip", {**content_of(pack), f"chargers/{SLUG}/raw/zeros.bin": bytes(30_000_000)})
    assert "would grow" in refused(path, tmp_path, Bounds(small=1_000_000))
    assert "are the most" in refused(path, tmp_path, Bounds(content=1_000_000))
    assert "are the most" in refused(path, tmp_path, Bounds(files=5))


def test_members_that_share_bytes(pack, tmp_path):
    """Overlapping members let a small file unpack to a large one many times over."""
    data = bytearray(pack.read_bytes())
    entries = []
    at = data.index(b"PK\x01\x02")
    while data[at : at + 4] == b"PK\x01\x02":
        name, extra, comment = struct.unpack("<HHH", data[at + 28 : at + 34])
        entries.append(at)
        at += 46 + name + extra + comment
    data[entries[5] + 42 : entries[5] + 46] = data[entries[4] + 42 : entries[4] + 46]
    (tmp_path / "p.zip").write_bytes(data)
    assert "shares bytes" in refused(tmp_path / "p.zip", tmp_path)


def test_a_size_that_is_not_true(pack, tmp_path):
    """The directory says a raw file is one byte shorter, and longer, than it is."""
    for step in (-1, 1):
        data = bytearray(pack.read_bytes())
        at = data.rindex(b"sheet.csv", 0, len(data)) - 46 - len(RAW) + len("sheet.csv")
        assert data[at : at + 4] == b"PK\x01\x02"
        (size,) = struct.unpack("<I", data[at + 24 : at + 28])
        data[at + 24 : at + 28] = struct.pack("<I", size + step)
        (tmp_path / "p.zip").write_bytes(data)
        assert RAW in refused(tmp_path / "p.zip", tmp_path)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda f: f.update({RAW: SHEET.replace(b"62.1", b"61.1")}), "not what SHA256SUMS says"),
        (lambda f: f.update({"data/figures.csv": b"figure\r\n"}), "not what SHA256SUMS says"),
        (lambda f: f.pop(RAW), "missing from the pack"),
        (lambda f: f.pop("data/figures.parquet"), "missing from the pack"),
        (lambda f: f.pop("SHA256SUMS"), "holds no SHA256SUMS"),
        (lambda f: f.update({"extra.txt": b"x"}), "not in SHA256SUMS"),
        (lambda f: f.update({"SHA256SUMS": b"nonsense\n"}), "SHA256SUMS line 1"),
        (lambda f: f.update({"SHA256SUMS": f["SHA256SUMS"] * 2}), "SHA256SUMS line"),
        (lambda f: f.update({"SHA256SUMS": b"\xff\xfe"}), "not UTF-8"),
    ],
)
def test_checksums_that_do_not_fit(pack, tmp_path, change, word):
    files = content_of(pack)
    change(files)
    assert word in refused(pack_of(tmp_path / "p.zip", files, sums=False), tmp_path)


def edited(files, path, **about):
    data = json.loads(files[path])
    data["brickbook"].update(about)
    files[path] = json.dumps(data).encode()


DESCRIPTOR = "datapackage.json"
INDEX = f"chargers/{SLUG}/raw/index.toml"


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda f: f.update({DESCRIPTOR: b"{"}), "not JSON"),
        (lambda f: f.update({DESCRIPTOR: b"[" * 100_000}), "not JSON"),
        (lambda f: f.update({DESCRIPTOR: b"[]"}), "does not say which charger"),
        (lambda f: edited(f, DESCRIPTOR, charger="../up"), "no charger or tier"),
        (lambda f: edited(f, DESCRIPTOR, charger="other"), "missing from the pack"),
        (lambda f: edited(f, DESCRIPTOR, tier="summary"), "summary"),
        (lambda f: edited(f, DESCRIPTOR, format=2), "format 2"),
        (lambda f: f.update({"data/result.json": b'{"figures": [1], "findings": []}'}), "list of figures"),
        (lambda f: f.pop("book.toml"), "book.toml"),
        (lambda f: f.update({"book.toml": b"title ="}), "not valid TOML"),
        (lambda f: f.update({"book.toml": b"a = " + b"[" * 50_000}), "nested too deep"),
        (lambda f: f.update({RAW: SHEET.replace(b"62.1", b"61.1")}), "has changed since it was taken in"),
        (lambda f: f.pop(RAW), "is missing"),
        (lambda f: f.update({f"chargers/{SLUG}/raw/more.csv": b"1"}), "is not in the index"),
        (lambda f: f.update({INDEX: f[INDEX].replace(b"sheet.csv", b"../../../sheet.csv")}), '".." in it'),
        (lambda f: f.update({INDEX: f[INDEX] + b"\nevil = 1\n"}), "not a known key"),
        (lambda f: f.update({f"chargers/{SLUG}/charger.toml": b"name = 1"}), "charger.toml"),
        (lambda f: f.update({"bench.toml": b"[instruments.x]\nrole = 'bomb'\n"}), "bench.toml"),
    ],
)
def test_lies_with_checksums_that_fit(pack, tmp_path, change, word):
    files = content_of(pack)
    change(files)
    assert word in refused(pack_of(tmp_path / "p.zip", files), tmp_path)


def test_what_is_no_zip_file(pack, tmp_path):
    (tmp_path / "p.zip").write_bytes(b"not a zip")
    assert "not a zip file" in refused(tmp_path / "p.zip", tmp_path)
    (tmp_path / "p.zip").write_bytes(pack.read_bytes()[:-200])
    assert "not a zip file, or is damaged" in refused(tmp_path / "p.zip", tmp_path)
    assert "is not there" in refused(tmp_path / "absent.zip", tmp_path)
    assert "cannot be read" in refused(tmp_path, tmp_path)


@given(data=st.data())
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damaged_bytes_are_found_or_do_no_harm(pack, tmp_path_factory, data):
    """Bytes changed, cut or doubled anywhere: refused with a clear word, or taken in exactly as it was."""
    whole = bytearray(pack.read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        # the directory at the end is where lies are told: half of the changes go there
        start = data.draw(st.sampled_from([0, whole.find(b"PK\x01\x02")]))
        at = data.draw(st.integers(max(start, 0), len(whole) - 1))
        whole[at] = data.draw(st.integers(0, 255))
    if data.draw(st.booleans()) and data.draw(st.booleans()):
        del whole[data.draw(st.integers(0, len(whole))) :]
    home = tmp_path_factory.mktemp("fuzz")
    path = home / "p.zip"
    path.write_bytes(bytes(whole))
    try:
        restore(path, home / "new")
    except BrickbookError:
        assert {p.name for p in home.iterdir()} == {"p.zip"}
    else:
        assert {p.name for p in home.iterdir()} == {"p.zip", "new"}
        assert (home / "new" / RAW).read_bytes() == SHEET
    shutil.rmtree(home)


NASTY = st.text(st.sampled_from("./\\:ab \x00\u202eéÉ~*"), min_size=1, max_size=8)
WHERE = st.sampled_from(["", "data/", f"chargers/{SLUG}/", f"chargers/{SLUG}/raw/", "../", "/tmp/", "chargers/other/"])


@given(names=st.lists(st.builds(str.__add__, WHERE, NASTY), min_size=1, max_size=3, unique=True))
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_name_leads_out(pack, tmp_path_factory, names):
    """Members of any name, with checksums that fit: refused, or nothing but the charger is in the new book."""
    home = tmp_path_factory.mktemp("names")
    path = pack_of(home / "p.zip", {**content_of(pack), **dict.fromkeys(names, b"evil")})
    try:
        restore(path, home / "new")
    except BrickbookError:
        assert {p.name for p in home.iterdir()} == {"p.zip"}
    else:
        assert {p.name for p in home.iterdir()} == {"p.zip", "new"}
        assert all(p.read_bytes() != b"evil" for p in home.rglob("*") if p.is_file())
    shutil.rmtree(home)
