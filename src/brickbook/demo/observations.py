"""Observation sheets of the example campaign: what each port says it offers, alone and in company.

The capabilities are those of charger.toml, cut to the power that the invented sharing rule leaves; two things differ on
purpose: heron-120 has a slip in its firmware (9 V 2.22 A at C2 with all ports in use, where 3 A would fit), and its
older port, which cannot say what it offers, was loaded until its voltage fell.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from brickbook.demo.campaign import RawDeposit
from brickbook.demo.scenario import Example
from brickbook.readers import OBSERVATION_HEADER
from brickbook.simbench.physics import PortModel
from brickbook.usbpd import EprAvsSourcePdo, FixedSourcePdo, PpsSourcePdo

__all__ = ["Offered", "Scene", "observations"]

_TAKEN = "2026-10-04T09:00:00"
_ALONE = 1000.0  # more than any port has


@dataclass(frozen=True, slots=True)
class Offered:
    """What a port can offer when nothing limits it: fixed and legacy (V, A), PPS (V, V, A), EPR AVS (V, V, W)."""

    fixed: tuple[tuple[float, float], ...] = ()
    pps: tuple[tuple[float, float, float], ...] = ()
    avs: tuple[tuple[float, float, float], ...] = ()
    legacy: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """Ports, the combinations looked at, and the power each occupied port is left [W].

    Parameters
    ----------
    cut
        Occupied ports to powers; a port that is not named has all of its own.
    keeps_power
        Ports whose power does not stop when another device is plugged in.
    slips
        (port, combination, V) to the current offered instead [A].
    """

    ports: Mapping[str, Offered]
    looked: tuple[str, ...]
    cut: Callable[[frozenset[str]], Mapping[str, float]]
    keeps_power: frozenset[str] = frozenset()
    slips: Mapping[tuple[str, str, float], float] | None = None


def _uncut(_: frozenset[str]) -> Mapping[str, float]:
    return {}


def _plover(here: frozenset[str]) -> Mapping[str, float]:
    return {"C1": 46.0, "C2": 21.0} if len(here) == 2 else {}


def _heron(here: frozenset[str]) -> Mapping[str, float]:
    # 120 W for all: C1 first, 33.2 W kept for C2 and 13.3 W for A1
    kept = {port: power for port, power in (("C2", 33.2), ("A1", 13.3)) if port in here}
    if "C1" not in here or "C2" not in here:
        return {}
    return {"C1": 120.1 - sum(kept.values()), **kept}


def _albatross(here: frozenset[str]) -> Mapping[str, float]:
    powers = dict.fromkeys(("C2", "C3"), 22.5) if {"C2", "C3"} <= here else {}
    return powers | (dict.fromkeys(("A1", "A2"), 7.5) if {"A1", "A2"} <= here else {})


_STANDARD = ((5.0, 3.0), (9.0, 3.0), (15.0, 3.0))
_OLD = Offered(legacy=((5.0, 3.0),))
_SCENES: Mapping[str, Scene] = {
    "wren-35": Scene(
        {"C1": Offered(((5.0, 3.0), (9.0, 3.0), (15.0, 2.33), (20.0, 1.75)), pps=((3.3, 11.0, 3.0),))}, ("C1",), _uncut
    ),
    "plover-67": Scene(
        {"C1": Offered((*_STANDARD, (20.0, 3.35))), "C2": Offered((*_STANDARD[:2], (15.0, 2.0)))},
        ("C1", "C2", "C1+C2"),
        _plover,
    ),
    "heron-120": Scene(
        {
            "C1": Offered((*_STANDARD, (20.0, 5.0))),
            "C2": Offered((*_STANDARD, (20.0, 2.25))),
            "A1": Offered(legacy=((5.0, 3.0), (9.0, 2.0))),
        },
        ("C1", "C2", "A1", "C1+C2+A1", "C1+C2", "C1+A1"),
        _heron,
        keeps_power=frozenset({"A1"}),
        slips={("C2", "C1+C2+A1", 9.0): 2.22},
    ),
    "albatross-200": Scene(
        {
            "C1": Offered((*_STANDARD, (20.0, 5.0), (28.0, 5.0)), avs=((15.0, 28.0, 140.0),)),
            "C2": Offered((*_STANDARD, (20.0, 2.25))),
            "C3": Offered((*_STANDARD, (20.0, 2.25))),
            "A1": _OLD,
            "A2": _OLD,
        },
        # each port alone, all at once, then what the inference asked for
        (
            *("C1", "C2", "C3", "A1", "A2", "C1+C2+C3+A1+A2", "C2+C3+A1+A2", "C1+C2+C3+A1", "C1+C2+A1+A2"),
            *("C1+C3+A1+A2", "C1+C2+C3+A2", "A1+A2", "C1+C2", "C1+C3"),
        ),
        _albatross,
        keeps_power=frozenset({"C1", "A1", "A2"}),
    ),
}


def observations(example: Example, scene: Scene | None = None) -> Iterator[RawDeposit]:
    """The observation sheet of one example charger; of the four, the scene is known."""
    scene = _SCENES[example.slug] if scene is None else scene
    text = io.StringIO()
    writer = csv.DictWriter(text, OBSERVATION_HEADER, lineterminator="\n", restval="")
    writer.writeheader()
    for combination in scene.looked:
        occupied = combination.split("+")
        left = scene.cut(frozenset(occupied))
        for port in occupied:
            rows = _rows(scene, port, combination, left.get(port, _ALONE), example.model.ports[port])
            stopped = ""
            if len(occupied) > 1:
                stopped = "yes" if port in left and port not in scene.keeps_power else "no"
            for k, row in enumerate(rows):
                shown = {"occupied": combination, "port": port, **row}
                writer.writerow(shown | ({"interrupted": stopped} if k == 0 else {}))
    studies = ("modes", "sharing") if len(scene.ports) > 1 else ("modes",)
    yield RawDeposit(
        "offers.csv",
        text.getvalue().encode(),
        studies,
        _TAKEN,
        {"mains_v": 230.0, "mains_hz": 50.0},
        {"port_current_a": "load-bank"},
        reader="observations",
    )


def _rows(scene: Scene, port: str, combination: str, left_w: float, model: PortModel) -> Iterator[dict[str, str]]:
    own = scene.ports[port]
    if own.fixed:
        slips = {v: a for (p, c, v), a in (scene.slips or {}).items() if (p, c) == (port, combination)}
        words = _words(own, left_w, slips)
        yield {"words": " ".join(f"0x{word:08X}" for word in words)}
    for volts, amps in own.legacy:
        now = min(amps, _down(left_w / volts))
        yield {
            "kind": "legacy",
            "voltage_v": f"{volts:g}",
            "current_a": f"{now:.2f}",
            "protocol": "BC 1.2 DCP" if volts == 5.0 else "voltage request on the data lines",
            "note": "" if now == amps else "largest load before the voltage fell",
        }
    if own.fixed and "+" not in combination:
        volts, amps = max(own.fixed, key=lambda pair: pair[0])
        held = volts * (1.0 + model.set_error_ratio) - model.output_ohm * amps
        yield {
            "kind": "fixed",
            "voltage_v": f"{volts:g}",
            "drawn_v": f"{held:.3f}",
            "drawn_a": f"{amps:.3f}",
            "instrument": "load-bank",
            "note": "held for a minute",
        }


def _down(amps: float) -> float:
    """Offered currents are rounded down to 10 mA."""
    return int(100 * amps + 1e-9) / 100


def _words(own: Offered, left_w: float, slips: Mapping[float, float]) -> Sequence[int]:
    extended = any(volts > 20.0 for volts, _ in own.fixed)
    now = [(volts, slips.get(volts, min(amps, _down(left_w / volts)))) for volts, amps in own.fixed]
    objects: list[int] = []
    for number, (volts, amps) in enumerate(pair for pair in now if pair[0] <= 20.0):
        pdo = FixedSourcePdo.from_si(volts, amps)
        if number == 0:
            pdo = replace(pdo, unconstrained_power=True, epr_capable=extended)
        objects.append(pdo.encode())
    objects += [PpsSourcePdo.from_si(*pps).encode() for pps in own.pps]
    if extended:
        # EPR capabilities: extended objects begin at position 8, positions without an object hold zero
        objects += [0] * (7 - len(objects))
        objects += [FixedSourcePdo.from_si(volts, amps).encode() for volts, amps in now if volts > 20.0]
        objects += [EprAvsSourcePdo.from_si(low, high, min(most, int(left_w))).encode() for low, high, most in own.avs]
    return objects
