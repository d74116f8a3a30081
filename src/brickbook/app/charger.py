"""One charger: where it stands, what its maker claims, its figures and their origin, the tester's words, its report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, cast
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from brickbook.analysis import Stored, is_current, load
from brickbook.app.desk import Sent, book_of, charger_book, desk_of, inside, render, say
from brickbook.app.forms import add_item, data_of, fault_key, form_of
from brickbook.app.states import run_word
from brickbook.book import Book, IndexEntry
from brickbook.book.editing import (
    ChangedError,
    Seen,
    charger_faults,
    charger_seen,
    save_charger,
    save_words,
    toml_data,
    words_seen,
)
from brickbook.book.words import WORDS
from brickbook.core.charger import Charger
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure, Finding
from brickbook.publish.facts import budget_rows, facts
from brickbook.publish.judgements import DECISIONS
from brickbook.publish.ledger import Ledger, anchor
from brickbook.publish.markdown import markdown_html
from brickbook.publish.numbers import limit_text
from brickbook.publish.site import site_folder
from brickbook.studies import STUDIES

__all__ = ["frame", "router"]

router = APIRouter()
_RAW_LINES = 200
_RAW_LINE_LENGTH = 400
_WORDS_BYTES = 400_000
_REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)


def frame(request: Request, book: Book, slug: str) -> dict[str, Any]:
    """What every page of a charger shows around its own part."""
    faults: tuple[Fault, ...] = ()
    charger: Charger | None = None
    try:
        charger = book.charger(slug)
    except BookError as error:
        faults = error.faults
    job = next(iter(desk_of(request).jobs.of(slug)), None)
    return {
        "slug": slug,
        "home": f"/chargers/{quote(slug, safe='')}",
        "charger": charger,
        "name": charger.name if charger is not None else slug,
        "about": facts(charger) if charger is not None else "",
        "charger_faults": faults,
        "job": job,
        "run": run_word(book.root / "chargers" / slug),
    }


@router.get("/chargers/{slug}")
def overview(request: Request, slug: str) -> Response:
    """Where a charger stands, what is next, and its key figures."""
    book = charger_book(request, slug)
    around = frame(request, book, slug)
    stored = _stored(book, slug)
    current = stored is not None and is_current(book, slug)
    entries = _entries(book, slug)
    published = (site_folder(book) / f"{slug}.html").is_file()
    drafted = (site_folder(book, draft=True) / f"{slug}.html").is_file()
    counts = {d: sum(f.decision == d for f in stored.findings) for d in DECISIONS} if stored is not None else {}
    return render(
        request,
        "charger.html.j2",
        **around,
        part="overview",
        stored=stored,
        current=current,
        files=len(entries) if isinstance(entries, tuple) else None,
        planned=(book.root / "chargers" / slug / "plan.toml").is_file(),
        published=published,
        drafted=drafted,
        key=_key_figures(stored) if stored is not None else (),
        ledger=_ledger(stored, entries) if stored is not None else None,
        by_figure=_by_figure(stored.findings) if stored is not None else {},
        counts=counts,
        warnings=[n for n in stored.notes if n.severity == "warning"] if stored is not None else [],
    )


@router.post("/chargers/{slug}/analyse")
def analyse(request: Request, slug: str, form: Sent) -> Response:
    """Make figures and findings anew, as `brickbook analyse` does."""
    charger_book(request, slug)
    desk_of(request).jobs.start("analyse", slug, ["--force"] if form.get("force") else [])
    return RedirectResponse(f"/chargers/{quote(slug, safe='')}", 303)


@router.post("/chargers/{slug}/publish")
def publish(request: Request, slug: str, form: Sent) -> Response:
    """Write the report, as `brickbook publish` does; a draft publishes nothing."""
    charger_book(request, slug)
    why = form.get("why", "").strip()[:2000]
    options = ["--draft"] if form.get("do") == "draft" else [f"--why={why}"] if why else []
    desk_of(request).jobs.start("publish", slug, options)
    return RedirectResponse(f"/chargers/{quote(slug, safe='')}", 303)


@router.get("/jobs/{number}")
def job(request: Request, number: int) -> Response:
    """How a job stands."""
    found = desk_of(request).jobs.get(number)
    if found is None:
        raise HTTPException(404, "There is no such job.")
    return JSONResponse({"state": found.state, "line": found.lines[-1] if found.lines else ""})


# Claims


@router.get("/chargers/{slug}/claims")
def claims_page(request: Request, slug: str) -> Response:
    """The form of charger.toml."""
    book = charger_book(request, slug)
    seen = charger_seen(book, slug)
    return _claims(request, book, slug, seen, toml_data(seen))


@router.post("/chargers/{slug}/claims")
def claims(request: Request, slug: str, form: Sent) -> Response:
    """Save the form, or grow and shrink its lists without saving."""
    book = charger_book(request, slug)
    seen = charger_seen(book, slug)
    data = data_of(Charger, form, toml_data(seen))
    action, _, key = form.get("do", "save").partition(":")
    if action in ("add", "remove"):
        changed = add_item(data, key, remove=action == "remove")
        return _claims(request, book, slug, seen, changed, digest=form.get("seen", ""), unsaved=True)
    try:
        save_charger(book, slug, data, seen=form.get("seen", ""))
    except ChangedError as error:
        return _claims(request, book, slug, error.now, data, faults=error.faults, unsaved=True, theirs=error.now.text,
                       status=409)  # fmt: skip
    except BookError as error:
        return _claims(request, book, slug, seen, data, faults=error.faults, digest=form.get("seen", ""), unsaved=True,
                       status=422)  # fmt: skip
    return RedirectResponse(say(request.url.path, "saved"), 303)


@router.post("/chargers/{slug}/claims/check")
def check_claims(request: Request, slug: str, form: Sent) -> Response:
    """What would be wrong with the form, by field; nothing is written."""
    book = charger_book(request, slug)
    seen = charger_seen(book, slug)
    faults = charger_faults(seen, data_of(Charger, form, toml_data(seen)))
    return JSONResponse({"faults": [{"key": fault_key(f), "words": f"{f.problem} {f.remedy}".strip()} for f in faults]})


def _claims(
    request: Request,
    book: Book,
    slug: str,
    seen: Seen,
    data: Mapping[str, Any],
    *,
    faults: Sequence[Fault] = (),
    digest: str = "",
    unsaved: bool = False,
    theirs: str = "",
    status: int = 200,
) -> Response:
    if not faults and not unsaved:
        faults = charger_faults(seen, data)
    return render(
        request,
        "claims.html.j2",
        status,
        **frame(request, book, slug),
        part="claims",
        parts=form_of(Charger, data, hints=WORDS, faults=faults),
        seen=digest or seen.digest,
        faults=[(fault_key(f), f) for f in faults],
        unsaved=unsaved,
        theirs=theirs,
    )


# Figures


@router.get("/chargers/{slug}/figures")
def figures(request: Request, slug: str) -> Response:
    """Every figure with its origin, and every finding."""
    book = charger_book(request, slug)
    around = frame(request, book, slug)
    stored = _stored(book, slug)
    if stored is None:
        return render(request, "figures.html.j2", **around, part="figures", stored=None)
    ledger = _ledger(stored, _entries(book, slug))
    order = {d: k for k, d in enumerate(DECISIONS)}
    return render(
        request,
        "figures.html.j2",
        **around,
        part="figures",
        stored=stored,
        current=is_current(book, slug),
        ledger=ledger,
        provenance=ledger.provenance({s.id: s.title for s in STUDIES}),
        findings=sorted(stored.findings, key=lambda f: (order[f.decision], f.title)),
        limit_text=limit_text,
        notes=stored.notes,
    )


@router.get("/chargers/{slug}/figures/{mark}")
def figure(request: Request, slug: str, mark: str) -> Response:
    """One figure: value, interval, budget, findings, and the rows of the raw files behind it."""
    book = charger_book(request, slug)
    stored = _stored(book, slug)
    found = next((f for f in stored.figures if anchor(f.key) == mark), None) if stored is not None else None
    if stored is None or found is None:
        raise HTTPException(404, "There is no such figure; it may have been made anew under other conditions.")
    return render(
        request,
        "figure.html.j2",
        **frame(request, book, slug),
        part="figures",
        figure=found,
        ledger=_ledger(stored, _entries(book, slug)),
        budget=budget_rows(found),
        findings=[f for f in stored.findings if f.figure == found.key],
        limit_text=limit_text,
        mark=mark,
    )


@router.get("/chargers/{slug}/raw/{path:path}")
def raw(request: Request, slug: str, path: str) -> Response:
    """Lines of a raw file as it came, its SHA-256 checked."""
    book = charger_book(request, slug)
    entry = next((e for e in book.index(slug) if e.path == path), None)
    if entry is None:
        raise HTTPException(404, "No raw file of this charger has this name.")
    real = inside(book, book.raw_path(slug, entry))
    if request.query_params.get("whole") == "1":
        return FileResponse(
            real,
            media_type="application/octet-stream",
            filename=path.rpartition("/")[2],
            headers={"content-security-policy": "default-src 'none'; sandbox"},
        )
    first = max(1, _whole(request.query_params.get("first", "1")) - 2)
    last = _whole(request.query_params.get("last", "0"))
    lines: list[tuple[int, str]] = []
    more = False
    with real.open("rb") as file:
        for number, line in enumerate(iter(lambda: file.readline(65_536), b""), 1):
            if number < first:
                continue
            if len(lines) >= _RAW_LINES:
                more = True
                break
            lines.append((number, line[:_RAW_LINE_LENGTH].decode("utf-8", "replace").rstrip("\r\n")))
    return render(
        request,
        "raw.html.j2",
        **frame(request, book, slug),
        part="files",
        entry=entry,
        lines=lines,
        marked=range(first + 2 if first > 1 else 1, last + 1),
        first=first,
        more=more,
        step=_RAW_LINES,
    )


# Words


@router.get("/chargers/{slug}/words")
def words_page(request: Request, slug: str) -> Response:
    """The tester's notes and conclusion."""
    return _words(request, charger_book(request, slug), slug)


@router.post("/chargers/{slug}/words")
def words(request: Request, slug: str, form: Sent) -> Response:
    """Save notes or conclusion, unless somebody else has changed them meanwhile."""
    book = charger_book(request, slug)
    which = form.get("which", "")
    if which not in ("notes", "verdict"):
        raise HTTPException(400, "The form says neither notes nor conclusion.")
    kind = cast("Literal['notes', 'verdict']", which)
    text = form.get("text", "").replace("\r\n", "\n")
    if len(text.encode("utf-8", "replace")) > _WORDS_BYTES:
        raise HTTPException(413, "The text is too long.")
    if text and not text.endswith("\n"):
        text += "\n"
    try:
        save_words(book, slug, kind, text, seen=form.get("seen", ""))
    except ChangedError as error:
        return _words(request, book, slug, kind=which, mine=text, theirs=error.now, status=409)
    return RedirectResponse(say(request.url.path, "saved"), 303)


def _words(
    request: Request,
    book: Book,
    slug: str,
    *,
    kind: str = "",
    mine: str = "",
    theirs: Seen | None = None,
    status: int = 200,
) -> Response:
    boxes = []
    for which, title, hint in (
        ("verdict", "Conclusion", "What a reader should take away. It stands first in the report."),
        ("notes", "Notes", "What you saw and did. They stand in the report under your name."),
    ):
        seen = words_seen(book, slug, cast("Literal['notes', 'verdict']", which))
        conflict = which == kind and theirs is not None
        text = mine if conflict else seen.text
        boxes.append((which, title, hint, text, seen.digest, seen.text if conflict else "", markdown_html(seen.text)))
    return render(request, "words.html.j2", status, **frame(request, book, slug), part="words", boxes=boxes)


# The report


@router.get("/report/{path:path}")
def report(request: Request, path: str) -> Response:
    """A page of the published site."""
    return _page(request, path, draft=False)


@router.get("/draft/{path:path}")
def draft(request: Request, path: str) -> Response:
    """A page of the draft."""
    return _page(request, path, draft=True)


def _page(request: Request, path: str, *, draft: bool) -> Response:
    book = book_of(request)
    folder = site_folder(book, draft=draft)
    parts = (path or "index.html").split("/")
    if any(part in ("", ".", "..") or part.startswith(".") or "\\" in part or "\0" in part for part in parts):
        raise HTTPException(404, "There is no such page.")
    target = inside(book, folder.joinpath(*parts))
    if not target.is_relative_to(folder.resolve()) or not target.is_file():
        raise HTTPException(404, "There is no such page. Publish the charger first.")
    return FileResponse(target, headers={"content-security-policy": _REPORT_POLICY})


# Within


def _stored(book: Book, slug: str) -> Stored | None:
    try:
        return load(book, slug)
    except BookError:
        return None


def _entries(book: Book, slug: str) -> tuple[IndexEntry, ...]:
    try:
        return book.index(slug)
    except BookError:
        return ()


def _ledger(stored: Stored, entries: Sequence[IndexEntry]) -> Ledger:
    words_of = {f"{s.id}/{name}": text for s in STUDIES for name, text in s.figure_names.items()}
    return Ledger.of(stored.figures, ((e.path, e.sha256) for e in entries), words_of)


def _key_figures(stored: Stored) -> list[tuple[str, Figure]]:
    found = []
    for study in STUDIES:
        mine = [f for f in stored.figures if f.study == study.id]
        found += [(h.title, picked) for h in study.headlines if (picked := h.pick(mine)) is not None]
    return found


def _by_figure(findings: Sequence[Finding]) -> dict[str, list[Finding]]:
    found: dict[str, list[Finding]] = {}
    for finding in findings:
        found.setdefault(finding.figure, []).append(finding)
    return found


def _whole(text: str) -> int:
    return int(text) if text.isdecimal() and len(text) < 10 else 0
