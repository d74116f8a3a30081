"""A charger's raw/ folder: bytes kept as they came, and checked each time they are used."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from brickbook.book._files import is_leftover, os_fault, read_bytes, read_text, relative_name, write_atomic
from brickbook.book.entries import IndexEntry, name_key, name_problem, read_index, with_entry
from brickbook.core.errors import BookError, Fault

__all__ = ["RawFolder"]

_HEAD = """\
# The raw files of this charger: one [[file]] for each. The files themselves are never changed: a file whose SHA-256
# is not the one written here is not used. Every key is explained in docs/reference/book-format.md.
"""


@dataclass(frozen=True, slots=True)
class RawFolder:
    """The raw files of one charger.

    Parameters
    ----------
    folder
        The raw/ folder.
    name
        Its name in messages, relative to the book.
    """

    folder: Path
    name: str

    @property
    def index_name(self) -> str:
        """The index in messages."""
        return f"{self.name}/index.toml"

    def index_text(self) -> str:
        """Text of index.toml; empty where there is none."""
        return read_text(self.folder / "index.toml", self.index_name) or ""

    def entries(self) -> tuple[IndexEntry, ...]:
        """Entries in the index's order; raises `BookError` with all the index's faults."""
        return read_index(self.index_name, self.index_text())

    def read(self, entry: IndexEntry) -> bytes:
        """Bytes of a raw file, once their SHA-256 is the index's.

        Raises
        ------
        BookError
            When the entry is not in the index, or the file is missing, changed or not a file inside raw/.
        """
        if entry not in self.entries():
            problem = f'"{entry.path}" with the SHA-256 {entry.sha256[:12]}... is not in the index.'
            raise BookError(Fault(self.index_name, "", problem, "Import the file."))
        name = f"{self.name}/{entry.path}"
        real = self._verified(entry)
        try:
            content = real.read_bytes()
        except OSError as error:
            raise BookError(os_fault(name, "read", error)) from error
        # what is used is what was hashed, even if the file changed in between
        digest = hashlib.sha256(content).hexdigest()
        if digest != entry.sha256:
            raise BookError(self._changed(name, digest, entry))
        return content

    def path(self, entry: IndexEntry) -> Path:
        """Path of a raw file, once its SHA-256 is the index's: for files too large to hold.

        Raises
        ------
        BookError
            As `read`.
        """
        if entry not in self.entries():
            problem = f'"{entry.path}" with the SHA-256 {entry.sha256[:12]}... is not in the index.'
            raise BookError(Fault(self.index_name, "", problem, "Import the file."))
        return self._verified(entry)

    def faults(self) -> tuple[Fault, ...]:
        """Everything that is wrong with the index, the files it names and the files it does not name."""
        try:
            entries = self.entries()
        except BookError as error:
            return error.faults
        faults: list[Fault] = []
        for entry in entries:
            try:
                self._verified(entry)
            except BookError as error:
                faults += error.faults
        named = {name_key(entry.path) for entry in entries}
        try:
            files = self.files()
        except BookError as error:
            return (*faults, *error.faults)
        for path in files:
            name = f"{self.name}/{path}"
            if is_leftover(path.rpartition("/")[2]):
                faults.append(Fault(name, "", "is what an interrupted write left behind.", "Delete it."))
            elif name_key(path) not in named:
                problem = "is not in the index, so no study uses it."
                faults.append(Fault(name, "", problem, "Import it, or move it out of raw/."))
        return tuple(faults)

    def files(self) -> tuple[str, ...]:
        """Paths of all files in raw/ but the index, sorted; other hidden files than leftovers are left out."""
        found = []
        for here, folders, names in os.walk(self.folder, onerror=self._unreadable):
            folders[:] = [folder for folder in folders if not folder.startswith(".")]
            inside = Path(here).relative_to(self.folder)
            links = [folder for folder in folders if (Path(here) / folder).is_symlink()]
            for name in (*names, *links):
                path = (inside / name).as_posix()
                if path != "index.toml" and (is_leftover(name) or not name.startswith(".")):
                    found.append(path)
        return tuple(sorted(found))

    def _unreadable(self, error: OSError) -> None:
        if not isinstance(error, FileNotFoundError):  # raw/ itself may not be there yet
            name = relative_name(self.folder.parent.parent.parent, Path(error.filename))
            raise BookError(os_fault(name, "read", error)) from error

    def take_in(self, content: bytes, entry: IndexEntry) -> None:
        """Keep a file and add its entry to the index; the caller holds the charger's lock.

        Raises
        ------
        BookError
            When the name cannot be used or is taken, the content is there already, the entry is wrong, or a file
            cannot be written. Nothing is changed then.
        """
        name = f"{self.name}/{entry.path}"
        problem = name_problem(entry.path)
        if problem:
            raise BookError(Fault(self.name, "", f'"{entry.path}" {problem}.', "Give the file another name."))
        text = self.index_text()
        for earlier in read_index(self.index_name, text):
            if earlier.sha256 == entry.sha256:
                problem = f'the same content is in the index already, as "{earlier.path}".'
                raise BookError(Fault(name, "", problem, "Use that entry; a second one would be counted twice."))
            if name_key(earlier.path) == name_key(entry.path):
                raise BookError(self._name_taken(earlier.path))
        longer = with_entry(self.index_name, text or _HEAD, entry)
        target = self.folder / entry.path
        is_new = self._free_for(entry, content)
        if is_new:
            write_atomic(target, content, name=name)
        try:
            self._verified(entry)
            write_atomic(self.folder / "index.toml", longer.encode(), name=self.index_name)
        except BookError:
            if is_new:
                with contextlib.suppress(OSError):
                    target.unlink()
            raise

    def _free_for(self, entry: IndexEntry, content: bytes) -> bool:
        """Whether the file has to be written; a file that is there with the same bytes is taken as it is."""
        for path in self.files():
            if name_key(path) != name_key(entry.path):
                continue
            if path != entry.path or read_bytes(self.folder / path, f"{self.name}/{path}") != content:
                raise BookError(self._name_taken(path))
            return False
        self._inside(entry.path)
        return True

    def _name_taken(self, path: str) -> Fault:
        problem = "is there already, with other content."
        return Fault(f"{self.name}/{path}", "", problem, "Give the new file another name.")

    def _inside(self, path: str) -> Path:
        """The real path of a raw file; raises `BookError` when a link leads out of raw/."""
        name = f"{self.name}/{path}"
        try:
            real, home = (self.folder / path).resolve(), self.folder.resolve()
        except (OSError, RuntimeError) as error:
            raise BookError(Fault(name, "", "is a link that leads nowhere.", "Put the file itself there.")) from error
        if not real.is_relative_to(home):
            raise BookError(Fault(name, "", "is a link that leads out of raw/.", "Put the file itself there."))
        return real

    def _verified(self, entry: IndexEntry) -> Path:
        """The real path of a file whose SHA-256 is the index's; the file is hashed piece by piece, however large."""
        name = f"{self.name}/{entry.path}"
        real = self._inside(entry.path)
        try:
            is_plain = stat.S_ISREG(real.stat().st_mode)
            digest = _digest(real) if is_plain else ""
        except FileNotFoundError as error:
            problem = "is in the index and is missing."
            remedy = "Put the file back as it came, or take its entry out of the index."
            raise BookError(Fault(name, "", problem, remedy)) from error
        except OSError as error:
            raise BookError(os_fault(name, "read", error)) from error
        if not is_plain:
            raise BookError(Fault(name, "", "is not a plain file.", "Put the file as it came there."))
        if digest != entry.sha256:
            raise BookError(self._changed(name, digest, entry))
        return real

    def _changed(self, name: str, digest: str, entry: IndexEntry) -> Fault:
        problem = (
            f"has changed since it was taken in: its SHA-256 is {digest[:12]}..., "
            f"the index says {entry.sha256[:12]}...; it is not used."
        )
        return Fault(name, "", problem, "Put the file back as it came, or import the other one under a new name.")


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return str(hashlib.file_digest(file, "sha256").hexdigest())
