"""Speed and memory of the CC-wire decoder, beside a plain-Python decoder and a bare numpy pass.

Run it as `python benchmarks/usbpd_line.py`; results are kept in docs/usbpd-line.md.
Times are processor time of one thread, so that other work on the machine counts little.
Everything runs in one process on one core, except that the long stream has a process of its own so
that its peak memory is its own.
"""

import argparse
import platform
import resource
import subprocess
import sys
import time
import zlib
from pathlib import Path

import numpy as np

from brickbook.usbpd.line import LineDecoder, decode_capture
from brickbook.usbpd.symbols import DATA_CODES, EOP, ORDERED_SETS, encode_packet
from brickbook.usbpd.synth import Burst, boundary_times, synthesise

NIBBLES = {code: nibble for nibble, code in enumerate(DATA_CODES)}
SETS = {codes: name for name, codes in ORDERED_SETS.items()}


def plain_fixed(volts, interval_s):
    """Sample by sample with a fixed threshold: good packets as (start, set, payload)."""
    edges, high = [], False
    before = volts[0]
    for number in range(1, len(volts)):
        now = volts[number]
        if high:
            if now < 0.45:
                high = False
                edges.append((number - 1 + (before - 0.5625) / (before - now)) * interval_s)
        elif now > 0.675:
            high = True
            edges.append((number - 1 + (0.5625 - before) / (now - before)) * interval_s)
        before = now
    return plain_packets(edges)


def plain_same(volts, interval_s):
    """Sample by sample with what the decoder here does too: averaging and a local threshold."""
    width = max(1, round(1e-6 / interval_s))
    fade = interval_s / 13e-6
    edges, high = [], False
    total = sum(volts[:width])
    before = top = bottom = total / width
    for number in range(width, len(volts)):
        total += volts[number] - volts[number - width]
        now = total / width
        swing = top - bottom
        top = max(now, top - fade * swing)
        bottom = min(now, bottom + fade * swing)
        middle = 0.5 * (top + bottom)
        band = max(0.15 * swing, 0.06)
        if high:
            if now < middle - band:
                high = False
                edges.append((number - 0.5 * width + (middle - now) / (now - before)) * interval_s)
        elif now > middle + band:
            high = True
            edges.append((number - 0.5 * width + (middle - now) / (now - before)) * interval_s)
        before = now
    return plain_packets(edges)


def plain_packets(edges):
    """Intervals to bits to frames."""
    packets = []
    bits, starts, half, last = [], [], False, None
    for edge in [*edges, None]:
        gap = 1.0 if edge is None or last is None else edge - last
        if 1.2e-6 <= gap < 2.4e-6:
            if half:
                bits.append(1)
                starts.append(last)
            half = not half
        elif 2.4e-6 <= gap < 4.4e-6 and not half:
            bits.append(0)
            starts.append(last)
        elif 2.4e-6 <= gap < 4.4e-6 and not any(bits):
            bits, starts, half = [0], [last], False
        else:
            packets += plain_frame(bits, starts)
            bits, starts, half = [], [], False
        last = edge
    return packets


def plain_frame(bits, starts):
    for place in range(20, len(bits) - 20):
        codes = [sum(bits[place + 5 * group + bit] << bit for bit in range(5)) for group in range(4)]
        name = SETS.get(tuple(codes))
        if name is None:
            continue
        if name.endswith("RESET"):
            return [(starts[place], name, b"")]
        nibbles = []
        for at in range(place + 20, len(bits) - 4, 5):
            code = sum(bits[at + bit] << bit for bit in range(5))
            if code == EOP:
                data = bytes(low | high << 4 for low, high in zip(nibbles[::2], nibbles[1::2], strict=False))
                if len(data) >= 6 and zlib.crc32(data) == 0x2144DF1C:
                    return [(starts[place], name, data[:-4])]
                return []
            if code not in NIBBLES:
                return []
            nibbles.append(NIBBLES[code])
        return []
    return []


def capture(rng, sample_rate, duration_s, gap_s, noise_v=0.03):
    """Exchanges as on a real wire: a message, its acknowledgement, then a pause."""
    bursts, at = [], 0.5e-3
    while at < duration_s - 4e-3:
        words = int(rng.choice([0, 0, 1, 1, 5, 7]))
        for payload in (rng.bytes(2 + 4 * words), rng.bytes(2)):
            burst = Burst(
                at,
                encode_packet("SOP", payload),
                bit_rate_bps=rng.uniform(290e3, 310e3),
                drift_ratio=rng.uniform(-0.002, 0.002),
            )
            bursts.append(burst)
            at = float(boundary_times(burst)[-1]) + (90e-6 if gap_s else 28e-6)
        at += gap_s and rng.uniform(0.5, 1.5) * gap_s
    volts = synthesise(
        bursts,
        duration_s=duration_s,
        sample_interval_s=1.0 / sample_rate,
        rng=rng,
        noise_v=noise_v,
    )
    active = sum(float(boundary_times(one)[-1]) - one.start_s for one in bursts) / duration_s
    return volts, bursts, active


def best_time(work, repeats=5):
    times = []
    for _ in range(repeats):
        began = time.process_time()
        result = work()
        times.append(time.process_time() - began)
    return min(times), result


def compare(rng):
    print("| capture | active | samples | packets sent / good | decoder | min + max | of floor |")
    print("|---|---|---|---|---|---|---|")
    for sample_rate, duration_s, gap_s in (
        (2e6, 8.0, 40e-3),
        (10e6, 2.0, 120e-3),
        (10e6, 2.0, 30e-3),
        (25e6, 1.0, 120e-3),
        (25e6, 1.0, 30e-3),
        (100e6, 0.3, 30e-3),
        (2e6, 1.0, 0.0),
        (10e6, 0.5, 0.0),
        (25e6, 0.3, 0.0),
        (100e6, 0.1, 0.0),
    ):
        volts, bursts, active = capture(rng, sample_rate, duration_s, gap_s)
        spent, packets = best_time(lambda: decode_capture(0.0, 1.0 / sample_rate, volts))  # noqa: B023
        floor, _ = best_time(lambda: (volts.min(), volts.max()))  # noqa: B023
        good = sum(one.fault is None for one in packets)
        print(
            f"| {sample_rate / 1e6:g} MS/s | {100 * active:.1f} % | {volts.size / 1e6:g} M | "
            f"{len(bursts)} / {good} | {volts.size / spent / 1e6:.0f} MS/s | "
            f"{volts.size / floor / 1e6:.0f} MS/s | {floor / spent:.2f} |"
        )


def against_plain(rng):
    print("\n| slice | packets here | here | plain, fixed threshold | times | plain, same method | times |")
    print("|---|---|---|---|---|---|---|")
    for sample_rate, duration_s, gap_s in (
        (10e6, 0.8, 120e-3),
        (10e6, 0.4, 30e-3),
        (25e6, 0.4, 120e-3),
        (25e6, 0.2, 30e-3),
        (10e6, 0.2, 0.0),
    ):
        volts, _, active = capture(rng, sample_rate, duration_s, gap_s)
        values = volts.tolist()
        interval_s = 1.0 / sample_rate
        quick, packets = best_time(lambda: decode_capture(0.0, interval_s, volts))  # noqa: B023
        good = [(p.sop, p.payload) for p in packets if p.fault is None]
        row = (
            f"| {sample_rate / 1e6:g} MS/s, {100 * active:.1f} % active, {volts.size / 1e6:g} M | "
            f"{len(good)} | {volts.size / quick / 1e6:.0f} MS/s | "
        )
        for plain in (plain_fixed, plain_same):
            slow, read = best_time(lambda: plain(values, interval_s), 2)  # noqa: B023
            same = sum((name, data) in good for _, name, data in read)
            row += f"{volts.size / slow / 1e6:.1f} MS/s, {same} packets | {slow / quick:.0f} | "
        print(row.rstrip())


def peak_memory_mib():
    """Most memory this process ever held; a child's ru_maxrss would begin with its parent's."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def stream(samples):
    """Feed a long capture in chunks of one million samples made beforehand."""
    rng = np.random.default_rng(3)
    sample_rate = 25e6
    pieces = [capture(rng, sample_rate, 0.04, 12e-3) for _ in range(8)]
    chunks = [piece[0] for piece in pieces]
    before = peak_memory_mib()
    decoder = LineDecoder(1.0 / sample_rate)
    fed, good, sent = 0, 0, 0
    began = time.process_time()
    while fed < samples:
        number = fed // chunks[0].size % len(chunks)
        sent += len(pieces[number][1])
        good += sum(one.fault is None for one in decoder.feed(chunks[number]))
        fed += chunks[number].size
    good += sum(one.fault is None for one in decoder.finish())
    spent = time.process_time() - began
    after = peak_memory_mib()
    print(
        f"stream of {fed / 1e6:g} M samples at 25 MS/s, {100 * pieces[0][2]:.1f} % active: "
        f"{sent} packets sent, {good} good, {fed / spent / 1e6:.0f} MS/s, "
        f"peak memory {after:.0f} MiB, {after - before:.0f} MiB of it since the first sample"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stream", type=int, metavar="SAMPLES", help="only the long stream")
    options = parser.parse_args()
    if options.stream:
        stream(options.stream)
        return
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}\n")
    rng = np.random.default_rng(2)
    compare(rng)
    against_plain(rng)
    print(flush=True)
    for samples in (50_000_000, 500_000_000):
        subprocess.run([sys.executable, __file__, "--stream", str(samples)], check=True)


if __name__ == "__main__":
    main()
