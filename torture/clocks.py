"""A wall clock that jumps an hour or a year, back or ahead, while a run or a publication is under way."""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import shutil
import time
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

from torture.kills import FINCH, Tally, begin, ended, faults_of, finch_book, in_child, kept, with_bench

__all__ = ["torture_clocks"]

JUMPS_S = (3600.0, -3600.0, 365.0 * 86_400.0, -365.0 * 86_400.0)


def _jumping(jump_s: float, after: int) -> None:
    """From now on, in this process: the clock on the wall jumps after so many looks at it."""
    looks = 0
    true_time, true_now = time.time, dt.datetime.now

    def offset() -> float:
        nonlocal looks
        looks += 1
        return jump_s if looks > after else 0.0

    class Jumping(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:  # type: ignore[override]
            return true_now(tz) + dt.timedelta(seconds=offset())

    time.time = lambda: true_time() + offset()
    shim = types.SimpleNamespace(**{name: getattr(dt, name) for name in dir(dt)})
    shim.datetime = Jumping
    import brickbook.bench.journal
    import brickbook.commands.import_
    import brickbook.commands.publish

    brickbook.bench.journal.dt = shim  # type: ignore[attr-defined]
    brickbook.commands.import_.dt = shim  # type: ignore[attr-defined]
    brickbook.commands.publish.datetime = Jumping  # type: ignore[attr-defined]
    os.environ.pop("SOURCE_DATE_EPOCH", None)


def _begin(words: list[str], said: Path, jump_s: float, after: int) -> int:
    """As `begin`, with a clock that jumps."""
    from brickbook import cli

    whole: Callable[[list[str]], int] = cli.run

    def with_jump(tokens: list[str]) -> int:
        _jumping(jump_s, after)
        return whole(tokens)

    cli.run = with_jump
    try:
        return begin(words, said)
    finally:
        cli.run = whole


def torture_clocks(home: Path, seed: int, scale: float) -> dict[str, Any]:
    """Runs and publications under jumping clocks."""
    from brickbook.simbench import load_sim_charger, start_bench
    from torture import samples
    from torture.kills import _warm

    _warm()
    rng = random.Random(f"{seed}/clocks")
    said = home / "clock-said.txt"
    wrong: list[str] = []
    runs = published = 0
    template, small = home / "clock-finch", home / "clock-small"
    for path, make in ((template, lambda: finch_book(template)), (small, lambda: samples.small_book(small))):
        shutil.rmtree(path, ignore_errors=True)
        in_child(make)
    root = home / "clock-book"
    for jump_s in JUMPS_S * max(1, round(2 * scale)):
        with start_bench(load_sim_charger(FINCH), seed=runs) as bench:
            shutil.rmtree(root, ignore_errors=True)
            shutil.copytree(template, root)
            with_bench(root, bench)
            words = ["run", FINCH, "--book", str(root), "--yes-simulated", "--plain"]
            said.write_text("")
            code = ended(_begin(words, said, jump_s, rng.randrange(1, 40)))
            runs += 1
            if code != 0:
                wrong.append(f"run, {jump_s:g} s: exit code {code}: {said.read_text()[-300:]}")
            wrong += [f"run, {jump_s:g} s: {fault}" for fault in (*kept(root), *faults_of(root, Tally("")))]
    shutil.rmtree(root, ignore_errors=True)
    shutil.copytree(small, root)
    for number, jump_s in enumerate((0.0, *JUMPS_S * max(1, round(2 * scale)))):
        if number:  # a figure changes, so that there is something to publish
            sheet = root / "chargers" / samples.SLUG / "charger.toml"
            sheet.write_text(sheet.read_text().replace("max_value = 0.1", "max_value = 0.1"))
        said.write_text("")
        words = ["publish", samples.SLUG, "--why", "the clock was wrong", "--book", str(root)]
        code = ended(_begin(words, said, jump_s, rng.randrange(0, 6)))
        published += 1
        if code != 0 or "Traceback" in said.read_text():
            wrong.append(f"publish, {jump_s:g} s: exit code {code}: {said.read_text()[-300:]}")
        wrong += [f"publish, {jump_s:g} s: {fault}" for fault in faults_of(root, Tally(""))]
    told = {"runs": runs, "publications": published, "wrong": len(wrong), "first": wrong[:5]}
    print("clocks", told, flush=True)
    (home / "clocks.json").write_text(json.dumps(told, indent=1))
    return told
