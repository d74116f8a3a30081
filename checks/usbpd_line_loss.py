"""Packet loss of the CC-wire decoder against sample rate, noise, bit rate, rise time and offset.

Run it as `python checks/usbpd_line_loss.py [--packets N] [--seed S]`.  It prints the tables of
docs/usbpd-line.md.  Each capture holds one transmission; a packet counts as lost unless the decoder
returns it without fault and with every byte right.

SNR = 20 log10(swing / (2 sigma)): AC power of the square wave over the power of white noise in the
band up to half the sample rate, per sample.
"""

import argparse
import itertools
import time
from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brickbook.usbpd.line import decode_capture
from brickbook.usbpd.symbols import encode_packet
from brickbook.usbpd.synth import Burst, noise_for_snr, synthesise

SAMPLE_RATES = (2e6, 5e6, 10e6, 25e6, 50e6, 100e6)
SNRS_DB = (0.0, 3.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0)
BIT_RATES = (270e3, 300e3, 330e3)
RISES_S = (300e-9, 600e-9, 900e-9)
OFFSETS = ("steady", "raised 0.25 V", "ramp 0 to 0.3 V", "step 0 to 0.25 V")
IDLES_V = (0.43, 0.93, 1.68)
SETS = ("SOP", "SOP'", "SOP''")


def capture(
    rng: np.random.Generator,
    sample_rate: float,
    snr_db: float,
    *,
    bit_rate: float,
    rise_s: float,
    offset: str,
) -> tuple[NDArray[np.float32], str, bytes]:
    """One capture with one transmission in it, and what was sent."""
    sop = SETS[int(rng.integers(len(SETS)))]
    payload = rng.bytes(2 + 4 * int(rng.integers(8)))
    bits = encode_packet(sop, payload)
    start = rng.uniform(0.15e-3, 0.25e-3)
    length = bits.size / bit_rate
    middle = start + rng.uniform(0.3, 0.8) * length
    baseline = {
        "steady": [(0.0, 0.0)],
        "raised 0.25 V": [(0.0, 0.25)],
        "ramp 0 to 0.3 V": [(start, 0.0), (start + length, 0.3)],
        "step 0 to 0.25 V": [(middle, 0.0), (middle + 2e-6, 0.25)],
    }[offset]
    burst = Burst(
        start,
        bits,
        bit_rate_bps=bit_rate,
        drift_ratio=rng.uniform(-0.0025, 0.0025),
        swing_v=rng.uniform(1.05, 1.2),
        rise_s=rise_s,
        fall_s=rise_s,
        hold_low_s=rng.uniform(1e-6, 20e-6),
    )
    volts = synthesise(
        [burst],
        duration_s=start + length + 0.2e-3,
        sample_interval_s=1.0 / sample_rate,
        rng=rng,
        idle_v=IDLES_V[int(rng.integers(len(IDLES_V)))],
        baseline_v=baseline,
        noise_v=noise_for_snr(snr_db, burst.swing_v),
    )
    return volts, sop, payload


def table(
    title: str,
    heads: list[str],
    rows: list[tuple[str, Any]],
    cells: Callable[[Any, int], str],
) -> None:
    print(f"\n{title}\n")
    print("| | " + " | ".join(heads) + " |")
    print("|---|" + "---|" * len(heads))
    for row in rows:
        print(f"| {row[0]} | " + " | ".join(cells(row[1], head) for head in range(len(heads))) + " |")


def false_alarms(rng: np.random.Generator, seconds: float) -> None:
    """Good packets out of signals that hold none."""
    print(f"\n{seconds:g} s each at 10 MS/s without any packet: good packets found")
    kinds = {"noise 0.18 V": 0, "noise 1 V": 0, "random edges": 0, "random coded bits": 0}
    for _ in range(round(seconds / 0.2)):
        count = 2_000_000
        times = np.arange(count) * 1e-7
        gaps = rng.uniform(0.8e-6, 5e-6, 250_000)
        odd = 1.125 * (np.searchsorted(np.cumsum(gaps), times) % 2)
        burst = Burst(0.0, rng.integers(0, 2, 59_000).astype(np.uint8))
        coded = synthesise([burst], duration_s=0.2, sample_interval_s=1e-7, rng=rng, noise_v=0.03)
        signals = (
            rng.normal(1.0, 0.18, count),
            rng.normal(1.0, 1.0, count),
            odd,
            coded.astype(np.float64),
        )
        for kind, volts in zip(kinds, signals, strict=True):
            kinds[kind] += sum(one.fault is None for one in decode_capture(0.0, 1e-7, volts))
    print(", ".join(f"{kind}: {found}" for kind, found in kinds.items()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--packets", type=int, default=30, help="per point of the full grid")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--alarm-seconds", type=float, default=10.0)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    sent: Counter[tuple[Any, ...]] = Counter()
    lost: Counter[tuple[Any, ...]] = Counter()
    silent, false_good, extra = 0, 0, 0
    began = time.perf_counter()
    grid = itertools.product(SAMPLE_RATES, SNRS_DB, BIT_RATES, RISES_S, OFFSETS)
    for sample_rate, snr_db, bit_rate, rise_s, offset in grid:
        for _ in range(options.packets):
            volts, sop, payload = capture(rng, sample_rate, snr_db, bit_rate=bit_rate, rise_s=rise_s, offset=offset)
            packets = decode_capture(0.0, 1.0 / sample_rate, volts)
            good = [p for p in packets if p.fault is None]
            right = sum(p.sop == sop and p.payload == payload for p in good)
            false_good += len(good) - right
            extra += len(packets) - 1 if packets else 0
            miss = right != 1
            silent += not packets
            for key in (
                (sample_rate, snr_db),
                (snr_db, "bit rate", bit_rate),
                (snr_db, "rise", rise_s),
                (snr_db, "offset", offset),
                ("all",),
            ):
                sent[key] += 1
                lost[key] += miss
    spent = time.perf_counter() - began

    def cell(key: tuple[Any, ...]) -> str:
        return "0" if not lost[key] else f"{100 * lost[key] / sent[key]:.2f} %"

    heads = [f"{snr:g} dB" for snr in SNRS_DB]
    each = sent[SAMPLE_RATES[0], SNRS_DB[0]]
    table(
        f"Packets lost of {each} per cell, by sample rate and SNR",
        heads,
        [(f"{rate / 1e6:g} MS/s", rate) for rate in SAMPLE_RATES],
        lambda rate, column: cell((rate, SNRS_DB[column])),
    )
    for name, values, label in (
        ("bit rate", BIT_RATES, lambda v: f"{v / 1e3:g} kbit/s"),
        ("rise", RISES_S, lambda v: f"rise {v * 1e9:g} ns"),
        ("offset", OFFSETS, str),
    ):
        each = sent[SNRS_DB[0], name, values[0]]
        table(
            f"The same packets by {name}, {each} per cell",
            heads,
            [(label(value), value) for value in values],
            lambda value, column, name=name: cell((SNRS_DB[column], name, value)),
        )
    print(
        f"\n{sent[('all',)]} packets sent; {false_good} good packets that were never sent, "
        f"{silent} captures without any report, {extra} reports beyond one per capture; "
        f"{spent:.0f} s, seed {options.seed}"
    )
    false_alarms(rng, options.alarm_seconds)


if __name__ == "__main__":
    main()
