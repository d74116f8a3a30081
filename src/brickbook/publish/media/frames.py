"""A chart as a picture that fills a video frame or a square post.

Everything a viewer must read lies inside the title-safe area, the middle 90 % of the frame in width and in height
(SMPTE ST 2046-1:2009 clause 5, safe title area; EBU R 95 gives the same 5 % margin for graphics; both figures from
memory). Squares for posts are kept to the same margin: common practice, no source.

A picture is laid out on a small page, 396 units high, and enlarged to 1080 lines: the letters of the house style
(13 units) come out 35 lines high, the smallest (10.5 units) 28 lines. That text on video should be about 1/30 to 1/40
of the frame's height is common practice, no source.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Literal
from xml.etree import ElementTree as ET

import vl_convert

from brickbook.core.page import Axis, Chart, LimitLine
from brickbook.publish.charts import drawn_svg, in_the_dark, off_scale, vega_lite
from brickbook.publish.looks import MUTED, PAPER, Size, spread, text_width, wrap
from brickbook.publish.specs import Json, letters, rules

__all__ = ["FRAMES", "SAFE_RATIO", "SQUARE", "VIDEO", "Frame", "Theme", "digest_of", "draw", "parts_of", "picture"]

Theme = Literal["light", "dark"]
SAFE_RATIO = 0.9
_LINES = 396.0  # height of the small page [units]
_LETTER = 13.0
_SMALL = 10.5
_GAP = 7.0
_BOLD = 1.07  # a bold line is wider than `text_width` says
_LEAST_PLOT = 95.0
_MANY = 3  # upright limits over rows, from which on they get letters in a square
_ENGINE = version("vl-convert-python")
_SPACE = "\N{NO-BREAK SPACE}"
_HELD = "\N{INVISIBLE SEPARATOR}"  # stands for a space at which no line may end
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:[mkµM]?(?:V|A|W|Hz|Ω|s|J|C)|min|h|K|°C|g|mm|cm³)\b|%)")


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame to fill.

    Parameters
    ----------
    name
        Part of the file's name.
    width_px, height_px
        Size of the picture [px].
    beside
        Whether there is room for names left and right of the plot.
    titles
        Sizes a title is tried in, largest first [units], and how many lines it may have.
    row
        Least distance of rows [units]; a chart with more rows than fit is drawn in several pictures.
    """

    name: str
    width_px: int
    height_px: int
    beside: bool
    titles: tuple[tuple[float, int], ...]
    row: float

    @property
    def enlarged(self) -> float:
        """Pixels for each unit of the small page."""
        return self.height_px / _LINES

    @property
    def page(self) -> tuple[float, float]:
        """Width and height of the small page [units]."""
        return self.width_px / self.enlarged, _LINES

    @property
    def safe(self) -> tuple[float, float]:
        """Width and height of the title-safe area [units]."""
        width, height = self.page
        return width * SAFE_RATIO, height * SAFE_RATIO


VIDEO = Frame("wide", 1920, 1080, beside=True, titles=((21.0, 2), (18.0, 2), (15.5, 3)), row=20.0)
SQUARE = Frame("square", 1080, 1080, beside=False, titles=((20.0, 2), (17.0, 3), (15.0, 4)), row=45.0)
FRAMES = {frame.name: frame for frame in (VIDEO, SQUARE)}


def parts_of(chart: Chart, frame: Frame) -> tuple[Chart, ...]:
    """The chart, or, when it has more rows than can be read in one picture, several charts with the same axis."""
    names = chart.bars.labels if chart.bars is not None else chart.strip.rows if chart.strip is not None else ()
    most = max(1, int(_rows_room(chart, frame) // frame.row))
    if len(names) <= most:
        return (chart,)
    pieces = -(-len(names) // most)
    size = -(-len(names) // pieces)
    cuts = [(start, min(start + size, len(names))) for start in range(0, len(names), size)]
    axis = _whole_axis(chart)
    out = []
    for place, (start, stop) in enumerate(cuts, start=1):
        title, key = f"{chart.title} ({place} of {len(cuts)})", f"{chart.id}-{place}"
        if chart.bars is not None:
            bars = replace(
                chart.bars,
                labels=tuple(chart.bars.labels[start:stop]),
                values=tuple(tuple(part[start:stop]) for part in chart.bars.values),
                u=tuple(chart.bars.u[start:stop]) if len(chart.bars.u) else (),
            )
            out.append(replace(chart, id=key, title=title, x=axis, bars=bars))
        elif chart.strip is not None:
            rows = tuple(chart.strip.rows[start:stop])
            spans = tuple(span for span in chart.strip.spans if span[0] in rows)
            out.append(replace(chart, id=key, title=title, x=axis, strip=replace(chart.strip, rows=rows, spans=spans)))
    return tuple(out)


def picture(chart: Chart, frame: Frame, *, caption: str = "", credit: str = "", theme: Theme = "light") -> Json:
    """The whole picture as a Vega-Lite specification: title, chart, caption, and who measured what.

    Parameters
    ----------
    chart
        What to draw, of `parts_of`.
    caption
        Under the chart, in whole sentences, as many as leave enough for the chart.
    credit
        The last line, in the smallest letters.

    Raises
    ------
    PublishError
        As `vega_lite`.
    """
    width, height = frame.safe
    title = _title(chart.title, width, frame)
    chart, tags, key = _upright_apart(chart) if frame.beside else _limits_apart(chart, width)
    last = [(line, _SMALL) for line in wrap(credit, width, _SMALL, 1) if credit]
    head = _height(title) + _height(key)
    for most in (3, 2, 1, 0):
        under = _caption(caption, width, most)
        spec, rest = _fitted(chart, frame, height - head - _height([*under, *last]))
        if rest >= _LEAST_PLOT or not under:
            break
    page_width, page_height = frame.page
    side, edge = (page_width - width) / 2, (page_height - height) / 2
    padding = spec["padding"]
    left, top = -padding["left"], -padding["top"] - head
    spec["layer"] += _lines(title, left, top, weight="bold")
    spec["layer"] += _lines(key, left, top + _height(title)) + _tags(spec, tags, chart)
    foot = [*under, *last]
    bottom = height - head - padding["top"] - _height(foot)
    spec["layer"] += _lines(foot, left, bottom + _GAP, colour=MUTED)
    padding["left"] += side
    padding["right"] = page_width - padding["left"] - spec["width"]
    padding["top"] += head + edge
    padding["bottom"] = page_height - padding["top"] - spec["height"]
    spec["padding"] = {key: round(value, 3) for key, value in padding.items()}
    spec["background"] = PAPER
    return in_the_dark(spec) if theme == "dark" else spec


def digest_of(spec: Json, frame: Frame, alt: str) -> str:
    """SHA-256 of all that a picture is made from, in hexadecimal: equal digests, equal pictures."""
    made = [spec, frame.name, frame.width_px, frame.height_px, alt, _ENGINE]
    return hashlib.sha256(json.dumps(made, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def draw(spec: Json, frame: Frame, *, name: str, alt: str) -> tuple[str, bytes]:
    """A picture as SVG text and PNG bytes, both of the frame's size in pixels."""
    root = ET.fromstring(drawn_svg(spec, prefix=f"{name}-", label=alt))  # noqa: S314 - made just now by ourselves
    width, height = frame.page
    root.set("viewBox", f"0 0 {width:.4f} {height:.4f}")
    root.set("width", str(frame.width_px))
    root.set("height", str(frame.height_px))
    svg = ET.tostring(root, encoding="unicode", short_empty_elements=True)
    return svg, bytes(vl_convert.svg_to_png(svg, scale=1.0))


def _upright(limit: LimitLine) -> bool:
    """Whether a limit stands upright: one x for all its y."""
    return len(limit.x) > 1 and max(limit.x) - min(limit.x) <= 1e-9 * max(abs(max(limit.x)), 1.0)


def _upright_apart(chart: Chart) -> tuple[Chart, tuple[tuple[LimitLine, str], ...], list[tuple[str, float]]]:
    """The chart without names on its upright limits, and those names: they stand at the lines, not beside the plot."""
    if chart.bars is not None or chart.strip is not None:
        return chart, (), []
    found = tuple((limit, limit.name) for limit in chart.limits if _upright(limit))
    limits = tuple(replace(limit, name="") if _upright(limit) else limit for limit in chart.limits)
    return replace(chart, limits=limits), found, []


def _limits_apart(
    chart: Chart, width: float
) -> tuple[Chart, tuple[tuple[LimitLine, str], ...], list[tuple[str, float]]]:
    """The chart without names on its limits, the letter each limit gets instead, and the names as lines above the plot.

    Where there is no room beside the plot, a long name would stand in the readings.
    """
    hidden = off_scale(chart)
    shown = [limit for limit in chart.limits if limit.name not in hidden]
    in_rows = chart.bars is not None or chart.strip is not None
    if not shown or (in_rows and len(shown) < _MANY):
        return chart, (), []
    names = list(dict.fromkeys(limit.name for limit in shown))
    marks = {name: "abcdefghijklmnop"[k % 16] for k, name in enumerate(names)}
    words = "; ".join(f"{mark}:{_HELD}{name}" for name, mark in marks.items())
    lines = [line.replace(_HELD, _SPACE) for line in wrap(words, width, _LETTER * 0.92, 4)]
    plain = replace(chart, limits=tuple(replace(limit, name="") for limit in chart.limits))
    if in_rows:  # these are drawn here, lines and all: above the rows each name would take a line of its own
        plain = replace(chart, limits=(), x=_whole_axis(chart))
    return plain, tuple((limit, marks[limit.name]) for limit in shown), [(line, _LETTER * 0.92) for line in lines]


def _tags(spec: Json, tags: Sequence[tuple[LimitLine, str]], chart: Chart) -> list[Json]:
    """Each limit's letter or name at the end of its line: right of the plot, or at the top of an upright line."""
    if chart.bars is not None or chart.strip is not None:
        return _row_tags(spec, tags)
    scales = next(
        (layer["encoding"] for layer in spec["layer"] if _has_domain(layer, "x") and _has_domain(layer, "y")), None
    )
    if scales is None:
        return []
    width, height = float(spec["width"]), float(spec["height"])

    def place(axis: str, value: float, length: float) -> float:
        return _place(scales[axis]["scale"], value, length)

    beside: list[tuple[float, str]] = []
    out: list[Json] = []
    for limit, mark in tags:
        ys = [limit.y] if isinstance(limit.y, (int, float)) else [y for y in limit.y if math.isfinite(y)]
        if not ys or (scales["y"]["scale"]["type"] == "log" and min(ys) <= 0):
            continue
        if _upright(limit):
            x, y = place("x", float(limit.x[0]), width), height - place("y", float(max(ys)), height)
            half = min(text_width(mark, _LETTER), width) / 2
            out += letters([(min(max(x, half), width - half), max(y - 9, 8), mark)], _LETTER, align="center", halo=True)
        else:
            beside.append((height - place("y", float(ys[-1]), height), mark))
    at = spread([y for y, _ in beside], [_LETTER * 1.1] * len(beside), -_LETTER, height + _LETTER)
    out += letters([(width + 6, y, mark) for y, (_, mark) in zip(at, beside, strict=True)], _LETTER)
    return out


def _row_tags(spec: Json, tags: Sequence[tuple[LimitLine, str]]) -> list[Json]:
    """Upright lines over the rows, each with its letter at the top."""
    scale = next((layer["encoding"]["x"]["scale"] for layer in spec["layer"] if _has_domain(layer, "x")), None)
    if scale is None or not tags:
        return []
    width, height = float(spec["width"]), float(spec["height"])
    at = [(_place(scale, float(limit.y), width), mark) for limit, mark in tags if isinstance(limit.y, (int, float))]
    lines = rules([(x, 8.0, x, height) for x, _ in at], width=1.2)
    return lines + letters([(x, 0.0, mark) for x, mark in at], _LETTER, align="center", halo=True)


def _place(scale: Json, value: float, length: float) -> float:
    """Distance of a value from the low end of an axis [units], held inside it."""
    low, high = (float(end) for end in scale["domain"])
    if scale["type"] == "log":
        low, high, value = math.log(low), math.log(high), math.log(max(value, 1e-300))
    return length * min(max((value - low) / (high - low), 0.0), 1.0)


def _has_domain(layer: Json, axis: str) -> bool:
    scale = layer.get("encoding", {}).get(axis, {}).get("scale")
    return isinstance(scale, dict) and "domain" in scale


def _caption(text: str, width: float, most: int) -> list[tuple[str, float]]:
    """A caption in at most so many lines: all of it, else the whole sentences that fit, else none."""
    size = _SMALL * 1.08
    while text and most:
        lines = wrap(text, width, size, most)
        if not lines[-1].endswith("…"):
            return [(line, size) for line in lines]
        text = text.removesuffix(".").rpartition(". ")[0]
        text = f"{text}." if text else ""
    return []


def _rows_room(chart: Chart, frame: Frame) -> float:
    """Height there is for the rows of a chart [units]."""
    width, height = frame.safe
    title = _title(f"{chart.title} (9 of 9)", width, frame)
    chart, _, key = (chart, (), []) if frame.beside else _limits_apart(chart, width)
    chrome = vega_lite(chart, size=_size(frame, 100.0, frame.row))["padding"]
    words = _height([("", _SMALL * 1.08), ("", _SMALL)])
    return height - _height(title) - _height(key) - words - float(chrome["top"]) - float(chrome["bottom"])


def _fitted(chart: Chart, frame: Frame, room: float) -> tuple[Json, float]:
    """The chart in a room of that height [units], and how high its plot is."""
    first = vega_lite(chart, size=_size(frame, 100.0, frame.row))
    rest = room - first["padding"]["top"] - first["padding"]["bottom"]
    rows = len(chart.bars.labels) if chart.bars else len(chart.strip.rows) if chart.strip else 0
    pitch = min(max(rest / max(rows, 1), frame.row), frame.row * 2.2)
    spec = vega_lite(chart, size=_size(frame, max(60.0, rest), pitch))
    spare = room - spec["padding"]["top"] - spec["padding"]["bottom"] - spec["height"]
    if spare > 0:  # few rows: they stand in the middle
        spec["padding"]["top"] += spare / 2
    return spec, rest


def _size(frame: Frame, plot_height: float, row: float) -> Size:
    return Size(frame.safe[0], plot_height, _LETTER, 2000 if frame.beside else 1000, beside=frame.beside, row=row)


def _title(text: str, width: float, frame: Frame) -> list[tuple[str, float]]:
    """Lines of a title in the largest letters in which all of it can be read."""
    held = _BEFORE_UNIT.sub(_HELD, " ".join(text.split()))
    for size, most in frame.titles:
        lines = wrap(held, width / _BOLD, size, most)
        if not lines[-1].endswith("…") or text.endswith("…"):
            break
    return [(line.replace(_HELD, _SPACE), size) for line in lines]


def _height(lines: Sequence[tuple[str, float]]) -> float:
    return math.fsum(size * 1.25 for _, size in lines) + (_GAP if lines else 0.0)


def _lines(
    lines: Sequence[tuple[str, float]], x: float, y: float, *, weight: str = "normal", colour: str = ""
) -> list[Json]:
    out: list[Json] = []
    for text, size in lines:
        y += size * 1.25
        middle = y - size * 0.625
        out += (
            letters([(x, middle, text)], size, weight=weight, colour=colour)
            if colour
            else letters([(x, middle, text)], size, weight=weight)
        )
    return out


def _whole_axis(chart: Chart) -> Axis:
    """The axis with its ends held where the whole chart needs them, so that all pieces have the same."""
    ends = [float(limit.y) for limit in chart.limits if isinstance(limit.y, (int, float))]
    if chart.bars is not None:
        half = chart.bars.u if len(chart.bars.u) else [0.0] * len(chart.bars.labels)
        for k in range(len(chart.bars.labels)):
            parts = [float(part[k]) for part in chart.bars.values if part[k] == part[k]]
            ends += [sum(v for v in parts if v > 0) + float(half[k]), sum(v for v in parts if v < 0)]
    elif chart.strip is not None:
        ends += [x for _, a, b, _ in chart.strip.spans for x in (a, b)]
    above = [v for v in ends if v > 0]
    if chart.x.scale == "log" and above:
        low, high = min(above) / 2, max(above) * 1.2
    elif chart.bars is not None:
        low, high = min([0.0, *ends]), max([0.0, *ends]) * 1.02
    else:
        low, high = min(ends, default=0.0), max(ends, default=1.0)
        low = 0.0 if 0 <= low <= 0.3 * high else low
    axis = chart.x
    return replace(
        axis, low=axis.low if axis.low is not None else low, high=axis.high if axis.high is not None else high
    )
