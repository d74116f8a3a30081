"""From observation sheets to readings for the inference, and the inference of a charger."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from brickbook.core.charger import Charger, Port
from brickbook.core.observation import Observation, Offer
from brickbook.core.table import Recording, Rows
from brickbook.studies.sharing.inference import MAX_PORTS, Inference, Offered, infer_sharing

__all__ = ["Combination", "claimed_alone_w", "combinations_of", "inferred", "offered_power_w"]

_WORDS_W, _BY_HAND = 0.5, 0.02  # steps of 10 mA at 28 V and some; a power read by hand


@dataclass(frozen=True, slots=True)
class Combination:
    """What was offered to the ports of one combination, in one sheet.

    Parameters
    ----------
    occupied
        Sorted.
    power_w
        Highest power offered to each port looked at [W].
    tolerance_w
        How far each may be off [W].
    rows
        Where it stands.
    """

    occupied: tuple[str, ...]
    power_w: dict[str, float]
    tolerance_w: dict[str, float]
    rows: tuple[Rows, ...]

    @property
    def together(self) -> str:
        """The occupied ports in one word."""
        return "+".join(self.occupied)


def offered_power_w(offers: Iterable[Offer]) -> float | None:
    """Highest power among offers [W]; a PPS object counts only where nothing else is offered."""
    all_of = list(offers)
    firm = [offer.power_w for offer in all_of if offer.kind != "pps"]
    return max(firm or [offer.power_w for offer in all_of], default=None)


def combinations_of(recordings: Iterable[Recording], charger: Charger) -> tuple[Combination, ...]:
    """Combinations in the order of the sheets; rows on ports the charger does not have are left out."""
    known = {port.id for port in charger.ports}
    out: list[Combination] = []
    for recording in recordings:
        for table in recording.tables:
            found: dict[tuple[str, ...], dict[str, list[Observation]]] = {}
            for seen in table.observations:
                if set(seen.occupied) <= known:
                    found.setdefault(seen.occupied, {}).setdefault(seen.port, []).append(seen)
            for occupied, by_port in found.items():
                powers: dict[str, float] = {}
                rows: list[Rows] = []
                near: dict[str, float] = {}
                for port, seens in by_port.items():
                    power = offered_power_w(offer for seen in seens for offer in seen.offers)
                    if power is None:
                        continue
                    powers[port] = power
                    told = any(seen.words for seen in seens)
                    near[port] = _WORDS_W if told else max(_WORDS_W, _BY_HAND * power)
                    lines = [seen.line for seen in seens if seen.offers]
                    rows.append(Rows(table.raw, min(lines), max(lines)))
                if powers:
                    out.append(Combination(occupied, powers, near, tuple(rows)))
    return tuple(out)


def claimed_alone_w(port: Port) -> float:
    """The maker's word on the power of a port alone [W]."""
    if port.power_w is not None:
        return port.power_w
    firm = [output.power_w for output in port.outputs if output.kind != "pps"]
    return max(firm or [output.power_w for output in port.outputs])


def inferred(charger: Charger, combinations: Iterable[Combination]) -> Inference | None:
    """The inference, or `None` for a charger of one port, or of more ports than it can do."""
    if not 2 <= len(charger.ports) <= MAX_PORTS:
        return None
    readings = [Offered(c.occupied, c.power_w, c.tolerance_w) for c in combinations]
    claims = {port.id: claimed_alone_w(port) for port in charger.ports}
    return infer_sharing([port.id for port in charger.ports], readings, claims)
