"""What was published of a charger, and when: `published.jsonl` beside its charger.toml.

The file only ever grows. Each publication is a line that says when and why, followed by one line for each figure that
is new, has changed or has gone since the one before. So the file tells what a reader could see on any day, and version
control shows each change as one line. It is not in derived/: it cannot be made again.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brickbook.book._files import read_text
from brickbook.book.book import Book
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, Fault

__all__ = ["Publication", "PublishedFigure", "add_publication", "published_state", "read_publications"]

_FILE = "published.jsonl"
_REMEDY = "Restore the file from version control or a copy; it is never edited by hand."


@dataclass(frozen=True, slots=True)
class PublishedFigure:
    """A figure as it was published.

    Parameters
    ----------
    value, half, unit
        Value, half of the 95 % interval (0 for an exact number), and the unit of both.
    judged
        What it was set against (rule, and reading of it) to the decision.
    """

    value: float
    half: float
    unit: str
    judged: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Publication:
    """One publication of a charger's report.

    Parameters
    ----------
    at
        When, UTC: "2026-11-25T11:02:03Z".
    figures
        Key of each figure that is new or has changed since the publication before; `None`: it has gone.
    conclusion
        SHA-256 of the tester's conclusion (verdict.md), empty where there was none.
    why
        Why published figures changed, in the tester's words; empty for the first publication.
    """

    at: str
    figures: Mapping[str, PublishedFigure | None]
    conclusion: str = ""
    why: str = ""


def read_publications(book: Book, slug: str) -> tuple[Publication, ...]:
    """All publications of a charger, oldest first; none where the file is not there.

    Raises
    ------
    BookError
        When there is no such charger, a line cannot be read, or lines that were written have been changed since.
    """
    return tuple(_parsed(_text(book, slug), _name(book, slug)))


def published_state(
    publications: Sequence[Publication], state: dict[str, PublishedFigure] | None = None
) -> dict[str, PublishedFigure]:
    """Key to figure as the last publication left them; `state` is what was there before, and is changed."""
    state = {} if state is None else state
    for publication in publications:
        for key, figure in publication.figures.items():
            if figure is None:
                state.pop(key, None)
            else:
                state[key] = figure
    return state


def add_publication(book: Book, slug: str, publication: Publication) -> None:
    """Add a publication to the file, whole or not at all; what is there stays byte for byte.

    Raises
    ------
    BookError
        When the file has faults, another process holds the charger, or the file cannot be written.
    """
    with book.lock(slug):
        before = _text(book, slug)
        tuple(_parsed(before, _name(book, slug)))
        head = {
            "at": publication.at,
            "why": publication.why,
            "conclusion": publication.conclusion,
            "figures": len(publication.figures),
            "before": _digest(before),
        }
        lines = [head, *(_figure_line(key, publication.figures[key]) for key in sorted(publication.figures))]
        added = "".join(json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n" for line in lines)
        book.write(_path(book, slug), (before + added).encode())


def _path(book: Book, slug: str) -> Path:
    return book.root / _name(book, slug)


def _name(book: Book, slug: str) -> str:
    book.derived(slug)  # says so when there is no such charger
    return f"chargers/{slug}/{_FILE}"


def _text(book: Book, slug: str) -> str:
    # version control may have turned line ends into those of another system
    text = (read_text(_path(book, slug), _name(book, slug)) or "").replace("\r\n", "\n")
    return text if not text or text.endswith("\n") else f"{text}\n"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest() if text else ""


def _figure_line(key: str, figure: PublishedFigure | None) -> dict[str, Any]:
    if figure is None:
        return {"figure": key, "gone": True}
    line: dict[str, Any] = {"figure": key, "value": figure.value, "half": figure.half, "unit": figure.unit}
    return line | ({"judged": dict(sorted(figure.judged.items()))} if figure.judged else {})


def _parsed(text: str, name: str) -> Iterator[Publication]:
    lines = [f"{line}\n" for line in text.split("\n")[:-1]]
    total = hashlib.sha256()  # of all lines before the one in hand
    at = 0
    while at < len(lines):
        head = _line(lines, at, name)
        before = total.hexdigest() if at else ""
        try:
            count, when, why, conclusion = int(head["figures"]), head["at"], head["why"], head["conclusion"]
            same = head["before"] == before
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise BookError(_fault(name, at, "expected the first line of a publication.")) from error
        if count < 0:  # it would go round for ever
            raise BookError(_fault(name, at, f"says that {count} lines follow."))
        if not same:
            raise BookError(_fault(name, at, "the lines before this one have been changed since it was written."))
        if at + 1 + count > len(lines):
            raise BookError(_fault(name, at, f"says that {count} lines follow; the file ends before."))
        figures = dict(_figure(lines, k, name) for k in range(at + 1, at + 1 + count))
        yield Publication(str(when), figures, str(conclusion), str(why))
        for line in lines[at : at + 1 + count]:
            total.update(line.encode())
        at += 1 + count


def _figure(lines: Sequence[str], at: int, name: str) -> tuple[str, PublishedFigure | None]:
    data = _line(lines, at, name)
    try:
        key = str(data["figure"])
        if data.get("gone"):
            return key, None
        value, half = float(data["value"]), float(data["half"])
        judged = {str(k): str(v) for k, v in data.get("judged", {}).items()}
        figure = PublishedFigure(value, half, str(data["unit"]), judged)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise BookError(_fault(name, at, "expected a figure with value, half and unit.")) from error
    if not (math.isfinite(value) and math.isfinite(half)):
        raise BookError(_fault(name, at, "expected finite numbers."))
    return key, figure


def _line(lines: Sequence[str], at: int, name: str) -> dict[str, Any]:
    try:
        data = json_of(lines[at])
    except ValueError as error:
        raise BookError(_fault(name, at, "is not JSON.")) from error
    if not isinstance(data, dict):
        raise BookError(_fault(name, at, "expected a JSON object."))
    return data


def _fault(name: str, at: int, problem: str) -> Fault:
    return Fault(name, f"line {at + 1}", problem, _REMEDY)
