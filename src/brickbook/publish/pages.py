"""Templates, and what they may call. Everything put into a page is escaped; only our own markup is not."""

from __future__ import annotations

import functools
import math
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from brickbook.core.figure import Figure
from brickbook.core.page import Caution, Cell, Chart, TableBlock, Text
from brickbook.publish import numbers
from brickbook.publish.charts import left_out, off_scale
from brickbook.publish.ledger import anchor
from brickbook.publish.looks import clean, minus_signs
from brickbook.publish.svg import page_drawings
from brickbook.publish.wording import conditions_text

__all__ = ["block_kind", "css_string", "environment", "file_address", "style_sheet"]


@functools.cache
def environment() -> Environment:
    """The Jinja2 environment of report, index and app: autoescape on, unknown names are errors."""
    made = Environment(
        loader=PackageLoader("brickbook.publish"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_finalize,
    )
    made.globals.update(
        anchor=anchor,
        block_kind=block_kind,
        cell_align=cell_align,
        cell_kind=cell_kind,
        figure_text=numbers.figure_text,
        interval_text=numbers.interval_text,
        factor_text=numbers.factor_text,
        plain_text=numbers.plain_text,
        probability_text=numbers.probability_text,
        decision_word=numbers.decision_word,
        not_measured=numbers.NOT_MEASURED,
        dof_text=_dof_text,
        conditions_text=conditions_text,
        capital=lambda text: text[:1].upper() + text[1:],
        left_out=left_out,
        off_scale=off_scale,
        drawings=_drawings,
        file_address=file_address,
    )
    made.filters["typeset"] = lambda text: minus_signs(clean(str(text)))
    return made


@functools.cache
def style_sheet() -> Markup:
    """The style sheet, ours and without anything from a charger."""
    source, _, _ = PackageLoader("brickbook.publish").get_source(environment(), "style.css")
    return Markup(source)  # noqa: S704 - our own file


def css_string(text: str) -> Markup:
    """Text as a CSS string for a style element: all but ASCII letters and digits become CSS escapes."""
    inner = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in " ".join(clean(text).split()))
    return Markup(f'"{inner}"')  # noqa: S704 - nothing but letters, digits and CSS escapes


def file_address(slug: str) -> str:
    """Relative address of a charger's report beside the index."""
    return "./" + quote(clean(slug), safe="") + ".html"


def block_kind(block: object) -> str:
    """Which macro draws a block."""
    for kind, name in ((Text, "text"), (Caution, "caution"), (TableBlock, "table"), (Chart, "chart")):
        if isinstance(block, kind):
            return name
    raise TypeError(f"not a block: {type(block).__name__}")


def cell_kind(cell: Cell) -> str:
    """How a table's cell is shown."""
    if cell is None:
        return "missing"
    if isinstance(cell, Figure):
        return "figure"
    if isinstance(cell, (int, float)) and not isinstance(cell, bool):
        return "number" if math.isfinite(cell) else "missing"
    return "text"


def cell_align(table: TableBlock, column: int) -> str:
    """Alignment of a column: l or r."""
    if table.align:
        return table.align[column] if column < len(table.align) else "r"
    return "l" if column == 0 else "r"


def _drawings(chart: Chart, number: int) -> dict[str, Markup]:
    made = page_drawings(chart, f"c{number}")
    return {"wide": Markup(made.wide), "narrow": Markup(made.narrow)}  # noqa: S704 - escaped where it was drawn


def _dof_text(dof: float) -> str:
    return "∞" if math.isinf(dof) or dof > 1e6 else f"{math.floor(dof)}"


def _finalize(value: Any) -> Any:
    return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value
