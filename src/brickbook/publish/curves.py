"""Charts over two numeric axes: measured points and lines, bands, and limits drawn with their names."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from brickbook.core.page import Axis, Band, Chart
from brickbook.publish.decimation import keep_extremes, runs
from brickbook.publish.labels import (
    MANY,
    Box,
    Curve,
    labels_beside,
    own_bands,
    set_beside,
    set_inside,
    set_upright,
)
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
    text_width,
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
_VISIBLE = 4.0  # an uncertainty bar shorter than the mark's half height [px] is not seen


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
        beside, keys = labels_beside(chart, curves, keys, frame, x_scale, y_scale)
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
    taken: list[Box] = []
    named = set_upright(chart, curves, frame, x_scale, y_scale, taken)
    named += [] if beside else set_inside(chart, curves, frame, x_scale, y_scale, taken)
    frame.layers = under + named + data + frame.layers  # a name may be crossed by the readings, never hide them
    frame.layers += letters([(8 - frame.left, -letter * 1.2, axis_title(chart.y, size))], letter, colour=MUTED)
    frame.layers += letters(
        [(frame.width, frame.height + letter * 2.5, axis_title(chart.x, size))], letter, align="right", colour=MUTED
    )
    set_beside(beside, frame)
    if not curves and not chart.bands:
        frame.layers += letters(
            [(frame.width / 2, frame.height / 2, "no readings to draw")],
            letter,
            align="center",
            colour=MUTED,
            halo=True,
        )
    return specification(chart, frame, title=title)


def _curves(chart: Chart, budget: int) -> list[Curve]:
    out: list[Curve] = []
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
            Curve(
                series.name,
                series.style,
                x[at],
                y[at],
                u[at],
                np.concatenate(numbers),
                number,
                hues[series.name],
                total > MANY,
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


def _scales(chart: Chart, curves: Sequence[Curve], size: Size) -> tuple[Scale, Scale]:
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


def _keys(chart: Chart, curves: Sequence[Curve]) -> list[Key]:
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
    out += [Key(band.name, "span", k, _band_colour(chart, band)) for k, band in enumerate(own_bands(chart))]
    return out


def _by_dash(chart: Chart) -> bool:
    """Whether lines are told apart by their dashes too: not where dashes mean what is fitted or predicted."""
    return all(series.style != "dashed" for series in chart.series)


def _band_colour(chart: Chart, band: Band) -> str:
    """The colour of the series of the same name; a band of its own is grey, further ones take free colours."""
    hues = _hues(chart)
    if band.name in hues:
        return series_colour(hues[band.name])
    place = own_bands(chart).index(band)
    return MUTED if place == 0 else SERIES[(len(set(hues.values())) + place - 1) % len(SERIES)]


def _data_layers(
    chart: Chart, curves: Sequence[Curve], frame: Frame, x_scale: Scale, y_scale: Scale
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
    curve: Curve, chart: Chart, frame: Frame, x: Json, y: Json, y_scale: Scale, *, clip: bool
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
