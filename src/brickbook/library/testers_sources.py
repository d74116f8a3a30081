"""Where accounts come from: a book's folder, or the files of a data pack; a summary pack is enough."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from brickbook.analysis import load
from brickbook.analysis.codec import figure_of_json
from brickbook.book import Book
from brickbook.core.errors import Fault, ReadError
from brickbook.core.figure import Figure
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.library.testers_voices import Account

__all__ = ["account_of_book", "account_of_pack"]

_NUMBERS = frozenset(field.name for field in fields(Accuracy)) - {"quantity", "reference"}


def account_of_book(book: Book, slug: str) -> Account:
    """A charger of a book as its publisher's account, from the stored result.

    Raises
    ------
    BookError
        When the charger has not been analysed.
    """
    stored = load(book, slug)
    charger, sample = stored.charger, stored.charger.get("sample") or {}
    return Account(
        tester=book.settings.publisher,
        place=f"{book.root.resolve().name}/{slug}",
        maker=charger["maker"],
        model=charger["model"],
        name=charger["name"],
        serial=sample.get("serial") or "",
        obtained=sample.get("date") or "",
        figures=stored.figures,
        instruments=book.instruments,
    )


def account_of_pack(read: Callable[[str], bytes], name: str) -> Account:
    """A data pack as its publisher's account.

    Parameters
    ----------
    read
        Gives the bytes of a file of the pack by its path, and raises `ReadError` where it is not there.
    name
        The pack, for messages.

    Raises
    ------
    ReadError
        When a file is missing, or not what a pack holds.
    """
    about = _json(read, "datapackage.json", name)
    result = _json(read, "data/result.json", name)
    charger = _rows(read, "data/charger.csv", name)
    try:
        publisher = str(about["contributors"][0]["title"])
        figures = tuple(_figure(one) for one in result["figures"])
        (facts,) = charger
        maker, model, title = facts["maker"], facts["model"], facts["name"]
    except (KeyError, IndexError, TypeError, ValueError, AttributeError) as error:
        problem = f"is not a pack's: {error}."
        raise ReadError(Fault(name, "data", problem, "Ask its publisher for the pack again.")) from error
    return Account(
        tester=publisher,
        place=name,
        maker=maker,
        model=model,
        name=title,
        serial=facts.get("serial", ""),
        obtained=facts.get("obtained_date", ""),
        figures=figures,
        instruments=_instruments(read, name),
    )


def _figure(data: Mapping[str, Any]) -> Figure:
    """A stranger's figure: numbers must be numbers, words must be words."""
    figure = figure_of_json(data)
    finite = (figure.value, figure.u, *(c.u for c in figure.budget))
    numbers = (*finite, figure.dof, figure.lower, figure.upper, *(c.dof for c in figure.budget))
    words = (figure.study, figure.name, figure.unit, figure.method, *figure.flags, *(c.source for c in figure.budget))
    right = (
        all(isinstance(x, (int, float)) for x in numbers)
        and all(math.isfinite(x) for x in finite)
        and all(isinstance(word, str) for word in words)
        and all(isinstance(x, (str, int, float)) for _, x in figure.conditions.items_)
        and all(c.u >= 0 and c.dof > 0 and c.sign in (1, -1) for c in figure.budget)
    )
    if not right or figure.u < 0:
        raise ValueError(f"figure {data.get('key')!a} has a number or word that is none")
    return figure


def _instruments(read: Callable[[str], bytes], name: str) -> dict[str, Instrument]:
    lines: dict[str, list[Accuracy]] = {}
    place = "data/accuracy.csv"
    try:
        for row in _rows(read, place, name):
            given: dict[str, Any] = {
                key: float(row[key]) if key in _NUMBERS else row[key]
                for key in (field.name for field in fields(Accuracy))
                if row.get(key)
            }
            lines.setdefault(row["instrument"], []).append(Accuracy(**given))
        place = "data/instruments.csv"
        return {
            row["instrument"]: Instrument(
                role=row["role"],  # type: ignore[arg-type] # words of a stranger, shown and compared, nothing else
                accuracy=tuple(lines.get(row["instrument"], ())),
                description=row["description"],
                serial=row["serial"],
                calibrated=row["calibrated"],
                due=row["due"],
            )
            for row in _rows(read, place, name)
        }
    except (KeyError, TypeError, ValueError) as error:
        problem = f"is not a pack's table: {error}."
        raise ReadError(Fault(name, place, problem, "Ask its publisher for the pack again.")) from error


def _rows(read: Callable[[str], bytes], path: str, name: str) -> list[dict[str, str]]:
    try:
        return list(csv.DictReader(io.StringIO(read(path).decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise ReadError(Fault(name, path, "is not a table in CSV.", "Get the pack again.")) from error


def _json(read: Callable[[str], bytes], path: str, name: str) -> dict[str, Any]:
    try:
        data = json.loads(read(path))
    except (ValueError, RecursionError) as error:
        raise ReadError(Fault(name, path, "is not JSON.", "Get the pack again.")) from error
    if not isinstance(data, dict):
        raise ReadError(Fault(name, path, "is not what a pack holds there.", "Get the pack again."))
    return data
