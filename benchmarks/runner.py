"""What the runner costs per reading, against the bare questions it asks and against what the disk takes.

    python benchmarks/runner.py [readings]

Questions go to the software bench in lock-step, over real sockets, in the same process as the runner: its own time is
in both the bare loop and the run. The floor is two lines appended and fsynced, one to the log and one to the journal.
With TMPDIR on a file system in memory the disk takes next to nothing and the runner's own share stands out.
"""

import os
import statistics
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

from brickbook.bench import RunChoices, read_journal, run_plan
from brickbook.bench.journal import append_line
from brickbook.bench.stand import bench_faults, open_drivers
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.simbench import load_sim_charger, start_bench

SLUG = "finch-30"
INTERVAL_S = 1.0


class Part:
    """Some instruments of a bench."""

    def __init__(self, instruments) -> None:
        self.instruments = instruments


def bare(sim, count: int) -> list[float]:
    """Seconds each for the questions of one reading and the wait after it, with nothing kept."""
    dialects, _ = bench_faults(sim.instruments, None)
    stand, _ = open_drivers(sim.instruments, dialects, report=lambda *_: None)
    meter, load, clock = stand.meter, stand.load("C1"), stand.clock
    took = []
    for _ in range(count):
        begin = time.perf_counter()
        now = clock.now_s()
        meter.read()
        load.read(["C1"])
        clock.wait_until(now + INTERVAL_S)
        took.append(time.perf_counter() - begin)
    stand.close()
    return took


def floor(folder: Path, count: int) -> list[float]:
    """Seconds each for two lines on the disk."""
    files = [os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_APPEND) for name in ("log", "journal")]
    took = []
    for k in range(count):
        begin = time.perf_counter()
        append_line(files[0], f"{k}.000,229.63,0.2277,31.61,0.6101,49.95,1.2316,20.063,1.4982")
        append_line(files[1], '{"n":1,"event":"reading","values":' + '"x"' * 80 + "}")
        took.append(time.perf_counter() - begin)
    return took


def run(sim, folder: Path, count: int) -> list[float]:
    """Seconds from reading to reading of a run."""
    book = Book.create(folder / "book", title="Benchmark", publisher="Benchmark")
    outputs = (Output("fixed", 1.5, voltage_v=20.0),)
    port = Port("C1", "usb-c", outputs, power_w=30.0)
    book.new_charger(SLUG, Charger("F", "Q", "F", Nameplate(30.0), (port,), Sample("bought")))
    stay = Dwell(count * INTERVAL_S, count * INTERVAL_S)
    step = PlanStep("full", (PortSetting("C1", "20 V", 1.5),), stay)
    task = PlanTask("regulation-1", ("regulation",), "benchmark", "log", (step,), 230.0, 50.0, INTERVAL_S)
    book.write_plan(SLUG, TestPlan(SLUG, "short", (task,)))
    stamps = []

    def show(event):
        if event.event == "reading":
            stamps.append(time.perf_counter())

    _, where = run_plan(book, SLUG, RunChoices(confirmed=True), instruments=sim.instruments, show=show)
    assert sum(e.event == "reading" for e in read_journal(where)) == count + 1
    return [b - a for a, b in pairwise(stamps)]


def said(name: str, took: list[float]) -> float:
    """Print, and give the quickest tenth in microseconds: on a shared machine the median is the neighbours'."""
    us = sorted(1e6 * t for t in took)
    tenth = us[len(us) // 10]
    middle, late = statistics.median(us), us[int(0.99 * len(us))]
    print(f"{name:34} p10 {tenth:6.0f} us   median {middle:6.0f} us   p99 {late:6.0f} us")
    return tenth


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    with tempfile.TemporaryDirectory() as name, start_bench(load_sim_charger(SLUG), seed=1) as sim:
        # the same questions as a run of this plan asks, without temperatures
        view = Part({n: i for n, i in sim.instruments.items() if i.role != "temperature-logger"})
        asked = said("bare questions and wait", bare(view, count))
        disk = said("two lines fsynced", floor(Path(name), count))
        whole = said("run, from reading to reading", run(view, Path(name), count))
        print(f"{'the runner itself':34} p10 {whole - asked - disk:6.0f} us")


if __name__ == "__main__":
    main()
