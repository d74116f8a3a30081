"""House style of the charts: colours, marks, sizes, estimated text widths and round tick values.

Widths of text are estimated from a small table and never asked of a font, so that a picture comes out the same on every
machine. Colours are the palette of Okabe & Ito, "Color Universal Design" (2008), which stays distinct under the common
forms of colour blindness; yellow is left out because it is lost on white paper.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "DARK",
    "DASHES",
    "FONT",
    "GRID",
    "INK",
    "MUTED",
    "NARROW",
    "PAPER",
    "SERIES",
    "SHAPES",
    "WIDE",
    "Scale",
    "Size",
    "clean",
    "linear_scale",
    "log_scale",
    "minus_signs",
    "spread",
    "text_width",
    "wrap",
]

INK = "#1c1b19"
MUTED = "#66625a"
GRID = "#dedad1"
PAPER = "#fffefb"
SERIES = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9")
DARK = {INK: "#ece8df", MUTED: "#a8a297", GRID: "#3b3934", PAPER: "#181715"}
SHAPES = ("circle", "square", "triangle-up", "diamond", "triangle-down", "cross")
DASHES = ((1, 0), (8, 3), (2, 2), (10, 3, 2, 3), (5, 2), (12, 4, 2, 4, 2, 4))
FONT = "Helvetica Neue, Helvetica, Arial, Liberation Sans, sans-serif"


@dataclass(frozen=True, slots=True)
class Size:
    """A picture's outer width [px], the height of its plot [px], its letter height [px] and most points drawn."""

    width: float
    plot_height: float
    letter: float
    points: int
    beside: bool  # room for labels beside the plot and rows' names left of it
    row: float | None = None  # pitch of the rows of bars and strips [px]; None: as they need


WIDE = Size(820.0, 300.0, 13.0, 2000, beside=True)
NARROW = Size(360.0, 205.0, 12.0, 800, beside=False)


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis: its ends, ticks and the d3 format of the tick labels."""

    low: float
    high: float
    ticks: tuple[float, ...]
    format: str
    log: bool = False

    def place(self, value: float, length: float) -> float:
        """Distance from the low end [px] of an axis `length` px long."""
        if self.log:
            return length * math.log(value / self.low) / math.log(self.high / self.low)
        return length * (value - self.low) / (self.high - self.low)

    def label_width(self, letter: float) -> float:
        """Width of the widest tick label [px]."""
        shown = [f"{tick:.6g}" if self.log else f"{tick:.{int(self.format[1:-1])}f}" for tick in self.ticks]
        return max((text_width(text, letter) for text in shown), default=0.0)


def linear_scale(low: float, high: float, count: float, *, hold_low: bool, hold_high: bool, to_ticks: bool) -> Scale:
    """A linear axis over at least [low, high] with about `count` round ticks (steps of 1, 2 or 5).

    Ends that are held stay where they are; the others move out to the next tick when `to_ticks`.
    """
    if high <= low:
        middle, half = low, max(abs(low) * 0.1, 1e-9 if low else 1.0)
        low = low if hold_low else middle - half
        high = high if hold_high and high > low else max(middle, low) + half
    rough = (high - low) / max(count, 1.0)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9) if hold_low or not to_ticks else math.floor(low / step + 1e-9)
    last = math.floor(high / step + 1e-9) if hold_high or not to_ticks else math.ceil(high / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = tuple(round(k * step, decimals + 2) for k in range(first, last + 1))
    ends = (low if hold_low or not to_ticks else first * step, high if hold_high or not to_ticks else last * step)
    return Scale(round(ends[0], 12), round(ends[1], 12), ticks, f".{decimals}f")


def log_scale(low: float, high: float, count: float) -> Scale:
    """A logarithmic axis over [low, high], both above zero, ticks at 1, 2, 5 or at powers of ten."""
    if high <= low:
        low, high = low / 2, high * 2
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for steps in ((1, 2, 5), (1,)):
        ticks = [m * 10.0**e for e in range(first, last + 1) for m in steps]
        ticks = [t for t in ticks if low * (1 - 1e-9) <= t <= high * (1 + 1e-9)]
        if len(ticks) <= count * 1.5:
            break
    else:
        ticks = ticks[:: math.ceil(len(ticks) / count)]
    shown = "~s" if max(ticks, default=1.0) >= 10_000 and min(ticks, default=1.0) >= 1 else "~g"
    return Scale(low, high, tuple(float(f"{t:.6g}") for t in ticks), shown, log=True)


def clean(text: str) -> str:
    """Text that may stand in HTML and XML: control characters and lone surrogates become U+FFFD, which is seen."""
    return "".join(
        "\N{REPLACEMENT CHARACTER}"
        if (unicodedata.category(c) in ("Cc", "Cs") and c not in "\t\n\r")
        or (ord(c) & 0xFFFE) == 0xFFFE
        or 0xFDD0 <= ord(c) <= 0xFDEF
        else c
        for c in text
    )


_NEGATIVE = re.compile(r"(?<![\w.\u2013-])-(?=\d)")
_NOTHING = re.compile(r"(?<![\w.])[-\u2212]?0(?:\.0+)?(?=[\s\u00a0](?:[mµk]?[AVW]|%|°C)(?!\w))")


def minus_signs(text: str) -> str:
    """Prose with true minus signs before numbers, and no sign or decimals before nothing: "-0.0 A" is "0 A"."""
    return _NEGATIVE.sub("\N{MINUS SIGN}", _NOTHING.sub("0", text))


def text_width(text: str, letter: float) -> float:
    """Estimated width of a line [px] in a usual sans-serif face."""
    total = 0.0
    for c in text:
        if c in "ijl.,'|:;!ftI()[] /\u00a0":
            total += 0.31
        elif c in "mwMW@%—":
            total += 0.88
        elif unicodedata.east_asian_width(c) in "WF":
            total += 1.1
        elif unicodedata.combining(c) or unicodedata.category(c) == "Cf":
            total += 0.0
        elif c.isupper():
            total += 0.69
        else:
            total += 0.56
    return total * letter


def wrap(text: str, width: float, letter: float, lines: int) -> tuple[str, ...]:
    """Text broken into at most `lines` lines of about `width` px; the last ends in "…" when it did not fit."""
    out: list[str] = []
    words = " ".join(clean(text).split()).split(" ")
    line = ""
    for word in words:
        trial = f"{line} {word}" if line else word
        if text_width(trial, letter) <= width:
            line = trial
            continue
        if line:
            out.append(line)
        rest = word
        while text_width(rest, letter) > width:
            cut = next(k for k in range(len(rest), 0, -1) if k == 1 or text_width(rest[:k], letter) <= width)
            out.append(rest[:cut])
            rest = rest[cut:]
            if len(out) > lines:
                break
        line = rest
        if len(out) > lines:
            break
    if line:
        out.append(line)
    if len(out) <= lines:
        return tuple(out) or ("",)
    last = out[lines - 1]
    while last and text_width(last + "…", letter) > width:
        last = last[:-1]
    return (*out[: lines - 1], last.rstrip() + "…")


def spread(wanted: Sequence[float], heights: Sequence[float], low: float, high: float) -> list[float]:
    """Centres as near as can be to those wanted, so that boxes of these heights do not overlap.

    Boxes that touch are joined and moved together to their mean (pool adjacent violators), then held inside
    [low, high] where they fit.
    """
    order = sorted(range(len(wanted)), key=lambda k: (wanted[k], k))
    groups: list[tuple[list[int], float, float]] = []  # members, top, total height
    for k in order:
        members, height = [k], heights[k]
        top = wanted[k] - height / 2
        while groups and groups[-1][1] + groups[-1][2] > top:
            before, top_before, height_before = groups.pop()
            n, m = len(before), len(members)
            # each group's top is a mean over its members of (wanted top - own offset)
            top = (top_before * n + (top - height_before) * m) / (n + m)
            members, height = before + members, height_before + height
        groups.append((members, max(top, low), height))
    centres = [0.0] * len(wanted)
    ceiling = high
    for members, top, height in reversed(groups):
        at = min(top, ceiling - height)
        ceiling = at
        for k in members:
            centres[k] = at + heights[k] / 2
            at += heights[k]
    return centres
