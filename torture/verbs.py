"""Damaged files and words through the command line: exit code 0, 1 or 2, and never a traceback."""

from __future__ import annotations

import collections
import json
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from torture.kills import begin, ended, in_child
from torture.mutate import NUMBERS, WORDS, mutated

__all__ = ["torture_verbs"]

COUNT = 400


def torture_verbs(home: Path, seed: int, scale: float) -> dict[str, Any]:
    """Damaged inputs by many verbs, in forked children; every tenth in an interpreter of its own."""
    from torture import samples
    from torture.kills import _warm

    _warm()
    import brickbook.commands.cable
    import brickbook.commands.choose
    import brickbook.commands.limits
    import brickbook.commands.plan
    import brickbook.commands.show
    import brickbook.commands.usbpd  # noqa: F401

    template, root = home / "verbs-template", home / "verbs-book"
    shutil.rmtree(template, ignore_errors=True)
    in_child(lambda: samples.small_book(template))
    pack = home / "verbs-pack.zip"
    in_child(lambda: _pack(template, pack))
    packed = pack.read_bytes()
    logs = samples.meter_logs()
    codes: collections.Counter[str] = collections.Counter()
    wrong: list[str] = []
    for case in range(max(10, round(COUNT * scale))):
        rng = random.Random(f"{seed}/verbs/{case}")
        if case % 8 == 0:
            shutil.rmtree(root, ignore_errors=True)
            shutil.copytree(template, root)
        words = _words(rng, root, home, logs, packed, samples)
        said = home / "verbs-said.txt"
        said.write_bytes(b"")
        if case % 10 == 9:
            code: int | None = _alone(words, said)
        else:
            code = ended(begin(words, said), 60)
        text = said.read_text("utf-8", "replace")
        codes[f"{words[0]} {code}"] += 1
        if code not in (0, 1, 2) or "Traceback" in text:
            wrong.append(f"case {case}: {' '.join(words)[:160]!a}: exit code {code}: {text[-500:]}")
            print(wrong[-1], flush=True)
        _told(home, codes, wrong)
    told = _told(home, codes, wrong)
    print("verbs", told, flush=True)
    return told


def _told(home: Path, codes: collections.Counter[str], wrong: list[str]) -> dict[str, Any]:
    told = {
        "cases": sum(codes.values()),
        "codes": dict(sorted(codes.items())),
        "wrong": len(wrong),
        "first": wrong[:10],
    }
    (home / "verbs.json").write_text(json.dumps(told, indent=1))
    return told


def _pack(template: Path, pack: Path) -> None:
    from brickbook.book import Book
    from brickbook.publish.pack import write_pack
    from torture import samples

    write_pack(Book(template), samples.SLUG, target=pack)


def _alone(words: list[str], said: Path) -> int:
    code = "from brickbook.cli import main; main()"
    with said.open("wb") as out:
        try:
            # a word with a NUL cannot be given to a process at all
            safe = [word.replace("\0", "") for word in words]
            return subprocess.run(
                [sys.executable, "-c", code, *safe],
                stdout=out,
                stderr=out,
                stdin=subprocess.DEVNULL,
                timeout=120,
                check=False,
            ).returncode
        except subprocess.TimeoutExpired:
            return 99


def _words(
    rng: random.Random, root: Path, home: Path, logs: dict[str, bytes], packed: bytes, samples: Any
) -> list[str]:
    at = ["--book", str(root)]

    def number() -> str:
        return (
            rng.choice(NUMBERS[:40]).decode("utf-8", "replace")
            if rng.random() < 0.5
            else str(rng.choice((65, 20, 3.25, 0.1)))
        )

    def word() -> str:
        return rng.choice(WORDS).decode("utf-8", "surrogateescape")

    def spoilt_import() -> list[str]:
        path = home / f"spoilt-{rng.randrange(3)}.csv"
        path.write_bytes(mutated(rng.choice(list(logs.values())), rng, list(logs.values())))
        return ["import", samples.SLUG, str(path), "--study", "standby", "--set", f"mains_v={number()}", "--yes", *at]

    def spoilt_sheet() -> list[str]:
        path = home / "spoilt-hand.csv"
        path.write_bytes(mutated(samples.HAND_SHEET, rng))
        return ["import", samples.SLUG, str(path), "--reader", "hand-sheet", "--study", "identity", "--yes", *at]

    def spoilt_pack() -> list[str]:
        path = home / "spoilt.zip"
        path.write_bytes(mutated(packed, rng))
        return ["import", str(path), "--as", "other-1", *at]

    def spoilt_book() -> list[str]:
        names = ("book.toml", "bench.toml", "shapes.toml", "house-rules.toml", f"chargers/{samples.SLUG}/charger.toml")
        name = rng.choice((*names, f"chargers/{samples.SLUG}/raw/index.toml", f"derived/{samples.SLUG}/result.json"))
        path = root / name
        if path.exists():
            path.write_bytes(mutated(path.read_bytes(), rng))
        verb = rng.choice(
            (
                ["analyse"],
                ["show", samples.SLUG],
                ["show", samples.SLUG, "--json"],
                ["plan", samples.SLUG],
                ["publish", "--draft"],
            )
        )
        return [*verb, *at]

    def spoilt_words() -> list[str]:
        return [
            "usbpd",
            *[rng.choice((word(), number(), "0x0801912C", "0002d12c")) for _ in range(rng.randrange(1, 6))],
            "--json",
        ]

    def spoilt_numbers() -> list[str]:
        return rng.choice((
            ["limits", "--output-w", number(), "--output-v", number(), "--json"],
            ["cable", "--source-v", number(), "--current-a", number(), "--resistance-ohm", number(), "--json"],
            ["cable", "--source-v", number(), "--power-w", number(), "--resistance-ohm", number()],
            ["show", word().replace("\0", ""), *at],
            ["choose", word().replace("\0", ""), *at],
            ["compare", word().replace("\0", ""), *at],
            ["new", "charger", word().replace("\0", ""), *at],
        ))  # fmt: skip

    made: Callable[[], list[str]] = rng.choice(
        (
            spoilt_import,
            spoilt_import,
            spoilt_sheet,
            spoilt_pack,
            spoilt_book,
            spoilt_book,
            spoilt_words,
            spoilt_numbers,
        )
    )
    return made()
