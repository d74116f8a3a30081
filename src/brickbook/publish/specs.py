"""Pieces of Vega-Lite that all charts share: the frame, the axes, letters and keys placed in pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from brickbook.core.page import Axis, Chart
from brickbook.publish.looks import (
    DASHES,
    FONT,
    GRID,
    INK,
    MUTED,
    PAPER,
    SERIES,
    SHAPES,
    Scale,
    Size,
    clean,
    minus_signs,
    text_width,
    wrap,
)

__all__ = [
    "Frame",
    "Json",
    "Key",
    "axes",
    "axis_title",
    "key_rows",
    "letters",
    "rules",
    "samples",
    "series_colour",
    "specification",
]

Json = dict[str, Any]
SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
_SAMPLE = 26.0  # width of the line, mark or patch before a key's name


@dataclass(frozen=True, slots=True)
class Key:
    """What a colour, mark or dash stands for."""

    name: str
    kind: Literal["line", "points", "dashed", "patch", "span"]
    index: int
    colour: str


@dataclass(slots=True)
class Frame:
    """The plot's size and the margins around it [px], and what stands in the margins."""

    size: Size
    width: float = 0.0
    height: float = 0.0
    left: float = 0.0
    right: float = 0.0
    top: float = 0.0
    bottom: float = 0.0
    layers: list[Json] = field(default_factory=list)


def axis_title(axis: Axis, size: Size) -> str:
    """Words and unit on one line: "load (%)"; a dimensionless axis has words only."""
    return wrap(f"{axis.label} ({axis.unit})" if axis.unit else axis.label, size.width - 16, size.letter, 1)[0]


def letters(
    rows: Sequence[tuple[float, float, str]],
    size: float,
    *,
    align: Literal["left", "right", "center"] = "left",
    colour: str = INK,
    halo: bool = False,
    weight: str = "normal",
    baseline: Literal["middle", "top", "bottom"] = "middle",
) -> list[Json]:
    """Text at pixel places (x, y, text); lines are parted by a newline. With a halo it stays readable on lines."""
    values = [{"px": round(x, 2), "py": round(y, 2), "words": minus_signs(clean(text))} for x, y, text in rows if text]
    if not values:
        return []
    mark: Json = {
        "type": "text",
        "align": align,
        "baseline": baseline,
        "lineBreak": "\n",
        "lineHeight": round(size * 1.2, 2),
        "fontSize": size,
        "fontWeight": weight,
    }
    encoding: Json = {
        "x": {"field": "px", "type": "quantitative", "scale": None, "axis": None},
        "y": {"field": "py", "type": "quantitative", "scale": None, "axis": None},
        "text": {"field": "words", "type": "nominal"},
    }
    layer: Json = {"data": {"values": values}, "mark": {**mark, "color": colour}, "encoding": encoding}
    if not halo:
        return [layer]
    around = {**mark, "color": PAPER, "stroke": PAPER, "strokeWidth": 4, "strokeJoin": "round"}
    return [{"data": {"values": values}, "mark": around, "encoding": encoding}, layer]


def rules(
    rows: Sequence[tuple[float, float, float, float]],
    *,
    colour: str = INK,
    width: float = 1.0,
    dash: Sequence[float] = (),
) -> list[Json]:
    """Straight lines between pixel places (x, y, x2, y2)."""
    values = [{"px": round(a, 2), "py": round(b, 2), "px2": round(c, 2), "py2": round(d, 2)} for a, b, c, d in rows]
    if not values:
        return []
    mark: Json = {"type": "rule", "color": colour, "strokeWidth": width}
    if dash:
        mark["strokeDash"] = list(dash)
    return [
        {
            "data": {"values": values},
            "mark": mark,
            "encoding": {
                "x": {"field": "px", "type": "quantitative", "scale": None, "axis": None},
                "y": {"field": "py", "type": "quantitative", "scale": None, "axis": None},
                "x2": {"field": "px2"},
                "y2": {"field": "py2"},
            },
        }
    ]


def samples(places: Sequence[tuple[float, float, Key]]) -> list[Json]:
    """Samples of line, mark or patch at pixel places (left end, middle)."""
    out: list[Json] = []
    for x, y, key in places:
        if key.kind in ("patch", "span"):
            out.append(
                {
                    "data": {"values": [{}]},
                    "mark": {
                        "type": "rect",
                        "x": round(x + 2, 2),
                        "x2": round(x + 18, 2),
                        "y": round(y - 6, 2),
                        "y2": round(y + 5, 2),
                        "color": key.colour,
                        **(
                            {"fillOpacity": 0.28, "stroke": key.colour, "strokeWidth": 1}
                            if key.kind == "span"
                            else {"opacity": 0.9 if key.index >= 0 else 1.0}
                        ),
                    },
                }
            )
            continue
        dash = (6, 4) if key.kind == "dashed" else () if key.kind == "points" else DASHES[key.index % len(DASHES)]
        out += rules([(x, y, x + 20, y)], colour=key.colour, width=1.4 if key.kind == "points" else 2.0, dash=dash)
        if key.kind == "points":
            out.append(
                {
                    "data": {"values": [{}]},
                    "mark": {
                        "type": "point",
                        "x": round(x + 10, 2),
                        "y": round(y, 2),
                        "filled": True,
                        "opacity": 1,
                        "shape": SHAPES[key.index % len(SHAPES)],
                        "size": 44,
                        "color": key.colour,
                    },
                }
            )
    return out


def key_rows(keys: Sequence[Key], width: float, letter: float) -> tuple[list[tuple[float, float, Key, str]], float]:
    """Keys set in rows: (x, y from the top of the key, key, shortened name) each, and the height of all rows."""
    out: list[tuple[float, float, Key, str]] = []
    x, y = 0.0, letter * 0.75
    for key in keys:
        name = wrap(key.name, width - _SAMPLE, letter, 1)[0]
        wide = _SAMPLE + text_width(name, letter) + 16
        if x and x + wide > width + 16:
            x, y = 0.0, y + letter * 1.55
        out.append((x, y, key, name))
        x += wide
    return out, (y + letter * 1.1 if out else 0.0)


def axes(x_scale: Scale | None, y_scale: Scale | None, frame: Frame, x_kind: str = "quantitative") -> tuple[Json, Json]:
    """The x and y encodings every data layer shares, without their fields."""
    letter = frame.size.letter
    common: Json = {
        "title": None,
        "labelFontSize": letter,
        "labelColor": MUTED,
        "tickColor": MUTED,
        "domainColor": MUTED,
        "labelOverlap": False,
        "labelPadding": 4,
        "tickSize": 4,
        "gridColor": GRID,
        "labelFlush": False,
        "labelBound": False,
    }

    def one(scale: Scale | None, *, grid: bool) -> Json:
        if scale is None:
            return {"scale": None, "axis": None, "type": "quantitative"}
        return {
            "type": x_kind,
            "scale": {
                "type": "log" if scale.log else "linear",
                "domain": [scale.low, scale.high],
                "nice": False,
                "zero": False,
            }
            if not scale.log
            else {"type": "log", "domain": [scale.low, scale.high], "nice": False},
            "axis": {
                **common,
                "values": list(scale.ticks),
                "format": scale.format,
                "grid": grid,
                **({"domain": False, "ticks": False} if grid else {}),
            },
        }

    return one(x_scale, grid=False), one(y_scale, grid=True)


def specification(chart: Chart, frame: Frame, *, title: bool) -> Json:
    """The whole Vega-Lite dict: fixed size, margins set by us, nothing left to measured text."""
    if title:
        lines = wrap(chart.title, frame.size.width - 16, frame.size.letter * 1.25, 3)
        step = frame.size.letter * 1.5
        frame.layers += letters(
            [
                (-frame.left + 8, -frame.top - step * (len(lines) - 1 - k) - step * 0.45, line)
                for k, line in enumerate(lines)
            ],
            frame.size.letter * 1.25,
            weight="bold",
        )
        frame.top += step * len(lines) + 6
    return {
        "$schema": SCHEMA,
        "autosize": {"type": "none"},
        "width": round(frame.width, 2),
        "height": round(frame.height, 2),
        "padding": {side: round(getattr(frame, side), 2) for side in ("left", "right", "top", "bottom")},
        "background": "transparent",
        "config": {"font": FONT, "view": {"stroke": None}, "text": {"color": INK}, "axis": {"labelLimit": 0}},
        "layer": frame.layers,
    }


def series_colour(index: int) -> str:
    """Colour of the n-th series; after the last the palette starts again, with another mark and dash."""
    return SERIES[index % len(SERIES)]
