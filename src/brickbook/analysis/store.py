"""Results on disk: derived/<slug>/, remade only when something they depend on has changed."""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

import polars as pl

from brickbook.analysis.analyse import Analysis
from brickbook.analysis.codec import (
    charger_json,
    figure_json,
    figure_of_json,
    finding_json,
    finding_of_json,
    note_json,
    note_of_json,
)
from brickbook.analysis.gather import gather
from brickbook.book import Book
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure, Finding, Note
from brickbook.core.study import Study, View

__all__ = ["Stored", "code_digest", "is_current", "load", "save", "view_for"]

_RESULT = "result.json"


@dataclass(frozen=True, slots=True)
class Stored:
    """An analysis as it lies in derived/."""

    figures: tuple[Figure, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    unmeasured: tuple[int, ...]
    charger: dict[str, Any]


def save(book: Book, slug: str, analysis: Analysis) -> None:
    """Write result.json, figures.parquet and findings.parquet; result.json comes last and vouches for the rest."""
    folder = book.derived(slug)
    figures = [figure_json(f) for f in analysis.figures]
    findings = [finding_json(f) for f in analysis.findings]
    book.write(folder / "figures.parquet", _parquet(_figure_frame(slug, analysis.figures)))
    book.write(folder / "findings.parquet", _parquet(_finding_frame(slug, analysis.findings)))
    claims = list(analysis.charger.claims)
    result = {
        "inputs": book.input_digest(slug),
        "code": code_digest(),
        "charger": charger_json(analysis.charger),
        "figures": figures,
        "findings": findings,
        "notes": [note_json(n) for n in analysis.notes],
        "unmeasured": [claims.index(c) for c in analysis.unmeasured],
    }
    text = json.dumps(result, ensure_ascii=False, indent=1, allow_nan=False)
    book.write(folder / _RESULT, text.encode())


def is_current(book: Book, slug: str) -> bool:
    """Whether the stored result was made from these very files by this very code."""
    try:
        stored = _read(book, slug)
    except BookError:
        return False
    return bool(stored.get("code") == code_digest() and stored.get("inputs") == book.input_digest(slug))


def load(book: Book, slug: str) -> Stored:
    """The stored result.

    Raises
    ------
    BookError
        When the charger was never analysed, or its result cannot be read.
    """
    data = _read(book, slug)
    try:
        return Stored(
            tuple(figure_of_json(f) for f in data["figures"]),
            tuple(finding_of_json(f) for f in data["findings"]),
            tuple(note_of_json(n) for n in data["notes"]),
            tuple(data["unmeasured"]),
            data["charger"],
        )
    except (KeyError, TypeError, ValueError) as error:
        raise BookError(_unreadable(slug)) from error


def view_for(book: Book, slug: str, study: Study, stored: Stored) -> View:
    """What a study's page is made from: its stored figures and findings, and the readings it may want to draw.

    Readings are read again only when the page asks for them.
    """
    figures = tuple(f for f in stored.figures if f.study == study.id)
    keys = {f.key for f in figures}
    return View(
        charger=book.charger(slug),
        settings=book.settings,
        figures=figures,
        findings=tuple(f for f in stored.findings if f.figure in keys),
        notes=tuple(n for n in stored.notes if n.study == study.id),
        read=cache(lambda: gather(book, slug, only=study.id).recordings),
    )


@cache
def code_digest() -> str:
    """SHA-256 over Brickbook's own sources: a result made by other code is made again."""
    total = hashlib.sha256()
    for name, part in sorted(_sources(files("brickbook"), "")):
        total.update(f"{name}\0".encode())
        total.update(part)
    return total.hexdigest()


def _sources(folder: Traversable, prefix: str) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    for item in folder.iterdir():
        name = f"{prefix}/{item.name}"
        if item.is_dir():
            if item.name != "__pycache__":
                found += _sources(item, name)
        elif item.name.endswith((".py", ".toml")):
            found.append((name, hashlib.sha256(item.read_bytes()).digest()))
    return found


def _read(book: Book, slug: str) -> dict[str, Any]:
    path = book.derived(slug) / _RESULT
    try:
        data = json_of(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        fault = Fault(
            f"derived/{slug}/{_RESULT}", "", "this charger has not been analysed.", f"Run: brickbook analyse {slug}"
        )
        raise BookError(fault) from error
    except (OSError, ValueError) as error:
        raise BookError(_unreadable(slug)) from error
    if not isinstance(data, dict):
        raise BookError(_unreadable(slug))
    return data


def _unreadable(slug: str) -> Fault:
    return Fault(f"derived/{slug}/{_RESULT}", "", "cannot be read as a result.", f"Run: brickbook analyse {slug}")


def _figure_frame(slug: str, figures: tuple[Figure, ...]) -> pl.DataFrame:
    schema: dict[str, Any] = {
        "charger": pl.String,
        "key": pl.String,
        "study": pl.String,
        "name": pl.String,
        "value": pl.Float64,
        "unit": pl.String,
        "u": pl.Float64,
        "lower": pl.Float64,
        "upper": pl.Float64,
        "coverage_factor": pl.Float64,
        "dof": pl.Float64,
        "conditions": pl.String,
        "method": pl.String,
        "flags": pl.String,
        "sources": pl.String,
    }
    rows = []
    for figure in figures:
        plain = figure_json(figure)
        row = {name: plain.get(name) for name in schema}
        row["charger"] = slug
        for name in ("conditions", "flags", "sources"):
            row[name] = json.dumps(plain[name], ensure_ascii=False, sort_keys=True)
        rows.append(row)
    return pl.DataFrame(rows, schema=schema, orient="row")


def _finding_frame(slug: str, findings: tuple[Finding, ...]) -> pl.DataFrame:
    schema: dict[str, Any] = {
        "charger": pl.String,
        **dict.fromkeys(
            ("figure", "rule", "title", "origin", "sense", "decision", "source", "reading", "market", "edition"),
            pl.String,
        ),
        "applies_from": pl.String,
        "limit": pl.Float64,
        "limit_high": pl.Float64,
        "p_conform": pl.Float64,
        "from_memory": pl.Boolean,
        "note": pl.String,
    }
    rows = [{"charger": slug, **{k: v for k, v in finding_json(f).items() if k in schema}} for f in findings]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _parquet(frame: pl.DataFrame) -> bytes:
    target = io.BytesIO()
    frame.write_parquet(target, compression="zstd", statistics=True)
    return target.getvalue()
