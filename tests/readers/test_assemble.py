"""Tables on one clock: only the time column moves, and the notes say by how much."""

from __future__ import annotations

import re

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile, Table
from brickbook.readers import Part, assemble


def table(path, time_s, start="", conditions=None, **columns):
    named = {"time_s": time_s, **{k.replace("__", "@"): v for k, v in columns.items()}}
    arrays = {k: np.asarray(v, dtype=float) for k, v in named.items() if v is not None}
    count = len(next(iter(arrays.values())))
    return Table(RawFile(path, "0"), arrays, np.arange(2, 2 + count), Conditions.of(conditions or {}), start=start)


def one(*parts):
    (recording,) = assemble(parts)
    return recording


def times(recording):
    return [t.columns["time_s"].tolist() for t in recording.tables]


def test_one_file_is_a_recording_of_one_table():
    t = table("a.csv", [0, 1], mains_power_w=[1, 2], conditions={"mains_v": 230})
    recording = one(Part(t, "a.csv", ("efficiency",), ranges={"mains_power_w": 150.0}))
    assert recording.tables == (t,)
    assert recording.name == "a.csv"
    assert recording.studies == ("efficiency",)
    assert recording.conditions == Conditions.of(mains_v=230)
    assert recording.ranges == {"mains_power_w": 150.0}
    assert recording.notes == ()


def test_parts_are_grouped_in_order():
    parts = [Part(table(f"{k}.csv", [0, 1]), name, ("x",)) for k, name in enumerate("abacb")]
    assert [(r.name, len(r.tables)) for r in assemble(parts)] == [("a", 2), ("b", 2), ("c", 1)]
    assert assemble([]) == ()


def test_studies_conditions_and_ranges_are_joined():
    a = table("a.csv", [0], conditions={"mains_v": 230, "mains_hz": 50})
    b = table("b.csv", [0], conditions={"mains_v": 230.0, "port": "C1", "contract": "20 V"})
    recording = one(
        Part(a, "r", ("efficiency", "regulation"), ranges={"mains_power_w": 150.0}),
        Part(b, "r", ("regulation", "modes"), ranges={"port_current_a@C1": 5.0}),
    )
    assert recording.studies == ("efficiency", "regulation", "modes")
    assert recording.conditions == Conditions.of(mains_v=230, mains_hz=50, port="C1", contract="20 V")
    assert recording.ranges == {"mains_power_w": 150.0, "port_current_a@C1": 5.0}


def test_ports_of_several_files_are_joined():
    a = table("a.csv", [0], conditions={"port": "C1", "contract": "20 V"})
    b = table("b.csv", [0], conditions={"port": "A1", "contract": "5 V"})
    recording = one(Part(a, "r", ("sharing",)), Part(b, "r", ("sharing",)))
    assert recording.conditions == Conditions.of(ports="A1+C1", contract="A1 5 V + C1 20 V")


def test_date_times_place_the_files():
    """10:22 at two hours east of Greenwich is 08:22 UTC (ISO 8601)."""
    a = table("a.csv", [0, 1], start="2026-10-03T10:22:00+02:00")
    b = table("b.csv", [0, 1], start="2026-10-03T08:22:00.5+00:00")
    recording = one(Part(a, "r", ("x",)), Part(b, "r", ("x",)))
    assert times(recording) == [[0, 1], [0.5, 1.5]]
    assert recording.notes == ("b.csv: starts +0.5 s from a.csv by date and time.",)
    assert [t.lines.tolist() for t in recording.tables] == [[2, 3], [2, 3]]
    assert times(one(Part(b, "r", ("x",)), Part(a, "r", ("x",)))) == [[0, 1], [-0.5, 0.5]]


def test_start_belongs_to_the_first_row_whatever_its_time_is_counted_from():
    a = table("a.csv", [5, 6], start="2026-10-03T10:22:00")
    b = table("b.csv", [2, 3], start="2026-10-03T10:22:10")
    assert times(one(Part(a, "r", ("x",)), Part(b, "r", ("x",)))) == [[5, 6], [15, 16]]


def test_times_without_zone_are_of_one_place():
    a = table("a.csv", [0, 1], start="2026-10-03T23:59:59")
    b = table("b.csv", [0, 1], start="2026-10-04T00:00:01")
    assert times(one(Part(a, "r", ("x",)), Part(b, "r", ("x",)))) == [[0, 1], [2, 3]]


def test_stated_offsets():
    a, b = table("a.csv", [0, 1]), table("b.csv", [0, 1])
    recording = one(Part(a, "r", ("x",), clock_offset_s=10), Part(b, "r", ("x",), clock_offset_s=-2.5))
    assert times(recording) == [[10, 11], [-2.5, -1.5]]
    assert recording.notes == (
        "a.csv: +10 s added to its time, as stated.",
        "b.csv: -2.5 s added to its time, as stated.",
    )


def test_a_date_in_one_file_only_is_said():
    a, b = table("a.csv", [0, 1], start="2026-10-03T10:22:00"), table("b.csv", [5, 6])
    recording = one(Part(a, "r", ("x",)), Part(b, "r", ("x",), clock_offset_s=1))
    assert times(recording) == [[0, 1], [6, 7]]
    assert recording.notes == (
        "b.csv tells no date and a.csv does: their clocks are taken to have started together, save for the stated offset.",
        "b.csv: +1 s added to its time, as stated.",
    )


def test_repeated_times_are_flagged():
    t = table("a.csv", [0, 0, 1, 1, 1])
    (note,) = one(Part(t, "r", ("x",))).notes
    assert note == "a.csv: 3 rows repeat the time of the row before, the first in line 3; kept in the file's order."
    (note,) = one(Part(table("a.csv", [0, 1, 1]), "r", ("x",))).notes
    assert note == "a.csv: 1 row repeats the time of the row before, the first in line 4; kept in the file's order."


def test_a_table_without_time_goes_along():
    sheet = table("sheet.csv", None, mass_g__charger=[100.0])
    recording = one(Part(table("a.csv", [0, 1]), "r", ("x",)), Part(sheet, "r", ("x",), clock_offset_s=5))
    assert recording.tables[1] is sheet


def steps(rng, offset_s):
    edges, levels = np.array([30.0, 65, 90, 140]), np.array([0.0, 3, 1, 2, 0])
    ta, tb = np.arange(0.1, 170, 0.5), np.arange(0.3, 170, 0.5)
    power = 1 + 22 * levels[np.searchsorted(edges, ta)] + rng.normal(0, 0.02, len(ta))
    current = levels[np.searchsorted(edges, tb)] + rng.normal(0, 0.002, len(tb))
    return (
        table("wall.csv", ta, mains_power_w=power),
        table("load.csv", tb - offset_s, port_current_a__C1=current, port_voltage_v__C1=np.full(len(tb), 20.0)),
    )


def test_load_steps_give_the_offset():
    wall, load = steps(np.random.default_rng(1), 42.0)
    recording = one(Part(wall, "r", ("x",)), Part(load, "r", ("x",), align="load-steps"))
    placed = recording.tables[1]
    shift = placed.columns["time_s"] - load.columns["time_s"]
    assert np.ptp(shift) < 1e-9
    assert abs(shift[0] - 42.0) < 0.5
    assert placed.columns["port_current_a@C1"] is load.columns["port_current_a@C1"]
    assert recording.tables[0] is wall
    (note,) = recording.notes
    assert re.fullmatch(
        r"load\.csv: \+4[12]\.\d{4} s added to its time, found from 4 load steps it shares with wall\.csv "
        r"\(standard uncertainty 0\.21 s, correlation (1\.000|0\.99\d)\)\.",
        note,
    )


def test_a_stated_offset_comes_before_the_steps():
    wall, load = steps(np.random.default_rng(1), 42.0)
    plain = one(Part(wall, "r", ("x",)), Part(load, "r", ("x",), align="load-steps"))
    both = one(Part(wall, "r", ("x",)), Part(load, "r", ("x",), clock_offset_s=40.0, align="load-steps"))
    assert both.tables[1].columns["time_s"][0] == pytest.approx(plain.tables[1].columns["time_s"][0], abs=0.01)
    assert len(both.notes) == 2


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        (
            lambda: [
                Part(table("a.csv", [0], conditions={"mains_v": 230}), "r", ("x",)),
                Part(table("b.csv", [0], conditions={"mains_v": 115}), "r", ("x",)),
            ],
            (
                "b.csv: mains_v: it says 115, another file of recording 'r' says 230. Correct raw/index.toml, or give the files "
                "recordings of their own."
            ),
        ),
        (
            lambda: [
                Part(table("a.csv", [0]), "r", ("x",), ranges={"mains_power_w": 150.0}),
                Part(table("b.csv", [0]), "r", ("x",), ranges={"mains_power_w": 15.0}),
            ],
            (
                "b.csv: range of mains_power_w: it says 15.0, another file of recording 'r' says 150.0. Correct raw/index.toml, "
                "or give the files recordings of their own."
            ),
        ),
        (
            lambda: [
                Part(table("a.csv", [0], start="2026-10-03T10:22:00"), "r", ("x",)),
                Part(table("b.csv", [0], start="2026-10-03T10:22:00+02:00"), "r", ("x",)),
            ],
            (
                "a.csv: its times state no zone, those of b.csv in the same recording do. State it as time.utc_offset = "
                '"+02:00" in the shape of the file without.'
            ),
        ),
        (
            lambda: [Part(table("a.csv", [0]), "r", ("x",), align="load-steps")],
            (
                'a.csv: align: the first file of a recording has no other to align with, but says align = "load-steps". Set it '
                "for the second file instead."
            ),
        ),
        (
            lambda: [
                Part(table("a.csv", [0, 1, 2], mains_power_w=[1, 2, 3]), "r", ("x",)),
                Part(table("b.csv", [0, 1, 2], port_voltage_v__C1=[1, 2, 3]), "r", ("x",), align="load-steps"),
            ],
            (
                "b.csv: align: there is no power or current whose steps could be aligned. State the offset as clock_offset_s "
                'with align = "stated".'
            ),
        ),
        (
            lambda: [
                Part(table("a.csv", range(9), mains_power_w=[1] * 9), "r", ("x",)),
                Part(table("b.csv", range(9), port_current_a__C1=[1] * 9), "r", ("x",), align="load-steps"),
            ],
            (
                "b.csv: align: the offset to a.csv cannot be found from load steps (mains_power_w and port_current_a): the first "
                'shows no load step, at least two are needed. State the offset as clock_offset_s with align = "stated".'
            ),
        ),
    ],
)
def test_refused(parts, message):
    with pytest.raises(ReadError) as caught:
        assemble(parts())
    assert str(caught.value) == message
