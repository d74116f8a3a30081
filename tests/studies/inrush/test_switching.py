"""When mains comes and goes, and when the output does."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from brickbook.core.capture import Setting
from brickbook.core.page import Caution, Chart, TableBlock
from brickbook.core.study import View
from brickbook.core.table import Recording
from brickbook.rules import judge, parse_rules
from brickbook.studies import inrush
from brickbook.studies.inrush.events import mains_gone, mains_on, phase_at
from brickbook.studies.inrush.figures import figures

ON = 0.0300037


def shot(bench, *, phase_deg=70.0, gone=None, span_s=0.5):
    """Mains at a phase, an exponential surge, an output that starts 120 ms later with 3 ms, and its end."""
    time = bench.time(span_s)
    after = np.maximum(time - ON, 0.0)
    rng = np.random.default_rng(6)
    surge = np.where(time > ON, 30.0 * np.exp(-after / 4e-4), 0.0)
    output = 5.1 * (1 - np.exp(-np.maximum(after - 0.12, 0.0) / 3e-3))
    if gone is not None:
        output = np.where(time > gone + 0.02, 5.1 - 500.0 * (time - gone - 0.02), output).clip(0.0)
    return {
        "mains_voltage_v": bench.mains(time, on=ON, gone=gone, phase_deg=phase_deg),
        "mains_current_a": surge + 0.02 * rng.standard_normal(len(time)),
        "port_voltage_v@C1": output + 0.002 * rng.standard_normal(len(time)),
    }


@pytest.mark.parametrize("phase_deg", [0.0, 3.0, 45.0, 90.0, 135.0, 170.0, 200.0, 300.0])
def test_mains_on_and_its_phase(bench, phase_deg):
    time = bench.time(0.2)
    volts = bench.mains(time, on=ON, phase_deg=phase_deg)
    on = mains_on(volts, bench.interval_s, 50.0)
    assert on is not None
    assert abs(on.at - ON / bench.interval_s) <= on.doubt + 0.3
    phase = phase_at(volts, bench.interval_s, 50.0, on)
    assert phase is not None
    away = (phase.angle_deg - phase_deg + 90.0) % 180.0 - 90.0
    assert abs(away) < 3 * phase.u_deg + 0.05
    assert phase.amplitude_v == pytest.approx(325.0, rel=1e-3)


@pytest.mark.parametrize("holds_s", [1e-6, 2e-3, 0.5])
@pytest.mark.parametrize("gone", [0.1, 0.1031, 0.105, 0.1083])
def test_mains_gone_with_and_without_a_capacitor_that_keeps_it(bench, gone, holds_s):
    time = bench.time(0.2)
    volts = bench.mains(time, gone=gone, holds_s=holds_s) + 9.0 * np.sin(2 * np.pi * 250 * time) * (time < gone)
    found = mains_gone(volts, bench.interval_s, 50.0)
    assert found is not None
    # a departure that is tangent to the sine is seen late: up to a tenth of a period is the most it may be
    assert abs(found.at * bench.interval_s - gone) < found.doubt * bench.interval_s + 2e-4


def test_mains_that_stays_and_mains_that_never_is(bench):
    time = bench.time(0.2)
    assert mains_gone(bench.mains(time), bench.interval_s, 50.0) is None
    assert mains_on(bench.mains(time), bench.interval_s, 50.0) is None
    assert mains_on(np.zeros(5000), bench.interval_s, 50.0) is None
    assert mains_gone(bench.mains(bench.time(0.03)), bench.interval_s, 50.0) is None


def test_power_up_and_hold_up_by_closed_forms(bench, pick):
    """5.1 V (1 - exp(-t/3 ms)) reaches 4.75 V; a fall of 500 V/s leaves 4.75 V after 0.7 ms."""
    told = bench.outcome(shot(bench, gone=0.3))
    up, down = pick(told, "power_up_time_s"), pick(told, "hold_up_time_s")
    expected = 0.12 - 3e-3 * np.log(1 - 4.75 / 5.1)
    assert up.lower <= expected <= up.upper
    assert up.value == pytest.approx(expected, abs=6e-5)
    assert down.value == pytest.approx(0.02 + (5.1 - 4.75) / 500, abs=5e-5)
    assert down.conditions["load_a"] == 3.0
    assert up.conditions["start"] == "cold"


def test_the_scopes_accuracy_moves_the_passage(bench, pick):
    """1 % of 4.75 V at 500 V/s is 95 us."""
    bench.accuracy = 1.0
    down = pick(bench.outcome(shot(bench, gone=0.3)), "hold_up_time_s")
    accuracy = next(c for c in down.budget if "accuracy" in c.source)
    assert accuracy.u == pytest.approx(0.0475 / 500 / 3**0.5, rel=0.05)


def test_inrush_of_a_shot(bench, pick):
    told = bench.outcome(shot(bench))
    peak = pick(told, "inrush_peak_a")
    assert peak.lower <= 30.0 <= peak.upper
    heat = pick(told, "inrush_i2t_a2s")
    assert heat.lower <= 30.0**2 * 4e-4 / 2 <= heat.upper
    assert heat.u < 0.04 * heat.value
    assert pick(told, "switch_on_phase_deg").value == pytest.approx(70.0, abs=0.6)
    assert not any(f.name == "hold_up_time_s" for f in told.figures)


def test_without_the_mains_voltage_the_current_tells_and_says_so(bench, pick):
    channels = shot(bench)
    del channels["mains_voltage_v"]
    told = bench.outcome(channels)
    assert any("phase is not known" in note.text for note in told.notes)
    up = pick(told, "power_up_time_s")
    assert up.value == pytest.approx(0.12 - 3e-3 * np.log(1 - 4.75 / 5.1), abs=1e-4)
    assert any("first mains current" in flag for flag in up.flags)
    assert not any(f.name == "switch_on_phase_deg" for f in told.figures)


@pytest.mark.parametrize(
    ("drop", "conditions", "words"),
    [
        ("mains_current_a", {}, "no inrush current"),
        ("", {"start": None}, "from cold or warm"),
        ("", {"mains_hz": None}, "mains_hz"),
        ("mains", {}, "nothing tells when mains came"),
    ],
)
def test_what_is_missing_is_said(bench, drop, conditions, words):
    channels = {k: v for k, v in shot(bench).items() if not drop or not k.startswith(drop)}
    told = bench.outcome(channels, **conditions)
    assert any(words in note.text for note in told.notes)


def test_an_output_that_does_not_come_or_was_there(bench):
    channels = shot(bench)
    n = len(channels["port_voltage_v@C1"])
    noise = 0.002 * np.random.default_rng(1).standard_normal(n)
    late = bench.outcome({**channels, "port_voltage_v@C1": noise})
    assert any("does not rise to 4.75 V within the 0.47 s" in note.text for note in late.notes)
    there = bench.outcome({**channels, "port_voltage_v@C1": 5.0 + noise})
    assert any("valid already" in note.text for note in there.notes)
    gone = shot(bench, gone=0.3)
    lasts = bench.outcome({**gone, "port_voltage_v@C1": np.maximum(gone["port_voltage_v@C1"], 0) * 0 + 5.0 + noise})
    assert any("does not fall" in note.text for note in lasts.notes)


def test_clipping_and_an_unstated_load_are_flagged(bench, pick):
    channels = shot(bench, gone=0.3)
    top = 20.0
    bench.settings["mains_current_a"] = Setting(full_scale=40.0, centre=0.0, bits=12.0)
    channels["mains_current_a"] = np.minimum(channels["mains_current_a"], top - 40.0 / 4096)
    told = bench.outcome(channels, load_a=None)
    assert any("clipped at the top" in flag for flag in pick(told, "inrush_peak_a").flags)
    assert any("load is not stated" in flag for flag in pick(told, "hold_up_time_s").flags)


def test_repeats_are_told_apart(bench):
    one = bench.evidence(shot(bench))
    two = replace(one, recordings=(*one.recordings, replace(one.recordings[0], name="again")))
    peaks = [f for f in figures(two).figures if f.name == "inrush_peak_a"]
    assert [f.conditions.get("repeat") for f in peaks] == [None, 2]
    assert len({f.key for f in peaks}) == 2


def test_a_recording_without_captures_and_an_unknown_port(bench, build):
    one = bench.evidence(shot(bench))
    empty = replace(one, recordings=(Recording("log", ("inrush",), (), one.recordings[0].conditions),))
    assert any("no capture" in note.text for note in figures(empty).notes)
    other = build.evidence(build.charger(100.0, build.port("C9", (5.0, 3.0))), *one.recordings)
    assert any("no port 'C1'" in note.text for note in figures(other).notes)


def test_page_and_rules(bench):
    evidence = bench.evidence(shot(bench, gone=0.3))
    told = figures(evidence)
    text = (files("brickbook.studies.inrush") / "rules.toml").read_text(encoding="utf-8")
    found = judge(told.figures, parse_rules(text, "rules.toml", "standard"), evidence.charger, evidence.settings)
    assert {f.rule: f.decision for f in found} == {
        "pc-supply-guide-hold-up": "meets",
        "pc-supply-guide-power-up": "meets",
    }
    view = View(evidence.charger, evidence.settings, told.figures, found, told.notes, lambda: evidence.recordings)
    section = inrush.STUDY.page(view)
    assert [b.id for b in section.blocks if isinstance(b, Chart)] == ["inrush-largest", "inrush-c1-on", "inrush-c1-off"]
    tables = [b for b in section.blocks if isinstance(b, TableBlock)]
    shown = {cell for t in tables for row in t.rows for cell in row if not isinstance(cell, (str, type(None)))}
    assert set(told.figures) == shown
    assert any(isinstance(b, Caution) for b in section.blocks)
    peak = next(f for f in told.figures if f.name == "inrush_peak_a")
    assert f"up to {peak.value:.3g} A rush in" in section.lead
    nothing = inrush.STUDY.page(View(evidence.charger, evidence.settings, (), (), ()))
    assert nothing.lead == "Switching on and off was not captured."


def test_names_and_cautions(bench):
    told = bench.outcome(shot(bench, gone=0.3))
    assert {f.name for f in told.figures} <= set(inrush.STUDY.figure_names)
    procedure = inrush.STUDY.procedure
    assert any("Mains voltage kills" in caution for caution in procedure.cautions)
    assert any("differential probe" in step.caution for step in procedure.steps)
