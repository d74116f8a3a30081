"""Files dropped into the browser wait here until they are taken into raw/: in derived/_uploads/, safe to delete."""

from __future__ import annotations

import asyncio
import json
import re
import secrets
import shutil
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brickbook.book import Book
from brickbook.book.entries import name_problem
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, Fault, ReadError

__all__ = ["Staged", "discard", "receive", "staged", "staged_files", "write_said"]

FOLDER = "_uploads"  # no charger's folder can be called so
_ID = re.compile(r"[0-9a-f]{16}")
_SILENCE_S = 30.0  # without a byte an upload is given up
_SPARE_BYTES = 200_000_000  # left free on the disk
_MOST_WAITING = 40
_OLD_S = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class Staged:
    """A file that waits.

    Parameters
    ----------
    id, name, size
        Its own; the name it came with; in bytes.
    folder
        Where it lies.
    said
        What the tester has said of it so far: fields of the form.
    """

    id: str
    name: str
    size: int
    folder: Path
    said: dict[str, Any]

    def content(self) -> bytes:
        """All of it.

        Raises
        ------
        ReadError
            When it is gone.
        """
        try:
            return (self.folder / "data").read_bytes()
        except OSError as error:
            raise ReadError(Fault(self.name, "", "does not wait here any more.", "Drop it again.")) from error


async def receive(
    book: Book, slug: str, name: str, body: AsyncIterator[bytes], *, announced: int | None, most: int
) -> Staged:
    """Write a file to the disk as it comes, piece by piece.

    Parameters
    ----------
    book, slug
        For whom.
    name
        The file's name.
    body
        Its pieces.
    announced
        Length the browser announced, where it did.
    most
        Largest length taken [bytes].

    Raises
    ------
    ReadError
        When it is larger, stops coming, has a name that cannot be kept, or is empty; nothing is left of it then.
    """
    name = name.replace("\\", "/").rpartition("/")[2]
    problem = name_problem(name)
    if problem:
        raise ReadError(Fault(name[:80], "", f"the name {problem}.", "Rename the file and drop it again."))
    too_large = Fault(name, "", f"is larger than {most / 1e6:,.0f} MB, the most this app takes.",
                      "Start the app with a larger --upload-mb, or use brickbook import.")  # fmt: skip
    if announced is not None and announced > most:
        raise ReadError(too_large)
    home = book.derived() / FOLDER / slug
    _tidy(home)
    if len(staged_files(book, slug)) >= _MOST_WAITING:
        raise ReadError(Fault(name, "", f"{_MOST_WAITING} files wait already.", "Take them in, or put them away."))
    folder = home / secrets.token_hex(8)
    folder.mkdir(parents=True)
    try:
        taken = await _written(folder / "data", name, body, most, too_large)
        book.write(folder / "said.json", json.dumps({"name": name, "said": {}}).encode())
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return Staged(folder.name, name, taken, folder, {})


async def _written(target: Path, name: str, body: AsyncIterator[bytes], most: int, too_large: Fault) -> int:
    """Write a body to a new file; gives its length."""
    taken = 0
    pieces = aiter(body)
    with target.open("xb") as file:
        while True:
            try:
                piece = await asyncio.wait_for(anext(pieces), _SILENCE_S)
            except StopAsyncIteration:
                break
            except TimeoutError as error:
                fault = Fault(name, "", f"stopped coming for {_SILENCE_S:g} s.", "Drop it again.")
                raise ReadError(fault) from error
            taken += len(piece)
            if taken > most:
                raise ReadError(too_large)
            if taken % 64_000_000 < len(piece) and shutil.disk_usage(target.parent).free < _SPARE_BYTES:
                raise ReadError(Fault(name, "", "the disk is nearly full.", "Free some space and drop it again."))
            file.write(piece)
    if not taken:
        raise ReadError(Fault(name, "", "is empty.", "Check that it was saved before it was copied."))
    return taken


def staged_files(book: Book, slug: str) -> tuple[Staged, ...]:
    """Files that wait for a charger, oldest first."""
    home = book.derived() / FOLDER / slug
    if not home.is_dir():
        return ()
    found = [_read(folder) for folder in home.iterdir() if _ID.fullmatch(folder.name) and not folder.is_symlink()]
    known = [one for one in found if one is not None]
    return tuple(sorted(known, key=lambda one: (one.folder.stat().st_ctime_ns, one.name)))


def staged(book: Book, slug: str, number: str) -> Staged:
    """The file of that id; raises `BookError` when none waits under it."""
    folder = book.derived() / FOLDER / slug / number
    found = _read(folder) if _ID.fullmatch(number) and not folder.is_symlink() else None
    if found is None:
        raise BookError(Fault("the file", "", "does not wait here any more.", "Drop it again."))
    return found


def write_said(book: Book, one: Staged, said: dict[str, Any]) -> None:
    """Keep what the tester said of a file."""
    book.write(one.folder / "said.json", json.dumps({"name": one.name, "said": said}).encode())


def discard(one: Staged) -> None:
    """Put a file away."""
    shutil.rmtree(one.folder, ignore_errors=True)


def _read(folder: Path) -> Staged | None:
    try:
        kept = json_of((folder / "said.json").read_text(encoding="utf-8"))
        return Staged(folder.name, str(kept["name"]), (folder / "data").stat().st_size, folder, dict(kept["said"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _tidy(home: Path) -> None:
    """Take away what was left by uploads that broke off with the app, and what has waited for a week."""
    if not home.is_dir():
        return
    for folder in home.iterdir():
        age_s = time.time() - folder.stat().st_mtime
        whole = (folder / "said.json").exists()
        if age_s > _OLD_S or (not whole and age_s > 3600.0):
            shutil.rmtree(folder, ignore_errors=True)
