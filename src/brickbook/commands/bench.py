"""`brickbook bench`: look at the bench without switching anything, and speak to a run from another terminal."""

from __future__ import annotations

import datetime as dt
import getpass
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter
from rich.table import Table as RichTable
from rich.text import Text

from brickbook.bench import append_control, check_bench, is_alive, read_bench_file, runs, status_of
from brickbook.book import Book
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, wanted
from brickbook.core.errors import BookError, Fault

__all__ = ["app"]

app = App(name="bench", help="Look at the bench, and speak to a run that is under way.")


@app.command
def check(
    charger: Annotated[
        str, Parameter(help="Folder name of the charger whose ports the channels are held against.")
    ] = "",
    /,
    *,
    bench: Annotated[Path | None, Parameter(help="Another bench.toml than the book's.")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Open every instrument, ask who it is, read once; outputs are left as they are.

    Shows what answers, limits in force, calibrations that are due, and channels or roles that do not fit.
    """
    opened = open_book(book)
    other = read_bench_file(bench) if bench is not None else None
    ports = tuple(port.id for port in opened.charger(charger).ports) if charger else ()
    found = check_bench(
        other.instruments if other else opened.instruments,
        other.limits if other else opened.bench_limits,
        folder=bench.resolve().parent if bench is not None else opened.root,
        ports=ports,
        today=dt.datetime.now(dt.UTC).date().isoformat(),
    )
    if json:
        print_json(found.plain())
        return 0 if found.is_good else 1
    table = RichTable("Instrument", "Role", "Answers", "Reads", "Calibration", title="The bench")
    for line in found.instruments:
        table.add_row(
            Text(line.name),
            line.role,
            Text(line.idn or line.problem or "by hand"),
            Text(line.reading),
            line.calibration,
        )
    out = console()
    out.print(table)
    out.print(f"Limits: {found.limits_text}")
    for fault in found.faults:
        out.print(Text(f"! {fault}"))
    out.print("Nothing was switched. This says that the bench answers, not that it is safe.")
    return 0 if found.is_good else 1


@app.command
def status(
    charger: Annotated[str, Parameter(help="Folder name of the charger.")],
    /,
    *,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Where the newest run of a charger stands."""
    found = status_of(_newest(open_book(book), charger))
    if json:
        print_json({**asdict(found), "is_safe": found.is_safe})
        return 0
    out = console()
    where = f", {found.task}, step {found.label}" if found.task else ""
    out.print(Text(f"{found.run_id}: {found.state}{where}{f': {found.outcome}. {found.why}' if found.outcome else ''}"))
    if found.asked is not None:
        out.print(Text(f"It asks ({found.asked.what}): {found.asked.problem} {found.asked.text}"))
    for column, value in found.readings.items():
        out.print(Text(f"  {column} {'-' if value is None else f'{value:.6g}'}"))
    safe = found.safe_off is not None
    last = "all were read back as off" if found.is_safe else "NOT all were read back as off" if safe else "in use"
    out.print(f"Outputs, as far as the journal knows: {last}")
    return 0


@app.command
def tell(
    charger: Annotated[str, Parameter(help="Folder name of the charger.")],
    do: Annotated[
        Literal["pause", "resume", "skip", "repeat", "abort", "confirm", "answer"], Parameter(help="What to say.")
    ],
    value: Annotated[str, Parameter(help="The answer, such as '1.2 mA'.")] = "",
    /,
    *,
    book: BookOption = Path(),
) -> int:
    """Say something to the run of a charger that is under way: what could be typed at its terminal."""
    folder = _newest(open_book(book), charger)
    if not is_alive(folder):
        raise BookError(Fault(folder.name, "", "this run is not under way.", f"Begin with: brickbook run {charger}"))
    asked = status_of(folder).asked
    if do in ("confirm", "answer") and asked is None:
        raise BookError(Fault(folder.name, "", "nothing is asked just now.", "Look at: brickbook bench status"))
    if do == "answer" and not value:
        raise BookError(
            Fault("answer", "", "there is no answer.", "For example: brickbook bench tell NAME answer 52.1")
        )
    append_control(folder, do, key=asked.key if asked is not None else "", value=value, by=getpass.getuser())
    console().print(Text(f"said: {do} {value}".rstrip()))
    return 0


def _newest(book: Book, charger: str) -> Path:
    (slug,) = wanted(book, [charger])
    every = runs(book, slug)
    if not every:
        raise BookError(Fault(f"chargers/{slug}/runs", "", "there is no run.", f"Begin one: brickbook run {slug}"))
    return every[-1]
