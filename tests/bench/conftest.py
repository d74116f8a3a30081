"""A small book, a charger in software, and the bench it stands on."""

import os
from dataclasses import replace

import pytest

from brickbook.bench import RunChoices, read_journal, run_plan
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.simbench import load_sim_charger, start_bench

SLUG = "finch-30"
HELD = Dwell(20.0, 60.0, "bench")


def finch() -> Charger:
    outputs = tuple(
        Output(kind="fixed", voltage_v=v, current_a=a) for v, a in ((5.0, 3.0), (9.0, 3.0), (15.0, 2.0), (20.0, 1.5))
    )
    return Charger(
        name="Finch 30",
        maker="Quillmere",
        sample=Sample("bought"),
        nameplate=Nameplate(30.0),
        model="QF-30",
        ports=(Port("C1", "usb-c", outputs, power_w=30.0),),
    )


def log_task(task_id="regulation-00000001", *, ratios=(1.0, 0.5), dwell=HELD, contract="20 V", full_a=1.5, **more):
    steps = tuple(PlanStep(f"{100 * r:g} %", (PortSetting("C1", contract, r * full_a),), dwell) for r in ratios)
    fields = {
        "studies": ("regulation",),
        "title": "V(I)",
        "kind": "log",
        "steps": steps,
        "mains_v": 230.0,
        "mains_hz": 50.0,
        "cautions": ("Mains voltage kills.",),
        **more,
    }
    return PlanTask(id=task_id, **fields)


@pytest.fixture(autouse=True)
def _quick_disk(monkeypatch):
    """No waiting for the disk: a process that is killed loses nothing it has written, only a power cut would."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


@pytest.fixture
def book(tmp_path):
    made = Book.create(tmp_path / "book", title="Bench", publisher="Tester")
    made.new_charger(SLUG, finch())
    return made


def give_plan(book, *tasks):
    plan = TestPlan(SLUG, "short", tuple(tasks))
    book.write_plan(SLUG, plan)
    return plan


@pytest.fixture
def sim():
    with start_bench(load_sim_charger(SLUG), seed=3) as bench:
        yield bench


def do(book, sim, *, change=None, **choices):
    """A run in this process; gives the outcome, the folder, and the events."""
    instruments = dict(sim.instruments)
    if change:
        instruments |= {name: replace(instruments[name], **fields) for name, fields in change.items()}
    chosen = RunChoices(**{"confirmed": True, **choices})
    outcome, folder = run_plan(book, SLUG, chosen, instruments=instruments)
    return outcome, folder, read_journal(folder)


def is_dead(sim) -> bool:
    """Whether loads, sinks and source are off as the world itself sees it."""
    return sim.do(lambda w: not w.mains_on and not any(p.load_on and p.set_a for p in w.ports.values()))


def bench_toml(instruments, limits="volts = 264.0\namps = 10.0\nwatts = 300.0\ndegrees = 95.0") -> str:
    """A bench.toml with addresses, dialects and channels."""
    lines = []
    for name, instrument in instruments.items():
        lines += [f"[instruments.{name}]", f'role = "{instrument.role}"']
        lines += [f'{key} = "{value}"' for key in ("address", "dialect", "due") if (value := getattr(instrument, key))]
        if instrument.channels:
            pairs = ", ".join(f'"{place}" = "{channel}"' for place, channel in instrument.channels.items())
            lines.append(f"channels = {{ {pairs} }}")
        for accuracy in instrument.accuracy:
            lines += [f"[[instruments.{name}.accuracy]]", f'quantity = "{accuracy.quantity}"']
            for key in ("percent_reading", "percent_range", "range_max", "resolution", "absolute"):
                if getattr(accuracy, key):
                    lines.append(f"{key} = {float(getattr(accuracy, key))}")
    return "\n".join([*lines, "[limits]", limits, ""])
