"""Isolation figures from hand sheets, against worked examples and against drawn errors."""

import numpy as np
import pytest

from brickbook.core.coverage import coverage
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.readings import measured_of
from brickbook.studies.isolation.network import weighted_ratio

TIED = {"polarity": "tied", "test_v": 500, "test_hz": 50, "protection_class": "II"}
MAINS = {"running": True, "mains_v": 230, "mains_hz": 50, "protection_class": "II"}
AC = [
    ("voltage_v", "applied", 500, "V"),
    ("mains_frequency_hz", "", 50, "Hz"),
    ("current_a", "barrier", 300, "uA"),
]
VOLTS = [("mains_voltage_v", "", 230, "V"), ("mains_frequency_hz", "", 50, "Hz")]


def by_complex_numbers(farad, volts, hertz, ohm=np.inf):
    """U2/500 Ohm of the IEC 60990 figure 4 network in series with a capacitor and a resistor, by complex numbers."""
    s = 2j * np.pi * hertz
    body = 1 / (1 / 500 + 1 / (10e3 + 1 / (s * 0.022e-6)))
    network = 1 / (1 / 1500 + s * 0.22e-6) + body
    current = volts / (1 / (1 / ohm + s * farad) + network)
    return np.abs(current * body / (1 + s * 10e3 * 0.022e-6)) / 500


def pick(outcome, name, **when):
    (found,) = [f for f in outcome.figures if f.name == name and f.conditions.matches(when)]
    return found


@pytest.fixture
def wall(bench):
    """The exact bench reads the mains too."""
    exact = bench.bench["exact"]
    line = Accuracy("mains_voltage_v", percent_reading=1e-6)
    bench.bench["exact"] = Instrument("other", (*exact.accuracy, line))
    return bench


def test_the_worked_example(bench):
    """0.300 mA at 500 V 50 Hz: 1.90986 nF; 0.0864, 0.1380, 0.1440, 0.1584, 0.19008 mA by V2 f2/(V1 f1).

    The expected touch current is that through the network: times its weight (0.99738 at 50, 0.99623 at 60 Hz), and less
    by its capacitive reactance of 155 to 190 Ohm beside the barrier's of 1.4 to 1.7 MOhm, 1.4e-4 at most.
    """
    outcome = bench.ask(bench.recording(AC, **TIED))
    assert outcome.notes == ()
    figure = pick(outcome, "equivalent_capacitance_f")
    assert (figure.value, figure.unit) == (pytest.approx(1.90986e-9, abs=1e-14), "F")
    for volts, hertz, amps in (
        (120, 60, 0.0864e-3),
        (230, 50, 0.1380e-3),
        (240, 50, 0.1440e-3),
        (264, 50, 0.1584e-3),
        (264, 60, 0.19008e-3),
    ):
        touch = pick(outcome, "touch_current_a", mains_v=volts, mains_hz=hertz)
        simple = amps * weighted_ratio(hertz)
        assert simple * (1 - 1.5e-4) < touch.value < simple
        assert touch.value == pytest.approx(by_complex_numbers(1.90986e-9, volts, hertz), rel=3e-6)
    assert pick(outcome, "unweighted_touch_current_a").value == pytest.approx(0.19008e-3, rel=1.5e-4)
    # peak of a sinusoid, 0.26881 mA
    assert pick(outcome, "touch_current_peak_a").value == pytest.approx(0.26881e-3 * weighted_ratio(60.0), rel=1.5e-4)


def test_each_supply_of_the_book_is_worked_out(bench):
    outcome = bench.ask(bench.recording(AC, **TIED))
    supplies = [
        (f.conditions["mains_v"], f.conditions["mains_hz"]) for f in outcome.figures if f.name == "touch_current_a"
    ]
    assert (115.0, 60.0) in supplies
    assert len(set(supplies)) == len(supplies) == 8


def test_with_a_resistance_of_7_megohm(bench):
    """1.85494 nF, 0.18843 mA at 264 V 60 Hz; 500 V over 7 MOhm is 71.43 uA."""
    rows = [*AC, ("resistance_ohm", "barrier", 7, "Mohm")]
    outcome = bench.ask(bench.recording(rows, **TIED, test_dc_v=500))
    assert pick(outcome, "equivalent_capacitance_f").value == pytest.approx(1.85494e-9, abs=1e-14)
    # the network in series takes 5e-4 off: its 2 kOhm beside a barrier of 1.4 MOhm that is partly resistive
    assert pick(outcome, "unweighted_touch_current_a").value == pytest.approx(0.18843e-3, rel=6e-4)
    touch = pick(outcome, "touch_current_a", mains_v=264, mains_hz=60)
    assert touch.value == pytest.approx(by_complex_numbers(1.85494e-9, 264, 60, 7e6), rel=4e-6)
    dc = [*AC, ("voltage_v", "applied DC", 500, "V"), ("current_a", "barrier DC", 500 / 7, "uA")]
    other = bench.ask(bench.recording(dc, **TIED, test_dc_v=500))
    assert pick(other, "insulation_resistance_ohm").value == pytest.approx(7e6)
    assert pick(other, "equivalent_capacitance_f").value == pytest.approx(1.85494e-9, abs=1e-14)


def test_uncertainty_of_the_worked_example(bench):
    """1.5 % + 3 uA on 0.300 mA, 1.5 % on voltage, 0.1 % on frequency, as bounds: 1.684 %, and U = 0.00640 mA (k = 2)."""
    lines = (
        Accuracy("current_a", percent_reading=1.5, absolute=3e-6),
        Accuracy("voltage_v", percent_reading=1.5),
        Accuracy("mains_frequency_hz", percent_reading=0.1),
    )
    outcome = bench.ask(bench.recording(AC, **TIED), bench={"exact": Instrument("other", lines)})
    figure = pick(outcome, "unweighted_touch_current_a")
    assert 100 * figure.u / figure.value == pytest.approx(1.684, abs=0.0006)
    assert 2 * figure.u == pytest.approx(0.00640e-3, abs=0.6e-8)


def test_uncertainty_by_drawing_errors(bench):
    """All errors drawn from their rectangles, the formula written once more with complex numbers (JCGM 101)."""
    lines = (
        Accuracy("current_a", percent_reading=4.0),
        Accuracy("voltage_v", percent_reading=1.5),
        Accuracy("mains_frequency_hz", percent_reading=0.5),
        Accuracy("resistance_ohm", percent_reading=10.0),
    )
    rows = [*AC, ("resistance_ohm", "barrier", 7, "Mohm")]
    sheet = bench.recording(rows, **TIED, test_dc_v=500)
    figure = pick(
        bench.ask(sheet, bench={"exact": Instrument("other", lines)}), "touch_current_a", mains_v=264, mains_hz=60
    )
    rng = np.random.default_rng(7)
    n = 400_000

    def draw(value, percent):
        return value * (1 + percent / 100 * rng.uniform(-1, 1, n))

    amps, volts, hertz, ohm = draw(0.3e-3, 4.0), draw(500.0, 1.5), draw(50.0, 0.5), draw(7e6, 10.0)
    farad = np.sqrt((amps / volts) ** 2 - 1 / ohm**2) / (2 * np.pi * hertz)
    u2 = by_complex_numbers(farad, 264, 60, ohm)
    assert figure.value == pytest.approx(float(np.mean(u2)), rel=2e-4)
    assert figure.u == pytest.approx(float(np.std(u2)), rel=0.01)
    low, high = np.quantile(u2, [0.025, 0.975])
    assert (figure.lower, figure.upper) == (pytest.approx(low, rel=2e-3), pytest.approx(high, rel=2e-3))


def test_the_open_fixture_is_taken_off(bench):
    rows = [*AC[:2], ("current_a", "barrier", 310, "uA"), ("current_a", "open fixture", 10, "uA")]
    assert pick(bench.ask(bench.recording(rows, **TIED)), "equivalent_capacitance_f").value == pytest.approx(
        1.90986e-9, abs=1e-14
    )


def test_repeated_readings_have_scatter(bench):
    """GUM 4.2: 299, 300, 301 uA have s = 1 and u = 1/sqrt(3) with two degrees of freedom."""
    rows = [*AC[:2], *(("current_a", "barrier", x, "uA") for x in (299, 300, 301))]
    figure = pick(bench.ask(bench.recording(rows, **TIED)), "equivalent_capacitance_f")
    assert figure.u / figure.value == pytest.approx(1 / 3**0.5 / 300, rel=1e-4)
    assert figure.dof == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("channel", "quantity", "value", "unit"),
    [
        ("network U2", "voltage_v", 50 * 0.99738, "mV"),
        ("network U1", "voltage_v", 50 * 0.99976, "mV"),
        ("resistor", "voltage_v", 200, "mV"),
        ("network U2", "current_a", 100 * 0.99738, "uA"),
        ("resistor", "current_a", 100, "uA"),
    ],
)
def test_each_way_of_reading_100_microamperes(bench, channel, quantity, value, unit):
    """I = U1/500, U2/500 with the weights of figure 4 at 50 Hz, U/2000 on a resistor: 0.1 mA at 230 V is 1.38396 nF.

    The series impedance of 2 kOhm changes the magnitude by 4e-7 to 1e-4 at most.
    """
    rows = [("voltage_v", "applied", 230, "V"), AC[1], (quantity, channel, value, unit)]
    conditions = {**TIED, "test_v": 230, "network_tolerance_ratio": 0}
    figure = pick(bench.ask(bench.recording(rows, **conditions)), "equivalent_capacitance_f")
    assert figure.value == pytest.approx(1.38396e-9, rel=1.2e-4)
    assert figure.conditions["read_by"] == channel


def test_a_network_of_unstated_tolerance_is_within_one_percent(wall):
    rows = [*VOLTS, ("voltage_v", "network U2", 50, "mV")]
    figure = pick(wall.ask(wall.recording(rows, polarity="A", **MAINS)), "measured_touch_current_a")
    assert figure.value == pytest.approx(100e-6)
    assert figure.u == pytest.approx(1e-6 / 3**0.5, rel=1e-6)


def test_rms_and_peak_of_a_running_charger_are_carried_apart(wall):
    """A half wave: 70.71 uA rms and 141.4 uA peak come from the same capacitor, w C V = 100 uA."""
    rows = [
        *VOLTS,
        ("current_a", "network U2", 100 / 2**0.5, "uA"),
        ("current_a", "network U2 peak", 100 * 2**0.5, "uA"),
    ]
    outcome = wall.ask(wall.recording(rows, polarity="A", **MAINS))
    by_rms = pick(outcome, "equivalent_capacitance_f", taken_from="rms").value
    by_peak = pick(outcome, "equivalent_capacitance_f", taken_from="peak").value
    assert by_peak == pytest.approx(1.38396e-9 / 0.99738, rel=1e-4)
    assert by_rms / by_peak == pytest.approx(2**-0.5, rel=1e-4)  # not linear in C, by the network in series
    peak = pick(outcome, "touch_current_peak_a")
    # times 264/230 and 60/50, and the network's weights
    assert peak.value == pytest.approx(141.42e-6 * 264 / 230 * 1.2 * 0.99623 / 0.99738, rel=1e-4)
    assert pick(outcome, "measured_touch_current_peak_a").value == pytest.approx(141.42e-6, rel=1e-4)


def test_no_peak_is_made_up_for_a_running_charger(wall):
    rows = [*VOLTS, ("current_a", "network U2", 70, "uA")]
    outcome = wall.ask(wall.recording(rows, polarity="A", **MAINS))
    assert not [f for f in outcome.figures if "peak" in f.name]
    assert "the peak was not read" in outcome.notes[0].text


def test_an_unweighted_reading_on_mains_is_flagged(wall):
    rows = [*VOLTS, ("voltage_v", "resistor", 140, "mV")]
    figure = pick(wall.ask(wall.recording(rows, polarity="A", **MAINS)), "measured_touch_current_a")
    assert figure.flags[0].startswith("read unweighted")


def test_change_of_polarity_and_what_cancels_in_it(wall):
    """A meter's gain is common to both polarities: 1 % on 100 and on 40 uA is 0.6 uA on their difference, not 1.08."""
    lines = (
        Accuracy("current_a", percent_reading=1.0),
        Accuracy("mains_voltage_v", percent_reading=1e-6),
        Accuracy("mains_frequency_hz", percent_reading=1e-6),
    )
    sheets = [
        wall.recording([*VOLTS, ("current_a", "network U2", x, "uA")], p, polarity=p, **MAINS)
        for p, x in (("A", 100), ("B", 40))
    ]
    outcome = wall.ask(*sheets, bench={"exact": Instrument("other", lines)})
    change = pick(outcome, "polarity_change_a")
    scale = 264 / 230 * 1.2 * 0.99623 / 0.99738
    assert change.value == pytest.approx(60e-6 * scale, rel=1e-4)
    assert change.u == pytest.approx(0.6e-6 * scale / 3**0.5, rel=1e-3)
    assert change.conditions["polarity"] == "A less B"


def test_the_resistance_is_shared_by_the_pins_in_an_unknown_way(wall):
    """Anything from none to all of 1/R may go to one pin, and the rest to the other: in A less B it counts twice."""
    sheets = [wall.recording([("resistance_ohm", "barrier", 5, "Mohm")], "dc", polarity="tied", test_dc_v=500)]
    sheets += [
        wall.recording([*VOLTS, ("current_a", "network U2", 100, "uA")], p, polarity=p, **MAINS) for p in ("A", "B")
    ]
    outcome = wall.ask(*sheets)
    budget = {
        p: {c.source: c.u for c in pick(outcome, "touch_current_a", polarity=p, mains_v=264, mains_hz=60).budget}
        for p in "AB"
    }
    source = "which mains pin the resistance goes to"
    change = {c.source: c.u for c in pick(outcome, "polarity_change_a").budget}
    assert change[source] == pytest.approx(budget["A"][source] + budget["B"][source], rel=1e-6)
    assert change[source] > 0


def test_a_resistance_beyond_range_is_no_number(bench):
    """A censored reading stays one: the figure says at least, and conductance is anything from 0 to 1/R."""
    rows = [*AC, ("resistance_ohm", "barrier at least", 100, "Mohm")]
    outcome = bench.ask(bench.recording(rows, **TIED, test_dc_v=500))
    figure = pick(outcome, "insulation_resistance_at_least_ohm")
    assert (figure.value, figure.flags) == (pytest.approx(1e8), ())
    assert not [f for f in outcome.figures if f.name == "insulation_resistance_ohm"]
    low = bench.ask(bench.recording([("resistance_ohm", "barrier at least", 9, "Mohm")], **TIED, test_dc_v=500))
    assert pick(low, "insulation_resistance_at_least_ohm").flags[0].startswith("not judged:")


def test_without_a_resistance_another_frequency_is_flagged(bench):
    outcome = bench.ask(bench.recording(AC, **TIED))
    (flag,) = pick(outcome, "touch_current_a", mains_v=264, mains_hz=60).flags
    assert flag.endswith("were it all resistance, this would be 20 % too high")
    assert pick(outcome, "touch_current_a", mains_v=264, mains_hz=50).flags == ()


def test_a_frequency_as_stated_is_within_one_percent(bench):
    """EN 50160: 50 Hz within 1 % (from memory, high)."""
    figure = pick(bench.ask(bench.recording([AC[0], AC[2]], **TIED)), "equivalent_capacitance_f")
    assert figure.u / figure.value == pytest.approx(0.01 / 3**0.5, rel=1e-3)


def test_what_the_figures_rest_on_can_be_followed(bench):
    figure = pick(bench.ask(bench.recording(AC, **TIED)), "equivalent_capacitance_f")
    assert {(r.first, r.last) for r in figure.sources} == {(2, 2), (3, 3), (4, 4)}
    interval = coverage(measured_of(figure))
    assert (interval.lower, interval.upper) == (pytest.approx(figure.lower), pytest.approx(figure.upper))


@pytest.mark.parametrize(
    ("rows", "conditions", "words"),
    [
        (AC, {}, "polarity"),
        (AC, {**TIED, "polarity": "C"}, "found 'C'"),
        (AC, {"polarity": "tied"}, "does not say test_v"),
        (AC, {**TIED, "running": True, "mains_v": 230, "mains_hz": 50}, "no charger runs"),
        (AC, {**TIED, "running": "yes"}, "true or false"),
        (AC, {**TIED, "test_v": 250}, "but the index says 250 V"),
        (AC, {**TIED, "protection_class": "III"}, 'must be "I" or "II"'),
        (AC[1:], TIED, "applied voltage was not read"),
        (AC[:2], TIED, "no current and no resistance"),
        ([*AC, ("voltage_v", "shell", 1, "V")], TIED, "not used, as the isolation study does not know it: voltage_v@shell"),
        ([*AC, ("current_a", "open fixture", 300, "uA")], TIED, "open fixture takes as much"),
        ([*AC, ("resistance_ohm", "barrier", 1, "Mohm")], {**TIED, "test_dc_v": 500}, "less than the resistance alone"),
        ([("resistance_ohm", "barrier", 1, "Mohm")], TIED, "does not say test_dc_v"),
        ([("resistance_ohm", "barrier", 1, "Mohm")], {"polarity": "A", "test_dc_v": 500}, "both mains pins tied"),
        ([("current_a", "barrier DC", 1, "uA")], {**TIED, "test_dc_v": 500}, "needs voltage_v@applied DC"),
        (
            [("resistance_ohm", "barrier", 9, "Mohm"), ("resistance_ohm", "barrier at least", 9, "Mohm")],
            {**TIED, "test_dc_v": 500},
            "more than one way",
        ),
        (
            [*AC[:2], ("voltage_v", "network U2", 50, "mV"), ("current_a", "network U2", 100, "uA")],
            TIED,
            "in volts and in amperes",
        ),
        ([*AC[:2], ("voltage_v", "network U2", 50, "mV")], {**TIED, "network_tolerance_ratio": 3}, "from 0 to 0.5"),
        (AC, {**TIED, "polarity": "A"}, "surge parts may have conducted"),
        ([*AC, ("voltage_v", "resistor", 600, "mV")], TIED, "figures are made from resistor"),
        ([(*AC[0], "nobody"), *AC[1:]], TIED, "no instrument 'nobody'"),
        ([(*AC[0], "isolation-tester"), *AC], TIED, "more than one instrument"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_sheet_is_told(bench, rows, conditions, words):
    object.__setattr__(bench.charger.nameplate, "input_max_v", 240.0)
    outcome = bench.ask(bench.recording(rows, **conditions))
    assert any(words in note.text for note in outcome.notes), outcome.notes


def test_the_same_test_twice_is_told(bench):
    dc = ("resistance_ohm", "barrier", 50, "Mohm")
    sheets = [bench.recording([*AC, dc], name, **TIED, test_dc_v=500) for name in ("one", "two")]
    outcome = bench.ask(*sheets)
    assert sum("one is this test already" in note.text for note in outcome.notes) == 2
    assert len({f.key for f in outcome.figures}) == len(outcome.figures)
