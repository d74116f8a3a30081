"""A full disk, and one that cannot be written: on a small memory disk of its own (needs the right to mount)."""

from __future__ import annotations

import random
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from torture.kills import FINCH, Tally, begin, ended, faults_of, finch_book, in_child, kept, tree, with_bench

__all__ = ["torture_disk"]

_SIZE_KB = 3000


def torture_disk(home: Path, seed: int, scale: float) -> dict[str, Any]:
    """Each verb with so little room left that it must fail somewhere, then with room again; and read-only."""
    from torture import samples
    from torture.kills import _warm

    _warm()
    disk = home / "disk"
    disk.mkdir(parents=True, exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={_SIZE_KB}k", "torture", str(disk)], check=True)
    rng = random.Random(f"{seed}/disk")
    told: dict[str, Any] = {}
    try:
        template, bench_template = home / "disk-template", home / "disk-finch"
        for path, make in (
            (template, lambda: samples.small_book(template, analysed=False)),
            (bench_template, lambda: finch_book(bench_template)),
        ):
            shutil.rmtree(path, ignore_errors=True)
            in_child(make)
        log = home / "disk-more.csv"
        log.write_bytes(samples.standby_log(300).replace(b"0.05", b"0.06"))
        root = disk / "book"
        at = ["--book", str(root)]
        stated = [
            "--study",
            "standby",
            "--set",
            "mains_v=230",
            "--set",
            "mains_hz=50",
            "--set",
            "situation=cable",
            "--yes",
        ]
        verbs = {
            "import": ["import", samples.SLUG, str(log), *stated, *at],
            "analyse": ["analyse", samples.SLUG, *at],
            "publish": ["publish", samples.SLUG, *at],
            "pack": ["pack", samples.SLUG, *at],
        }
        for name, words in verbs.items():
            tally, refused, clear = Tally(name), 0, 0
            for _ in range(max(2, round(25 * scale))):
                shutil.rmtree(root, ignore_errors=True)
                shutil.copytree(template, root)
                before = tree(root)
                filler = _fill(disk, rng.choice((0, 4, 12, 30, 60, 120)))
                code, said = _done(words, home)
                refused += code == 1
                clear += "full" in said or "space" in said
                tally.wrong += list(_judged(code, said, root, tally))
                lost = [p for p, digest in before.items() if tree(root).get(p) != digest and p.endswith(".csv")]
                tally.wrong += [f"{p} is changed or gone" for p in lost]
                filler.unlink()
                code, said = _done(words, home)
                tally.again += 1
                if code != 0 and not (name == "import" and "already" in said):
                    tally.wrong.append(f"with room again: exit code {code}: {said[-300:]}")
                tally.wrong += [f"with room again: {fault}" for fault in faults_of(root, Tally(""))]
            told[f"full, {name}"] = {
                "tried": tally.again, "refused": refused, "said so": clear, "wrong": len(tally.wrong),
                "first": tally.wrong[:4],
            }  # fmt: skip
            print(name, told[f"full, {name}"], flush=True)
        told["full, run"] = _run(home, disk, root, bench_template, rng, max(2, round(15 * scale)))
        print("run", told["full, run"], flush=True)
        shutil.rmtree(root, ignore_errors=True)
        shutil.copytree(template, root)
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        wrong: list[str] = []
        for name, words in {
            **verbs,
            "plan": ["plan", samples.SLUG, *at],
            "new": ["new", "charger", "x-1", *at],
        }.items():
            code, said = _done(words, home)
            if code != 1 or "Traceback" in said or "read-only" not in said:
                wrong.append(f"{name}: exit code {code}: {said[-300:]}")
        told["read-only"] = {"verbs": 6, "wrong": len(wrong), "first": wrong[:6]}
        print("read-only", told["read-only"], flush=True)
    finally:
        subprocess.run(["umount", str(disk)], check=False)
    return told


def _fill(disk: Path, left_kb: int) -> Path:
    free = shutil.disk_usage(disk).free
    filler = disk / "filler"
    filler.write_bytes(bytes(max(0, free - left_kb * 1024)))
    return filler


def _done(words: Sequence[str], home: Path) -> tuple[int | None, str]:
    said = home / "disk-said.txt"
    said.write_text("")
    return ended(begin(words, said), 120), said.read_text("utf-8", "replace")


def _judged(code: int | None, said: str, root: Path, tally: Tally) -> Iterator[str]:
    if code not in (0, 1):
        yield f"exit code {code}: {said[-300:]}"
    if "Traceback" in said:
        yield f"a traceback: {said[-400:]}"
    if code == 1 and "error: " not in said:
        yield f"no error is told: {said[-300:]}"
    yield from faults_of(root, tally)


def _run(home: Path, disk: Path, root: Path, template: Path, rng: random.Random, count: int) -> dict[str, Any]:
    """A run whose disk becomes full: it ends, the bench is off, nothing is lost, and it is taken up with room again."""
    from brickbook.simbench import load_sim_charger, start_bench

    wrong: list[str] = []
    refused = 0
    for number in range(count):
        with start_bench(load_sim_charger(FINCH), seed=number) as bench:
            shutil.rmtree(root, ignore_errors=True)
            shutil.copytree(template, root)
            with_bench(root, bench)
            filler = _fill(disk, rng.choice((4, 8, 12, 16, 20, 30)))
            words = ["run", FINCH, "--book", str(root), "--yes-simulated", "--plain"]
            code, said = _done(words, home)
            refused += code == 1
            if "Traceback" in said or code not in (0, 1):
                wrong.append(f"exit code {code}: {said[-500:]}")
            if not bench.do(lambda w: not w.mains_on and not any(p.load_on and p.set_a for p in w.ports.values())):
                wrong.append("the bench is not off")
            filler.unlink()
            begun = any((root / "chargers" / FINCH / "runs").glob("*/journal.jsonl"))
            if code != 0:
                code, said = _done([*words, *(["--resume"] if begun else [])], home)
                if code != 0:
                    wrong.append(f"with room again: exit code {code}: {said[-400:]}")
            wrong += list(kept(root))
    return {"tried": count, "refused": refused, "wrong": len(wrong), "first": wrong[:4]}
