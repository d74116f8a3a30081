"""A book of finished chargers kept far away: a copy to work on here, and what was made from it put back.

The copy holds all small files; raw files come when a charger is worked on, each verified by its SHA-256 and kept in a
cache by that name, so that none is fetched twice. A book on which measurements are still going on stays local.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from brickbook.book._files import file_digest, is_leftover
from brickbook.book._lock import hold
from brickbook.book.book import Book
from brickbook.book.objects import Head, ObjectStore
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, Fault

__all__ = ["RemoteBook", "push_book", "remote_url"]

_URL = re.compile(r"([a-z][a-z0-9+]+):/+(.*)", re.DOTALL)
_FORMAT = 1
_RAW = re.compile(r"chargers/[^/]+/raw/(?!index\.toml$)")
_MADE = re.compile(r"derived/|chargers/[^/]+/published\.jsonl$")  # what analysis and publication may change


def remote_url(path: Path | str) -> str:
    """The URL that was meant, where a path is one ("s3:/bucket/book", as paths fold slashes); empty for a folder."""
    match = _URL.fullmatch(str(path))
    if match is None:
        return ""
    return f"{match[1]}://{'/' if match[1] in ('file', 'local') else ''}{match[2]}"


@dataclass(frozen=True, slots=True)
class _Manifest:
    head: Head
    files: dict[str, str]


class RemoteBook:
    """A book at a URL, with a copy in a local cache.

    Parameters
    ----------
    url
        Where it is.
    cache
        Folder of the copies; `BRICKBOOK_CACHE` or one in the user's own cache folder by default.
    """

    def __init__(self, url: str, cache: Path | None = None) -> None:
        self.store = ObjectStore(url)
        self._cache = cache or default_cache()
        self._manifest: _Manifest | None = None

    def checkout(self, raw_of: Collection[str] = ()) -> Book:
        """The copy as the pushed book is now, with the raw files of these chargers.

        Raises
        ------
        BookError
            When nothing was pushed there, or an object is missing, damaged or cannot be read.
        """
        head = self.store.head()
        if head is None:
            remedy = "Put one there with: brickbook publish --push URL"
            raise BookError(Fault(self.store.url, "", "there is no book there.", remedy))
        files = _files_of(self.store, head)
        root = self._root()
        root.mkdir(parents=True, exist_ok=True)
        with hold(root.parent / "copy.lock", name=str(root.parent / "copy.lock")):
            for name, sha256 in files.items():
                if _RAW.match(name) and name.split("/")[1] not in raw_of:
                    continue
                self._place(root / name, sha256, link=bool(_RAW.match(name)))
            for path in _walk(root):
                if path not in files:
                    (root / path).unlink()
        self._manifest = _Manifest(head, files)
        return Book.open(root)

    def give_back(self) -> int:
        """Push what was made since the checkout: results, reports, records of publication; gives how many files.

        Raises
        ------
        BookError
            When somebody else has pushed since, or the place cannot be written; nothing counts there then.
        """
        assert self._manifest is not None, "checkout first"
        root, before = self._root(), self._manifest
        files = {name: sha256 for name, sha256 in before.files.items() if not _MADE.match(name)}
        sent = 0
        for name in _walk(root):
            if _MADE.match(name):
                files[name] = file_digest(root / name, name)
                sent += self.store.put_file(root / name, files[name])
        if files != before.files:
            self._manifest = _Manifest(_advance(self.store, before.head, files), files)
        return sent

    def _root(self) -> Path:
        name = re.sub(r"[^a-z0-9]+", "-", self.store.url.lower()).strip("-")[-60:]
        return self._cache / "books" / f"{name}-{_short(self.store.url)}" / "book"

    def _place(self, target: Path, sha256: str, *, link: bool) -> None:
        if target.is_file() and file_digest(target, str(target)) == sha256:
            return
        kept = self._cache / "objects" / sha256[:2] / sha256
        if not kept.is_file() or file_digest(kept, str(kept)) != sha256:
            self.store.get_file(sha256, kept)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.unlink(missing_ok=True)
        if link:  # as large as they are they need not lie there twice
            try:
                os.link(kept, target)
            except OSError:
                shutil.copyfile(kept, target)
        else:
            shutil.copyfile(kept, target)


def push_book(book: Book, url: str) -> int:
    """Put a local book with its raw files and results at a URL; gives how many files had to be sent.

    Raises
    ------
    BookError
        When a file cannot be read, somebody else pushes at the same time, or the place cannot be written. What was
        there before counts until everything new is there.
    """
    store = ObjectStore(url)
    before = store.head()
    files: dict[str, str] = {}
    sent = 0
    for name in _walk(book.root):
        files[name] = file_digest(book.root / name, name)
        sent += store.put_file(book.root / name, files[name])
    if before is None or _files_of(store, before) != files:
        _advance(store, before, files)
    return sent


def default_cache() -> Path:
    """Where copies are kept."""
    stated = os.environ.get("BRICKBOOK_CACHE", "")
    return Path(stated) if stated else Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "brickbook"


def _advance(store: ObjectStore, before: Head | None, files: dict[str, str]) -> Head:
    text = json.dumps({"format": _FORMAT, "files": dict(sorted(files.items()))}, ensure_ascii=False, indent=0)
    return store.advance(before, store.put_bytes(text.encode()))


def _files_of(store: ObjectStore, head: Head) -> dict[str, str]:
    data = json_of(store.get_bytes(head.sha256).decode("utf-8"))
    if not isinstance(data, dict) or data.get("format") != _FORMAT or not isinstance(data.get("files"), dict):
        problem = "the manifest is of a format this version does not know."
        raise BookError(
            Fault(store.url, "", problem, "Use the version of Brickbook it was pushed with, or a newer one.")
        )
    files = {str(name): str(sha256) for name, sha256 in data["files"].items()}
    for name, sha256 in files.items():
        parts = name.split("/")
        if "" in parts or ".." in parts or "." in parts or "\\" in name or not re.fullmatch(r"[0-9a-f]{64}", sha256):
            raise BookError(Fault(store.url, name, "is no file a book can have.", "Push the book again."))
    return files


def _walk(root: Path) -> list[str]:
    """Names of all files worth keeping, sorted; no locks, and nothing an interrupted write left."""
    found = []
    for here, folders, names in os.walk(root):
        folders[:] = [folder for folder in folders if folder != ".git"]
        inside = Path(here).relative_to(root)
        found += [(inside / name).as_posix() for name in names if not name.endswith(".lock") and not is_leftover(name)]
    return sorted(found)


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
