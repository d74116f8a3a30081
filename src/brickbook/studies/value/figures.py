"""Power for size, mass and money.

Nameplate power over the measured box volume or mass, and price over nameplate power (common practice, no source).
"""

from __future__ import annotations

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of, measured_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.uncertainty import Measured, exact

__all__ = ["figures"]

STUDY = "value"
_SIZES = (
    ("identity", "body_volume_cm3", "power_density_w_per_cm3", "W/cm³", "without prongs"),
    ("identity", "volume_with_prongs_cm3", "power_density_w_per_cm3", "W/cm³", "with prongs"),
    ("identity", "mass_g", "specific_power_w_per_g", "W/g", ""),
)


def figures(evidence: Evidence) -> Outcome:
    """Power density, specific power, price per watt and per port."""
    found: list[Figure] = []
    notes: list[Note] = []
    power = evidence.charger.nameplate.total_power_w
    for study, source_name, name, unit, volume in _SIZES:
        source = next((f for f in evidence.earlier if f.study == study and f.name == source_name), None)
        if source is None:
            notes.append(Note(STUDY, "info", f"{name} not determined: {source_name} was not measured."))
            continue
        conditions = Conditions.of(volume=volume or None, nameplate_w=power)
        found.append(
            _figure(
                name,
                power / measured_of(source),
                unit,
                conditions,
                f"nameplate power over {source_name.rpartition('_')[0].replace('_', ' ')}",
                source,
            )
        )
    price = evidence.charger.price
    if price is None:
        notes.append(Note(STUDY, "info", "No price in charger.toml: price per watt and per port not determined."))
    else:
        conditions = Conditions.of(price_kind=price.kind, price_date=price.date)
        per = {"price_per_watt": (power, "W"), "price_per_port": (float(len(evidence.charger.ports)), "port")}
        for name, (count, what) in per.items():
            method = (
                f"{price.kind} price of {price.date} over {'nameplate power' if what == 'W' else 'number of ports'}"
            )
            found.append(
                _figure(name, exact(price.amount / count), f"{price.currency}/{what}", conditions, method, None)
            )
    return Outcome(tuple(found), tuple(notes))


def _figure(
    name: str, measured: Measured, unit: str, conditions: Conditions, method: str, source: Figure | None
) -> Figure:
    return figure_of(
        measured,
        study=STUDY,
        name=name,
        unit=unit,
        conditions=conditions,
        method=method,
        sources=source.sources if source is not None else (),
    )
