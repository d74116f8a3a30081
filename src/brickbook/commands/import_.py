"""`brickbook import`: an instrument's files into a charger's raw folder, with the guessed columns shown first."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from rich.table import Table as RichTable
from rich.text import Text

from brickbook.analysis import Wishes, check_wishes, read_as, shape_for
from brickbook.commands.common import BookOption, console, open_book, parse_pairs, wanted
from brickbook.commands.import_pack import import_pack, is_pack
from brickbook.core.errors import BookError, Fault, ReadError
from brickbook.core.shape import Shape
from brickbook.core.table import Table
from brickbook.readers import Guess
from brickbook.studies import STUDIES

__all__ = ["import_files"]


def import_files(
    charger: Annotated[str, Parameter(help="Folder name of the charger; or a full data pack, PACK.zip, alone.")],
    /,
    *files: Annotated[Path, Parameter(help="The instrument's files.")],
    study: Annotated[
        list[str] | None, Parameter(help="Study the readings are for; may be given several times.")
    ] = None,
    set_: Annotated[list[str] | None, Parameter(name="--set", help="A condition, such as mains_v=230.")] = None,
    column: Annotated[
        list[str] | None,
        Parameter(
            help="Correct a guess: HEADER=COLUMN, e.g. T=port_voltage_v@C1 or P=mains_power_w[mW]; HEADER= for none."
        ),
    ] = None,
    instrument: Annotated[
        list[str] | None, Parameter(help="Which instrument read a quantity: mains_power_w=wall-meter.")
    ] = None,
    range_: Annotated[list[str] | None, Parameter(name="--range", help="Full scale in use: mains_power_w=150.")] = None,
    recording: Annotated[str, Parameter(help="Files with the same word are one recording.")] = "",
    offset_s: Annotated[float, Parameter(help="Added to the file's time [s].")] = 0.0,
    align: Annotated[
        Literal["stated", "load-steps"], Parameter(help="How its clock meets the recording's.")
    ] = "stated",
    reader: Annotated[str, Parameter(help="What kind of file it is.")] = "meter-log",
    taken: Annotated[str, Parameter(help="When the readings began, ISO 8601.")] = "",
    note: Annotated[str, Parameter(help="Anything else.")] = "",
    as_: Annotated[str, Parameter(name="--as", help="Of a data pack: what to call the charger here.")] = "",
    yes: Annotated[bool, Parameter(name=["--yes", "-y"], negative="", help="Take the guess without asking.")] = False,
    book: BookOption = Path(),
) -> int:
    """Take instrument files into a charger's raw folder.

    The files are copied byte for byte and never changed. The columns guessed from the headers are shown for
    confirmation, and kept in the book for the next file of that shape.

    Of a full data pack, `brickbook import PACK.zip`, the charger is rebuilt as it was in the book the pack came from,
    analysed, and its figures are set beside those of the pack. --book may name a folder that is not there yet.
    """
    if is_pack(charger) and not files:
        return import_pack(Path(charger), book, as_)
    if as_:
        raise BookError(Fault("--as", as_, "goes with a data pack only.", "brickbook import PACK.zip --as NAME"))
    opened = open_book(book)
    (slug,) = wanted(opened, [charger])
    if not study:
        raise BookError(Fault("--study", "", "is needed: which study are the readings for?", "E.g. --study efficiency"))
    _check_words(study, reader, files)
    conditions = parse_pairs(set_ or (), "--set")
    ranges = {k: float(v) for k, v in parse_pairs(range_ or (), "--range").items() if _is_number("--range", k, v)}
    stated = {k: str(v) for k, v in parse_pairs(instrument or (), "--instrument").items()}
    wishes = Wishes(reader, _corrections(column or ()), conditions, stated)
    for path in files:
        data = _bytes(path)
        shape, known, guess = shape_for(opened, data, str(path), wishes)
        if guess is not None and shape is not None:
            _show(path, guess, shape)
        elif shape is not None:
            console().print(Text(f"{path.name}: columns as before (shape {shape.id})"))
        seen = read_as(opened, data, str(path), path.name, wishes, shape, known, guess)
        _report(path, seen.tables)
        if seen.unnamed:
            example = f"--instrument {seen.unnamed[0]}=NAME"
            words = ", ".join(seen.unnamed)
            console().print(f"! No instrument is named for {words}: no figures without. Say {example}")
        if not known and not yes and not _agreed():
            console().print(f"{path.name} was not taken in. Correct a column with --column HEADER=COLUMN.")
            return 1
        if shape is not None and not known:
            opened.save_shape(shape)
        entry = opened.import_raw(
            slug,
            data,
            name=path.name,
            studies=study,
            reader=reader,
            shape=shape.id if shape is not None else "",
            recording=recording,
            clock_offset_s=offset_s,
            align=align,
            taken=taken,
            imported=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            conditions=conditions,
            ranges=ranges,
            instruments=seen.instruments,
            note=note,
        )
        console().print(Text(f"taken in: chargers/{slug}/raw/{entry.path}, SHA-256 {entry.sha256}"))
    console().print(f"Next: brickbook analyse {slug}")
    return 0


def _check_words(studies: Sequence[str], reader: str, files: Sequence[Path]) -> None:
    faults = check_wishes(studies, [s.id for s in STUDIES], reader)
    if not files:
        faults.append(Fault("import", "", "no file was named.", "Name at least one after the charger."))
    if faults:
        raise BookError(*faults)


def _is_number(option: str, key: str, value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise BookError(Fault(option, f"{key}={value}", "is not a number.", f"For example {option} {key}=150"))
    return True


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ReadError(Fault(str(path), "", f"cannot be read: {error.strerror}.")) from error


def _corrections(corrections: Sequence[str]) -> tuple[tuple[str, str, str], ...]:
    """Texts like HEADER=COLUMN[UNIT] in their parts."""
    found = []
    for text in corrections:
        header, equals, right = text.rpartition("=")
        if not equals:
            raise BookError(Fault("--column", text, "is not written HEADER=COLUMN.", "HEADER= leaves it unused."))
        column, _, unit = right.partition("[")
        found.append((header, column.strip(), unit.strip().removesuffix("]")))
    return tuple(found)


def _show(path: Path, guess: Guess, shape: Shape) -> None:
    used = {c.header: c.column for c in shape.columns}
    table = RichTable(
        "Header", "Taken for", "Unit", "How sure", "Why", title=f"{path.name}: what its columns seem to be"
    )
    for column in guess.columns:
        taken = column.column if column.column == "time_s" else used.get(column.header, "")
        corrected = taken != column.column
        table.add_row(
            Text(column.header),
            taken or "not used",
            column.unit,
            "stated" if corrected else column.confidence,
            Text("as you said" if corrected else column.reason),
        )
    out = console()
    out.print(table)
    for note in guess.notes:
        out.print(Text(f"  {note}"))


def _report(path: Path, tables: Sequence[Table]) -> None:
    for table in tables:
        dropped = "; ".join(f"{d.count} left out: {d.reason}, first in line {d.first_line}" for d in table.dropped)
        console().print(
            Text(f"{path.name}: {len(table)} rows, {len(table.columns)} columns{'; ' + dropped if dropped else ''}")
        )


def _agreed() -> bool:
    if not sys.stdin.isatty():
        console().print("Nobody is there to confirm the columns: say --yes to take the guess.")
        return False
    return console().input("Are these columns right? [y/N] ").strip().lower() in ("y", "yes")
