"""Charts as they stand in a page: two small drawings, one wide and one narrow, that share one set of curves.

`charts.vega_lite` places everything in pixels but the axes, so that its specification can be drawn here without an
engine. Colours, letters and line widths are classes of the page's style sheet. A curve is written once, in tenths of a
pixel of the wide plot; the narrow drawing uses it through a view box that stretches it (SVG 2, 8.2 and 5.6), with
strokes that keep their width (8.14). What the engine draws from the same specification is what this is checked against.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from markupsafe import escape
from numpy.typing import NDArray

from brickbook.core.page import Chart
from brickbook.publish.charts import vega_lite
from brickbook.publish.looks import DASHES, GRID, INK, MUTED, NARROW, PAPER, SERIES, WIDE
from brickbook.publish.specs import Json

__all__ = ["Drawings", "page_drawings", "shortest_path", "thinned"]

_CODE = {INK: "i", MUTED: "m", GRID: "g", PAPER: "p", **{colour: str(k) for k, colour in enumerate(SERIES)}}
_SHAPES = {  # half a side [px] of marks of 44 px² as the engine draws them, as paths from their middle
    "circle": "m-3.3 0a3.3 3.3 0 1 0 6.6 0a3.3 3.3 0 1 0-6.6 0",
    "square": "m-3.3-3.3h6.6v6.6h-6.6z",
    "triangle-up": "m0-3.3l3.3 6.6h-6.6z",
    "diamond": "m0-4.7l4.7 4.7l-4.7 4.7l-4.7-4.7z",
    "triangle-down": "m0 3.3l3.3-6.6h-6.6z",
    "cross": "m-1.3-3.9h2.6v2.6h2.6v2.6h-2.6v2.6h-2.6v-2.6h-2.6v-2.6h2.6z",
}
_POINT = "m-2 0a2 2 0 1 0 4 0a2 2 0 1 0-4 0"
_FINE = 10.0  # steps of a pixel that curves are written in
_FLAT = 0.9  # [1/10 px]: points nearer than this to the line without them are left out


@dataclass(frozen=True, slots=True)
class Drawings:
    """SVG elements of one chart; the narrow one refers to curves of the wide one, so both must stand in the page."""

    wide: str
    narrow: str


@dataclass(slots=True)
class _Plot:
    """Axes of one drawing, and what has been written of it."""

    width: float
    height: float
    x: Json | None = None
    y: Json | None = None
    out: list[str] = field(default_factory=list)
    curves: list[str] = field(default_factory=list)
    clipped: bool = False
    letter: float = WIDE.letter
    haloed: bool = False


def page_drawings(chart: Chart, name: str) -> Drawings:
    """Both drawings of a chart; ids within begin with `name`.

    Raises
    ------
    PublishError
        As `vega_lite` does.
    """
    wide, narrow = vega_lite(chart, size=WIDE), vega_lite(chart, size=NARROW)
    ids: dict[str, str] = {}
    plot = _plot(wide)
    small = _plot(narrow)
    small.letter = NARROW.letter
    return Drawings(_draw(wide, plot, plot, ids, name, "w"), _draw(narrow, small, plot, ids, name, "n"))


def shortest_path(x: Sequence[int] | NDArray[np.int64], y: Sequence[int] | NDArray[np.int64]) -> str:
    """Path data of a line through whole numbers, relative, without what can be left out (SVG 2, 9.3)."""
    out = [f"M{x[0]}{_next(int(y[0]))}"]
    before = ""
    for k in range(1, len(x)):
        dx, dy = int(x[k]) - int(x[k - 1]), int(y[k]) - int(y[k - 1])
        if dx == dy == 0 and len(x) > 2:
            continue
        if dy == 0:
            out.append(f"h{dx}")
            before = "h"
        elif dx == 0:
            out.append(f"v{dy}")
            before = "v"
        else:
            out.append(f"{'l' if before != 'l' else _gap(dx)}{dx}{_next(dy)}")
            before = "l"
    return "".join(out)


def thinned(x: NDArray[np.float64], y: NDArray[np.float64], flat: float) -> NDArray[np.int64]:
    """Indices of points that keep a line within `flat` of itself (Ramer 1972; Douglas & Peucker 1973)."""
    keep = np.zeros(len(x), dtype=np.bool_)
    keep[[0, -1]] = True
    todo = [(0, len(x) - 1)]
    while todo:
        a, b = todo.pop()
        if b - a < 2:
            continue
        dx, dy = x[b] - x[a], y[b] - y[a]
        px, py = x[a + 1 : b] - x[a], y[a + 1 : b] - y[a]
        length = dx * dx + dy * dy
        along = np.clip((px * dx + py * dy) / length, 0.0, 1.0) if length else np.zeros(b - a - 1)
        away = np.hypot(px - along * dx, py - along * dy)
        far = int(away.argmax())
        if away[far] > flat:
            k = a + 1 + far
            keep[k] = True
            todo += [(a, k), (k, b)]
    return np.flatnonzero(keep)


def _plot(spec: Json) -> _Plot:
    made = _Plot(float(spec["width"]), float(spec["height"]))
    for layer in spec["layer"]:
        for side in ("x", "y"):
            channel = layer.get("encoding", {}).get(side, {})
            if channel.get("scale") and getattr(made, side) is None:
                setattr(made, side, channel)
    return made


def _draw(spec: Json, plot: _Plot, wide: _Plot, ids: dict[str, str], name: str, kind: str) -> str:
    _axes(plot)
    for layer in spec["layer"]:
        mark = layer["mark"]
        if mark.get("opacity") == 0:
            continue  # carries the axes
        rows = layer["data"]["values"]
        encoding = layer.get("encoding", {})
        drawer = {"line": _line, "area": _line}.get(mark["type"])
        if drawer is not None:
            drawer(plot, wide, ids, name, layer.get("description", ""), mark, rows)
            continue
        _close(plot, wide)
        if mark["type"] == "text":
            _text(plot, mark, rows)
        elif mark["type"] == "point":
            _points(plot, mark, rows, encoding)
        elif mark["type"] == "rule":
            _rules(plot, mark, rows)
        elif mark["type"] == "rect":
            _boxes(plot, mark, rows, encoding)
        else:  # pragma: no cover - the specifications are ours
            raise AssertionError(f"no way to draw {mark['type']}")
    _close(plot, wide)
    pad = spec["padding"]
    width = pad["left"] + plot.width + pad["right"]
    height = pad["top"] + plot.height + pad["bottom"]
    return (
        f'<svg class="chart {kind}" viewBox="{_n(-pad["left"])} {_n(-pad["top"])} {_n(width)} {_n(height)}" '
        f'width="{_n(width)}" height="{_n(height)}" aria-hidden="true" focusable="false">{"".join(plot.out)}</svg>'
    )


def _axes(plot: _Plot) -> None:
    """Grid, ticks and their letters, where the engine would set them."""
    grid: list[str] = []
    marks: list[str] = []
    letters: list[str] = []
    for side, channel in (("x", plot.x), ("y", plot.y)):
        if channel is None:
            continue
        axis = channel["axis"]
        size = axis["labelFontSize"]
        for tick in axis["values"]:
            at = _place(plot, side, tick)
            text = escape(_tick_text(tick, axis["format"]))
            if side == "x":
                if axis["grid"]:
                    grid.append(f"M{_n(at)} 0v{_n(plot.height)}")
                else:
                    marks.append(f"M{_n(at)} {_n(plot.height)}v4")
                below = 4.0 if axis["grid"] else 8.0
                y = plot.height + below + 0.79 * size
                letters.append(f'<text class="c" x="{_n(at)}" y="{_n(y)}">{text}</text>')
            else:
                grid.append(f"M0 {_n(at)}h{_n(plot.width)}")
                letters.append(f'<text class="e" x="-4" y="{_n(at + 0.3 * size)}">{text}</text>')
        if side == "x" and not axis["grid"]:
            marks.append(f"M0 {_n(plot.height)}h{_n(plot.width)}")
    for token, parts in (("g", grid), ("m", marks)):
        if parts:
            plot.out.append(f'<path class="s{token} t" d="{"".join(parts)}"/>')
    if letters:
        plot.out.append(f'<g class="fm">{"".join(letters)}</g>')


def _line(
    plot: _Plot, wide: _Plot, ids: dict[str, str], name: str, layer: str, mark: Json, rows: Sequence[Json]
) -> None:
    """A line or an area, written once in tenths of a pixel of the wide plot and used from there afterwards."""
    plot.clipped = plot.clipped or bool(mark.get("clip"))
    if layer and layer in ids:
        plot.curves.append(f'<use href="#{ids[layer]}"/>')
        return
    colour = _CODE[mark["color"]]
    runs: dict[Any, list[Json]] = {}
    for row in rows:
        runs.setdefault(row.get("run", 0), []).append(row)
    data = "".join(_outline(wide, run, mark) for run in runs.values())
    if mark["type"] == "area":
        look = f'class="f{colour} {"u" if colour == "m" else "a"}"'
    else:
        thin = "" if mark["strokeWidth"] == 2 else f' stroke-width="{_n(mark["strokeWidth"])}"'
        look = f'class="s{colour} v{_dash_class(mark)}"{thin}'
    own = ""
    if layer:
        ids[layer] = f"{name}{_letter(len(ids))}"
        own = f' id="{ids[layer]}"'
    plot.curves.append(f'<path{own} {look} d="{data}"/>')


def _outline(wide: _Plot, run: Sequence[Json], mark: Json) -> str:
    x = _tenths(wide, "x", [row["x"] for row in run])
    y = _tenths(wide, "y", [row["y"] for row in run])
    if mark["type"] == "area":
        y2 = _tenths(wide, "y", [row["y2"] for row in run])
        a, b = thinned(x, y, _FLAT), thinned(x, y2, _FLAT)[::-1]
        x, y = np.concatenate([x[a], x[b]]), np.concatenate([y[a], y2[b]])
    elif mark.get("interpolate") == "step-after":
        x, y = np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1]
    else:
        kept = thinned(x, y, _FLAT)
        x, y = x[kept], y[kept]
    return shortest_path(np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)) + (
        "z" if mark["type"] == "area" else ""
    )


def _close(plot: _Plot, wide: _Plot) -> None:
    """Set the curves gathered so far into a box that maps the wide plot's tenths of a pixel to this plot."""
    if not plot.curves:
        return
    left, right = (_FINE * _place(wide, "x", end) for end in _domain(plot, "x"))
    low, high = (_FINE * _place(wide, "y", end) for end in _domain(plot, "y"))
    clip = "" if plot.clipped else ' class="o"'
    plot.out.append(
        f'<svg{clip} width="{_n(plot.width)}" height="{_n(plot.height)}" '
        f'viewBox="{_n(left)} {_n(high)} {_n(right - left)} {_n(low - high)}" '
        f'preserveAspectRatio="none">{"".join(plot.curves)}</svg>'
    )
    plot.curves.clear()


def _text(plot: _Plot, mark: Json, rows: Sequence[Json]) -> None:
    if mark.get("stroke"):
        plot.haloed = True  # the letters that follow bring their halo along
        return
    size = mark["fontSize"]
    classes = [c for c in ({"left": "", "right": "e", "center": "c"}[mark["align"]], "h" * plot.haloed) if c]
    plot.haloed = False
    if mark["color"] != INK:
        classes.append(f"f{_CODE[mark['color']]}")
    if mark["fontWeight"] == "bold":
        classes.append("b")
    look = f' class="{" ".join(classes)}"' if classes else ""
    look += "" if size == plot.letter else f' font-size="{_n(size)}"'
    down = {"middle": 0.3, "top": 0.79, "bottom": -0.21}[mark["baseline"]] * size
    for row in rows:
        x, y = _n(row["px"]), _n(row["py"] + down)
        first, *rest = str(row["words"]).split("\n")
        inner = str(escape(first))
        for line in rest:
            inner += f'<tspan x="{x}" dy="{_n(mark["lineHeight"])}">{escape(line)}</tspan>'
        plot.out.append(f'<text{look} x="{x}" y="{y}">{inner}</text>')


def _points(plot: _Plot, mark: Json, rows: Sequence[Json], encoding: Json) -> None:
    shape = _SHAPES[mark["shape"]] if mark["size"] > 20 else _POINT
    places = [(_at(plot, "x", row, mark, encoding), _at(plot, "y", row, mark, encoding)) for row in rows]
    if mark.get("clip"):
        places = [(x, y) for x, y in places if -0.5 <= x <= plot.width + 0.5 and -0.5 <= y <= plot.height + 0.5]
    if places:
        data = "".join(f"M{_n(x)} {_n(y)}{shape}" for x, y in places)
        plot.out.append(f'<path class="f{_CODE[mark["color"]]}" d="{data}"/>')


def _rules(plot: _Plot, mark: Json, rows: Sequence[Json]) -> None:
    data: list[str] = []
    for row in rows:
        if "px" in row:
            x, y, x2, y2 = row["px"], row["py"], row["px2"], row["py2"]
        else:
            x = x2 = _place(plot, "x", row["x"])
            y, y2 = (_place(plot, "y", row[end]) for end in ("y", "y2"))
            if mark.get("clip"):
                if not -0.5 <= x <= plot.width + 0.5 or max(y, y2) < 0 or min(y, y2) > plot.height:
                    continue
                y, y2 = (min(max(v, 0.0), plot.height) for v in (y, y2))
        move = f"h{_n(x2 - x)}" if y2 == y else f"v{_n(y2 - y)}" if x2 == x else f"L{_n(x2)} {_n(y2)}"
        data.append(f"M{_n(x)} {_n(y)}{move}")
    if data:
        width = "" if mark["strokeWidth"] == 2 else f' stroke-width="{_n(mark["strokeWidth"])}"'
        plot.out.append(f'<path class="s{_CODE[mark["color"]]}{_dash_class(mark)}"{width} d="{"".join(data)}"/>')


def _boxes(plot: _Plot, mark: Json, rows: Sequence[Json], encoding: Json) -> None:
    data: list[str] = []
    for row in rows:
        left, right = (_at(plot, side, row, mark, encoding) for side in ("x", "x2"))
        top, foot = (_at(plot, side, row, mark, encoding) for side in ("y", "y2"))
        if mark.get("clip"):
            left, right = (min(max(v, 0.0), plot.width) for v in (left, right))
        data.append(f"M{_n(left)} {_n(top)}h{_n(right - left)}v{_n(foot - top)}h{_n(left - right)}z")
    if not data:
        return
    token = _CODE[mark["color"]]
    look = f"f{token}"
    more = ""
    if mark.get("stroke") and mark.get("strokeWidth"):
        look += f" s{_CODE[mark['stroke']]} t"
    if "fillOpacity" in mark:
        look += " x"
    elif mark.get("opacity", 1.0) != 1.0:
        more = f' opacity="{_n(mark["opacity"])}"'
    plot.out.append(f'<path class="{look}"{more} d="{"".join(data)}"/>')


def _at(plot: _Plot, side: str, row: Json, mark: Json, encoding: Json) -> float:
    """A place in pixels: fixed in the mark, a field in pixels, or a field on an axis."""
    channel = encoding.get(side)
    if channel is None:
        return float(mark[side])
    value = row[channel["field"]]
    of: Json = encoding.get(side[0]) or channel
    return float(value) if of.get("scale") is None else _place(plot, side[0], value)


def _domain(plot: _Plot, side: str) -> tuple[float, float]:
    channel = plot.x if side == "x" else plot.y
    assert channel is not None
    low, high = channel["scale"]["domain"]
    return float(low), float(high)


def _place(plot: _Plot, side: str, value: float) -> float:
    return float(_tenths(plot, side, [value])[0] / _FINE)


def _tenths(plot: _Plot, side: str, values: Iterable[float]) -> NDArray[np.float64]:
    channel = plot.x if side == "x" else plot.y
    assert channel is not None
    low, high = _domain(plot, side)
    array = np.asarray(list(values), dtype=np.float64)
    if channel["scale"]["type"] == "log":
        array, low, high = np.log(array), math.log(low), math.log(high)
    share = (array - low) / (high - low)
    length = plot.width if side == "x" else plot.height
    return _FINE * length * (share if side == "x" else 1.0 - share)


def _dash_class(mark: Json) -> str:
    dash = tuple(mark.get("strokeDash", ()))
    if not dash or dash == DASHES[0]:
        return ""
    return f" d{DASHES.index(dash)}" if dash in DASHES else " d"


def _tick_text(value: float, form: str) -> str:
    """A tick as the engine writes it: d3's ".nf", "~g" and "~s", with a true minus sign."""
    if form == "~s" and value != 0:
        power = min(max(3 * math.floor(math.log10(abs(value)) / 3 + 1e-9), -12), 12)
        unit = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}[power]
        return f"{value / 10.0**power:.6g}{unit}".replace("-", "\N{MINUS SIGN}")
    text = f"{value:{form}}" if form != "~g" else f"{value:g}"
    return text.replace("-", "\N{MINUS SIGN}") if float(text) else text.replace("-", "")


def _letter(k: int) -> str:
    return chr(ord("a") + k) if k < 26 else f"z{k}"


def _gap(number: int) -> str:
    return "" if number < 0 else " "


def _next(number: int) -> str:
    return f"{number}" if number < 0 else f" {number}"


def _n(number: float) -> str:
    """One decimal, without what can be left out."""
    text = f"{number:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text
