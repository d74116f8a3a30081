"""Whether a charger has a run that has not ended, told quickly for many chargers."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from brickbook.bench import is_alive, read_journal

__all__ = ["RunWord", "latest_run", "run_word"]

RunWord = Literal["", "on the bench", "run waits", "run broken off"]
_ended: dict[Path, tuple[tuple[int, int], RunWord]] = {}


def run_word(folder: Path) -> RunWord:
    """What the last run of a charger's folder is at: under way, to be taken up again, broken off, or over ("")."""
    run = latest_run(folder)
    if run is None:
        return ""
    if is_alive(run):
        return "on the bench"
    try:
        found = os.stat(run / "journal.jsonl")  # noqa: PTH116 - many of them
    except OSError:
        return ""
    stamp = (found.st_mtime_ns, found.st_size)
    known = _ended.get(run)
    if known is None or known[0] != stamp:
        last = next((e for e in reversed(read_journal(run)) if e.event in ("run-ended", "run-started")), None)
        word: RunWord = "run broken off"
        if last is not None and last.event == "run-ended":
            # as the runner sees it: what did not end as done, and was not given up, can be taken up again
            over = last.get("outcome") == "done" or last.get("why") == "given up for a new run"
            word = "" if over else "run waits"
        known = _ended[run] = (stamp, word)
    return known[1]


def latest_run(folder: Path) -> Path | None:
    """Folder of the newest run; `None` where there was none."""
    try:
        names = sorted(os.listdir(folder / "runs"))  # noqa: PTH208 - many of them
    except OSError:
        return None
    for name in reversed(names):
        if (folder / "runs" / name / "journal.jsonl").is_file():
            return folder / "runs" / name
    return None
