"""How often honest testers are said to disagree, and how surely one who errs is found.

    .venv/bin/python checks/agreement.py [--pool 40] [--groups 400] [--draws 2000] [--jobs 2]

Two parts. In the first, invented testers run the demo's campaign on one invented charger, each with meters of their own
(errors drawn anew within the accuracy table, which is stricter or wider from tester to tester), and each analyses it in
a book of their own; groups of three to six are drawn from this pool and joined as `brickbook agree` does. The pool is
far smaller than the number of groups, so that the share of groups is known only as well as the pool allows. One more
tester has a wall meter that reads some per cent high and is stated as all others.

In the second, figures are drawn as numbers, where there may be thousands of groups, and where scatter known through a
few readings counts for more than in the demo.

"False" is the share of groups in which any honest tester is said to stand apart in any figure: Brickbook promises at
most 5 %. "Found" is the share in which the one who errs is said to in at least one figure, "named" that
in which he is at least one of those of whom it cannot be told which stands apart.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from importlib.resources import files
from multiprocessing import get_context
from pathlib import Path
from unittest.mock import patch

import numpy as np

from brickbook.analysis import analyse_charger, save
from brickbook.book import Book
from brickbook.core.charger import Charger
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.instrument import Instrument
from brickbook.core.readings import figure_of
from brickbook.core.uncertainty import Measured, Source
from brickbook.demo.build import deposit, make_book
from brickbook.demo.campaign import campaign
from brickbook.demo.scenario import CHARGERS
from brickbook.library.testers import Account, Agreement, agree
from brickbook.library.testers_sources import account_of_book
from brickbook.simbench.meters import FloatArray, MeterBench

SLUG = "wren-35"
GAINS = (0.005, 0.01, 0.02)


class HighMeter(MeterBench):
    """A bench whose wall meter reads power high by `gain`, whatever its accuracy table says."""

    gain = 0.0

    def read(self, instrument: str, quantity: str, truth: FloatArray, *rest: object, **more: object) -> FloatArray:
        """As `MeterBench.read`, too high."""
        high = 1.0 + self.gain if quantity == "mains_power_w" else 1.0
        return super().read(instrument, quantity, truth * high, *rest, **more)  # type: ignore[arg-type]


def own_bench(instruments: dict[str, Instrument], number: int, rng: np.random.Generator) -> dict[str, Instrument]:
    """The demo's instruments with serial numbers of their own, better or worse by up to a factor of two."""
    out = {}
    for name, one in instruments.items():
        factor = float(2.0 ** rng.uniform(-1, 1))
        lines = tuple(
            replace(
                line,
                percent_reading=line.percent_reading * factor,
                percent_range=line.percent_range * factor,
                absolute=line.absolute * factor,
            )
            for line in one.accuracy
        )
        out[name] = replace(one, accuracy=lines, serial=f"{name}-{number}")
    return out


def tester(job: tuple[int, float]) -> Account:
    """One tester's campaign, book and account."""
    number, gain = job
    rng = np.random.default_rng((20261125, number))
    with tempfile.TemporaryDirectory() as folder:
        template = Path(folder) / "template"
        list(make_book(template, (), brief=True))
        instruments = own_bench(dict(Book.open(template).instruments), number, rng)
        book = Book.create(
            Path(folder) / "book",
            title=f"Book {number}",
            publisher=f"Tester {number}",
            energy_price_per_kwh=0.3,
            instruments=instruments,
        )
        book.new_charger(SLUG, _charger(number))
        HighMeter.gain = gain
        with patch("brickbook.demo.campaign.MeterBench", HighMeter):
            for raw in campaign(CHARGERS[SLUG], instruments, seed=1000 + number, errors_seed=5000 + number):
                deposit(book, SLUG, raw)
        save(book, SLUG, analyse_charger(book, SLUG))
        return account_of_book(book, SLUG)


def _charger(number: int) -> Charger:
    """The demo's charger, a sample of its own."""
    text = (files("brickbook.demo") / "scenario" / SLUG / "charger.toml").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "one"
        list(make_book(root, (), brief=True))
        path = root / "chargers" / SLUG / "charger.toml"
        path.parent.mkdir(parents=True)
        path.write_text(text, encoding="utf-8")
        charger = Book.open(root).charger(SLUG)
    return replace(charger, sample=replace(charger.sample, serial=f"sample {number}"))


def false_and_found(found: Agreement, bad: str = "") -> tuple[bool, bool, bool]:
    """Whether an honest tester is blamed, whether the bad one is, and whether he is at least among those named."""
    apart = {found.accounts[k].tester for f in found.figures for v in f.apart for k in v.accounts}
    torn = [{found.accounts[k].tester for v in f.torn for k in v.accounts} for f in found.figures]
    false = bool(apart - {bad}) or any(names and bad not in names for names in torn)
    return false, bad in apart, bad in apart or any(bad in names for names in torn)


def of_demo(pool: int, groups: int, jobs: int) -> None:
    start = time.monotonic()
    work = [(number, 0.0) for number in range(pool)]
    work += [(1000 + 100 * int(1000 * gain) + k, gain) for gain in GAINS for k in range(4)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as workers:
        accounts = list(workers.map(tester, work))
    print(f"{len(work)} testers in {time.monotonic() - start:.0f} s; {len(accounts[0].figures)} figures each")
    honest, erring = accounts[:pool], accounts[pool:]
    rng = np.random.default_rng(7)
    print("testers  wall meter high by  groups  false     found      named    figures  tests  |zeta|>=2 seen/expected")
    for n in (3, 4, 6):
        for gain in (0.0, *GAINS):
            count = groups if gain == 0.0 else max(groups // 3, 1)
            false = hit = named = seen = 0
            expected = 0.0
            for _ in range(count):
                chosen = [honest[k] for k in rng.choice(pool, n - (gain > 0), replace=False)]
                bad = ""
                if gain:
                    one = erring[4 * GAINS.index(gain) + int(rng.integers(4))]
                    chosen.append(one)
                    bad = one.tester
                found = agree(chosen)
                wrong, right, among = false_and_found(found, bad)
                false, hit, named = false + wrong, hit + right, named + among
                if not gain:
                    signals = found.signals(2.0)
                    seen, expected = seen + signals[0], expected + signals[1]
            told = f"{100 * hit / count:8.1f} % {100 * named / count:8.1f} %" if gain else f"{'':>21}"
            chance = f"{seen / count:6.2f} / {expected / count:.2f}" if not gain else ""
            print(
                f"{n:7} {100 * gain:18.1f} % {count:7} {100 * false / count:6.2f} % {told}"
                f" {len(found.figures):8} {found.tests:6}  {chance}"
            )


# Numbers alone

BENCHES = {
    # relative standard uncertainties: of a meter's gain (normal, shared by a tester's figures), of scatter; readings
    "bounds rule": (0.003, 0.0005, 10),
    "scatter rules": (0.0005, 0.003, 6),
    "three readings": (0.0005, 0.003, 3),
}


def drawn(
    n: int, figures: int, bench: tuple[float, float, int], gain: float, rng: np.random.Generator
) -> list[Account]:
    """Accounts of testers whose figures are true but for their errors; the first one's meter is off by `gain`."""
    bound, scatter, readings = bench
    dof = readings - 1
    out = []
    for k in range(n):
        better = 2.0 ** rng.uniform(-1, 1)
        error = bound * better * rng.normal() + (gain if k == 0 else 0.0)
        own = scatter * rng.normal(size=figures)
        stated = scatter * np.sqrt(rng.chisquare(dof, figures) / dof)
        out.append(
            Account(
                tester=f"Tester {k}",
                place=f"pack {k}",
                maker="An invented maker",
                model="65",
                name="65",
                serial=str(k),
                obtained="",
                figures=tuple(
                    _figure(j, 1.0 + error + float(own[j]), float(stated[j]), bound * better, dof)
                    for j in range(figures)
                ),
                instruments={"meter": Instrument("other", serial=f"m{k}")},
            )
        )
    return out


def _figure(number: int, value: float, scatter: float, bound: float, dof: int) -> Figure:
    terms = {
        Source("scatter", "A", "normal", float(dof)): scatter,
        Source("meter: mains_power_w 300", "B", "normal"): bound,
    }
    return figure_of(
        Measured(value, terms),
        study="efficiency",
        name="loss_w",
        unit="W",
        conditions=Conditions.of({"harmonic": number}),
        method="drawn",
        sources=(),
    )


def of_numbers(draws: int) -> None:
    print("\ntesters  bench            figures  groups  false     found    named    false, with one meter off by 2 %")
    for n in (3, 4, 6):
        for name, bench in BENCHES.items():
            figures = 20
            rng = np.random.default_rng((n, figures, len(name)))
            count = max(draws // n, 1)
            false = sum(false_and_found(agree(drawn(n, figures, bench, 0.0, rng)))[0] for _ in range(count))
            few = max(count // 4, 1)
            bad = [false_and_found(agree(drawn(n, figures, bench, 0.02, rng)), "Tester 0") for _ in range(few)]
            print(
                f"{n:7}  {name:15} {figures:8} {count:7} {100 * false / count:6.2f} %  "
                f"{100 * sum(b for _, b, _ in bad) / few:6.1f} % {100 * sum(c for *_, c in bad) / few:8.1f} % "
                f"{100 * sum(a for a, *_ in bad) / few:8.1f} %"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pool", type=int, default=40)
    parser.add_argument("--groups", type=int, default=400)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    if given.draws:
        of_numbers(given.draws)
    if given.groups:
        of_demo(given.pool, given.groups, given.jobs)


if __name__ == "__main__":
    main()
