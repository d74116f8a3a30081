"""The bench book: a folder on disk."""

from __future__ import annotations

import difflib
import functools
import hashlib
import os
import re
import shutil
import threading
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from brickbook.book._check import day, load, parse
from brickbook.book._files import file_digest, os_fault, read_bytes, read_text, relative_name, write_atomic
from brickbook.book._lock import Holder, hold
from brickbook.book._templates import bench_text, book_text, charger_text, house_rules_text, ignore_text, shapes_text
from brickbook.book._write import table_text, with_item, with_value
from brickbook.book.entries import IndexEntry
from brickbook.book.plan_file import plan_text, read_plan
from brickbook.book.raw import RawFolder
from brickbook.book.settings import BenchLimits, BookSettings, TextFile, read_bench, read_settings
from brickbook.core.charger import Charger
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.core.instrument import Instrument
from brickbook.core.plan import TestPlan
from brickbook.core.shape import Shape
from brickbook.core.study import Mains

__all__ = ["Book", "read_charger", "slug_problem"]

_SLUG = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST_SLUG = 80


@dataclass(frozen=True, slots=True)
class _Shapes:
    shape: tuple[Shape, ...] = ()


def slug_problem(slug: str) -> str:
    """Why a word cannot be a charger's folder name; empty when it can."""
    if not _SLUG.fullmatch(slug):
        return f'"{slug}" cannot name a charger: only a-z, 0-9 and single hyphens between them are allowed.'
    if len(slug) > _LONGEST_SLUG:
        return f'"{slug[:20]}..." cannot name a charger: it is longer than {_LONGEST_SLUG} characters.'
    return ""


class Book:
    """A bench book. Its files are read each time they are asked for, so that an edit counts at once.

    Parameters
    ----------
    root
        The folder. `Book.open` checks it first.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._held: dict[str, int] = {}

    def __repr__(self) -> str:
        return f"Book({str(self.root)!r})"

    # Opening and making

    @classmethod
    def open(cls, path: Path | str) -> Book:
        """The book in a folder, once book.toml, bench.toml and shapes.toml have been found right.

        Raises
        ------
        BookError
            When the folder is not a book, or with all faults of these files.
        """
        root = Path(path)
        if not (root / "book.toml").is_file():
            what = "is not a bench book: there is no book.toml in it" if root.is_dir() else "is not a folder"
            raise BookError(Fault(str(path), "", f"{what}.", "Name the folder of a book, or make a new one."))
        book = cls(root.resolve())
        faults = book.check_top()
        if faults:
            raise BookError(*faults)
        return book

    @classmethod
    def create(
        cls,
        path: Path | str,
        *,
        title: str,
        publisher: str,
        licence: str = "",
        currency: str = "EUR",
        energy_price_per_kwh: float | None = None,
        mains: Sequence[Mains] = (Mains(230.0, 50.0, "EU"), Mains(115.0, 60.0, "US")),
        decision: Literal["guarded", "simple"] = "guarded",
        instruments: Mapping[str, Instrument] | None = None,
        house_rules: str = "",
    ) -> Book:
        """A new book in a folder that is empty or not there yet: its files, with every key explained in a comment.

        Parameters
        ----------
        path
            The folder.
        title, publisher, licence, currency, energy_price_per_kwh, mains, decision
            For book.toml.
        instruments
            For bench.toml.
        house_rules
            Text of house-rules.toml; a file that explains itself by default.

        Raises
        ------
        BookError
            When the folder holds something already, a value is wrong, or a file cannot be written.
        """
        root = Path(path)
        try:
            if root.exists() and (not root.is_dir() or any(root.iterdir())):
                remedy = "Choose a folder that is empty or not there yet."
                raise BookError(Fault(str(path), "", "a new book cannot be made there: it holds something.", remedy))
        except OSError as error:
            raise BookError(os_fault(str(path), "read", error)) from error
        settings = BookSettings(
            title=title,
            publisher=publisher,
            licence=licence,
            currency=currency,
            energy_price_per_kwh=energy_price_per_kwh,
            mains=tuple(mains),
            decision=decision,
        )
        texts = {
            "bench.toml": bench_text(instruments or {}),
            "house-rules.toml": house_rules or house_rules_text(),
            "shapes.toml": shapes_text(),
            ".gitignore": ignore_text(),
            "book.toml": book_text(settings),  # last: a folder is a book once it is there
        }
        read_settings("book.toml", texts["book.toml"])
        read_bench("bench.toml", texts["bench.toml"])
        for name, text in texts.items():
            write_atomic(root / name, text.encode(), name=str(root / name))
        return cls.open(root)

    def new_charger(
        self, slug: str, charger: Charger | None = None, *, name: str = "", maker: str = "", model: str = ""
    ) -> Path:
        """A folder for a charger, with charger.toml (every key explained), raw/, notes.md and verdict.md.

        Parameters
        ----------
        slug
            Its folder's name.
        charger
            What is known of it. By default charger.toml has blanks, which `charger` reports until they are filled in.
        name, maker, model
            Fill in these blanks.

        Returns
        -------
        Path
            Of charger.toml.

        Raises
        ------
        BookError
            When the slug cannot be used or is taken, or a file cannot be written.
        """
        problem = slug_problem(slug)
        if problem:
            raise BookError(Fault("chargers", "", problem, 'Choose a name such as "example-65w".'))
        folder = self._folder(slug)
        if folder.exists():
            remedy = "Choose another name, or edit its charger.toml."
            raise BookError(Fault(f"chargers/{slug}", "", "is there already.", remedy))
        text = charger_text(charger, name=name, maker=maker, model=model)
        try:
            folder.parent.mkdir(exist_ok=True)
            folder.mkdir()
        except OSError as error:
            raise BookError(os_fault(f"chargers/{slug}", "made", error)) from error
        try:
            (folder / "raw").mkdir()
            for file, content in (("notes.md", ""), ("verdict.md", ""), ("charger.toml", text)):
                self.write(folder / file, content.encode())
        except (BookError, OSError) as error:
            shutil.rmtree(folder, ignore_errors=True)  # made a moment ago, by this call
            if isinstance(error, OSError):
                raise BookError(os_fault(f"chargers/{slug}/raw", "made", error)) from error
            raise
        return folder / "charger.toml"

    # The files at the top

    @property
    def settings(self) -> BookSettings:
        """book.toml, which holds all of `core.study.Settings` and who publishes."""
        text = read_text(self.root / "book.toml", "book.toml")
        if text is None:
            raise BookError(Fault("book.toml", "", "is missing.", "Put it back: without it the folder is not a book."))
        return read_settings("book.toml", text)

    @property
    def title(self) -> str:
        """Of the book."""
        return self.settings.title

    @property
    def publisher(self) -> str:
        """Who publishes."""
        return self.settings.publisher

    @property
    def instruments(self) -> dict[str, Instrument]:
        """Name to instrument, from bench.toml; empty where there is no such file."""
        return dict(read_bench("bench.toml", self._top("bench.toml")).instruments)

    @property
    def bench_limits(self) -> BenchLimits:
        """[limits] of bench.toml."""
        return read_bench("bench.toml", self._top("bench.toml")).limits

    @property
    def house_rules(self) -> TextFile | None:
        """house-rules.toml as text; `None` where there is no such file."""
        text = read_text(self.root / "house-rules.toml", "house-rules.toml")
        return None if text is None else TextFile("house-rules.toml", text)

    @property
    def shapes(self) -> dict[str, Shape]:
        """Id to shape, from shapes.toml."""
        return {shape.id: shape for shape in _read_shapes("shapes.toml", self._top("shapes.toml"))}

    def save_shape(self, shape: Shape, *, replace: bool = False) -> None:
        """Add a shape to shapes.toml; one that is there already in the same words is left alone.

        Raises
        ------
        BookError
            When another shape has the id and `replace` is false, or the file has faults or cannot be written.
        """
        file = "shapes.toml"
        with hold(self.root / ".shapes.lock", name=".shapes.lock"):
            text = self._top(file)
            known = _read_shapes(file, text)
            place = next((k for k, old in enumerate(known) if old.id == shape.id), None)
            if place is not None and known[place] == shape:
                return
            if place is not None and not replace:
                problem = f'another shape has the id "{shape.id}".'
                raise BookError(Fault(file, "", problem, "Replace it on purpose, or give the new one another id."))
            longer = with_item(file, text, "shape", place, table_text("[[shape]]", shape))
            _read_shapes(file, longer)
            self.write(self.root / file, longer.encode())

    def check_top(self) -> tuple[Fault, ...]:
        """All faults of book.toml, bench.toml and shapes.toml."""
        faults: list[Fault] = []
        for look in (lambda: self.settings, lambda: self.instruments, lambda: self.shapes):
            try:
                look()
            except BookError as error:
                faults += error.faults
        return tuple(faults)

    # Chargers

    def chargers(self) -> tuple[str, ...]:
        """Slugs of all chargers, sorted.

        Raises
        ------
        BookError
            When a folder in chargers/ has a name that is not a slug: it would be left out silently.
        """
        try:
            with os.scandir(self.root / "chargers") as inside:  # ten thousand of them: paths take five times as long
                names = sorted(item.name for item in inside if item.is_dir() and not item.name.startswith("."))
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise BookError(os_fault("chargers", "read", error)) from error
        wrong = [(name, problem) for name in names if (problem := slug_problem(name))]
        if wrong:
            raise BookError(*(Fault(f"chargers/{n}", "", problem, "Rename the folder.") for n, problem in wrong))
        return tuple(names)

    def charger(self, slug: str) -> Charger:
        """What charger.toml says.

        Raises
        ------
        BookError
            When there is no such charger (similar slugs are named), or with all faults of the file.
        """
        file = f"{self._require(slug)}/charger.toml"
        text = read_text(self.root / file, file)
        if text is None:
            raise BookError(Fault(file, "", "is missing.", "Write it, or remove the charger's folder."))
        return read_charger(file, text)

    def notes(self, slug: str) -> str:
        """Text of notes.md; empty where there is none."""
        file = f"{self._require(slug)}/notes.md"
        return read_text(self.root / file, file) or ""

    def verdict(self, slug: str) -> str:
        """Text of verdict.md; empty where there is none."""
        file = f"{self._require(slug)}/verdict.md"
        return read_text(self.root / file, file) or ""

    def set_value(self, slug: str, key: str, value: Any) -> Charger:
        """Set one value of charger.toml, e.g. "price.amount"; comments and order stay, and the result is checked.

        Raises
        ------
        BookError
            When the key's table is not there, or the file would have faults: it is not written then.
        """
        file = f"{self._require(slug)}/charger.toml"
        with self._locked(slug):
            text = read_text(self.root / file, file)
            if text is None:
                raise BookError(Fault(file, "", "is missing.", "Write it first."))
            changed = with_value(file, text, key, value)
            charger = read_charger(file, changed)
            self.write(self.root / file, changed.encode())
        return charger

    # The plan

    def has_plan(self, slug: str) -> bool:
        """Whether there is a plan.toml."""
        return (self.root / self._require(slug) / "plan.toml").is_file()

    def plan(self, slug: str, *, rules: Collection[str] | None = None) -> TestPlan:
        """What plan.toml says, its dwells' rules among `rules`; raises `BookError` with all faults, or without one."""
        file = f"{self._require(slug)}/plan.toml"
        return read_plan(file, read_text(self.root / file, file), self.charger(slug), rules)

    def write_plan(self, slug: str, plan: TestPlan) -> None:
        """Write plan.toml, the comments in it kept; a file with faults is left as it is, and `BookError` raised."""
        file = f"{self._require(slug)}/plan.toml"
        with self._locked(slug):
            before = read_text(self.root / file, file) or ""
            self.write(self.root / file, plan_text(file, plan, before).encode())

    # Raw files

    def index(self, slug: str) -> tuple[IndexEntry, ...]:
        """Entries of raw/index.toml in its order; raises `BookError` with all its faults."""
        return self._raw(slug).entries()

    def raw_bytes(self, slug: str, entry: IndexEntry) -> bytes:
        """Bytes of a raw file, once their SHA-256 is the index's.

        Raises
        ------
        BookError
            When the entry is not in the index, or the file is missing, changed or not a file inside raw/.
        """
        return self._raw(slug).read(entry)

    def raw_path(self, slug: str, entry: IndexEntry) -> Path:
        """Path of a raw file, once its SHA-256 is the index's: for files too large to hold. Raises as `raw_bytes`."""
        return self._raw(slug).path(entry)

    def check_raw(self, slug: str) -> tuple[Fault, ...]:
        """All faults of a charger's raw files: changed, missing, unreadable, or in raw/ and not in the index."""
        return self._raw(slug).faults()

    def import_raw(
        self,
        slug: str,
        source: Path | str | bytes,
        *,
        studies: Sequence[str],
        reader: str,
        name: str = "",
        shape: str = "",
        recording: str = "",
        clock_offset_s: float = 0.0,
        align: Literal["stated", "load-steps"] = "stated",
        taken: str = "",
        imported: str = "",
        conditions: Mapping[str, Scalar] | None = None,
        ranges: Mapping[str, float] | None = None,
        instruments: Mapping[str, str] | None = None,
        note: str = "",
    ) -> IndexEntry:
        """Copy a file into raw/ byte for byte, and add its entry to the index.

        A file that lies in raw/ already with the same bytes and without an entry is taken as it is.

        Parameters
        ----------
        slug
            The charger.
        source
            Path of the file, or its bytes.
        name
            Name inside raw/; that of the source by default, needed with bytes.
        studies, reader, shape, recording, clock_offset_s, align, taken, imported
            As in `IndexEntry`.
        conditions, ranges, instruments, note
            As in `IndexEntry`.

        Raises
        ------
        BookError
            When the source cannot be read, the same content is in the index already (its entry is named), the name is
            taken by other content or cannot be used, or an entry's value is wrong. Nothing is changed then.
        """
        raw = self._raw(slug)
        if isinstance(source, bytes):
            content = source
        else:
            content = read_bytes(Path(source), str(source))
            name = name or Path(source).name
        entry = IndexEntry(
            path=name,
            sha256=hashlib.sha256(content).hexdigest(),
            studies=tuple(studies),
            reader=reader,
            shape=shape,
            recording=recording,
            clock_offset_s=clock_offset_s,
            align=align,
            taken=taken,
            imported=imported,
            conditions=Conditions.of(conditions),
            ranges=dict(ranges or {}),
            instruments=dict(instruments or {}),
            note=note,
        )
        with self._locked(slug):
            raw.take_in(content, entry)
        return entry

    def check(self, slug: str) -> tuple[Fault, ...]:
        """All that is wrong with a charger: charger.toml, index, raw files, and names that lead nowhere.

        The index's shapes must be in shapes.toml, its instruments in bench.toml, its ports in charger.toml. Whether a
        study or a reader exists is for the caller to say.
        """
        faults: list[Fault] = []
        charger: Charger | None = None
        try:
            charger = self.charger(slug)
        except BookError as error:
            faults += error.faults
        faults += self.check_raw(slug)
        try:
            faults += self._reference_faults(slug, charger)
        except BookError as error:
            faults += [fault for fault in error.faults if fault not in faults]
        return tuple(faults)

    # Locks, digests, derived files

    @contextmanager
    def lock(self, slug: str) -> Iterator[Holder | None]:
        """Hold a charger for the length of a `with` block; gives the process that died holding it, if any.

        Raises
        ------
        BookError
            When another process or thread holds it: the message says who.
        """
        name = f"{self._require(slug)}/.lock"
        with hold(self.root / name, name=name) as stale:
            self._held[slug] = threading.get_ident()
            try:
                yield stale
            finally:
                del self._held[slug]

    def derived(self, slug: str = "") -> Path:
        """Folder for what is made from a charger (or, without one, from the book); it may not be there yet."""
        if not slug:
            return self.root / "derived"
        self._require(slug)
        return self.root / "derived" / slug

    def folder_name(self, slug: str) -> str:
        """The charger's folder relative to the book; raises `BookError` when there is none."""
        return self._require(slug)

    def write(self, path: Path, content: bytes) -> None:
        """Write a file of this book so that it is whole or not there, see `write_atomic`."""
        write_atomic(path, content, name=relative_name(self.root, path))

    def input_digest(self, slug: str) -> str:
        """SHA-256 over all that an analysis of a charger depends on, in hexadecimal.

        These are the bytes of book.toml, bench.toml, house-rules.toml, shapes.toml, charger.toml, the index and every
        raw file the index names; a file that is not there counts as that.
        """
        folder = self._require(slug)
        tops = ["book.toml", "bench.toml", "house-rules.toml", "shapes.toml"]
        raws = [f"{folder}/raw/{path}" for path in sorted(entry.path for entry in self.index(slug))]
        total = hashlib.sha256()
        for name in (*tops, f"{folder}/charger.toml", f"{folder}/raw/index.toml", *raws):
            path = self.root / name
            part = file_digest(path, name) if path.exists() else "absent"
            total.update(f"{name}\0{part}\n".encode())
        return total.hexdigest()

    # Within

    def _folder(self, slug: str) -> Path:
        return self.root / "chargers" / slug

    def _require(self, slug: str) -> str:
        """The charger's folder in messages, once it is known to be there."""
        if not slug_problem(slug) and self._folder(slug).is_dir():
            return f"chargers/{slug}"
        known = self.chargers()
        near = difflib.get_close_matches(slug, known, n=1)
        if near:
            remedy = f'Did you mean "{near[0]}"?'
        else:
            remedy = f"The chargers are: {', '.join(known)}." if known else "There are no chargers in it yet."
        raise BookError(Fault("chargers", "", f'there is no charger "{slug}" in this book.', remedy))

    def _raw(self, slug: str) -> RawFolder:
        name = f"{self._require(slug)}/raw"
        return RawFolder(self.root / name, name)

    def _top(self, file: str) -> str:
        return read_text(self.root / file, file) or ""

    @contextmanager
    def _locked(self, slug: str) -> Iterator[None]:
        """The charger's lock, unless this thread holds it already."""
        if self._held.get(slug) == threading.get_ident():
            yield
        else:
            with self.lock(slug):
                yield

    def _reference_faults(self, slug: str, charger: Charger | None) -> list[Fault]:
        raw = self._raw(slug)
        toml = parse(raw.index_name, raw.index_text())
        shapes, instruments = self.shapes, self.instruments
        faults = []
        for place, entry in enumerate(raw.entries()):
            if entry.shape and entry.shape not in shapes:
                remedy = _near(entry.shape, list(shapes), "The shapes are")
                problem = f'"{entry.shape}" is not in shapes.toml.'
                faults.append(toml.fault(("file", place, "shape"), problem, remedy))
            for key, instrument in entry.instruments.items():
                if instrument not in instruments:
                    remedy = _near(instrument, list(instruments), "The instruments are")
                    problem = f'"{instrument}" is not in bench.toml.'
                    faults.append(toml.fault(("file", place, "instruments", key), problem, remedy))
            if charger is not None:
                ids = [port.id for port in charger.ports]
                for key in ("port", "ports"):
                    named = str(entry.conditions.get(key, ""))
                    for port in filter(None, (part.strip() for part in named.split("+"))):
                        if port not in ids:
                            remedy = _near(port, ids, "The ports are")
                            problem = f'"{port}" is not a port of the charger.'
                            faults.append(toml.fault(("file", place, "conditions", key), problem, remedy))
        return faults


def _near(word: str, known: Sequence[str], label: str) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f'Did you mean "{near[0]}"?' if near else f"{label}: {', '.join(known) or 'none yet'}."


@functools.lru_cache(maxsize=256)
def read_charger(file: str, text: str) -> Charger:
    """The text of a charger.toml; raises `BookError` with all its faults."""
    return load(Charger, parse(file, text), {"date": day})


@functools.lru_cache(maxsize=64)
def _read_shapes(file: str, text: str) -> tuple[Shape, ...]:
    toml = parse(file, text)
    shapes = load(_Shapes, toml).shape
    ids = [shape.id for shape in shapes]
    twice = [(place, name) for place, name in enumerate(ids) if ids.index(name) < place]
    if twice:
        remedy = "Give one of them another id."
        raise BookError(*(toml.fault(("shape", k, "id"), f'"{i}" is used twice.', remedy) for k, i in twice))
    return shapes
