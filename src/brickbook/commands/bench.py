"""`brickbook bench`: look at the bench without switching anything."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter
from rich.table import Table as RichTable
from rich.text import Text

from brickbook.bench import check_bench, read_bench_file
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json

__all__ = ["app"]

app = App(name="bench", help="Look at the bench without switching anything.")


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
