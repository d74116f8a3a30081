"""Many chargers: how the work spreads over workers, and how fast a capture is hashed, read and searched for ripple.

    python benchmarks/scale.py [rounds]

The example book (brief) is analysed whole by a cluster of one worker process and of two, in turn, with one numeric
thread each; then a capture of 100 million float32 samples is hashed, read and put through the ripple study. The machine
may be busy with other things: beside the clock stand processor times (of the workers and of this process), which a busy
machine disturbs less, and the load. Files are made in a temporary folder and deleted.
"""

# ruff: noqa: E402 - the number of threads must be set before the libraries are imported

from __future__ import annotations

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(variable, "1")

import contextlib
import hashlib
import io
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from ripple import all_figures, make_capture

from brickbook.analysis.executor import ClusterWorkers, executor_for
from brickbook.book import Book
from brickbook.commands.analyse import analyse_chargers
from brickbook.demo.build import make_book

SAMPLES = 100_000_000


def spread(root: Path, executor: ClusterWorkers) -> tuple[float, float]:
    """Seconds by the clock, and of processor time in the workers, of one analysis of the whole book."""
    book = Book.open(root)
    client = executor.client
    before = sum(client.run(time.process_time).values())
    start = time.perf_counter()
    with contextlib.redirect_stderr(io.StringIO()):
        faults = analyse_chargers(book, book.chargers(), force=True, executor=executor)
    clock = time.perf_counter() - start
    if faults:
        raise SystemExit(f"the book could not be analysed: {faults}")
    return clock, sum(client.run(time.process_time).values()) - before


def workers(folder: Path, rounds: int) -> None:
    root = folder / "book"
    chargers = len(list(make_book(root, brief=True)))
    runs: dict[int, list[tuple[float, float]]] = {1: [], 2: []}
    with executor_for("local:1") as one, executor_for("local:2") as two:
        for executor in (one, two):
            spread(root, executor)  # libraries are loaded the first time
        for _ in range(rounds):
            runs[1].append(spread(root, one))
            runs[2].append(spread(root, two))
    for count, taken in runs.items():
        clock, processor = (statistics.median(t[k] for t in taken) for k in (0, 1))
        print(f"  {chargers} chargers, {count} workers: {clock:.2f} s, processor {processor:.2f} s in all workers")
    ratio = statistics.median(a[0] / b[0] for a, b in zip(runs[1], runs[2], strict=True))
    print(f"  two workers are {ratio:.2f} times as fast as one, by the clock (median of neighbouring runs)")


def digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read(path: Path) -> int:
    total, piece = 0, bytearray(1 << 20)
    with path.open("rb", buffering=0) as file:
        while count := file.readinto(piece):
            total += count
    return total


def rates(folder: Path, rounds: int) -> None:
    path = folder / "capture.npy"
    make_capture(path, SAMPLES)
    size = path.stat().st_size / 1e6
    steps: tuple[tuple[str, Callable[[Path], object]], ...] = (
        ("read, from memory", read),
        ("SHA-256", digest),
        ("ripple study", all_figures),
    )
    for words, step in steps:
        clock, processor = [], []
        for _ in range(rounds):
            start, used = time.perf_counter(), time.process_time()
            step(path)
            clock.append(time.perf_counter() - start)
            processor.append(time.process_time() - used)
        print(
            f"  {words:18} {size:.0f} MB: best {size / min(clock):6.0f} MB/s by the clock, "
            f"{size / min(processor):6.0f} MB/s of one processor's time"
        )


def main() -> None:
    rounds = int(sys.argv[1]) if sys.argv[1:] else 5
    print(f"{os.cpu_count()} processors; load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory(prefix="brickbook-scale-") as name:
        rates(Path(name), rounds)
        workers(Path(name), rounds)
    print(f"load at the end {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
