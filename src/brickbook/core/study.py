"""The furniture every study has, and what it is given and gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Ge, Gt, MinLen

from brickbook.core.charger import Charger
from brickbook.core.conditions import Scalar
from brickbook.core.figure import Figure, Finding, Note
from brickbook.core.instrument import Instrument
from brickbook.core.page import Section
from brickbook.core.plan import PlanTask, Size
from brickbook.core.table import Recording

__all__ = ["Evidence", "Headline", "Mains", "Outcome", "Procedure", "Settings", "Step", "Study", "View", "no_tasks"]


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

    @property
    def every_caution(self) -> tuple[str, ...]:
        """Its own cautions and those of its steps, each once."""
        return tuple(dict.fromkeys((*self.cautions, *(step.caution for step in self.steps if step.caution))))


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
    """What a page is made from.

    Parameters
    ----------
    charger, settings
        As the book has them.
    figures, findings, notes
        Of this study.
    read
        Gives the study's recordings, for pages that draw traces; reading them takes time, so only when called.
    """

    charger: Charger
    settings: Settings
    figures: tuple[Figure, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    read: Callable[[], tuple[Recording, ...]] = tuple

    def finding_of(self, figure: Figure) -> tuple[Finding, ...]:
        """Findings on a figure."""
        return tuple(f for f in self.findings if f.figure == figure.key)


@dataclass(frozen=True, slots=True)
class Headline:
    """A figure that sums a charger up: shown first, and a column of the book's index.

    Parameters
    ----------
    title
        Words of the column.
    name
        Name of the figure.
    when
        Conditions it must have.
    largest, smallest
        Of several that fit, the one with the largest or smallest value of this condition, or of "value".
    index
        Whether it is a column of the book's index as well.
    """

    title: str
    name: str
    when: Mapping[str, Scalar] = field(default_factory=dict)
    largest: str = ""
    smallest: str = ""
    index: bool = True

    def pick(self, figures: Sequence[Figure]) -> Figure | None:
        """The figure meant, or `None` when none fits; the first of equals."""
        fitting = [f for f in figures if f.name == self.name and f.conditions.matches(self.when)]
        if self.largest or self.smallest:
            key = self.largest or self.smallest
            sign = 1.0 if self.largest else -1.0
            return max(fitting, key=lambda f: sign * _number(f, key), default=None)
        return fitting[0] if fitting else None


def _number(figure: Figure, key: str) -> float:
    if key in ("value", "|value|"):
        return abs(figure.value) if key == "|value|" else figure.value
    return figure.conditions.number(key) if key in figure.conditions else float("-inf")


def no_tasks(charger: Charger, settings: Settings, size: Size) -> tuple[PlanTask, ...]:
    """What a study adds to a campaign that takes no readings of its own: nothing."""
    del charger, settings, size
    return ()


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
    headlines
        Figures that sum the charger up.
    tasks
        From campaign.py: what it adds to a charger's campaign of a size; pure.
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
    headlines: tuple[Headline, ...] = ()
    tasks: Callable[[Charger, Settings, Size], tuple[PlanTask, ...]] = no_tasks
