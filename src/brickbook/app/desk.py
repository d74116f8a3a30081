"""What all pages share: the book, the work under way, and how a page is made."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import parse_qsl, quote

from fastapi import Depends, HTTPException, Request
from jinja2 import ChoiceLoader, Environment, PackageLoader
from starlette.responses import HTMLResponse

from brickbook import __version__
from brickbook.app.drawing import Easel
from brickbook.app.guard import FORM_BYTES, Door, TooLargeError
from brickbook.app.jobs import Jobs
from brickbook.app.live import Watches
from brickbook.book import Book, slug_problem
from brickbook.core.errors import BookError, Fault
from brickbook.publish.pages import environment

__all__ = ["Desk", "Form", "Sent", "book_of", "charger_book", "desk_of", "read_form", "render", "say"]

UPLOAD_BYTES = 512_000_000
_MOST_FIELDS = 5000


@dataclass
class Desk:
    """One running app.

    Parameters
    ----------
    root
        The book's folder.
    door
        Who may come in.
    upload_bytes
        Largest file that is taken in.
    """

    root: Path
    door: Door
    upload_bytes: int = UPLOAD_BYTES
    jobs: Jobs = field(init=False)
    watches: Watches = field(default_factory=Watches)
    easel: Easel = field(default_factory=Easel)
    caches: dict[str, Any] = field(default_factory=dict)
    stopping: bool = False

    def __post_init__(self) -> None:
        self.jobs = Jobs(self.root)

    @functools.cached_property
    def environment(self) -> Environment:
        """The report's own templates and macros, and the app's; charts are drawn in another process."""
        made = environment().overlay(
            loader=ChoiceLoader([PackageLoader("brickbook.app"), PackageLoader("brickbook.publish")])
        )
        made.globals = {
            **made.globals,
            "drawings": self.easel.drawings,
            "quoted": lambda text: quote(str(text), safe=""),
            "software": f"Brickbook {__version__}",
        }
        return made


class Form(dict[str, str]):
    """What a form sent: name to the last value of that name; `all_of` gives every value."""

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        super().__init__(pairs)
        self._pairs = pairs

    def all_of(self, name: str) -> list[str]:
        """Every value sent under a name, in order."""
        return [value for key, value in self._pairs if key == name]


def desk_of(request: Request) -> Desk:
    """The app a request came to."""
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    return desk


def book_of(request: Request) -> Book:
    """The book, its top files checked."""
    return Book.open(desk_of(request).root)


def charger_book(request: Request, slug: str) -> Book:
    """The book, once it is known that the charger is in it and nothing of it leads out of the book.

    Raises
    ------
    HTTPException
        404 for an unknown charger.
    BookError
        When its folder or one of its files is a link that leads out of the book.
    """
    book = book_of(request)
    folder = book.root / "chargers" / slug
    if slug_problem(slug) or not folder.is_dir():
        raise HTTPException(404, f"There is no charger “{slug}” in this book.")
    for path in (
        folder,
        *(folder / name for name in _OWN),
        book.derived(slug),
        book.derived() / "report",
        book.derived() / "_uploads",
    ):
        inside(book, path)
    return book


_OWN = ("charger.toml", "plan.toml", "notes.md", "verdict.md", "raw", "raw/index.toml", "runs")


def inside(book: Book, path: Path) -> Path:
    """The real path of a file of the book; raises `BookError` when a link leads out of it."""
    real = path.resolve()
    if not real.is_relative_to(book.root.resolve()):
        name = path.relative_to(book.root).as_posix()
        raise BookError(Fault(name, "", "is a link that leads out of the book.", "Put the file itself there."))
    return real


async def read_form(request: Request) -> Form:
    """The form of a request, as a browser sends it without files; bounded."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, "A form was expected.")
    if int(request.headers.get("content-length") or 0) > FORM_BYTES:
        raise TooLargeError
    body = await request.body()
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict")
    except ValueError as error:
        raise HTTPException(400, "The form could not be read.") from error
    return Form(pairs)


Sent = Annotated[Form, Depends(read_form)]
"""The form of a request, as a parameter of a page."""


def render(request: Request, template: str, /, http_status: int = 200, **more: Any) -> HTMLResponse:
    """A page of the app."""
    desk = desk_of(request)
    context: dict[str, Any] = {"path": request.url.path, "done_words": _said(request), **_book_words(desk), **more}
    text = desk.environment.get_template(template).render(context)
    return HTMLResponse(text, status_code=http_status)


def say(address: str, words: str) -> str:
    """An address with the key of one of the app's own sentences, shown at the top of the page it leads to."""
    return f"{address}?done={words}"


_SENTENCES = {
    "saved": "Saved.",
    "unchanged": "Nothing was changed.",
    "taken": "The file was taken in.",
    "discarded": "The file was put away; nothing was taken in.",
    "made": "The charger was begun.",
    "planned": "The plan was made.",
    "asked": "The bench was told.",
}


def _said(request: Request) -> str:
    return _SENTENCES.get(request.query_params.get("done", ""), "")


def _book_words(desk: Desk) -> Mapping[str, str]:
    try:
        settings = Book(desk.root).settings
    except BookError:
        return {"book_title": "Brickbook", "publisher": ""}
    return {"book_title": settings.title, "publisher": settings.publisher}
