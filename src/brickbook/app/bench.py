"""The bench: the plan as a checklist, and a run as it happens.

The run is a process of its own, started as a person would start it. The app reads its journal and writes to its control
file; closing the browser or the app does not touch it.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from typing import get_args
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response, StreamingResponse

from brickbook.app.charger import frame
from brickbook.app.desk import Desk, Sent, charger_book, desk_of, inside, render, say
from brickbook.app.jobs import command
from brickbook.app.live import Watch
from brickbook.app.states import latest_run, run_word
from brickbook.bench import append_control, is_alive
from brickbook.bench.journal import CONTROLS
from brickbook.bench.planning import missing_tasks, predicted_time
from brickbook.book import Book
from brickbook.core.errors import BookError, Fault
from brickbook.core.plan import Size, TestPlan
from brickbook.core.quantities import QUANTITIES, channel_of, quantity_of
from brickbook.plateaus.rules import STABILITY_RULES

__all__ = ["router"]

router = APIRouter()
_EVERY_S = 0.2
_BEAT_S = 15.0
_LOG = "app.log"


@router.get("/chargers/{slug}/bench")
def bench(request: Request, slug: str) -> Response:
    """The plan as a checklist, and the run under way."""
    book = charger_book(request, slug)
    plan, faults = _plan(book, slug)
    run = latest_run(book.root / "chargers" / slug)
    watch = _watch(desk_of(request), book, run) if run is not None else None
    status = watch.status() if watch is not None else None
    times, lacking = None, {}
    if plan is not None:
        times = predicted_time(plan, book.instruments)
        try:
            lacking = {m.task.id: m for m in missing_tasks(book, slug, plan)}
        except BookError as error:
            faults = (*faults, *error.faults)
    return render(
        request,
        "bench.html.j2",
        **{**frame(request, book, slug), "run": run_word(book.root / "chargers" / slug)},
        part="bench",
        plan=plan,
        faults=faults,
        times=dict(zip([t.id for t in plan.tasks], times.tasks, strict=True)) if plan and times else {},
        total=times,
        lacking=lacking,
        run_id=run.name if run is not None else "",
        status=status,
        picture=watch.picture() if watch is not None else None,
        starting=_starting(desk_of(request), slug),
        tail=_tail(book, slug),
        sizes=get_args(Size),
        instruments=book.instruments,
        label=_label,
    )


@router.post("/chargers/{slug}/plan")
def make_plan(request: Request, slug: str, form: Sent) -> Response:
    """Write or renew plan.toml, as `brickbook plan` does."""
    charger_book(request, slug)
    size = form.get("size", "")
    desk_of(request).jobs.start("plan", slug, ["--size", size] if size in get_args(Size) else [])
    return RedirectResponse(f"/chargers/{quote(slug, safe='')}/bench", 303)


@router.post("/chargers/{slug}/runs")
def start(request: Request, slug: str, form: Sent) -> Response:
    """Start a run in a process of its own."""
    book = charger_book(request, slug)
    desk = desk_of(request)
    if form.get("sure") != "yes":
        raise BookError(
            Fault("the bench", "", "was not confirmed.", "Tick that you stand at the bench and it is clear.")
        )
    if run_word(book.root / "chargers" / slug) == "on the bench" or _starting(desk, slug):
        raise BookError(Fault("the bench", slug, "a run is under way already.", "Look at it; nothing was started."))
    plan, faults = _plan(book, slug)
    if plan is None:
        raise BookError(*faults)
    options = [f"--task={t}" for t in form.all_of("task") if t in {task.id for task in plan.tasks}]
    if form.get("how") in ("resume", "restart", "only-missing"):
        options.append(f"--{form['how']}")
    desk.caches[f"run:{slug}"] = _detached(book, slug, options)
    return RedirectResponse(f"/chargers/{quote(slug, safe='')}/bench", 303)


@router.post("/chargers/{slug}/runs/{run_id}/control")
def control(request: Request, slug: str, run_id: str, form: Sent) -> Response:
    """Tell the runner something: pause, resume, skip, repeat, abort, confirm, answer."""
    book = charger_book(request, slug)
    folder = _folder(book, slug, run_id)
    do = form.get("do", "")
    if do not in CONTROLS:
        raise HTTPException(400, "The bench does not know this word.")
    if not is_alive(folder):
        raise BookError(Fault("the run", run_id, "is not under way.", "Take it up again on the bench page."))
    value = form.get("value", "").strip()[:200]
    if do == "answer" and form.get("sure") == "yes":
        value += "!"
    append_control(folder, do, key=form.get("key", "")[:200], value=value, by="browser")
    return RedirectResponse(say(f"/chargers/{quote(slug, safe='')}/bench", "asked"), 303)


@router.get("/chargers/{slug}/runs/{run_id}/events")
async def events(request: Request, slug: str, run_id: str) -> Response:
    """What happens in a run, as server-sent events: first the whole picture, then what is new."""
    book = await run_in_threadpool(charger_book, request, slug)
    desk = desk_of(request)
    watch = _watch(desk, book, _folder(book, slug, run_id))
    last = request.headers.get("last-event-id", "")
    n = int(last) if last.isdecimal() and len(last) < 12 else -1
    return StreamingResponse(
        _stream(request, desk, watch, n),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )


async def _stream(request: Request, desk: Desk, watch: Watch, n: int) -> AsyncIterator[str]:
    quiet_s = 0.0
    alive: bool | None = None
    yield "retry: 1000\n\n"
    while not desk.stopping and not await request.is_disconnected():
        news = await run_in_threadpool(watch.since, n)
        if news is None:
            status = await run_in_threadpool(watch.status)
            if alive is not None and status.alive != alive:
                news = await run_in_threadpool(watch.picture)
            alive = status.alive
        if news is not None:
            n, quiet_s, alive = int(news["n"]), 0.0, bool(news["alive"])
            yield f"id: {max(n, 0)}\ndata: {json.dumps(news, separators=(',', ':'), allow_nan=False)}\n\n"
        elif quiet_s >= _BEAT_S:
            quiet_s = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(_EVERY_S)
        quiet_s += _EVERY_S


def _watch(desk: Desk, book: Book, folder: Path) -> Watch:
    return desk.watches.of(inside(book, folder))


def _folder(book: Book, slug: str, run_id: str) -> Path:
    """Folder of a run; 404 where there is none."""
    home = book.root / "chargers" / slug / "runs"
    known = [path.name for path in home.iterdir()] if home.is_dir() else []
    if run_id not in known or not (home / run_id / "journal.jsonl").is_file():
        raise HTTPException(404, "There is no such run.")
    inside(book, home / run_id / "journal.jsonl")
    inside(book, home / run_id / "control.jsonl")
    return inside(book, home / run_id)


def _plan(book: Book, slug: str) -> tuple[TestPlan | None, tuple[Fault, ...]]:
    if not book.has_plan(slug):
        return None, ()
    try:
        return book.plan(slug, rules=STABILITY_RULES), ()
    except BookError as error:
        return None, error.faults


def _detached(book: Book, slug: str, options: list[str]) -> subprocess.Popen[bytes]:
    """The run's process: not ours to end. Its words go to a file beside the journals, for what fails before one."""
    home = book.root / "chargers" / slug / "runs"
    home.mkdir(exist_ok=True)
    with inside(book, home / _LOG).open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 - our own interpreter and verb; slug and tasks were checked
            command("run", slug, "--plain", *options, "--book", str(book.root)),
            stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT, start_new_session=True, cwd=book.root,
        )  # fmt: skip
    threading.Thread(target=process.wait, daemon=True).start()  # so that it leaves no zombie
    return process


def _starting(desk: Desk, slug: str) -> bool:
    """Whether a run we started has not ended."""
    process = desk.caches.get(f"run:{slug}")
    return process is not None and process.poll() is None


def _tail(book: Book, slug: str) -> tuple[str, ...]:
    """What the last run that the app started complained of."""
    try:
        with (book.root / "chargers" / slug / "runs" / _LOG).open("rb") as file:
            file.seek(0, 2)
            file.seek(max(0, file.tell() - 20_000))
            text = file.read().decode("utf-8", "replace")
    except OSError:
        return ()
    return tuple(line.removeprefix("error: ") for line in text.splitlines() if line.startswith("error: "))


def _label(column: str) -> str:
    """A column in words, with its unit."""
    quantity = QUANTITIES.get(quantity_of(column))
    if quantity is None:
        return column
    unit = {"degC": "°C", "Ohm": "Ω"}.get(quantity.unit, quantity.unit)
    channel = channel_of(column)
    return f"{quantity.label}{f', {channel}' if channel else ''}{f' [{unit}]' if unit else ''}"
