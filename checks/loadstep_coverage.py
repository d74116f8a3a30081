"""How often the 95 % intervals of load steps and of switching on and off hold the truth, on simulated captures.

Run: python checks/loadstep_coverage.py [captures of each kind]
The numbers in docs/explanation/transients.md come from it (seeds 0 to the number of captures, less one).

The captures are not made by the model that analyses them: an edge with an exponential return, the dip of a second-order
output filter, the same on an 8-bit scope, and with switching ripple and noise with a memory on top; a capacitor charged
through a thermistor, and a bulk capacitor that runs empty. Each has a scope with a gain error drawn from its bound,
noise, converter steps and a sampling phase of its own.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, signal

from brickbook.core.capture import ArraySamples, Capture, Channel, Setting
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Outcome, Settings
from brickbook.core.table import RawFile, Recording
from brickbook.studies.inrush.figures import figures as inrush_figures
from brickbook.studies.loadstep.figures import figures as loadstep_figures

FloatArray = NDArray[np.float64]
BOUND = 0.01  # of the scope's gain


@dataclass(frozen=True, slots=True)
class Simulated:
    """A capture and what is true of it: name of the figure and band, to value."""

    evidence: Evidence
    truth: dict[tuple[str, str], float]


def evidence_of(
    channels: dict[str, tuple[FloatArray, float]], interval_s: float, study: str, bits: int, **conditions: float | str
) -> Evidence:
    """Evidence of one capture; each channel's values with its full scale."""
    made = tuple(
        Channel(name, ArraySamples(values), instrument="scope", setting=Setting(full_scale=scale, bits=float(bits)))
        for name, (values, scale) in channels.items()
    )
    given = Conditions.of({"port": "C1", "mains_v": 230.0, "mains_hz": 50.0, **conditions})
    capture = Capture(RawFile("capture", "0" * 64), interval_s, made)
    recording = Recording("capture", (study,), (), given, captures=(capture,))
    charger = Charger(
        "Invented", "Invented", "I-1", Nameplate(100.0), (Port("C1", "usb-c", (Output("fixed", 5.0, 20.0),)),),
        Sample("bought"),
    )  # fmt: skip
    quantities = ("port_voltage_v", "port_current_a", "mains_voltage_v", "mains_current_a")
    scope = Instrument("oscilloscope", tuple(Accuracy(q, percent_reading=100 * BOUND) for q in quantities))
    return Evidence(charger, Settings((Mains(230.0, 50.0),)), {"scope": scope}, (recording,))


def seen(g: np.random.Generator, truth: FloatArray, sigma: float, full_scale: float, bits: int) -> FloatArray:
    """What a scope stores of a course; its zero lies anywhere on the converter's grid."""
    gain = 1.0 + BOUND * float(g.uniform(-1, 1))
    noisy = gain * truth + sigma * g.standard_normal(len(truth))
    step = full_scale / 2**bits
    return np.asarray(np.round(noisy / step + g.uniform()) * step, dtype=np.float64)


def last_exit(course: Callable[[FloatArray], FloatArray], level: float, band: float, span_s: float) -> float | None:
    """Last time the course leaves the band, on a fine grid and refined by bisection."""
    t = np.linspace(0.0, span_s, 400_001)
    outside = np.flatnonzero(np.abs(course(t) - level) > band)
    if not len(outside):
        return None
    k = int(outside[-1])
    if k + 1 >= len(t):
        return None
    return float(
        optimize.brentq(lambda x: float(np.abs(course(np.array([x]))[0] - level)) - band, t[k], t[k + 1], xtol=1e-12)
    )


def exponential(seed: int) -> Simulated:
    """An edge, and an exponential return."""
    g = np.random.default_rng([seed, 1])
    dip, tau, rate = float(g.uniform(0.3, 1.6)), float(np.exp(g.uniform(np.log(3e-5), np.log(4e-4)))), 1e6
    return _loadstep(g, lambda t: -dip * np.exp(-t / tau), 0.0, dip, 12 * tau, rate, 12, g.uniform(0.001, 0.01))


def second_order(seed: int, bits: int = 12, *, ripple: bool = False) -> Simulated:
    """Output filter of second order, with a level that moves."""
    g = np.random.default_rng([seed, 2 + bits + 100 * ripple])
    zeta, hz, size = (
        float(g.uniform(0.15, 0.9)),
        float(np.exp(g.uniform(np.log(2e3), np.log(2e4)))),
        float(g.uniform(0.3, 1.2)),
    )
    droop = float(g.uniform(0.0, 0.2)) * size
    w = 2 * np.pi * hz
    wd, a = w * np.sqrt(1 - zeta**2), zeta * w
    peak = np.exp(-a / wd * np.arctan2(wd, a)) * np.sin(np.arctan2(wd, a))

    def course(t: FloatArray) -> FloatArray:
        return np.asarray(-size / peak * np.exp(-a * t) * np.sin(wd * t) - droop * (1 - np.exp(-a * t)))

    t = np.linspace(0.0, 3 / hz, 300_001)
    lowest = -float(course(t).min())
    truth_hz = (wd / 2 / np.pi, zeta) if droop == 0 else None
    return _loadstep(g, course, -droop, lowest, 14 / a, 60 * hz * float(g.uniform(1, 4)), bits, g.uniform(0.001, 0.01),
                     ripple=ripple, rings=truth_hz)  # fmt: skip


def ringing(seed: int) -> Simulated:
    """A damped sine with no change of level, for frequency and damping."""
    g = np.random.default_rng([seed, 50])
    zeta, hz, size = float(g.uniform(0.05, 0.3)), float(g.uniform(2e3, 2e4)), float(g.uniform(0.3, 1.2))
    w = 2 * np.pi * hz
    wd, a = w * np.sqrt(1 - zeta**2), zeta * w

    def course(t: FloatArray) -> FloatArray:
        return np.asarray(-size * np.exp(-a * t) * np.sin(wd * t))

    lowest = -float(course(np.linspace(0.0, 1 / hz, 300_001)).min())
    return _loadstep(g, course, 0.0, lowest, 14 / a, 80 * hz, 12, g.uniform(0.001, 0.01), rings=(wd / 2 / np.pi, zeta))


def _loadstep(
    g: np.random.Generator,
    course: Callable[[FloatArray], FloatArray],
    change: float,
    dip: float,
    span_s: float,
    rate_hz: float,
    bits: int,
    sigma: float,
    *,
    ripple: bool = False,
    rings: tuple[float, float] | None = None,
) -> Simulated:
    interval = 1.0 / rate_hz
    before = max(0.15 * span_s, 60 * interval)
    count = int((before + span_s) / interval)
    at = before + float(g.uniform(0, 1)) * interval
    t = np.arange(count) * interval - at
    wave = np.where(t > 0, course(np.maximum(t, 0.0)), 0.0)
    if ripple:
        line = 0.012 * np.sin(2 * np.pi * 0.113 * rate_hz * (t + float(g.uniform(0, 1))))
        slow = signal.lfilter([0.6], [1.0, -0.8], g.standard_normal(count + 200))[200:]
        wave = wave + line + 0.004 * slow
    full_scale = 4.0 if bits == 12 else 2.5 * (dip + 0.1)
    volts = seen(g, wave, float(sigma), full_scale, bits) + 20.0
    amps = seen(g, np.where(t > 0, 3.0, 0.3), 0.004, 8.0, bits)
    truth: dict[tuple[str, str], float] = {
        ("undershoot_v", ""): dip + change,
        ("peak_deviation_v", ""): dip,
        ("level_change_v", ""): change,
    }
    for share in (0.01, 0.02, 0.05):
        time_s = last_exit(course, change, share * 20.0, span_s)
        if time_s is not None:
            truth["recovery_time_s", f"{100 * share:g} %"] = time_s
    if rings is not None:
        truth["ringing_hz", ""], truth["damping_ratio", ""] = rings
    channels = {"port_voltage_v@C1": (volts, full_scale), "port_current_a@C1": (amps, 8.0)}
    return Simulated(evidence_of(channels, interval, "loadstep", bits, contract="20 V", output_v=20.0), truth)


def switching(seed: int) -> Simulated:
    """A bulk capacitor charged through a thermistor; soft start; mains gone; the capacitor runs empty."""
    g = np.random.default_rng([seed, 70])
    interval, hz, amplitude = 2e-5, 50.0, 325.0
    ohm, farad = float(g.uniform(4.0, 15.0)), float(g.uniform(20e-6, 120e-6))
    on = 0.02 + float(g.uniform(0, 1)) * interval
    phase = float(g.uniform(0.0, np.pi))
    gone = 0.45 + float(g.uniform(0, 0.02))
    count = 30_000
    time = np.arange(count) * interval
    # a fine grid from the instant mains comes: a mesh 40 times as dense, by Euler's rule
    fine = interval / 40
    t = np.arange(int(0.0205 / fine)) * fine
    source = np.abs(amplitude * np.sin(2 * np.pi * hz * t + phase))
    held, current = 0.0, np.zeros(len(t))
    for k, volts in enumerate(source):
        current[k] = max(volts - held, 0.0) / ohm
        held += current[k] * fine / farad
    top = int(np.argmax(current))
    zero = np.flatnonzero(current[top:] <= 0)
    ends = top + int(zero[0]) if len(zero) else len(current)
    sign = 1.0 if np.sin(phase + 1e-9) >= 0 else -1.0
    amps = np.where((time > on) & (time < on + t[-1]), np.interp(time - on, t, current), 0.0)
    turned = np.sin(2 * np.pi * hz * (time - on) + phase) >= 0
    amps *= np.where(turned, sign, -sign)
    mains = np.where(time > on, amplitude * np.sin(2 * np.pi * hz * (time - on) + phase), 0.0)
    left = amplitude * np.sin(2 * np.pi * hz * (gone - on) + phase)
    keeps = float(g.choice([0.003, 0.4]))  # an input capacitor with its load, or with nothing but its own resistor
    mains = np.where(time > gone, left * np.exp(-np.maximum(time - gone, 0.0) / keeps), mains)
    starts, tau = on + float(g.uniform(0.05, 0.2)), float(np.exp(g.uniform(np.log(2e-4), np.log(5e-3))))
    up = np.where(time > starts, 5.1 * (1 - np.exp(-np.maximum(time - starts, 0.0) / tau)), 0.0)
    runs_out, fall = gone + float(g.uniform(0.008, 0.05)), float(g.uniform(300.0, 3000.0))
    volts = np.where(time > runs_out, np.maximum(5.1 - fall * (time - runs_out), 0.0), up)
    limit = 0.95 * 5.0
    truth = {
        ("inrush_peak_a", ""): float(current.max()),
        ("inrush_i2t_a2s", ""): float((current[:ends] ** 2).sum() * fine),
        ("switch_on_phase_deg", ""): float(np.degrees(phase)),
        ("power_up_time_s", ""): starts - on - tau * float(np.log(1 - 4.75 / 5.1)),
        ("hold_up_time_s", ""): runs_out - gone + (5.1 - limit) / fall,
    }
    channels = {
        "mains_voltage_v": (seen(g, mains, 0.5, 800.0, 12), 800.0),
        "mains_current_a": (seen(g, amps, 0.05, 160.0, 12), 160.0),
        "port_voltage_v@C1": (seen(g, volts, 0.004, 8.0, 12), 8.0),
    }
    given = {"contract": "5 V", "output_v": 5.0, "load_a": 3.0, "start": "cold"}
    return Simulated(evidence_of(channels, interval, "inrush", 12, **given), truth)


def run(kind: str, make: Callable[[int], Simulated], study: Callable[[Evidence], Outcome], many: int) -> None:
    """Print, for each figure: share held, relative width, and how often it was given and without a flag."""
    held: dict[tuple[str, str], list[tuple[bool, bool, float, float]]] = {}
    asked: dict[tuple[str, str], int] = {}
    began = time.perf_counter()
    for seed in range(many):
        one = make(seed)
        found = {(f.name, str(f.conditions.get("band", ""))): f for f in study(one.evidence).figures}
        for key, known in one.truth.items():
            truth = known
            asked[key] = asked.get(key, 0) + 1
            figure: Figure | None = found.get(key)
            if figure is not None:
                if key[0] == "switch_on_phase_deg":  # an angle: 179 and 0 degrees are neighbours
                    truth = figure.value + (truth - figure.value + 90.0) % 180.0 - 90.0
                inside = figure.lower <= truth <= figure.upper
                ratio = (figure.value - truth) / figure.u
                held.setdefault(key, []).append((inside, bool(figure.flags), figure.u / max(abs(truth), 1e-12), ratio))
    print(f"\n{kind}, {many} captures, {time.perf_counter() - began:.0f} s")
    print("figure | band | given of asked | held % | unflagged held % | mean error/u | median u/value %")
    for key, rows in sorted(held.items()):
        inside = np.array([r[0] for r in rows])
        clean = np.array([not r[1] for r in rows])
        width, bias = float(np.median([r[2] for r in rows])), float(np.mean([r[3] for r in rows]))
        unflagged = f"{100 * inside[clean].mean():.1f} ({clean.sum()})" if clean.any() else "-"
        print(
            f"{key[0]} | {key[1]} | {len(rows)} of {asked[key]} | {100 * inside.mean():.1f} | {unflagged} | "
            f"{bias:+.2f} | {100 * width:.2g}"
        )


def main() -> None:
    """All kinds."""
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    run("edge and exponential return, 12 bits", exponential, loadstep_figures, many)
    run("second order, 12 bits", second_order, loadstep_figures, many)
    run("second order, 8 bits", lambda seed: second_order(seed, 8), loadstep_figures, many)
    run("second order, 12 bits, ripple", lambda seed: second_order(seed, ripple=True), loadstep_figures, many)
    run("damped sine, 12 bits", ringing, loadstep_figures, many)
    run("switching on and off, 12 bits", switching, inrush_figures, many)


if __name__ == "__main__":
    main()
