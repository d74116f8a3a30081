"""Which current each port carries at each loading condition, and which nameplate power the limits speak of.

Sources: 10 CFR 430 Subpart B Appendix Z (87 FR 51221, 2022) section 6 for adaptive supplies, 5(b)(1)(iv) and
6(b)(1)(iv) for proportional allocation; Regulation (EU) 2025/2052 Annex II Table 5 with footnotes 2 and 3.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from brickbook.core.charger import Charger, Output, Port
from brickbook.core.outlets import derated_a

__all__ = ["RATIOS", "Nameplate", "contract_voltages", "low_load_nameplate", "nameplate_for"]

RATIOS = (1.0, 0.75, 0.5, 0.25)
_REDUCED_A = 2.0  # Appendix Z 6(a)(1)(i)(B)(2): LC1 at the lowest voltage of a USB-PD port
_NEEDED_A = 3.0  # ... of a port that can deliver 3 A there


@dataclass(frozen=True, slots=True)
class Nameplate:
    """Nameplate values the loading conditions are fractions of.

    Parameters
    ----------
    current_a
        Current of each port at 100 % [A].
    voltage_v
        Contract voltage of each port [V].
    power_w
        Sum over ports [W]: P in the limits.
    derating
        Factor D by which shared capacity reduced the currents, 1 for none.
    grouped
        Whether the maker's budget groups took part in the derating.
    reduced
        Whether the 2 A rule applied to any port.
    """

    current_a: Mapping[str, float]
    voltage_v: Mapping[str, float]
    power_w: float
    derating: float
    grouped: bool = False
    reduced: bool = False

    def at(self, ratio: float) -> dict[str, float]:
        """Target current of each port [A] at a loading condition."""
        return {port: ratio * amps for port, amps in self.current_a.items()}


def contract_voltages(contract: str, ports: tuple[str, ...]) -> dict[str, float]:
    """Voltage of each port [V] from a contract as the index writes it.

    "20 V" or "legacy 5 V" for one port, "A1 5 V + C1 20 V" for several.

    Raises
    ------
    ValueError
        When the text names other ports or no voltage.
    """
    parts = [part.strip() for part in contract.split("+")]
    volts: dict[str, float] = {}
    for part in parts:
        words = part.split()
        if len(words) < 2 or words[-1] != "V":
            raise ValueError(f'contract {contract!r} is not written like "20 V" or "C1 20 V + A1 5 V"')
        port = words[0] if words[0] in ports else (ports[0] if len(ports) == 1 else "")
        try:
            volts[port] = float(words[-2])
        except ValueError as error:
            raise ValueError(f"contract {contract!r}: {words[-2]!r} is not a voltage") from error
    if sorted(volts) != sorted(ports):
        raise ValueError(f"contract {contract!r} does not name the loaded ports {', '.join(ports)} one by one")
    return volts


def nameplate_for(charger: Charger, volts: Mapping[str, float], *, lowest: bool) -> Nameplate:
    """Nameplate currents and power for the average active efficiency.

    Parameters
    ----------
    charger
        Claims.
    volts
        Contract voltage of each loaded port [V].
    lowest
        At the lowest nameplate voltage USB-PD ports that can give 3 A there are loaded to 2 A, and count with
        voltage x 2 A.
    """
    amps: dict[str, float] = {}
    reduced = False
    for port_id, voltage in volts.items():
        port = charger.port(port_id)
        current = output_at(port, voltage).current_a
        if lowest and port.is_pd and current >= _NEEDED_A:
            current, reduced = _REDUCED_A, True
        amps[port_id] = current
    return _shared(charger, volts, amps, reduced=reduced)


def low_load_nameplate(charger: Charger, volts: Mapping[str, float]) -> Nameplate:
    """The same for the 10 % condition, which is a tenth of the full nameplate current also at the lowest voltage.

    Regulation (EU) 2025/2052 Annex II Table 5 footnote 2 reduces only loading conditions 1 to 4.
    """
    amps = {port: output_at(charger.port(port), v).current_a for port, v in volts.items()}
    return _shared(charger, volts, amps, reduced=False)


def output_at(port: Port, voltage_v: float) -> Output:
    """The claimed output of a port at a voltage; a set output before an adjustable range.

    Raises
    ------
    LookupError
        When the maker claims no such voltage.
    """
    for output in port.fixed:
        if abs(output.top_voltage_v - voltage_v) < 0.01:
            return output
    for output in port.outputs:
        low, high = output.min_voltage_v, output.max_voltage_v
        if low is not None and high is not None and low - 0.01 <= voltage_v <= high + 0.01:
            return output
    raise LookupError(f"charger.toml claims no {voltage_v:g} V output on port {port.id}")


def _shared(charger: Charger, volts: Mapping[str, float], amps: Mapping[str, float], *, reduced: bool) -> Nameplate:
    current, derating, grouped = derated_a(charger, volts, amps)
    power = sum(volts[p] * current[p] for p in volts)
    return Nameplate(current, dict(volts), power, derating, grouped, reduced)
