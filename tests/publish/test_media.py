"""Pictures for video and posts: exact sizes, everything inside the title-safe area, nothing cut, only changes drawn."""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.core.page import Axis, Bars, Chart, LimitLine, Series, Strip
from brickbook.publish.looks import DARK, INK, PAPER, text_width
from brickbook.publish.media.frames import FRAMES, SAFE_RATIO, SQUARE, VIDEO, digest_of, draw, parts_of, picture
from brickbook.publish.media.store import smaller_png

SVG = "{http://www.w3.org/2000/svg}"
LOADS = [10.0, 25.0, 50.0, 75.0, 100.0]
CURVE = Chart(
    "eff",
    "At 230 V it wastes least, at a quarter of the load: 91.5 % of what it takes comes out at 20 V",
    "A line that rises and stays.",
    Axis("load, share of nameplate current", "%"),
    Axis("efficiency", "%"),
    series=(
        Series("115 V mains", LOADS, [80.0, 90.0, 91.0, 90.5, 90.0], [3.0, 1.0, 0.5, 0.4, 0.3]),
        Series("230 V mains", LOADS, [78.0, 91.5, 91.4, 91.2, 90.9]),
    ),
    limits=(
        LimitLine("A published text with a long name (2025): least average", 88.0),
        LimitLine("promised", [78.0, 92.0], [60.0, 60.0]),
    ),
    caption="Bars are 95 % intervals, where wider than the mark. Measured at the receptacle.",
)
BARS = Chart(
    "idle",
    "It takes up to 260 mW idle",
    "Bars.",
    Axis("input power", "mW"),
    Axis(""),
    bars=Bars([f"situation {k}, 230 V" for k in range(14)], ["power"], [[20.0 * k for k in range(14)]], [1.5] * 14),
)
STRIP = Chart(
    "hour",
    "C1 folded back after 22 min, from 65 W to 52 W",
    "Spans.",
    Axis("time under load", "min"),
    Axis(""),
    strip=Strip(["A1", "C1"], [("A1", 0, 60, "full power"), ("C1", 0, 22, "full power"), ("C1", 22, 60, "reduced")]),
)
CHARTS = [CURVE, BARS, STRIP]


def texts(svg: str):
    """(x, y, anchor, size, words) of each line of text, in the units of the view box."""

    def walk(element, dx, dy):
        for shift in re.findall(r"translate\(([^)]*)\)", element.get("transform", "")):
            x, _, y = shift.partition(",")
            dx, dy = dx + float(x), dy + float(y or 0)
        if element.tag == f"{SVG}text":
            size = float(element.get("font-size", "0px").removesuffix("px"))
            lines = list(element.iter(f"{SVG}tspan")) or [element]
            for line in lines:
                yield dx, dy, element.get("text-anchor", "start"), size, line.text or ""
        for child in element:
            yield from walk(child, dx, dy)

    return list(walk(ET.fromstring(svg), 0.0, 0.0))


def pixels(png: bytes):
    """Width and height, and the picture's filtered rows, taken apart by hand (PNG, ISO/IEC 15948 clause 5)."""
    packed, at = b"", 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind, body = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        assert struct.unpack(">I", png[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + body)
        packed += body if kind == b"IDAT" else b""
        at += 12 + length
    return struct.unpack(">II", png[16:24]), zlib.decompress(packed)


@pytest.mark.parametrize("frame", FRAMES.values(), ids=FRAMES)
@pytest.mark.parametrize("chart", CHARTS, ids=lambda c: c.id)
def test_every_letter_stands_inside_the_safe_area(chart, frame):
    """SMPTE ST 2046-1:2009 clause 5: the safe title area is 90 % of width and height (from memory)."""
    assert SAFE_RATIO == 0.9
    for part in parts_of(chart, frame):
        spec = picture(part, frame, caption=part.caption, credit="A charger. Measured on one sample by A. Tester")
        svg, png = draw(spec, frame, name=part.id, alt=part.alt)
        assert pixels(png)[0] == (frame.width_px, frame.height_px)
        root = ET.fromstring(svg)
        assert (root.get("width"), root.get("height")) == (str(frame.width_px), str(frame.height_px))
        width, height = (float(v) for v in root.get("viewBox").split()[2:])
        px = frame.height_px / height
        found = texts(svg)
        assert len(found) > 8
        for x, y, anchor, size, words in found:
            assert "…" not in words
            assert size * px >= 28  # the smallest letters: 1/38 of the height
            wide = text_width(words, size)
            left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
            assert 0.05 * width - 1 <= left, words
            assert left + wide <= 0.95 * width + 0.04 * wide + 1, words  # widths are estimated
            # capitals and descenders of a usual sans-serif face are 0.73 and 0.22 of its size
            assert 0.05 * height <= y - 0.73 * size, words
            assert y + 0.22 * size <= 0.95 * height, words


@pytest.mark.parametrize("frame", FRAMES.values(), ids=FRAMES)
def test_a_number_keeps_its_unit(frame):
    for title in ("It takes up to two hundred and thirteen milliwatts idle, no current on 230 V", CURVE.title):
        chart = Chart("t", title, "a", Axis("x"), Axis("y"), series=(Series("s", [0, 1], [0, 1]),))
        svg, _ = draw(picture(chart, frame), frame, name="t", alt="a")
        lines = [words for *_, size, words in texts(svg) if size > 14]
        assert " ".join(lines).replace("\xa0", " ") == title
        assert not any(re.match(r"(?:V|%|mV)\b|%", line) for line in lines)


def test_the_square_names_its_limits_outside_the_readings():
    svg, _ = draw(picture(CURVE, SQUARE), SQUARE, name="t", alt="a")
    words = [w for *_, w in texts(svg)]
    key = "a: A published text with a long name (2025): least average; b: promised"
    assert key in " ".join(words).replace("\xa0", " ")
    assert {"a", "b"} <= set(words)
    assert CURVE.limits[0].name not in words


def test_many_events_over_rows_get_letters_in_a_square():
    events = [(2.0, "C1 plug"), (9.0, "C2 plug"), (15.0, "C2 unplug"), (30.0, "C2 plug")]
    chart = replace(STRIP, limits=tuple(LimitLine(name, at) for at, name in events))
    (part,) = parts_of(chart, SQUARE)
    spec = picture(part, SQUARE)
    svg, _ = draw(spec, SQUARE, name="t", alt="a")
    found = [(x, words.replace("\xa0", " ")) for x, _, _, _, words in texts(svg)]
    assert "a: C1 plug; b: C2 plug; c: C2 unplug" in [words for _, words in found]
    # each letter stands at its event: the axis runs from 0 to 60 min
    at = sorted({(x, words) for x, words in found if words in ("a", "b", "c")})  # a halo is drawn below each
    assert [words for _, words in at] == ["a", "b", "c", "b"]
    left = spec["padding"]["left"]
    assert [x for x, _ in at] == pytest.approx([left + spec["width"] * t / 60 for t, _ in events], abs=0.5)
    # in a wide frame there is room for the names
    wide = [words for *_, words in texts(draw(picture(chart, VIDEO), VIDEO, name="t", alt="a")[0])]
    assert {"C1 plug", "C2 plug", "C2 unplug"} <= set(wide)


@pytest.mark.parametrize("chart", [BARS], ids=lambda c: c.id)
def test_many_rows_make_several_pictures_with_one_axis(chart):
    parts = parts_of(chart, SQUARE)
    assert len(parts) > 1
    assert [label for part in parts for label in part.bars.labels] == list(chart.bars.labels)
    assert [value for part in parts for value in part.bars.values[0]] == list(chart.bars.values[0])
    assert len({(part.x.low, part.x.high) for part in parts}) == 1
    assert len({part.id for part in parts}) == len(parts)
    assert parts_of(STRIP, SQUARE) == (STRIP,)


def test_light_and_dark_have_their_own_inks():
    light, _ = draw(picture(CURVE, VIDEO), VIDEO, name="t", alt="a")
    dark, _ = draw(picture(CURVE, VIDEO, theme="dark"), VIDEO, name="t", alt="a")
    assert INK in light
    assert PAPER in light
    for old, new in DARK.items():
        assert old not in dark
        assert new not in light
    assert texts(light) == texts(dark)


def test_equal_pictures_have_equal_digests_and_bytes():
    one, two = (picture(CURVE, VIDEO, caption="c") for _ in range(2))
    assert digest_of(one, VIDEO, "a") == digest_of(two, VIDEO, "a")
    assert draw(one, VIDEO, name="t", alt="a") == draw(two, VIDEO, name="t", alt="a")
    other = picture(CURVE, VIDEO, caption="d")
    assert digest_of(other, VIDEO, "a") != digest_of(one, VIDEO, "a")
    assert digest_of(one, VIDEO, "b") != digest_of(one, VIDEO, "a")


def test_a_smaller_png_is_the_same_picture():
    _, png = draw(picture(STRIP, VIDEO), VIDEO, name="t", alt="a")
    small = smaller_png(png)
    assert len(small) < 0.6 * len(png)
    assert pixels(small) == pixels(png)


@given(
    title=st.text(max_size=300),
    caption=st.text(max_size=400),
    limits=st.lists(st.tuples(st.text(max_size=80), st.floats(0, 100)), max_size=4),
    rows=st.integers(0, 40),
    frame=st.sampled_from(list(FRAMES.values())),
)
@settings(max_examples=60, deadline=None)
def test_whatever_it_says_the_picture_has_the_frames_size(title, caption, limits, rows, frame):
    lines = tuple(LimitLine(name, at) for name, at in limits)
    chart = Chart("c", title, "a", Axis("x", "W"), Axis("y", "%"), limits=lines)
    if rows:
        chart = Chart(
            "c",
            title,
            "a",
            Axis("x", "W"),
            Axis(""),
            bars=Bars([f"{k}" * 30 for k in range(rows)], ["p"], [[1.0 * k for k in range(rows)]]),
        )
    else:
        chart = Chart(
            "c", title, "a", Axis("x", "W"), Axis("y", "%"), limits=lines, series=(Series("s", LOADS, LOADS),)
        )
    for part in parts_of(chart, frame):
        spec = picture(part, frame, caption=caption, credit="credit")
        pad = spec["padding"]
        width, height = frame.page
        assert spec["width"] + pad["left"] + pad["right"] == pytest.approx(width, abs=0.01)
        assert spec["height"] + pad["top"] + pad["bottom"] == pytest.approx(height, abs=0.01)
        assert spec["width"] > 60
        assert min(pad.values()) > 0
