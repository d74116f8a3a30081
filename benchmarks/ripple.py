"""Ripple figures of long captures: speed against the obvious script and a bare transform, memory, and reading text.

    python benchmarks/ripple.py [millions of samples ...]

Without arguments: ratios at 100 million samples, memory at 10, 100 and 1000 million, and a text capture of 10 million
rows against polars. At most two threads anywhere. The machine may be busy with other things, so that each ratio is the
median of ratios of neighbouring runs, by the clock and by processor time (all threads), which a busy machine disturbs
less; the files are made in a temporary folder and deleted.
"""

# ruff: noqa: E402 - the number of threads must be set before the libraries are imported

from __future__ import annotations

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(variable, "2")

import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
from scipy import fft, signal

from brickbook.core.capture import Capture
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Evidence, Mains, Settings
from brickbook.core.table import RawFile
from brickbook.readers.captures import CapturePart, join_captures, read_capture
from brickbook.studies.ripple import STUDY

RATE_HZ = 100e6
SEGMENT = 1 << 15
PIECE = 1 << 20


def make_capture(path: Path, count: int) -> None:
    """A float32 .npy of mains ripple, a switching triangle and noise on 20 V, written piece by piece."""
    rng = np.random.default_rng(5)
    noise = (0.001 * rng.standard_normal(PIECE + 4099)).astype(np.float32)
    header = {"descr": "<f4", "fortran_order": False, "shape": (count,)}
    with path.open("wb") as stream:
        np.lib.format.write_array_header_1_0(stream, header)
        for first in range(0, count, PIECE):
            n = min(PIECE, count - first)
            time_s = (first + np.arange(n)) / RATE_HZ
            turns = (130e3 * time_s) % 1.0
            wave = 0.02 * np.sin(2 * np.pi * 100 * time_s) + 0.03 * np.abs(turns - 0.5)
            shift = int(rng.integers(4099))
            (20.0 + wave + noise[shift : shift + n]).astype(np.float32).tofile(stream)


def open_capture(path: Path) -> Capture:
    return read_capture(
        "capture-npy" if path.suffix == ".npy" else "capture-text",
        path,
        name=path.name,
        raw=RawFile(path.name, ""),
        conditions=Conditions.of(
            port="C1",
            mains_v=230.0,
            mains_hz=50.0,
            contract="20 V",
            output_v=20.0,
            load_ratio=1.0,
            **({"sample_rate_hz": RATE_HZ} if path.suffix == ".npy" else {}),
        ),
        instruments={"port_voltage_v": "scope"},
    )


def all_figures(path: Path) -> int:
    """Every ripple figure of a capture; how many there are."""
    recordings = join_captures((), (CapturePart(open_capture(path), "r", ("ripple",)),))
    port = Port("C1", "usb-c", (Output("fixed", 5.0, voltage_v=20.0),))
    charger = Charger("n", "m", "x", Nameplate(100.0), (port,), Sample("bought"))
    scope = Instrument("oscilloscope", (Accuracy("port_voltage_v", percent_reading=2.0),))
    outcome = STUDY.figures(Evidence(charger, Settings((Mains(230.0, 50.0),)), {"scope": scope}, recordings))
    return len(outcome.figures)


def obvious_script(path: Path) -> list[float]:
    """What one would write first: the whole array, a filter, Welch's spectrum, percentiles."""
    v = np.load(path)
    v = v - v.mean(dtype=np.float64).astype(np.float32)
    sos = signal.butter(1, 20e6, fs=RATE_HZ, output="sos")
    y = signal.sosfilt(sos, v)[100:]
    peak = [float(v.max() - v.min()), float(y.max() - y.min())]
    rms = float(np.std(y, dtype=np.float64))
    low, high = np.percentile(y, [0.1, 99.9])
    frequency, density = signal.welch(v, RATE_HZ, nperseg=SEGMENT)
    line = float(frequency[10 + int(np.argmax(density[10:]))])
    return [*peak, rms, float(high - low), line]


def bare_transform(path: Path) -> float:
    """One pass of the file through equal transforms with two workers, squares added up."""
    total = np.zeros(SEGMENT + 2)
    buffer = np.empty(8 * SEGMENT, dtype=np.float32)
    with path.open("rb", buffering=0) as stream:
        stream.seek(128)
        while stream.readinto(buffer.data) == buffer.nbytes:
            parts = fft.rfft(buffer.reshape(8, SEGMENT), axis=1, workers=2).view(np.float32)
            total += np.einsum("ij,ij->j", parts, parts)
    return float(total[0::2].sum())


def timed(function: Callable[[Path], object], path: Path) -> tuple[float, float]:
    """Seconds by the clock, and of processor time."""
    clock, processor = time.perf_counter(), time.process_time()
    kept = function(path)
    taken = time.perf_counter() - clock, time.process_time() - processor
    del kept
    return taken


def line(words: str, runs: list[tuple[float, float]]) -> None:
    clock, processor = ([r[k] for r in runs] for k in (0, 1))
    print(
        f"  {words:24} {statistics.median(clock):7.2f} s (best {min(clock):.2f}), processor "
        f"{statistics.median(processor):.2f} s (best {min(processor):.2f})"
    )


def ratios(words: str, above: list[tuple[float, float]], below: list[tuple[float, float]]) -> None:
    clock, processor = (statistics.median(a[k] / b[k] for a, b in zip(above, below, strict=True)) for k in (0, 1))
    print(f"  {words:24} {clock:7.2f} by the clock, {processor:.2f} by processor time")


def speed(path: Path, rounds: int) -> None:
    print(f"{path.name}: {all_figures(path)} figures")
    ours, bare = [], []
    for _ in range(rounds):
        bare.append(timed(bare_transform, path))
        ours.append(timed(all_figures, path))
    script, beside = [], []
    for _ in range(max(2, rounds // 3)):
        script.append(timed(obvious_script, path))
        beside.append(timed(all_figures, path))
    line("all figures", ours)
    line("bare transform", bare)
    line("obvious script", script)
    ratios("script over figures", script, beside)
    ratios("figures over bare pass", ours, bare)


def memory(path: Path) -> None:
    """Peak memory of a fresh interpreter that imports all, and of one that also finds the figures."""
    code = (
        f"import json, sys, time; sys.path.insert(0, {str(Path(__file__).parent)!r}); import ripple\n"
        "from pathlib import Path\n"
        "def peak(): return next(int(r.split()[1]) for r in open('/proc/self/status') if r.startswith('VmHWM'))\n"
        "ripple.fft.rfft(ripple.np.zeros(64)); import pint\n"
        "base = peak(); start = time.perf_counter()\n"
        f"n = ripple.all_figures(Path({str(path)!r}))\n"
        "print(json.dumps([base / 1024, peak() / 1024, time.perf_counter() - start, n]))"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    base, peak, seconds, figures = json.loads(answer)
    print(
        f"  {path.name:>16}: {peak - base:6.0f} MB above the interpreter's {base:.0f} MB, {seconds:.1f} s, "
        f"{figures} figures"
    )


def text_reading(folder: Path, rows: int, rounds: int) -> None:
    path = folder / "capture.csv"
    rng = np.random.default_rng(1)
    time_s = np.round(np.arange(rows) * 1e-8, 9)
    pl.DataFrame({"time": time_s, "CH1": np.round(20 + 0.01 * rng.standard_normal(rows), 5)}).write_csv(path)
    open_capture(path)
    own, library = [], []
    for _ in range(rounds):
        library.append(timed(pl.read_csv, path))
        own.append(timed(open_capture, path))
    print(f"text capture of {rows / 1e6:g} million rows, {path.stat().st_size / 1e6:.0f} MB")
    line("polars.read_csv", library)
    line("capture reader", own)
    ratios("reader over polars", own, library)
    path.unlink()


def main() -> None:
    wanted = [int(float(a)) for a in sys.argv[1:]] or [10, 100, 1000]
    with tempfile.TemporaryDirectory(prefix="brickbook-ripple-") as name:
        folder = Path(name)
        print(f"{os.cpu_count()} processors, two threads used; load {os.getloadavg()[0]:.1f}")
        if not sys.argv[1:]:
            text_reading(folder, 10_000_000, 5)
        for millions in wanted:
            path = folder / f"{millions}M.npy"
            need = 4e6 * millions
            if shutil.disk_usage(folder).free < 2 * need:
                print(f"  {millions} million samples: not enough free disk, left out")
                continue
            make_capture(path, millions * 1_000_000)
            if millions == 100:
                speed(path, 5)
            memory(path)
            path.unlink()


if __name__ == "__main__":
    main()
