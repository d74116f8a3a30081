"""What a capture shows and what it cannot: several steps, missing current, and every reason to doubt a figure."""

from __future__ import annotations

import numpy as np
import pytest

from brickbook.core.capture import Setting
from brickbook.core.page import Chart, TableBlock
from brickbook.core.study import View
from brickbook.core.table import Recording
from brickbook.rules import judge, parse_rules
from brickbook.studies import loadstep
from brickbook.studies.loadstep.figures import figures


def square_wave(bench, *, sigma=2e-3, periods=2, size=0.5, tau=60e-6, half=2000):
    """Steps up and down in turn, each with an exponential dip or rise."""
    rng = np.random.default_rng(8)
    n = (2 * periods + 1) * half
    time = np.arange(n) * bench.interval_s
    volts, amps = np.full(n, 20.0), np.full(n, 0.5)
    for k in range(1, 2 * periods + 1):
        at = (k * half - 0.5) * bench.interval_s
        after = np.maximum(time - at, 0.0)
        sign = -1.0 if k % 2 else 1.0
        volts += np.where(time > at, sign * size * np.exp(-after / tau), 0.0)
        amps = np.where(time > at, 3.0 if k % 2 else 0.5, amps)
    return volts + sigma * rng.standard_normal(n), amps + 0.003 * rng.standard_normal(n)


def recoveries(told):
    return [f for f in told.figures if f.name == "recovery_time_s" and f.conditions["band"] == "1 %"]


def test_several_steps_are_found_and_told_apart(bench):
    volts, amps = square_wave(bench)
    times = recoveries(bench.outcome(volts, amps))
    assert [f.conditions["step"] for f in times] == [
        "up 0.5 to 3 A", "down 3 to 0.5 A", "up 0.5 to 3 A", "down 3 to 0.5 A",
    ]  # fmt: skip
    assert [f.conditions.get("repeat") for f in times] == [None, None, 2, 2]
    assert len({f.key for f in times}) == 4
    for figure in times:
        assert figure.lower <= 60e-6 * np.log(0.5 / 0.2) <= figure.upper


def test_without_the_current_the_voltage_tells(bench):
    volts, _ = square_wave(bench)
    told = bench.outcome(volts, step_low_a=0.5, step_high_a=3.0)
    times = recoveries(told)
    assert [f.conditions["step"] for f in times[:2]] == ["up 0.5 to 3 A", "down 3 to 0.5 A"]
    assert len(times) == 4
    for figure in times:
        assert figure.value == pytest.approx(60e-6 * np.log(0.5 / 0.2), abs=1.5e-6)
        assert any("not captured" in flag for flag in figure.flags)
    assert any("not captured" in note.text for note in told.notes)


def test_a_staircase_of_loads(bench):
    amps = np.repeat([0.0, 1.0, 2.0, 4.0, 1.0], 1500) + 0.002 * np.random.default_rng(1).standard_normal(7500)
    volts = 20.0 - 0.01 * amps
    told = bench.outcome(volts, amps)
    steps = [f.conditions["step"] for f in told.figures if f.name == "level_change_v"]
    assert steps == ["up 0 to 1 A", "up 1 to 2 A", "up 2 to 4 A", "down 4 to 1 A"]


def test_settled_levels_never_reached(bench):
    _, volts, amps = bench.course(lambda t: -1.0 * np.exp(-t / 3e-3))
    told = bench.outcome(volts, amps)
    assert not recoveries(told)
    assert any("never settles" in note.text for note in told.notes)
    assert any("too short to settle" in flag for f in told.figures for flag in f.flags)


def test_a_swing_that_lasts(bench):
    _, volts, amps = bench.course(lambda t: 0.5 * np.sin(2 * np.pi * 2e3 * t))
    told = bench.outcome(volts, amps)
    assert not recoveries(told)
    assert any("below ripple" in n.text or "never settles" in n.text for n in told.notes)


def test_band_below_ripple(bench):
    bench.sigma = 0.5
    _, volts, amps = bench.course(lambda t: -3.0 * np.exp(-t / 100e-6), count=600)
    told = bench.outcome(volts, amps)
    notes = [n.text for n in told.notes] + [flag for f in told.figures for flag in f.flags]
    assert any("below ripple" in text or "below half of the ripple" in text for text in notes)


def test_ripple_is_averaged_and_said_so(bench, pick):
    """Switching ripple of 0.5 V peak to peak on a slow dip: the time is that of the dip."""
    _, volts, amps = bench.course(lambda t: -1.5 * np.exp(-t / 400e-6), count=6000)
    volts = volts + 0.25 * np.sin(2 * np.pi * 0.17 * np.arange(len(volts)))
    told = bench.outcome(volts, amps)
    time = pick(told, "recovery_time_s", band="1 %")
    assert time.value == pytest.approx(400e-6 * np.log(1.5 / 0.2), rel=0.02)
    assert any("below half of the ripple" in flag for flag in time.flags)


def test_clipping_is_flagged(bench, pick):
    bench.setting = Setting(full_scale=0.6, centre=20.0, bits=12.0)
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    told = bench.outcome(np.clip(volts, 19.7, 20.3 - 0.6 / 4096), amps)
    assert any("clipped at the bottom" in flag for flag in pick(told, "undershoot_v").flags)


def test_steps_of_an_8_bit_converter_are_flagged_and_counted(bench, pick):
    step = 32.0 / 256
    bench.setting = Setting(full_scale=32.0, centre=16.0, bits=8.0)
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    told = bench.outcome(np.round(volts / step) * step, amps)
    dip = pick(told, "undershoot_v")
    assert any("under-resolved" in flag for flag in dip.flags)
    assert dip.lower <= 0.5 <= dip.upper
    assert dip.u > step / 12**0.5
    text = [n.text for n in told.notes] + [flag for f in told.figures for flag in f.flags]
    assert any("steps of the converter" in t or "below ripple" in t for t in text)


def test_too_few_samples_in_a_recovery_are_flagged(bench, pick):
    bench.interval_s = 2e-5
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6), count=600)
    told = bench.outcome(volts, amps)
    time = pick(told, "recovery_time_s", band="1 %")
    assert any("sample faster" in flag for flag in time.flags)
    assert time.u > 2e-5 / 2 / 3**0.5


def test_coupling_and_acquisition_are_flagged(bench, pick):
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    bench.setting = Setting(coupling="ac")
    told = bench.outcome(volts - 20.0, amps)
    assert any("AC coupled" in flag for flag in pick(told, "undershoot_v").flags)
    assert not any(f.name in ("lowest_voltage_v", "level_change_v") for f in told.figures)
    bench.setting = Setting()
    told = figures(bench.evidence(bench.capture(volts, amps, acquisition="peak-detect")))
    assert any("peak detection" in flag for flag in pick(told, "undershoot_v").flags)


def test_missing_samples_are_counted(bench, pick):
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    volts[1000:1004] = np.nan
    assert any("4 samples are missing" in flag for flag in pick(bench.outcome(volts, amps), "undershoot_v").flags)
    volts[1000:1400] = np.nan
    told = bench.outcome(volts, amps)
    assert not told.figures
    assert any("400 of" in note.text for note in told.notes)


def test_a_swing_that_may_just_touch_the_band_widens_the_interval(bench, pick):
    """A second swing of 0.2 V beside a band of 0.2 V: both times are within the interval, and it is said."""
    bench.sigma = 2e-3
    w, a = 2 * np.pi * 5e3, 6e3
    ratio = np.exp(-a * np.pi / w)  # of a swing to the one before
    peak = np.exp(-a * np.arctan2(w, a) / w) * np.sin(np.arctan2(w, a))
    size = 0.2 / ratio / peak
    _, volts, amps = bench.course(lambda t: -size * np.exp(-a * t) * np.sin(w * t))
    time = pick(bench.outcome(volts, amps), "recovery_time_s", band="1 %")
    assert any("band: it may be" in flag for flag in time.flags)
    assert time.upper - time.lower > 50e-6


def test_extremes_are_set_against_the_source_band(bench, pick):
    _, volts, amps = bench.course(lambda t: -1.8 * np.exp(-t / 120e-6))
    told = bench.outcome(volts, amps)
    assert pick(told, "lowest_voltage_v").value == pytest.approx(18.2, abs=0.01)
    assert pick(told, "below_source_band_v").value == pytest.approx(0.8, abs=0.01)
    assert pick(told, "above_source_band_v").value == pytest.approx(-1.0, abs=0.01)
    from importlib.resources import files

    text = (files("brickbook.studies.loadstep") / "rules.toml").read_text(encoding="utf-8")
    rules = parse_rules(text, "rules.toml", "standard")
    evidence = bench.evidence(bench.capture(volts, amps))
    found = judge(told.figures, rules, evidence.charger, evidence.settings)
    below = [f for f in found if f.rule == "usb-pd-transient" and "below" in f.figure]
    assert [f.decision for f in below] == ["does not meet"]
    assert [f.limit for f in below] == [0.5]
    assert any(f.rule == "usb-pd-transient-time" and f.from_memory for f in found)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"contract": None, "output_v": None}, "output_v is not stated"),
        ({}, "no step of the load is seen"),
    ],
)
def test_what_is_missing_is_said(bench, change, words):
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    if not change:
        volts, amps = np.full(4000, 20.0), np.full(4000, 1.0)
    told = bench.outcome(volts, amps, **change)
    assert any(words in note.text for note in told.notes)
    assert not recoveries(told)


def test_an_unknown_instrument_port_or_capture_is_said(bench, build):
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    capture = bench.capture(volts, amps)
    evidence = bench.evidence(capture)
    other = build.evidence(build.charger(100.0, build.port("C7", (5.0, 3.0))), *evidence.recordings)
    assert any("no port 'C1'" in n.text for n in figures(other).notes)
    from dataclasses import replace

    assert any("no instrument" in n.text for n in figures(replace(evidence, instruments={})).notes)
    empty = replace(evidence, recordings=(Recording("log", ("loadstep",), (), capture.conditions),))
    assert any("no capture" in n.text for n in figures(empty).notes)


def test_too_little_before_the_step(bench):
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6), before=60)
    told = bench.outcome(volts[52:], amps[52:])
    assert not told.figures
    assert told.notes


def test_page_shows_the_step_and_every_number(bench):
    volts, amps = square_wave(bench)
    evidence = bench.evidence(bench.capture(volts, amps))
    told = figures(evidence)
    view = View(evidence.charger, evidence.settings, told.figures, (), told.notes, lambda: evidence.recordings)
    section = loadstep.STUDY.page(view)
    charts = [b for b in section.blocks if isinstance(b, Chart)]
    assert [c.id for c in charts] == ["loadstep-c1-up", "loadstep-c1-down"]
    assert "dips by" in charts[0].title
    low = min(charts[0].series[0].y)
    deviation = next(f for f in told.figures if f.name == "peak_deviation_v")
    assert low == pytest.approx(-1000 * deviation.value, abs=15)  # millivolts, noise included
    tables = [b for b in section.blocks if isinstance(b, TableBlock)]
    shown = {cell for table in tables for row in table.rows for cell in row if not isinstance(cell, (str, type(None)))}
    assert {f for f in told.figures if f.name in ("undershoot_v", "recovery_time_s")} <= shown
    assert any("stays within" in row for table in tables for row in table.rows)
    assert "4 steps" in section.lead
    nothing = loadstep.STUDY.page(View(evidence.charger, evidence.settings, (), (), ()))
    assert nothing.lead == "Load steps were not captured."


def test_names_are_declared(bench):
    volts, amps = square_wave(bench)
    names = {f.name for f in bench.outcome(volts, amps).figures}
    assert names <= set(loadstep.STUDY.figure_names)
    assert all(h.name in loadstep.STUDY.figure_names for h in loadstep.STUDY.headlines)


def test_a_long_capture_is_averaged_and_its_extremes_are_not(bench, pick):
    bench.interval_s, bench.sigma = 1e-7, 5e-3
    _, volts, amps = bench.course(lambda t: -0.6 * np.exp(-t / 4e-3), before=100_000, count=400_000)
    volts[120_000] = 17.0
    told = bench.outcome(volts.astype(np.float32), amps)
    time = pick(told, "recovery_time_s", band="1 %")
    assert time.lower <= 4e-3 * np.log(0.6 / 0.2) <= time.upper
    assert any("means of 4 samples" in flag for flag in time.flags)
    lowest = pick(told, "lowest_voltage_v")
    assert lowest.value == pytest.approx(17.0, abs=1e-3)
    assert not any("means of" in flag for flag in lowest.flags)


def test_a_glitch_after_the_recovery_is_named(bench, pick):
    _, volts, amps = bench.course(lambda t: -0.5 * np.exp(-t / 120e-6))
    volts[1500] -= 0.6
    time = pick(bench.outcome(volts, amps), "recovery_time_s", band="1 %")
    assert time.value == pytest.approx(1.1e-3, abs=5e-6)
    assert any("a glitch perhaps; before it 110" in flag or "before it 109" in flag for flag in time.flags)
