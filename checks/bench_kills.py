"""Runs that are killed at random moments and taken up again: no reading lost or doubled, every file valid.

    .venv/bin/python checks/bench_kills.py --kills 200 --folder FOLDER

Each trial makes a book with a short plan (two logs and the offers of the ports), starts the run in a process of its own
and sends it SIGKILL at a random moment, takes it up again in another process, up to three times, and lets it end. The
software bench lives on, as a real one would: with whatever was on when the runner died.

Checked after each kill: every line of the journal but torn ones is an event and they are numbered without a gap. After
the last run: each reading of the journal stands once in the log of its attempt, in order; a log has at most one row
more than the journal has readings, and only where a kill came between both; what was taken into raw/ is the whole log
of the last attempt, byte for byte, once; the load's current in each row is that which the world had; the book has no
fault; and the world is off.
"""

from __future__ import annotations

import argparse
import csv
import json
import multiprocessing
import os
import random
import shutil
import signal
import time
from collections import Counter
from pathlib import Path

from brickbook.analysis import gather
from brickbook.bench import BenchError, RunChoices, is_alive, read_journal, run_plan, runs
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.simbench import SimBench, load_sim_charger, start_bench
from brickbook.simbench.benchfile import bench_text

SLUG = "finch-30"
STAY = Dwell(5.0, 5.0)
ROWS_OF_A_STEP = 6
LINES = 55  # of the journal of a whole run
LOADS = {"regulation-00000001": (1.5, 0.75), "regulation-00000002": (1.125, 0.375)}
OFFERS = "modes-00000003"
CURRENT = "port_current_a@C1"


def charger() -> Charger:
    """The claims of the charger on the bench."""
    volts = ((5.0, 3.0), (9.0, 3.0), (15.0, 2.0), (20.0, 1.5))
    outputs = tuple(Output(kind="fixed", voltage_v=v, current_a=a) for v, a in volts)
    port = Port("C1", "usb-c", outputs, power_w=30.0)
    return Charger(
        name="Finch 30", maker="Quillmere", model="QF-30", sample=Sample("bought"), nameplate=Nameplate(30.0),
        ports=(port,),
    )  # fmt: skip


def log(task_id: str, loads: tuple[float, ...]) -> PlanTask:
    """A log of a few short steps."""
    steps = tuple(PlanStep(f"{a:g} A", (PortSetting("C1", "20 V", a),), STAY) for a in loads)
    return PlanTask(
        id=task_id, studies=("regulation",), title="V(I)", kind="log", steps=steps, mains_v=230.0, mains_hz=50.0,
        cautions=("Mains voltage kills.",),
    )  # fmt: skip


def plan() -> TestPlan:
    """Two logs, and what the port offers."""
    seen = PlanStep("C1", (PortSetting("C1", "5 V", 0.5),), Dwell(1.0, 1.0))
    offers = PlanTask(
        id=OFFERS, studies=("modes",), title="Offers", kind="offers", steps=(seen,), mains_v=230.0, mains_hz=50.0,
    )  # fmt: skip
    return TestPlan(SLUG, "short", (*(log(name, loads) for name, loads in LOADS.items()), offers))


def book_at(root: Path, bench: SimBench) -> Book:
    """A book with the plan and the bench's file."""
    shutil.rmtree(root, ignore_errors=True)
    made = Book.create(root, title="Bench", publisher="Tester")
    made.new_charger(SLUG, charger())
    made.write_plan(SLUG, plan())
    (root / "bench.toml").write_text(bench_text(bench.instruments))
    return Book.open(root)


def run(book: Book, instruments: dict, *, resume: bool) -> None:
    """One run, to be called in a process of its own."""
    os.setpgid(0, 0)
    choices = RunChoices(confirmed=True, resume="resume" if resume else "")
    try:
        outcome, _ = run_plan(book, SLUG, choices, instruments=instruments)
    except BenchError as error:
        if "nothing to take up" in str(error):  # it was killed after the end of its run
            os._exit(0)
        raise
    os._exit(0 if outcome == "done" else 3)


def wait_for_moment(child: multiprocessing.Process, book: Book, rng: random.Random, most_s: float) -> None:
    """One kill in five comes at any time after the start, the others once the journal has grown by some lines."""
    if rng.random() < 0.2:
        child.join(rng.uniform(0.0, most_s))
        return
    before = sum(lines_of(folder) for folder in runs(book, SLUG))
    more = rng.randint(1, LINES)
    while child.is_alive() and sum(lines_of(folder) for folder in runs(book, SLUG)) < before + more:
        time.sleep(0.0005)
    time.sleep(rng.uniform(0.0, 0.004))


def lines_of(folder: Path) -> int:
    """Lines of a run's journal."""
    return (folder / "journal.jsonl").read_bytes().count(b"\n")


def is_off(bench: SimBench) -> bool:
    """As the world sees it."""
    return bench.do(lambda w: not w.mains_on and not any(p.load_on and p.set_a for p in w.ports.values()))


def trial(root: Path, seed: int, most_s: float) -> tuple[Counter, list[str]]:
    """Counts and faults of one trial."""
    rng = random.Random(seed)
    found: Counter = Counter()
    wrong: list[str] = []
    context = multiprocessing.get_context("fork")
    with start_bench(load_sim_charger(SLUG), seed=seed) as bench:
        book = book_at(root, bench)
        instruments = dict(bench.instruments)
        kills, begun = rng.randint(1, 3), False
        for attempt in range(12):
            child = context.Process(target=run, args=(book, instruments), kwargs={"resume": begun})
            child.start()
            if kills:
                wait_for_moment(child, book, rng, most_s)
                if child.is_alive():
                    os.kill(child.pid, signal.SIGKILL)
                    child.join()
            else:
                child.join(60)
            folders = runs(book, SLUG)
            begun = bool(folders)
            if child.exitcode == -signal.SIGKILL:
                kills -= 1
                found["kills"] += 1
                last = (
                    read_journal(folders[-1])[-1].event if folders and read_journal(folders[-1]) else "before the run"
                )
                found[f"at {last}"] += 1
                found["bench left on"] += not is_off(bench)
                wrong += journal_faults(folders[-1]) if folders else []
                if folders and is_alive(folders[-1]):
                    wrong.append("a dead run counts as alive")
                continue
            if child.exitcode:
                wrong.append(f"attempt {attempt} ended with {child.exitcode}")
            break
        found["trials"] += 1
        if not is_off(bench):
            wrong.append("the world is not off")
        if not folders:
            wrong.append("no run")
        else:
            wrong += end_faults(book, folders, found)
    return found, [f"trial {seed}: {text}" for text in wrong]


def journal_faults(folder: Path) -> list[str]:
    """Of a journal as a kill left it."""
    lines = (folder / "journal.jsonl").read_bytes().split(b"\n")
    numbers, torn = [], 0
    for line in lines:
        try:
            numbers.append(json.loads(line)["n"])
        except ValueError:
            torn += bool(line)
    wrong = [] if numbers == list(range(len(numbers))) else [f"the journal's numbers have gaps: {numbers[-5:]}"]
    return [*wrong, *(["several torn lines"] if torn > 3 else [])]


def end_faults(book: Book, folders: tuple[Path, ...], found: Counter) -> list[str]:
    """Of a run that has been taken to its end."""
    wrong = [str(fault) for fault in (*book.check(SLUG), *book.check_raw(SLUG), *book.check_top())]
    if len(folders) != 1:
        wrong.append(f"{len(folders)} runs")
    folder = folders[-1]
    events = read_journal(folder)
    index = book.index(SLUG)
    for task, loads in LOADS.items():
        tries: list[list] = []
        for event in events:
            if event.event == "task-started" and event.get("task") == task:
                tries.append([])
            if event.event == "reading" and event.get("task") == task:
                tries[-1].append(event.get("values"))
        parts = sorted(folder.glob(f"{task}.part-*.csv"), key=lambda p: int(p.stem.rsplit("-", 1)[1]))
        logs = [*parts, folder / f"{task}.csv"]
        tables = [list(csv.DictReader(path.open())) for path in logs]
        told = [readings for readings in tries if readings]
        # an attempt killed between a log's making and its first row's event leaves a log without a told reading
        for table in tables:
            rows = [{k: v for k, v in row.items() if k != "time_s"} for row in table]
            if not told or (rows and told[0] and rows[: len(told[0])] != [as_row(r) for r in told[0]]) or not rows:
                if len(rows) <= 1 and table is not tables[-1]:
                    found["rows without an event"] += len(rows)
                    continue
                wrong.append(f"{task}: a log and its readings differ")
                continue
            more = len(rows) - len(told[0])
            if more not in ((0,) if table is tables[-1] else (0, 1)):
                wrong.append(f"{task}: {more} rows more than readings")
            found["rows without an event"] += more
            found["readings kept"] += len(told.pop(0))
        if told:
            wrong.append(f"{task}: {sum(map(len, told))} readings of the journal are in no log")
        amps = [float(row[CURRENT]) for row in tables[-1]]
        wanted = [load for load in loads for _ in range(ROWS_OF_A_STEP)]
        if len(amps) != len(wanted) or any(abs(a - w) > 0.003 for a, w in zip(amps, wanted, strict=True)):
            wrong.append(f"{task}: its readings are not what was drawn: {amps}")
        entries = [entry for entry in index if entry.path.startswith(task)]
        if [e.path for e in entries] != [f"{task}.csv"] or book.raw_bytes(SLUG, entries[0]) != logs[-1].read_bytes():
            wrong.append(f"{task}: raw/ has {[e.path for e in entries]}")
    if not any(e.path.startswith(OFFERS) for e in index):
        wrong.append("no sheet of offers")
    found["parts kept"] += len(list(folder.glob("*.part-*")))
    found["files taken in"] += len(index)
    stray = [p.name for p in folder.parent.parent.rglob("*") if ".tmp" in p.name or p.name.endswith("~")]
    found["temporary files left"] += len(stray)
    gathered = gather(book, SLUG, ["regulation", "modes"])  # the readers take all of them
    if len(gathered.recordings) != len(index):
        wrong.append(f"{len(gathered.recordings)} recordings of {len(index)} files are read")
    return wrong


def as_row(values: dict) -> dict[str, str]:
    """A reading as a row of a log has it."""
    return {k: "" if v is None else repr(float(v)) for k, v in values.items()}


def main() -> None:
    """Kill until there were enough."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, required=True)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    with start_bench(load_sim_charger(SLUG), seed=0) as bench:  # how long a run takes here
        book = book_at(options.folder / "probe", bench)
        began = time.monotonic()
        child = multiprocessing.get_context("fork").Process(
            target=run, args=(book, dict(bench.instruments)), kwargs={"resume": False}
        )
        child.start()
        child.join()
        most_s = time.monotonic() - began
    print(f"a run takes {most_s:.2f} s, ended with {child.exitcode}")
    total: Counter = Counter()
    wrong: list[str] = []
    seed = options.seed
    while total["kills"] < options.kills:
        found, faults = trial(options.folder / f"trial-{seed}", seed, most_s)
        total += found
        wrong += faults
        if not faults:
            shutil.rmtree(options.folder / f"trial-{seed}")
        seed += 1
    for what, count in sorted(total.items()):
        print(f"{count:6d}  {what}")
    print(f"{len(wrong)} faults")
    for text in wrong[:40]:
        print(f"  {text}")


if __name__ == "__main__":
    main()
