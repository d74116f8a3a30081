"""The rest of the example shelf: invented chargers drawn by rule, so that comparison has something to compare.

Each begins as one line: maker, model, power, ports, kind of circuit, how well it is made, how it shares, and what its
maker says that is not so. From that line and a fixed seed follow its physics, its claims and a short campaign (meters,
offers, hand readings): equal lines give equal chargers. Makers and models are invented, and so is the link between a
circuit's name and its losses, which is only made to be plausible.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations
from typing import Literal

import numpy as np

from brickbook.core.charger import Budget, Charger, Claim, Mark, Nameplate, Output, Port, Price, Sample, SharedOutput
from brickbook.demo.observations import Offered, Scene
from brickbook.demo.scenario import Example, Loading, Sweep
from brickbook.simbench.physics import ChargerModel, PfcStage, PortModel

__all__ = ["SHELF", "Drawn", "Line", "draw"]

Circuit = Literal["flyback", "tuned flyback", "half bridge"]
Sharing = Literal["alone", "equal", "first", "parts", "drop", "own"]
_SEED = 4607
_INTERVAL_S = 3.0  # between readings of the efficiency logs: a short campaign keeps small files


@dataclass(frozen=True, slots=True)
class Line:
    """A charger in one line.

    Parameters
    ----------
    slug, maker, model
        Names.
    total_w
        Nameplate power [W].
    ports
        Port to its own power [W]; "A…" is an older port without USB PD.
    circuit
        What its losses are like.
    make
        How well it is made, 0 to 1.
    sharing
        "equal" parts, the "first" port before the others, fixed "parts" in proportion, all "drop" to little as soon as
        two are in use, or each its "own" power.
    price
        In EUR.
    says
        What its maker says beyond what is so: "power", "efficiency", "standby", "mass", "sharing".
    sample
        2 for a second sample of the same model, bought later.
    aged
        Loss added by the maker between the samples, as a share of the power.
    folds
        When its first port gives up full power in an hour at full load [s], and to which share; `None`: never.
    """

    slug: str
    maker: str
    model: str
    total_w: float
    ports: Mapping[str, float]
    circuit: Circuit
    make: float
    sharing: Sharing = "alone"
    price: float = 20.0
    says: tuple[str, ...] = ()
    sample: int = 1
    aged: float = 0.0
    folds: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Drawn:
    """A charger as drawn: what its maker says, physics with a short campaign, what its ports offer, how it folds."""

    charger: Charger
    example: Example
    scene: Scene = field(repr=False)
    folds: tuple[float, float] | None = None


_Q, _O, _V, _T = "Quillmere", "Ostrabell", "Quorvane", "Thrumblewick"
_LINES = (
    Line("siskin-20", _Q, "Siskin 20", 20, {"C1": 20}, "flyback", 0.75, price=12.9),
    Line("dunlin-30", _Q, "Dunlin 30", 30, {"C1": 30}, "tuned flyback", 0.8, price=17.5),
    Line("curlew-100", _Q, "Curlew 100", 100, {"C1": 100, "C2": 100}, "half bridge", 0.85, "first", 69.0,
         folds=(3010.0, 0.9)),
    Line("minnow-20", _O, "Minnow 20", 20, {"C1": 20}, "flyback", 0.15, price=7.9, says=("efficiency", "standby")),
    Line("roach-45", _O, "Roach 45", 45, {"C1": 45}, "tuned flyback", 0.45, price=19.9),
    Line("tench-65", _O, "Tench 65", 65, {"C1": 65, "A1": 18}, "tuned flyback", 0.3, "drop", 24.9, ("power",),
         folds=(1480.0, 0.6)),
    Line("loach-33", _O, "Loach 33", 33, {"C1": 33, "A1": 18}, "flyback", 0.35, "drop", 14.9, ("sharing",),
         folds=(2260.0, 0.7)),
    Line("burbot-140", _O, "Burbot 140", 140, {"C1": 140, "C2": 65}, "half bridge", 0.5, "parts", 74.9),
    Line("marl-30", _V, "Marl 30", 30, {"C1": 30}, "tuned flyback", 0.95, price=29.0),
    Line("gneiss-65", _V, "Gneiss 65", 65, {"C1": 65, "C2": 30}, "tuned flyback", 0.9, "parts", 49.0),
    Line("gneiss-65-second", _V, "Gneiss 65", 65, {"C1": 65, "C2": 30}, "tuned flyback", 0.9, "parts", 45.0,
         sample=2, aged=0.009),
    Line("basalt-100", _V, "Basalt 100", 100, {"C1": 100}, "half bridge", 0.95, price=72.0),
    Line("tuff-160", _V, "Tuff 160", 160, {"C1": 100, "C2": 60, "C3": 30}, "half bridge", 0.8, "first", 109.0),
    Line("diorite-240", _V, "Diorite 240", 240, {"C1": 240}, "half bridge", 0.85, price=149.0),
    Line("hazel-25", _T, "Hazel 25", 25, {"C1": 25}, "flyback", 0.6, price=11.9),
    Line("rowan-45", _T, "Rowan 45", 45, {"C1": 45, "C2": 45}, "tuned flyback", 0.55, "equal", 26.9),
    Line("sallow-67", _T, "Sallow 67", 67, {"C1": 67, "C2": 30, "A1": 18}, "tuned flyback", 0.5, "first", 39.9),
    Line("buckthorn-100", _T, "Buckthorn 100", 100, {"C1": 100, "C2": 30, "A1": 18}, "half bridge", 0.4, "parts",
         49.9, ("power", "mass"), folds=(1010.0, 0.5)),
    Line("spindle-130", _T, "Spindle 130", 130, {"C1": 65, "C2": 65}, "half bridge", 0.7, "own", 79.0),
    Line("guelder-150", _T, "Guelder 150", 150, {"C1": 100, "C2": 100, "C3": 45, "A1": 18}, "half bridge", 0.6,
         "first", 95.0),
    Line("medlar-200", _T, "Medlar 200", 200, {"C1": 100, "C2": 100, "C3": 65, "C4": 30, "A1": 18, "A2": 18},
         "half bridge", 0.65, "parts", 119.0, ("efficiency",)),
    Line("service-60", _T, "Service 60", 60, {"A1": 18, "A2": 18, "A3": 18, "A4": 18}, "flyback", 0.25, "equal",
         22.9, ("standby",)),
)  # fmt: skip


@cache
def draw(slug: str) -> Drawn:
    """The charger of a slug; raises `KeyError` for one that is not on the shelf."""
    line = _BY_SLUG[slug]
    # both samples of a model are drawn from one seed: they differ in what was changed, and in nothing else
    first = next(k for k, other in enumerate(_LINES) if other.model == line.model)
    rng = np.random.default_rng((_SEED, first))
    model = _model(line, rng)
    body, prongs, mass = _size(line, rng)
    if line.sample > 1:
        model = replace(model, conversion_ratio=model.conversion_ratio + line.aged, idle_w=model.idle_w * 1.25)
        mass *= 0.985
    ports = tuple(_port(name, power) for name, power in line.ports.items())
    cut = _cut(line)
    example = Example(
        slug=slug,
        model=model,
        loadings=_loadings(line),
        sweeps=tuple(_sweeps(ports)),
        situations=("bare",),
        body_mm=body,
        prongs_mm=prongs,
        mass_g=mass,
        efficiency_shape="bench-comma",
        standby_shape="bench-comma",
        sweep_shape="bench-comma",
        interval_s=_INTERVAL_S,
    )
    return Drawn(_charger(line, ports, cut, mass), example, _scene(line, cut), line.folds)


# What it is made of


def _model(line: Line, rng: np.random.Generator) -> ChargerModel:
    total, poor = line.total_w, 1.0 - line.make
    loss = {"flyback": 0.048, "tuned flyback": 0.026, "half bridge": 0.020}[line.circuit]
    corrected = line.circuit == "half bridge"
    several = len(line.ports) > 1
    ports = {}
    for name, power in line.ports.items():
        amps = _top(power if name[0] == "C" else 18.0, old=name[0] == "A")[1]
        ports[name] = PortModel(
            set_error_ratio=float(rng.normal(0.003, 0.003 + 0.004 * poor)),
            output_ohm=float((0.012 + 0.05 * poor) * rng.uniform(0.8, 1.2)),
            loss_ohm=float((0.02 + 0.05 * poor) * (3.0 / amps) ** 0.5 * rng.uniform(0.9, 1.1)),
            fixed_loss_w=float((0.02 + 0.10 * several) * rng.uniform(0.8, 1.2)),
            conversion_ratio=float(several * (0.010 + 0.016 * poor)),
            sag={9.0: (1.4, 0.35)} if poor > 0.68 and name != "C1" else {},
            noise_v=float(0.002 + 0.006 * poor),
        )
    return ChargerModel(
        ports=ports,
        idle_w=float((0.012 + 0.0005 * total + 0.10 * poor**2) * rng.uniform(0.9, 1.1)),
        idle_per_v2=float((2e-7 + 3e-6 * poor**2) * rng.uniform(0.8, 1.2)),
        gate_w=0.3 + 0.008 * total,
        burst_corner_w=0.8 + 0.036 * total,
        bridge_v=2.0 - 0.3 * line.make,
        conversion_ratio=float((loss + 0.022 * poor) * rng.uniform(0.95, 1.05)),
        primary_ohm=float((30.0 + 20.0 * poor) / total),
        pfc=PfcStage(0.42 * total, 0.31 * total, 0.3 + 0.003 * total, 0.010) if corrected else None,
        power_limit_w=0.86 * total if "power" in line.says else float("inf"),
        thermal_ohm=320.0 / (total + 10.0),
        thermal_time_s=500.0 + 3.0 * total,
    )


def _size(line: Line, rng: np.random.Generator) -> tuple[tuple[float, float, float], tuple[float, float, float], float]:
    """Body, the same with prongs [mm], and mass [g]: better ones are denser."""
    volume_cm3 = line.total_w / ((0.45 + 0.65 * line.make) * (0.7 + line.total_w / 400.0) * rng.uniform(0.92, 1.08))
    flat = float(rng.uniform(0.5, 0.75))
    side = (1000.0 * volume_cm3 / flat / 0.85) ** (1 / 3)
    body = (round(side, 1), round(0.85 * side, 1), round(flat * side, 1))
    prongs = (body[0], body[1], round(body[2] + 17.6, 1))
    return body, prongs, round(float(volume_cm3 * rng.uniform(1.35, 1.6)), 1)


# What its ports give


def _top(power_w: float, *, old: bool) -> tuple[float, float]:
    """Highest voltage and its current [V], [A]."""
    return _fixed(power_w, old=old)[-1]


def _fixed(power_w: float, *, old: bool) -> tuple[tuple[float, float], ...]:
    """Set voltages and currents of a port by its power: the steps of USB PD, or of older ports, from 5 V up."""
    if old:
        return ((5.0, 3.0), (9.0, 2.0))
    steps = [(5.0, 3.0)]
    for volts, from_w in ((9.0, 15.0), (15.0, 27.0), (20.0, 45.0), (28.0, 100.0), (36.0, 140.0), (48.0, 180.0)):
        if power_w > from_w:
            steps.append((volts, min(3.0 if volts < 20.0 else 5.0, int(100 * power_w / volts + 1e-9) / 100)))
    return tuple(steps)


def _port(name: str, power_w: float) -> Port:
    old = name[0] == "A"
    kind: Literal["legacy", "fixed"] = "legacy" if old else "fixed"
    outputs = [Output(kind, amps, voltage_v=volts) for volts, amps in _fixed(power_w, old=old)]
    if power_w > 100.0 and not old:
        outputs.append(Output("epr-avs", 5.0, min_voltage_v=15.0, max_voltage_v=outputs[-1].top_voltage_v))
    return Port(name, "usb-a" if old else "usb-c", tuple(outputs), power_w=power_w)


def _cut(line: Line) -> Callable[[frozenset[str]], Mapping[str, float]]:
    """Power left to each occupied port [W]; a port that is not named has all of its own."""

    def cut(here: frozenset[str]) -> Mapping[str, float]:
        names = [name for name in line.ports if name in here]
        own = [line.ports[name] for name in names]
        if len(names) < 2 or line.sharing == "own":
            return {}
        if line.sharing == "drop":
            return dict.fromkeys(names, 15.0)
        if sum(own) <= line.total_w:
            return {}
        if line.sharing == "equal":
            return {name: min(line.total_w / len(names), power) for name, power in zip(names, own, strict=True)}
        if line.sharing == "parts":
            share = line.total_w / sum(own)
            return {name: int(2 * power * share) / 2 for name, power in zip(names, own, strict=True)}
        # the others keep what is theirs when all are in use, rounded down; the first has what is left
        share = line.total_w / sum(line.ports.values())
        kept = {name: int(2 * power * share) / 2 for name, power in zip(names[1:], own[1:], strict=True)}
        return {names[0]: min(own[0], line.total_w - sum(kept.values())), **kept}

    return cut


def _scene(line: Line, cut: Callable[[frozenset[str]], Mapping[str, float]]) -> Scene:
    names = list(line.ports)
    looked = [*names]
    if len(names) > 1:
        looked.append("+".join(names))
    if 2 < len(names) < 5:
        looked += ["+".join(pair) for pair in combinations(names, 2)]
    if len(names) >= 5:
        newer, older = ([n for n in names if n.startswith(kind)] for kind in "CA")
        looked += ["+".join(some) for some in (names[:2], newer, older) if len(some) > 1]
    offered = {}
    for name, power in line.ports.items():
        old = name[0] == "A"
        steps = _fixed(power, old=old)
        avs = ((15.0, steps[-1][0], power),) if power > 100.0 and not old else ()
        offered[name] = Offered(legacy=steps) if old else Offered(fixed=steps, avs=avs)
    return Scene(offered, tuple(looked), cut, frozenset(n for n in names if line.sharing == "own"))


# How it is loaded


def _loadings(line: Line) -> tuple[Loading, ...]:
    names = list(line.ports)
    volts, amps = _top(line.ports[names[0]], old=names[0][0] == "A")
    name = f"{names[0].lower()}-{volts:g}v"
    out = [Loading(name, "highest", {names[0]: volts}, {names[0]: amps}, {}, {})]
    if len(names) == 1 or line.sharing == "drop":
        # where all power is lost as soon as two are in use there is nothing to load together
        full, least = (2.0, 0.3) if line.total_w >= 15.0 else (amps, 0.1 * amps)
        one = names[0]
        out.append(Loading(f"{one.lower()}-5v", "lowest", {one: 5.0}, {one: full}, {one: 3.0}, {one: least}))
        return tuple(out)
    tops = {n: _top(power, old=n[0] == "A") for n, power in line.ports.items()}
    share = min(1.0, line.total_w / sum(v * a for v, a in tops.values()))
    out.append(
        Loading("all-high", "highest", {n: v for n, (v, _) in tops.items()},
                {n: round(a * share, 6) for n, (_, a) in tops.items()}, {}, {})
    )  # fmt: skip
    return tuple(out)


def _sweeps(ports: tuple[Port, ...]) -> list[Sweep]:
    """Every set voltage of the first port; of the others 5 V, 9 V and the highest."""
    out = []
    for k, port in enumerate(ports):
        fixed = [(o.voltage_v, o.current_a) for o in port.fixed if o.voltage_v is not None]
        chosen = fixed if k == 0 else list(dict.fromkeys((*fixed[:2], fixed[-1])))
        kind = "legacy " if port.connector == "usb-a" else ""
        out += [Sweep(port.id, f"{kind}{volts:g} V", volts, amps) for volts, amps in chosen]
    return out


# What its maker says


def _charger(
    line: Line, ports: tuple[Port, ...], cut: Callable[[frozenset[str]], Mapping[str, float]], mass_g: float
) -> Charger:
    says = line.says
    everyone = next(iter(line.ports)) if line.sharing == "drop" else "+".join(sorted(line.ports))
    best = 0.90 + 0.05 * line.make - 0.02 * (line.circuit == "flyback")
    claims = [
        Claim("efficiency/delivered_power_w", "min", float(line.total_w), f"{line.total_w:g} W", "box", 0.02,
              {"load_ratio": 1.0, "voltage_end": "highest", "ports": everyone}),
        Claim("standby/no_load_power_w", "max", *_standby_words(line), "manual"),
    ]  # fmt: skip
    if "efficiency" in says:
        claims.append(Claim("efficiency/best_efficiency_ratio", "min", 0.96, "Efficiency up to 96 %", "website"))
    elif line.make > 0.7:
        told = int(100 * best) / 100
        claims.append(
            Claim("efficiency/best_efficiency_ratio", "min", told, f"Up to {100 * told:g} % efficient", "box")
        )
    told_g = round(mass_g * (0.85 if "mass" in says else 1.0))
    claims.append(Claim("identity/mass_g", "about", float(told_g), f"Weight {told_g} g", "website", 0.03))
    name = f"{line.maker} {line.model}"
    return Charger(
        name=name if line.sample == 1 else f"{name}, second sample",
        maker=f"{line.maker} (invented)",
        model=line.model,
        form="desktop" if line.total_w > 180 and len(ports) > 1 else "wall",
        prongs="folding" if line.make > 0.5 else "fixed",
        summary=f"{len(ports)} port{'s' if len(ports) > 1 else ''}, {line.total_w:g} W.",
        nameplate=Nameplate(float(line.total_w), 100.0, 240.0, "50/60", round(line.total_w / 58.0 + 0.1, 1)),
        ports=ports,
        budgets=(Budget(tuple(line.ports), float(line.total_w), "all"),) if len(ports) > 1 else (),
        sharing=_told_sharing(line, cut),
        claims=tuple(claims),
        marks=(Mark("efficiency-level", "VI", seen=True, seen_on="label"),),
        price=Price(line.price, "EUR", "2026-10-01" if line.sample == 1 else "2026-11-02", "street"),
        sample=Sample("bought", "2026-10-01" if line.sample == 1 else "2026-11-02"),
    )


def _standby_words(line: Line) -> tuple[float, str]:
    limit = 0.03 if "standby" in line.says else 0.1 if line.make > 0.6 else 0.3
    return limit, f"No-load power below {limit:g} W"


def _told_sharing(line: Line, cut: Callable[[frozenset[str]], Mapping[str, float]]) -> tuple[SharedOutput, ...]:
    """The maker's table for two ports and for all; one that says too much says that nothing is lost."""
    names = tuple(line.ports)
    if len(names) < 2 or line.sharing == "own":
        return ()
    out = []
    for some in dict.fromkeys((names[:2], names)):
        left = {} if "sharing" in line.says else cut(frozenset(some))
        out.append(SharedOutput(some, tuple(float(left.get(n, line.ports[n])) for n in some)))
    return tuple(out)


_BY_SLUG: Mapping[str, Line] = {line.slug: line for line in _LINES}
SHELF: tuple[str, ...] = tuple(_BY_SLUG)
