"""Damaged inputs in a worker process, and a watchdog beside it.

Each case is told by (seed, kind, case) alone, so a failure is made again by `python -m torture inputs --kind K --seed S
--case N`. The worker has a bound on its address space; the watchdog ends it when one input takes too long.
"""

from __future__ import annotations

import collections
import contextlib
import json
import mmap
import random
import resource
import shutil
import struct
import subprocess
import sys
import time
import traceback
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

__all__ = ["LIMIT_S", "repeat", "torture_inputs", "work"]

LIMIT_S = 5.0  # processor time for one input [s]
SPACE_BYTES = 3 << 30  # address space of a worker beyond what it has when it begins
GREEDY_KB = 400_000  # growth of the peak resident set by one input that is worth a line
_PLACE = struct.Struct("=qd")


def case_bytes(target: Any, seeds: Sequence[bytes], others: Sequence[bytes], seed: int, case: int) -> bytes:
    """The damaged input of a case."""
    from torture.mutate import mutated

    rng = random.Random(f"{seed}/{target.name}/{case}")
    return mutated(rng.choice(seeds), rng, others)


def work(kind: str, seed: int, first: int, last: int, home: Path) -> None:
    """In the worker: cases first to last - 1 of a kind; each failure is a line of failures.jsonl."""
    from torture.targets import TARGETS, judged

    warnings.simplefilter("error")
    target = TARGETS[kind]
    folder = home / kind / "case"
    folder.mkdir(parents=True, exist_ok=True)
    seeds, others = target.seeds(folder), _others(kind)
    for honest in seeds:
        with contextlib.suppress(*target.allowed):  # some seeds are faulty on purpose
            target.read(honest, _emptied(folder))
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + SPACE_BYTES, used + SPACE_BYTES))
    taken = refused = 0
    with (home / kind / "place").open("r+b") as shared, (home / kind / "failures.jsonl").open("a") as failures:
        place = mmap.mmap(shared.fileno(), _PLACE.size)
        for case in range(first, last):
            place[:] = _PLACE.pack(case, time.process_time())
            data = case_bytes(target, seeds, others, seed, case)
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            try:
                target.read(data, _emptied(folder))
                taken += 1
            except target.allowed as error:
                refused += 1
                try:
                    judged(error)
                except Exception as wrong:
                    _note(failures, kind, seed, case, wrong)
            except BaseException as error:
                if isinstance(error, KeyboardInterrupt):
                    raise
                _note(failures, kind, seed, case, error)
            grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
            if grown > GREEDY_KB and case > first:
                _note(failures, kind, seed, case, MemoryError(f"the peak grew by {grown / 1e3:.0f} MB"))
        place[:] = _PLACE.pack(last, time.process_time())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with (home / kind / "done.jsonl").open("a") as done:
        done.write(json.dumps({"taken": taken, "refused": refused, "peak_kb": peak, "cases": last - first}) + "\n")


def _others(kind: str) -> list[bytes]:
    from torture import samples

    logs = list(samples.meter_logs().values())
    pieces = [*logs, samples.HAND_SHEET, samples.journal(), samples.controls(), samples.house_rules().encode()]
    pieces += [data for _, _, data, _ in samples.captures().values()]
    pieces += [*samples.sheets(), *samples.message_log()]
    del kind
    return pieces


def _emptied(folder: Path) -> Path:
    if any(folder.iterdir()):
        shutil.rmtree(folder)
        folder.mkdir()
    return folder


def _note(failures: Any, kind: str, seed: int, case: int, error: BaseException) -> None:
    frames = traceback.extract_tb(error.__traceback__)
    own = [f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in frames if "brickbook" in f.filename]
    line = {
        "kind": kind, "seed": seed, "case": case, "type": type(error).__name__, "message": str(error)[:300],
        "where": own[-1] if own else "", "path": own[-6:],
    }  # fmt: skip
    failures.write(json.dumps(line) + "\n")
    failures.flush()


def repeat(kind: str, seed: int, case: int, home: Path, *, show: bool = True) -> bytes:
    """One case again, in this process, its traceback on the terminal; gives the damaged input."""
    from torture.targets import TARGETS

    warnings.simplefilter("error")
    target = TARGETS[kind]
    folder = home / kind / "case"
    folder.mkdir(parents=True, exist_ok=True)
    data = case_bytes(target, target.seeds(folder), _others(kind), seed, case)
    (home / kind / f"{seed}-{case}.bin").write_bytes(data)
    if show:
        try:
            target.read(data, _emptied(folder))
            print("taken")
        except target.allowed as error:
            print(f"refused: {type(error).__name__}: {str(error)[:2000]}")
        except Exception:
            traceback.print_exc()
    return data


def torture_inputs(kinds: Sequence[str], seed: int, scale: float, home: Path) -> dict[str, Any]:
    """All kinds, one worker after the other; gives the counts."""
    from torture.targets import TARGETS

    told: dict[str, Any] = {}
    for kind in kinds:
        count = max(1, round(TARGETS[kind].cases * scale))
        shutil.rmtree(home / kind, ignore_errors=True)
        (home / kind).mkdir(parents=True)
        (home / kind / "place").write_bytes(_PLACE.pack(-1, 0.0))
        begun = time.monotonic()
        hangs = _supervise(kind, seed, count, home)
        told[kind] = {
            **_counts(home / kind, count),
            "hung_or_died": hangs,
            "wall_s": round(time.monotonic() - begun, 1),
        }
        print(f"{kind:20} {told[kind]}", flush=True)
    return told


def _supervise(kind: str, seed: int, count: int, home: Path) -> int:
    first = hangs = 0
    while first < count:
        words = [sys.executable, "-m", "torture", "worker", kind, str(seed), str(first), str(count), str(home)]
        with (home / kind / "stderr.txt").open("ab") as said:
            worker = subprocess.Popen(words, stdout=said, stderr=said)
        at, why = _watch(worker, home / kind / "place")
        if not why:
            return hangs
        hangs += 1
        at = max(at, first)
        line = {"kind": kind, "seed": seed, "case": at, "type": why, "message": "", "where": "", "path": []}
        with (home / kind / "failures.jsonl").open("a") as failures:
            failures.write(json.dumps(line) + "\n")
        if hangs > 20:
            print(f"{kind}: given up after {hangs} workers were lost", flush=True)
            return hangs
        first = at + 1
    return hangs


def _watch(worker: subprocess.Popen[bytes], place: Path) -> tuple[int, str]:
    """Wait for the end of a worker; gives the case it was at and why it ended early."""
    ticks = 100.0
    while True:
        try:
            code = worker.wait(0.25)
        except subprocess.TimeoutExpired:
            case, begun = _PLACE.unpack(place.read_bytes())
            try:
                parts = Path(f"/proc/{worker.pid}/stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            used = (int(parts[11]) + int(parts[12])) / ticks
            if case >= 0 and used - begun > LIMIT_S:
                worker.kill()
                worker.wait()
                now, _ = _PLACE.unpack(place.read_bytes())
                return int(now), f"took more than {LIMIT_S:g} s"
            continue
        case, _ = _PLACE.unpack(place.read_bytes())
        return int(case), "" if code == 0 else f"the process ended with {code}"


def _counts(folder: Path, count: int) -> dict[str, Any]:
    lines = [json.loads(line) for line in _lines(folder / "done.jsonl")]
    failures = [json.loads(line) for line in _lines(folder / "failures.jsonl")]
    kinds = collections.Counter(f"{one['type']} at {one['where']}" for one in failures)
    return {
        "cases": count,
        # of workers that were not lost
        "taken": sum(one["taken"] for one in lines),
        "refused": sum(one["refused"] for one in lines),
        "peak_mb": round(max((one["peak_kb"] for one in lines), default=0) / 1e3),
        "failures": len(failures),
        "different": dict(kinds.most_common(12)),
    }


def _lines(path: Path) -> list[str]:
    return path.read_text().splitlines() if path.exists() else []
