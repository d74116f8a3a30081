"""Charts as Vega-Lite, SVG and PNG.

One description (`core.page.Chart`) gives the same picture everywhere. Pictures are drawn by vl-convert, once, when the
report is made; nothing runs in the reader's browser. Ink, paper and grid have colours of their own in the SVG, so that
a style sheet can exchange them by attribute selectors for the dark: `[fill="#1c1b19"] { fill: var(--ink) }`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal
from xml.etree import ElementTree as ET

import numpy as np
import vl_convert

from brickbook.core.errors import Fault, PublishError
from brickbook.core.page import Chart
from brickbook.publish.curves import curve_spec, drawable
from brickbook.publish.looks import DARK, PAPER, WIDE, Size, clean
from brickbook.publish.rows import bar_spec, strip_spec
from brickbook.publish.specs import Json

__all__ = ["chart_png", "chart_svg", "drawn_svg", "in_the_dark", "left_out", "off_scale", "vega_lite"]

_SVG = "http://www.w3.org/2000/svg"
_KEEP = re.compile(r"^(?!aria-|role$|class$|pointer-events$)")
ET.register_namespace("", _SVG)


def vega_lite(chart: Chart, *, size: Size = WIDE, title: bool = False) -> Json:
    """The chart as a Vega-Lite 6 specification with its data inside.

    Parameters
    ----------
    chart
        What to draw.
    size
        `looks.WIDE` for a page, `looks.NARROW` for a telephone, or another.
    title
        Set the title into the picture, for pictures that stand alone.

    Raises
    ------
    PublishError
        When lengths differ, a number is infinite, or a logarithmic axis ends at or below zero.
    """
    _check(chart)
    if chart.bars is not None:
        return bar_spec(chart, chart.bars, size, title=title)
    if chart.strip is not None:
        return strip_spec(chart, chart.strip, size, title=title)
    return curve_spec(chart, size, title=title)


def chart_svg(chart: Chart, *, size: Size = WIDE, title: bool = False, label: str | None = None) -> str:
    """The chart as an SVG element, the same bytes each time.

    It has `role="img"` and the chart's `alt` as label, no script, no link, no outside reference, and ids that begin
    with the chart's own.
    """
    return drawn_svg(
        vega_lite(chart, size=size, title=title),
        prefix=f"{_word(chart.id)}-{size.width:g}-",
        label=label if label is not None else chart.alt,
    )


def drawn_svg(spec: Json, *, prefix: str, label: str) -> str:
    """A specification as an SVG element, the same bytes each time: its ids begin with the prefix, `label` describes it.

    The specification must be one of ours: an element it should not have raises `AssertionError`.
    """
    drawn = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    root = ET.fromstring(drawn)  # noqa: S314 - made just now from our own specification
    _lighten(root)
    _name_ids(root, prefix)
    box = root.get("viewBox", "")
    root.attrib.clear()
    root.attrib.update(
        {
            "class": "chart",
            "viewBox": box,
            "width": box.split()[2],
            "height": box.split()[3],
            "role": "img",
            "aria-label": clean(label),
        }
    )
    return ET.tostring(root, encoding="unicode", short_empty_elements=True)


def in_the_dark(spec: Json) -> Json:
    """The same specification in the colours of the dark."""
    return {key: part if key == "$schema" else _darken(part) for key, part in spec.items()}


def chart_png(
    chart: Chart, *, width: int = 960, height: int = 540, scale: float = 2.0, theme: Literal["light", "dark"] = "light"
) -> bytes:
    """The chart as a PNG of width × scale by height × scale pixels with its title inside.

    The defaults fill a frame of 1920 × 1080 with letters that can be read on it.
    """
    size = Size(float(width), 200.0, 15.0, 2000, beside=width >= 600, row=30.0)
    first = vega_lite(chart, size=size, title=True)
    rest = height - first["padding"]["top"] - first["padding"]["bottom"]
    rows = len(chart.bars.labels) if chart.bars else len(chart.strip.rows) if chart.strip else 1
    spec = vega_lite(
        chart, size=replace(size, plot_height=max(60.0, rest), row=max(16.0, rest / max(1, rows))), title=True
    )
    spec["background"] = PAPER
    if theme == "dark":
        spec = in_the_dark(spec)
    return bytes(vl_convert.vegalite_to_png(spec, scale=scale, allowed_base_urls=[]))


def left_out(chart: Chart) -> int:
    """How many points cannot stand on a logarithmic axis because they are not above zero."""
    if "log" not in (chart.x.scale, chart.y.scale) or chart.bars or chart.strip:
        return 0
    count = 0
    for series in chart.series:
        finite = np.isfinite(np.asarray(series.x, dtype=float)) & np.isfinite(np.asarray(series.y, dtype=float))
        count += int((finite & ~(drawable(series.x, chart.x) & drawable(series.y, chart.y))).sum())
    return count


def off_scale(chart: Chart) -> tuple[str, ...]:
    """Names of limits that lie beyond the ends an axis is held at, and so are not drawn."""
    axis = chart.x if chart.bars or chart.strip else chart.y
    low = axis.low if axis.low is not None else -np.inf
    high = axis.high if axis.high is not None else np.inf
    return tuple(
        limit.name for limit in chart.limits if isinstance(limit.y, (int, float)) and not low <= float(limit.y) <= high
    )


def _darken(part: Any) -> Any:
    """The same specification in the colours of the dark; data is left alone."""
    if isinstance(part, dict):
        return {k: v if k == "data" else _darken(v) for k, v in part.items()}
    if isinstance(part, list):
        return [_darken(v) for v in part]
    return DARK.get(part, part) if isinstance(part, str) else part


def _name_ids(root: ET.Element, prefix: str) -> None:
    """Give ids names of our own: the engine numbers them on from one picture to the next."""
    names = {e.attrib["id"]: f"{prefix}{k}" for k, e in enumerate(e for e in root.iter() if "id" in e.attrib)}
    for element in root.iter():
        for key, value in element.attrib.items():
            if key == "id":
                element.set(key, names[value])
            elif value.startswith("url(#"):
                element.set(key, f"url(#{names[value[5:-1]]})")


def _lighten(element: ET.Element) -> None:
    """Drop what only a scripted chart needs."""
    for child in list(element):
        name = child.tag.removeprefix(f"{{{_SVG}}}")
        role = child.get("class", "")
        if role in ("background", "foreground") and child.get("fill") is None and child.get("stroke") is None:
            element.remove(child)
            continue
        if name == "rect" and child.get("fill") == "transparent":
            element.remove(child)
            continue
        if name not in ("g", "path", "line", "text", "tspan", "rect", "defs", "clipPath"):
            raise AssertionError(f"unexpected element in a picture: {name}")
        for key in [k for k in child.attrib if not _KEEP.match(k)]:
            del child.attrib[key]
        _lighten(child)
        if name == "g" and len(child) == 0:
            element.remove(child)


def _word(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]", lambda m: f"_{ord(m.group()):x}_", text)


def _check(chart: Chart) -> None:
    faults: list[Fault] = []

    def wrong(place: str, problem: str) -> None:
        faults.append(Fault(f"chart {chart.id!r}", place, problem, "This is the study's page to mend."))

    def same(place: str, **columns: Sequence[float]) -> None:
        lengths = {name: len(column) for name, column in columns.items()}
        if len(set(lengths.values())) > 1:
            wrong(place, f"lengths differ: {', '.join(f'{k} {v}' for k, v in lengths.items())}")
        for name, column in columns.items():
            if np.isinf(np.asarray(column, dtype=float)).any():
                wrong(place, f"{name} holds an infinite number")

    for series in chart.series:
        more = {"u_y": series.u_y} if len(series.u_y) else {}
        same(f"series {series.name!r}", x=series.x, y=series.y, **more)
    for band in chart.bands:
        same(f"band {band.name!r}", x=band.x, low=band.low, high=band.high)
    for limit in chart.limits:
        if not isinstance(limit.y, (int, float)):
            same(f"limit {limit.name!r}", x=limit.x, y=limit.y)
    if chart.bars is not None:
        if len(chart.bars.values) != len(chart.bars.parts):
            wrong("bars", f"{len(chart.bars.parts)} parts but {len(chart.bars.values)} lists of values")
        for name, values in zip(chart.bars.parts, chart.bars.values, strict=False):
            same(f"part {name!r}", labels=[0.0] * len(chart.bars.labels), values=values)
        if len(chart.bars.u):
            same("bars", labels=[0.0] * len(chart.bars.labels), u=chart.bars.u)
    if chart.strip is not None:
        unknown = sorted({row for row, _, _, _ in chart.strip.spans} - set(chart.strip.rows))
        if unknown:
            wrong("strip", f"a span names row {unknown[0]!r}, which is not among the rows")
        same(
            "strip", **{"from": [a for _, a, _, _ in chart.strip.spans], "to": [b for _, _, b, _ in chart.strip.spans]}
        )
    for name, axis in (("x", chart.x), ("y", chart.y)):
        if axis.scale == "log" and any(end is not None and end <= 0 for end in (axis.low, axis.high)):
            wrong(f"{name} axis", "a logarithmic axis needs ends above zero")
    if faults:
        raise PublishError(*faults)
