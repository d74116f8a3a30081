"""What the verbs share: finding the book, printing, progress, conditions typed by a person."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, TypeVar

from cyclopts import Parameter
from rich.console import Console

from brickbook.book import Book, RemoteBook, remote_url
from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError, Fault

__all__ = [
    "BookOption",
    "ClusterOption",
    "JsonOption",
    "console",
    "open_book",
    "open_to_read",
    "parse_pairs",
    "print_json",
    "progress",
    "wanted",
    "working_on",
]

_T = TypeVar("_T")
BookOption = Annotated[
    Path,
    Parameter(name=["--book", "-b"], help="Folder of the book, or URL of a finished one.", env_var="BRICKBOOK_BOOK"),
]
ClusterOption = Annotated[
    str, Parameter(name="--cluster", help="Work on a Dask cluster: its address, or local:N for N workers here.")
]
JsonOption = Annotated[bool, Parameter(name="--json", negative="", help="Print JSON.")]


def console() -> Console:
    """Where people read; plain text where it is not a terminal."""
    return Console(highlight=False, soft_wrap=not sys.stdout.isatty())


def open_book(path: Path) -> Book:
    """The book, or an error that says how to begin one; one at a URL is refused, as what is written would be lost."""
    url = remote_url(path)
    if url:
        problem = "is a book far away: only analyse, publish, show, compare and choose work on one."
        raise BookError(Fault(url, "", problem, "Work on the local book, and push it: brickbook publish --push URL"))
    return Book.open(path)


def open_to_read(path: Path) -> Book:
    """The book; of one at a URL the copy here, without its raw files."""
    url = remote_url(path)
    return RemoteBook(url).checkout() if url else Book.open(path)


@contextmanager
def working_on(path: Path, slugs: Sequence[str]) -> Iterator[Book]:
    """The book for work that needs raw files, of all chargers where none is named; results go back to a URL."""
    url = remote_url(path)
    if not url:
        yield Book.open(path)
        return
    far = RemoteBook(url)
    book = far.checkout()
    book = far.checkout(raw_of=wanted(book, slugs))
    yield book
    sent = far.give_back()
    sys.stderr.write(f"{sent} files sent to {url}\n")


def wanted(book: Book, slugs: Sequence[str]) -> tuple[str, ...]:
    """The chargers named, or all of them; an unknown name is an error."""
    known = book.chargers()
    for slug in slugs:
        if slug not in known:
            listed = ", ".join(known) or "none"
            raise BookError(Fault(f"chargers/{slug}", "", "there is no such charger.", f"The book has: {listed}."))
    return tuple(slugs) or known


def print_json(value: Any) -> None:
    """JSON on standard output, for other programs."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n")


def progress(items: Iterable[_T], total: int, words: str, name: Callable[[_T], str]) -> Iterator[_T]:
    """The items as they come: a moving bar on a terminal, one plain line each in a pipe; on standard error."""
    if not sys.stderr.isatty():
        for count, item in enumerate(items, 1):
            sys.stderr.write(f"{words} {count}/{total}: {name(item)}\n")
            yield item
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn  # noqa: PLC0415

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=total)
        for item in items:
            yield item
            bar.update(task, advance=1, description=f"{words}: {name(item)}")


def parse_pairs(pairs: Iterable[str], option: str) -> dict[str, Scalar]:
    """Texts like key=value as a mapping; numbers and true/false are recognised."""
    parsed: dict[str, Scalar] = {}
    for pair in pairs:
        key, equals, text = pair.partition("=")
        if not equals or not key.strip():
            raise BookError(Fault(option, pair, "is not written key=value.", f"For example {option} mains_v=230"))
        parsed[key.strip()] = _scalar(text.strip())
    return parsed


def _scalar(text: str) -> Scalar:
    if text in ("true", "false"):
        return text == "true"
    try:
        return int(text)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text
