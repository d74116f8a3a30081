"""Charts: the specification is valid Vega-Lite, the picture holds what it says and is the same each time."""

import itertools
import math
import re
import struct
from importlib.resources import files
from xml.etree import ElementTree as ET

import altair as alt
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.core.errors import PublishError
from brickbook.core.page import Axis, Band, Bars, Chart, LimitLine, Series, Strip
from brickbook.publish.charts import chart_png, chart_svg, left_out, off_scale, vega_lite
from brickbook.publish.decimation import keep_extremes, runs
from brickbook.publish.looks import (
    DARK,
    GRID,
    INK,
    MUTED,
    NARROW,
    PAPER,
    SERIES,
    WIDE,
    linear_scale,
    log_scale,
    minus_signs,
    spread,
    wrap,
)
from brickbook.publish.svg import page_drawings, shortest_path, thinned

SVG = "{http://www.w3.org/2000/svg}"


def curve(**changes):
    x = [5.0, 25.0, 50.0, 75.0, 100.0]
    fields = {
        "id": "eff",
        "title": "It rises",
        "alt": "It rises and stays.",
        "x": Axis("load", "%"),
        "y": Axis("efficiency", "%"),
        "series": (
            Series("115 V", x, [80.0, 90.0, 91.0, 90.5, 90.0], [3.0, 1.0, 0.5, 0.4, 0.01]),
            Series("230 V", x, [78.0, 89.0, 91.5, 91.2, 90.9]),
        ),
        "limits": (LimitLine("at least 87 %", 87.0),),
        "bands": (Band("permitted", [5.0, 100.0], [85.0, 85.0], [95.0, 95.0]),),
    }
    return Chart(**{**fields, **changes})


BARS = Chart(
    "bars",
    "t",
    "a",
    Axis("loss", "W"),
    Axis(""),
    limits=(LimitLine("limit", 3.0),),
    bars=Bars(("one", "two"), ("fixed", "rest"), [[0.5, 0.4], [1.5, -0.2]], [0.2, 0.1]),
)
STRIP = Chart(
    "strip",
    "t",
    "a",
    Axis("time", "s"),
    Axis(""),
    limits=(LimitLine("plugged in", 3.0),),
    strip=Strip(("C1", "C2"), (("C1", 0.0, 4.0, "20 V"), ("C2", 3.0, 9.0, "9 V"), ("C1", 5.0, 9.0, "9 V"))),
)
LOG = curve(id="log", y=Axis("ripple", "mV", scale="log"), x=Axis("frequency", "Hz", scale="log"), bands=(), limits=())
ALL = (curve(), BARS, STRIP, LOG, curve(id="none", series=(), bands=(), limits=()))


def texts(svg):
    return ["".join(e.itertext()) for e in ET.fromstring(svg).iter(SVG + "text")]


@pytest.mark.parametrize("chart", ALL, ids=lambda c: c.id)
@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_specification_is_valid_vega_lite(chart, size):
    # the Vega-Lite 6 JSON schema as altair carries it
    alt.LayerChart.from_dict(vega_lite(chart, size=size, title=True), validate=True)


@pytest.mark.parametrize("chart", ALL, ids=lambda c: c.id)
def test_the_same_chart_gives_the_same_bytes(chart):
    first = chart_svg(chart)
    chart_svg(BARS)  # the engine numbers clip paths on from picture to picture
    assert chart_svg(chart) == first


def test_svg_is_an_image_with_its_alternative_and_no_script():
    root = ET.fromstring(chart_svg(curve(alt='rises "quickly" & stays')))
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-label"] == 'rises "quickly" & stays'
    assert {e.tag for e in root.iter()} <= {
        SVG + n for n in ("svg", "g", "path", "line", "text", "tspan", "rect", "defs", "clipPath")
    }
    assert not [k for e in root.iter() for k in e.attrib if k.startswith("on") or k.endswith("href")]


def test_ids_differ_from_chart_to_chart():
    one = set(re.findall(r' id="([^"]+)"', chart_svg(BARS)))
    two = set(re.findall(r' id="([^"]+)"', chart_svg(curve(y=Axis("efficiency", "%", low=80.0)))))
    narrow = set(re.findall(r' id="([^"]+)"', chart_svg(BARS, size=NARROW)))
    assert one
    assert two
    assert narrow
    assert not one & two
    assert not one & narrow


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_limits_series_and_axes_are_named_in_the_picture(size):
    found = " ".join(texts(chart_svg(curve(), size=size)))
    for words in ("at least 87 %", "115 V", "230 V", "permitted", "efficiency (%)", "load (%)"):
        assert words in found


def test_uncertainty_bars_only_where_they_can_be_seen():
    spec = vega_lite(curve(bands=(), limits=()))
    bars = [
        layer
        for layer in spec["layer"]
        if "y2" in layer.get("encoding", {})
        and layer["mark"]["type"] == "rule"
        and layer["encoding"]["y"].get("field") == "y"
    ]
    shown = {row["x"] for layer in bars for row in layer["data"]["values"]}
    assert shown == {5.0, 25.0, 50.0, 75.0}  # 0.01 % at the last point is far smaller than its mark


def test_a_gap_stays_a_gap_and_a_lone_point_is_seen():
    svg = chart_svg(
        curve(series=(Series("a", [0, 1, 2, 3, 4], [1, 2, math.nan, 3, math.nan], style="line"),), bands=(), limits=())
    )
    lines = [e for e in ET.fromstring(svg).iter(SVG + "path") if e.get("stroke") == SERIES[0]]
    assert sum(e.get("d").count("L") for e in lines) == 1
    assert [e for e in ET.fromstring(svg).iter(SVG + "path") if e.get("fill") == SERIES[0]]


def test_lines_keep_the_order_of_their_points():
    x, y = [0.0, 3.0, 2.0, 1.0], [20.0, 19.0, 18.0, 17.0]  # a foldback curve turns round
    svg = chart_svg(curve(series=(Series("v(i)", x, y, style="line"),), bands=(), limits=()))
    path = next(e for e in ET.fromstring(svg).iter(SVG + "path") if e.get("stroke") == SERIES[0]).get("d")
    drawn = [float(a) for a in re.findall(r"[ML](-?[\d.]+),", path)]
    assert drawn[1] == max(drawn)
    assert drawn[3] < drawn[2] < drawn[1]


def test_many_points_are_thinned_with_peaks_kept():
    x = np.linspace(0, 1, 50_000)
    y = np.sin(40 * x)
    y[31_234] = 9.0
    spec = vega_lite(curve(series=(Series("a", x.tolist(), y.tolist(), style="line"),) * 2, bands=(), limits=()))
    rows = [row for layer in spec["layer"] for row in layer["data"]["values"] if "run" in row]
    assert len(rows) <= WIDE.points
    assert max(row["y"] for row in rows) == 9.0
    assert min(row["x"] for row in rows) == 0.0
    assert max(row["x"] for row in rows) == 1.0


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400), st.integers(4, 60))
def test_thinning_keeps_ends_and_extremes(values, limit):
    y = np.array(values)
    kept = keep_extremes(y, limit)
    assert len(kept) <= max(limit, 0) or len(kept) == len(y) <= limit
    assert kept[0] == 0
    assert kept[-1] == len(y) - 1
    assert y[kept].max() == y.max()
    assert y[kept].min() == y.min()
    assert (np.diff(kept) > 0).all()


@given(st.lists(st.booleans(), max_size=40))
def test_runs_are_the_stretches_of_true(flags):
    mask = np.array(flags, dtype=bool)
    back = np.zeros(len(mask), dtype=bool)
    for start, stop in runs(mask):
        assert mask[start:stop].all()
        assert start == 0 or not mask[start - 1]
        assert stop == len(mask) or not mask[stop]
        back[start:stop] = True
    assert (back == mask).all()


def test_hostile_text_in_every_word_of_a_chart():
    bad = "<script>alert(1)</script> \"'& \u202e\x00 😀 " + "long" * 60
    chart = curve(
        id=bad,
        title=bad,
        alt=bad,
        x=Axis(bad, bad),
        y=Axis(bad, bad),
        series=(Series(bad, [1, 2], [1, 2]), Series("other " + bad, [1, 2], [2, 1])),
        limits=(LimitLine(bad, 1.5),),
        bands=(Band(bad, [1, 2], [1, 1], [2, 2]),),
    )
    for each in (
        chart,
        Chart("b", bad, bad, Axis(bad), Axis(bad), bars=Bars((bad, bad), (bad, "x"), [[1, 2], [1, 2]])),
        Chart("s", bad, bad, Axis(bad), Axis(bad), strip=Strip((bad,), ((bad, 0, 1, bad),))),
    ):
        for size in (WIDE, NARROW):
            root = ET.fromstring(chart_svg(each, size=size, title=True))
            assert not [e for e in root.iter() if "script" in e.tag]
            assert "\x00" not in ET.tostring(root, encoding="unicode")


def test_ink_paper_and_grid_have_colours_a_style_sheet_can_exchange():
    style = (files("brickbook.publish") / "templates" / "style.css").read_text(encoding="utf-8")
    drawn = " ".join(chart_svg(chart, size=size) for chart in ALL for size in (WIDE, NARROW))
    for kind in ("fill", "stroke"):
        found = set(re.findall(rf'{kind}="(#[0-9a-f]{{6}})"', drawn)) - set(SERIES)
        assert found <= {INK, MUTED, GRID, PAPER}
        assert all(f'[{kind}="{colour}"]' in style for colour in found)


def test_drawings_for_a_page_have_no_colour_or_script_of_their_own():
    style = (files("brickbook.publish") / "templates" / "style.css").read_text(encoding="utf-8")
    for chart in ALL:
        made = page_drawings(chart, "c1")
        for drawing in (made.wide, made.narrow):
            assert "#" not in drawing.replace('href="#', "")
            assert "style=" not in drawing
            root = ET.fromstring(drawing)
            assert {e.tag for e in root.iter()} <= {"svg", "g", "path", "text", "tspan", "use"}
            for name in {c for e in root.iter() for c in e.get("class", "").split()} - {"chart"}:
                assert re.search(rf"\.{name}[ ,{{]", style), name


def engine_texts(svg):
    """Words and places (left, baseline) of the engine's letters, transforms added up."""

    def walk(element, x, y):
        for move in re.findall(r"translate\(([^,]+),([^)]+)\)", element.get("transform", "")):
            x, y = x + float(move[0]), y + float(move[1])
        if element.tag == SVG + "text":
            yield "".join(element.itertext()), x, y
        for child in element:
            yield from walk(child, x, y)

    return list(walk(ET.fromstring(svg), 0.0, 0.0))


@pytest.mark.parametrize("chart", ALL, ids=lambda c: c.id)
@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_letters_stand_where_the_engine_sets_them(chart, size):
    # oracle: the Vega engine's own SVG of the same specification
    made = page_drawings(chart, "c1")
    root = ET.fromstring(made.wide if size is WIDE else made.narrow)
    left, top, _, _ = (float(v) for v in root.get("viewBox").split())
    own = [(("".join(e.itertext())), float(e.get("x")) - left, float(e.get("y")) - top) for e in root.iter("text")]
    seen = engine_texts(chart_svg(chart, size=size))
    assert sorted({words for words, _, _ in own}) == sorted({words for words, _, _ in seen})
    for words, x, y in own:
        # the engine rounds how far a baseline lies below the middle of its letters, and moves axes by half a pixel
        assert min(math.hypot(x - a, y - b) for other, a, b in seen if other == words) < 1.2, words


def polyline(data):
    """Points of relative path data as `page_drawings` writes it (SVG 2, 9.3)."""
    points, x, y = [], 0.0, 0.0
    for letter, numbers in re.findall(r"([Mlhvz])([^Mlhvz]*)", data):
        values = [float(v) for v in re.findall(r"-?[\d.]+", numbers)]
        if letter == "M":
            x, y = values[0], values[1]
            points.append((x, y))
        elif letter == "h":
            points += [(x := x + v, y) for v in values]
        elif letter == "v":
            points += [(x, y := y + v) for v in values]
        elif letter == "l":
            for dx, dy in zip(values[::2], values[1::2], strict=True):
                x, y = x + dx, y + dy
                points.append((x, y))
    return np.array(points)


def apart(point, line):
    """Distance of a point from a polyline."""
    a, b = line[:-1], line[1:]
    d = b - a
    share = np.clip(((point - a) * d).sum(1) / np.maximum((d * d).sum(1), 1e-12), 0, 1)
    return np.hypot(*(a + share[:, None] * d - point).T).min()


@pytest.mark.parametrize("kind", ["wide", "narrow"])
def test_curves_run_where_the_engine_draws_them(kind):
    # oracle: the Vega engine's own SVG; the narrow drawing has to get there through its view box
    x = np.linspace(1, 900, 700)
    chart = curve(
        x=Axis("frequency", "Hz", scale="log"),
        series=(
            Series("a", x.tolist(), (80 + 5 * np.sin(x / 30)).tolist(), style="line"),
            Series("b", [1.0, 30.0, 900.0], [82.0, 91.0, 84.0], style="line"),
        ),
        bands=(),
    )
    made = page_drawings(chart, "c1")
    ids = {e.get("id"): e.get("d") for e in ET.fromstring(made.wide).iter("path") if e.get("id")}
    root = ET.fromstring(getattr(made, kind))
    box = next(e for e in root if e.tag == "svg")
    left, top, width, height = (float(v) for v in box.get("viewBox").split())
    scale = np.array([float(box.get("width")) / width, float(box.get("height")) / height])
    own = [ids[e.get("id") or e.get("href")[1:]] for e in box]
    size = WIDE if kind == "wide" else NARROW
    engine = [
        e.get("d")
        for e in ET.fromstring(chart_svg(chart, size=size)).iter(SVG + "path")
        if e.get("stroke") in SERIES[:2] and e.get("fill") is None and e.get("d").count("L") > 1
    ]
    assert len(own) == len(engine) == 2
    for mine, theirs in zip(own, engine, strict=True):
        line = (polyline(mine) - (left, top)) * scale
        points = np.array([[float(v) for v in p.split(",")] for p in re.findall(r"[ML]([^ML]+)", theirs)])
        assert max(apart(point, line) for point in points) < 0.35
        assert abs(line[:, 1].min() - points[:, 1].min()) < 0.15  # no peak is lost


@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=1, max_size=40))
def test_shortest_paths_come_back_as_they_were(points):
    x, y = [p[0] for p in points], [p[1] for p in points]
    kept = [p for k, p in enumerate(points) if k == 0 or p != points[k - 1] or len(points) <= 2]
    assert polyline(shortest_path(x, y)).tolist() == [list(map(float, p)) for p in kept]


@given(st.lists(st.floats(-300, 300), min_size=2, max_size=120), st.floats(0.1, 5))
def test_a_thinned_line_stays_near_all_its_points(values, flat):
    y = np.array(values)
    x = np.arange(len(y), dtype=float)
    kept = thinned(x, y, flat)
    line = np.column_stack([x[kept], y[kept]])
    assert kept[0] == 0
    assert kept[-1] == len(y) - 1
    assert max(apart(np.array(p), line) for p in zip(x, y, strict=True)) <= flat * (1 + 1e-9)


def test_a_fitted_curve_has_the_colour_of_what_it_is_fitted_to():
    x = [0.0, 1.0, 2.0]
    chart = curve(
        series=(
            Series("115 V mains", x, [1.0, 2.0, 3.0]),
            Series("115 V mains, fitted", x, [1.1, 2.1, 3.1], style="dashed"),
            Series("230 V mains", x, [2.0, 3.0, 4.0]),
            Series("230 V mains, fitted", x, [2.1, 3.1, 4.1], style="dashed"),
        ),
        limits=(),
        bands=(),
    )
    lines = {
        layer["description"]: layer["mark"]["color"]
        for layer in vega_lite(chart)["layer"]
        if layer.get("description", "").startswith("line-")
    }
    assert lines == {"line-0": SERIES[0], "line-1": SERIES[0], "line-2": SERIES[1], "line-3": SERIES[1]}


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_the_name_of_an_upright_limit_stands_at_its_line_and_once(size):
    chart = curve(
        series=(Series("v", [0.0, 10.0, 20.0], [5.0, 5.0, 0.0], style="line"),),
        limits=(LimitLine("gone", (0.0, 5.0), (4.0, 4.0)), LimitLine("lost", (0.0, 5.0), (12.0, 12.0))),
        bands=(),
    )
    made = page_drawings(chart, "c1")
    root = ET.fromstring(made.wide if size is WIDE else made.narrow)
    spec = vega_lite(chart, size=size)
    low, high = spec["layer"][0]["encoding"]["x"]["scale"]["domain"]
    for name, at in (("gone", 4.0), ("lost", 12.0)):
        (text,) = [e for e in root.iter("text") if "".join(e.itertext()) == name]
        assert abs(float(text.get("x")) - spec["width"] * (at - low) / (high - low)) < 5


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("falls to -8.7 % at 9 V", "falls to −8.7 % at 9 V"),
        ("between -1.5 % and +0.2 %", "between −1.5 % and +0.2 %"),
        ("at -0 A", "at 0 A"),
        ("at -0.00 mV", "at 0 mV"),
        (
            "IEC 62368-1, 2026-10-03, vi-c1-5v.csv, 5-10 s, 10.0 V",
            "IEC 62368-1, 2026-10-03, vi-c1-5v.csv, 5-10 s, 10.0 V",
        ),
    ],
)
def test_minus_signs_are_true_and_nothing_has_none(text, shown):
    assert minus_signs(text) == shown


def test_png_fills_a_video_frame_in_light_and_dark():
    for theme in ("light", "dark"):
        png = chart_png(curve(), theme=theme)
        assert struct.unpack(">II", png[16:24]) == (1920, 1080)  # PNG, IHDR (RFC 2083 4.1.1)
        assert png == chart_png(curve(), theme=theme)
    assert chart_png(curve(), theme="dark") != chart_png(curve())
    assert struct.unpack(">II", chart_png(BARS)[16:24]) == (1920, 1080)
    assert set(DARK) == {INK, MUTED, GRID, PAPER}


@pytest.mark.parametrize(
    ("chart", "words"),
    [
        (curve(series=(Series("a", [1, 2], [1]),)), "lengths differ"),
        (curve(series=(Series("a", [1, 2], [1, math.inf]),)), "infinite"),
        (curve(bands=(Band("b", [1], [1, 2], [1]),)), "lengths differ"),
        (curve(y=Axis("y", scale="log", low=0.0)), "above zero"),
        (Chart("b", "t", "a", Axis("x"), Axis("y"), bars=Bars(("a",), ("p", "q"), [[1]])), "2 parts"),
        (Chart("s", "t", "a", Axis("x"), Axis("y"), strip=Strip(("C1",), (("C9", 0, 1, "k"),))), "C9"),
    ],
)
def test_a_chart_that_cannot_be_drawn_says_why(chart, words):
    with pytest.raises(PublishError, match=words):
        vega_lite(chart)


def test_what_cannot_be_drawn_is_counted():
    assert left_out(curve(y=Axis("y", scale="log"), series=(Series("a", [1, 2, 3], [0.0, -1.0, 5.0]),))) == 2
    assert left_out(curve()) == 0
    assert off_scale(curve(y=Axis("y", low=88.0))) == ("at least 87 %",)
    assert "at least 87 %" not in " ".join(texts(chart_svg(curve(y=Axis("y", low=88.0)))))


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e5), st.floats(2, 12))
def test_linear_ticks_are_round_and_hold_the_data(low, reach, count):
    scale = linear_scale(low, low + reach, count, hold_low=False, hold_high=False, to_ticks=True)
    assert scale.low <= low + 1e-6 * reach
    assert scale.high >= low + reach - 1e-6 * reach
    steps = np.diff(scale.ticks)
    assert len(scale.ticks) >= 2
    step = float(np.median(steps))
    assert f"{step:.3e}"[0] in "125" or abs(step / 10 ** round(math.log10(step)) - 1) < 1e-3
    assert len(scale.ticks) <= count * 1.01 + 3


def test_log_ticks_are_inside_the_axis():
    scale = log_scale(0.03, 700.0, 8)
    assert all(0.03 <= t <= 700 for t in scale.ticks)
    assert 1.0 in scale.ticks
    assert scale.place(0.03, 100) == pytest.approx(0)
    assert scale.place(700.0, 100) == pytest.approx(100)


@settings(max_examples=50)
@given(st.lists(st.floats(0, 300), min_size=1, max_size=10))
def test_names_beside_a_plot_do_not_overlap(wanted):
    heights = [20.0] * len(wanted)
    centres = spread(wanted, heights, 0.0, 400.0)
    ordered = sorted(centres)
    assert all(b - a >= 20.0 - 1e-6 for a, b in itertools.pairwise(ordered))
    assert ordered[0] >= 10.0 - 1e-6
    assert ordered[-1] <= 390.0 + 1e-6
    order = sorted(range(len(wanted)), key=lambda k: (wanted[k], k))
    assert [centres[k] for k in order] == ordered


def test_long_words_are_broken_and_marked_when_cut():
    assert wrap("a b", 100, 12, 2) == ("a b",)
    lines = wrap("word " * 40, 80, 12, 2)
    assert len(lines) == 2
    assert lines[-1].endswith("…")
    assert all(len(line) < 30 for line in wrap("x" * 500, 80, 12, 3))
