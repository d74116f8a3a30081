"""How often the 95 % intervals of the ripple figures hold the truth, on simulated captures.

    python checks/ripple_coverage.py [trials]

Each trial draws a capture of known make (mains sine, switching triangle, noise of the charger) and a scope with a gain
error, a clock error, noise and steps, all within what is stated of it. The truth is that of the voltage before the
scope: closed forms where there are some, else the same figure of the same or a long record without the scope's errors.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from brickbook.core.capture import ArraySamples, Capture, Channel, Setting
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.core.table import RawFile, Recording
from brickbook.studies.ripple import STUDY
from brickbook.studies.ripple.band import BandFilter

FloatArray = NDArray[np.float64]
GAIN, CLOCK = 0.02, 1e-4
PORT = Port("C1", "usb-c", (Output("fixed", 5.0, voltage_v=20.0),))
CHARGER = Charger("n", "m", "x", Nameplate(100.0), (PORT,), Sample("bought"))
SCOPE = Instrument("oscilloscope", (Accuracy("port_voltage_v", percent_reading=100 * GAIN),))
SETTINGS = Settings((Mains(230.0, 50.0),))


@dataclass(frozen=True, slots=True)
class Scenario:
    """Signal [V, Hz] and scope."""

    name: str
    rate_hz: float
    count: int
    mains_v: float
    triangle_v: float
    switching_hz: float
    noise_v: float
    scope_noise_v: float
    full_scale: float
    bits: int


SCENARIOS = (
    Scenario("slow, 12 bits", 1e6, 200_000, 0.010, 0.030, 65e3, 0.002, 0.0003, 0.16, 12),
    Scenario("slow, 8 bits, noisy scope", 1e6, 200_000, 0.010, 0.020, 65e3, 0.001, 0.0010, 0.16, 8),
    Scenario("noise above all", 1e6, 200_000, 0.002, 0.002, 65e3, 0.005, 0.0003, 0.16, 12),
    Scenario("fast, 20 MHz", 100e6, 131_072, 0.0, 0.030, 230e3, 0.002, 0.0003, 0.16, 12),
)


def voltage(s: Scenario, rng: np.random.Generator, clock: float, count: int) -> FloatArray:
    """Voltage before the scope; `clock` is the relative error of its sampling."""
    time = np.arange(count) / s.rate_hz * (1 + clock)
    phases = rng.uniform(0, 1, 2)
    out = s.mains_v * np.sin(2 * np.pi * (100 * time + phases[0]))
    out += s.triangle_v / 2 * signal.sawtooth(2 * np.pi * (s.switching_hz * time + phases[1]), 0.4)
    return np.asarray(out + s.noise_v * rng.standard_normal(count))


def figures(s: Scenario, values: FloatArray, *, noise: float, step: float) -> dict[str, Figure]:
    setting = Setting(full_scale=s.full_scale, centre=0.0, bits=s.bits, noise=float(np.hypot(noise, step / 12**0.5)))
    channel = Channel("port_voltage_v@C1", ArraySamples(values), instrument="scope", setting=setting)
    capture = Capture(RawFile("x", ""), 1 / s.rate_hz, (channel,))
    conditions = Conditions.of(mains_v=230.0, mains_hz=50.0, port="C1", contract="20 V", output_v=20.0)
    recording = Recording("r", ("ripple",), (), conditions, captures=(capture,))
    outcome = STUDY.figures(Evidence(CHARGER, SETTINGS, {"scope": SCOPE}, (recording,)))
    return {f.name: f for f in outcome.figures}


def in_band(s: Scenario, values: FloatArray) -> FloatArray:
    if s.rate_hz < 50e6:
        return values
    band = BandFilter(20e6, 1 / s.rate_hz)
    return np.asarray(signal.lfilter([band.scale] * 2, [1, -band.pole], values)[200:])


def stretch_height(s: Scenario, values: FloatArray) -> float:
    size = round(s.rate_hz / 100) if s.mains_v else len(values) // 16
    parts = values[: len(values) // size * size].reshape(-1, size)
    return float(np.median(parts.max(axis=1) - parts.min(axis=1)))


def constants(s: Scenario, rng: np.random.Generator) -> dict[str, float]:
    """What is true of every record of a scenario."""
    long = in_band(s, voltage(s, rng, 0.0, 4_000_000))
    stretches = [stretch_height(s, in_band(s, voltage(s, rng, 0.0, s.count))) for _ in range(60)]
    scope = s.scope_noise_v * rng.standard_normal(4_000_000)
    seen = in_band(s, voltage(s, rng, 0.0, 4_000_000) + scope)
    low, high = np.quantile(seen, [0.001, 0.999])
    share = 1.0
    if s.rate_hz >= 50e6:
        share = float(np.mean(BandFilter(20e6, 1 / s.rate_hz).gain(np.linspace(0, s.rate_hz / 2, 4001)) ** 2))
    truth = {
        "ripple_rms_v": float(np.std(long)),
        "ripple_span_v": float(high - low),
        "ripple_recurring_pp_v": float(np.mean(stretches)),
        "switching_frequency_hz": s.switching_hz,
        "noise_floor_rms_v": s.noise_v * share**0.5,
    }
    if s.mains_v:
        truth["mains_ripple_pp_v"] = 2 * s.mains_v
    if s.triangle_v > 4 * s.noise_v:
        # rms of the triangle's harmonics, k-th amplitude 4 h sin(pi k d)/(2 pi^2 k^2 d (1-d)) for a rise of share d
        k = np.arange(1, int(s.rate_hz / 2 / s.switching_hz) + 1)
        size = s.triangle_v * np.abs(np.sin(np.pi * k * 0.4)) / (np.pi**2 * k**2 * 0.4 * 0.6)
        gain = BandFilter(20e6, 1 / s.rate_hz).gain(k * s.switching_hz) if s.rate_hz >= 50e6 else 1.0
        truth["switching_ripple_rms_v"] = float(np.sqrt(np.sum((size * gain) ** 2) / 2))
    return truth


def trial(s: Scenario, rng: np.random.Generator, truth: dict[str, float]) -> dict[str, bool]:
    gain = 1 + GAIN * float(rng.uniform(-1, 1))
    clean = voltage(s, rng, CLOCK * float(rng.uniform(-1, 1)), s.count)
    step = s.full_scale / 2**s.bits
    seen = gain * clean + s.scope_noise_v * rng.standard_normal(s.count)
    seen = np.round(seen / step) * step
    stated = s.scope_noise_v * (1 + 0.1 * float(rng.standard_normal()))
    found = figures(s, seen, noise=stated, step=step)
    peaks = {"ripple_pp_v": float(np.ptp(clean))}
    if s.rate_hz >= 50e6:
        peaks["ripple_20mhz_pp_v"] = float(np.ptp(in_band(s, clean)))
    return {
        name: found[name].lower <= value <= found[name].upper
        for name, value in {**truth, **peaks}.items()
        if name in found
    }


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"share of {trials} 95 % intervals that hold the truth; 93 to 97 % is right, sampling error of a share 1.1 %")
    for s in SCENARIOS:
        rng = np.random.default_rng(20261125)
        truth = constants(s, rng)
        held: Counter[str] = Counter()
        made: Counter[str] = Counter()
        for _ in range(trials):
            for name, inside in trial(s, rng, truth).items():
                made[name] += 1
                held[name] += inside
        print(s.name)
        for name in made:
            print(f"  {name:26} {100 * held[name] / made[name]:6.1f} %  of {made[name]}")


if __name__ == "__main__":
    main()
