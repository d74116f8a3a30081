"""Whether the assignment of devices to ports is the best there is: against trying every one.

Random chargers of one to four ports, with fixed powers, sharing tables for some sets of ports and budgets of groups,
and random sets of one to four devices. Every way to put devices on ports is tried; where only budgets are known, the
best division of power among disjoint groups under a total is found by giving each watt to the device that has most of
it (exact for such budgets). No cables, so that the device's power is the port's.

    .venv/bin/python checks/choosing.py --cases 2000
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from math import inf

import numpy as np

from brickbook.core.charger import Budget, Charger, Nameplate, Output, Port, Sample, SharedOutput
from brickbook.library.choosing import best_use
from brickbook.library.devices import Device
from brickbook.library.offers import Offer, offer_of

VOLTS = (5.0, 9.0, 15.0, 20.0)


def draw_charger(rng: np.random.Generator) -> Charger:
    """A charger with claims drawn at random."""
    count = int(rng.integers(1, 5))
    ports = []
    for k in range(count):
        usb_a = k > 0 and rng.random() < 0.25
        top = 2 if usb_a else int(rng.integers(1, 5))
        outputs = tuple(
            Output("legacy" if usb_a else "fixed", float(rng.integers(4, 21)) / 4, voltage_v=volts)
            for volts in VOLTS[:top]
        )
        ports.append(Port(f"P{k + 1}", "usb-a" if usb_a else "usb-c", outputs))
    ids = [port.id for port in ports]
    most = sum(max(o.power_w for o in port.outputs) for port in ports)
    total = float(np.round(most * rng.uniform(0.4, 1.1), 1))
    budgets: tuple[Budget, ...] = ()
    if count >= 3 and rng.random() < 0.5:
        cut = int(rng.integers(1, count))
        budgets = tuple(
            Budget(tuple(part), float(np.round(total * rng.uniform(0.3, 0.9), 1)))
            for part in (ids[:cut], ids[cut:])
            if len(part) > 1
        )
    sharing = []
    if rng.random() < 0.5:
        for size in range(2, count + 1):
            sharing += [
                SharedOutput(some, tuple(float(rng.integers(1, 25)) * 2.5 for _ in some))
                for some in itertools.combinations(ids, size)
                if rng.random() < 0.7
            ]
    return Charger(
        "c", "m", "x", Nameplate(total), tuple(ports), Sample("lent"), budgets=budgets, sharing=tuple(sharing)
    )


def draw_devices(rng: np.random.Generator) -> tuple[Device, ...]:
    """One to four devices drawn at random."""
    out = []
    for k in range(int(rng.integers(1, 5))):
        power = float(rng.integers(2, 40)) * 2.5
        low, high = sorted(rng.choice(VOLTS, 2))
        out.append(
            Device(
                f"d{k}",
                power,
                float(low),
                float(high),
                least_power_w=float(np.round(power * rng.choice([0.0, 0.0, 0.3, 0.8]), 2)),
                current_a=float(rng.choice([3.0, 5.0])),
                connectors=("usb-c", "usb-a") if rng.random() < 0.4 else ("usb-c",),
                priority=float(rng.integers(1, 6)),
            )
        )
    return tuple(out)


def alone_w(offer: Offer, device: Device, port: str, cap_w: float = inf) -> float:
    """Power of a device at a port, worked out anew: the best of voltage times the smallest limit."""
    connector = offer.charger.port(port).connector
    if connector not in device.connectors:
        return -inf
    powers = [
        min(device.power_w, volts * min(output.current_a, device.current_a or inf, 3.0, cap_w / volts))
        for output in offer.charger.port(port).outputs
        if (volts := output.top_voltage_v) and device.least_voltage_v <= volts <= device.most_voltage_v
    ]
    return max(powers, default=-inf)


def worth(device: Device, power_w: float) -> float:
    """Priority times share; nothing below what it needs to work."""
    return device.priority * power_w / device.power_w if power_w >= device.least_power_w * (1 - 1e-6) else 0.0


def divided(offer: Offer, devices: list[Device], ports: list[str]) -> float:
    """Most worth of these devices on these ports under the budgets; -inf where it cannot be."""
    most = [alone_w(offer, d, p) for d, p in zip(devices, ports, strict=True)]
    given = [d.least_power_w for d in devices]
    if any(m < g - 1e-9 or m <= 0 for m, g in zip(most, given, strict=True)):
        return -inf
    left = [
        (group, watts - sum(g for g, p in zip(given, ports, strict=True) if p in group))
        for group, watts in offer.budgets
    ]
    if any(watts < -1e-9 for _, watts in left):
        return -inf
    for k in sorted(range(len(devices)), key=lambda k: -devices[k].priority / devices[k].power_w):
        more = min([most[k] - given[k], *(watts for group, watts in left if ports[k] in group)])
        given[k] += more
        left = [(group, watts - more if ports[k] in group else watts) for group, watts in left]
    return sum(d.priority * g / d.power_w for d, g in zip(devices, given, strict=True))


def brute_force(offer: Offer, devices: tuple[Device, ...]) -> float:
    """The most that any assignment is worth."""
    ids = [port.id for port in offer.charger.ports]
    best = 0.0
    for where in itertools.product([None, *ids], repeat=len(devices)):
        used = [p for p in where if p is not None]
        if not used or len(set(used)) < len(used):
            continue
        plugged = [d for d, p in zip(devices, where, strict=True) if p is not None]
        share = offer.shares.get(frozenset(used))
        if share is not None or len(used) == 1:
            powers = [
                alone_w(offer, d, p, inf if share is None else share.power_w[p])
                for d, p in zip(plugged, used, strict=True)
            ]
            value = sum(worth(d, w) for d, w in zip(plugged, powers, strict=True)) if min(powers) > -inf else -inf
        else:
            value = divided(offer, plugged, used)
        best = max(best, value)
    return best


def compare(cases: int, seed: int) -> tuple[int, float, float]:
    """Cases that are not the best, and the seconds each way took."""
    rng = np.random.default_rng(seed)
    wrong, ours_s, brute_s = 0, 0.0, 0.0
    for _ in range(cases):
        offer, devices = offer_of(draw_charger(rng), ()), draw_devices(rng)
        start = time.perf_counter()
        found = best_use(offer, devices)
        middle = time.perf_counter()
        best = brute_force(offer, devices)
        ours_s, brute_s = ours_s + middle - start, brute_s + time.perf_counter() - middle
        ports = [p.port for p in found.placed if p.port]
        again = sum(worth(p.device, p.served.far_w) for p in found.placed if p.served is not None)
        if (
            abs(found.value - best) > 1e-6 * max(1.0, best)
            or len(set(ports)) < len(ports)
            or abs(again - found.value) > 1e-6
        ):
            wrong += 1
            print(f"ours {found.value:.6f}, best {best:.6f}: {offer.charger} {devices}", file=sys.stderr)
    return wrong, ours_s, brute_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=20261125)
    options = parser.parse_args()
    wrong, ours, brute = compare(options.cases, options.seed)
    print(f"{options.cases} cases, {wrong} not the best; ours {ours:.1f} s, trying every assignment {brute:.1f} s")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
