"""The data pack: valid for others' tools, the same bytes each time, and a way back to exactly the same figures."""

from __future__ import annotations

import csv
import functools
import hashlib
import io
import json
import re
import shutil
import subprocess
import tracemalloc
import zipfile
from pathlib import Path

import frictionless
import polars as pl
import pytest
import yaml

from brickbook.analysis import analyse_charger, load, save
from brickbook.book import Book, used_instruments
from brickbook.cli import run
from brickbook.core.errors import BookError, BrickbookError, PublishError, ReadError
from brickbook.core.page import Axis, Chart, Series
from brickbook.demo import make_book
from brickbook.publish.media import VIDEO
from brickbook.publish.media import store as media_store
from brickbook.publish.media.frames import draw as store_draw
from brickbook.publish.media.frames import picture
from brickbook.publish.pack import TABLES, Pack, compare_with, pack_path, renew_pack, restore, write_pack
from brickbook.publish.pack.archive import Member, write_archive
from brickbook.publish.pack.licences import licence_of

SLUG = "wren-35"
LINE = Chart("line", "It rises", "A line.", Axis("x"), Axis("y"), series=(Series("s", [0.0, 1.0], [0.0, 1.0]),))


def tree(root: Path) -> dict[str, str]:
    """Every file below a folder with its SHA-256, folders as well."""
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(root.rglob("*"))
    }


def analyse(root: Path, slug: str = SLUG) -> Book:
    book = Book.open(root)
    save(book, slug, analyse_charger(book, slug))
    return book


@pytest.fixture(scope="module")
def book(tmp_path_factory) -> Book:
    """The smallest charger of the example book, with an instrument's address that is nobody's business."""
    root = tmp_path_factory.mktemp("pack") / "book"
    root.mkdir()
    list(make_book(root, (SLUG,), brief=True))
    bench = root / "bench.toml"
    told = '[instruments.wall-meter]\naddress = "TCPIP::192.0.2.77::5025::SOCKET"'
    text = bench.read_text().replace("[instruments.wall-meter]", told)
    bench.write_text(text + '\n[instruments.unused]\nrole = "scale"\nserial = "NOBODY-ASKED"\n')
    assert told in bench.read_text()
    return analyse(root)


@pytest.fixture(scope="module")
def packs(book, tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("packs")
    made = {tier: write_pack(book, SLUG, tier=tier, target=folder / f"{tier}.zip") for tier in ("full", "summary")}
    assert all(one.size == one.path.stat().st_size for one in made.values())
    return {tier: one.path for tier, one in made.items()}


@pytest.fixture
def target(tmp_path) -> Path:
    return tmp_path / "restored"


# For others


@pytest.mark.parametrize("tier", ["full", "summary"])
def test_another_program_finds_it_valid(packs, tier):
    """frictionless checks types, missing values, keys, links between tables, sizes and hashes (Data Package 2.0)."""
    report = frictionless.validate(str(packs[tier]))
    assert report.flatten(["type", "note"]) == []
    assert report.valid
    assert report.stats["tasks"] > len(TABLES)


@pytest.mark.parametrize(
    ("table", "old", "new", "kind"),
    [
        ("figures", b"", b"", "type-error"),
        ("findings", b"meets", b"MEETS", "constraint-error"),
        ("figure-sources", b"eff-", b"EFF-", "foreign-key"),
    ],
)
def test_that_program_would_find_it_invalid(packs, tmp_path, table, old, new, kind):
    """The check above can fail: a number that is none, a word that is not allowed, a link that leads nowhere."""
    with zipfile.ZipFile(packs["summary"]) as archive:
        archive.extractall(tmp_path)
    path = tmp_path / "data" / f"{table}.csv"
    content = path.read_bytes()
    assert old in content
    lines = content.split(b"\r\n")
    if kind == "type-error":
        column = lines[0].split(b",").index(b"coverage_factor")
        rows = list(csv.reader(io.StringIO(content.decode(), newline="")))
        rows[1][column] = "x"
        out = io.StringIO(newline="")
        csv.writer(out).writerows(rows)
        content = out.getvalue().encode()
    else:
        content = content.replace(old, new, 1)
    path.write_bytes(content)
    found = {row[0] for row in frictionless.validate(str(tmp_path / "datapackage.json")).flatten(["type"])}
    assert kind in found
    assert "hash-count" in found  # and the hash of the file


def test_csv_and_parquet_hold_the_same_rows(packs, book):
    stored = load(book, SLUG)
    with zipfile.ZipFile(packs["full"]) as archive:
        for table in TABLES:
            rows = list(csv.DictReader(io.StringIO(archive.read(f"data/{table.name}.csv").decode(), newline="")))
            frame = pl.read_parquet(io.BytesIO(archive.read(f"data/{table.name}.parquet")))
            assert frame.columns == [column.name for column in table.columns]
            assert frame.height == len(rows)
            for column in table.columns:
                for text, value in zip((row[column.name] for row in rows), frame[column.name].to_list(), strict=True):
                    if value is None:
                        assert text == ""
                    elif column.kind == "number":
                        assert float(text) == value
                    else:
                        assert text == (str(value).lower() if column.kind == "boolean" else str(value))
        figures = pl.read_parquet(io.BytesIO(archive.read("data/figures.parquet")))
    assert figures["figure"].to_list() == [figure.key for figure in stored.figures]
    assert figures["value"].to_list() == [figure.value for figure in stored.figures]


def test_coreutils_agree_on_every_checksum(packs, tmp_path):
    with zipfile.ZipFile(packs["full"]) as archive:
        archive.extractall(tmp_path)
    listed = {line[66:] for line in (tmp_path / "SHA256SUMS").read_text().splitlines()}
    assert listed == {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file()} - {"SHA256SUMS"}
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    done = subprocess.run(
        ["sha256sum", "--check", "--quiet", "SHA256SUMS"], cwd=tmp_path, check=False, capture_output=True
    )
    assert done.returncode == 0, done.stdout


def test_every_file_is_in_the_descriptor_with_its_hash(packs):
    with zipfile.ZipFile(packs["full"]) as archive:
        data = json.loads(archive.read("datapackage.json"))
        named = {}
        for resource in data["resources"]:
            for one in (resource, *resource.get("copies", ())):
                named[one["path"]] = one
        assert set(named) == set(archive.namelist()) - {"datapackage.json", "SHA256SUMS"}
        names = [resource["name"] for resource in data["resources"]]
        assert len(set(names)) == len(names)
        assert all(re.fullmatch(r"[a-z0-9._-]+", name) for name in names)  # Data Resource: name
        for path, one in named.items():
            content = archive.read(path)
            assert one["bytes"] == len(content)
            assert one["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"


def test_licence_and_citation(packs):
    with zipfile.ZipFile(packs["full"]) as archive:
        citation = yaml.safe_load(archive.read("CITATION.cff"))
        licence = archive.read("LICENCE.txt").decode()
        data = json.loads(archive.read("datapackage.json"))
        words = archive.read("README.md").decode() + archive.read("DICTIONARY.md").decode()
    # required by Citation File Format 1.2.0: authors, cff-version, message, title
    assert {"authors", "cff-version", "message", "title"} <= set(citation)
    assert (citation["cff-version"], citation["type"], citation["license"]) == ("1.2.0", "dataset", "CC-BY-4.0")
    assert "creativecommons.org/licenses/by/4.0" in licence
    assert data["licenses"][0]["name"] == "CC-BY-4.0"
    for table in TABLES:
        for column in table.columns:
            assert f"`{column.name}`" in words
    assert licence_of("CC0").identifier == "CC0-1.0"
    assert licence_of("ask me").identifier == ""


def test_the_bench_itself_stays_at_home(packs, book):
    for path in packs.values():
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                content = archive.read(name)
                assert b"192.0.2.77" not in content
                assert b"NOBODY-ASKED" not in content
                assert str(book.root).encode() not in content
    assert set(used_instruments(book, SLUG)) <= set(book.instruments) - {"unused"}


def test_a_summary_holds_no_raw_file_and_names_each(packs, book):
    with zipfile.ZipFile(packs["summary"]) as archive:
        assert not [name for name in archive.namelist() if "/raw/" in name or name == "bench.toml"]
        rows = list(csv.DictReader(io.StringIO(archive.read("data/raw-files.csv").decode(), newline="")))
    assert [(row["file"], row["sha256"]) for row in rows] == [(e.path, e.sha256) for e in book.index(SLUG)]
    assert {row["included"] for row in rows} == {"false"}


# The same each time, and whole


def test_the_same_book_elsewhere_gives_the_same_bytes(packs, book, tmp_path):
    shutil.copytree(book.root, tmp_path / "else where")
    again = write_pack(Book.open(tmp_path / "else where"), SLUG, target=tmp_path / "again.zip")
    assert again.path.read_bytes() == packs["full"].read_bytes()
    with zipfile.ZipFile(again.path) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {info.external_attr for info in archive.infolist()} == {0o100644 << 16}
        names = archive.namelist()
    assert names[:2] == ["datapackage.json", "SHA256SUMS"]
    rest = [name for name in names[2:] if "/raw/" not in name or name.endswith("index.toml")]
    assert rest == sorted(rest)


def test_a_pack_is_written_again_only_when_something_changed(book, tmp_path):
    shutil.copytree(book.root, tmp_path / "book")
    other = Book.open(tmp_path / "book")
    first = renew_pack(other, SLUG, "summary")
    assert first.path == pack_path(other, SLUG, "summary")
    assert renew_pack(other, SLUG, "summary") is None
    (other.root / "chargers" / SLUG / "verdict.md").write_text("Better than it looks.\n")
    assert renew_pack(other, SLUG, "summary") is not None
    assert renew_pack(other, SLUG, "full") is not None
    # book.toml says what is given out: the other kind is gone
    assert not first.path.exists()


def test_an_old_result_is_not_packed(book, tmp_path):
    shutil.copytree(book.root, tmp_path / "book")
    with (tmp_path / "book" / "house-rules.toml").open("a") as file:
        file.write("# a word\n")
    with pytest.raises(PublishError, match="brickbook analyse wren-35"):
        write_pack(Book.open(tmp_path / "book"), SLUG, target=tmp_path / "x.zip")
    assert not (tmp_path / "x.zip").exists()


def test_a_file_that_is_not_what_the_index_says_stops_the_pack(tmp_path):
    raw = tmp_path / "raw.csv"
    raw.write_bytes(b"changed")
    wrong = Member("raw.csv", raw, 7, hashlib.sha256(b"as it was").hexdigest())
    before = tmp_path / "pack.zip"
    before.write_bytes(b"the pack before")
    with pytest.raises(PublishError, match="changed while it was packed"):
        write_archive(before, [wrong], name="pack.zip")
    assert before.read_bytes() == b"the pack before"
    assert {p.name for p in tmp_path.iterdir()} == {"raw.csv", "pack.zip"}


def test_large_files_are_streamed_and_zip64_is_used_beyond_4_gib(tmp_path, monkeypatch):
    """A sparse file of 48 MB; the limit of 32-bit sizes is lowered so that Zip64 is met without 4 GiB."""
    large = tmp_path / "capture.bin"
    with large.open("wb") as file:
        file.truncate(48_000_000)
    digest = hashlib.sha256(large.read_bytes()).hexdigest()
    monkeypatch.setattr(zipfile, "ZIP64_LIMIT", 10_000_000)
    told = []
    tracemalloc.start()
    write_archive(tmp_path / "a.zip", [Member("c.bin", large, 48_000_000, digest)], name="a", tell=told.append)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8_000_000
    assert sum(told) == 48_000_000
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        (info,) = archive.infolist()
        assert info.extract_version >= zipfile.ZIP64_VERSION
        with archive.open(info) as member:
            assert hashlib.file_digest(member, "sha256").hexdigest() == digest


# And back


def test_round_trip_gives_exactly_the_same(packs, book, target):
    adopted, result = restore(packs["full"], target)
    assert (adopted.slug, adopted.settings, adopted.house_rules) == (SLUG, (), False)
    for name in ("charger.toml", "notes.md", "verdict.md", "raw/index.toml"):
        where = f"chargers/{SLUG}/{name}"
        assert (target / where).read_bytes() == (book.root / where).read_bytes()
    assert (target / "house-rules.toml").read_bytes() == (book.root / "house-rules.toml").read_bytes()
    compared = compare_with(result, analyse(target), SLUG)
    assert compared.exact
    stored = load(book, SLUG)
    assert (compared.figures, compared.findings) == (len(stored.figures), len(stored.findings))
    assert (compared.equal_figures, compared.equal_findings) == (compared.figures, compared.findings)
    assert load(Book.open(target), SLUG).figures == stored.figures
    # a pack of the pack is the same pack
    again = write_pack(Book.open(target), SLUG, target=target.parent / "again.zip")
    assert again.path.read_bytes() == packs["full"].read_bytes()


def test_what_differs_is_named(packs, book):
    with Pack(packs["full"]) as pack:
        data = json.loads(pack.read("data/result.json"))
    data["figures"][0]["value"] += 1e-12
    lost = data["figures"].pop(1)
    data["figures"].append({**lost, "key": "study/unknown{}"})
    data["findings"][0]["decision"] = "undecided"
    compared = compare_with(data, book, SLUG)
    assert not compared.exact
    assert compared.equal_figures == compared.figures - 2
    assert compared.equal_findings == compared.findings - 1
    assert compared.different[0].startswith(data["figures"][0]["key"])
    assert "value" in compared.different[0]
    assert "decision" in compared.different[1]
    assert compared.missing == ("study/unknown{}",)
    assert lost["key"] in compared.added


def test_into_a_book_that_has_other_chargers(packs, book, target):
    Book.create(target, title="Mine", publisher="Me", decision="simple")
    adopted, _ = restore(packs["full"], target, name="a-wren")
    assert adopted.slug == "a-wren"
    assert "wall-meter" in adopted.instruments
    assert "unused" not in adopted.instruments
    assert {"decision", "energy_price_per_kwh"} <= set(adopted.settings)
    assert adopted.house_rules
    mine = Book.open(target)
    assert mine.check("a-wren") == ()
    assert mine.title == "Mine"
    assert mine.index("a-wren") == book.index(SLUG)
    # a second one finds instruments and shapes there already
    again, _ = restore(packs["full"], target, name="second")
    assert (again.instruments, again.shapes) == ((), ())


def test_a_plan_follows_the_name(packs, book, tmp_path):
    shutil.copytree(book.root, tmp_path / "book")
    plan = tmp_path / "book" / "chargers" / SLUG / "plan.toml"
    plan.write_text(f'charger = "{SLUG}" # mine\nsize = "short"\ntasks = []\n')
    path = write_pack(analyse(tmp_path / "book"), SLUG, target=tmp_path / "p.zip").path
    restore(path, tmp_path / "new", name="other")
    assert (tmp_path / "new/chargers/other/plan.toml").read_text().startswith('charger = "other" # mine\n')


def told(error: type[BrickbookError], path: Path, root: Path, **more) -> str:
    """The message of a refusal, which must leave everything as it was."""
    before = tree(root.parent)
    with pytest.raises(error) as caught:
        restore(path, root, **more)
    assert tree(root.parent) == before
    return str(caught.value)


def test_a_charger_that_is_there_is_not_touched(packs, target):
    restore(packs["full"], target)
    assert "--as NAME" in told(BookError, packs["full"], target)
    assert "cannot name a charger" in told(BookError, packs["full"], target, name="Not A Slug")


def test_another_instrument_of_the_same_name_is_refused(packs, book, target):
    Book.create(target, title="Mine", publisher="Me", instruments=book.instruments)
    bench = target / "bench.toml"
    bench.write_text(bench.read_text().replace("percent_reading = 0.1", "percent_reading = 0.2", 1))
    text = told(BookError, packs["full"], target)
    assert "instruments." in text
    assert "accuracy differ" in text
    assert "book of its own" in text


def test_another_shape_of_the_same_id_is_refused(packs, book, target):
    Book.create(target, title="Mine", publisher="Me")
    shape = next(iter(book.shapes.values()))
    text = (book.root / "shapes.toml").read_text().replace(f'id = "{shape.id}"', f'id = "{shape.id}"\nnote = "mine"', 1)
    (target / "shapes.toml").write_text(text)
    assert f'another shape has the id "{shape.id}"' in told(BookError, packs["full"], target)


def test_a_summary_cannot_be_imported(packs, target):
    assert "full pack" in told(ReadError, packs["summary"], target)


def test_a_folder_with_something_else_in_it_is_left_alone(packs, target):
    target.mkdir()
    (target / "letter.txt").write_text("mine")
    assert "holds something already" in told(BookError, packs["full"], target)


# By the command line


def test_pack_import_publish(book, tmp_path, capsys):
    """Pack, import elsewhere, publish with a pack beside the report."""
    root, new = tmp_path / "book", tmp_path / "new"
    shutil.copytree(book.root, root)
    toml = root / "book.toml"
    toml.write_text(toml.read_text() + '\n[publish]\ndata_pack = "summary"\n')

    def said(*words: object) -> str:
        assert run([str(word) for word in words]) == 0
        return capsys.readouterr().out

    packed = json.loads(said("pack", SLUG, "--tier", "full", "--out", tmp_path, "--json", "--book", root))["packs"][0]
    assert (packed["tier"], packed["bytes"]) == ("full", (tmp_path / "wren-35-data.zip").stat().st_size)
    told = said("import", tmp_path / "wren-35-data.zip", "--book", new)
    figures, findings = len(load(Book.open(root), SLUG).figures), len(load(Book.open(root), SLUG).findings)
    assert f"equal to the pack: {figures} of {figures} figures, {findings} of {findings} findings" in told

    said("publish", "--book", root)
    beside = pack_path(Book.open(root), SLUG, "summary")
    assert beside.is_file()


def test_figures(book, tmp_path, capsys, monkeypatch):
    """Draw, find that nothing is left to draw, lose a picture, change the paper. One drawing stands for all."""
    root = tmp_path / "book"
    shutil.copytree(book.root, root)
    drawing = functools.cache(lambda: store_draw(picture(LINE, VIDEO), VIDEO, name="x", alt="x"))
    monkeypatch.setattr(media_store, "draw", lambda *_, **__: drawing())

    def said(*words: object) -> str:
        assert run([str(word) for word in words]) == 0
        return capsys.readouterr().out

    first, second = (json.loads(said("figures", "--json", "--book", root))["chargers"][0] for _ in range(2))
    assert first["pictures"] == first["drawn"] > 4
    assert (second["pictures"], second["drawn"]) == (first["pictures"], 0)
    media = root / "derived" / SLUG / "media"
    before = tree(media)
    listed = json.loads((media / "media.json").read_text())
    assert all((media / row["png"]).is_file() and (media / row["svg"]).is_file() for row in listed["pictures"])
    assert all(row["alt"] for row in listed["pictures"])
    linked = re.findall(r"\]\(([^)]+)\)", (media / "cues.md").read_text())
    assert linked
    assert set(linked) <= set(listed["files"])
    # a picture that was lost is drawn again, alone, and as it was
    (media / linked[0]).unlink()
    assert json.loads(said("figures", "--json", "--book", root))["chargers"][0]["drawn"] == 1
    assert tree(media) == before
    # dark ones take the place of the light ones
    said("figures", "--theme", "dark", "--book", root)
    assert not list(media.glob("*-light.png"))


def test_words_that_do_not_fit(tmp_path, capsys):
    Book.create(tmp_path / "book", title="T", publisher="P")
    for words in (["import", "none.zip"], ["import", "a", "b.csv", "--as", "c"], ["import", "a", "b.csv"]):
        assert run([*words, "--book", str(tmp_path / "book")]) == 1
        assert capsys.readouterr().err.startswith("error: ")
