"""What the files at the top of a book hold: book.toml and bench.toml."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Annotated

from annotated_types import Gt, MinLen

from brickbook.book._check import day, load, parse
from brickbook.core.instrument import Instrument
from brickbook.core.study import Settings

__all__ = ["Bench", "BenchLimits", "BookSettings", "TextFile", "read_bench", "read_settings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BookSettings(Settings):
    """All of book.toml: what studies need, and who publishes.

    Parameters
    ----------
    title
        Of the book, and of its report.
    publisher
        Who answers for it.
    licence
        Under which the report and the data are given out; empty when none is stated.
    """

    title: Annotated[str, MinLen(1)]
    publisher: Annotated[str, MinLen(1)]
    licence: str = ""


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """What this bench must never exceed, whatever a plan says: [V], [A], [W], [degC]. `None`: not stated."""

    volts: Annotated[float, Gt(0)] | None = None
    amps: Annotated[float, Gt(0)] | None = None
    watts: Annotated[float, Gt(0)] | None = None
    degrees: Annotated[float, Gt(0)] | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """All of bench.toml: instruments by name, and limits."""

    instruments: dict[str, Instrument] = field(default_factory=dict)
    limits: BenchLimits = field(default_factory=BenchLimits)


@dataclass(frozen=True, slots=True)
class TextFile:
    """A file that another room understands: its name for messages, and its text."""

    file: str
    text: str


@functools.lru_cache(maxsize=64)
def read_settings(file: str, text: str) -> BookSettings:
    """The text of a book.toml as settings; raises `BookError` with all its faults."""
    return load(BookSettings, parse(file, text))


@functools.lru_cache(maxsize=64)
def read_bench(file: str, text: str) -> Bench:
    """The text of a bench.toml; raises `BookError` with all its faults."""
    return load(Bench, parse(file, text), {"calibrated": day, "due": day})
