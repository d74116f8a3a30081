"""All chargers together: one figure over the shelf, and a charger for a set of devices."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

import tomlkit
from fastapi import APIRouter, Request
from starlette.responses import Response

from brickbook.app.desk import Sent, book_of, render
from brickbook.app.forms import add_item, data_of, form_of, scalar_of
from brickbook.book import Book
from brickbook.core.conditions import Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure
from brickbook.library.catalogue import Catalogue, open_catalogue
from brickbook.library.chosen import choose_among
from brickbook.library.compared import compare_shelf
from brickbook.library.devices import Device, DeviceCable, Devices, read_devices
from brickbook.library.page import shelf_order
from brickbook.publish.chosen import SHARING_WORDS, interruption_words, measured_words, placed_words
from brickbook.studies import STUDIES

__all__ = ["router"]

router = APIRouter()
_FILE = "devices"
_FIRST = "average_active_efficiency_ratio"
_EXAMPLE: dict[str, Any] = {
    "device": [
        {"name": "laptop", "power_w": 45.0, "least_voltage_v": 15.0, "hours_per_day": 4.0},
        {"name": "phone", "power_w": 20.0, "hours_per_day": 1.5},
    ]
}
_HINTS: dict[type, dict[str, tuple[str, str]]] = {
    Device: {
        "name": ("", "What you call it."),
        "power_w": ("", "Most it takes, at its own end of the cable."),
        "least_voltage_v": ("", "Lowest set voltage it accepts."),
        "most_voltage_v": ("", "Highest set voltage it accepts."),
        "least_power_w": ("", "Below this it does not charge at all."),
        "enough_w": ("", "With this it is well served; nine tenths of its power if left empty."),
        "minimum_v": ("", "Lowest voltage at its own end."),
        "current_a": ("", "Most current it takes."),
        "programmable": ("", "Whether it can ask for any voltage of a range (PPS, AVS)."),
        "connectors": ("", "Outlets its cable fits: usb-c, usb-a."),
        "priority": ("", "2 counts like two devices of priority 1."),
        "hours_per_day": ("", "How long a day it charges."),
        "cable": ("", "Leave empty for no cable: then no loss is reckoned with, and 3 A."),
    },
    DeviceCable: {
        "resistance_ohm": ("", "Out and back, with contacts, as measured; or give length and gauge."),
        "rating_a": ("", "What it may carry."),
    },
}


@router.get("/compare")
def compare(request: Request) -> Response:
    """One figure over all chargers, and who is beaten in several."""
    book, query = book_of(request), request.query_params
    asked = query.get("figure", "")
    given = {
        "figure": asked,
        "against": query.get("against", ""),
        "with": query.getlist("with"),
        "when": query.get("when", ""),
        "repeat_u": query.get("repeat_u", ""),
    }
    faults: tuple[Fault, ...] = ()
    found, links = None, {}
    with open_catalogue([book]) as catalogue:
        names = _figures(catalogue)
        if not asked and names:
            asked = next((n for n, _ in names if n.endswith(f"/{_FIRST}")), names[0][0])
            given["figure"] = asked
        chargers = [
            (r["charger"], r["title"]) for r in catalogue.rows("SELECT charger, title FROM chargers ORDER BY 2")
        ]
        if asked:
            try:
                found = compare_shelf(
                    catalogue,
                    asked,
                    _pairs(str(given["when"])),
                    further=[name for name in query.getlist("with") if name][:3],
                    against=query.get("against") or None,
                    repeat_u=_positive(query.get("repeat_u", "")),
                )
                shown = shelf_order(found.shelf, found.comparison)
                entries = [found.shelf.entries[k] for k in shown]
                links = {row: f"/chargers/{quote(e.charger, safe='')}/figures" for row, e in enumerate(entries)}
            except BookError as error:
                faults = error.faults
    return render(
        request,
        "compare.html.j2",
        422 if faults else 200,
        names=names,
        chargers=chargers,
        given=given,
        faults=faults,
        found=found,
        links={1: links},
        is_figure=lambda value: isinstance(value, Figure),
    )


@router.get("/choose")
def choose_page(request: Request) -> Response:
    """The form of a person's devices."""
    return _choose_page(request, _EXAMPLE)


@router.post("/choose")
def choose(request: Request, form: Sent) -> Response:
    """The best use of each charger for these devices; nothing is kept."""
    book = book_of(request)
    data = data_of(Devices, form)
    action, _, key = form.get("do", "").partition(":")
    if action in ("add", "remove"):
        return _choose_page(request, add_item(data, key, remove=action == "remove"))
    try:
        devices = read_devices(tomlkit.dumps(data), _FILE)
        mains = form.get("mains_v", "").strip()
        found = choose_among(book, _chargers(book), devices, mains_v=_positive(mains) or None)
    except BookError as error:
        return _choose_page(request, data, faults=error.faults, status=422)
    return _choose_page(request, data, found=found)


def _choose_page(
    request: Request, data: Mapping[str, Any], *, faults: tuple[Fault, ...] = (), found: Any = None, status: int = 200
) -> Response:
    return render(
        request,
        "choose.html.j2",
        status,
        parts=form_of(Devices, data, hints=_HINTS, faults=faults),
        faults=faults,
        found=found,
        sharing=SHARING_WORDS,
        interruption_words=interruption_words,
        measured_words=measured_words,
        placed_words=placed_words,
    )


def _chargers(book: Book) -> list[str]:
    """Chargers whose claims can be read."""
    good = []
    for slug in book.chargers():
        try:
            book.charger(slug)
        except BookError:
            continue
        good.append(slug)
    if not good:
        raise BookError(Fault("chargers", "", "no charger of the book has its claims filled in.", "Begin with one."))
    return good


def _figures(catalogue: Catalogue) -> list[tuple[str, str]]:
    """Figures that can be compared: "study/name", and words for it."""
    words = {f"{s.id}/{name}": f"{s.title}: {text}" for s in STUDIES for name, text in s.figure_names.items()}
    order = [s.id for s in STUDIES]
    rows = catalogue.rows("SELECT DISTINCT study, name FROM groups")
    names = [f"{r['study']}/{r['name']}" for r in rows]
    return sorted(
        ((n, words.get(n, n.replace("_", " "))) for n in names),
        key=lambda pair: (order.index(s) if (s := pair[0].partition("/")[0]) in order else 99, pair[1]),
    )


def _pairs(text: str) -> dict[str, Scalar]:
    found: dict[str, Scalar] = {}
    for part in text.split(","):
        key, equals, value = part.partition("=")
        if equals and key.strip():
            found[key.strip()] = scalar_of(value.strip())
        elif part.strip():
            raise BookError(
                Fault("conditions", part.strip(), "is not written key = value.", "For example mains_v = 230")
            )
    return found


def _positive(text: str) -> float:
    if not text.strip():
        return 0.0
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0.0 <= number < 1e12:
        raise BookError(Fault("the form", text, "is not a number of at least 0.", "Correct it, or leave it empty."))
    return number
