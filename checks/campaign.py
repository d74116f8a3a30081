"""A whole campaign on the software bench: plan, run through sockets, analyse, and every figure against the truth.

    .venv/bin/python checks/campaign.py run wren-35 --size standard --seed 1 --folder FOLDER
    .venv/bin/python checks/campaign.py run wren-35 --size standard --perfect --folder FOLDER
    .venv/bin/python checks/campaign.py table FOLDER

`run` makes a book in a folder of its own below FOLDER and leaves `<slug>-<size>-<seed>.json` beside it; `--perfect` does
the same plan with instruments that do not err: its figures are the truth, as the analysis would find it. `table` sets the
others against it, and against what follows from the charger's model without any run.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

from brickbook.analysis import analyse_charger, save
from brickbook.bench import read_journal
from brickbook.book import Book, write_atomic
from brickbook.core.plan import Dwell, TestPlan
from brickbook.demo import build
from brickbook.demo.live import run_live

PUBLISHED_S = 600.0  # see docs/explanation/campaigns.md


def empty_book(root: Path, slug: str) -> Book:
    """An example book with one charger and no readings."""
    build.write_top(root)
    build.write_claims(root, slug)
    return Book.open(root)


def fixed(plan: TestPlan) -> TestPlan:
    """The same plan with steps of fixed length where it ends them by a rule."""
    tasks = []
    for task in plan.tasks:
        steps = []
        for step in task.steps:
            dwell = step.dwell
            if dwell.rule:
                stay = FIXED_S.get(dwell.rule, PUBLISHED_S)
                dwell = Dwell(stay, stay)
            steps.append(replace(step, dwell=dwell))
        tasks.append(replace(task, steps=tuple(steps)))
    return replace(plan, tasks=tuple(tasks))


FIXED_S: dict[str, float] = {}


def run(options: argparse.Namespace) -> None:
    """One campaign; writes its figures and times."""
    word = "perfect" if options.perfect else str(options.seed)
    name = f"{options.slug}-{options.size}-{word}{'-fixed' if options.fixed else ''}"
    root = options.folder / name
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    book = empty_book(root, options.slug)
    began, cpu = time.monotonic(), time.process_time()

    def change(plan: TestPlan) -> TestPlan:
        if options.studies:
            plan = replace(plan, tasks=tuple(t for t in plan.tasks if set(t.studies) & set(options.studies)))
        return fixed(plan) if options.fixed else plan

    done = run_live(book, options.slug, options.size, seed=options.seed, perfect=options.perfect, change=change)
    run_s, run_cpu_s = time.monotonic() - began, time.process_time() - cpu
    events = read_journal(done.folder)
    analysis = analyse_charger(book, options.slug)
    save(book, options.slug, analysis)
    plan = book.plan(options.slug)
    result = {
        "slug": options.slug,
        "size": options.size,
        "seed": word,
        "outcome": done.outcome,
        "why": events[-1].get("why"),
        "predicted_s": done.predicted_s,
        "at_most_s": done.most_s,
        "bench_s": done.bench_s,
        "run_wall_s": run_s,
        "run_cpu_s": run_cpu_s,
        "analyse_s": time.monotonic() - began - run_s,
        "rss_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "readings": sum(e.event == "reading" for e in events),
        "tasks": _task_times(events, {t.id: (t.studies[0], t.title) for t in plan.tasks}),
        "steps": [
            (e.get("task"), e.get("step"), e.get("settled"), e.get("reason"), e.t)
            for e in events
            if e.event == "step-ended"
        ],
        "skipped": [(e.get("task"), e.get("why")) for e in events if e.event == "task-skipped"],
        "errors": [(e.get("instrument"), e.get("text")) for e in events if e.event == "instrument-error"],
        "notes": [(n.study, n.severity, n.text) for n in analysis.notes],
        "figures": [
            [f.study, f.name, dict(f.conditions.items()), f.value, f.u, f.lower, f.upper, f.unit]
            for f in analysis.figures
        ],
    }
    write_atomic(options.folder / f"{name}.json", json.dumps(result, indent=1).encode(), name=name)
    print(
        f"{name}: {done.outcome} {result['why'] or ''}; bench {done.bench_s:.0f} s, predicted {done.predicted_s:.0f} s "
        f"({done.bench_s / done.predicted_s:.2f}); wall {run_s:.0f} s, cpu {run_cpu_s:.0f} s, "
        f"{result['readings']} readings, {len(analysis.figures)} figures, skipped {len(result['skipped'])}"
    )


def _task_times(events: list, known: dict[str, tuple[str, str]]) -> list[list[object]]:
    """Task, study, title, bench time it took with what came before it since the last [s]."""
    found, last = [], events[0].t
    for event in events:
        if event.event in ("task-ended", "task-skipped"):
            task = event.get("task")
            found.append([task, *known[task], round(event.t - last, 3)])
            last = event.t
    return found


def identity(figures: list) -> dict[str, list]:
    """Figures by what they are; a measured load in the conditions counts by its rank."""
    named: dict[str, list] = {}
    rank: dict[str, int] = defaultdict(int)
    for figure in figures:
        study, name, conditions, *_ = figure
        fixed_ = {k: v for k, v in conditions.items() if k not in ("load_a", "input_w", "fixture_ohm", "ambient_c")}
        if "load_ratio" in fixed_:
            fixed_["load_ratio"] = round(float(fixed_["load_ratio"]), 2)
        key = f"{study}/{name} {json.dumps(fixed_, sort_keys=True)}"
        rank[key] += 1
        named[f"{key} {rank[key]}"] = figure
    return named


def compare(folder: Path) -> None:
    """Coverage by study and name of all runs against the perfect one of the same plan."""
    results = [json.loads(path.read_text()) for path in sorted(folder.glob("*.json"))]
    truths = {(r["slug"], r["size"]): identity(r["figures"]) for r in results if r["seed"] == "perfect"}
    hits: dict[str, list[tuple[bool, float, str]]] = defaultdict(list)
    lacking: dict[str, int] = defaultdict(int)
    for result in results:
        truth = truths.get((result["slug"], result["size"]))
        if truth is None or result["seed"] == "perfect":
            continue
        mine = identity(result["figures"])
        for key in truth.keys() | mine.keys():
            if key not in truth or key not in mine:
                lacking[key.split(" ", 1)[0]] += 1
                continue
            value, u, lower, upper = mine[key][3:7]
            if u > 0:
                known = truth[key][3]
                hits[key.split(" ", 1)[0]].append(
                    (lower <= known <= upper, (value - known) / u, f"{result['slug']} {result['seed']} {key}")
                )
    print("| figure | how many | hold the truth | mean pull | largest pull | in one run only |")
    print("|---|---|---|---|---|---|")
    every = 0
    for name, rows in sorted(hits.items()):
        held = sum(h for h, _, _ in rows)
        every += held
        pulls = [p for _, p, _ in rows]
        print(
            f"| {name} | {len(rows)} | {held} ({100 * held / len(rows):.0f} %) | {sum(pulls) / len(pulls):+.2f} | "
            f"{max(pulls, key=abs):+.2f} | {lacking.pop(name, 0)} |"
        )
    total = sum(len(rows) for rows in hits.values())
    print(f"all: {every} of {total} ({100 * every / max(total, 1):.1f} %)")
    for name, count in lacking.items():
        print(f"only in one of both: {name} {count}")
    if os.environ.get("MISSES"):
        for rows in hits.values():
            for held, pull, what in rows:
                if not held:
                    print(f"{pull:+.2f} {what}")


def main() -> None:
    """Run or compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    actions = parser.add_subparsers(required=True)
    one = actions.add_parser("run")
    one.add_argument("slug")
    one.add_argument("--size", default="standard")
    one.add_argument("--seed", type=int, default=1)
    one.add_argument("--perfect", action="store_true")
    one.add_argument("--fixed", action="store_true")
    one.add_argument("--studies", nargs="*", default=[])
    one.add_argument("--folder", type=Path, required=True)
    one.set_defaults(do=run)
    two = actions.add_parser("table")
    two.add_argument("folder", type=Path)
    two.set_defaults(do=lambda options: compare(options.folder))
    options = parser.parse_args()
    options.do(options)


if __name__ == "__main__":
    main()
