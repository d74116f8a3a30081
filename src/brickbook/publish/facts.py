"""What is known of a charger, its sample and the bench, as rows of words for the report."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.charger import Charger, Claim, Mark, Output, Price, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.quantities import QUANTITIES
from brickbook.core.study import Settings
from brickbook.publish.numbers import plain_text, quantity_of_figure, unit_text
from brickbook.publish.wording import source_text

__all__ = [
    "BudgetRow",
    "InstrumentRow",
    "accuracy_text",
    "budget_rows",
    "claim_rows",
    "facts",
    "instrument_rows",
    "mains_text",
    "mark_rows",
    "port_rows",
    "price_text",
    "sample_text",
]

_CONNECTORS = {"usb-c": "USB-C", "usb-a": "USB-A", "captive": "captive cable", "barrel": "barrel plug"}
_OUTPUTS = {"fixed": "", "pps": "PPS ", "spr-avs": "SPR AVS ", "epr-avs": "EPR AVS ", "legacy": "legacy "}
_FORMS = {"wall": "wall charger", "desktop": "desktop charger"}
_PRONGS = {
    "folding": "folding prongs",
    "fixed": "fixed prongs",
    "cord": "mains cord",
    "exchangeable": "exchangeable plug",
}
_MARKS = {
    "safety-listing": "safety listing",
    "efficiency-level": "efficiency level",
    "conformity": "conformity",
    "other": "other",
}
_OBTAINED = {"bought": "bought by the tester", "received": "received from the maker or a seller", "lent": "lent"}


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """A line of an uncertainty budget in the unit its figure is shown in, with its share of the variance."""

    source: str
    kind: str
    distribution: str
    u: str
    dof: str
    share: str


@dataclass(frozen=True, slots=True)
class InstrumentRow:
    """An instrument in words."""

    name: str
    instrument: Instrument
    role: str
    accuracy: tuple[str, ...]
    overdue: bool = False  # its calibration was due before the last reading


def facts(charger: Charger) -> str:
    """One line: form, prongs, nameplate power and ports."""
    count: dict[str, int] = {}
    for port in charger.ports:
        word = _CONNECTORS[port.connector]
        count[word] = count.get(word, 0) + 1
    ports = ", ".join(f"{n} × {word}" for word, n in count.items())
    return (
        f"{plain_text(charger.nameplate.total_power_w)}\u00a0W {_FORMS[charger.form]} with {_PRONGS[charger.prongs]}; "
        f"{ports}"
    )


def sample_text(sample: Sample) -> str:
    """How the sample came to the bench."""
    parts = [_OBTAINED[sample.obtained] + (f" on {sample.date}" if sample.date else "")]
    parts.append(f"serial number {sample.serial}" if sample.serial else "no serial number recorded")
    if sample.note:
        parts.append(sample.note)
    return "One sample, " + "; ".join(parts)


def price_text(price: Price | None) -> str:
    """The price and which it is; empty when none is known."""
    if price is None:
        return ""
    kind = {"paid": "paid", "list": "list price", "street": "street price"}[price.kind]
    note = f"; {price.note}" if price.note else ""
    return f"{price.amount:.2f}\u00a0{price.currency}, {kind}, {price.date}{note}"


def mains_text(conditions: Iterable[Conditions], settings: Settings) -> str:
    """The mains supplies of the raw files; those the book plans when none names one."""
    found: dict[tuple[float, float], None] = {}
    for one in conditions:
        volt, hertz = one.get("mains_v"), one.get("mains_hz", 0.0)
        if isinstance(volt, (int, float)) and isinstance(hertz, (int, float)):
            found[float(volt), float(hertz)] = None
    known = {volt for volt, hertz in found if hertz}
    supplies = sorted((v, h) for v, h in found if h or v not in known)
    if not supplies:
        planned = ", ".join(_supply(m.voltage_v, m.frequency_hz) for m in settings.mains)
        return f"no raw file names its mains; the book plans {planned}" if planned else "not recorded"
    return ", ".join(_supply(v, h) for v, h in supplies)


def _supply(volt: float, hertz: float) -> str:
    return f"{volt:g}\u00a0V {hertz:g}\u00a0Hz" if hertz else f"{volt:g}\u00a0V"


def port_rows(charger: Charger) -> list[tuple[str, str, str, str]]:
    """Port, connector, outputs and power as the maker states them."""
    return [
        (
            port.id + (f" ({port.label})" if port.label else ""),
            _CONNECTORS[port.connector],
            "; ".join(_output(output) for output in port.outputs),
            f"{plain_text(port.power_w)}\u00a0W" if port.power_w is not None else "not stated",
        )
        for port in charger.ports
    ]


def _output(output: Output) -> str:
    if output.voltage_v is not None:
        volts = f"{output.voltage_v:g}\u00a0V"
    else:
        volts = f"{output.min_voltage_v:g}–{output.max_voltage_v:g}\u00a0V"
    return f"{_OUTPUTS[output.kind]}{volts} {output.current_a:g}\u00a0A"


def claim_rows(claims: Sequence[Claim]) -> list[tuple[str, str, str]]:
    """Words as printed, where, and the figure that would test it."""
    return [(claim.words, claim.seen_on, claim.figure) for claim in claims]


def mark_rows(marks: Sequence[Mark]) -> list[tuple[str, str, str, str]]:
    """Mark, kind, whether and where it was seen, note."""
    return [
        (
            mark.text,
            _MARKS[mark.kind],
            (f"seen on the {mark.seen_on}" if mark.seen_on else "seen") if mark.seen else "looked for, not seen",
            mark.note,
        )
        for mark in marks
    ]


def instrument_rows(instruments: Mapping[str, Instrument], *, last_reading: str = "") -> list[InstrumentRow]:
    """Instruments by name; one whose calibration was due before the day of the last reading is marked."""
    return [
        InstrumentRow(
            name,
            each,
            each.role.replace("-", " "),
            tuple(accuracy_text(line) for line in each.accuracy),
            bool(each.due and last_reading and str(each.due) < last_reading),
        )
        for name, each in sorted(instruments.items())
    ]


def accuracy_text(line: Accuracy) -> str:
    """A line of an accuracy table in words: "mains power: ±(0.1 % of reading + 0.1 % of 150 W)"."""
    known = QUANTITIES.get(line.quantity)
    label, unit = (known.label, unit_text(known.unit)) if known else (line.quantity, "")
    space = f"\u00a0{unit}" if unit else ""
    terms = []
    if line.percent_reading:
        terms.append(f"{line.percent_reading:g}\u00a0% of reading")
    if line.percent_range:
        terms.append(f"{line.percent_range:g}\u00a0% of {line.range_max:g}{space}")
    if line.digits:
        terms.append(f"{line.digits:g} × {line.resolution:g}{space}")
    if line.absolute:
        terms.append(f"{line.absolute:g}{space}")
    upto = f" up to {line.range_max:g}{space}" if line.range_max and not line.percent_range else ""
    return f"{label}{upto}: ±({' + '.join(terms)})"


def budget_rows(figure: Figure) -> list[BudgetRow]:
    """The budget of a figure, contributions in the unit it is shown in.

    Of many sources those below 1 % of the variance stand together in one row, so that the sum stays whole.
    """
    quantity = quantity_of_figure(figure.name, figure.unit, figure.value, figure.u)
    total = math.fsum(c.u**2 for c in figure.budget)
    if total == 0.0:
        return []

    def shown(u: float) -> str:
        text = plain_text(float(f"{u * float(quantity.factor):.2g}"))
        return f"{text}\u00a0{quantity.unit}" if quantity.unit else text

    small = [part for part in figure.budget if part.u**2 < 0.01 * total]
    small = small if len(small) > 1 else []
    rows = [
        BudgetRow(
            source_text(part.source),
            part.kind,
            part.distribution,
            shown(part.u),
            "∞" if math.isinf(part.dof) else f"{part.dof:.0f}",
            _share(part.u**2 / total),
        )
        for part in figure.budget
        if part not in small
    ]
    if small:
        variance = math.fsum(part.u**2 for part in small)
        kinds = "/".join(sorted({part.kind for part in small}))
        name = f"{len(small)} smaller ones together"
        rows.append(BudgetRow(name, kinds, "—", shown(math.sqrt(variance)), "—", _share(variance / total)))
    return rows


def _share(ratio: float) -> str:
    return f"{100 * ratio:.0f}\u00a0%" if ratio >= 0.005 else "under 1\u00a0%"
