"""All chargers together: cables, the catalogue, comparison, and choosing a charger for a set of devices.

Names are loaded when they are first asked for: a cable needs no database.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from brickbook.library.cables import Cable, measured_cable, type_c_drop, warming_c, wire_cable
    from brickbook.library.catalogue import Catalogue, open_catalogue, refresh_catalogue, write_entry
    from brickbook.library.choosing import Use, best_use, yearly_energy_kwh
    from brickbook.library.comparing import Comparison, Item, Items, compare_items
    from brickbook.library.delivery import Sink, VoltageCurve, deliver, longest_cable, measured_curve, steady_voltage
    from brickbook.library.devices import Device, read_devices
    from brickbook.library.offers import Offer, offer_of
    from brickbook.library.pareto import Front, pareto_front
    from brickbook.library.retest import Retest, compare_samples
    from brickbook.library.shelf import Shelf, gather_shelf

__all__ = [
    "Cable",
    "Catalogue",
    "Comparison",
    "Device",
    "Front",
    "Item",
    "Items",
    "Offer",
    "Retest",
    "Shelf",
    "Sink",
    "Use",
    "VoltageCurve",
    "best_use",
    "compare_items",
    "compare_samples",
    "deliver",
    "gather_shelf",
    "longest_cable",
    "measured_cable",
    "measured_curve",
    "offer_of",
    "open_catalogue",
    "pareto_front",
    "read_devices",
    "refresh_catalogue",
    "steady_voltage",
    "type_c_drop",
    "warming_c",
    "wire_cable",
    "write_entry",
    "yearly_energy_kwh",
]

_MODULES = {
    "cables": ("Cable", "measured_cable", "type_c_drop", "warming_c", "wire_cable"),
    "catalogue": ("Catalogue", "open_catalogue", "refresh_catalogue", "write_entry"),
    "choosing": ("Use", "best_use", "yearly_energy_kwh"),
    "comparing": ("Comparison", "Item", "Items", "compare_items"),
    "delivery": ("Sink", "VoltageCurve", "deliver", "longest_cable", "measured_curve", "steady_voltage"),
    "devices": ("Device", "read_devices"),
    "offers": ("Offer", "offer_of"),
    "pareto": ("Front", "pareto_front"),
    "retest": ("Retest", "compare_samples"),
    "shelf": ("Shelf", "gather_shelf"),
}
_HOMES = {name: module for module, names in _MODULES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
