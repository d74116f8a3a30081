"""What a port said or was seen to do while some ports were occupied: readings that are no numbers over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Draw", "Observation", "Offer", "OfferKind"]

OfferKind = Literal["fixed", "variable", "battery", "pps", "spr-avs", "epr-avs", "legacy"]
_PREFIX: dict[str, str] = {
    "fixed": "",
    "variable": "variable ",
    "battery": "battery ",
    "pps": "PPS ",
    "spr-avs": "SPR AVS ",
    "epr-avs": "EPR AVS ",
    "legacy": "legacy ",
}


@dataclass(frozen=True, slots=True)
class Offer:
    """One mode a port offers.

    Parameters
    ----------
    kind
        As in `core.charger.Output`, and "variable" and "battery", which no maker prints.
    min_voltage_v, max_voltage_v
        Equal for one set voltage.
    current_a
        Offered current; at the highest voltage, where it depends on the voltage.
    power_w
        Largest power of the mode.
    protocol
        What a legacy mode is recognised by ("BC 1.2 DCP"), as the tester wrote it.
    """

    kind: OfferKind
    min_voltage_v: float
    max_voltage_v: float
    current_a: float
    power_w: float
    protocol: str = ""

    @property
    def label(self) -> str:
        """Words for headings and conditions: "20 V", "PPS 3.3–11 V", "legacy 5 V"."""
        low, high = f"{self.min_voltage_v:g}", f"{self.max_voltage_v:g}"
        volts = f"{high} V" if low == high else f"{low}–{high} V"
        return f"{_PREFIX[self.kind]}{volts}"


@dataclass(frozen=True, slots=True)
class Draw:
    """The most that a port gave in a mode: voltage and current at the largest load it held."""

    contract: str
    voltage_v: float
    current_a: float
    instrument: str


@dataclass(frozen=True, slots=True)
class Observation:
    """One row of an observation sheet.

    Parameters
    ----------
    occupied
        Ports with a device, this one among them, sorted.
    port
        The port looked at.
    line
        Line of the file.
    words
        Source capabilities as they came, where the row has them.
    offers
        Modes the row tells of.
    draw
        What was drawn, where the tester measured it.
    interrupted
        Whether this port's power stopped when the last device was plugged in; `None` when not noted.
    note
        The tester's words.
    """

    occupied: tuple[str, ...]
    port: str
    line: int
    words: tuple[int, ...] = ()
    offers: tuple[Offer, ...] = ()
    draw: Draw | None = None
    interrupted: bool | None = None
    note: str = ""

    @property
    def together(self) -> str:
        """The occupied ports in one word: "A1+C1+C2"."""
        return "+".join(self.occupied)
