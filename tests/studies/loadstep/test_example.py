"""The example captures of load steps and of switching: small, the same each time, and true to their physics."""

from __future__ import annotations

import io

import numpy as np
import pytest
from scipy import signal

from brickbook.core.conditions import Conditions
from brickbook.core.table import RawFile
from brickbook.demo.scenario import CHARGERS
from brickbook.demo.transients import Loop, loop_of, step_response, transients
from brickbook.readers.captures import CapturePart, join_captures, read_capture
from brickbook.studies import inrush, loadstep

MOST_BYTES, MOST_SAMPLES = 2_000_000, 200_000


def recordings(tmp_path, raws, study):
    parts = []
    for raw in raws:
        if study in raw.studies:
            path = tmp_path / raw.name
            path.write_bytes(raw.data)
            capture = read_capture(
                raw.reader,
                path,
                name=raw.name,
                raw=RawFile(raw.name, "0" * 64),
                conditions=Conditions.of(raw.conditions),
                instruments=dict.fromkeys(raw.instruments, "bench"),
            )
            parts.append(CapturePart(capture, raw.recording, raw.studies))
    return join_captures([], parts)


@pytest.mark.parametrize("slug", CHARGERS)
def test_small_and_the_same_each_time(slug):
    one, two = (list(transients(CHARGERS[slug], {}, seed=4)) for _ in range(2))
    assert [raw.data for raw in one] == [raw.data for raw in two]
    assert sum(len(raw.data) for raw in one) <= MOST_BYTES
    for raw in one:
        with np.load(io.BytesIO(raw.data)) as arrays:
            assert max(len(arrays[name]) for name in arrays.files if arrays[name].ndim) <= MOST_SAMPLES
    assert {study for raw in one for study in raw.studies} == {"loadstep", "inrush"}


def test_the_loop_is_of_second_order():
    """Without drop and capacitor resistance it is the impulse response of w0^2 s/(s^2 + 2 z w0 s + w0^2), by scipy."""
    loop = Loop(5e3, 0.4, 0.1, 0.0, esr_ohm=0.0)
    w0 = 2 * np.pi * 5e3
    time = np.linspace(0.0, 1e-3, 2001)
    _, swing = signal.impulse(signal.lti([1.0], [1.0, 2 * 0.4 * w0, w0 * w0]), T=time)
    expected = -0.1 * swing * w0 * np.sqrt(1 - 0.4**2)
    assert step_response(loop, time, 1.0, 0.0) == pytest.approx(expected, abs=2e-4)


def test_studies_find_the_truth_of_perfect_captures(tmp_path, build):
    example = CHARGERS["plover-67"]
    raws = list(transients(example, {}, seed=4, perfect=True))
    unit = build.charger(67.0, build.port("C1", (20.0, 3.35)), build.port("C2", (15.0, 2.0)))
    told = loadstep.STUDY.figures(build.evidence(unit, *recordings(tmp_path, raws, "loadstep")))
    loop = loop_of(example, "C1", 20.0)
    time = np.linspace(0.0, 8e-3, 800_001)
    size = 0.8 * 3.35
    course = step_response(loop, time, size, size / 0.25e6)
    at = {"port": "C1", "step": "up 0.3 to 3 A"}
    found = {(f.name, f.conditions.get("band")): f.value for f in told.figures if f.conditions.matches(at)}
    assert found["undershoot_v", None] == pytest.approx(course[-1] - course.min(), abs=1e-3)
    assert found["overshoot_v", None] == pytest.approx(course.max() - course[-1], abs=1e-3)
    last = time[np.flatnonzero(np.abs(course - course[-1]) > 0.2)[-1]] - size / 0.25e6 / 2
    assert found["recovery_time_s", "1 %"] == pytest.approx(last, abs=1.5e-6)
    assert found["ringing_hz", None] == pytest.approx(loop.natural_hz * np.sqrt(1 - loop.damping**2), rel=0.01)
    assert found["damping_ratio", None] == pytest.approx(loop.damping, rel=0.03)
    switched = inrush.STUDY.figures(build.evidence(unit, *recordings(tmp_path, raws, "inrush")))
    assert not [note.text for note in switched.notes if note.severity == "warning"]
    names = [f.name for f in switched.figures]
    assert names.count("inrush_peak_a") == 4
    assert names.count("hold_up_time_s") == 2
    warm = [f.value for f in switched.figures if f.name == "power_up_time_s" and f.conditions["start"] == "warm"]
    cold = [f.value for f in switched.figures if f.name == "power_up_time_s" and f.conditions["start"] == "cold"]
    assert max(warm) < min(cold)
