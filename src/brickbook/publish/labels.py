"""Where names stand in a chart over two axes: beside the plot, on their limits, at upright lines."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.page import Band, Chart, LimitLine
from brickbook.publish.looks import MUTED, Scale, spread, text_width, wrap
from brickbook.publish.specs import Frame, Json, Key, letters, rules, samples

__all__ = ["MANY", "Box", "Curve", "labels_beside", "own_bands", "set_beside", "set_inside", "set_upright"]

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, top, right, foot [px]
MANY = 60  # above this many points marks and bars merge: a line and a shaded band say more


@dataclass(frozen=True, slots=True)
class Curve:
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


def own_bands(chart: Chart) -> list[Band]:
    """Bands that need a key: one with a series' name has that series' colour, and its key says it already."""
    return [band for band in chart.bands if all(series.name != band.name for series in chart.series)]


def _limit_end(limit: LimitLine, x_scale: Scale) -> float | None:
    """Height of a limit at the right end of the plot, or of its own last point."""
    if isinstance(limit.y, (int, float)):
        return float(limit.y)
    y = np.asarray(limit.y, dtype=np.float64)
    inside = np.flatnonzero(np.isfinite(y) & (np.asarray(limit.x, dtype=np.float64) <= x_scale.high))
    return float(y[inside[-1]]) if len(inside) else None


def labels_beside(
    chart: Chart, curves: Sequence[Curve], keys: list[Key], frame: Frame, x_scale: Scale, y_scale: Scale
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
        for key, band in zip(keys[len(curves) :], own_bands(chart), strict=True):
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


def set_beside(beside: Sequence[tuple[float, float, Key | None, tuple[str, ...]]], frame: Frame) -> None:
    """Draw the names `labels_beside` found places for, each with a line that leads to where it belongs."""
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


def _places(curves: Sequence[Curve], frame: Frame, x_scale: Scale, y_scale: Scale) -> list[tuple[float, float]]:
    """Where the readings run [px]: letters had better not stand there."""
    points: list[tuple[float, float]] = []
    for curve in curves:
        px = [x_scale.place(float(x), frame.width) for x in curve.x]
        py = [frame.height - y_scale.place(float(y), frame.height) for y in curve.y]
        points += zip(px, py, strict=True)
        if len(px) < MANY:  # between few points the line matters as well
            for share in (0.2, 0.4, 0.6, 0.8):
                points += [
                    (px[k] + share * (px[k + 1] - px[k]), py[k] + share * (py[k + 1] - py[k]))
                    for k in range(len(px) - 1)
                ]
    return points


def _level_heights(chart: Chart, frame: Frame, y_scale: Scale) -> list[float]:
    """Where the level limits lie, in pixels from the top."""
    return [
        frame.height - y_scale.place(float(limit.y), frame.height)
        for limit in chart.limits
        if isinstance(limit.y, (int, float)) and float(limit.y) >= y_scale.low
    ]


def set_inside(
    chart: Chart, curves: Sequence[Curve], frame: Frame, x_scale: Scale, y_scale: Scale, taken: list[Box]
) -> list[Json]:
    """On a narrow picture each limit's name stands on its line, where the readings run least."""
    letter = frame.size.letter
    points = _places(curves, frame, x_scale, y_scale)
    out: list[Json] = []
    heights = _level_heights(chart, frame, y_scale)
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


def set_upright(
    chart: Chart, curves: Sequence[Curve], frame: Frame, x_scale: Scale, y_scale: Scale, taken: list[Box]
) -> list[Json]:
    """Names of upright limits, each about the top of its line, where the readings run least."""
    letter = frame.size.letter
    points = _places(curves, frame, x_scale, y_scale)
    out: list[Json] = []
    level = _level_heights(chart, frame, y_scale)
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


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
