"""Files by their content, at any place fsspec reaches: object storage, a network share, a folder.

Nothing there is ever renamed or written over, because such places promise neither in one step:

    objects/<aa>/<sha256>          the bytes of a file, or of a manifest; written once
    heads/<number>-<sha256>        says which manifest counts: the highest number; its name is all it says, written last

What is read is hashed, so that an object a broken write left behind is noticed, and written again by the next push.
fsspec is an extra, imported when such a place is named.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brickbook.core.errors import BookError, Fault

__all__ = ["Head", "ObjectStore"]

_HEAD = re.compile(r"(\d{8})-([0-9a-f]{64})")
_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class Head:
    """Which manifest counts: its number, from 1, and its SHA-256."""

    number: int
    sha256: str


class ObjectStore:
    """A place for objects.

    Parameters
    ----------
    url
        The place: "s3://bucket/book", "file:///srv/book", "memory://book" ...

    Raises
    ------
    BookError
        When fsspec, or what it needs for this kind of place, is not installed, or the URL is wrong.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        try:
            core: Any = importlib.import_module("fsspec.core")  # untyped
            self._fs, self._root = core.url_to_fs(url)
        except ImportError as error:
            remedy = "Install Brickbook with the extra: cluster, and what fsspec asks for."
            raise BookError(Fault(url, "", f"needs a library that is not installed: {error}.", remedy)) from error
        except ValueError as error:
            raise BookError(Fault(url, "", f"is no place fsspec knows: {error}.", "Check the URL.")) from error
        self._root = str(self._root).rstrip("/")

    def head(self) -> Head | None:
        """The manifest that counts; `None` where nothing was pushed yet.

        Raises
        ------
        BookError
            When two were pushed at the same time, or the place cannot be read.
        """
        try:
            self._fs.invalidate_cache()
            names = [str(name).rpartition("/")[2] for name in self._fs.ls(f"{self._root}/heads", detail=False)]
        except FileNotFoundError:
            return None
        except Exception as error:
            raise self._fault("read", error) from error
        heads = sorted((int(m[1]), m[2]) for m in map(_HEAD.fullmatch, names) if m)
        if len(heads) > 1 and heads[-1][0] == heads[-2][0]:
            problem = "two books were pushed at the same time, and neither counts more than the other."
            remedy = f"Look at both, and delete one of heads/{heads[-1][0]:08}-*."
            raise BookError(Fault(self.url, "", problem, remedy))
        return Head(*heads[-1]) if heads else None

    def advance(self, before: Head | None, sha256: str) -> Head:
        """Make a manifest that is there the one that counts.

        Raises
        ------
        BookError
            When another has been pushed since `before`.
        """
        now = self.head()
        if now != before:
            problem = "somebody else has pushed in the meantime; nothing was changed there."
            raise BookError(Fault(self.url, "", problem, "Run the same again, on what is there now."))
        head = Head(before.number + 1 if before else 1, sha256)
        self._write(f"heads/{head.number:08}-{sha256}", b"")
        self.head()  # says so if another did the same at the same time
        return head

    def put_bytes(self, content: bytes) -> str:
        """Keep bytes; gives their SHA-256."""
        sha256 = hashlib.sha256(content).hexdigest()
        if self._size(sha256) != len(content):
            self._write(_name(sha256), content)
        return sha256

    def put_file(self, path: Path, sha256: str) -> bool:
        """Keep a file whose SHA-256 is known; gives whether it had to be sent."""
        if self._size(sha256) == path.stat().st_size:
            return False
        try:
            self._fs.makedirs(f"{self._root}/{_name(sha256).rpartition('/')[0]}", exist_ok=True)
            with path.open("rb") as source, self._fs.open(f"{self._root}/{_name(sha256)}", "wb") as target:
                while piece := source.read(_PIECE):
                    target.write(piece)
        except Exception as error:
            raise self._fault("written", error) from error
        return True

    def get_bytes(self, sha256: str) -> bytes:
        """Bytes of a small object.

        Raises
        ------
        BookError
            When it is missing, damaged, or cannot be read.
        """
        try:
            content = bytes(self._fs.cat_file(f"{self._root}/{_name(sha256)}"))
        except Exception as error:
            raise self._fault("read", error) from error
        if hashlib.sha256(content).hexdigest() != sha256:
            raise self._damaged(sha256)
        return content

    def get_file(self, sha256: str, target: Path) -> None:
        """Fetch an object into a local file, which is there whole and verified or not at all; raises as `get_bytes`."""
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.with_name(f".brickbook-{os.getpid()}-{sha256[:16]}.part")
        total = hashlib.sha256()
        try:
            with self._fs.open(f"{self._root}/{_name(sha256)}", "rb") as source, part.open("wb") as stream:
                while piece := source.read(_PIECE):
                    total.update(piece)
                    stream.write(piece)
                stream.flush()
                os.fsync(stream.fileno())
            whole = total.hexdigest() == sha256
            if whole:
                part.chmod(0o444)
                part.replace(target)
        except Exception as error:
            raise self._fault("read", error) from error
        finally:
            part.unlink(missing_ok=True)
        if not whole:
            raise self._damaged(sha256)

    def _size(self, sha256: str) -> int | None:
        try:
            return int(self._fs.info(f"{self._root}/{_name(sha256)}")["size"])
        except FileNotFoundError:
            return None
        except Exception as error:
            raise self._fault("read", error) from error

    def _write(self, name: str, content: bytes) -> None:
        try:
            self._fs.makedirs(f"{self._root}/{name.rpartition('/')[0]}", exist_ok=True)
            self._fs.pipe_file(f"{self._root}/{name}", content)
        except Exception as error:
            raise self._fault("written", error) from error

    def _fault(self, doing: str, error: Exception) -> BookError:
        # each kind of storage raises errors of its own, with no common base
        return BookError(
            Fault(self.url, "", f"cannot be {doing}: {error}.", "Check the address, the network, your keys.")
        )

    def _damaged(self, sha256: str) -> BookError:
        problem = "is damaged: its content has another SHA-256."
        return BookError(Fault(f"{self.url}/{_name(sha256)}", "", problem, "Delete it there, and push the book again."))


def _name(sha256: str) -> str:
    return f"objects/{sha256[:2]}/{sha256}"
