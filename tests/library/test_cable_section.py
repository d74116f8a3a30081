"""The report's part on cables against closed forms and the wire tables of the standards."""

from __future__ import annotations

import math

import pytest

from brickbook.core.figure import Figure
from brickbook.core.page import Chart, TableBlock
from brickbook.core.study import Mains, Settings
from brickbook.library.cable_section import CABLES, CableKind, cable_section, measured_modes, type_c_length

SETTINGS = Settings((Mains(230.0, 50.0),))


def say(value, half, unit):
    return f"{value!r}|{half!r}|{unit}"


def number(cell):
    return float(cell.split("|")[0])


@pytest.fixture
def described(made):
    """One port; at 20 V and up to 3 A the voltage falls by 30 mΩ; 5 V and 9 V were not measured."""
    figures = [
        made.figure(
            "regulation", "output_voltage_v", 20.0 - 0.03 * amps, 0.001, {"load-bank: port_voltage_v 60": 0.004},
            unit="V", point=f"{amps}", port="C1", contract="20 V", output_v=20.0, load_a=amps, mains_v=230.0,
            mains_hz=50.0, measured_at="receptacle",
        )
        for amps in (0.0, 1.0, 2.0, 3.0)
    ]  # fmt: skip
    return made.charger("alder", 60.0, ports=1), figures


def tables(section):
    return [block for block in section.blocks if isinstance(block, TableBlock)]


def test_against_closed_forms(described):
    """V - I R and I² R; R of a 2 m loop of 22 AWG by ASTM B258-02 (0.6438 mm) and IEC 60028 (17.241 nΩ m)."""
    section = cable_section(*described, SETTINGS, say=say)
    volts, watts, steady, lost = tables(section)
    assert [row[0] for row in volts.rows] == ["C1 at 20 V"]
    area = math.pi / 4 * 0.6438e-3**2
    loop = 4.0 * 1.06 * 17.241e-9 / area + 0.040
    far = 20.0 - 0.03 * 3.0 - 3.0 * loop
    thick = 3 + CABLES.index(CableKind(2.0, 22, 5.0))
    assert number(volts.rows[0][thick]) == pytest.approx(far, abs=2e-4)
    assert number(watts.rows[0][thick]) == pytest.approx(3.0 * far, abs=6e-4)
    assert number(volts.rows[0][2]) == pytest.approx(19.91)
    # 54 W at the device: I of (R + b) I² - a I + P = 0
    total, power = loop + 0.03, 54.0
    current = (20.0 - math.sqrt(400.0 - 4.0 * total * power)) / (2.0 * total)
    assert number(steady.rows[0][thick - 1]) == pytest.approx(power / current, abs=2e-4)
    # the longest: all of the 3 A, V(3 A)/3 - P/9 of loop
    longest = (19.91 / 3.0 - power / 9.0 - 0.040) / ((loop - 0.040) / 2.0)
    assert number(steady.rows[0][-1]) == pytest.approx(longest, rel=1e-4)
    row = next(row for row in lost.rows if row[0].startswith("3 A through 2 m, 22"))
    assert number(row[1]) == pytest.approx(9.0 * loop, rel=1e-3)
    assert number(row[3]) == pytest.approx(1500.0 * loop, rel=1e-3)
    assert row[4] == "beyond"


def test_uncertainty_of_the_far_end(described):
    """Meter (one error for all loads), scatter at 3 A, and 3.27 % of the wire's 3 A drop, by hand."""
    volts = tables(cable_section(*described, SETTINGS, say=say))[0]
    wire = 4.0 * 1.06 * 17.241e-9 / (math.pi / 4 * 0.6438e-3**2)
    u = math.hypot(0.004, 0.001, 3.0 * wire * 0.06 / 1.06 / math.sqrt(3.0))
    half = float(volts.rows[0][-1].split("|")[1])
    assert half == pytest.approx(1.96 * u, rel=0.02)


def test_longest_within_type_c():
    """24 AWG (0.5106 mm, 84.2 mΩ/m): (250 mV/3 A - 20 mΩ) over its resistance with 6 % more."""
    assert type_c_length(24, 3.0) == pytest.approx((0.25 / 3.0 - 0.020) / (0.0842 * 1.06), rel=2e-3)
    assert type_c_length(28, 20.0) == 0.0


def test_a_thin_cable_holds_a_strong_port_to_three_amperes(made):
    figures = [
        made.figure("regulation", "output_voltage_v", 20.0, 0.001, unit="V", point=f"{amps}", port="C1",
                    contract="20 V", output_v=20.0, load_a=amps, measured_at="receptacle")
        for amps in (0.0, 5.0)
    ]  # fmt: skip
    volts = tables(cable_section(made.charger("oak", 100.0, ports=1), figures, SETTINGS, say=say))[0]
    assert [cell.endswith("at 3 A") for cell in volts.rows[0][3:]] == [True, True, True, False]


def test_what_was_not_measured(described, made):
    charger, figures = described
    assert cable_section(charger, figures[:1], SETTINGS, say=say) is None
    assert cable_section(charger, [], SETTINGS, say=say) is None
    section = cable_section(charger, figures, SETTINGS, say=say)
    assert "C1 at 5 V, C1 at 9 V" in section.blocks[-1].text
    assert not any(isinstance(cell, Figure) for t in tables(section) for row in t.rows for cell in row)
    assert "from memory" in tables(section)[-1].note
    chart = next(block for block in section.blocks if isinstance(block, Chart))
    assert all(len(s.x) == len(s.y) == len(s.u_y) for s in chart.series)
    # two contracts of one voltage are two modes
    twins = [
        made.figure("regulation", "output_voltage_v", 9.0 - lower, 0.001, unit="V", point=f"{amps}", port="C1",
                    contract=contract, output_v=9.0, load_a=amps, measured_at="receptacle")
        for contract, lower in (("9 V", 0.0), ("PPS 9 V", 0.5)) for amps in (0.0, 1.0)
    ]  # fmt: skip
    assert [float(m.curve.at(1.0).value) for m in measured_modes(charger, twins, SETTINGS)] == [9.0, 8.5]
