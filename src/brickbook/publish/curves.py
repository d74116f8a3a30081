"""Charts over two numeric axes: measured points and lines, bands, and limits drawn with their names."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from brickbook.core.page import Axis, Band, Chart, LimitLine
from brickbook.publish.decimation import keep_extremes, runs
from brickbook.publish.looks import (
    DASHES,
    INK,
    MUTED,
    SERIES,
    SHAPES,
    Scale,
    Size,
    linear_scale,
    log_scale,
    spread,
    text_width,
    wrap,
)
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

__all__ = ["curve_spec", "drawable"]

FloatArray = NDArray[np.float64]
_Box = tuple[float, float, float, float]  # left, top, right, foot [px]
_MANY = 60  # above this many points marks and bars merge: a line and a shaded band say more
_VISIBLE = 4.0  # an uncertainty bar shorter than the mark's half height [px] is not seen


@dataclass(frozen=True, slots=True)
class _Curve:
    """A series ready to draw: only points that can stand on the axes, cut into runs."""

    name: str
    style: str
    x: FloatArray
    y: FloatArray
    u: FloatArray
    run: NDArray[np.int64]
    number: int
    index: int  # of its colour, mark and dash
    dense: bool


def drawable(values: Sequence[float], axis: Axis) -> NDArray[np.bool_]:
    """Which values can stand on an axis: finite, and above zero on a logarithmic one."""
    array = np.asarray(values, dtype=np.float64)
    ok = np.isfinite(array)
    return ok & (array > 0) if axis.scale == "log" else ok


def curve_spec(chart: Chart, size: Size, *, title: bool) -> Json:
    """Vega-Lite for series, bands and limit lines over numeric axes."""
    curves = _curves(chart, size.points)
    x_scale, y_scale = _scales(chart, curves, size)
    letter = size.letter
    frame = Frame(size, height=size.plot_height)
    frame.left = y_scale.label_width(letter) + 14
    frame.bottom = letter * 3.1
    several = len(curves) + len(chart.bands) > 1 or bool(chart.limits)
    keys = _keys(chart, curves) if several else []

    beside: list[tuple[float, float, Key | None, tuple[str, ...]]] = []
    if size.beside:
        beside, keys = _labels_beside(chart, curves, keys, frame, x_scale, y_scale)
    frame.right = max(
        (text_width(line, letter) + (28 if key else 8) for _, _, key, lines in beside for line in lines), default=0.0
    ) + (10 if beside else 22)
    frame.width = size.width - frame.left - frame.right
    placed, key_height = key_rows(keys, size.width - 16, letter)
    frame.top = key_height + letter * 2.2
    if placed:
        offset_x, offset_y = 8 - frame.left, -frame.top
        frame.layers += samples([(offset_x + x, offset_y + y, key) for x, y, key, _ in placed])
        frame.layers += letters([(offset_x + x + 26, offset_y + y, name) for x, y, _, name in placed], letter)

    under, data = _data_layers(chart, curves, frame, x_scale, y_scale)
    taken: list[_Box] = []
    named = _set_upright(chart, curves, frame, x_scale, y_scale, taken)
    named += [] if beside else _set_inside(chart, curves, frame, x_scale, y_scale, taken)
    frame.layers = under + named + data + frame.layers  # a name may be crossed by the readings, never hide them
    frame.layers += letters([(8 - frame.left, -letter * 1.2, axis_title(chart.y, size))], letter, colour=MUTED)
    frame.layers += letters(
        [(frame.width, frame.height + letter * 2.5, axis_title(chart.x, size))], letter, align="right", colour=MUTED
    )
    _set_beside(beside, frame)
    if not curves and not chart.bands:
        frame.layers += letters(
            [(frame.width / 2, frame.height / 2, "no readings to draw")],
            letter,
            align="center",
            colour=MUTED,
            halo=True,
        )
    return specification(chart, frame, title=title)


def _curves(chart: Chart, budget: int) -> list[_Curve]:
    out: list[_Curve] = []
    share = max(8, budget // max(1, len(chart.series)))
    hues = _hues(chart)
    for number, series in enumerate(chart.series):
        x, y = np.asarray(series.x, dtype=np.float64), np.asarray(series.y, dtype=np.float64)
        u = np.asarray(series.u_y, dtype=np.float64) if len(series.u_y) else np.full(len(y), np.nan)
        valid = drawable(series.x, chart.x) & drawable(series.y, chart.y)
        stretches = runs(valid)
        total = sum(stop - start for start, stop in stretches)
        kept: list[NDArray[np.int64]] = []
        numbers: list[NDArray[np.int64]] = []
        for run, (start, stop) in enumerate(stretches):
            own = max(4, int(share * (stop - start) / total)) if total > share else stop - start
            part = start + keep_extremes(y[start:stop], max(4, own))
            kept.append(part)
            numbers.append(np.full(len(part), run, dtype=np.int64))
        if not kept:
            continue
        at = np.concatenate(kept)
        out.append(
            _Curve(
                series.name,
                series.style,
                x[at],
                y[at],
                u[at],
                np.concatenate(numbers),
                number,
                hues[series.name],
                total > _MANY,
            )
        )
    return out


def _hues(chart: Chart) -> dict[str, int]:
    """Which colour each series has: "230 V mains, fitted" that of "230 V mains", the others one after another."""
    own = [series.name for series in chart.series if series.style != "dashed"]
    hues: dict[str, int] = {}
    for series in chart.series:
        base = next((n for n in own if series.style == "dashed" and series.name.startswith(f"{n}, ")), series.name)
        hues.setdefault(base, len(set(hues.values())))
        hues[series.name] = hues[base]
    return hues


def _scales(chart: Chart, curves: Sequence[_Curve], size: Size) -> tuple[Scale, Scale]:
    xs: list[float] = []
    ys: list[float] = []
    for curve in curves:
        xs += [float(curve.x.min()), float(curve.x.max())]
        half = np.where(np.isfinite(curve.u), curve.u, 0.0)
        low, high = curve.y - half, curve.y + half
        ys += [
            float(low[low > 0].min()) if chart.y.scale == "log" and (low > 0).any() else float(low.min()),
            float(high.max()),
        ]
    for band in chart.bands:
        xs += _ends(band.x, chart.x)
        ys += _ends(band.low, chart.y) + _ends(band.high, chart.y)
    for limit in chart.limits:
        if isinstance(limit.y, (int, float)):
            ys += _ends([float(limit.y)], chart.y)
        else:
            ys += _ends(limit.y, chart.y)
            xs += _ends(limit.x, chart.x)
    plot = size.width * (0.72 if size.beside else 0.85)
    return (
        _scale(chart.x, xs, plot / (size.letter * 6), to_ticks=False),
        _scale(chart.y, ys, size.plot_height / (size.letter * 4), to_ticks=True),
    )


def _scale(axis: Axis, found: Sequence[float], count: float, *, to_ticks: bool) -> Scale:
    low, high = (min(found), max(found)) if found else (0.0, 1.0)
    if axis.scale == "log":
        if not found:
            low, high = 1.0, 10.0
        low, high = axis.low or low / 1.1, axis.high or high * 1.1
        return log_scale(low, high, count)
    reach = high - low
    if axis.low is not None:
        low = axis.low
    elif not to_ticks:
        low = 0.0 if 0 <= low <= 0.3 * high else low - 0.02 * reach
    elif 0 <= low <= 0.25 * high:
        low = 0.0
    else:
        low = max(0.0, low - 0.03 * reach) if low >= 0 else low - 0.03 * reach
    if axis.high is not None:
        high = axis.high
    else:
        high += (0.03 if to_ticks else 0.02) * reach
    return linear_scale(
        low,
        high,
        count,
        hold_low=axis.low is not None or not to_ticks,
        hold_high=axis.high is not None or not to_ticks,
        to_ticks=to_ticks,
    )


def _ends(values: Sequence[float], axis: Axis) -> list[float]:
    array = np.asarray(values, dtype=np.float64)
    array = array[np.isfinite(array) & ((array > 0) | (axis.scale != "log"))]
    return [float(array.min()), float(array.max())] if len(array) else []


def _keys(chart: Chart, curves: Sequence[_Curve]) -> list[Key]:
    out = []
    for curve in curves:
        kind: Literal["line", "points", "dashed"]
        if curve.style == "points" and not curve.dense:
            kind, index = "points", curve.index
        elif curve.style == "dashed":
            kind, index = "dashed", curve.index
        else:
            kind, index = "line", curve.index if _by_dash(chart) else 0
        out.append(Key(curve.name, kind, index, series_colour(curve.index)))
    out += [Key(band.name, "span", k, _band_colour(chart, band)) for k, band in enumerate(_own_bands(chart))]
    return out


def _by_dash(chart: Chart) -> bool:
    """Whether lines are told apart by their dashes too: not where dashes mean what is fitted or predicted."""
    return all(series.style != "dashed" for series in chart.series)


def _own_bands(chart: Chart) -> list[Band]:
    """Bands that need a key: one with a series' name has that series' colour, and its key says it already."""
    return [band for band in chart.bands if all(series.name != band.name for series in chart.series)]


def _band_colour(chart: Chart, band: Band) -> str:
    """The colour of the series of the same name; a band of its own is grey, further ones take free colours."""
    hues = _hues(chart)
    if band.name in hues:
        return series_colour(hues[band.name])
    place = _own_bands(chart).index(band)
    return MUTED if place == 0 else SERIES[(len(set(hues.values())) + place - 1) % len(SERIES)]


def _limit_end(limit: LimitLine, x_scale: Scale) -> float | None:
    """Height of a limit at the right end of the plot, or of its own last point."""
    if isinstance(limit.y, (int, float)):
        return float(limit.y)
    y = np.asarray(limit.y, dtype=np.float64)
    inside = np.flatnonzero(np.isfinite(y) & (np.asarray(limit.x, dtype=np.float64) <= x_scale.high))
    return float(y[inside[-1]]) if len(inside) else None


def _labels_beside(
    chart: Chart, curves: Sequence[_Curve], keys: list[Key], frame: Frame, x_scale: Scale, y_scale: Scale
) -> tuple[list[tuple[float, float, Key | None, tuple[str, ...]]], list[Key]]:
    """Names that stand right of the plot as (height wanted, height given, key, lines), and keys left for the top.

    Limits always stand there. Series do when each ends near the right edge and none has to move far from its end.
    """
    letter = frame.size.letter

    def down(value: float) -> float:
        return frame.height - y_scale.place(min(max(value, y_scale.low), y_scale.high), frame.height)

    limits: list[tuple[float, Key | None, tuple[str, ...]]] = []
    for limit in chart.limits:
        end = None if _is_upright(limit) else _limit_end(limit, x_scale)
        if limit.name and end is not None and y_scale.low <= end <= y_scale.high:
            limits.append((down(end), None, wrap(limit.name, 168, letter, 3)))
    direct: list[tuple[float, Key | None, tuple[str, ...]]] = []
    if keys and len(curves) <= 6:
        for key, curve in zip(keys, curves, strict=False):
            near = x_scale.place(float(curve.x[-1]), 1.0) > 0.88 and curve.run[-1] == curve.run.max()
            if near:
                direct.append((down(float(curve.y[-1])), key, wrap(key.name, 150, letter, 2)))
        for key, band in zip(keys[len(curves) :], _own_bands(chart), strict=True):
            ends = [v for v in (band.low[-1], band.high[-1]) if math.isfinite(v)] if len(band.low) else []
            if ends and x_scale.place(float(band.x[-1]), 1.0) > 0.88:
                direct.append((down(sum(ends) / len(ends)), key, wrap(key.name, 150, letter, 2)))
    for chosen, left in ((limits + direct, []), (limits, keys)):
        if chosen is not limits and len(direct) < len(keys):
            continue
        heights = [len(lines) * letter * 1.2 + 5 for _, _, lines in chosen]
        given = spread([wanted for wanted, _, _ in chosen], heights, -letter, frame.height + letter)
        moved = max((abs(a - b) for a, (b, key, _) in zip(given, chosen, strict=True) if key), default=0.0)
        if moved <= letter * 2.2 or chosen is limits:
            return [(w, g, key, lines) for g, (w, key, lines) in zip(given, chosen, strict=True)], list(left)
    return [], keys


def _set_beside(beside: Sequence[tuple[float, float, Key | None, tuple[str, ...]]], frame: Frame) -> None:
    letter = frame.size.letter
    leaders: list[tuple[float, float, float, float]] = []
    for wanted, given, key, lines in beside:
        top = given - (len(lines) - 1) * letter * 0.6
        start = frame.width + 8
        if abs(wanted - given) > 3:
            leaders.append((frame.width, wanted, start - 1, given))
        if key:
            frame.layers += samples([(start, given, key)])
            start += 25
        elif abs(wanted - given) <= 3:
            leaders.append((frame.width, wanted, frame.width + 5, given))
        frame.layers += letters([(start, top, "\n".join(lines))], letter)
    frame.layers += rules(leaders, colour=MUTED, width=0.8)


def _places(curves: Sequence[_Curve], frame: Frame, x_scale: Scale, y_scale: Scale) -> list[tuple[float, float]]:
    """Where the readings run [px]: letters had better not stand there."""
    points: list[tuple[float, float]] = []
    for curve in curves:
        px = [x_scale.place(float(x), frame.width) for x in curve.x]
        py = [frame.height - y_scale.place(float(y), frame.height) for y in curve.y]
        points += zip(px, py, strict=True)
        if len(px) < _MANY:  # between few points the line matters as well
            for share in (0.2, 0.4, 0.6, 0.8):
                points += [
                    (px[k] + share * (px[k + 1] - px[k]), py[k] + share * (py[k + 1] - py[k]))
                    for k in range(len(px) - 1)
                ]
    return points


def _set_inside(
    chart: Chart, curves: Sequence[_Curve], frame: Frame, x_scale: Scale, y_scale: Scale, taken: list[_Box]
) -> list[Json]:
    """On a narrow picture each limit's name stands on its line, where the readings run least."""
    letter = frame.size.letter
    points = _places(curves, frame, x_scale, y_scale)
    out: list[Json] = []
    heights = [
        frame.height - y_scale.place(float(limit.y), frame.height)
        for limit in chart.limits
        if isinstance(limit.y, (int, float)) and float(limit.y) >= y_scale.low
    ]
    for limit in chart.limits:
        end = None if _is_upright(limit) else _limit_end(limit, x_scale)
        if end is None or not y_scale.low <= end <= y_scale.high:
            continue
        lines = wrap(limit.name, frame.width - 8, letter, 2)
        height = len(lines) * letter * 1.2
        wide = max(text_width(line, letter) for line in lines)
        constant = isinstance(limit.y, (int, float))
        best: tuple[float, tuple[float, float, float, float], bool] | None = None
        for right in (True, False) if constant else (True,):
            for above in (True, False):
                left = frame.width - wide - 4 if right else 4.0
                own = frame.height - y_scale.place(end, frame.height)
                top = own - height - 3 if above else own + 3
                box = (left, top, left + wide, top + height)
                cost = sum(1.0 for px, py in points if box[0] - 4 < px < box[2] + 4 and box[1] - 3 < py < box[3] + 3)
                cost += 1000.0 * sum(1 for other in taken if _overlap(box, other))
                cost += 50.0 * sum(1 for at in heights if abs(at - own) > 0.5 and box[1] < at < box[3])
                cost += (
                    200.0 * (box[1] < -letter * 0.3 or box[3] > frame.height) + 0.1 * (not right) + 0.2 * (not above)
                )
                if best is None or cost < best[0]:
                    best = (cost, box, right)
        assert best is not None
        _, box, right = best
        taken.append(box)
        x = box[2] if right else box[0]
        out += letters(
            [(x, box[1] + letter * 0.6, "\n".join(lines))], letter, align="right" if right else "left", halo=True
        )
    return out


def _is_upright(limit: LimitLine) -> bool:
    """Whether a limit is an upright line: an instant, a promised current."""
    return not isinstance(limit.y, (int, float)) and len(limit.x) > 1 and min(limit.x) == max(limit.x)


def _set_upright(
    chart: Chart, curves: Sequence[_Curve], frame: Frame, x_scale: Scale, y_scale: Scale, taken: list[_Box]
) -> list[Json]:
    """Names of upright limits, each about the top of its line, where the readings run least."""
    letter = frame.size.letter
    points = _places(curves, frame, x_scale, y_scale)
    out: list[Json] = []
    level = [
        frame.height - y_scale.place(float(limit.y), frame.height)
        for limit in chart.limits
        if isinstance(limit.y, (int, float)) and float(limit.y) >= y_scale.low
    ]
    upright = [one for one in chart.limits if one.name and _is_upright(one) and x_scale.low <= one.x[0] <= x_scale.high]
    lines = [x_scale.place(float(limit.x[0]), frame.width) for limit in upright]
    for at, limit in sorted(zip(lines, upright, strict=True), key=lambda pair: pair[0]):
        assert not isinstance(limit.y, (int, float))
        top = frame.height - y_scale.place(min(max(limit.y), y_scale.high), frame.height)
        text = wrap(limit.name, frame.width - 8, letter, 1)[0]
        wide = text_width(text, letter)
        places = []
        for row in (-1, 0, 1, 2):
            high = min(top + row * letter * 1.4, frame.height - letter * 1.2)
            for left in (at + 4, at - 4 - wide):
                box = (left, high, left + wide, high + letter * 1.2)
                crossed = sum(1 for other in lines if other != at and box[0] - 2 < other < box[2] + 2)
                crossed += sum(1 for other in level if box[1] - 2 < other < box[3] + 2)
                run_over = sum(1 for x, y in points if box[0] - 3 < x < box[2] + 3 and box[1] - 2 < y < box[3] + 2)
                outside = box[0] < 0 or box[2] > frame.width or box[1] < -letter * 0.5
                met = sum(_overlap(box, other) for other in taken)
                places.append((1000 * outside + 300 * met + 5 * crossed + run_over + 0.1 * abs(row), left < at, box))
        _, is_left, box = min(places)
        taken.append(box)
        x = box[2] if is_left else box[0]
        out += letters([(x, box[1] + letter * 0.6, text)], letter, align="right" if is_left else "left", halo=True)
    return out


def _overlap(a: _Box, b: _Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _data_layers(
    chart: Chart, curves: Sequence[_Curve], frame: Frame, x_scale: Scale, y_scale: Scale
) -> tuple[list[Json], list[Json]]:
    """What lies under the readings (axes, bands, limits), and the readings."""
    x_enc, y_enc = axes(x_scale, y_scale, frame)
    x, y = {**x_enc, "field": "x"}, {**y_enc, "field": "y"}
    layers: list[Json] = [
        {
            # carries the axes even when there is nothing else to draw
            "data": {"values": [{"x": x_scale.low, "y": y_scale.low}]},
            "mark": {"type": "point", "opacity": 0, "size": 0, "color": INK},
            "encoding": {"x": x, "y": y},
        }
    ]
    clip = any(a is not None for a in (chart.x.low, chart.x.high, chart.y.low, chart.y.high))
    for number, band in enumerate(chart.bands):
        layers += _area(
            f"band-{number}",
            band.x,
            band.low,
            band.high,
            chart,
            frame.size.points // (2 * len(chart.bands)),
            x,
            y,
            _band_colour(chart, band),
            clip=clip,
        )
    constant = [
        (0.0, at, frame.width, at)
        for limit in chart.limits
        if isinstance(limit.y, (int, float))
        for at in [frame.height - y_scale.place(float(limit.y), frame.height)]
        if y_scale.low <= float(limit.y) <= y_scale.high
    ]
    layers += rules(constant, width=1.2)
    for number, limit in enumerate(chart.limits):
        if isinstance(limit.y, (int, float)):
            continue
        ok = drawable(limit.x, chart.x) & drawable(limit.y, chart.y)
        lx, ly = np.asarray(limit.x, dtype=np.float64)[ok], np.asarray(limit.y, dtype=np.float64)[ok]
        at = keep_extremes(ly, 200)
        layers.append(
            {
                "description": f"limit-{number}",
                "data": {"values": [{"x": _r(a), "y": _r(b)} for a, b in zip(lx[at], ly[at], strict=True)]},
                "mark": {"type": "line", "color": INK, "strokeWidth": 1.2, "clip": clip},
                "encoding": {"x": x, "y": y},
            }
        )
    return layers, [layer for curve in curves for layer in _curve_layers(curve, chart, frame, x, y, y_scale, clip=clip)]


def _curve_layers(
    curve: _Curve, chart: Chart, frame: Frame, x: Json, y: Json, y_scale: Scale, *, clip: bool
) -> list[Json]:
    colour = series_colour(curve.index)
    out: list[Json] = []
    values = [
        {"x": _r(a), "y": _r(b), "run": int(n), "n": k}
        for k, (a, b, n) in enumerate(zip(curve.x, curve.y, curve.run, strict=True))
    ]
    marked = curve.style == "points" and not curve.dense
    known = np.isfinite(curve.u) & (curve.u > 0)
    low, high = curve.y - curve.u, curve.y + curve.u
    if y_scale.log:
        low = np.where(low > 0, low, y_scale.low)
    seen = known.copy()
    for k in np.flatnonzero(known):
        reach = y_scale.place(max(float(high[k]), y_scale.low), frame.height)
        seen[k] = (reach - y_scale.place(max(float(low[k]), y_scale.low), frame.height)) / 2 > _VISIBLE
    if seen.any() and marked:
        out.append(
            {
                "data": {
                    "values": [{"x": _r(curve.x[k]), "y": _r(low[k]), "y2": _r(high[k])} for k in np.flatnonzero(seen)]
                },
                "mark": {"type": "rule", "color": colour, "strokeWidth": 1.4, "clip": clip},
                "encoding": {"x": x, "y": y, "y2": {"field": "y2"}},
            }
        )
    elif seen.any():
        budget = frame.size.points // 4
        name = f"spread-{curve.number}"
        out += _area(name, curve.x[known], low[known], high[known], chart, budget, x, y, colour, clip=clip)
    line: Json = {
        "type": "line",
        "color": colour,
        "strokeWidth": 1.4 if marked else 2,
        "strokeJoin": "round",
        "clip": clip,
    }
    if curve.style == "step":
        line["interpolate"] = "step-after"
    if curve.style == "dashed":
        line["strokeDash"] = [6, 4]
    elif not marked and curve.index and _by_dash(chart):
        line["strokeDash"] = list(DASHES[curve.index % len(DASHES)])
    out.append(
        {
            "description": f"line-{curve.number}",
            "data": {"values": values},
            "mark": line,
            "encoding": {
                "x": x,
                "y": y,
                "detail": {"field": "run", "type": "nominal"},
                "order": {"field": "n", "type": "quantitative"},
            },
        }
    )
    # a run of one point has no line: it must be seen all the same
    length = Counter(curve.run.tolist())
    alone = values if marked else [v for v in values if length[v["run"]] == 1]
    if alone:
        out.append(
            {
                "data": {"values": alone},
                "mark": {
                    "type": "point",
                    "filled": True,
                    "opacity": 1,
                    "color": colour,
                    "clip": clip,
                    "shape": SHAPES[curve.index % len(SHAPES)],
                    "size": 44 if marked else 16,
                },
                "encoding": {"x": x, "y": y},
            }
        )
    return out


def _area(
    name: str,
    xs: Sequence[float] | FloatArray,
    lows: Sequence[float] | FloatArray,
    highs: Sequence[float] | FloatArray,
    chart: Chart,
    budget: int,
    x: Json,
    y: Json,
    colour: str,
    *,
    clip: bool,
) -> list[Json]:
    ax, low, high = (np.asarray(v, dtype=np.float64) for v in (xs, lows, highs))
    ok = drawable(ax.tolist(), chart.x) & np.isfinite(low) & np.isfinite(high)
    values: list[Json] = []
    for number, (start, stop) in enumerate(runs(ok)):
        share = max(8, int(budget * (stop - start) / max(1, int(ok.sum()))))
        kept = np.union1d(keep_extremes(low[start:stop], share // 2), keep_extremes(high[start:stop], share // 2))
        values += [{"x": _r(ax[k]), "y": _r(low[k]), "y2": _r(high[k]), "run": number} for k in start + kept]
    if not values:
        return []
    return [
        {
            "description": name,
            "data": {"values": values},
            "mark": {"type": "area", "color": colour, "opacity": 0.14 if colour == MUTED else 0.2, "clip": clip},
            "encoding": {"x": x, "y": y, "y2": {"field": "y2"}, "detail": {"field": "run", "type": "nominal"}},
        }
    ]


def _r(number: float) -> float:
    """Eight significant digits: more cannot be seen and makes the page longer."""
    return float(f"{number:.8g}")
