"""Which captures belong together: those of one port at one mains supply, contract and load."""

from __future__ import annotations

from dataclasses import dataclass, field

from brickbook.core.capture import Capture, Channel
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.figure import Note
from brickbook.core.study import Evidence
from brickbook.core.table import Recording

__all__ = ["Point", "captured_points", "conditions_of", "ripple_hz_of"]

_KEYS = (
    "mains_v",
    "mains_hz",
    "port",
    "contract",
    "output_v",
    "output_kind",
    "load_a",
    "load_ratio",
    "measured_at",
    "situation",
)


@dataclass(slots=True)
class Point:
    """Captures of one port under the same conditions, a long slow one beside a short fast one perhaps."""

    conditions: Conditions
    captures: list[tuple[Capture, Channel, Recording]] = field(default_factory=list)

    @property
    def ripple_hz(self) -> float | None:
        """Twice the mains frequency [Hz], where it is stated."""
        return ripple_hz_of(self.conditions)


def ripple_hz_of(conditions: Conditions) -> float | None:
    """Twice the mains frequency [Hz]; `None` where it is not stated."""
    return 2.0 * conditions.number("mains_hz") if "mains_hz" in conditions else None


def captured_points(evidence: Evidence, notes: list[Note]) -> list[Point]:
    """Points in the order of their first captures; recordings without a usable capture become notes."""
    points: dict[Conditions, Point] = {}
    for recording in evidence.recordings:
        used = False
        for capture in recording.captures:
            for channel in capture.channels:
                if channel.quantity != "port_voltage_v":
                    continue
                used = True
                conditions = conditions_of(recording.conditions, capture.conditions, channel.place)
                try:
                    evidence.charger.port(channel.place)
                except KeyError:
                    text = f"{recording.name}: the charger has no port {channel.place!r}; its capture is not used"
                    notes.append(Note("ripple", "warning", text, conditions))
                    continue
                points.setdefault(conditions, Point(conditions)).captures.append((capture, channel, recording))
        if not used:
            text = f"{recording.name}: holds no capture of an output voltage, so there is no ripple figure"
            notes.append(Note("ripple", "warning", text, recording.conditions))
    return list(points.values())


def conditions_of(recording: Conditions, capture: Conditions, port: str) -> Conditions:
    """Conditions of the figures of a port in a capture."""
    merged: dict[str, Scalar] = {k: v for k, v in (*recording.items(), *capture.items()) if k in _KEYS}
    merged["port"] = port
    contract = merged.get("contract")
    if isinstance(contract, str) and "output_kind" not in merged:
        first = contract.split()[0]
        merged["output_kind"] = {"PPS": "pps", "AVS": "avs", "legacy": "legacy"}.get(first, "fixed")
    return Conditions.of(merged)
