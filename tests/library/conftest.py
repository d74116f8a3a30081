"""A small book whose results are written down, not measured, so that every number is known."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from brickbook.analysis import Analysis, save
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Price, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Finding
from brickbook.core.instrument import Instrument
from brickbook.core.readings import figure_of
from brickbook.core.uncertainty import Measured, Source


def figure(study, name, value, own, shared=None, *, unit="W", dof=20.0, flags=(), point="here", **conditions) -> Figure:
    """A figure of own scatter and of errors of instruments."""
    terms = {Source(f"scatter at {point}", "A", "normal", dof): own} if own else {}
    terms |= {Source(source, "B", "rectangular"): u for source, u in (shared or {}).items()}
    return figure_of(
        Measured(value, terms),
        study=study,
        name=name,
        unit=unit,
        conditions=Conditions.of(conditions),
        method="written down",
        sources=(),
        flags=flags,
    )


def charger(name, power_w=60.0, *, price=30.0, model="", ports=2, volume=100.0, sharing=(), budgets=()) -> Charger:
    outputs = (
        Output("fixed", 3.0, voltage_v=5.0),
        Output("fixed", 3.0, voltage_v=9.0),
        Output("fixed", power_w / 20, voltage_v=20.0),
    )
    return Charger(
        name=f"Charger {name}",
        maker="An invented maker",
        model=model or name,
        nameplate=Nameplate(power_w),
        ports=tuple(Port(f"C{k + 1}", "usb-c", outputs, power_w=power_w) for k in range(ports)),
        sample=Sample("bought", "2026-10-01"),
        price=Price(price, "EUR", "2026-10-01"),
        sharing=sharing,
        budgets=budgets,
    )


METER = "wall-meter: mains_power_w 1.5"
BENCH = "wall-meter: mains_power_w 300"


def figures_of(standby_w, efficiency, volume=100.0, price_per_w=0.5) -> tuple[Figure, ...]:
    out = [
        figure("identity", "body_volume_cm3", volume, 0.1, unit="cm³"),
        figure("identity", "side_mm", 60.0, 0.1, unit="mm", side="length", of="body"),
        figure("value", "price_per_watt", price_per_w, 0.0, unit="EUR/W", price_kind="street", price_date="2026-10-01"),
        figure("efficiency", "delivered_power_w", 60.0, 0.01, ports="C1", contract="C1 20 V", mains_v=230.0,
               mains_hz=50.0, load_ratio=1.0, voltage_end="highest"),
        figure("efficiency", "loss_w", 60.0 / efficiency - 60.0, 0.01, {BENCH: 0.1}, ports="C1", contract="C1 20 V",
               mains_v=230.0, mains_hz=50.0, load_ratio=1.0, voltage_end="highest"),
    ]  # fmt: skip
    for mains_v, mains_hz in ((115.0, 60.0), (230.0, 50.0)):
        at = {"mains_v": mains_v, "mains_hz": mains_hz}
        out.append(figure("standby", "no_load_power_w", standby_w, 0.0002, {METER: 0.002}, situation="bare", **at))
        out += [
                figure("efficiency", "average_active_efficiency_ratio", efficiency - 0.01 * (port == "C2"), 0.0005,
                       {BENCH: -0.003}, unit="", ports=port, contract=f"{port} 20 V", procedure="us-appendix-z",
                       voltage_end="highest", nameplate_w=60.0 if port == "C1" else 45.0, measured_at="cable end", **at)
                for port in ("C1", "C2")
            ]  # fmt: skip
    return tuple(out)


def finding(of: Figure) -> Finding:
    return Finding(of.key, "rule", "A rule", "standard", 0.1, "max", "meets", 0.99, "a clause")


SHELF = {
    # standby W, efficiency, volume, EUR/W; the first two stand by alike
    "alder": (0.030, 0.90, 100.0, 0.5),
    "birch": (0.0303, 0.92, 90.0, 0.9),
    "cedar": (0.060, 0.91, 110.0, 0.6),
}


def make_book(root: Path, title="A shelf", shelf=None) -> Book:
    book = Book.create(
        root, title=title, publisher="Nobody", energy_price_per_kwh=0.25,
        instruments={name: Instrument("other") for name in ("wall-meter", "both", *(f"meter-{k}" for k in range(1, 10)))},
    )  # fmt: skip
    for slug, numbers in (SHELF if shelf is None else shelf).items():
        put(book, slug, numbers)
    return book


def put(book: Book, slug: str, numbers, **about) -> None:
    described = charger(slug, **about)
    if slug not in book.chargers():
        book.new_charger(slug, described)
    found = figures_of(*numbers)
    analysis = Analysis(described, found, (finding(next(f for f in found if f.study == "standby")),), (), (), ())
    save(book, slug, analysis)


@pytest.fixture
def shelf_book(tmp_path) -> Book:
    return make_book(tmp_path / "book")


@pytest.fixture(scope="session")
def made() -> SimpleNamespace:
    """The makers of this file, for tests that make their own."""
    return SimpleNamespace(
        shelf=SHELF, charger=charger, figure=figure, figures_of=figures_of, make_book=make_book, put=put
    )
