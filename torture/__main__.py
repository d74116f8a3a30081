"""`python -m torture`: all of it; `python -m torture PART` for one part; results go to torture-results/ or --out."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main() -> int:
    """Run what the command line names."""
    if sys.argv[1:2] == ["worker"]:
        from torture.inputs import work

        kind, seed, first, last, home = sys.argv[2:7]
        work(kind, int(seed), int(first), int(last), Path(home))
        return 0
    parser = argparse.ArgumentParser(prog="python -m torture")
    parser.add_argument("part", nargs="?", default="all")
    parser.add_argument("--kind", action="append", help="inputs: only this kind; an end * stands for any")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", type=int, help="inputs: this case again, with its traceback")
    parser.add_argument("--scale", type=float, default=1.0, help="inputs: how many cases, as a part of the whole")
    parser.add_argument("--minutes", type=float, default=60.0, help="soak: how long")
    parser.add_argument("--speed", type=float, default=5.0, help="soak: bench seconds for each second")
    parser.add_argument("--out", type=Path, default=Path("torture-results"))
    chosen = parser.parse_args()
    home = chosen.out.resolve()
    home.mkdir(parents=True, exist_ok=True)
    if chosen.part in ("inputs", "all"):
        from torture.inputs import repeat, torture_inputs
        from torture.targets import TARGETS

        kinds = [k for k in TARGETS if not chosen.kind or any(_fits(k, one) for one in chosen.kind)]
        if chosen.case is not None:
            repeat(kinds[0], chosen.seed, chosen.case, home)
            return 0
        told = torture_inputs(kinds, chosen.seed, chosen.scale, home)
        (home / "inputs.json").write_text(json.dumps(told, indent=1))
        print(sum(one["cases"] for one in told.values()), "cases")
    if chosen.part in ("kills", "all"):
        from torture.kills import torture_kills

        torture_kills(home, chosen.seed, chosen.scale, chosen.kind or ())
    if chosen.part in ("verbs", "all"):
        from torture.verbs import torture_verbs

        torture_verbs(home, chosen.seed, chosen.scale)
    if chosen.part in ("sockets", "all"):
        from torture.web import raw_requests

        told = raw_requests(home, chosen.seed, max(50, round(3000 * chosen.scale)))
        print(told)
        (home / "sockets.json").write_text(json.dumps(told, indent=1))
    if chosen.part in ("disk", "all"):
        from torture.disk import torture_disk

        (home / "disk.json").write_text(json.dumps(torture_disk(home, chosen.seed, chosen.scale), indent=1))
    if chosen.part in ("clocks", "all"):
        from torture.clocks import torture_clocks

        torture_clocks(home, chosen.seed, chosen.scale)
    if chosen.part in ("soak", "all"):
        from torture.soak import torture_soak

        torture_soak(home, chosen.minutes, chosen.speed)
    return 0


def _fits(kind: str, wanted: str) -> bool:
    return kind.startswith(wanted[:-1]) if wanted.endswith("*") else kind == wanted


if __name__ == "__main__":
    sys.exit(main())
