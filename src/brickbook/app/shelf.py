"""The shelf: every charger of the book with its key figures and its state."""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import RedirectResponse, Response

from brickbook.app.desk import Desk, Sent, book_of, desk_of, render, say
from brickbook.app.states import RunWord, run_word
from brickbook.book import Book
from brickbook.core.errors import BookError
from brickbook.core.figure import Figure
from brickbook.core.page import Cell
from brickbook.library.catalogue import FOLDER, open_catalogue, refresh_catalogue
from brickbook.library.overview import COLUMNS, Freshness, Line, Result, overview
from brickbook.publish.facts import facts
from brickbook.publish.judgements import DECISIONS

__all__ = ["STATES", "Row", "router", "rows_of"]

router = APIRouter()
STATES = ("on the bench", "run waits", "run broken off", "claims to fill in", "not measured", "planned", "analysed",
          "stale", "published")  # fmt: skip
_PAGE = 50
_BUDGET = 20  # results read through on one look, to tell whether they are stale


@dataclass(frozen=True, slots=True)
class Row:
    """A charger on the shelf.

    Parameters
    ----------
    slug, name, about
        Its folder, and what it is.
    cells
        For each of `COLUMNS`.
    decisions
        How many findings of each decision.
    states
        Of `STATES`.
    """

    slug: str
    name: str
    about: str
    cells: tuple[Cell, ...]
    decisions: Mapping[str, int]
    states: tuple[str, ...]


@dataclass
class _Kept:
    """What is kept from look to look."""

    freshness: Freshness
    stamp: object = None
    lines: Mapping[str, Line] = field(default_factory=dict)
    names: dict[str, tuple[object, tuple[str, str, bool]]] = field(default_factory=dict)
    markup: dict[Any, Markup] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


@router.get("/")
def shelf(request: Request) -> Response:
    """The shelf: sorted, filtered, in pages of fifty; all by the address, so that it works without a script."""
    desk, query = desk_of(request), request.query_params
    rows = rows_of(desk, book_of(request))
    words, state, sort = query.get("words", "").strip()[:200], query.get("state", ""), query.get("sort", "name")
    down = query.get("down", "") == "1"
    shown = _sorted([r for r in rows if _fits(r, words, state)], sort, down=down)
    pages = max(1, -(-len(shown) // _PAGE))
    page = min(max(_whole(query.get("page", "1")), 1), pages)
    kept = {key: value for key, value in (("words", words), ("state", state)) if value}
    order = {"sort": sort, **({"down": "1"} if down else {})} if sort != "name" or down else {}
    heads = [
        (title, "?" + urlencode({**kept, "sort": key, **({"down": "1"} if key == sort and not down else {})}),
         ("descending" if down else "ascending") if key == sort else "", key not in ("name", "state"))
        for key, title in (("name", "Charger"), ("state", "State"), *((str(k), c) for k, c in enumerate(COLUMNS)))
    ]  # fmt: skip
    return render(
        request,
        "shelf.html.j2",
        rows=_drawn(desk, shown[(page - 1) * _PAGE : page * _PAGE]),
        heads=heads,
        total=len(rows),
        found=len(shown),
        words=words,
        state=state,
        states=STATES,
        order=order,
        page=page,
        pages=pages,
        turn=lambda number: "?" + urlencode({**kept, **order, "page": number}),
    )


@router.get("/new")
def new_page(request: Request) -> Response:
    """The form of a new charger."""
    return render(request, "new.html.j2", given={}, faults=())


@router.post("/new")
def new(request: Request, form: Sent) -> Response:
    """Begin a charger."""
    book = book_of(request)
    given = {name: form.get(name, "").strip() for name in ("slug", "name", "maker", "model")}
    try:
        book.new_charger(given["slug"], name=given["name"], maker=given["maker"], model=given["model"])
    except BookError as error:
        return render(request, "new.html.j2", 422, given=given, faults=error.faults)
    return RedirectResponse(say(f"/chargers/{given['slug']}/claims", "made"), 303)


def rows_of(desk: Desk, book: Book) -> list[Row]:
    """All chargers of the book in its order."""
    kept = _kept(desk, book)
    with kept.lock:
        refresh_catalogue(book)
        stamp = _stamp(book.derived() / FOLDER / "made.json")
        if stamp != kept.stamp:
            with open_catalogue([book], refresh=False) as catalogue:
                kept.lines = overview(catalogue)
            kept.stamp = stamp
            kept.markup.clear()
        kept.freshness.budget = _BUDGET
        return [_row(book, kept, slug) for slug in book.chargers()]


def _kept(desk: Desk, book: Book) -> _Kept:
    found = desk.caches.setdefault("shelf", _Kept(Freshness(book)))
    assert isinstance(found, _Kept)
    return found


def _row(book: Book, kept: _Kept, slug: str) -> Row:
    folder = book.root / "chargers" / slug
    line = kept.lines.get(slug)
    result: Result = kept.freshness.of(slug) if line is not None else "none"
    name, about, wrong = _name(book, kept, slug)
    run = run_word(folder)
    published = (book.derived() / "report" / f"{slug}.html").is_file()
    states = _states(run, result, wrong=wrong, published=published, planned=(folder / "plan.toml").is_file())
    if line is None:
        return Row(slug, name, about, (None,) * len(COLUMNS), {}, states)
    return Row(slug, name, about, line.cells, line.decisions, states)


def _states(run: RunWord, result: Result, *, wrong: bool, published: bool, planned: bool) -> tuple[str, ...]:
    found: list[str] = [run] if run else []
    if wrong:
        found.append("claims to fill in")
    elif result == "none":
        found.append("planned" if planned else "not measured")
    if result != "none":
        found.append("analysed")
    if result == "stale":
        found.append("stale")
    if published:
        found.append("published")
    return tuple(found)


def _name(book: Book, kept: _Kept, slug: str) -> tuple[str, str, bool]:
    """Name, what it is, and whether its charger.toml has faults; read again when the file changes."""
    stamp = _stamp(book.root / "chargers" / slug / "charger.toml")
    known = kept.names.get(slug)
    if known is not None and known[0] == stamp:
        return known[1]
    try:
        charger = book.charger(slug)
        found = (charger.name, facts(charger), False)
    except BookError:
        found = (slug, "", True)
    kept.names[slug] = (stamp, found)
    return found


def _stamp(path: Any) -> object:
    try:
        found = os.stat(path)  # noqa: PTH116 - thousands of them
    except OSError:
        return None
    return (found.st_mtime_ns, found.st_size, found.st_ino)


def _fits(row: Row, words: str, state: str) -> bool:
    text = f"{row.slug} {row.name} {row.about}".casefold()
    return all(word in text for word in words.casefold().split()) and (not state or state in row.states)


def _sorted(rows: Sequence[Row], sort: str, *, down: bool) -> list[Row]:
    """By a column; chargers without that figure stay last either way."""
    if sort == "state":
        return sorted(rows, key=lambda r: (min((STATES.index(s) for s in r.states), default=99), r.slug), reverse=down)
    column = _whole(sort) if sort.isdigit() else -1
    if not 0 <= column < len(COLUMNS):
        return sorted(rows, key=lambda r: (r.name.casefold(), r.slug), reverse=down)
    known = [(cell.value, r) for r in rows if isinstance(cell := r.cells[column], Figure)]
    known.sort(key=lambda pair: (pair[0], pair[1].slug), reverse=down)
    return [r for _, r in known] + [r for r in rows if not isinstance(r.cells[column], Figure)]


def _drawn(desk: Desk, rows: Sequence[Row]) -> list[Markup]:
    """Rows as HTML. Rounding a figure takes time, so a row that has not changed is not made again."""
    kept = desk.caches["shelf"]
    macro = desk.environment.get_template("shelf_row.html.j2").module.row  # type: ignore[attr-defined]
    drawn = []
    for row in rows:
        key = (row.slug, row.name, row.about, row.states)
        if key not in kept.markup:
            kept.markup[key] = macro(row, COLUMNS, DECISIONS, f"/chargers/{quote(row.slug, safe='')}")
        drawn.append(kept.markup[key])
    return drawn


def _whole(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 9 else 0
