"""The study as a whole: figures with budgets, what is warned of, what is refused."""

import numpy as np
import pytest
from scipy import signal

from brickbook.core.capture import Setting
from brickbook.core.instrument import Accuracy, Instrument

RATE = 1e6
TIME = np.arange(200_000) / RATE
NOISY = Setting(full_scale=0.16, centre=0.0, bits=12, noise=0.0003, coupling="ac")


def named(outcome):
    return {f.name: f for f in outcome.figures}


def wave(rng, time_s=TIME):
    return (
        0.010 * np.sin(2 * np.pi * 100 * time_s)
        + 0.015 * signal.sawtooth(2 * np.pi * 65e3 * time_s, 0.4)
        + 0.002 * rng.standard_normal(len(time_s))
    )


def test_all_figures_of_a_slow_capture(record, study, rng):
    outcome = study(record(wave(rng), RATE, setting=NOISY, load_a=2.0))
    found = named(outcome)
    assert set(found) == {
        "ripple_pp_v",
        "ripple_recurring_pp_v",
        "ripple_rms_v",
        "ripple_span_v",
        "mains_ripple_pp_v",
        "switching_frequency_hz",
        "switching_ripple_rms_v",
        "noise_floor_rms_v",
    }
    for figure in found.values():
        assert figure.u > 0
        assert figure.lower < figure.value < figure.upper
        assert figure.conditions["load_a"] == 2.0
        assert figure.sources[0].file.path == "r.npy"
        assert figure.u == pytest.approx(np.sqrt(sum(c.u**2 for c in figure.budget)), rel=1e-9)
    # sqrt(A^2/2 + h^2/12 + s^2), less the scope's own 0.3 mV in squares
    rms = np.sqrt(0.010**2 / 2 + 0.030**2 / 12 + 0.002**2 - 0.0003**2)
    assert found["ripple_rms_v"].value == pytest.approx(rms, rel=0.005)
    assert found["mains_ripple_pp_v"].value == pytest.approx(0.020, rel=0.005)
    assert found["switching_frequency_hz"].value == pytest.approx(65e3, rel=1e-3)
    assert any("20 MHz band" in n.text for n in outcome.notes)


def test_own_noise_is_taken_off_rms_in_squares(record, study, rng):
    # 17.7 mV with a floor of 4.0 mV leaves 17.242 mV
    values = 0.0177 * np.sqrt(2) * np.sin(2 * np.pi * 50_000 * TIME)
    one = named(study(record(values, RATE, setting=Setting(noise=0.004))))["ripple_rms_v"]
    assert one.value == pytest.approx(0.017242, abs=1e-6)
    shared = next(c for c in one.budget if "own noise" in c.source)
    # d sqrt(a^2 - b^2) = b db/sqrt(...); db = 10 % of the true noise, which may be 4 mV/(1 - 0.196)
    assert shared.u == pytest.approx(0.004 * 0.0004 / 0.804 / 0.017242, rel=1e-3)


def test_steps_of_the_converter_are_in_the_budget(record, study):
    # 8 bits over 8 divisions of 50 mV: step 1.5625 mV, u of a difference 0.638 mV, mean square of q^2/12
    setting = Setting(full_scale=0.4, centre=0.0, bits=8)
    step = 0.4 / 256
    values = np.round(0.15 * np.sin(2 * np.pi * 50_300 * TIME) / step) * step
    found = named(study(record(values, RATE, setting=setting)))
    budget = {c.source: c for c in found["ripple_pp_v"].budget}
    steps = next(c for s, c in budget.items() if "steps" in s)
    assert 1000 * steps.u == pytest.approx(0.638, abs=5e-4)
    assert steps.distribution == "triangular"
    assert found["ripple_rms_v"].value == pytest.approx(0.15 / np.sqrt(2), rel=3e-4)


def test_gain_is_one_source_for_all_figures(record, study, rng):
    found = named(study(record(wave(rng), RATE)))
    shares = []
    for name in ("ripple_pp_v", "ripple_rms_v", "mains_ripple_pp_v", "ripple_span_v"):
        part = next(c for c in found[name].budget if "gain" in c.source)
        assert part.source == "scope: gain"
        shares.append(part.u / found[name].value)
    np.testing.assert_allclose(shares, 0.02 / np.sqrt(3), rtol=1e-6)


def test_fast_capture_gives_the_band_and_says_what_it_did_not_see(record, study, rng):
    rate, n = 100e6, 200_000
    time_s = np.arange(n) / rate
    values = 0.015 * signal.sawtooth(2 * np.pi * 230e3 * time_s, 0.5) + 0.003 * rng.standard_normal(n)
    outcome = study(record(values, rate))
    found = named(outcome)
    assert found["ripple_20mhz_pp_v"].value < found["ripple_pp_v"].value
    assert found["ripple_ratio"].value == pytest.approx(found["ripple_20mhz_pp_v"].value / 20.0)
    assert "spans 0.2 of a period of the 100 Hz ripple" in found["ripple_20mhz_pp_v"].flags[0]
    assert "first-order digital limit" in found["ripple_20mhz_pp_v"].method
    assert "mains_ripple_pp_v" not in found
    assert any("no figure for the part at 100 Hz" in n.text for n in outcome.notes)


def test_a_band_limited_in_the_scope_is_not_filtered_again(record, study, rng):
    values = 0.01 * rng.standard_normal(100_000)
    found = named(study(record(values, 100e6, setting=Setting(bandwidth_hz=20e6))))
    assert found["ripple_20mhz_pp_v"].value == found["ripple_pp_v"].value
    assert "limited to 20 MHz in the scope" in found["ripple_20mhz_pp_v"].method
    low = study(record(values, 100e6, setting=Setting(bandwidth_hz=1e6)))
    assert "ripple_20mhz_pp_v" not in named(low)
    assert any("nothing is said of 20 MHz" in n.text for n in low.notes)


def test_a_slow_and_a_fast_capture_of_one_load_are_one_point(record, study, rng):
    fast = wave(rng, np.arange(100_000) / 100e6)
    slow = record(wave(rng), RATE, name="slow", load_a=1.0)
    outcome = study(slow, record(fast, 100e6, name="fast", load_a=1.0))
    found = named(outcome)
    assert len(outcome.figures) == len(found)
    where = {name: figure.sources[0].file.path for name, figure in found.items()}
    assert where["mains_ripple_pp_v"] == where["switching_frequency_hz"] == where["ripple_rms_v"] == "slow.npy"
    assert where["ripple_20mhz_pp_v"] == where["ripple_pp_v"] == where["switching_ripple_rms_v"] == "fast.npy"
    assert "up to 20 mV more over a whole one" in found["ripple_20mhz_pp_v"].flags[0]


@pytest.mark.parametrize(
    ("make", "setting", "name", "words"),
    [
        (lambda v: np.clip(v, -0.02, 0.02), Setting(full_scale=0.04, centre=0.0), "ripple_pp_v", "clipped at the top"),
        (lambda v: np.clip(v, -0.02, 1), Setting(full_scale=0.04, centre=0.0), "ripple_rms_v", "clipped at the bottom"),
        (lambda v: np.round(v / 0.02) * 0.02, Setting(), "ripple_pp_v", "under-resolved"),
        (lambda v: v, Setting(noise=0.05), "ripple_rms_v", "as large as it"),
        (lambda v: np.where(np.arange(len(v)) == 500, np.nan, v), Setting(), "ripple_pp_v", "1 of 200000 samples"),
        (lambda v: v[:150_000], Setting(), "mains_ripple_pp_v", "7.5 mains cycles; 10 or more"),
        (lambda v: v, Setting(), "ripple_pp_v", "samples in a switching period"),
    ],
)
def test_what_spoils_a_figure_is_flagged(record, study, rng, make, setting, name, words):
    found = named(study(record(make(wave(rng)), RATE, setting=setting)))
    assert any(words in flag for flag in found[name].flags), found[name].flags


def test_integer_codes_on_their_rails_are_clipped(record, study, rng):
    codes = np.clip(np.round(wave(rng) / 0.0001), -128, 127).astype(np.int8)
    outcome = study(record(codes, RATE))
    assert any("clipped" in flag for flag in named(outcome)["ripple_pp_v"].flags)


def test_peak_detect_serves_for_peaks_only(record, study, rng):
    found = named(study(record(wave(rng), RATE, acquisition="peak-detect")))
    assert set(found) == {"ripple_pp_v", "ripple_recurring_pp_v"}


def test_a_glitch_is_a_figure_of_its_own(record, study, rng):
    values = wave(rng)
    values[77_777] += 0.3
    outcome = study(record(values, RATE))
    found = named(outcome)
    assert found["glitch_excess_v"].value == pytest.approx(0.3, abs=0.03)
    assert found["ripple_recurring_pp_v"].value < 0.08
    assert any("may be the charger's or come from outside" in n.text for n in outcome.notes)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"instrument": "other"}, "no instrument 'other'"),
        ({"port": "C9"}, "no port 'C9'"),
        ({"mains_hz": None}, "mains frequency is not stated"),
    ],
)
def test_what_is_missing_becomes_a_note(record, study, rng, more, words):
    outcome = study(record(wave(rng), RATE, **more))
    assert any(words in n.text for n in outcome.notes), outcome.notes


def test_dead_and_short_captures_become_notes(record, study):
    assert any("all 5000 samples are 20" in n.text for n in study(record(np.full(5000, 20.0), RATE)).notes)
    assert any("too short" in n.text for n in study(record(np.zeros(10), RATE)).notes)
    assert any("free of missing" in n.text for n in study(record(np.full(500, np.nan), RATE)).notes)


def test_an_accuracy_line_must_speak_of_the_quantity(record, study, rng):
    blind = Instrument("oscilloscope", (Accuracy("mains_voltage_v", percent_reading=2.0),))
    outcome = study(record(wave(rng), RATE), instruments={"scope": blind})
    assert not outcome.figures
    assert any("no accuracy line for port_voltage_v" in n.text for n in outcome.notes)


def test_figures_do_not_depend_on_the_day(record, study):
    first, second = (study(record(wave(np.random.default_rng(1)), RATE)) for _ in range(2))
    assert first == second


def test_of_equal_captures_the_tallest_counts(record, study, rng):
    small, tall = (record(k * wave(rng), RATE, name=f"n{k}") for k in (1, 2))
    found = named(study(small, tall))
    assert found["ripple_pp_v"].sources[0].file.path == "n2.npy"
