"""Figures, findings and notes as plain JSON values, there and back.

The field names of figures and findings are a contract other programs rely on; fields may be added, never renamed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from brickbook.core.charger import Charger
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Component, Figure, Finding, Note
from brickbook.core.table import RawFile, Rows

__all__ = [
    "charger_json",
    "figure_json",
    "figure_of_json",
    "finding_json",
    "finding_of_json",
    "note_json",
    "note_of_json",
]


def charger_json(charger: Charger) -> dict[str, Any]:
    """A charger's claims; what the maker does not say is null."""
    plain = _plain(charger)
    assert isinstance(plain, dict)
    return plain


def figure_json(figure: Figure) -> dict[str, Any]:
    """A figure; infinite degrees of freedom become null."""
    return {
        "key": figure.key,
        "study": figure.study,
        "name": figure.name,
        "value": figure.value,
        "unit": figure.unit,
        "u": figure.u,
        "conditions": dict(figure.conditions),
        "method": figure.method,
        "sources": [_rows_json(rows) for rows in figure.sources],
        "dof": _finite(figure.dof),
        "coverage_factor": figure.coverage_factor,
        "lower": _finite(figure.lower),
        "upper": _finite(figure.upper),
        "flags": list(figure.flags),
        "budget": [
            {
                "source": c.source,
                "kind": c.kind,
                "distribution": c.distribution,
                "u": c.u,
                "dof": _finite(c.dof),
                "sign": c.sign,
            }
            for c in figure.budget
        ],
    }


def figure_of_json(data: Mapping[str, Any]) -> Figure:
    """The figure `figure_json` wrote."""
    return Figure(
        study=data["study"],
        name=data["name"],
        value=data["value"],
        unit=data["unit"],
        u=data["u"],
        conditions=Conditions.of(data["conditions"]),
        method=data["method"],
        sources=_rows_of(data["sources"]),
        dof=_or(data["dof"], math.inf),
        coverage_factor=data["coverage_factor"],
        lower=_or(data["lower"], math.nan),
        upper=_or(data["upper"], math.nan),
        budget=tuple(
            Component(c["source"], c["kind"], c["distribution"], c["u"], _or(c["dof"], math.inf), c["sign"])
            for c in data["budget"]
        ),
        flags=tuple(data["flags"]),
    )


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding; an open end of its limit becomes null."""
    return {f.name: _plain(getattr(finding, f.name)) for f in fields(finding)}


def finding_of_json(data: Mapping[str, Any]) -> Finding:
    """The finding `finding_json` wrote."""
    return Finding(**{**data, "limit": _or(data["limit"], math.nan), "limit_high": _or(data["limit_high"], math.nan)})


def note_json(note: Note) -> dict[str, Any]:
    """A note."""
    return {
        "study": note.study,
        "severity": note.severity,
        "text": note.text,
        "conditions": dict(note.conditions),
        "sources": [_rows_json(rows) for rows in note.sources],
    }


def note_of_json(data: Mapping[str, Any]) -> Note:
    """The note `note_json` wrote."""
    return Note(
        data["study"], data["severity"], data["text"], Conditions.of(data["conditions"]), _rows_of(data["sources"])
    )


def _rows_json(rows: Rows) -> dict[str, Any]:
    return {
        "file": rows.file.path,
        "sha256": rows.file.sha256,
        "first": rows.first,
        "last": rows.last,
        "columns": list(rows.columns),
    }


def _rows_of(data: Sequence[Mapping[str, Any]]) -> tuple[Rows, ...]:
    return tuple(Rows(RawFile(r["file"], r["sha256"]), r["first"], r["last"], tuple(r["columns"])) for r in data)


def _plain(value: Any) -> Any:
    if isinstance(value, Conditions):
        return dict(value)
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    return _finite(value) if isinstance(value, float) else value


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _or(value: float | None, default: float) -> float:
    return default if value is None else value
