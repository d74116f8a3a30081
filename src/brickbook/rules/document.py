"""The list of all limits, made from the data, so that it cannot say anything else than what is judged."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from brickbook.rules.file import load_rules
from brickbook.rules.model import Limit, Rule
from brickbook.rules.rows import Band, Harmonic, Supply

__all__ = ["MARK", "limit_table", "limit_words", "rule_facts", "rules_page"]

MARK = "<!-- from here on made from the data; do not edit -->\n"
"""Line of the page below which it is made from the data."""


def rules_page(rules: Sequence[Rule]) -> str:
    """The limits in Markdown.

    Parameters
    ----------
    rules
        From `load_rules`; rules of one id are shown together.
    """
    by_id: dict[str, list[Rule]] = {}
    for rule in rules:
        by_id.setdefault(rule.id, []).append(rule)
    parts = ["## Limits\n"]
    parts += [_section(group) for group in by_id.values() if any(rule.limits for rule in group)]
    parts.append("## Texts whose numbers are not here\n")
    parts.append("Known to set limits; none is guessed.\n")
    rows = [
        (f"{rule.title} (`{rule.id}`)", rule.market, rule.edition, rule.applies_from, rule.status, why)
        for rule in rules
        if (why := f"{rule.not_available}. {rule.note}".strip(". "))
        if rule.not_available
    ]
    parts.append(_table(("text", "market", "edition", "applies from", "status", "why not, and what is known"), rows))
    return "\n".join(parts)


def rule_facts(group: Sequence[Rule]) -> list[tuple[str, str]]:
    """What is known of a text, as pairs of a word and its value; `group` holds the rules of one id."""
    first = group[0]
    about = [
        ("id", f"`{first.id}`"),
        ("market", first.market),
        ("edition", first.edition),
        ("clause", "; ".join(dict.fromkeys(rule.source for rule in group))),
        ("applies", " ".join(w for w in (first.applies_from, f"to {first.until}" if first.until else "") if w)),
        ("status", first.status),
        ("mains", "; ".join(_supply(supply) for supply in first.mains) or "any"),
        ("procedures", "; ".join(f"`{name}`{f' ({why})' if why else ''}" for name, why in first.procedures.items())),
        ("only with mark", first.mark),
        ("window of a USB-PD supply", _window(first)),
        ("note", " ".join(dict.fromkeys(rule.note for rule in group if rule.note))),
    ]
    return [pair for pair in about if pair[1]]


def _section(group: Sequence[Rule]) -> str:
    lines = [f"### {group[0].title}\n", _table(("what", "text"), rule_facts(group))]
    for rule in group:
        for limit in rule.limits:
            words = {"min": "at least", "max": "at most", "range": "between"}[limit.sense]
            further = "".join(f"; {word}" for word in limit_words(limit))
            lines.append(f"`{limit.figure}` ({limit.quantity}), {words}; {limit.source or rule.source}{further}\n")
            lines.append(_table(*limit_table(limit)))
    return "\n".join(lines)


def _window(rule: Rule) -> str:
    return "" if rule.usb_pd_window_v is None else f"{rule.usb_pd_window_v[0]:g} to {rule.usb_pd_window_v[1]:g} V"


def _supply(supply: Supply) -> str:
    hertz = "" if supply.frequency_hz is None else f" {supply.frequency_hz:g} Hz"
    if supply.voltage_v is None or supply.tolerance_ratio is None:
        return f"{supply.min_voltage_v:g} V and above{hertz}"
    return f"{supply.voltage_v:g} V ± {100 * supply.tolerance_ratio:g} %{hertz}"


def limit_table(limit: Limit) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows of a limit's table; P is the nameplate output power [W]."""
    if limit.bands:
        found: list[tuple[str, ...]] = []
        for name, rows in limit.bands.items():
            low = 0.0
            for row in rows:
                mark = _memory(row.from_memory or limit.from_memory)
                found.append((name, _span(row, low), _formula(row), row.source, mark))
                low = row.top
        return ("class", "P", "limit", "clause, where another", "mark"), found
    mark = _memory(limit.from_memory)
    if limit.harmonics:
        orders = [f"{row.order}" + (f" to {row.to}, every second" if row.to else "") for row in limit.harmonics]
        return ("n", "limit", "mark"), [(n, _harmonic(r), mark) for n, r in zip(orders, limit.harmonics, strict=True)]
    factor = f" × {limit.times}" if limit.times else ""
    number = f"{limit.value:g}{factor}" if limit.value is not None else f"{limit.low:g} to {limit.high:g}{factor}"
    return ("limit", "mark"), [(number, mark)]


def limit_words(limit: Limit) -> list[str]:
    """What else narrows a limit, in words."""
    power = {"highest": "P at the highest voltage", "lowest": "P at the lowest voltage"}
    loading = {"2 A": "2 A at the lowest voltage", "nameplate": "nameplate current at the lowest voltage"}
    words = [
        limit.reading,
        *(
            f"{key} = {value:g}" if isinstance(value, float) else f"{key} = {value}"
            for key, value in limit.when.items()
        ),
        f"{', '.join(limit.contract)} contract" if limit.contract else "",
        f"{', '.join(limit.connector)} port" if limit.connector else "",
        f"at the {limit.measured_at}" if limit.measured_at else "",
        " or ".join(power[end] for end in limit.power if end in power),
        loading.get(limit.lowest_current, "either current at the lowest voltage" if limit.lowest_current else ""),
        f"input power above {limit.input_power_above_w:g} W" if limit.input_power_above_w else "",
        f"input power from {limit.input_power_from_w:g} W" if limit.input_power_from_w else "",
        limit.note,
    ]
    return [word for word in words if word]


def _span(row: Band, before: float) -> str:
    """The powers of a row, which begins where the row before it ends unless it says otherwise."""
    start = row.above if row.above is not None else before
    high = f"P ≤ {row.to:g}" if row.to is not None else (f"P < {row.below:g}" if row.below is not None else "")
    if row.at_least is not None:
        return f"{row.at_least:g} ≤ {high} W" if high else f"P ≥ {row.at_least:g} W"
    if not start:
        return f"{high} W" if high else "any"
    return f"{start:g} < {high} W" if high else f"P > {start:g} W"


def _formula(row: Band) -> str:
    terms = [f"{row.a:g} ln P"] if row.a else []
    if row.b:
        terms.append(f"{row.b:g} P")
    if row.c or not terms:
        terms.append(f"{row.c:g}")
    if row.per_output:
        terms.append(f"{row.per_output:g} (N - 1)")
    text = " + ".join(terms).replace("+ -", "- ")
    return text if row.cap is None else f"{text}, at most {row.cap:g}"


def _harmonic(row: Harmonic) -> str:
    cap = f"{row.cap:g} A" if row.cap is not None else f"{row.cap_over_n:g}/n A"
    if row.per_watt is not None:
        return f"{1000 * row.per_watt:g} mA/W, at most {cap}"
    return cap if row.per_watt_over_n is None else f"{1000 * row.per_watt_over_n:g}/n mA/W, at most {cap}"


def _memory(mark: str) -> str:
    return f"*memory*, {mark}" if mark else ""


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in (head, *rows)]
    lines.insert(1, "|" + "---|" * len(head))
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str]) -> None:
    """Write the page anew: arguments are its path, and optionally the packages whose rules it shows."""
    path, packages = Path(arguments[0]), arguments[1:]
    studies = ("efficiency", "standby", "regulation", "identity", "value")
    rules = load_rules(packages or [f"brickbook.studies.{study}" for study in studies])
    kept = path.read_text(encoding="utf-8").partition(MARK)[0]
    path.write_text(f"{kept}{MARK}\n{rules_page(rules)}", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
