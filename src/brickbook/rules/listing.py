"""Limits for a supply that is only a label: output power, voltage and current."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from brickbook.rules.file import load_rules
from brickbook.rules.model import Limit, Rule
from brickbook.rules.rows import Subject
from brickbook.rules.subject import is_low_voltage

__all__ = ["limits"]

_LOWEST_V = 5.0  # lowest voltage of a USB-C charger; 2 A there, Appendix Z section 3 and (EU) 2025/2052 Annex II 1(h)


def limits(
    output_w: float,
    output_v: float,
    output_a: float | None = None,
    multi: bool = False,
    *,
    packages: Sequence[str],
) -> list[dict[str, Any]]:
    """Every published limit that output power, voltage and current settle, as plain data.

    Harmonic limits are not among them: they need the input power. Where a text treats adaptive supplies apart, both
    are listed, adaptive first, the key `reading` saying which is which; an adaptive supply is taken as a USB-C charger
    whose lowest voltage is 5 V.

    Parameters
    ----------
    output_w, output_v
        Nameplate output power [W] and voltage [V], above 0.
    output_a
        Nameplate output current [A]; `None`: power over voltage.
    multi
        Several voltages at once.
    packages
        Names of the packages whose rules.toml is read.

    Returns
    -------
    list of dict
        Keys rule, quantity, limit, limit_high, sense, source, title, market, edition, applies_from, until, status,
        class, reading, from_memory (confidence, or "").

    Raises
    ------
    ValueError
        When a number is not above 0.
    """
    current_a = output_w / output_v if output_a is None and output_v > 0 else (output_a or 0.0)
    for name, number in (("output_w", output_w), ("output_v", output_v), ("output_a", current_a)):
        if not (number > 0 and math.isfinite(number)):
            raise ValueError(f"{name} must be a number above 0, found {number:g}")
    kind = "multiple-voltage" if multi else ("low-voltage" if is_low_voltage(output_v, current_a) else "basic")
    found: list[dict[str, Any]] = []
    for rule in load_rules(packages):
        for limit in rule.limits:
            found += _entries(rule, limit, kind, output_w, output_v)
    return _merged(found)


def _merged(entries: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Entries that differ in nothing but the reading become one, which names each reading."""
    groups: dict[tuple[tuple[str, Any], ...], list[str]] = {}
    for entry in entries:
        key = tuple((name, value) for name, value in entry.items() if name != "reading")
        groups.setdefault(key, []).append(entry["reading"])
    return [
        {**dict(key), "reading": " | or: ".join(dict.fromkeys(reading for reading in readings if reading))}
        for key, readings in groups.items()
    ]


def _entries(rule: Rule, limit: Limit, kind: str, output_w: float, output_v: float) -> list[dict[str, Any]]:
    if limit.harmonics:
        return []
    if not limit.bands:
        return _plain(rule, limit, output_w, output_v)
    rows = []
    for subject in _asked(limit, kind, output_w):
        bound = limit.bound(subject)
        if bound is not None:
            rows.append(_entry(rule, limit, bound.low, bound.high, rule.source_of(bound), bound.from_memory, subject))
    return rows


def _asked(limit: Limit, kind: str, output_w: float) -> list[Subject]:
    """Subjects of a label: adaptive and not, where the table or the power that picks the row depends on it."""
    apart = any(name.startswith("adaptive-") for name in limit.bands)
    lowest_w = min(output_w, 2.0 * _LOWEST_V * (2 if kind == "multiple-voltage" else 1))
    outputs = 2 if kind == "multiple-voltage" else 1
    count = f"; {outputs} adaptive ports" if kind == "multiple-voltage" and _counts(limit) else ""
    asked = []
    if apart or "lowest" in limit.power:
        for end in limit.power:
            power_w = lowest_w if end == "lowest" else output_w
            words = "" if end == "figure" else f"; row of the power at the {end} voltage, {power_w:.4g} W"
            reading = _words(limit, f"adaptive{words}{count}")
            asked.append(Subject(kind, adaptive=True, power_w=power_w, outputs=outputs, reading=reading))
        asked.append(Subject(kind, adaptive=False, power_w=output_w, reading=_words(limit, "not adaptive")))
    else:
        asked.append(Subject(kind, adaptive=False, power_w=output_w, reading=limit.reading))
    return asked


def _counts(limit: Limit) -> bool:
    return any(row.per_output for rows in limit.bands.values() for row in rows)


def _words(limit: Limit, words: str) -> str:
    return f"{limit.reading}; {words}" if limit.reading else words


def _plain(rule: Rule, limit: Limit, output_w: float, output_v: float) -> list[dict[str, Any]]:
    threshold = limit.input_power_from_w or limit.input_power_above_w
    if threshold is not None and output_w < threshold:  # the input power is above the output power, unknown how far
        return []
    if "contract_v" in limit.when and not math.isclose(float(limit.when["contract_v"]), output_v):
        return []
    bound = limit.bound(base=output_v)
    if bound is None:
        return []
    return [_entry(rule, limit, bound.low, bound.high, rule.source_of(bound), bound.from_memory, None)]


def _entry(
    rule: Rule, limit: Limit, low: float, high: float, source: str, from_memory: str, subject: Subject | None
) -> dict[str, Any]:
    reading = limit.reading if subject is None else subject.reading
    if subject is None and limit.contract:
        reading = f"{' or '.join(limit.contract)} contract"
    if subject is None and limit.connector:
        reading += f"; {' or '.join(limit.connector)} port"
    return {
        "rule": rule.id,
        "quantity": limit.quantity,
        "limit": high if limit.sense == "max" else low,
        "limit_high": high if limit.sense == "range" else None,
        "sense": limit.sense,
        "source": source,
        "title": rule.title,
        "market": rule.market,
        "edition": rule.edition,
        "applies_from": rule.applies_from,
        "until": rule.until,
        "status": rule.status,
        "class": "" if subject is None else subject.kind,
        "reading": reading,
        "from_memory": from_memory,
    }
