"""What a campaign needs for negotiation: messages of a port while its neighbours come and go."""

from __future__ import annotations

from brickbook.core.charger import Charger
from brickbook.core.outlets import alike_ports, end_contract, full_load_a, sweep_mains
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, Size
from brickbook.core.study import Mains, Settings
from brickbook.studies.negotiation.procedure import PROCEDURE

__all__ = ["tasks"]

_STAY = Dwell(6.0, 6.0)  # the attribution time of 5 s with nothing touched, and one more


def tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """A recording for each port that speaks USB PD, which draws half its current while other ports come and go.

    short: each plug once. standard: each three times. Of ports that are alike one is watched, and one comes and goes.
    full: all of them.
    """
    watched = [port.id for port in charger.ports if port.is_pd]
    groups = alike_ports(charger)
    note = ""
    if size != "full":
        firsts = {group[0] for group in groups}
        left = [port for port in watched if port not in firsts]
        watched = [port for port in watched if port in firsts]
        note = f"Not watched, as nothing printed tells them from a port that is: {', '.join(left)}." if left else ""
    mains = sweep_mains(settings)
    repeats = 1 if size == "short" else 3
    return tuple(_recording(charger, mains, port, _neighbours(charger, port, size), repeats, note) for port in watched)


def _neighbours(charger: Charger, port: str, size: Size) -> tuple[str, ...]:
    """Every other port; but in a full campaign, of those that are alike the first that is not the port itself."""
    if size == "full":
        return tuple(other.id for other in charger.ports if other.id != port)
    firsts = (next((other for other in group if other != port), "") for group in alike_ports(charger))
    return tuple(other for other in firsts if other)


def _recording(
    charger: Charger, mains: Mains, port: str, neighbours: tuple[str, ...], repeats: int, note: str
) -> PlanTask:
    own = end_contract(charger.port(port), "highest")
    steps = [PlanStep("nothing plugged in", (), _STAY)]
    for number in range(repeats if not neighbours else 1):
        if number:
            steps.append(PlanStep(f"{port} out", (), _STAY))
        steps.append(PlanStep(f"{port} in", (own.at(own.current_a / 2),), _STAY))
    for neighbour in neighbours:
        other = end_contract(charger.port(neighbour), "highest")
        # what the two may draw together when the maker's budgets are kept, and half of it
        amps = full_load_a(charger, (own, other))
        both: tuple[PortSetting, ...] = (own.at(amps[port] / 2), other.at(amps[neighbour] / 2))
        for _ in range(repeats):
            steps.append(PlanStep(f"{neighbour} in", both, _STAY))
            steps.append(PlanStep(f"{neighbour} out", (own.at(amps[port] / 2),), _STAY))
    steps.append(PlanStep(f"{port} out", (), _STAY))
    recorded = [p.id for p in charger.ports if p.id in (port, *neighbours) and p.is_pd]
    return PlanTask(
        id=PlanTask.name_for(
            "negotiation",
            mains_v=mains.voltage_v,
            mains_hz=mains.frequency_hz,
            port=port,
            neighbours="+".join(neighbours),
            repeats=repeats,
        ),
        studies=("negotiation",),
        title=f"Messages of {port} while {', '.join(neighbours) or 'it'} come{'' if len(neighbours) > 1 else 's'} and "
        f"go{'' if len(neighbours) > 1 else 'es'}",
        kind="messages",
        mains_v=mains.voltage_v,
        mains_hz=mains.frequency_hz,
        steps=tuple(steps),
        interval_s=0.001,
        by_hand=(f"Put a message recorder into {', '.join(recorded)}, all on one clock.",),
        cautions=PROCEDURE.every_caution,
        after=("identity", "modes"),
        note=note,
    )
