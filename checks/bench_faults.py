"""Faults at random moments of runs: loads off and source off as the world sees it, the reason written down, resumable.

    .venv/bin/python checks/bench_faults.py --faults 200 --folder FOLDER

Each trial draws what goes wrong, with which instrument, at which message or moment, and for how long, does a short plan
of two logs (one with a sink's contract at 20 V, one at 9 V), and then looks at the world: are mains, loads and sinks
off; how long after the fault took hold was that, in bench time and on the wall; does the journal say why. Then whatever
was wrong is mended, and the run is taken up with `--resume`: it must end as done, with one raw file for each task.

Links wait 0.3 s for an answer here instead of 2 s, so that the times on the wall are of a bench that answers soon; a
fault that is never noticed by the runner (a late answer to a question nobody asks) counts as survived.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import statistics
import sys
import threading
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

from brickbook.bench import RunChoices, read_journal, run_plan
from brickbook.bench.link import LinkSettings, VisaLink
from brickbook.core.instrument import Instrument
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.simbench import BenchFault, SimBench, load_sim_charger, start_bench
from brickbook.simbench.world import World

sys.path.insert(0, str(Path(__file__).parent))
from bench_kills import SLUG, book_at, is_off

TIMEOUT_S = 0.3
STAY = Dwell(8.0, 8.0)
NAMES = ("wall-meter", "load-bank", "mains-supply", "pd-sink", "temperature-logger", "bench-clock")
KINDS = (
    "mute", "late", "garbage", "disconnect", "error-queue", "stuck", "second-client", "mains-drop", "charger-trip",
    "over-temperature",
)  # fmt: skip
MEDDLING = {
    "load-bank": ("SOUR:CURR 2.9,(@1)", "INP OFF,(@1)", "*RST"),
    "mains-supply": ("OUTP OFF", "*RST", "SOUR:VOLT 200"),
    "pd-sink": ("SINK:ATT OFF,(@1)", "SINK:REQ 1,5000,1000,(@1)"),
    "wall-meter": ("SENS:POW:RANG 1.5", "*RST"),
    "temperature-logger": ("*RST",),
    "bench-clock": ("SYST:TIME:WAIT 30;*OPC?",),
}


def plan() -> TestPlan:
    """Two short logs."""

    def log(task_id: str, contract: str, loads: tuple[float, ...]) -> PlanTask:
        steps = tuple(PlanStep(f"{a:g} A", (PortSetting("C1", contract, a),), STAY) for a in loads)
        return PlanTask(
            id=task_id, studies=("regulation",), title="V(I)", kind="log", steps=steps, mains_v=230.0, mains_hz=50.0,
        )  # fmt: skip

    return TestPlan(
        SLUG, "short", (log("regulation-00000001", "20 V", (1.5, 0.75)), log("regulation-00000002", "9 V", (2.5, 1.0)))
    )


@dataclass
class Watch:
    """When the fault took hold, and when the world was last seen to become dead."""

    bench: SimBench
    onset: tuple[float, float] | None = None
    dead: tuple[float, float] | None = None
    dead_now: bool = True
    over: bool = False

    def fault_takes_hold(self) -> None:
        """The fault is there for the first time."""
        if self.onset is None:
            self.onset = (self.bench.world.now_s, time.monotonic())

    def look(self, *_: str) -> None:
        """Something in the world has changed."""
        world = self.bench.world
        dead = not world.mains_on and not any(p.load_on and p.set_a for p in world.ports.values())
        if dead and not self.dead_now:
            self.dead = (world.now_s, time.monotonic())
        self.dead_now = dead


def watch(bench: SimBench) -> Watch:
    """See when faults take hold and when the world is off, from inside the bench."""
    watched = Watch(bench)
    before_faults, before_changed, before_befall = bench.faults_of, bench.world.changed, bench._befall  # noqa: SLF001 (a check looks inside)

    def faults_of(name: str) -> list[BenchFault]:
        found = before_faults(name)
        if found:
            watched.fault_takes_hold()
        return found

    def changed() -> None:
        before_changed()
        watched.look()

    def befall(fault: BenchFault) -> None:
        watched.fault_takes_hold()
        before_befall(fault)

    bench.faults_of = faults_of
    bench.world.changed = changed
    bench._befall = befall  # noqa: SLF001 (a check looks inside)
    return watched


def draw(rng: random.Random, kind: str) -> BenchFault | None:
    """A fault of a kind; `None` for what the world itself does."""
    if kind == "over-temperature":
        return None
    if kind == "mains-drop":
        return BenchFault("mains-drop", at_s=rng.uniform(1.0, 40.0), for_s=rng.choice((0.05, 1.0, 30.0)))
    if kind == "charger-trip":
        return BenchFault("charger-trip", at_s=rng.uniform(1.0, 40.0), port="C1")
    name = rng.choice(NAMES)
    command = rng.choice(MEDDLING[name])
    messages = rng.choice((1, 1, 2, 5, 20, 10_000))
    return BenchFault(
        kind, name, at_message=rng.randint(4, 60), messages=messages, late_s=rng.choice((0.1, 0.45, 1.0)),
        number=rng.choice((-240, -350, 101)), command=command,
    )  # fmt: skip


def quick(name: str, address: str, settings: LinkSettings | None) -> VisaLink:
    """A line that loses patience soon."""
    return VisaLink(name, address, replace(settings or LinkSettings(), timeout_s=TIMEOUT_S))


@dataclass
class Result:
    """Of one trial."""

    kind: str
    what: str
    outcome: str
    why: str
    held: bool
    off: bool
    bench_s: float = 0.0
    wall_s: float = 0.0
    on: str = ""
    wrong: list[str] = field(default_factory=list)


def heat(bench: SimBench, at_s: float) -> None:
    """From a moment on the case is hotter than the bench allows."""

    def hot(world: World) -> None:
        def now() -> None:
            world.thermal = type("Hot", (), {
                "__getitem__": lambda _, __: 130.0, "as_mapping": lambda _: dict.fromkeys(names, 130.0),
                "step": lambda *_: None, "names": names,
            })()  # fmt: skip
            watched.fault_takes_hold()

        names = world.thermal.names
        world.after(at_s - world.now_s, now)

    watched = bench.watched
    bench.do(hot)


def mend(bench: SimBench, watched: Watch, after_s: float) -> None:
    """Take the fault away some time after it has taken hold."""
    begun = time.monotonic()
    while watched.onset is None or time.monotonic() - watched.onset[1] < after_s:
        if time.monotonic() - begun > 60.0 or watched.over:
            return
        time.sleep(0.005)
    bench.do(lambda _: bench._faults.clear())  # noqa: SLF001 (a check looks inside)


def trial(root: Path, seed: int, kind: str) -> Result:
    """One fault."""
    rng = random.Random(seed)
    with start_bench(load_sim_charger(SLUG), seed=seed) as bench:
        book = book_at(root, bench)
        book.write_plan(SLUG, plan())
        instruments: dict[str, Instrument] = dict(bench.instruments)
        watched = bench.watched = watch(bench)
        fault = draw(rng, kind)
        mend_after_s = 0.0
        if fault is None:
            cool = bench.world.thermal
            heat(bench, rng.uniform(2.0, 40.0))
        else:
            bench.inject(fault)
            if kind == "disconnect":  # cut lines send no messages that could count: mended by the clock on the wall
                mend_after_s = rng.choice((0.05, 0.5, 2.0, 1e9))
                threading.Thread(target=mend, args=(bench, watched, mend_after_s), daemon=True).start()
        what = (
            kind if fault is None else f"{fault.instrument or 'world'} message {fault.at_message} for {fault.messages}"
        )
        if mend_after_s:
            what = f"{fault.instrument} message {fault.at_message}, for {mend_after_s:g} s on the wall"
        if fault is not None and kind == "second-client":
            what += f" {fault.command}"
        choices = RunChoices(confirmed=True)
        try:
            outcome, folder = run_plan(book, SLUG, choices, instruments=instruments, make_link=quick)
            events = read_journal(folder)
            end = events[-1]
            why = str(end.get("why") or "; ".join(str(e.get("why")) for e in events if e.event == "task-skipped"))
        except Exception as error:  # noqa: BLE001 (refused before anything was on, or a fault of the program)
            outcome, why, events, end = "refused", f"{type(error).__name__}: {error}", [], None
        watched.over = True
        result = Result(kind, what, str(outcome), why, watched.onset is not None, is_off(bench))
        if watched.onset and watched.dead and watched.dead[0] >= watched.onset[0] and outcome != "done":
            result.bench_s = watched.dead[0] - watched.onset[0]
            result.wall_s = watched.dead[1] - watched.onset[1]
        if not result.off:
            left = bench.do(
                lambda w: [*(["source"] if w.mains_on else []), *(p for p, s in w.ports.items() if s.load_on)]
            )
            result.on = ", ".join(left)
        if outcome == "refused" and "Bench" not in why:
            result.wrong.append("a fault of the program")
        if outcome not in ("done", "refused") and not why:
            result.wrong.append("no reason written down")
        if end is not None and end.event != "run-ended":
            result.wrong.append(f"the journal ends with {end.event}")
        told_off = [e for e in events if e.event == "safe-off"]
        believed = bool(told_off) and all(step["ok"] for step in told_off[-1].get("steps"))
        if not result.off and (believed or outcome == "done"):
            result.wrong.append("the bench is on, and the run does not say so")
        # mended
        bench.do(lambda _: bench._faults.clear())  # noqa: SLF001 (a check looks inside)
        if fault is None:
            bench.do(lambda w: setattr(w, "thermal", cool))
        bench.do(lambda w: w.cut_mains(cut=False))
        skipped = any(e.event == "task-skipped" for e in events)
        if outcome != "done":
            after, folder = run_plan(
                book, SLUG, RunChoices(confirmed=True, resume="resume"), instruments=instruments, make_link=quick
            )
            if after != "done":
                result.wrong.append(f"taken up again it ended as {after}: {read_journal(folder)[-1].get('why')}")
        if not is_off(bench):
            result.wrong.append("not off after it was mended and taken up")
        have = [entry.path for entry in book.index(SLUG)]
        if len(have) != 2 - skipped and outcome != "done":
            result.wrong.append(f"raw/ has {have}")
        result.wrong += [str(fault) for fault in (*book.check(SLUG), *book.check_raw(SLUG))]
        result.wrong += [f"mistake of the bench: {m}" for m in bench.mistakes]
    return result


def main() -> None:
    """Inject until there were enough."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, required=True)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    results = []
    seed = options.seed
    while sum(r.held for r in results) < options.faults:
        root = options.folder / f"trial-{seed}"
        result = trial(root, seed, KINDS[seed % len(KINDS)])
        results.append(result)
        if result.wrong or not result.off:
            print(f"trial {seed}: {result}", flush=True)
        else:
            shutil.rmtree(root)
        seed += 1
    report(results)


def report(results: list[Result]) -> None:
    """A table by kind, and what was wrong."""
    rows: dict[str, list[Result]] = defaultdict(list)
    for result in results:
        if result.held:
            rows[result.kind].append(result)
    print(f"{len(results)} runs, in {sum(r.held for r in results)} the fault took hold")
    print("| fault | runs | went on | ended | time to safe: bench, median / most | wall, median / most | not off |")
    print("|---|---|---|---|---|---|---|")
    for kind, found in [*sorted(rows.items()), ("all", [r for r in results if r.held])]:
        ended = [r for r in found if r.outcome != "done"]
        timed = [r for r in ended if r.off]
        bench = [r.bench_s for r in timed] or [float("nan")]
        wall = [r.wall_s for r in timed] or [float("nan")]
        how = ", ".join(f"{n} {o}" for o, n in Counter(r.outcome for r in ended).items()) or "–"
        print(
            f"| {kind} | {len(found)} | {len(found) - len(ended)} | {how} | {statistics.median(bench):.2f} s / "
            f"{max(bench):.2f} s | {statistics.median(wall):.2f} s / {max(wall):.2f} s | "
            f"{sum(not r.off for r in found)} |"
        )
    print(f"{sum(bool(r.wrong) for r in results)} runs with something wrong")


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    main()
