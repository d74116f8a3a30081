"""The example chargers on the software bench: losses, heat, limits, loops and barriers as in their raw files."""

from __future__ import annotations

from dataclasses import replace

from brickbook.core.charger import Charger
from brickbook.demo.isolation import BARRIERS
from brickbook.demo.scenario import CHARGERS
from brickbook.demo.thermal import HEAT
from brickbook.demo.transients import loop_of, primary_of
from brickbook.simbench.charger import (
    Barrier,
    Fold,
    OutputLoop,
    OverloadBehaviour,
    Policy,
    PrimaryCircuit,
    SimCharger,
)
from brickbook.simbench.convert import sim_charger_from, two_part_thermals

__all__ = ["simulated"]

_RESETS = ("heron-120",)  # to share anew it cuts the supply, as its message log tells


def simulated(slug: str, charger: Charger) -> SimCharger:
    """An example charger with its charger.toml as a charger of the software bench.

    Parameters
    ----------
    slug
        Which example; raises `KeyError` for another.
    charger
        Its charger.toml.
    """
    example, heat, barrier = CHARGERS[slug], HEAT[slug], BARRIERS[slug]
    thermals = two_part_thermals(
        example.mass_g, example.model.thermal_ohm, inner_share=heat.inner_share, inner_ratio=heat.inner_ohm
    )
    folds = tuple(
        Fold(above_c=at, below_c=at - 15.0, to_ratio=ratio, ports=(heat.fold_port,))
        for at, ratio in zip(heat.fold_at_c, heat.fold_to_ratio, strict=True)
    )
    side = primary_of(example)
    loops = {}
    for port in charger.ports:
        loop = loop_of(example, port.id, max(output.top_voltage_v for output in port.outputs))
        loops[port.id] = OutputLoop(
            natural_hz=loop.natural_hz,
            damping=loop.damping,
            swing_ohm=loop.swing_ohm,
            esr_ohm=loop.esr_ohm,
            esr_s=loop.esr_s,
            late_s=loop.late_s,
        )
    return sim_charger_from(
        example.model,
        charger,
        slug=slug,
        mass_g=example.mass_g,
        body_mm=example.body_mm,
        prongs_mm=example.prongs_mm,
        thermals=replace(thermals, folds=folds),
        overload={
            port: OverloadBehaviour(kind=one.behaviour, at_ratio=one.at_ratio, delay_s=one.delay_s)
            for port, one in heat.overload.items()
        },
        loops=loops,
        primary=PrimaryCircuit(
            cold_ohm=side.cold_ohm,
            bulk_f=side.bulk_f,
            start_s=side.start_s,
            rise_s=side.rise_s,
            gives_up_v=side.gives_up_v,
            output_f=side.output_f,
        ),
        barrier=Barrier(barrier.one_f, barrier.other_f, barrier.rail_f, barrier.resistance_ohm),
        policy=Policy(on_change="reset" if slug in _RESETS else "offer"),
    )
