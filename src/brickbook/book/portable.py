"""What of a book's own files goes with a charger that is given away, and how such files come into another book.

Figures depend on the instruments, shapes, house rules and settings of a book. Those a charger uses are written anew,
so that nothing else of the bench leaves the house: addresses and channels of instruments stay at home, and so do
instruments and shapes that no raw file of the charger uses.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import tomlkit

from brickbook.book._files import os_fault, read_text, write_atomic
from brickbook.book._lock import hold
from brickbook.book._templates import book_text, ignore_text
from brickbook.book._write import table_text, with_value
from brickbook.book.book import Book, slug_problem
from brickbook.book.settings import PublishSettings, read_bench
from brickbook.core.errors import BookError, Fault
from brickbook.core.instrument import Instrument
from brickbook.core.shape import Shape

__all__ = [
    "Adopted",
    "adopt",
    "anonymous",
    "portable_files",
    "remove_staged",
    "staging_folder",
    "used_instruments",
]

_HOME = ("address", "dialect", "channels", "description")  # may differ without any figure changing
_BENCH = "# The instruments that the raw files name. Their addresses are not given away.\n"
_SHAPES = "# How the columns of the logs are understood.\n"
_NOT_FIGURES = frozenset(("title", "publisher", "licence", "publish"))  # keys of book.toml
_TEXTS = ("charger.toml", "plan.toml", "notes.md", "verdict.md")


@dataclass(frozen=True, slots=True)
class Adopted:
    """What taking in a charger did.

    Parameters
    ----------
    slug
        Its folder's name in the book.
    instruments, shapes
        Names and ids added to the book.
    settings
        Keys of book.toml in which the two books differ: figures or findings may differ by them.
    house_rules
        Whether the tester's own rules differ: findings do then.
    """

    slug: str
    instruments: tuple[str, ...]
    shapes: tuple[str, ...]
    settings: tuple[str, ...]
    house_rules: bool


def anonymous(instrument: Instrument) -> Instrument:
    """An instrument without what concerns its own bench only."""
    return replace(instrument, address="", dialect="", channels={})


def used_instruments(book: Book, slug: str, named: Sequence[str] = ()) -> dict[str, Instrument]:
    """The instruments of bench.toml that a charger's index and shapes name, and those in `named`, by name."""
    shapes = book.shapes
    wanted = set(named)
    for entry in book.index(slug):
        wanted |= set(entry.instruments.values())
        shape = shapes.get(entry.shape)
        if shape is not None:
            wanted |= {shape.instrument, *(column.instrument for column in shape.columns)}
    known = book.instruments
    return {name: anonymous(known[name]) for name in sorted(wanted) if name in known}


def portable_files(book: Book, slug: str, instruments: Mapping[str, Instrument]) -> dict[str, bytes]:
    """Path to bytes of all files but the raw ones that make a book of one charger.

    What the tester wrote of the charger, the index and the house rules come byte for byte.

    Raises
    ------
    BookError
        When a file of the book has faults or cannot be read.
    """
    settings = replace(book.settings, publish=PublishSettings())
    shapes = book.shapes
    used = dict.fromkeys(entry.shape for entry in book.index(slug) if entry.shape in shapes)
    folder = f"chargers/{slug}"
    files = {
        "book.toml": book_text(settings).encode(),
        "bench.toml": (_BENCH + "".join(f"\n{_instrument_text(k, v)}" for k, v in instruments.items())).encode(),
        "shapes.toml": (_SHAPES + "".join(f"\n{table_text('[[shape]]', shapes[key])}" for key in used)).encode(),
    }
    rules = book.house_rules
    if rules is not None:
        files["house-rules.toml"] = rules.text.encode()
    for name in (*_TEXTS, "raw/index.toml"):
        text = read_text(book.root / folder / name, f"{folder}/{name}")
        if text is not None:
            files[f"{folder}/{name}"] = text.encode()
    return files


def adopt(root: Path, staged: Path, slug: str, *, name: str = "") -> Adopted:
    """Move a charger from a staged book into a book, or make the staged book the book where there is none.

    Nothing is half done: instruments and shapes are added first, the charger's folder is renamed into place last, and
    when that fails the files of the book are put back as they were.

    Parameters
    ----------
    root
        Folder of the book; it may be empty or not there yet.
    staged
        A book of one charger on the same disk, whole and checked. It is used up.
    slug
        The charger in the staged book.
    name
        What to call it in the book; as in the staged one by default.

    Raises
    ------
    BookError
        When the book has such a charger already, or an instrument or shape of the same name that is another one, or a
        file cannot be written.
    """
    name = name or slug
    if slug_problem(name):
        raise BookError(Fault("--as", name, slug_problem(name), 'Choose a name such as "example-65w".'))
    if name != slug:
        _rename(staged, slug, name)
    if not (root / "book.toml").exists():
        return _become(root, staged, name)
    book, source = Book.open(root), Book.open(staged)
    target = root / "chargers" / name
    if target.exists():
        remedy = "Give it another name with --as NAME, or import into another book."
        raise BookError(Fault(f"chargers/{name}", "", "is in this book already.", remedy))
    new_instruments, new_shapes = _checked(book, source)
    before = {file: read_text(root / file, file) for file in ("bench.toml", "shapes.toml")}
    try:
        _add_instruments(book, new_instruments)
        for shape in new_shapes.values():
            book.save_shape(shape)
        target.parent.mkdir(exist_ok=True)
        (staged / "chargers" / name).rename(target)
    except (BookError, OSError) as error:
        for file, text in before.items():
            if text is not None and read_text(root / file, file) != text:
                book.write(root / file, text.encode())
        if isinstance(error, OSError):
            raise BookError(os_fault(f"chargers/{name}", "written", error)) from error
        raise
    mine, theirs = book.settings, source.settings
    differ = [
        f.name for f in fields(mine) if f.name not in _NOT_FIGURES and getattr(mine, f.name) != getattr(theirs, f.name)
    ]
    own, other = book.house_rules, source.house_rules
    rules_differ = (own.text if own else "") != (other.text if other else "")
    return Adopted(name, tuple(new_instruments), tuple(new_shapes), tuple(differ), house_rules=rules_differ)


def _become(root: Path, staged: Path, slug: str) -> Adopted:
    source = Book.open(staged)
    write_atomic(staged / ".gitignore", ignore_text().encode(), name=".gitignore")
    added = Adopted(slug, tuple(source.instruments), tuple(source.shapes), settings=(), house_rules=False)
    try:
        if root.exists():
            if not root.is_dir() or any(p != staged for p in root.iterdir()):
                problem = "is not a book, and holds something already."
                raise BookError(
                    Fault(str(root), "", problem, "Name a book, or a folder that is empty or not there yet.")
                )
            for item in sorted(staged.iterdir(), key=lambda p: p.name == "book.toml"):
                item.rename(root / item.name)  # book.toml last: a folder is a book once it is there
            staged.rmdir()
        else:
            root.parent.mkdir(parents=True, exist_ok=True)
            staged.rename(root)
    except OSError as error:
        raise BookError(os_fault(str(root), "written", error)) from error
    return added


def _rename(staged: Path, slug: str, name: str) -> None:
    folder = staged / "chargers" / slug
    plan = folder / "plan.toml"
    text = read_text(plan, "plan.toml")
    if text is not None:
        write_atomic(plan, with_value("plan.toml", text, "charger", name).encode(), name="plan.toml")
    folder.rename(staged / "chargers" / name)


def _checked(book: Book, source: Book) -> tuple[dict[str, Instrument], dict[str, Shape]]:
    """Instruments and shapes to add; equal names must mean equal things."""
    known, faults = book.instruments, []
    instruments = {}
    for key, theirs in source.instruments.items():
        mine = known.get(key)
        if mine is None:
            instruments[key] = theirs
            continue
        differ = [
            f.name for f in fields(theirs) if f.name not in _HOME and getattr(mine, f.name) != getattr(theirs, f.name)
        ]
        if differ:
            problem = (
                f"the charger's readings were taken with another instrument of this name: {', '.join(differ)} differ."
            )
            remedy = (
                "Import into a book of its own (--book NEW-FOLDER), or rename yours in bench.toml and your indexes."
            )
            faults.append(Fault("bench.toml", f"instruments.{key}", problem, remedy))
    shapes = {}
    for shape in source.shapes.values():
        other = book.shapes.get(shape.id)
        if other is None:
            shapes[shape.id] = shape
        elif other != shape:
            problem = f'another shape has the id "{shape.id}": its columns were taken for something else.'
            remedy = "Import into a book of its own (--book NEW-FOLDER)."
            faults.append(Fault("shapes.toml", f"shape {shape.id}", problem, remedy))
    if faults:
        raise BookError(*faults)
    return instruments, shapes


def _add_instruments(book: Book, instruments: Mapping[str, Instrument]) -> None:
    if not instruments:
        return
    file = "bench.toml"
    with hold(book.root / ".bench.lock", name=".bench.lock"):
        text = read_text(book.root / file, file) or ""
        before = read_bench(file, text)
        end = "\r\n" if "\r\n" in text else "\n"
        gap = "" if not text or text.endswith("\n") else end
        blocks = "".join(f"\n{_instrument_text(key, one)}" for key, one in instruments.items())
        longer = f"{text}{gap}{blocks.replace(chr(10), end)}"
        try:
            right = read_bench(file, longer).instruments == {**before.instruments, **instruments}
        except BookError:
            right = False
        if not right:
            problem = "instruments cannot be added: they are not written as [instruments.NAME] tables."
            raise BookError(Fault(file, "", problem, "Write each as a table of its own, or import into a new book."))
        book.write(book.root / file, longer.encode())


def _instrument_text(name: str, instrument: Instrument) -> str:
    return table_text(f"[instruments.{tomlkit.key([name]).as_string()}]", instrument)


def remove_staged(staged: Path) -> None:
    """Delete a staged book that was not used, or what is left of one that was."""
    shutil.rmtree(staged, ignore_errors=True)


def staging_folder(root: Path) -> Path:
    """A new folder on the same disk as a book, whether or not the book is there yet.

    Raises
    ------
    BookError
        When it cannot be made.
    """
    home = root if root.is_dir() else next((p for p in root.absolute().parents if p.is_dir()), Path())
    for count in range(1000):
        staged = home / f".brickbook-import-{os.getpid()}-{count}"
        try:
            staged.mkdir()
        except FileExistsError:
            continue
        except OSError as error:
            raise BookError(os_fault(str(home), "written", error)) from error
        return staged
    raise BookError(
        Fault(str(home), "", "holds too many unfinished imports.", "Delete the folders .brickbook-import-*.")
    )
