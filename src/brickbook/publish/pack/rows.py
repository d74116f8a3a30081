"""A charger and its result as the rows of a pack's tables, and the rows as CSV and Parquet."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from brickbook.analysis import Stored
from brickbook.book import IndexEntry
from brickbook.core.charger import Charger
from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Instrument
from brickbook.publish.pack.tables import PackTable

__all__ = ["all_rows", "as_csv", "as_parquet"]

Row = dict[str, Any]
_POLARS: dict[str, Any] = {"string": pl.String, "number": pl.Float64, "integer": pl.Int64, "boolean": pl.Boolean}


def all_rows(
    slug: str,
    charger: Charger,
    instruments: Mapping[str, Instrument],
    entries: Sequence[tuple[IndexEntry, int, str]],
    stored: Stored,
    words: Mapping[str, str],
) -> dict[str, list[Row]]:
    """Table name to rows.

    Parameters
    ----------
    slug, charger
        The charger.
    instruments
        Those the raw files name.
    entries
        The index: entry, size of the file [B], and its place in the pack ("" when it is not in it).
    stored
        Figures, findings, notes.
    words
        "study/name" to the figure's name in words.
    """
    return {
        "charger": [_charger_row(slug, charger)],
        "ports": [
            {"port": p.id, "connector": p.connector, "power_w": p.power_w, "label": p.label} for p in charger.ports
        ],
        "outputs": _numbered(
            {
                "port": port.id,
                "kind": out.kind,
                "voltage_v": out.voltage_v,
                "min_voltage_v": out.min_voltage_v,
                "max_voltage_v": out.max_voltage_v,
                "current_a": out.current_a,
            }
            for port in charger.ports
            for out in port.outputs
        ),
        "claims": _numbered(
            {
                "figure": claim.figure,
                "sense": claim.sense,
                "value": claim.value,
                "tolerance_ratio": claim.tolerance_ratio,
                "words": claim.words,
                "seen_on": claim.seen_on,
                "conditions": _json(claim.when) if claim.when else "",
                "measured": place not in stored.unmeasured,
            }
            for place, claim in enumerate(charger.claims)
        ),
        "marks": _numbered(
            {"kind": m.kind, "text": m.text, "seen": m.seen, "seen_on": m.seen_on, "note": m.note}
            for m in charger.marks
        ),
        **_instrument_rows(instruments),
        **_raw_rows(entries),
        **_figure_rows(stored, words),
        "findings": _numbered(
            {
                "figure": f.figure,
                "rule": f.rule,
                "title": f.title,
                "origin": f.origin,
                "sense": f.sense,
                "limit": f.limit,
                "limit_high": f.limit_high,
                "decision": f.decision,
                "probability": f.p_conform,
                "source": f.source,
                "reading": f.reading,
                "market": f.market,
                "edition": f.edition,
                "applies_from": f.applies_from,
                "from_memory": f.from_memory,
                "note": f.note,
            }
            for f in stored.findings
        ),
        "notes": _numbered({"study": n.study, "severity": n.severity, "text": n.text} for n in stored.notes),
    }


def as_csv(table: PackTable, rows: Sequence[Row]) -> bytes:
    """The rows as CSV (RFC 4180, UTF-8): empty is missing, infinity is INF, numbers are exact."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    names = [column.name for column in table.columns]
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in names])
    return out.getvalue().encode()


def as_parquet(table: PackTable, rows: Sequence[Row]) -> bytes:
    """The rows as Parquet: an empty text and a number that is none are missing values."""
    schema = {column.name: _POLARS[column.kind] for column in table.columns}
    numbers = {column.name for column in table.columns if column.kind == "number"}
    plain = [{name: _or_none(row.get(name), number=name in numbers) for name in schema} for row in rows]
    target = io.BytesIO()
    pl.DataFrame(plain, schema=schema, orient="row").write_parquet(target, compression="zstd", statistics=True)
    return target.getvalue()


def _charger_row(slug: str, charger: Charger) -> Row:
    plate, sample, price = charger.nameplate, charger.sample, charger.price
    return {
        "slug": slug,
        "name": charger.name,
        "maker": charger.maker,
        "model": charger.model,
        "form": charger.form,
        "prongs": charger.prongs,
        "total_power_w": plate.total_power_w,
        "input_min_v": plate.input_min_v,
        "input_max_v": plate.input_max_v,
        "input_hz": plate.input_hz,
        "input_a": plate.input_a,
        "obtained": sample.obtained,
        "obtained_date": sample.date,
        "serial": sample.serial,
        "price": price.amount if price else None,
        "price_currency": price.currency if price else "",
        "price_date": price.date if price else "",
        "price_kind": price.kind if price else "",
    }


def _instrument_rows(instruments: Mapping[str, Instrument]) -> dict[str, list[Row]]:
    names = ("role", "description", "serial", "calibrated", "due")
    lines = (
        "quantity", "percent_reading", "percent_range", "range_max", "digits", "resolution", "absolute",
        "linearity_percent_range", "reference",
    )  # fmt: skip
    ordered = sorted(instruments.items())
    return {
        "instruments": [{"instrument": key, **{n: getattr(one, n) for n in names}} for key, one in ordered],
        "accuracy": [
            {"instrument": key, "number": place, **{n: getattr(line, n) for n in lines}}
            for key, one in ordered
            for place, line in enumerate(one.accuracy, start=1)
        ],
    }


def _raw_rows(entries: Sequence[tuple[IndexEntry, int, str]]) -> dict[str, list[Row]]:
    files: list[Row] = []
    conditions: list[Row] = []
    instruments: list[Row] = []
    for entry, size, place in entries:
        files.append(
            {
                "file": entry.path,
                "sha256": entry.sha256,
                "bytes": size,
                "included": bool(place),
                "place": place,
                "studies": " ".join(entry.studies),
                "reader": entry.reader,
                "shape": entry.shape,
                "recording": entry.recording,
                "clock_offset_s": entry.clock_offset_s,
                "align": entry.align,
                "taken": entry.taken,
                "imported": entry.imported,
                "note": entry.note,
            }
        )
        conditions += [{"file": entry.path, **_condition(k, v)} for k, v in entry.conditions.items()]
        instruments += [
            {
                "file": entry.path,
                "quantity": quantity,
                "instrument": entry.instruments.get(quantity, ""),
                "range_max": entry.ranges.get(quantity),
            }
            for quantity in sorted({*entry.instruments, *entry.ranges})
        ]
    return {"raw-files": files, "raw-conditions": conditions, "raw-instruments": instruments}


def _figure_rows(stored: Stored, words: Mapping[str, str]) -> dict[str, list[Row]]:
    figures: list[Row] = []
    conditions: list[Row] = []
    sources: list[Row] = []
    budgets: list[Row] = []
    for figure in stored.figures:
        key = figure.key
        figures.append(
            {
                "figure": key,
                "study": figure.study,
                "name": figure.name,
                "title": words.get(f"{figure.study}/{figure.name}") or figure.name.replace("_", " "),
                "value": figure.value,
                "unit": figure.unit,
                "standard_uncertainty": figure.u,
                "coverage_factor": figure.coverage_factor,
                "lower": figure.lower,
                "upper": figure.upper,
                "degrees_of_freedom": figure.dof,
                "method": figure.method,
                "flags": "; ".join(figure.flags),
            }
        )
        conditions += [{"figure": key, **_condition(k, v)} for k, v in figure.conditions.items()]
        sources += [
            {
                "figure": key,
                "number": place,
                "file": rows.file.path,
                "first_line": rows.first,
                "last_line": rows.last,
                "columns": _json(list(rows.columns)),
            }
            for place, rows in enumerate(figure.sources, start=1)
        ]
        budgets += [
            {
                "figure": key,
                "number": place,
                "source": part.source,
                "kind": part.kind,
                "distribution": part.distribution,
                "contribution": part.u,
                "degrees_of_freedom": part.dof,
                "sign": part.sign,
            }
            for place, part in enumerate(figure.budget, start=1)
        ]
    return {
        "figures": figures,
        "figure-conditions": conditions,
        "figure-sources": sources,
        "figure-budgets": budgets,
    }


def _condition(key: str, value: Scalar) -> Row:
    number = float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
    text = ("true" if value else "false") if isinstance(value, bool) else str(value)
    return {"condition": key, "text": text, "number": number}


def _numbered(rows: Any) -> list[Row]:
    return [{"number": place, **row} for place, row in enumerate(rows, start=1)]


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        return repr(value).replace("e", "E") if math.isfinite(value) else "INF" if value > 0 else "-INF"
    return str(value)


def _or_none(value: Any, *, number: bool) -> Any:
    if value is None or value == "" or (isinstance(value, float) and math.isnan(value)):
        return None
    return float(value) if number else value
