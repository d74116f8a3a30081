"""A whole campaign on the software bench: plan, run through sockets, analyse, and every figure against the truth.

    .venv/bin/python checks/campaign.py run wren-35 --size standard --seed 1 --folder FOLDER
    .venv/bin/python checks/campaign.py run wren-35 --size standard --perfect --folder FOLDER
    .venv/bin/python checks/campaign.py table FOLDER

`run` makes a book in a folder of its own below FOLDER and leaves `<slug>-<size>-<seed>.json` beside it; `--perfect`
does the same plan with instruments that do not err: its figures are the truth, as the analysis would find it; `--fixed`
with fixed stays (`FIXED_S`). `table` sets figures against the truth, `times` the bench times against the plan's and the
fixed stays'.
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

FIXED_S = {
    # what a bench without stability rules stays at a load; all common practice, no source, but for IEC 62301:2011 5.3.4
    # (from memory): 30 minutes and, where the reading is stable, 10 minutes more
    "us-appendix-z-single-voltage": 900.0,
    "us-appendix-z-multiple-voltage": 900.0,
    "iec-62301-sampling": 2400.0,
    "bench": 60.0,
}


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
                dwell = Dwell(FIXED_S[dwell.rule], FIXED_S[dwell.rule])
            steps.append(replace(step, dwell=dwell))
        tasks.append(replace(task, steps=tuple(steps)))
    return replace(plan, tasks=tuple(tasks))


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
        "by_hand_s": done.by_hand_s,
        "fixed": options.fixed,
        "fixed_s": {} if options.fixed else longer_s(events, plan),
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
        # what is measured itself, or stated by each tester, is no part of what a figure is of
        left = ("load_a", "input_w", "fixture_ohm", "u_fixture_ohm", "ambient_c", "step")
        fixed_ = {k: v for k, v in conditions.items() if k not in left}
        if "step" in conditions:
            fixed_["direction"] = str(conditions["step"]).split(" ", 1)[0]
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
    studies: dict[str, list[tuple[bool, float, str]]] = defaultdict(list)
    for name, rows in hits.items():
        studies[name.split("/", 1)[0]] += rows
    print("| study | figures | interval holds the truth | largest pull |\n|---|---|---|---|")
    for study, rows in sorted(studies.items()):
        share = 100 * sum(h for h, _, _ in rows) / len(rows)
        print(f"| {study} | {len(rows)} | {share:.1f} % | {max((p for _, p, _ in rows), key=abs):+.1f} |")
    print(f"{sum(lacking.values())} figures are in one run of a pair only\n")
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


def times(folder: Path) -> None:
    """Predicted against lived bench time of each run, and by study against fixed stays."""
    results = [json.loads(path.read_text()) for path in sorted(folder.glob("*.json"))]
    print("| run | bench | predicted | of it by hand | ratio without hands | readings | wall | CPU |")
    print("|---|---|---|---|---|---|---|---|")
    for r in results:
        machine_s = r["predicted_s"] - r["by_hand_s"]
        fixed_ = " fixed" if r.get("fixed") else ""
        print(
            f"| {r['slug']} {r['size']} {r['seed']}{fixed_} | {r['bench_s'] / 3600:.2f} h | "
            f"{r['predicted_s'] / 3600:.2f} h | {r['by_hand_s'] / 3600:.2f} h | {r['bench_s'] / machine_s:.3f} | "
            f"{r['readings']} | {r['run_wall_s']:.0f} s | {r['run_cpu_s']:.0f} s |"
        )
    for r in results:
        if r["seed"] == "perfect" or r.get("fixed") or "fixed_s" not in r:
            continue
        spent: dict[str, float] = defaultdict(float)
        for _, study, _, seconds in r["tasks"]:
            spent[study] += seconds
        print(f"\n{r['slug']} {r['size']}\n| study | bench time | with fixed stays | ratio |\n|---|---|---|---|")
        for study, seconds in sorted(spent.items()):
            longer = seconds + r["fixed_s"].get(study, 0.0)
            if r["fixed_s"].get(study):
                print(f"| {study} | {seconds:.0f} s | {longer:.0f} s | {100 * seconds / longer:.0f} % |")
        total, longer = sum(spent.values()), sum(spent.values()) + sum(r["fixed_s"].values())
        print(f"| all | {total:.0f} s | {longer:.0f} s | {100 * total / longer:.0f} % |")


def longer_s(events: list, plan: TestPlan) -> dict[str, float]:
    """By study, how much longer its steps would last with fixed stays than they did [s]."""
    found: dict[str, float] = defaultdict(float)
    began = 0.0
    for event in events:
        if event.event == "step-started":
            began = event.t
        if event.event == "step-ended":
            task = plan.task(event.get("task"))
            dwell = task.steps[event.get("step")].dwell
            if dwell.rule:
                found[task.studies[0]] += FIXED_S[dwell.rule] - (event.t - began)
    return dict(found)


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
    three = actions.add_parser("times")
    three.add_argument("folder", type=Path)
    three.set_defaults(do=lambda options: times(options.folder))
    options = parser.parse_args()
    options.do(options)


if __name__ == "__main__":
    main()
