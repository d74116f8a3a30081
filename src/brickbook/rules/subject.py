"""Which class a supply is in and which power picks its band: from the maker's claims and a figure's conditions.

Terms are those of 10 CFR 430.2 and of Appendix Z to Subpart B of Part 430, section 3, which (EU) 2019/1782 Art. 2 and
(EU) 2025/2052 Art. 2 share. Where a text leaves room each reading is returned, with its name; the caller judges all.
Nameplate voltages are those of the fixed outputs; a programmable range counts only for a port that has no fixed output.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from brickbook.core.charger import Charger, Output, Port
from brickbook.core.conditions import Conditions
from brickbook.rules.model import Limit, Rule
from brickbook.rules.rows import Subject

__all__ = [
    "contract_of",
    "derating_factor",
    "is_adaptive",
    "is_low_voltage",
    "lowest_power_w",
    "output_count",
    "subjects",
    "takes_two_amperes",
]

End = Literal["highest", "lowest"]
_Choice = tuple[str, str]  # what is chosen, and the reading it stands for

_CONTRACT = re.compile(r"(?:(?P<port>\S+)\s+)??(?:(?P<kind>PPS|AVS|legacy)\s+)?(?P<volts>\d+(?:\.\d+)?)\s*V")


def contract_of(conditions: Conditions) -> tuple[str, float] | None:
    """Kind ("fixed", "pps", "avs", "legacy") and voltage [V] of the contract the figure's port had, where it is stated.

    With several ports ("C1 20 V + A1 5 V") it is the part that names the figure's `port`. `output_kind`, where the
    study states it, tells the kind.
    """
    text, told = conditions.get("contract"), conditions.get("output_kind")
    if not isinstance(text, str):
        return None
    parts = [match for match in (_CONTRACT.fullmatch(part.strip()) for part in text.split("+")) if match]
    own = [match for match in parts if match["port"] == conditions.get("port")]
    chosen = own or [match for match in parts if match["port"] is None]
    if len(chosen) != 1:
        return None
    kind = told if isinstance(told, str) else (chosen[0]["kind"] or "fixed")
    return ("avs" if kind.endswith("avs") else kind.lower()), float(chosen[0]["volts"])


def is_low_voltage(voltage_v: float, current_a: float) -> bool:
    """Below 6 V and at least 550 mA (10 CFR 430.2; (EU) 2019/1782 Art. 2(2); (EU) 2025/2052 Art. 2(19))."""
    return voltage_v < 6.0 and current_a >= 0.550


def is_adaptive(port: Port) -> bool:
    """Whether the port changes its voltage by a digital protocol (App. Z section 3): several voltages, or a range."""
    voltages = {output.voltage_v for output in port.outputs}
    return None in voltages or len(voltages) > 1


def takes_two_amperes(port: Port) -> bool:
    """Whether the lowest voltage counts with 2 A: a USB PD port that can give 3 A there.

    10 CFR 430 Appendix Z section 3 (USB-PD, nameplate output power); (EU) 2025/2052 Annex II 1(h).
    """
    return port.is_pd and is_adaptive(port) and _at(port, "lowest")[1] >= 3.0 * (1 - 1e-9)


def lowest_power_w(port: Port, *, two_amperes: bool) -> float:
    """Nameplate power of a port at its lowest voltage [W], with 2 A for the label's current where that holds."""
    voltage_v, current_a = _at(port, "lowest")
    return voltage_v * (2.0 if two_amperes and takes_two_amperes(port) else current_a)


def derating_factor(total_power_w: float, port_powers_w: Sequence[float]) -> float:
    """Factor D on the load currents of a supply whose ports share its power (App. Z 5(a)(1)(iv), 6(b)(1)(iv)).

    D = P_total / sum of V I over the ports; currents are multiplied by it only where it is below 1.

    Parameters
    ----------
    total_power_w
        Highest output power of the whole supply [W].
    port_powers_w
        Nameplate power of each port [W]; at the lowest voltage a USB-PD port counts with at most 10 W.
    """
    return total_power_w / sum(port_powers_w)


def output_count(ports: Sequence[Port]) -> int:
    """N of (EU) 2025/2052 Annex II Table 1: adaptive ports, and unique fixed voltages on the other outputs."""
    adaptive = [port for port in ports if is_adaptive(port)]
    voltages = {_at(port, "highest")[0] for port in ports if not is_adaptive(port)}
    return len(adaptive) + len(voltages)


def subjects(limit: Limit, rule: Rule, conditions: Conditions, charger: Charger) -> tuple[Subject, ...]:
    """What to ask a limit with bands, each reading of the text apart.

    Parameters
    ----------
    conditions
        Of the figure: `ports` (or `port`), `voltage_end`, `nameplate_w`, `nameplate_v`, `nameplate_a` and
        `lowest_current` where the study states them; what it does not state is taken from the charger's claims.
    """
    if limit.power == ("figure",):
        return tuple(_of_figure(limit, rule, conditions, charger))
    found = []
    ends = limit.power if any(is_adaptive(port) for port in charger.ports) else ("highest",)
    for end in ends:
        power_w = _unit_power_w("lowest" if end == "lowest" else "highest", charger)
        words = ""
        if len(ends) > 1:
            words = f"row of the power at the {end} voltage, {power_w:.4g} W"
        found += [
            _subject(kind, charger.ports, power_w, (limit.reading, words, why))
            for kind, why in _kinds(charger.ports, charger, "lowest" if end == "lowest" else "highest")
        ]
    return tuple(found)


def _of_figure(limit: Limit, rule: Rule, conditions: Conditions, charger: Charger) -> list[Subject]:
    ports = ports_of(conditions, charger)
    stated_end = conditions.get("voltage_end", "highest")
    if stated_end not in ("highest", "lowest"):  # the texts judge an adaptive supply at its two ends only
        return []
    end: End = "lowest" if stated_end == "lowest" else "highest"
    adaptive = any(is_adaptive(port) for port in ports)
    loading = _loadings(limit, rule, conditions, ports) if end == "lowest" and adaptive else [("", "")]
    stated = str(conditions.get("reading", ""))
    found = []
    for current, why_current in loading:
        for power_w, why_power in _powers(conditions, charger, ports, end, two_amperes=current == "2 A"):
            for kind, why_kind in _kinds(ports, charger, end, conditions):
                words = (limit.reading, why_kind, why_current, why_power, stated)
                found.append(_subject(kind, ports, power_w, words))
    return found


def _subject(kind: str, ports: Sequence[Port], power_w: float, words: Sequence[str]) -> Subject:
    adaptive = any(is_adaptive(port) for port in ports)
    return Subject(kind, adaptive, power_w, output_count(ports), "; ".join(dict.fromkeys(w for w in words if w)))


def ports_of(conditions: Conditions, charger: Charger) -> tuple[Port, ...]:
    """Ports the figure is about; all of them where it names none. An unknown id raises `KeyError`."""
    named = conditions.get("ports", conditions.get("port"))
    if not isinstance(named, str):
        return charger.ports
    return tuple(charger.port(part.strip()) for part in named.split("+"))


def _kinds(ports: Sequence[Port], charger: Charger, end: End, conditions: Conditions | None = None) -> list[_Choice]:
    """Class of the supply by each reading."""
    ids = [port.id for port in ports]
    part = "" if len(ids) == len(charger.ports) else f"{' + '.join(ids)} alone, as if it were the whole supply"
    single = "low-voltage" if _low(ports, end, conditions) else "basic"
    if len(ports) == 1:
        return [(single, part)]
    apart = any(len({_at(port, which)[0] for port in ports}) > 1 for which in ("highest", "lowest"))
    if apart:
        return [("multiple-voltage", part)]
    if not any(is_adaptive(port) for port in ports):
        return [(single, part)]
    return [
        ("multiple-voltage", _join(part, "multiple-voltage: its ports can be at different voltages at once")),
        (single, _join(part, "single-voltage: its ports taken at one and the same voltage")),
    ]


def _low(ports: Sequence[Port], end: End, conditions: Conditions | None) -> bool:
    voltage_v, current_a = _at(ports[0], end)
    current_a = sum(_at(port, end)[1] for port in ports) if len(ports) > 1 else current_a
    if conditions is not None and len(ports) == 1:
        voltage_v = conditions.number("nameplate_v") if "nameplate_v" in conditions else voltage_v
        current_a = conditions.number("nameplate_a") if "nameplate_a" in conditions else current_a
    return is_low_voltage(voltage_v, current_a)


def _loadings(limit: Limit, rule: Rule, conditions: Conditions, ports: Sequence[Port]) -> list[_Choice]:
    """How the lowest voltage was loaded, where the text means that loading; nothing where it does not."""
    if not limit.lowest_current:
        return [("", "")]
    able = any(takes_two_amperes(port) for port in ports)
    wanted: dict[str, str]
    if not able or limit.lowest_current == "nameplate":
        wanted = {"nameplate": ""}
    elif limit.lowest_current == "either":
        wanted = {"2 A": "2 A at the lowest voltage", "nameplate": "nameplate current at the lowest voltage"}
    elif _leaves_window(rule, ports):
        low, high = rule.usb_pd_window_v or (0.0, 0.0)
        wanted = {
            "2 A": "2 A at the lowest voltage, as for a USB-PD supply",
            "nameplate": f"nameplate current, its voltages going beyond the {low:g}-{high:g} V of a USB-PD supply",
        }
    else:
        wanted = {"2 A": ""}
    have = str(conditions.get("lowest_current", "nameplate"))
    return [(have, wanted[have])] if have in wanted else []


def _leaves_window(rule: Rule, ports: Sequence[Port]) -> bool:
    if rule.usb_pd_window_v is None:
        return False
    low, high = rule.usb_pd_window_v
    tops = [o for port in ports if port.is_pd for o in port.outputs if o.kind != "pps"]
    return any(output.top_voltage_v > high or _bottom(output) < low for output in tops)


def _powers(
    conditions: Conditions, charger: Charger, ports: Sequence[Port], end: End, *, two_amperes: bool
) -> list[tuple[float, str]]:
    """Nameplate power that picks the band, by each reading."""
    total_w = charger.nameplate.total_power_w
    powers_w = [lowest_power_w(p, two_amperes=two_amperes) if end == "lowest" else _highest_w(p) for p in ports]
    if "nameplate_w" in conditions and not (two_amperes and len(ports) == 1):
        claimed_w = conditions.number("nameplate_w")
    else:
        claimed_w = min(sum(powers_w), total_w)
    if not (end == "lowest" and two_amperes and len(ports) > 1 and derating_factor(total_w, powers_w) < 1):
        return [(claimed_w, "")]
    readings = [(total_w, "D also scales the 2 A loads"), (sum(powers_w), "D does not scale the 2 A loads")]
    # the loads of the figure were set by one of the two, and its nameplate power tells which
    told = [r for r in readings if "nameplate_w" in conditions and abs(r[0] - claimed_w) <= 1e-3 * claimed_w]
    return told or readings


def _unit_power_w(end: End, charger: Charger) -> float:
    total_w = charger.nameplate.total_power_w
    if end == "highest":
        return total_w
    return min(total_w, sum(lowest_power_w(port, two_amperes=True) for port in charger.ports))


def _highest_w(port: Port) -> float:
    voltage_v, current_a = _at(port, "highest")
    return voltage_v * current_a


def _at(port: Port, end: End) -> tuple[float, float]:
    """Nameplate voltage [V] and current [A] at one end of the port's voltages."""
    if port.fixed:
        output = port.fixed[-1 if end == "highest" else 0]
        same = [o.current_a for o in port.fixed if o.top_voltage_v == output.top_voltage_v]
        return output.top_voltage_v, max(same)
    output = max(port.outputs, key=lambda o: o.top_voltage_v) if end == "highest" else min(port.outputs, key=_bottom)
    return (output.top_voltage_v if end == "highest" else _bottom(output)), output.current_a


def _bottom(output: Output) -> float:
    return output.min_voltage_v if output.min_voltage_v is not None else output.top_voltage_v


def _join(*words: str) -> str:
    return "; ".join(word for word in words if word)
