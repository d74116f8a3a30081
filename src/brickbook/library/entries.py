"""A charger's line in the catalogue: what of its result is needed beside those of all others.

One small file for each charger, derived/<slug>/entry-<format>.arrows (an Arrow stream: ten thousand of them are read
in seconds), made from its result.json. A figure's
budget is kept in the form comparison needs: errors of instruments, which figures of other chargers may share, one by
one with their sign; other bounds as one number; scatter as one number with its degrees of freedom.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from brickbook.analysis.codec import finding_json
from brickbook.analysis.store import Stored
from brickbook.core.figure import Component, Figure, Finding
from brickbook.library.likeness import alike_conditions, alike_text

__all__ = ["ENTRY_FILE", "ENTRY_SCHEMA", "SplitBudget", "entry_bytes", "split_budget"]

ENTRY_FILE = "entry-1.arrows"  # the number rises when what is in it changes

_FINDING = pl.Struct(
    {
        "rule": pl.String,
        "title": pl.String,
        "origin": pl.String,
        "sense": pl.String,
        "limit": pl.Float64,
        "limit_high": pl.Float64,
        "decision": pl.String,
        "p_conform": pl.Float64,
        "market": pl.String,
        "source": pl.String,
        "reading": pl.String,
    }
)
ENTRY_SCHEMA: dict[str, Any] = {
    # the charger, in its first row only
    "title": pl.String,
    "maker": pl.String,
    "model": pl.String,
    "form": pl.String,
    "ports": pl.Int32,
    "power_w": pl.Float64,
    "price": pl.Float64,
    "currency": pl.String,
    "sample_date": pl.String,
    # a figure, in every other row
    "study": pl.String,
    "name": pl.String,
    "value": pl.Float64,
    "unit": pl.String,
    "u": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "alike": pl.String,
    "conditions": pl.String,
    "flags": pl.List(pl.String),
    "stated_u": pl.Float64,
    "scatter_u": pl.Float64,
    "scatter_dof": pl.Float64,
    "shared": pl.List(pl.Struct({"source": pl.String, "u": pl.Float64})),
    "findings": pl.List(_FINDING),
}


@dataclass(frozen=True, slots=True)
class SplitBudget:
    """A budget seen from other chargers.

    Parameters
    ----------
    shared
        Source to signed contribution, for errors another charger's figure may have in common.
    stated_u
        Other bounds together [unit of the figure].
    scatter_u
        Scatter together [unit of the figure].
    scatter_dof
        Its degrees of freedom: the fewest of its parts, where a part makes more than 1 % of the variance.
    """

    shared: Mapping[str, float]
    stated_u: float
    scatter_u: float
    scatter_dof: float


def split_budget(figure: Figure) -> SplitBudget:
    """What a figure's uncertainty has in common with other chargers' and what not.

    Shared is the accuracy of an instrument on a range: "<instrument>: <quantity> <range>", of kind B, one unknown
    fraction of a bound. Own is scatter (kind A), what differs from reading to reading ("..., linearity at <point>"),
    and resistances "as stated": the same adapter may have been used for both chargers, but nothing says so, and taking
    its error as not shared never makes a difference look surer than it is.
    """
    shared = {c.source: c.sign * c.u for c in figure.budget if _is_shared(c)}
    own = [c for c in figure.budget if not _is_shared(c)]
    scatter = [c for c in own if math.isfinite(c.dof)]
    variance = sum(c.u**2 for c in scatter)
    return SplitBudget(
        shared,
        math.sqrt(sum(c.u**2 for c in own if not math.isfinite(c.dof))),
        math.sqrt(variance),
        min((c.dof for c in scatter if c.u**2 > 0.01 * variance), default=math.inf),
    )


def _is_shared(component: Component) -> bool:
    return component.kind == "B" and ": " in component.source and ", linearity at " not in component.source


def entry_bytes(stored: Stored) -> bytes:
    """The entry of a charger as an Arrow stream."""
    charger = stored.charger
    findings: dict[str, list[dict[str, Any]]] = {}
    for finding in stored.findings:
        findings.setdefault(finding.figure, []).append(_finding_row(finding))
    price, sample = charger.get("price") or {}, charger.get("sample") or {}
    port_count = len(charger["ports"])
    rows: list[dict[str, Any]] = [
        {
            "title": charger["name"],
            "maker": charger["maker"],
            "model": charger["model"],
            "form": charger["form"],
            "ports": port_count,
            "power_w": charger["nameplate"]["total_power_w"],
            "price": price.get("amount"),
            "currency": price.get("currency"),
            "sample_date": sample.get("date"),
        }
    ]
    rows += [_figure_row(figure, port_count, findings.get(figure.key, [])) for figure in stored.figures]
    frame = pl.DataFrame(rows, schema=ENTRY_SCHEMA, orient="row")
    target = io.BytesIO()
    frame.write_ipc_stream(target, compression="zstd")
    return target.getvalue()


def _figure_row(figure: Figure, port_count: int, findings: list[dict[str, Any]]) -> dict[str, Any]:
    split = split_budget(figure)
    return {
        "study": figure.study,
        "name": figure.name,
        "value": figure.value,
        "unit": figure.unit,
        "u": figure.u,
        "lower": _finite(figure.lower),
        "upper": _finite(figure.upper),
        "alike": alike_text(alike_conditions(figure, port_count)),
        "conditions": json.dumps(dict(figure.conditions), ensure_ascii=False),
        "flags": list(figure.flags),
        "stated_u": split.stated_u,
        "scatter_u": split.scatter_u,
        "scatter_dof": _finite(split.scatter_dof),
        "shared": [{"source": source, "u": u} for source, u in split.shared.items()],
        "findings": findings,
    }


def _finding_row(finding: Finding) -> dict[str, Any]:
    plain = finding_json(finding)
    return {name: plain[name] for name in (field.name for field in _FINDING.fields)}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
