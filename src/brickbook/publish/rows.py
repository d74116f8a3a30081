"""Charts with one row for each thing: horizontal bars, plain or stacked, and strips of spans over an axis."""

from __future__ import annotations

import math
from collections.abc import Sequence

from brickbook.core.page import Bars, Chart, Strip
from brickbook.publish.looks import GRID, MUTED, PAPER, Scale, Size, linear_scale, log_scale, text_width, wrap
from brickbook.publish.numbers import plain_text, round_pair
from brickbook.publish.specs import (
    Frame,
    Json,
    Key,
    axes,
    axis_title,
    key_rows,
    letters,
    rules,
    samples,
    series_colour,
    specification,
)

__all__ = ["bar_spec", "strip_spec"]

_BAR = 18.0


def bar_spec(chart: Chart, bars: Bars, size: Size, *, title: bool) -> Json:
    """Horizontal bars; several parts are stacked, negative parts to the left of zero. `chart.x` is the value axis."""
    letter = size.letter
    totals = [[_number(part[k]) for part in bars.values] for k in range(len(bars.labels))]
    right = [sum(v for v in row if v > 0) for row in totals]
    left = [sum(v for v in row if v < 0) for row in totals]
    half = [_number(u) for u in bars.u] if len(bars.u) else [0.0] * len(bars.labels)
    limits = [(float(limit.y), limit.name) for limit in chart.limits if isinstance(limit.y, (int, float))]
    ends = [0.0, *[r + h for r, h in zip(right, half, strict=True)], *left, *[at for at, _ in limits]]
    low = chart.x.low if chart.x.low is not None else min(ends)
    high = chart.x.high if chart.x.high is not None else max(ends) * 1.02 or (1.0 if low >= 0 else 0.0)
    count = size.width * 0.6 / (letter * 6)
    if chart.x.scale == "log":
        above = [v for v in ends if v > 0] or [1.0, 10.0]
        scale = log_scale(chart.x.low or min(above) / 2, chart.x.high or max(above) * 1.2, count)
    else:
        scale = linear_scale(
            low,
            high,
            count,
            hold_low=low >= 0 or chart.x.low is not None,
            hold_high=True,
            to_ticks=True,
        )
    keys = [Key(name, "patch", k, series_colour(k)) for k, name in enumerate(bars.parts)] if len(bars.parts) > 1 else []
    words = [_bar_words(row, h, chart.x.unit) for row, h in zip(totals, half, strict=True)]
    tips = [max(r, r + n + h) for r, n, h in zip(right, left, half, strict=True)]
    frame, centres, step = _row_frame(
        bars.labels,
        size,
        keys,
        limits,
        [(scale.place(max(t, scale.low), 1.0), w) for t, w in zip(tips, words, strict=True)],
    )

    x_enc, _ = axes(scale, None, frame)
    x_enc["axis"] = {**x_enc["axis"], "grid": True, "domain": False, "ticks": False}
    layers = _axis_carrier(x_enc, scale)
    thick = min(_BAR, step * 0.62)
    for k in range(len(bars.parts)):
        values: list[Json] = []
        for row, centre in enumerate(centres):
            value = totals[row][k]
            if value == 0.0:
                continue
            before = sum(v for v in totals[row][:k] if (v > 0) == (value > 0))
            start = max(before, scale.low) if scale.log else before
            values.append(
                {
                    "x": start,
                    "x2": before + value,
                    "top": round(centre - thick / 2, 2),
                    "foot": round(centre + thick / 2, 2),
                }
            )
        if values:
            layers.append(
                _boxes(
                    values,
                    x_enc,
                    {
                        "color": series_colour(k),
                        "opacity": 0.9,
                        "stroke": PAPER,
                        "strokeWidth": 1 if len(bars.parts) > 1 else 0,
                    },
                )
            )
    if not scale.log:
        zero = scale.place(0.0, frame.width)
        layers += rules([(zero, 0, zero, frame.height)], colour=MUTED, width=1.0)
    layers += _upright_limits(limits, scale, frame)
    bar_ends: list[float] = []
    error: list[tuple[float, float, float, float]] = []
    for row, centre in enumerate(centres):
        net = right[row] + left[row]
        reach = scale.place(max(right[row], scale.low), frame.width)
        if half[row] > 0.0:
            a, b = (scale.place(max(net + sign * half[row], scale.low), frame.width) for sign in (-1, 1))
            if (b - a) / 2 > 2.0:
                error.append((a, centre, b, centre))
                error += [(end, centre - 4, end, centre + 4) for end in (a, b)]
                reach = max(reach, b)
        bar_ends.append(reach)
    layers += rules(error, width=1.3)
    layers += letters(
        [(end + 6, centre, text) for end, centre, text in zip(bar_ends, centres, words, strict=True)],
        letter * 0.96,
        halo=True,
    )
    frame.layers = layers + frame.layers
    frame.layers += letters(
        [(frame.width, frame.height + letter * 2.4, axis_title(chart.x, size))], letter, align="right", colour=MUTED
    )
    return specification(chart, frame, title=title)


def strip_spec(chart: Chart, strip: Strip, size: Size, *, title: bool) -> Json:
    """Spans on rows over `chart.x`. Each kind has a colour, and its name stands inside every span it fits in."""
    letter = size.letter
    kinds = list(dict.fromkeys(kind for _, _, _, kind in strip.spans))
    ends = [x for _, a, b, _ in strip.spans for x in (a, b)]
    limits = [(float(limit.y), limit.name) for limit in chart.limits if isinstance(limit.y, (int, float))]
    ends += [at for at, _ in limits]
    low = chart.x.low if chart.x.low is not None else min(ends, default=0.0)
    high = chart.x.high if chart.x.high is not None else max(ends, default=1.0)
    count = size.width * 0.6 / (letter * 6)
    if chart.x.scale == "log":
        scale = log_scale(low, high, count)
    else:
        low = 0.0 if chart.x.low is None and 0 <= low <= 0.3 * high else low
        scale = linear_scale(low, high, count, hold_low=True, hold_high=True, to_ticks=False)
    keys = [Key(kind, "span", k, series_colour(k)) for k, kind in enumerate(kinds)]
    frame, centres, step = _row_frame(strip.rows, size, keys, limits, ())
    x_enc, _ = axes(scale, None, frame)
    layers = _axis_carrier(x_enc, scale)
    layers += rules([(0.0, centre, frame.width, centre) for centre in centres], colour=GRID, width=1.0)
    thick = min(22.0, step * 0.7)
    inside: list[tuple[float, float, str]] = []
    for k, kind in enumerate(kinds):
        values: list[Json] = []
        for row, start, stop, own in strip.spans:
            if own != kind:
                continue
            centre = centres[list(strip.rows).index(row)]
            a, b = (scale.place(max(min(v, scale.high), scale.low), frame.width) for v in (start, stop))
            values.append(
                {
                    "left": round(a, 2),
                    "right": round(max(b, a + 2.0), 2),
                    "top": round(centre - thick / 2, 2),
                    "foot": round(centre + thick / 2, 2),
                }
            )
            if text_width(kind, letter * 0.9) + 8 < b - a:
                inside.append(((a + b) / 2, centre, wrap(kind, b - a, letter * 0.9, 1)[0]))
        pixels = {"type": "quantitative", "scale": None, "axis": None}
        for look in (
            {"color": PAPER},
            {"color": series_colour(k), "fillOpacity": 0.28, "stroke": series_colour(k), "strokeWidth": 1},
        ):
            layers.append(
                {
                    "data": {"values": values},
                    "mark": {"type": "rect", **look},
                    "encoding": {
                        "x": {"field": "left", **pixels},
                        "x2": {"field": "right"},
                        "y": {"field": "top", **pixels},
                        "y2": {"field": "foot"},
                    },
                }
            )
    layers += letters(inside, letter * 0.9, align="center")
    layers += _upright_limits(limits, scale, frame)
    frame.layers = layers + frame.layers
    frame.layers += letters(
        [(frame.width, frame.height + letter * 2.4, axis_title(chart.x, size))], letter, align="right", colour=MUTED
    )
    return specification(chart, frame, title=title)


def _row_frame(
    names: Sequence[str],
    size: Size,
    keys: Sequence[Key],
    limits: Sequence[tuple[float, str]],
    words: Sequence[tuple[float, str]],
) -> tuple[Frame, list[float], float]:
    """Margins, the centre of each row and the rows' pitch; names stand left of the rows, or above them when narrow."""
    letter = size.letter
    frame = Frame(size)
    lines = [wrap(name, 210 if size.beside else size.width - 24, letter, 2) for name in names]
    pitch = (32.0 if size.beside else 46.0) if size.row is None else size.row
    frame.height = max(pitch, pitch * len(names))
    if size.beside:
        frame.left = max((text_width(line, letter) for each in lines for line in each), default=0.0) + 18
        centres = [pitch * (k + 0.5) for k in range(len(names))]
    else:
        frame.left = 14.0
        centres = [pitch * k + 33.0 for k in range(len(names))]
    # each bar's words (its end as a share of the axis, text) must fit beyond it
    room = size.width - frame.left
    beyond = [room - (room - 16 - text_width(text, letter)) / share for share, text in words if share > 0.05]
    frame.right = min(max([letter * 1.6, *beyond]), room * 0.6)
    frame.width = size.width - frame.left - frame.right
    frame.bottom = letter * 3.0
    placed, key_height = key_rows(keys, size.width - 16, letter)
    limit_rows = len(limits)
    frame.top = key_height + limit_rows * letter * 1.3 + 8
    if placed:
        frame.layers += samples([(8 - frame.left + x, -frame.top + y, key) for x, y, key, _ in placed])
        frame.layers += letters([(34 - frame.left + x, -frame.top + y, name) for x, y, _, name in placed], letter)
    if size.beside:
        frame.layers += letters(
            [
                (-10, centre - (len(each) - 1) * letter * 0.6, "\n".join(each))
                for centre, each in zip(centres, lines, strict=True)
            ],
            letter,
            align="right",
        )
    else:
        frame.layers += letters(
            [
                (5, centre - 19, wrap(name, size.width - 24, letter, 1)[0])
                for centre, name in zip(centres, names, strict=True)
            ],
            letter,
            halo=True,
        )
    return frame, centres, pitch if size.beside else 28.0


def _axis_carrier(x_enc: Json, scale: Scale) -> list[Json]:
    return [
        {
            "data": {"values": [{"x": scale.low}]},
            "mark": {"type": "point", "opacity": 0, "size": 0, "color": MUTED, "y": 0},
            "encoding": {"x": {**x_enc, "field": "x"}},
        }
    ]


def _boxes(values: list[Json], x_enc: Json, look: Json) -> Json:
    pixels = {"type": "quantitative", "scale": None, "axis": None}
    return {
        "data": {"values": values},
        "mark": {"type": "rect", "clip": True, **look},
        "encoding": {
            "x": {**x_enc, "field": "x"},
            "x2": {"field": "x2"},
            "y": {"field": "top", **pixels},
            "y2": {"field": "foot"},
        },
    }


def _upright_limits(limits: Sequence[tuple[float, str]], scale: Scale, frame: Frame) -> list[Json]:
    """Limits as upright lines, each name above the plot on a line of its own so that none overlap."""
    letter = frame.size.letter
    lines: list[tuple[float, float, float, float]] = []
    out: list[Json] = []
    for k, (at, name) in enumerate(sorted(limits)):
        if not scale.low <= at <= scale.high:
            continue
        x = scale.place(at, frame.width)
        # the leftmost stands lowest and each ends at its own line, so that no line runs through a name
        y = -6 - letter * 1.3 * k - letter * 0.4
        lines.append((x, y + letter * 0.65, x, frame.height))
        text = wrap(name, frame.width + frame.left - 16, letter, 1)[0]
        wide = text_width(text, letter)
        if x - wide >= 8 - frame.left:
            out += letters([(x, y, text)], letter, align="right", halo=True)
        else:
            out += letters([(8 - frame.left, y, text)], letter, halo=True)
    return [*rules(lines, width=1.2), *out]


def _number(value: float) -> float:
    return float(value) if math.isfinite(value) else 0.0


def _bar_words(parts: Sequence[float], half: float, unit: str) -> str:
    total = math.fsum(parts)
    if half > 0.0:
        number, uncertainty = round_pair(total, half)
        return f"({number} ± {uncertainty})\u00a0{unit}" if unit else f"{number} ± {uncertainty}"
    shown = plain_text(float(f"{total:.3g}"))
    return f"{shown}\u00a0{unit}" if unit else shown
