"""A finished book at a place that knows no rename in one step, read and written through fsspec."""

import hashlib
import json
import shutil
from typing import ClassVar

import fsspec
import pytest
from fsspec.implementations.local import LocalFileSystem

from brickbook.book import Book, RemoteBook, push_book, remote_url
from brickbook.commands.analyse import analyse
from brickbook.commands.common import open_book, open_to_read
from brickbook.commands.publish import publish
from brickbook.core.errors import BookError


class InterruptedWriteError(Exception):
    """The power went."""


class BucketFileSystem(LocalFileSystem):
    """A folder that behaves as object storage may: a rename is a copy and a deletion, and a write can stop half way."""

    protocol = "bucket"
    cachable = False
    writes_left = None  # how many writes still succeed
    renames = 0
    rewritten: ClassVar = []

    @classmethod
    def _strip_protocol(cls, path):
        return LocalFileSystem._strip_protocol("/" + str(path).removeprefix("bucket://").lstrip("/"))

    def mv(self, path1, path2, **kwargs):
        BucketFileSystem.renames += 1
        self.cp_file(path1, path2)
        if self.writes_left == 0:
            raise InterruptedWriteError
        self.rm_file(path1)

    mv_file = rename = mv

    def open(self, path, mode="rb", **kwargs):
        if "w" in mode:
            kept = self._strip_protocol(path)
            if self.exists(kept) and "/heads/" in kept:
                BucketFileSystem.rewritten.append(kept)
            if BucketFileSystem.writes_left == 0:
                with super().open(path, mode, **kwargs) as stream:
                    stream.write(b"half")
                raise InterruptedWriteError
            if BucketFileSystem.writes_left is not None:
                BucketFileSystem.writes_left -= 1
        return super().open(path, mode, **kwargs)


@pytest.fixture
def bucket(tmp_path, monkeypatch):
    fsspec.register_implementation("bucket", BucketFileSystem, clobber=True)
    monkeypatch.setattr(BucketFileSystem, "writes_left", None)
    monkeypatch.setattr(BucketFileSystem, "renames", 0)
    monkeypatch.setattr(BucketFileSystem, "rewritten", [])
    return f"bucket:/{tmp_path}/bucket"


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv("BRICKBOOK_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def tiny(tmp_path):
    made = Book.create(tmp_path / "tiny", title="T", publisher="P")
    (made.root / "chargers" / "one" / "raw").mkdir(parents=True)
    outputs = 'outputs = [{ kind = "fixed", voltage_v = 5, current_a = 3 }]'
    (made.root / "chargers" / "one" / "charger.toml").write_text(
        f'name = "One"\n\n[[ports]]\nid = "C1"\nconnector = "usb-c"\n{outputs}\n'
    )
    made.import_raw("one", b"some readings", name="a.csv", studies=["standby"], reader="meter-log")
    return made


def test_what_a_url_becomes_as_a_path():
    assert remote_url("s3:/bucket/book") == remote_url("s3://bucket/book") == "s3://bucket/book"
    assert remote_url("file:/srv/book") == remote_url("file:///srv/book") == "file:///srv/book"
    assert remote_url("memory:/book") == "memory://book"
    assert remote_url("/srv/book") == remote_url("book") == remote_url("C:/book") == ""


@pytest.mark.parametrize("place", ["bucket", "memory"])
def test_there_and_back_with_raw_files_only_where_wanted(tiny, bucket, cache, place):
    url = bucket if place == "bucket" else f"memory://{cache.name}-{id(cache)}"
    assert push_book(tiny, url) > 4
    assert push_book(tiny, url) == 0
    copy = RemoteBook(url).checkout()
    assert copy.chargers() == ("one",)
    (entry,) = copy.index("one")
    with pytest.raises(BookError, match="is missing"):
        copy.raw_bytes("one", entry)
    assert RemoteBook(url).checkout(raw_of=["one"]).raw_bytes("one", entry) == b"some readings"
    (tiny.root / "chargers" / "one" / "notes.md").write_text("seen")
    assert push_book(tiny, url) == 1
    assert open_to_read(url).notes("one") == "seen"
    (tiny.root / "chargers" / "one" / "notes.md").unlink()
    assert push_book(tiny, url) == 0
    assert open_to_read(url).notes("one") == ""
    assert (BucketFileSystem.renames, BucketFileSystem.rewritten) == (0, [])


def test_whatever_write_a_push_stops_in_the_book_before_counts(tiny, bucket, cache):
    push_book(tiny, bucket)
    notes = tiny.root / "chargers" / "one" / "notes.md"
    notes.write_text("after it")
    (tiny.root / "chargers" / "one" / "verdict.md").write_text("a good one")
    stops = 0
    for allowed in (0, 1, 1, 1, 9):
        BucketFileSystem.writes_left = allowed
        try:
            push_book(tiny, bucket)
        except (BookError, InterruptedWriteError):
            stops += 1
            BucketFileSystem.writes_left = None
            seen = open_to_read(bucket)
            head_was_written = stops == 4  # after two files and the manifest
            # a head has no content: it is there or not, and all it names is there before it
            assert (seen.notes("one"), seen.verdict("one")) in (
                (("after it", "a good one"),) if head_was_written else (("", ""),)
            )
            continue
        break
    BucketFileSystem.writes_left = None
    assert stops == 4
    assert (open_to_read(bucket).notes("one"), open_to_read(bucket).verdict("one")) == ("after it", "a good one")


def test_a_damaged_object_is_noticed(tiny, bucket, cache):
    push_book(tiny, bucket)
    sha256 = hashlib.sha256(b"some readings").hexdigest()
    path = cache.parent / "bucket" / "objects" / sha256[:2] / sha256
    path.write_bytes(b"some readinGs")
    with pytest.raises(BookError, match="is damaged"):
        RemoteBook(bucket).checkout(raw_of=["one"])
    path.write_bytes(b"some read")  # what a broken write leaves is written again
    assert push_book(tiny, bucket) == 1
    RemoteBook(bucket).checkout(raw_of=["one"])


def test_two_who_push_are_told(tiny, bucket, cache):
    push_book(tiny, bucket)
    mine = RemoteBook(bucket)
    made = mine.checkout().root / "derived"
    made.mkdir()
    (made / "x").write_bytes(b"x")
    (tiny.root / "chargers" / "one" / "notes.md").write_text("other")
    push_book(tiny, bucket)
    with pytest.raises(BookError, match="somebody else has pushed"):
        mine.give_back()
    heads = cache.parent / "bucket" / "heads"
    (newest,) = heads.glob("00000002-*")
    shutil.copy(newest, heads / f"00000002-{'0' * 64}")
    with pytest.raises(BookError, match="at the same time"):
        open_to_read(bucket)


@pytest.mark.parametrize("name", ["../evil", "/etc/evil", "a//b", "a\\b"])
def test_a_manifest_that_leads_out_of_the_book(bucket, cache, name):
    remote = RemoteBook(bucket)
    text = json.dumps({"format": 1, "files": {name: "0" * 64}}).encode()
    remote.store.advance(None, remote.store.put_bytes(text))
    with pytest.raises(BookError, match="is no file a book can have"):
        remote.checkout()


def test_nothing_is_measured_into_a_copy(tiny, bucket, cache):
    push_book(tiny, bucket)
    with pytest.raises(BookError, match="is a book far away"):
        open_book(bucket)


def test_nothing_there_and_unknown_places(bucket, cache):
    with pytest.raises(BookError, match="there is no book there"):
        open_to_read(bucket)
    with pytest.raises(BookError, match="no place fsspec knows"):
        open_to_read("nowhere://x")


def test_analysed_and_published_there_as_here(root, bucket, cache, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795608000")
    push_book(Book.open(root), bucket)
    assert analyse("wren-35", book=bucket) == 0
    assert publish("wren-35", book=bucket) == 0
    assert analyse("wren-35", book=root) == 0
    assert publish("wren-35", book=root) == 0
    shutil.rmtree(cache)
    far = open_to_read(bucket).root
    names = ["wren-35/result.json", "wren-35/figures.parquet", "wren-35/findings.parquet", "report/wren-35.html"]
    assert [n for n in names if (far / "derived" / n).read_bytes() != (root / "derived" / n).read_bytes()] == []
    assert not list(far.glob("chargers/*/raw/*.csv"))
