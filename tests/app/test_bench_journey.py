"""A plan run on the bench in software: paused, the browser killed, the app ended, resumed, and figures made of it."""

from __future__ import annotations

import os
import signal

import pytest

from brickbook.analysis import load
from brickbook.bench import is_alive, runs, status_of
from brickbook.book import Book
from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.simbench import load_sim_charger, start_bench

from .conftest import Visitor, described, events_of, serve, until

pytestmark = pytest.mark.browser
SLUG = "finch-30"


def bench_toml(instruments) -> str:
    lines = []
    for name, instrument in instruments.items():
        lines += [f"[instruments.{name}]", f'role = "{instrument.role}"']
        lines += [f'{key} = "{value}"' for key in ("address", "dialect", "due") if (value := getattr(instrument, key))]
        if instrument.channels:
            pairs = ", ".join(f'"{place}" = "{channel}"' for place, channel in instrument.channels.items())
            lines.append(f"channels = {{ {pairs} }}")
        for accuracy in instrument.accuracy:
            lines += [f"[[instruments.{name}.accuracy]]", f'quantity = "{accuracy.quantity}"']
            lines += [
                f"{key} = {float(getattr(accuracy, key))}"
                for key in ("percent_reading", "percent_range", "range_max", "resolution", "absolute")
                if getattr(accuracy, key)
            ]
    return "\n".join([*lines, "[limits]", "volts = 264.0", "amps = 10.0", "watts = 300.0", "degrees = 95.0", ""])


def task(number: int, ratios, studies=("regulation",)) -> PlanTask:
    steps = tuple(
        PlanStep(f"{100 * r:g} % load", (PortSetting("C1", "20 V", r * 1.5),), Dwell(40.0, 80.0, "bench"))
        for r in ratios
    )
    return PlanTask(
        id=f"regulation-0000000{number}", studies=studies, title=f"Voltage over load, part {number}", kind="log",
        steps=steps, mains_v=(230.0, 115.0)[number - 1], mains_hz=(50.0, 60.0)[number - 1], cautions=("Mains voltage kills.",),
        conditions={"measured_at": "receptacle"}, by_hand=(f"Plug the cable into C1, round {number}.",),
    )  # fmt: skip


@pytest.fixture
def begin():
    """Starts the app over a book; what a failed test left running is ended."""
    apps = []

    def one(root):
        apps.append(serve(root))
        return apps[-1]

    yield one
    for app in apps:
        if app.process.poll() is None:
            app.stop()


@pytest.fixture
def bench(tmp_path):
    """The book, and the software bench at twenty times life."""
    with start_bench(load_sim_charger(SLUG), seed=3, speed=25.0) as sim:
        book = Book.create(tmp_path / "book", title="Bench", publisher="Tester")
        book.new_charger(SLUG, described("Finch 30"))
        (book.root / "bench.toml").write_text(bench_toml(sim.instruments))
        book.write_plan(SLUG, TestPlan(SLUG, "short", (task(1, (1.0, 0.5)), task(2, (0.75, 0.25)))))
        yield book, sim
        for folder in runs(book, SLUG):
            if is_alive(folder):
                os.kill(int((folder / "pid").read_text()), signal.SIGKILL)


def last(book):
    found = runs(book, SLUG)
    return found[-1] if found else None


def state(book):
    folder = last(book)
    return status_of(folder) if folder is not None else None


def confirm_until(page, book, wanted):
    """Do what the bench asks for until it is where the test wants it."""

    def step():
        now = state(book)
        if now is not None and wanted(now):
            return True
        button = page.locator("[data-answer]")
        if now is not None and now.asked is not None and button.count() and button.is_visible():
            with_key = page.locator('[data-asked] input[name="key"]').input_value()
            if with_key == now.asked.key:
                button.click()
        return False

    until(step, 40, 0.15)


def test_plan_pause_crash_resume_figures(bench, chromium, begin):
    book, sim = bench
    app = begin(book.root)

    first = Visitor(chromium, app)
    page = first.page
    page.goto(f"/chargers/{SLUG}/bench")
    assert page.locator(".checklist > li").count() == 2
    start = page.get_by_role("button", name="Start the run")
    start.click()
    assert last(book) is None  # not without the tick
    page.get_by_label("I stand at the bench").check()
    start.click()
    until(lambda: last(book))

    # cautions and hand work are asked for in large type, and confirmed
    until(
        lambda: (
            "kills" in page.locator("[data-what]").inner_text() or "Plug" in page.locator("[data-what]").inner_text()
        )
    )
    size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('[data-what]')).fontSize)")
    assert size >= 40  # px: 10.6 mm high at 96 px an inch, so about 15 arc minutes of x-height at two metres
    confirm_until(page, book, lambda s: s.state == "running" and s.reading_count > 3)
    until(lambda: page.locator("[data-traces] polyline").count() > 0)
    until(lambda: len(page.locator("[data-traces] polyline").first.get_attribute("points") or "") > 20)

    # a second browser may watch
    second = Visitor(chromium, app)
    second.page.goto(f"/chargers/{SLUG}/bench")
    until(lambda: second.page.locator("[data-what]").inner_text() not in ("", "Starting…"))

    # paused, and on again from the other browser
    page.get_by_role("button", name="Pause").click()
    until(lambda: state(book).state == "paused")
    until(lambda: "Paused" in second.page.locator("[data-what]").inner_text())
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()

    second.page.get_by_role("button", name="Go on").click()
    until(lambda: state(book).state != "paused")
    confirm_until(
        page, book, lambda s: s.state == "running" and s.reading_count > 3
    )  # a task begins anew after a pause

    # the browser crashes, the app ends: the run does not notice
    first.context.close()
    second.context.close()
    assert app.stop() in (0, 130, -2)
    assert is_alive(last(book))
    before = state(book).last_n
    until(lambda: state(book).last_n > before + 3)

    # the app again, and abort; outputs are read back as off
    app = begin(book.root)
    third = Visitor(chromium, app)
    page = third.page
    page.goto(f"/chargers/{SLUG}/bench")
    page.get_by_role("button", name="Abort: all off").click()
    until(lambda: not is_alive(last(book)))
    assert sim.do(lambda w: not w.mains_on and not any(p.load_on and p.set_a for p in w.ports.values()))
    ended = state(book)
    assert ended.outcome == "aborted"
    page.goto(f"/chargers/{SLUG}/bench")
    assert "read back as off" in page.locator("main").inner_text()

    # taken up: all that is missing, to the end
    assert page.get_by_label("Take up the run that was not finished").is_checked()
    page.get_by_label("I stand at the bench").check()
    page.get_by_role("button", name="Start the run").click()
    until(lambda: is_alive(last(book)) and state(book).state != "ended")
    confirm_until(page, book, lambda s: s.state == "ended")
    assert state(book).outcome == "done"
    assert len(book.index(SLUG)) == 2
    third.close()

    # the runner was killed outright: the app says so and takes it up
    page = Visitor(chromium, app).page
    page.goto(f"/chargers/{SLUG}/bench")
    page.get_by_label("All tasks").check()
    page.get_by_label("I stand at the bench").check()
    count = len(runs(book, SLUG))
    page.get_by_role("button", name="Start the run").click()
    until(lambda: len(runs(book, SLUG)) > count)
    until((last(book) / "pid").exists)
    os.kill(int((last(book) / "pid").read_text()), signal.SIGKILL)
    until(lambda: not is_alive(last(book)))
    page.goto(f"/chargers/{SLUG}/bench")
    assert "broken off" in page.locator("main").inner_text()
    assert "not known that loads and source are off" in page.locator("main").inner_text()
    assert page.get_by_label("Take up the run that was not finished").is_checked()

    # figures
    page.goto(f"/chargers/{SLUG}")
    page.goto(f"/chargers/{SLUG}/files")
    page.get_by_role("button", name="Analyse").click()
    until(lambda: "Analysing" not in page.locator("main").inner_text(), 60)
    assert page.get_by_role("heading", name="Key figures").count() == 1, page.locator("main").inner_text()
    page.get_by_role("link", name="Figures").click()
    assert "regulation-00000002.csv" in page.locator("main").inner_text()
    found = {(f.name, f.conditions["mains_v"]) for f in load(book, SLUG).figures if f.study == "regulation"}
    assert {("load_regulation_ratio", 230.0), ("load_regulation_ratio", 115.0)} <= found
    assert events_of(last(book))[0]["event"] == "run-started"
    page.context.close()
    app.stop()
    assert "Traceback" not in (book.root / "stderr.txt").read_text()
