"""`brickbook run`: do a charger's plan on the bench."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from rich.text import Text

from brickbook.bench import RunChoices, read_bench_file, run_plan, screen_for
from brickbook.commands.common import BookOption, console, open_book, wanted

__all__ = ["run"]

_CODES = {"done": 0, "paused": 0}


def run(
    charger: Annotated[str, Parameter(help="Folder name of the charger.")],
    /,
    *,
    task: Annotated[list[str] | None, Parameter(help="Only this task; may be given several times.")] = None,
    only_missing: Annotated[
        bool, Parameter(negative="", help="Leave out tasks whose raw file is in the book already.")
    ] = False,
    resume: Annotated[bool, Parameter(negative="", help="Take up the run that did not end.")] = False,
    restart: Annotated[bool, Parameter(negative="", help="Give that run up and begin anew.")] = False,
    yes_simulated: Annotated[
        bool, Parameter(negative="", help="Confirm every caution; refused unless the whole bench is simulated.")
    ] = False,
    bench: Annotated[Path | None, Parameter(help="Another bench.toml than the book's.")] = None,
    plain: Annotated[bool, Parameter(negative="", help="Plain lines, as in a pipe.")] = False,
    book: BookOption = Path(),
) -> int:
    """Do a charger's plan on the bench, every reading on the disk before the next.

    At a terminal type pause, resume, skip, repeat or abort at any time. Ctrl-C ends the run; whatever happens, loads
    and source are switched off and read back. A run that did not end is put safe first and taken up with --resume.
    """
    opened = open_book(book)
    (slug,) = wanted(opened, [charger])
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    what: Literal["resume", "restart", ""] = "restart" if restart else "resume" if resume else ""
    choices = RunChoices(tuple(task or ()), only_missing, what, yes_simulated, terminal)
    other = read_bench_file(bench) if bench is not None else None
    for name, instrument in other.instruments.items() if other else ():
        if instrument.accuracy and name not in opened.instruments:
            told = (
                f"! {name} is not in the book's bench.toml: without its accuracy there, its readings make no figures."
            )
            console().print(Text(told))
    with screen_for(plain=plain or not sys.stdout.isatty()) as show:
        outcome, folder = run_plan(
            opened,
            slug,
            choices,
            instruments=other.instruments if other else None,
            limits=other.limits if other else None,
            bench_folder=bench.resolve().parent if bench is not None else None,
            show=show,
        )
    out = console()
    out.print(f"The run ended: {outcome}. Its journal: {folder.relative_to(opened.root)}/journal.jsonl")
    if outcome == "done":
        out.print(f"Next: brickbook analyse {slug}")
    else:
        out.print(f"Take it up with: brickbook run {slug} --resume")
    return _CODES.get(outcome, 1)
