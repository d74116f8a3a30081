"""Kills at random instants: SIGKILL in the middle of a verb, then a look at every file, then the verb again.

The verbs run in forked children of one warmed-up process: the same code from `brickbook.cli.run` on, without the two
seconds in which an interpreter only imports.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import os
import random
import shutil
import signal
import statistics
import sys
import time
import tomllib
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["torture_kills"]

FINCH = "finch-30"
TASKS = ("regulation-00000001", "regulation-00000002")
READINGS = 12
EPOCH = "1790000000"


@dataclass
class Tally:
    """What came of the kills of one verb."""

    verb: str
    kills: int = 0
    too_late: int = 0
    again: int = 0
    leftovers: int = 0
    life_s: float = 0.0
    wrong: list[str] = field(default_factory=list)

    def told(self) -> dict[str, Any]:
        """For the record."""
        return {
            "kills": self.kills, "ended before the kill": self.too_late, "done again": self.again,
            "leftovers of interrupted writes, recognised": self.leftovers, "life_s": round(self.life_s, 3),
            "wrong": len(self.wrong), "first": self.wrong[:5],
        }  # fmt: skip


def _warm() -> None:
    import torture.samples  # noqa: F401
    from brickbook.analysis import code_digest, study_rules
    from brickbook.publish.pages import environment
    from brickbook.readers.units import conversion

    # what is kept from call to call; nothing here begins the threads of a library
    conversion("mV", "V")
    code_digest()
    study_rules()
    environment()


def begin(words: Sequence[str], said: Path) -> int:
    """A forked child that does a verb in a session of its own; gives its process id."""
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        os.setsid()
        os.environ["SOURCE_DATE_EPOCH"] = EPOCH
        target = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(target, 1)
        os.dup2(target, 2)
        from brickbook.cli import run

        code = run(list(words))
        sys.stdout.flush()
        sys.stderr.flush()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def ended(pid: int, seconds: float = 60.0) -> int | None:
    """Exit code of a child, negative for a signal; `None` after so many seconds."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        got, status = os.waitpid(pid, os.WNOHANG)
        if got:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.002)
    os.killpg(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return None


def killed(pid: int, after_s: float) -> bool:
    """Kill a child and all it started after a while; whether it still lived then."""
    end = time.monotonic() + after_s
    while time.monotonic() < end:
        got, _ = os.waitpid(pid, os.WNOHANG)
        if got:
            return False
        time.sleep(min(0.001, after_s / 20 + 1e-4))
    with contextlib.suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status) == -signal.SIGKILL


# What must hold whenever a process has died


def faults_of(root: Path, tally: Tally) -> Iterator[str]:
    """Files that are half written and not recognised as that."""
    for path in root.rglob("*"):
        if not path.is_file():
            continue
        name = str(path.relative_to(root))
        if path.name.startswith(".brickbook-") and path.name.endswith(".part"):
            tally.leftovers += 1
            continue
        data = path.read_bytes()
        try:
            if path.suffix == ".toml":
                tomllib.loads(data.decode())
            elif path.suffix == ".json":
                json.loads(data)
            elif path.suffix == ".jsonl":
                for line in data.split(b"\n")[:-1]:  # what has no line feed is no event
                    json.loads(line)
                if path.name == "published.jsonl" and not data.endswith(b"\n"):
                    yield f"{name} is cut"
            elif path.suffix == ".parquet":
                if data[:4] != b"PAR1" or data[-4:] != b"PAR1":
                    yield f"{name} is cut"
            elif path.suffix == ".html":
                if not data.rstrip().endswith(b"</html>"):
                    yield f"{name} is cut"
            elif path.suffix == ".zip":
                with zipfile.ZipFile(path) as archive:
                    if archive.testzip() is not None:
                        yield f"{name} is damaged"
        except (ValueError, zipfile.BadZipFile) as error:
            yield f"{name}: {type(error).__name__} {error}"


def tree(root: Path, *without: str) -> dict[str, str]:
    """Path to digest, leftovers and locks apart."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = str(path.relative_to(root))
        part = path.name.startswith(".brickbook-") or path.name.endswith(".lock")
        if path.is_file() and not part and not name.startswith(without or ("\0",)):
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


@dataclass
class Verb:
    """A verb to be killed."""

    name: str
    words: list[str]
    root: Path
    restore: Callable[[], None]
    check: Callable[[int | None], Iterator[str]]
    again: list[str] | None = None


def torture_verb(verb: Verb, count: int, rng: random.Random, said: Path) -> Tally:
    """Kill a verb so many times, at instants over its life."""
    tally = Tally(verb.name)
    lives = []
    for _ in range(3):
        verb.restore()
        start = time.monotonic()
        code = ended(begin(verb.words, said))
        lives.append(time.monotonic() - start)
        tally.wrong += [f"undisturbed: {fault}" for fault in verb.check(code)]
    tally.life_s = statistics.median(lives)
    while tally.kills < count and len(tally.wrong) < 30 and tally.too_late < 3 * count:
        verb.restore()
        if not killed(begin(verb.words, said), rng.uniform(0.0, 1.05 * tally.life_s)):
            tally.too_late += 1
            continue
        tally.kills += 1
        tally.wrong += [f"kill {tally.kills}: {fault}" for fault in faults_of(verb.root, tally)]
        code = ended(begin(verb.again or verb.words, said))
        tally.again += 1
        tally.wrong += [f"kill {tally.kills}, again: {fault}" for fault in verb.check(code)]
        tally.wrong += [f"kill {tally.kills}, again: {fault}" for fault in faults_of(verb.root, Tally(""))]
    return tally


def _copy(template: Path, root: Path) -> None:
    shutil.rmtree(root, ignore_errors=True)
    shutil.copytree(template, root)


def in_child(call: Callable[[], object]) -> None:
    """Do something in a forked child, so that no thread pool of a library begins in this process."""
    pid = os.fork()
    if not pid:
        code = 0
        try:
            call()
        except BaseException:
            import traceback

            traceback.print_exc()
            code = 1
        os._exit(code)
    _, status = os.waitpid(pid, 0)
    if status:
        raise RuntimeError("a template could not be made")


def _small(home: Path) -> Path:
    from torture import samples

    template = home / "template"
    shutil.rmtree(template, ignore_errors=True)
    in_child(lambda: samples.small_book(template, analysed=False))
    return template


def import_verb(home: Path) -> Verb:
    """`import` of a small log."""
    from brickbook.book import Book
    from torture import samples

    template, root = _small(home), home / "book"
    log = home / "more.csv"
    log.write_bytes(samples.standby_log(300).replace(b"0.05", b"0.06"))
    words = ["import", samples.SLUG, str(log), "--study", "standby", "--set", "mains_v=230", "--set", "mains_hz=50"]
    words += ["--set", "situation=cable", "--yes", "--book", str(root)]
    digest = hashlib.sha256(log.read_bytes()).hexdigest()

    def check(code: int | None) -> Iterator[str]:
        # done before the kill came: told as being there already
        if code not in (0, 1):
            yield f"exit code {code}"
        book = Book.open(root)
        entries = [entry for entry in book.index(samples.SLUG) if entry.sha256 == digest]
        if len(entries) != 1:
            yield f"the file is {len(entries)} times in the index"
        elif book.raw_bytes(samples.SLUG, entries[0]) != log.read_bytes():
            yield "the raw file is not what was imported"
        faults = [f for f in book.check(samples.SLUG) if "interrupted write" not in f.problem]
        yield from (str(fault) for fault in faults)

    return Verb("import", words, root, lambda: _copy(template, root), check)


def simple_verb(home: Path, name: str, words: list[str], place: str, before: list[str]) -> Verb:
    """A verb whose results must be byte for byte those of a run that nobody disturbed."""
    template, root = _small(home), home / "book"
    said = home / "said.txt"
    if before:
        _copy(template, root)
        code = ended(begin([*before, "--book", str(root)], said))
        if code != 0:
            raise RuntimeError(said.read_text())
        _copy(root, template)
    words = [name, *words, "--book", str(root)]
    _copy(template, root)
    if ended(begin(words, said)) != 0:
        raise RuntimeError(said.read_text())
    wanted = {**tree(root / place), **{f"chargers/{k}": v for k, v in tree(root / "chargers").items()}}

    def check(code: int | None) -> Iterator[str]:
        if code != 0:
            yield f"exit code {code}"
        found = {**tree(root / place), **{f"chargers/{k}": v for k, v in tree(root / "chargers").items()}}
        for path in sorted(set(wanted) | set(found)):
            if found.get(path) != wanted.get(path):
                yield f"{path} is {'missing' if path not in found else 'not as it should be'}"

    return Verb(name, words, root, lambda: _copy(template, root), check)


# The runner


def finch_book(template: Path) -> None:
    """A book with a charger the software bench knows, and a plan of two short tasks."""
    from brickbook.book import Book
    from brickbook.core.charger import Charger, Nameplate, Output, Port, Sample
    from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan

    book = Book.create(template, title="Bench", publisher="Tester")
    outputs = tuple(Output(kind="fixed", voltage_v=v, current_a=a) for v, a in ((5.0, 3.0), (9.0, 3.0), (20.0, 1.5)))
    port = Port("C1", "usb-c", outputs, power_w=30.0)
    book.new_charger(FINCH, Charger("Finch 30", "Quillmere", "QF-30", Nameplate(30.0), (port,), Sample("bought")))
    tasks = tuple(
        PlanTask(
            id=task, studies=("regulation",), title="V(I)", kind="log", mains_v=230.0, mains_hz=50.0,
            steps=tuple(PlanStep(f"{r}", (PortSetting("C1", "20 V", 1.5 * r),), Dwell(5.0, 5.0)) for r in ratios),
            cautions=("Mains voltage kills.",),
        )
        for task, ratios in zip(TASKS, ((1.0, 0.5), (0.75, 0.25)), strict=True)
    )  # fmt: skip
    book.write_plan(FINCH, TestPlan(FINCH, "short", tasks))


def with_bench(root: Path, bench: Any) -> None:
    """Write the addresses of a software bench into a book's bench.toml."""
    from brickbook.simbench import bench_text

    limits = {"volts": 264.0, "amps": 10.0, "watts": 300.0, "degrees": 95.0}
    (root / "bench.toml").write_text(bench_text(bench.instruments, limits))


def kept(root: Path) -> Iterator[str]:
    """Whether each reading of the journals stands once in its log, and each task's raw file is its last whole log."""
    from brickbook.bench import read_journal
    from brickbook.book import Book

    book = Book.open(root)
    folders = sorted(p for p in (root / "chargers" / FINCH / "runs").glob("*") if p.is_dir())
    ran = [folder for folder in folders if (folder / "journal.jsonl").exists()]
    if not ran:
        yield "there is no journal"
        return
    folder = ran[-1]
    events = read_journal(folder)
    if [event.n for event in events] != list(range(len(events))):
        yield f"the numbers of the journal are not 0, 1, 2: {[event.n for event in events][:40]}"
    for task in TASKS:
        tries: list[list[dict[str, str]]] = []
        for event in events:
            if event.event == "task-started" and event.get("task") == task:
                tries.append([])
            if event.event == "reading" and event.get("task") == task:
                tries[-1].append({k: "" if v is None else repr(float(v)) for k, v in event.get("values").items()})
        logs = [folder / f"{task}.part-{k}.csv" for k in range(1, len(tries) + 1)]
        logs = [log for log in logs if log.exists()] + [folder / f"{task}.csv"]
        told = [readings for readings in tries if readings] if len(logs) < len(tries) else tries
        if len(logs) != len(told):
            yield f"{task}: {len(told)} attempts with readings and {len(logs)} logs"
            continue
        for log, readings in zip(logs, told, strict=True):
            with log.open() as file:
                rows = [{k: v for k, v in row.items() if k != "time_s"} for row in csv.DictReader(file)]
            if rows[: len(readings)] != readings:
                yield f"{log.name}: a reading of the journal is not in the log, or not in its place"
            # the row is on the disk before the event: one more may be there, never one less
            if len(rows) - len(readings) not in ((0,) if log is logs[-1] else (0, 1)):
                yield f"{log.name}: {len(rows)} rows, {len(readings)} readings in the journal"
        if len(told[-1]) != READINGS:
            yield f"{task}: {len(told[-1])} readings, {READINGS} were wanted"
        entries = [entry for entry in book.index(FINCH) if entry.path.startswith(task)]
        if [entry.path for entry in entries] != [f"{task}.csv"]:
            yield f"{task} is in the index as {[entry.path for entry in entries]}"
        elif book.raw_bytes(FINCH, entries[0]) != logs[-1].read_bytes():
            yield f"{task}: the raw file is not the log"
    if events[-1].event != "run-ended" or events[-1].get("outcome") != "done":
        yield f"the last event is {events[-1].event} {events[-1].get('outcome')}"


def torture_run(home: Path, count: int, rng: random.Random, said: Path) -> Tally:
    """Kill the runner; take the run up again, sometimes killed once more, to its end."""
    from brickbook.simbench import load_sim_charger, start_bench

    template, root = home / "template", home / "book"
    shutil.rmtree(template, ignore_errors=True)
    in_child(lambda: finch_book(template))
    tally = Tally("run")
    bench: Any = None
    words = ["run", FINCH, "--book", str(root), "--yes-simulated", "--plain"]
    lives: list[float] = []
    rounds = 0
    while tally.kills < count and len(tally.wrong) < 30:
        if rounds % 20 == 0:
            if bench is not None:
                bench.close()
            bench = start_bench(load_sim_charger(FINCH), seed=rounds)
        rounds += 1
        _copy(template, root)
        with_bench(root, bench)
        if len(lives) < 3:
            start = time.monotonic()
            code = ended(begin(words, said))
            lives.append(time.monotonic() - start)
            tally.life_s = statistics.median(lives)
            tally.wrong += [f"undisturbed, exit code {code}: {fault}" for fault in kept(root)]
            continue
        if not killed(begin(words, said), rng.uniform(0.0, 1.05 * tally.life_s)):
            tally.too_late += 1
            continue
        tally.kills += 1
        tally.wrong += [f"kill {tally.kills}: {fault}" for fault in faults_of(root, tally)]
        started = any((root / "chargers" / FINCH / "runs").glob("*/journal.jsonl"))
        more = ["--resume"] if started else []
        while rng.random() < 0.3 and tally.kills < count:
            if killed(begin([*words, *more], said), rng.uniform(0.0, 1.05 * tally.life_s)):
                tally.kills += 1
                tally.wrong += [f"kill {tally.kills}: {fault}" for fault in faults_of(root, tally)]
            started = any((root / "chargers" / FINCH / "runs").glob("*/journal.jsonl"))
            more = ["--resume"] if started else []
        code = ended(begin([*words, *more], said))
        tally.again += 1
        if code != 0 and not _was_done(root):
            tally.wrong.append(f"kill {tally.kills}, again: exit code {code}")
            with contextlib.suppress(OSError):
                shutil.copytree(root, home / f"wrong-{tally.kills}", dirs_exist_ok=True)
        tally.wrong += [f"kill {tally.kills}, again: {fault}" for fault in kept(root)]
        off = bench.do(lambda w: not w.mains_on and not any(p.load_on and p.set_a for p in w.ports.values()))
        if not off:
            tally.wrong.append(f"kill {tally.kills}, again: the bench is not off")
    if bench is not None:
        bench.close()
    return tally


def _was_done(root: Path) -> bool:
    """Whether the run had ended before the kill came: there is then nothing to take up, and it says so."""
    from brickbook.bench import read_journal

    journals = sorted((root / "chargers" / FINCH / "runs").glob("*/journal.jsonl"))
    last = read_journal(journals[-1].parent)[-1] if journals else None
    return last is not None and last.event == "run-ended" and last.get("outcome") == "done"


# The app


def torture_app(home: Path, count: int, runs: int, rng: random.Random, said: Path) -> tuple[Tally, Tally]:
    """Kill the app while it saves words, takes files and answers; and while a run that it started goes on."""
    from torture.web import requests

    idle = Tally("app, at work")
    template = _small(home)
    root = home / "book"
    _copy(template, root)
    sent = [r for r in requests() if b"which=notes" in r or r.startswith((b"PUT", b"GET /chargers"))]
    while idle.kills < count and len(idle.wrong) < 30:
        out = home / "app.txt"
        out.unlink(missing_ok=True)
        pid = begin(["serve", str(root), "--port", "0", "--no-browser"], out)
        door = _door(out, pid)
        if door is None:
            idle.wrong.append(f"the app did not begin: {out.read_text()[-300:]}")
            break
        start, wanted_s = time.monotonic(), rng.uniform(0.0, 0.6)
        helper = os.fork()
        if not helper:
            with contextlib.suppress(Exception):
                while True:
                    _ask(door, rng.choice(sent))
            os._exit(0)
        time.sleep(max(0.0, wanted_s - (time.monotonic() - start)))
        os.killpg(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        with contextlib.suppress(ProcessLookupError):
            os.kill(helper, signal.SIGKILL)
        os.waitpid(helper, 0)
        idle.kills += 1
        idle.wrong += [f"kill {idle.kills}: {fault}" for fault in faults_of(root, idle)]
        if idle.kills % 20 == 0:
            idle.again += 1
            code = ended(begin(["analyse", "--book", str(root)], said))
            if code != 0:
                idle.wrong.append(f"kill {idle.kills}: analyse afterwards ends with {code}")
            _copy(template, root)
    return idle, _app_and_run(home, runs, rng)


def _app_and_run(home: Path, count: int, rng: random.Random) -> Tally:
    from brickbook.bench import read_journal
    from brickbook.simbench import load_sim_charger, start_bench

    tally = Tally("app, a run under way")
    template, root = home / "finch-template", home / "finch-book"
    shutil.rmtree(template, ignore_errors=True)
    in_child(lambda: finch_book(template))
    while tally.kills < count and len(tally.wrong) < 30:
        with start_bench(load_sim_charger(FINCH), seed=tally.kills) as bench:
            _copy(template, root)
            with_bench(root, bench)
            out = home / "app.txt"
            out.unlink(missing_ok=True)
            pid = begin(["serve", str(root), "--port", "0", "--no-browser"], out)
            door = _door(out, pid)
            if door is None:
                tally.wrong.append(f"the app did not begin: {out.read_text()[-300:]}")
                break
            form = b"sure=yes"
            head = f"POST /chargers/{FINCH}/runs HTTP/1.1\r\ncontent-type: application/x-www-form-urlencoded\r\n\r\n"
            answer = _ask(door, head.encode() + form)
            if not answer.startswith(b"HTTP/1.1 303"):
                tally.wrong.append(f"the run was not started: {answer[:200]!r}")
            # the runner asks for each caution: confirm for it through the control file, as the app would
            time.sleep(rng.uniform(0.0, 4.0))
            os.killpg(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            tally.kills += 1
            tally.wrong += _confirmed_to_the_end(root, tally.kills)
            tally.wrong += [f"kill {tally.kills}: {fault}" for fault in kept(root)]
            tally.wrong += [f"kill {tally.kills}: {fault}" for fault in faults_of(root, tally)]
            tally.again += 1
            del read_journal
            from brickbook.bench import read_journal
    return tally


def _confirmed_to_the_end(root: Path, number: int) -> list[str]:
    from brickbook.bench import append_control, status_of

    end = time.monotonic() + 90
    answered: set[int] = set()
    while time.monotonic() < end:
        for journal in (root / "chargers" / FINCH / "runs").glob("*/journal.jsonl"):
            status = status_of(journal.parent)
            if status.state == "ended":
                return (
                    [] if status.outcome == "done" else [f"kill {number}: the run ended {status.outcome}: {status.why}"]
                )
            if status.asked is not None and status.asked.n not in answered:
                answered.add(status.asked.n)
                append_control(journal.parent, "confirm", key=status.asked.key, by="torture")
        time.sleep(0.05)
    return [f"kill {number}: the run did not end within 90 s"]


def _door(out: Path, pid: int) -> tuple[int, str, str] | None:
    """Port, token and cookie of an app, once it says them."""
    import re

    end = time.monotonic() + 30
    while time.monotonic() < end:
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=(\S+)", out.read_text() if out.exists() else "")
        if found:
            port, token = int(found[1]), found[2]
            answer = _ask((port, token, ""), f"GET /?token={token} HTTP/1.1\r\n\r\n".encode())
            cookie = re.search(rb"set-cookie: ([^;]+)", answer)
            if cookie:
                return port, token, cookie[1].decode()
        got, _ = os.waitpid(pid, os.WNOHANG)
        if got:
            return None
        time.sleep(0.02)
    return None


def _ask(door: tuple[int, str, str], request: bytes) -> bytes:
    import socket

    port, _, cookie = door
    head, _, body = request.partition(b"\r\n\r\n")
    more = [f"host: 127.0.0.1:{port}", f"origin: http://127.0.0.1:{port}", "connection: close"]
    more += [f"content-length: {len(body)}"] + ([f"cookie: {cookie}"] if cookie else [])
    data = head + b"\r\n" + "\r\n".join(more).encode() + b"\r\n\r\n" + body
    got = b""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 5.0) as line:
        line.settimeout(5.0)
        line.sendall(data)
        while piece := line.recv(65_536):
            got += piece
    return got


COUNTS = {"import": 350, "run": 200, "pack": 170, "analyse": 200, "publish": 80, "app": 60, "app-run": 15}


def torture_kills(home: Path, seed: int, scale: float, only: Sequence[str] = ()) -> dict[str, Any]:
    """All verbs; gives the tallies."""
    from torture.samples import SLUG

    _warm()
    said = home / "said.txt"
    told: dict[str, Any] = {}

    def count(name: str) -> int:
        return max(1, round(COUNTS[name] * scale))

    def note(tally: Tally, begun: float) -> None:
        told[tally.verb] = {**tally.told(), "wall_s": round(time.monotonic() - begun, 1)}
        print(tally.verb, told[tally.verb], flush=True)
        (home / "kills.json").write_text(json.dumps(told, indent=1))

    plans: dict[str, Callable[[Path], Verb]] = {
        "import": import_verb,
        "analyse": lambda place: simple_verb(place, "analyse", [SLUG], f"derived/{SLUG}", []),
        "pack": lambda place: simple_verb(place, "pack", [SLUG], "derived/report/data", ["analyse", SLUG]),
        "publish": lambda place: simple_verb(place, "publish", [SLUG], "derived/report", ["analyse", SLUG]),
    }
    for name in only or COUNTS:
        place = home / name
        place.mkdir(parents=True, exist_ok=True)
        rng, begun = random.Random(f"{seed}/{name}"), time.monotonic()
        if name in plans:
            note(torture_verb(plans[name](place), count(name), rng, said), begun)
        elif name == "run":
            note(torture_run(place, count(name), rng, said), begun)
        elif name == "app":
            for tally in torture_app(place, count(name), count("app-run"), rng, said):
                note(tally, begun)
    return told
