"""Raw files: dropped in, their columns guessed and corrected over the trace, taken in."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote

import numpy as np
from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from brickbook.analysis import Intake, Wishes, check_wishes, look_at, plateaus_in, read_as, shape_for
from brickbook.app.charger import frame
from brickbook.app.desk import Form, Sent, charger_book, desk_of, render, say
from brickbook.app.forms import pairs_text, scalar_of
from brickbook.app.guard import STREAMS
from brickbook.app.staging import Staged, discard, receive, staged, staged_files, write_said
from brickbook.book import Book
from brickbook.core.charger import Charger
from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError, BrickbookError, Fault
from brickbook.core.page import Axis, Band, Chart, Series
from brickbook.core.quantities import QUANTITIES, quantity_of
from brickbook.core.shape import Shape
from brickbook.core.table import Table
from brickbook.plateaus import Plateau
from brickbook.readers import READERS, Guess
from brickbook.studies import STUDIES

__all__ = ["router"]

router = APIRouter()
_CONDITIONS = (
    ("mains_v", "Mains voltage [V]", "230"),
    ("mains_hz", "Mains frequency [Hz]", "50"),
    ("ports", "Loaded ports", "C1, or C1+C2"),
    ("port", "Port", "C1, where the readings are of one port"),
    ("contract", "Contract", "20 V"),
    ("measured_at", "Measured at", "receptacle, or cable end"),
    ("situation", "Situation", "bare, cable, adapter: for standby"),
    ("ambient_c", "Ambient [°C]", "23"),
)
_READER_WORDS = {
    "meter-log": "log of a meter (CSV and the like)",
    "hand-sheet": "sheet written by hand",
    "observations": "observations of what ports offer",
    "message-log": "USB PD messages",
    "port-events": "plug events",
}
_PLACES = ("case", "body", "ambient", "hottest", "prongs")
_HARMONICS = tuple(str(n) for n in range(1, 14))
_SERIES = 6
_NOTHING_SAID: Mapping[str, Any] = {
    "reader": "", "name": "", "recording": "", "taken": "", "note": "", "show": "", "more": "", "studies": (),
    "conditions": {}, "instruments": {}, "columns": (),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Column:
    """A header of a file with what it is taken for."""

    number: int
    header: str
    column: str
    unit: str
    sure: str
    why: str
    is_time: bool
    example: str


@dataclass(frozen=True, slots=True)
class _Found:
    """How a file's columns are understood, whether or not it can be read so."""

    shape: Shape | None
    known: bool
    guess: Guess | None

    @classmethod
    def of(cls, book: Book, content: bytes, name: str, wishes: Wishes) -> _Found:
        """By the book's shapes, or guessed and corrected; raises `ReadError`."""
        return cls(*shape_for(book, content, name, wishes))


@router.get("/chargers/{slug}/files")
def files(request: Request, slug: str) -> Response:
    """The raw files of a charger, those that wait, and a place to drop more."""
    book = charger_book(request, slug)
    faults: tuple[Fault, ...] = ()
    entries: Sequence[Any] = ()
    try:
        entries = book.index(slug)
    except BookError as error:
        faults = error.faults
    return render(
        request,
        "files.html.j2",
        **frame(request, book, slug),
        part="files",
        entries=entries,
        faults=faults,
        waiting=staged_files(book, slug),
        most=desk_of(request).upload_bytes,
        titles={s.id: s.title for s in STUDIES},
    )


@router.put("/chargers/{slug}/files")
async def upload(request: Request, slug: str) -> Response:
    """A file as it comes from the browser; its name stands in the address."""
    book = charger_book(request, slug)
    request.scope[STREAMS] = True  # counted below, by a larger bound
    length = request.headers.get("content-length", "")
    try:
        one = await receive(
            book,
            slug,
            request.query_params.get("name", ""),
            request.stream(),
            announced=int(length) if length.isdecimal() else None,
            most=desk_of(request).upload_bytes,
        )
    except BrickbookError as error:
        return JSONResponse({"faults": [str(f) for f in error.faults]}, 413, headers={"connection": "close"})
    return JSONResponse({"id": one.id, "href": f"/chargers/{quote(slug, safe='')}/files/new/{one.id}"}, 201)


@router.get("/chargers/{slug}/files/new/{number}")
def mapping_page(request: Request, slug: str, number: str) -> Response:
    """What a file that waits seems to be, over its trace."""
    book = charger_book(request, slug)
    return _mapping(request, book, slug, staged(book, slug, number))


@router.post("/chargers/{slug}/files/new/{number}")
def mapping(request: Request, slug: str, number: str, form: Sent) -> Response:
    """Look again with what was said, take the file in, or put it away."""
    book = charger_book(request, slug)
    one = staged(book, slug, number)
    home = f"/chargers/{quote(slug, safe='')}/files"
    if form.get("do") == "discard":
        discard(one)
        return RedirectResponse(say(home, "discarded"), 303)
    said = _said(form, one.said)
    write_said(book, one, said)
    one = staged(book, slug, number)
    if form.get("do") != "import":
        return RedirectResponse(request.url.path, 303)
    try:
        _take_in(book, slug, one)
    except BrickbookError as error:
        return _mapping(request, book, slug, one, faults=error.faults, status=422)
    discard(one)
    return RedirectResponse(say(home, "taken"), 303)


def _take_in(book: Book, slug: str, one: Staged) -> None:
    said = one.said
    studies = [str(s) for s in said.get("studies", ())]
    faults = check_wishes(studies, [s.id for s in STUDIES], str(said.get("reader") or "meter-log"))
    if not studies:
        faults.append(Fault(one.name, "studies", "no study is ticked.", "Tick what the readings are for."))
    if faults:
        raise BookError(*faults)
    content = one.content()
    seen = look_at(book, content, one.name, one.name, _wishes(said))
    shape = seen.shape
    if shape is not None and not seen.known:
        shape = _own_id(book, shape)
        book.save_shape(shape)
    book.import_raw(
        slug,
        content,
        name=str(said.get("name") or one.name),
        studies=studies,
        reader=str(said.get("reader") or "meter-log"),
        shape=shape.id if shape is not None else "",
        recording=str(said.get("recording", "")),
        taken=str(said.get("taken", "")),
        imported=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        conditions=_conditions(said),
        instruments=seen.instruments,
        note=str(said.get("note", "")),
    )


def _own_id(book: Book, shape: Shape) -> Shape:
    """The shape under an id of its own: files taken in before keep the shape they were read by."""
    known, number = book.shapes, 2
    while shape.id in known and known[shape.id] != shape:
        shape = replace(shape, id=f"{shape.fingerprint}-{number}")
        number += 1
    return shape


def _said(form: Form, before: Mapping[str, Any]) -> dict[str, Any]:
    """What the form says of a file, as it is kept beside it."""
    said: dict[str, Any] = {
        name: form.get(name, "").strip() for name in ("reader", "name", "recording", "taken", "note", "show", "more")
    }
    said["studies"] = form.all_of("study")
    said["conditions"] = {key: form.get(f"at-{key}", "").strip() for key, _, _ in _CONDITIONS}
    said["instruments"] = {k.removeprefix("by-"): v for k, v in form.items() if k.startswith("by-") and v}
    headers, columns, units = form.all_of("header"), form.all_of("column"), form.all_of("unit")
    if headers and len(headers) == len(columns) == len(units):
        now = [list(row) for row in zip(headers, columns, units, strict=True)]
        guessed = [
            list(row) for row in zip(form.all_of("header"), form.all_of("was"), form.all_of("was-unit"), strict=False)
        ]
        said["columns"] = now if now != guessed or before.get("columns") else []
    return said


def _wishes(said: Mapping[str, Any]) -> Wishes:
    columns = tuple((str(h), str(c), str(u)) for h, c, u in said.get("columns", ()))
    faults = check_wishes((), (), str(said.get("reader") or "meter-log"))
    if faults:
        raise BookError(*faults)
    instruments = {str(k): str(v) for k, v in dict(said.get("instruments", {})).items()}
    return Wishes(str(said.get("reader") or "meter-log"), columns, _conditions(said), instruments)


def _conditions(said: Mapping[str, Any]) -> dict[str, Scalar]:
    found = {k: scalar_of(str(v)) for k, v in dict(said.get("conditions", {})).items() if str(v)}
    for part in str(said.get("more", "")).split(","):
        key, equals, value = part.partition("=")
        if equals and key.strip():
            found[key.strip()] = scalar_of(value.strip())
        elif part.strip():
            raise BookError(
                Fault("conditions", part.strip(), "is not written key = value.", "For example hold_up = true")
            )
    return found


def _mapping(
    request: Request, book: Book, slug: str, one: Staged, *, faults: tuple[Fault, ...] = (), status: int = 200
) -> Response:
    around = frame(request, book, slug)
    said = one.said
    seen, found = None, _Found(None, known=True, guess=None)
    content, wishes = b"", Wishes()
    try:
        content, wishes = one.content(), _wishes(said)
        found = _Found.of(book, content, one.name, wishes)
        seen = read_as(book, content, one.name, one.name, wishes, found.shape, found.known, found.guess)
    except BrickbookError as error:
        faults = faults or error.faults
        if content and found.shape is None and said.get("columns"):
            # the guess can still be shown, so that what was said can be put right
            with contextlib.suppress(BrickbookError):
                found = _Found.of(book, content, one.name, replace(wishes, columns=()))
    plateaus = plateaus_in(seen.tables, one.name) if seen is not None else ()
    return render(
        request,
        "mapping.html.j2",
        status,
        **around,
        part="files",
        one=one,
        said={**_NOTHING_SAID, **said},
        seen=seen,
        found=found,
        faults=faults,
        columns=_columns(found, seen, said),
        options=_options(around["charger"], found.shape),
        readers=[(r, _READER_WORDS.get(r, r)) for r in sorted(READERS, key=lambda r: (r != "meter-log", r))],
        studies=[(s.id, s.title) for s in STUDIES if s.needs_readings],
        conditions=_CONDITIONS,
        instruments=sorted(book.instruments),
        quantities=_quantities(seen),
        plateaus=plateaus[:60],
        plateau_count=len(plateaus),
        charts=_charts(seen, plateaus, str(said.get("show", ""))) if seen is not None else (),
        showable=_showable(seen),
        rows=sum(len(t) for t in seen.tables) if seen is not None else 0,
        dropped=[d for t in seen.tables for d in t.dropped] if seen is not None else (),
        pairs_text=pairs_text,
    )


def _columns(found: _Found, seen: Intake | None, said: Mapping[str, Any]) -> list[Column]:
    """Headers of a log with what each is taken for now."""
    shape = found.shape
    if shape is None:
        return []
    corrected = {h: (c, u) for h, c, u in said.get("columns", ())}
    used = {c.header: c for c in shape.columns}
    guessed = {g.header: g for g in found.guess.columns} if found.guess is not None else {}
    first = {
        origin.header: f"{table.columns[name][0]:.6g}"
        for table in (seen.tables if seen is not None else ())
        for name, origin in table.origins.items()
        if len(table) and np.isfinite(table.columns[name][0])
    }
    listed = []
    for k, header in enumerate(shape.headers):
        is_time = header in shape.time.headers
        column, unit = (used[header].column, used[header].unit) if header in used else ("", "")
        guess = guessed.get(header)
        changed = header in corrected and guess is not None and corrected[header][0] != guess.column
        if guess is not None and not unit and not changed:
            unit = "" if guess.from_unit_row else guess.unit
        sure = "as you said" if changed else "known to the book" if guess is None else guess.confidence
        why = "" if changed or guess is None else guess.reason
        listed.append(
            Column(k, header, "time_s" if is_time else column, unit, sure, why, is_time, first.get(header, ""))
        )
    return listed


def _options(charger: Charger | None, shape: Shape | None) -> list[tuple[str, list[tuple[str, str]]]]:
    """What a column may be taken for, in groups."""
    ports = [port.id for port in charger.ports] if charger is not None else ["C1"]
    now = [c.column for c in shape.columns if c.column] if shape is not None else []
    groups: dict[str, list[tuple[str, str]]] = {}
    for quantity in QUANTITIES.values():
        if quantity.name == "time_s":
            continue
        words = quantity.label + (
            f" [{quantity.unit}]".replace("degC", "°C").replace("Ohm", "Ω") if quantity.unit else ""
        )
        if quantity.channel == "port":
            choices = [(f"{quantity.name}@{port}", f"{words}, {port}") for port in ports]
            choices.append((quantity.name, f"{words}, the port of the conditions"))
            group = "Outputs"
        elif quantity.channel == "harmonic":
            choices, group = [(f"{quantity.name}@{n}", f"{words} {n}") for n in _HARMONICS], "Harmonics"
        elif quantity.channel == "place":
            choices, group = [(f"{quantity.name}@{p}", f"{words}, {p}") for p in _PLACES], "Places"
        else:
            choices, group = [(quantity.name, words)], "Mains" if quantity.name.startswith("mains") else "Other"
        groups.setdefault(group, []).extend(choices)
    known = {value for choices in groups.values() for value, _ in choices}
    own = [(column, column) for column in dict.fromkeys(now) if column not in known]
    return [*([("In this file", own)] if own else []), *groups.items()]


def _quantities(seen: Intake | None) -> list[tuple[str, str, str]]:
    """Quantities of the file with words and the instrument each has now."""
    if seen is None:
        return []
    found: dict[str, str] = {}
    for table in seen.tables:
        for column in table.columns:
            if column != "time_s":
                origin = table.origins.get(column)
                found.setdefault(quantity_of(column), origin.instrument if origin is not None else "")
    return [(q, QUANTITIES[q].label if q in QUANTITIES else q, by) for q, by in sorted(found.items())]


def _showable(seen: Intake | None) -> list[tuple[str, str]]:
    if seen is None:
        return []
    names = dict.fromkeys(quantity_of(c) for t in seen.tables for c in t.columns if c != "time_s")
    return [(name, QUANTITIES[name].label if name in QUANTITIES else name) for name in names]


def _charts(seen: Intake, plateaus: Sequence[Plateau], show: str) -> tuple[Chart, ...]:
    """The load currents with the stays found, and one other quantity."""
    shown = [name for name, _ in _showable(seen)]
    other = show if show in shown else next(
        (n for n in ("mains_power_w", "port_voltage_v", *shown) if n in shown and n != "port_current_a"), ""
    )  # fmt: skip
    wanted = [name for name in ("port_current_a", other) if name in shown]
    return tuple(chart for name in dict.fromkeys(wanted) if (chart := _chart(seen.tables, name, plateaus)) is not None)


def _chart(tables: Sequence[Table], name: str, plateaus: Sequence[Plateau]) -> Chart | None:
    series, top, bottom = [], 0.0, 0.0
    for table in tables:
        if not table.has("time_s"):
            continue
        for column in (c for c in table.columns if quantity_of(c) == name and table.has(c)):
            values = table.columns[column]
            step = max(1, len(values) // 20_000)  # the drawing thins further; this bounds what is handed over
            title = column.partition("@")[2] or QUANTITIES[name].label
            series.append(
                Series(title, table.columns["time_s"][::step].tolist(), values[::step].tolist(), style="line")
            )
            top, bottom = max(top, float(np.nanmax(values))), min(bottom, float(np.nanmin(values)))
    if not series:
        return None
    quantity = QUANTITIES[name]
    words = f"{quantity.label[:1].upper()}{quantity.label[1:]}"
    settled = [p for p in plateaus if p.settled]
    bands = (
        _stays("steady", settled, bottom, top),
        _stays("not settled", [p for p in plateaus if not p.settled], bottom, top),
    )
    told = f"{len(settled)} steady stays of the load were found" if plateaus else "no steady stay of a load was found"
    return Chart(
        id=f"trace-{name}".replace("_", "-"),
        title=f"{words}: {told}",
        alt=f"{words} over time, from {bottom:.4g} to {top:.4g} {quantity.unit}; {told}.",
        x=Axis("time", "s"),
        y=Axis(quantity.label, quantity.unit.replace("degC", "°C").replace("Ohm", "Ω")),
        series=tuple(series[:_SERIES]),
        bands=tuple(band for band in bands if band is not None),
    )


def _stays(name: str, plateaus: Sequence[Plateau], low: float, high: float) -> Band | None:
    """One band, as high as the chart over the stays and of no height between them."""
    if not plateaus:
        return None
    edge = 1e-4 * max(p.duration_s for p in plateaus)
    x = [t for p in plateaus for t in (p.start_s - edge, p.start_s, p.end_s, p.end_s + edge)]
    highs = [low, high, high, low] * len(plateaus)
    return Band(name, x, [low] * len(x), highs)
