"""Before a file is taken in: what its columns seem to be, what would be read, and where the loads stand still."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from brickbook.book import Book
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import AnalysisError, Fault, ReadError
from brickbook.core.instrument import Instrument
from brickbook.core.quantities import quantity_of
from brickbook.core.shape import Shape
from brickbook.core.table import RawFile, Recording, Table
from brickbook.plateaus import BENCH, Plateau, find_plateaus
from brickbook.readers import READERS, Guess, guess_shape, matching_shape

__all__ = [
    "Intake",
    "Wishes",
    "check_wishes",
    "likely_instruments",
    "look_at",
    "plateaus_in",
    "read_as",
    "shape_for",
    "unnamed_quantities",
]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the tester says of a file.

    Parameters
    ----------
    reader
        Kind of file.
    columns
        Corrections of the guess: (header, column, unit) each; column "" leaves it unused.
    conditions
        Under what it was taken.
    instruments
        Quantity to the instrument that read it, beyond what is likely.
    """

    reader: str = "meter-log"
    columns: tuple[tuple[str, str, str], ...] = ()
    conditions: Mapping[str, Scalar] = field(default_factory=dict)
    instruments: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Intake:
    """A file as it would be taken in.

    Parameters
    ----------
    shape
        How its columns are understood; `None` for a reader that needs none.
    known
        Whether the book knew the shape, so that nothing is left to confirm.
    guess
        The guess with its reasons; `None` where the shape was known or none is needed.
    tables
        What it reads as.
    instruments
        Quantity to instrument: what was likely, and what was said.
    unnamed
        Quantities whose instrument nobody named: they make no figures.
    """

    shape: Shape | None
    known: bool
    guess: Guess | None
    tables: tuple[Table, ...]
    instruments: Mapping[str, str]
    unnamed: tuple[str, ...]


def check_wishes(studies: Sequence[str], known_studies: Sequence[str], reader: str) -> list[Fault]:
    """Faults of studies and reader: names that are not known."""
    faults = [
        Fault("--study", s, "is not a study.", f"The studies are {', '.join(known_studies)}.")
        for s in studies
        if s not in known_studies
    ]
    if reader not in READERS:
        faults.append(Fault("--reader", reader, "is not a reader.", f"The readers are {', '.join(sorted(READERS))}."))
    return faults


def look_at(book: Book, data: bytes, name: str, file: str, wishes: Wishes) -> Intake:
    """Read a file as it would be taken in; nothing is written.

    Parameters
    ----------
    book
        For shapes and instruments.
    data
        The file's bytes.
    name
        For messages.
    file
        Name it would have in raw/.
    wishes
        What the tester says of it.

    Raises
    ------
    ReadError
        When no table can be seen in it, or a correction does not fit.
    """
    return read_as(book, data, name, file, wishes, *shape_for(book, data, name, wishes))


def shape_for(book: Book, data: bytes, name: str, wishes: Wishes) -> tuple[Shape | None, bool, Guess | None]:
    """The shape of a log, whether the book knew it, and the guess where it did not; no shape where none is needed.

    Raises
    ------
    ReadError
        As `look_at`.
    """
    if wishes.reader != "meter-log":
        return None, True, None
    if not wishes.columns:
        known = matching_shape(data, tuple(book.shapes.values()), name=name)
        if known is not None:
            return known, True, None
    guess = guess_shape(data, name)
    return _corrected(guess.shape, wishes.columns, name), False, guess


def read_as(
    book: Book,
    data: bytes,
    name: str,
    file: str,
    wishes: Wishes,
    shape: Shape | None,
    known: bool,
    guess: Guess | None,
) -> Intake:
    """Read a file by a shape that was found, see `look_at`."""
    instruments = {**likely_instruments(book.instruments, shape), **wishes.instruments}
    tables = READERS[wishes.reader](
        data,
        name=name,
        raw=RawFile(file, ""),
        shape=shape,
        conditions=Conditions.of(wishes.conditions),
        instruments=instruments,
    )
    return Intake(shape, known, guess, tables, instruments, unnamed_quantities(tables))


def plateaus_in(tables: Sequence[Table], name: str) -> tuple[Plateau, ...]:
    """Steady stays of a file's loads by the short bench rule; none where it has no load currents with times.

    They show where the readings stand still. A study judges them again by the rule of its own procedure.
    """
    recording = Recording(name, (), tuple(tables), tables[0].conditions if tables else Conditions())
    if not recording.channels("port_current_a"):
        return ()
    try:
        return find_plateaus(recording, BENCH)
    except AnalysisError:
        return ()


# What these record comes in files of other kinds.
_OTHER_FILES = ("oscilloscope", "message-recorder", "pd-sink")


def likely_instruments(instruments: Mapping[str, Instrument], shape: Shape | None) -> dict[str, str]:
    """The instrument of each quantity of a meter log, where only one meter of bench.toml states an accuracy for it."""
    found: dict[str, str] = {}
    for column in shape.columns if shape is not None else ():
        quantity = quantity_of(column.column)
        able = [
            name
            for name, instrument in instruments.items()
            if instrument.role not in _OTHER_FILES and any(line.quantity == quantity for line in instrument.accuracy)
        ]
        if len(able) == 1 and not column.instrument:
            found[quantity] = able[0]
    return found


def unnamed_quantities(tables: Sequence[Table]) -> tuple[str, ...]:
    """Quantities whose instrument nobody named: without it they make no figures."""
    return tuple(
        sorted(
            {
                quantity_of(column)
                for table in tables
                for column in table.columns
                if column != "time_s" and not (column in table.origins and table.origins[column].instrument)
            }
        )
    )


def _corrected(shape: Shape, corrections: Sequence[tuple[str, str, str]], file: str) -> Shape:
    faults: list[Fault] = []
    for header, _, _ in corrections:  # all are let go first, so that two may change places
        if header in shape.headers and any(c.header == header and c.column for c in shape.columns):
            shape = shape.with_column(header, "")
    for header, column, unit in corrections:
        said = f"{header}={column}{f'[{unit}]' if unit else ''}"
        if header not in shape.headers:
            listed = ", ".join(repr(h) for h in shape.headers)
            problem = "does not begin with a header of the file."
            faults.append(Fault(file, f"--column {said}", problem, f"They are {listed}."))
            continue
        try:
            shape = shape.with_column(header, column, unit=unit)
        except ValueError as error:
            faults.append(Fault(file, f"--column {said}", f"{error}.", "Quantities stand in docs/reference."))
    if faults:
        raise ReadError(*faults)
    return shape
