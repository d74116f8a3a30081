"""A long life: the app with live browsers, and a run on the software bench, measured every few seconds."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from torture.kills import FINCH, _ask, _door, begin, in_child, with_bench

__all__ = ["torture_soak"]

_EVERY_S = 10.0
_CLIENTS = 4


def torture_soak(home: Path, minutes: float, speed: float) -> dict[str, Any]:
    """An app and a run for so long; gives memory, open files and threads of both at begin and end."""
    from brickbook.bench import append_control, read_journal
    from brickbook.simbench import load_sim_charger, start_bench
    from torture.kills import _warm

    _warm()
    template, root = home / "soak-template", home / "soak-book"
    for path in (template, root):
        shutil.rmtree(path, ignore_errors=True)
    in_child(lambda: _long_book(template))
    shutil.copytree(template, root)
    out = home / "soak-app.txt"
    out.unlink(missing_ok=True)
    rows: list[dict[str, float]] = []
    with start_bench(load_sim_charger(FINCH), seed=1, speed=speed) as bench:
        with_bench(root, bench)
        app = begin(["serve", str(root), "--port", "0", "--no-browser"], out)
        door = _door(out, app)
        assert door is not None, out.read_text()
        runner = begin(["run", FINCH, "--book", str(root), "--yes-simulated", "--plain"], home / "soak-run.txt")
        folder = _folder(root)
        stop = threading.Event()
        counts = [0] * _CLIENTS
        browsers = [
            threading.Thread(target=_listen, args=(door, folder.name, stop, counts, k), daemon=True)
            for k in range(_CLIENTS)
        ]
        for browser in browsers:
            browser.start()
        begun = time.monotonic()
        while time.monotonic() - begun < 60 * minutes:
            time.sleep(_EVERY_S)
            for path in ("", f"chargers/{FINCH}/bench", f"chargers/{FINCH}", f"chargers/{FINCH}/files"):
                _ask(door, f"GET /{path} HTTP/1.1\r\n\r\n".encode())
            row = {"t": time.monotonic() - begun}
            for name, pid in (("app", app), ("runner", runner)):
                row |= {f"{name}_{key}": value for key, value in _state(pid).items()}
            rows.append(row)
            (home / "soak-rows.jsonl").write_text("".join(json.dumps(one) + "\n" for one in rows))
            if "runner_rss_mb" not in row:
                break
        append_control(folder, "abort", by="torture")
        for _ in range(100):
            got, status = os.waitpid(runner, os.WNOHANG)
            if got:
                break
            time.sleep(0.1)
        else:
            os.killpg(runner, signal.SIGKILL)
            status = os.waitpid(runner, 0)[1]
        stop.set()
        os.killpg(app, signal.SIGINT)
        os.waitpid(app, 0)
        readings = sum(event.event == "reading" for event in read_journal(folder))
    told: dict[str, Any] = {
        "minutes": round(rows[-1]["t"] / 60, 1), "readings": readings, "events seen by browsers": counts,
        "runner ended with": os.waitstatus_to_exitcode(status), "tracebacks": out.read_text().count("Traceback"),
    }  # fmt: skip
    late = rows[len(rows) // 3 :]
    for key in sorted(rows[0]):
        if key != "t":
            values = [row[key] for row in rows if key in row]
            slope = np.polyfit([r["t"] / 3600 for r in late if key in r], [r[key] for r in late if key in r], 1)[0]
            told[key] = {
                "first": values[0],
                "last": values[-1],
                "most": max(values),
                "per_hour": round(float(slope), 2),
            }
    print("soak", json.dumps(told, indent=1), flush=True)
    (home / "soak.json").write_text(json.dumps(told, indent=1))
    return told


def _long_book(template: Path) -> None:
    from dataclasses import replace

    from brickbook.book import Book
    from brickbook.core.plan import Dwell
    from torture.kills import finch_book

    finch_book(template)
    book = Book(template)
    plan = book.plan(FINCH)
    first = plan.tasks[0]
    steps = tuple(replace(step, dwell=Dwell(50_000.0, 50_000.0)) for step in first.steps)
    book.write_plan(FINCH, replace(plan, tasks=(replace(first, steps=steps),)))


def _folder(root: Path) -> Path:
    end = time.monotonic() + 60
    while time.monotonic() < end:
        for journal in (root / "chargers" / FINCH / "runs").glob("*/journal.jsonl"):
            return journal.parent
        time.sleep(0.05)
    raise RuntimeError("the run did not begin")


def _state(pid: int) -> dict[str, float]:
    with contextlib.suppress(OSError, IndexError):
        status = Path(f"/proc/{pid}/status").read_text()
        found = {line.split(":")[0]: line.split()[1] for line in status.splitlines() if len(line.split()) > 1}
        return {
            "rss_mb": int(found["VmRSS"]) / 1e3, "threads": float(found["Threads"]),
            "files": float(len(list(Path(f"/proc/{pid}/fd").iterdir()))),
        }  # fmt: skip
    return {}


def _listen(door: tuple[int, str, str], run: str, stop: threading.Event, counts: list[int], k: int) -> None:
    """A browser that follows the run, and now and then goes away and comes back."""
    port, _, cookie = door
    while not stop.is_set():
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 5.0) as line:
            line.settimeout(5.0)
            head = f"GET /chargers/{FINCH}/runs/{run}/events HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\n"
            line.sendall(f"{head}cookie: {cookie}\r\n\r\n".encode())
            end = time.monotonic() + (15.0 if k % 2 else 1e9)
            while not stop.is_set() and time.monotonic() < end:
                with contextlib.suppress(TimeoutError):
                    piece = line.recv(65_536)
                    if not piece:
                        break
                    counts[k] += piece.count(b"data: ")
        time.sleep(0.2)
