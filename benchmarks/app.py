"""The app: start-up, pages over a shelf of a thousand chargers, and an hour of readings at ten a second.

    python benchmarks/app.py FOLDER [chargers]

FOLDER is for the scratch book; it is removed at the end. The chargers are copies of one result whose values differ, as
the program writes them. The readings are written to a journal faster than life, while one client follows the events as
a browser does; what the server and the client hold is measured before, in the middle and at the end.
"""

from __future__ import annotations

import http.client
import json
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

from brickbook.analysis import Analysis, save
from brickbook.book import Book
from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Component, Figure, Finding
from brickbook.core.table import RawFile, Rows
from brickbook.library.catalogue import write_entry
from brickbook.studies import STUDIES

READINGS = 36_000
EVERY_S = 0.1


def charger(name: str) -> Charger:
    outputs = tuple(Output("fixed", 3.0, voltage_v=volts) for volts in (5.0, 9.0, 15.0, 20.0))
    return Charger(name, "An invented maker", name, Nameplate(65.0), (Port("C1", "usb-c", outputs),), Sample("bought"))


def figures(k: int) -> tuple[Figure, ...]:
    """One figure for every headline of the shelf, and a hundred points of an efficiency sweep."""
    found = []
    rows = (Rows(RawFile("a.csv", "0" * 64), 10, 200, ("Power",)),)
    budget = (Component("wall-meter: mains_power_w 150", "B", "rectangular", 0.001, float("inf")),)

    def add(study: str, name: str, value: float, conditions: dict) -> None:
        u = 0.002 * value
        unit = {"w": "W", "v": "V", "a": "A", "s": "s", "c": "degC"}.get(name.rpartition("_")[2], "")
        found.append(
            Figure(study, name, value, unit, u, Conditions.of(conditions), "a mean", rows, lower=value - 2 * u,
                   upper=value + 2 * u, budget=budget)
        )  # fmt: skip

    for study in STUDIES:
        for headline in study.headlines:
            add(study.id, headline.name, 1.0 + (k * 7919 % 1000) / 1000, {"mains_v": 230.0, **headline.when})
    for point in range(100):
        add("efficiency", "efficiency_ratio", 0.9, {"mains_v": 230.0, "load_ratio": (point + 1) / 100})
    unique = {f.key: f for f in found}
    return tuple(unique.values())


def make(root: Path, count: int) -> None:
    book = Book.create(root, title="A thousand", publisher="A tester")
    judged = "standby/no_load_power_w"
    for k in range(count):
        slug, known = f"charger-{k:04d}", figures(k)
        book.new_charger(slug, charger(f"Charger {k:04d}"))
        findings = tuple(
            Finding(f.key, "rule", "A rule", "standard", 2.0, "max", "meets", 0.99, "a clause")
            for f in known
            if f.key.startswith(judged)
        )
        save(book, slug, Analysis(book.charger(slug), known, findings, (), (), ()))
        write_entry(book, slug)


def start(root: Path) -> tuple[subprocess.Popen, int, str, float]:
    """The app, and the time from its start to its first answer [s]."""
    begun = time.perf_counter()
    code = "from brickbook.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "serve", str(root), "--port", "0", "--no-browser"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    found = re.search(r":(\d+)/\?token=(\S+)", process.stdout.readline())
    assert found is not None
    port = int(found[1])
    _, headers = ask(port, f"/new?token={found[2]}", "")
    cookie = headers["set-cookie"].partition(";")[0]
    ask(port, "/new", cookie)
    return process, port, cookie, time.perf_counter() - begun


def ask(port: int, path: str, cookie: str) -> tuple[bytes, dict[str, str]]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    connection.request("GET", path, headers={"Cookie": cookie, "Host": f"127.0.0.1:{port}"})
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    assert answer.status in (200, 303), (path, answer.status, body[:300])
    return body, {k.lower(): v for k, v in answer.getheaders()}


def memory_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1000  # type: ignore[index]


def write_journal(folder: Path, count: int, per_s: float) -> None:
    """An hour of readings of eight columns, faster than life."""
    begun = time.perf_counter()
    with (folder / "journal.jsonl").open("a") as file:
        for k in range(count):
            values = {
                "mains_power_w": 33.0 + k % 7 * 0.01, "mains_voltage_v": 230.0, "mains_current_a": 0.2, "mains_pf": 0.9,
                "port_voltage_v@C1": 20.0, "port_current_a@C1": 1.5, "temperature_c@case": 40 + k / 1800,
                "ambient_c": 23.0,
            }  # fmt: skip
            line = {"n": k + 3, "at": "2026-11-25T11:02:03.000Z", "t": k * EVERY_S, "event": "reading",
                    "task": "soak-1",
                    "step": 0, "values": values}  # fmt: skip
            file.write(json.dumps(line) + "\n")
            file.flush()
            ahead = k / per_s - (time.perf_counter() - begun)
            if ahead > 0:
                time.sleep(ahead)


def follow(port: int, path: str, cookie: str, kept: dict, done: threading.Event) -> None:
    """A client as the page's script is: each message read, traces kept to 1,200 points."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path, headers={"Cookie": cookie, "Host": f"127.0.0.1:{port}"})
    answer = connection.getresponse()
    kept |= {"messages": 0, "bytes": 0, "readings": 0, "largest": 0, "n": -1}
    for line in iter(answer.readline, b""):
        if line.startswith(b"data: "):
            news = json.loads(line[6:])
            kept["messages"] += 1
            kept["bytes"] += len(line)
            kept["largest"] = max(kept["largest"], len(line))
            kept["n"] = news["n"]
            kept["readings"] += len(news.get("news", ()))
            if news["whole"]:
                kept["points"] = max(len(t["t"]) for t in news["traces"].values()) if news["traces"] else 0
        if done.is_set() and kept["n"] >= READINGS + 2:
            break
    connection.close()


def main() -> None:
    root = Path(sys.argv[1]) / "book"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    print(f"{platform.python_version()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    begun = time.perf_counter()
    make(root, count)
    print(f"book of {count} chargers, {len(figures(0))} figures each, made in {time.perf_counter() - begun:.1f} s")
    starts = []
    for _ in range(3):
        process, port, cookie, took = start(root)
        starts.append(took)
        process.terminate()
        process.wait(10)
    print(f"start to first page: {min(starts):.2f} s (shortest of 3), {max(starts):.2f} s (longest)")
    process, port, cookie, _ = start(root)
    first = time.perf_counter()
    ask(port, "/", cookie)
    print(f"first look at the shelf, catalogue made: {time.perf_counter() - first:.2f} s")
    pages = {
        "shelf": "/", "shelf, sorted": "/?sort=0&down=1", "shelf, found": "/?words=charger+07",
        "shelf, last page": "/?page=20",
        "charger": "/chargers/charger-0001", "claims": "/chargers/charger-0001/claims",
        "figures": "/chargers/charger-0001/figures",
        "files": "/chargers/charger-0001/files", "bench": "/chargers/charger-0001/bench", "choose": "/choose",
    }  # fmt: skip
    for name, path in pages.items():
        times = []
        for _ in range(7):
            begun = time.perf_counter()
            body, _ = ask(port, path, cookie)
            times.append(1000 * (time.perf_counter() - begun))
        print(
            f"{name}: median {statistics.median(times):.0f} ms, longest {max(times):.0f} ms, {len(body) / 1000:.0f} kB"
        )
    process.terminate()
    process.wait(10)

    folder = root / "chargers/charger-0001/runs/20261125T110203Z"
    folder.mkdir(parents=True)
    opening = [
        {"event": "run-started", "plan_sha256": "0", "simulated": True, "instruments": {}, "tasks": ["soak-1"]},
        {"event": "task-started", "task": "soak-1", "steps": 1},
        {"event": "step-started", "task": "soak-1", "step": 0, "label": "full load"},
    ]
    lines = [{"n": k, "at": "2026-11-25T11:02:03.000Z", "t": 0.0, **event} for k, event in enumerate(opening)]
    (folder / "journal.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    process, port, cookie, _ = start(root)
    ask(port, "/chargers/charger-0001/bench", cookie)
    kept: dict = {}
    done = threading.Event()
    path = "/chargers/charger-0001/runs/20261125T110203Z/events"
    client = threading.Thread(target=follow, args=(port, path, cookie, kept, done), daemon=True)
    client.start()
    time.sleep(1.0)
    writer = threading.Thread(target=write_journal, args=(folder, READINGS, 600.0))
    begun = time.perf_counter()
    writer.start()
    held = []
    while writer.is_alive():
        held.append((kept.get("n", 0), memory_mb(process.pid)))
        time.sleep(2.0)
    done.set()
    client.join(30)
    held.append((kept["n"], memory_mb(process.pid)))
    at = [held[max(0, int(f * (len(held) - 1)))] for f in (0.05, 0.25, 0.5, 0.75, 1.0)]
    print(f"an hour at 10 readings/s in {time.perf_counter() - begun:.0f} s: {READINGS} written, {kept['n'] - 2} seen")
    print("server memory: " + ", ".join(f"{mb:.1f} MB after {max(n - 2, 0)}" for n, mb in at))
    print(f"client: {kept['messages']} messages, {kept['bytes'] / 1e6:.1f} MB, largest {kept['largest'] / 1000:.0f} kB")
    whole: dict = {}
    client = threading.Thread(target=follow, args=(port, path, cookie, whole, done), daemon=True)
    client.start()
    client.join(30)
    print(
        f"a browser that comes late: one message of {whole['largest'] / 1000:.0f} kB, {whole['points']} points a trace"
    )
    process.terminate()
    process.wait(10)
    shutil.rmtree(root)


if __name__ == "__main__":
    main()
