"""How a family of meter logs maps to columns: found once by a guess, confirmed by a person, kept in shapes.toml.

A shape says nothing that changes from file to file of one meter: not how long the preamble is, not how many rows
follow. The next file with the same delimiter and headers is read by the same shape.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from annotated_types import Gt, MaxLen, MinLen

from brickbook.core.quantities import QUANTITIES, channel_of, quantity_of

__all__ = ["Shape", "ShapeColumn", "ShapeTime", "fingerprint", "normalise_header"]

Text = Annotated[str, MinLen(1)]
Encoding = Literal["utf-8", "utf-16-le", "utf-16-be", "cp1252"]
_OFFSET = re.compile(r"[+-](?:0\d|1[0-4]):[0-5]\d")


@dataclass(frozen=True, slots=True)
class ShapeColumn:
    """One column of the file (wide), or one series of rows (long), and what it is.

    Parameters
    ----------
    header
        Header as it stands in the file; in a long file the word in the quantity column.
    column
        Column of the `Table`, e.g. "mains_power_w" or "port_voltage_v@C1". A port quantity without "@" takes the port
        from the file's conditions. Empty: known, and not used.
    unit
        Unit of the readings as pint reads it ("mW", "degC", "%"). Empty: what the file's unit row or unit column says,
        or no unit at all where it has neither.
    instrument
        Name in bench.toml, unless the index says otherwise.
    channel
        Long files only: the word in the channel column.
    """

    header: Text
    column: str = ""
    unit: str = ""
    instrument: str = ""
    channel: str = ""

    def __post_init__(self) -> None:
        if not self.column:
            return
        quantity = QUANTITIES.get(quantity_of(self.column))
        if quantity is None or quantity.name == "time_s":
            raise ValueError(f"{self.column!r} is not a quantity a column may hold")
        if channel_of(self.column) and not quantity.channel:
            raise ValueError(f"{quantity.name} has no channel, so nothing may follow @ in {self.column!r}")


@dataclass(frozen=True, slots=True)
class ShapeTime:
    """Where the time of a row comes from.

    Parameters
    ----------
    kind
        "date-time" (one column, or a date and a time of day), "epoch" (since 1970-01-01 UTC), "elapsed" (a number in
        `unit`), "clock" (hh:mm:ss since the start) or "interval" (no time in the file: `interval_s` apart).
    headers
        One header, or two for date and time of day; none for "interval".
    unit
        Of "epoch" and "elapsed".
    order
        Of the parts of a date.
    utc_offset
        Zone of a "date-time" that states none, as "+02:00". Empty: unknown.
    interval_s
        Time from row to row [s].
    """

    kind: Literal["date-time", "epoch", "elapsed", "clock", "interval"]
    headers: Annotated[tuple[str, ...], MaxLen(2)] = ()
    unit: str = "s"
    order: Literal["ymd", "dmy", "mdy"] = "ymd"
    utc_offset: str = ""
    interval_s: Annotated[float, Gt(0)] | None = None

    def __post_init__(self) -> None:
        if (self.kind == "interval") != (self.interval_s is not None):
            raise ValueError('interval_s goes with kind = "interval", and "interval" needs it')
        most = {"interval": 0, "date-time": 2}.get(self.kind, 1)
        if not min(most, 1) <= len(self.headers) <= most:
            raise ValueError(f"time of kind {self.kind!r} cannot come from {len(self.headers)} headers")
        if self.utc_offset and not _OFFSET.fullmatch(self.utc_offset):
            raise ValueError(f'utc_offset {self.utc_offset!r} is not like "+02:00"')


@dataclass(frozen=True, slots=True)
class Shape:
    """Everything needed to read a log strictly, without sniffing.

    Parameters
    ----------
    id
        Name in shapes.toml; a guess uses the fingerprint.
    delimiter
        "," ";" tab "|" or " " (one or more blanks).
    headers
        All headers of the file, in order, as they stand; without a header row "column 1", "column 2" ...
    columns
        What the columns (wide) or series (long) are. A wide column not named here is not used.
    time
        Where the time comes from.
    layout
        "wide": a column for each quantity. "long": a row for each reading.
    decimal, thousands
        Decimal mark; mark between thousands, "" when there is none. Where there is one, every number of a column has
        it or none has.
    encoding
        How bytes become text.
    header_row, unit_row
        Whether the headers stand in the file, and whether a row of units follows them.
    comment
        Lines that begin with this are left out, counted.
    footer
        From the first line that begins with this on, lines are left out, counted.
    missing
        This meter's own words for "no reading", beside the usual ones.
    instrument
        Name in bench.toml for columns that name none.
    quantity_header, channel_header, value_header, unit_header
        Long files only; channel and unit may be "".
    note
        Words for people.
    """

    id: Text
    delimiter: Literal[",", ";", "\t", "|", " "]
    headers: Annotated[tuple[str, ...], MinLen(1)]
    columns: tuple[ShapeColumn, ...]
    time: ShapeTime
    layout: Literal["wide", "long"] = "wide"
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ",", ".", " ", "'"] = ""
    encoding: Encoding = "utf-8"
    header_row: bool = True
    unit_row: bool = False
    comment: str = ""
    footer: str = ""
    missing: tuple[str, ...] = ()
    instrument: str = ""
    quantity_header: str = ""
    channel_header: str = ""
    value_header: str = ""
    unit_header: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if self.decimal in (self.delimiter, self.thousands):
            raise ValueError(f"{self.decimal!r} cannot be the decimal mark and something else as well")
        if self.thousands and self.thousands == self.delimiter:
            raise ValueError(f"{self.thousands!r} cannot be the delimiter and stand between thousands as well")
        if self.unit_row and not self.header_row:
            raise ValueError("a unit row needs a header row above it")
        used = [column.column for column in self.columns if column.column]
        twice = sorted({name for name in used if used.count(name) > 1})
        if twice:
            raise ValueError(f"column {twice[0]} is named twice")
        named = [*self.time.headers, *self._named_headers()]
        known = {normalise_header(header) for header in self.headers}
        lost = [header for header in named if normalise_header(header) not in known]
        if lost:
            raise ValueError(f"header {lost[0]!r} is not among the headers {', '.join(map(repr, self.headers))}")

    def _named_headers(self) -> list[str]:
        """Headers this shape reads, time apart."""
        long = [self.quantity_header, self.channel_header, self.value_header, self.unit_header]
        if self.layout == "wide":
            if any(long):
                raise ValueError('quantity_header and the like go with layout = "long"')
            return [column.header for column in self.columns]
        if not self.quantity_header or not self.value_header:
            raise ValueError('layout = "long" needs quantity_header and value_header')
        return [header for header in long if header]

    @property
    def fingerprint(self) -> str:
        """Identity of the family: of the delimiter and the headers, nothing else."""
        return fingerprint(self.delimiter, self.headers, header_row=self.header_row)

    def with_column(self, header: str, column: str, *, unit: str | None = None, channel: str = "") -> Shape:
        """The same shape with one header mapped anew; `column` "" leaves it unused.

        Raises
        ------
        ValueError
            When the header is not among the headers, or the column is none or taken.
        """
        same = (normalise_header(header), normalise_header(channel))
        kept = list(self.columns)
        for k, old in enumerate(kept):
            if (normalise_header(old.header), normalise_header(old.channel)) == same:
                kept[k] = replace(old, column=column, unit=old.unit if unit is None else unit)
                break
        else:
            kept.append(ShapeColumn(header, column, unit or "", channel=channel))
        return replace(self, columns=tuple(kept))


def normalise_header(text: str) -> str:
    """A header as compared: one form of each character, no case, single blanks, no quotes around it."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().strip().strip("\"'").split())


def fingerprint(delimiter: str, headers: Sequence[str], *, header_row: bool = True) -> str:
    """Short id of a delimiter and headers, e.g. "m1f3a9c"."""
    words = [normalise_header(header) for header in headers] if header_row else [f"no header, {len(headers)}"]
    return "m" + hashlib.sha256("\x1f".join([delimiter, *words]).encode()).hexdigest()[:6]
