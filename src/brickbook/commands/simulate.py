"""`brickbook simulate`: a charger with physics behind instruments on loopback sockets, until it is interrupted."""

from __future__ import annotations

import signal
import threading
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from types import FrameType
from typing import Annotated

from annotated_types import Ge, Gt
from cyclopts import Parameter

from brickbook.book import Book
from brickbook.commands.common import console
from brickbook.core.errors import BookError, Fault
from brickbook.core.instrument import Instrument
from brickbook.simbench import (
    SimCharger,
    Surroundings,
    bench_text,
    bundled_chargers,
    load_sim_charger,
    parse_fault,
    read_faults,
    sim_charger_for,
    start_bench,
    write_truth,
)

__all__ = ["simulate"]

_BENCH = "bench-simulated.toml"


def simulate(
    charger: Annotated[str, Parameter(help="A charger of the book, or one that comes with the program.")] = "",
    *,
    model: Annotated[Path | None, Parameter(help="A TOML file with a charger's physics, instead.")] = None,
    book: Annotated[Path | None, Parameter(name=["--book", "-b"], help="Folder of a book.")] = None,
    speed: Annotated[
        float | None,
        Parameter(help="Bench seconds for each second. Without it, time moves only when somebody waits or measures."),
        Gt(0),
    ] = None,
    port_base: Annotated[int, Parameter(help="First TCP port; 0 takes free ones.")] = 0,
    fixture_ohm: Annotated[float, Parameter(help="Between receptacle and where the load senses."), Ge(0)] = 0.0,
    seed: Annotated[int, Parameter(help="Of the instruments' errors.")] = 0,
    bench_out: Annotated[Path | None, Parameter(help=f"Bench file to write; {_BENCH} in the book or here.")] = None,
    truth: Annotated[
        Path | None, Parameter(help="File for all true parameters (JSON); keep it out of the book.")
    ] = None,
    trace: Annotated[Path | None, Parameter(help="File for the true course of everything (CSV).")] = None,
    fault: Annotated[
        tuple[str, ...], Parameter(help='Something that goes wrong: "wall-meter mute at_s=60 for_s=5".')
    ] = (),
    faults: Annotated[Path | None, Parameter(help="TOML file with [[fault]] tables.")] = None,
) -> int:
    """Start a bench in software: instruments that answer on this machine, and a charger that behaves like one.

    It ends with Ctrl-C.
    """
    opened = Book.open(book) if book is not None else None
    chosen = _charger(charger, model, opened)
    troubles = [*(read_faults(faults) if faults is not None else ()), *(parse_fault(text) for text in fault)]
    described: Mapping[str, Instrument] | None = opened.instruments if opened is not None else None
    out = bench_out or (book or Path()) / _BENCH
    _outside(book, truth, trace)
    stop = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        bench = start_bench(
            chosen,
            described or None,
            seed=seed,
            speed=speed,
            port_base=port_base,
            surroundings=Surroundings(fixture_ohm=fixture_ohm),
            faults=troubles,
            trace=trace,
        )
    except OSError as error:
        problem = f"a port from {port_base} on cannot be used ({error})."
        raise BookError(Fault("--port-base", str(port_base), problem, "Choose another, or 0.")) from error
    try:
        with bench:
            limits = asdict(opened.bench_limits) if opened is not None else None
            out.write_text(bench_text(bench.instruments, limits), encoding="utf-8")
            if truth is not None:
                write_truth(bench.truth(), truth)
            say = console().print
            say(f"{chosen.name} on a bench in software; everything about it is invented.")
            for name, instrument in bench.instruments.items():
                if instrument.address:
                    say(f"  {name:<20} {instrument.role:<20} {instrument.address}")
            pace = "moves when somebody waits or measures" if speed is None else f"runs {speed:g} times as fast as life"
            say(f"Time {pace}. The bench file is {out}. End with Ctrl-C.")
            while not stop.wait(0.2):
                pass
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    console().print("The bench in software has ended.")
    return 0


def _outside(book: Path | None, *files: Path | None) -> None:
    """The truth must not be where the analysis reads."""
    for file in files:
        if book is not None and file is not None and file.resolve().is_relative_to(book.resolve()):
            raise BookError(
                Fault(str(file), "", "lies in the book.", "Write the truth where the analysis never looks.")
            )


def _charger(name: str, model: Path | None, book: Book | None) -> SimCharger:
    if model is not None:
        return load_sim_charger(model)
    if book is not None and name in book.chargers():
        from brickbook.demo import CHARGERS, example_title  # noqa: PLC0415 (half a second that only a book needs)
        from brickbook.demo.simulated import simulated  # noqa: PLC0415

        claimed = book.charger(name)
        if name in CHARGERS and book.title == example_title():
            return simulated(name, claimed)
        console().print("Of this charger only the claims are known: its physics is assumed from its nameplate.")
        return sim_charger_for(claimed, slug=name)
    if name in bundled_chargers():
        return load_sim_charger(name)
    known = [*bundled_chargers(), *(book.chargers() if book is not None else ())]
    problem = "is no charger here." if name else "name a charger, or give --model."
    raise BookError(Fault("simulate", name, problem, f"There are {', '.join(known)}."))
