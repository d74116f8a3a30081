"""What a study shows, as data: text, tables and charts that know nothing of HTML or of a chart library.

`publish` and `app` turn these blocks into pages, so that the terminal, the report and the browser show the same thing
in one style. Numbers in tables come as `Figure`s, so that each can link to its provenance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from brickbook.core.figure import Figure

__all__ = [
    "Axis",
    "Band",
    "Bars",
    "Block",
    "Caution",
    "Cell",
    "Chart",
    "LimitLine",
    "Section",
    "Series",
    "Strip",
    "TableBlock",
    "Text",
]


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph of plain text. Markup in it is shown, not obeyed."""

    text: str


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution of the procedure, set apart from the text."""

    text: str


Cell = str | int | float | Figure | None


@dataclass(frozen=True, slots=True)
class TableBlock:
    """A real table.

    Parameters
    ----------
    title
        What it shows.
    head
        Column headings, units included.
    rows
        Cells: text, a number, a `Figure` (shown rounded to its uncertainty and linked), or `None` for "not measured".
    align
        "l" or "r" for each column; by default the first is left and the rest right.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    align: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis: words, unit, scale and, where it must be held, its range.

    Values are drawn as they are: an axis in "%" wants per cent, not ratios.
    """

    label: str
    unit: str = ""
    scale: Literal["linear", "log"] = "linear"
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """One line or set of points.

    Parameters
    ----------
    name
        For the legend; equal names on several charts get equal colours within one chart only.
    x, y
        Same length. NaN breaks a line.
    u_y
        Expanded (95 %) half-widths, drawn as bars where they are visible.
    style
        "points" (with a thin line), "line", "dashed" or "step".
    """

    name: str
    x: Sequence[float]
    y: Sequence[float]
    u_y: Sequence[float] = ()
    style: Literal["points", "line", "dashed", "step"] = "points"


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A limit drawn with its name; horizontal, or a curve over x when `x` is given."""

    name: str
    y: float | Sequence[float]
    x: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Band:
    """A filled region between two curves, such as a min–max envelope or a permitted band.

    A band with the name of a series takes that series' colour.
    """

    name: str
    x: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


@dataclass(frozen=True, slots=True)
class Bars:
    """Horizontal bars, one for each label; stacked when `parts` has several names.

    The chart's `x` is the axis of the values, and a `LimitLine` with one `y` is an upright line at that value. `u` is
    the expanded uncertainty of each bar's total; the total is written beside the bar, rounded to it.
    """

    labels: Sequence[str]
    parts: Sequence[str]
    values: Sequence[Sequence[float]]  # values[part][label]
    u: Sequence[float] = ()


@dataclass(frozen=True, slots=True)
class Strip:
    """Spans on rows over a common axis (port survival, timelines); `kind` picks the fill, in order of first use.

    The chart's `x` is the common axis, and a `LimitLine` with one `y` is an upright line at that place on it.
    """

    rows: Sequence[str]
    spans: Sequence[tuple[str, float, float, str]]  # row, from, to, kind


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart. The title says the finding; `alt` says in one line what a reader would see.

    Parameters
    ----------
    id
        Short, unique within the charger; becomes a file name.
    """

    id: str
    title: str
    alt: str
    x: Axis
    y: Axis
    series: tuple[Series, ...] = ()
    limits: tuple[LimitLine, ...] = ()
    bands: tuple[Band, ...] = ()
    bars: Bars | None = None
    strip: Strip | None = None
    caption: str = ""


Block = Text | Caution | TableBlock | Chart


@dataclass(frozen=True, slots=True)
class Section:
    """A study's part of the report."""

    study: str
    title: str
    lead: str
    blocks: tuple[Block, ...] = ()
