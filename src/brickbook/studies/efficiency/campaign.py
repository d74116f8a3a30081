"""What a campaign needs for efficiency: the loading conditions of the procedures as steps of a log.

Sources: 10 CFR 430 Subpart B Appendix Z 5(a)(1)(ii) (warm-up of 30 minutes), the definition of average active-mode
efficiency (100, 75, 50, 25 % in this order), 6(a)(1)(i)(B) (2 A at the lowest voltage); Regulation (EU) 2025/2052 Annex
II Table 5 (10 %, of the nameplate current also at the lowest voltage).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from brickbook.core.charger import Charger
from brickbook.core.outlets import (
    Asked,
    alike_ports,
    end_contract,
    port_combinations,
    settings_for,
    stands_for,
    strongest_port,
)
from brickbook.core.plan import Dwell, PlanStep, PlanTask, Size
from brickbook.core.study import Mains, Settings
from brickbook.plateaus.rules import US_MULTIPLE_VOLTAGE, US_SINGLE_VOLTAGE
from brickbook.studies.efficiency.loading import RATIOS, low_load_nameplate, nameplate_for
from brickbook.studies.efficiency.procedure import PROCEDURE

__all__ = ["tasks"]

_WARM_UP_S = 1800.0
_SHORTEST_S = 360.0  # the five minutes of the stability check, and one for the load to settle
_LONGEST_S = 1800.0
_LOW = 0.10
_WIRING = "The 10 % load is read with the meter wired as for the others; the procedure prefers the source side there."


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """Logs at the highest and lowest nameplate voltage, at each mains supply.

    short: all ports together. standard: also the strongest port alone at its highest voltage. full: also every port
    alone at both ends, and pairs at the highest voltage; of ports that are alike one.
    """
    return tuple(_log(charger, mains, ports, end) for mains in settings.mains for ports, end in _loads(charger, size))


def _loads(charger: Charger, size: Size) -> Iterator[tuple[tuple[str, ...], str]]:
    every = tuple(port.id for port in charger.ports)
    wanted: list[tuple[tuple[str, ...], str]] = []
    if len(every) > 1 and size == "standard":
        wanted.append(((strongest_port(charger).id,), "highest"))
    if len(every) > 1 and size == "full":
        wanted += [((group[0],), end) for group in alike_ports(charger) for end in ("highest", "lowest")]
        if len(every) > 2:
            wanted += [(pair, "highest") for pair in port_combinations(charger, [2])[0]]
    wanted += [(every, "highest"), (every, "lowest")]
    seen: set[tuple[tuple[str, ...], tuple[float, ...]]] = set()
    for ports, end in wanted:
        volts = tuple(end_contract(charger.port(p), end).voltage_v for p in ports)
        if (ports, volts) not in seen:  # a charger of one voltage has one end
            seen.add((ports, volts))
            yield ports, end


def _log(charger: Charger, mains: Mains, ports: Sequence[str], end: str) -> PlanTask:
    asked = [end_contract(charger.port(p), end) for p in ports]
    rule = US_SINGLE_VOLTAGE if len(ports) == 1 else US_MULTIPLE_VOLTAGE
    names = "+".join(ports)
    return PlanTask(
        id=PlanTask.name_for(
            "efficiency",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            ports=names,
            end=end,
            contract=" + ".join(f"{a.port} {a.name}" for a in asked),
        ),
        studies=("efficiency",),
        title=f"Efficiency of {names} at the {end} voltage, {mains.voltage_v:g} V {mains.frequency_hz:g} Hz",
        kind="log",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=_steps(charger, asked, end, Dwell(_SHORTEST_S, _LONGEST_S, rule.name)),
        interval_s=1.0,
        conditions={"voltage_end": end, "measured_at": "receptacle"},
        by_hand=(
            "Put the power meter's voltage terminals on the load side.",
            "Put the charger on a surface that does not burn and does not conduct heat, in still air of 20 to 25 °C.",
        ),
        cautions=PROCEDURE.every_caution,
        after=("identity", "modes"),
        note=" ".join(filter(None, (_WIRING, stands_for(charger, ports)))),
    )


def _steps(charger: Charger, asked: Sequence[Asked], end: str, dwell: Dwell) -> tuple[PlanStep, ...]:
    volts = {a.port: a.voltage_v for a in asked}
    full = nameplate_for(charger, volts, lowest=end == "lowest").current_a
    low = low_load_nameplate(charger, volts).current_a
    held = Dwell(_WARM_UP_S, _WARM_UP_S)
    return (
        PlanStep("warm-up, 100 % of nameplate current", settings_for(asked, low), held),
        *(PlanStep(f"{100 * ratio:g} %", settings_for(asked, full, ratio), dwell) for ratio in RATIOS),
        PlanStep(f"{100 * _LOW:g} %", settings_for(asked, low, _LOW), dwell),
    )
