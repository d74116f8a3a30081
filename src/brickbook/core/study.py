"""The furniture every study has, and what it is given and gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge, Gt, MinLen

from brickbook.core.charger import Charger
from brickbook.core.figure import Figure, Finding, Note
from brickbook.core.instrument import Instrument
from brickbook.core.page import Section
from brickbook.core.table import Recording

__all__ = ["Evidence", "Mains", "Outcome", "Procedure", "Settings", "Step", "Study", "View"]


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the bench or the tester does.

    Parameters
    ----------
    text
        What to do, as an instruction.
    settle
        What ends the step: the stability rule, with its clause.
    caution
        Shown, and confirmed on a real bench, before the step.
    """

    text: str
    settle: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Procedure:
    """How the readings are got: the steps, their settling, their cautions."""

    summary: str
    steps: tuple[Step, ...]
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mains:
    """A mains supply the book tests at."""

    voltage_v: Annotated[float, Gt(0)]
    frequency_hz: Annotated[float, Gt(0)]
    market: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """What book.toml says that studies need."""

    mains: Annotated[tuple[Mains, ...], MinLen(1)]
    currency: Annotated[str, MinLen(1)] = "EUR"
    energy_price_per_kwh: Annotated[float, Ge(0)] | None = None
    decision: Literal["guarded", "simple"] = "guarded"


@dataclass(frozen=True, slots=True)
class Evidence:
    """All a study may look at. Figures are a pure function of this.

    Parameters
    ----------
    charger
        Claims and description.
    settings
        Of the book.
    instruments
        Name to instrument.
    recordings
        Those the index gives to this study, in the index's order.
    earlier
        Figures of studies that ran before this one, for studies that build on them (value).
    """

    charger: Charger
    settings: Settings
    instruments: Mapping[str, Instrument]
    recordings: tuple[Recording, ...]
    earlier: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a study found: figures, and notes on what could not be found or must be known."""

    figures: tuple[Figure, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class View:
    """What a page is made from."""

    evidence: Evidence
    figures: tuple[Figure, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]

    def finding_of(self, figure: Figure) -> tuple[Finding, ...]:
        """Findings on a figure."""
        return tuple(f for f in self.findings if f.figure == figure.key)


@dataclass(frozen=True, slots=True)
class Study:
    """A study: one question asked of a charger, one folder, one of these.

    Parameters
    ----------
    id
        The folder's name.
    title, question
        Heading, and the question in plain words.
    procedure
        From procedure.py.
    figures
        From figures.py: pure, `Evidence` to `Outcome`.
    page
        From page.py: pure, `View` to `Section`.
    package
        The study's package name; its rules.toml is found through it.
    needs_readings
        False for a study that works from the claims and other studies' figures.
    figure_names
        Name to words, for headings and `show`.
    """

    id: str
    title: str
    question: str
    procedure: Procedure
    figures: Callable[[Evidence], Outcome]
    page: Callable[[View], Section]
    package: str
    needs_readings: bool = True
    figure_names: Mapping[str, str] = field(default_factory=dict)
