"""Captures: preamble and block, triggers, and waveforms against the formulas they are made of."""

import numpy as np
import pytest

from brickbook.simbench.touch import network_readings


def capture(b, column):
    channel = b.sim.instruments["bench-scope"].channels[column]
    points, step_s, start_s, gain, offset, ratio = b.scope.numbers(f"TRAC:PRE? (@{channel})")
    counts = np.frombuffer(b.scope.block(f"TRAC:DATA? (@{channel})"), "<i2")
    assert len(counts) == points
    assert ratio == 1.0
    return start_s + np.arange(len(counts)) * step_s, counts * gain + offset


def channel_of(b, column):
    return b.sim.instruments["bench-scope"].channels[column]


def test_a_load_step_dips_by_the_loop_and_settles_by_the_resistance(bench):
    """v = -R I (1 - exp(-a t)) - I Z exp(-a t) sin(w t), its deepest point found on a grid; settled by Ohm's law."""
    b = bench(perfect=True)
    b.power()
    b.contract(1, 4, 20000, 1500)
    b.draw(1, 0.15)
    b.wait(1.0)
    volts, amps = channel_of(b, "port_voltage_v@C1"), channel_of(b, "port_current_a@C1")
    b.scope.do(f"SENS:SWE:TIME 0.005;POIN 50000;:SENS:VOLT:RANG 48,(@{volts});RANG 4,(@{amps})")
    b.scope.do(f"TRIG:SOUR (@{amps});LEV 0.75;:INIT")
    b.load.do("SOUR:CURR 1.35,(@1)")
    assert b.scope.ask("*OPC?") == "1"
    time, seen = capture(b, "port_current_a@C1")
    assert time[0] == pytest.approx(-0.0005)
    assert seen[time < -1e-5] == pytest.approx(0.15, abs=0.002)
    assert seen[-1] == pytest.approx(1.35, abs=0.002)
    time, seen = capture(b, "port_voltage_v@C1")
    before, after = seen[time < -1e-5].mean(), seen[time > 0.003].mean()
    assert before == pytest.approx(20.0 * 1.005 - 0.014 * 0.15, abs=0.01)
    assert before - after == pytest.approx(0.014 * 1.2, abs=0.008)
    w0 = 2 * np.pi * 5.6e3
    t = np.linspace(1e-5, 1e-3, 20_000)
    w, a = w0 * np.sqrt(1 - 0.58**2), 0.58 * w0
    dip = 1.2 * np.max(0.014 * (1 - np.exp(-a * t)) + 0.23 * np.exp(-a * t) * np.sin(w * t))
    ripple = np.ptp(seen[time > 0.003])
    assert before - seen[(time > 5e-5) & (time < 1e-3)].min() == pytest.approx(dip, abs=ripple)


def test_inrush_charges_the_bulk_capacitor(bench):
    """Charge conservation: the current in the first half period carries C times the voltage the capacitor has then."""
    b = bench(perfect=True)
    b.sink.do("SINK:ATT ON,(@1)")
    mains_v, mains_a = channel_of(b, "mains_voltage_v"), channel_of(b, "mains_current_a")
    b.scope.do(
        f"SENS:SWE:TIME 1;POIN 200000;:SENS:VOLT:RANG 1000,(@{mains_v});RANG 100,(@{mains_a});:TRIG:SOUR PLUG;:INIT"
    )
    b.source.do("OUTP ON")
    b.scope.ask("*OPC?")
    time, volts = capture(b, "mains_voltage_v")
    assert np.abs(volts[time < 0]).max() == 0.0
    assert np.abs(volts).max() == pytest.approx(230.0 * np.sqrt(2), rel=1e-3)
    _, amps = capture(b, "mains_current_a")
    charging = (time >= 0) & (time < 0.06)
    charge = np.trapezoid(np.abs(amps[charging]), time[charging])
    assert charge == pytest.approx(43e-6 * 230.0 * np.sqrt(2), rel=0.02)
    assert np.abs(amps).max() <= 230.0 * np.sqrt(2) / 12.0 * 1.01


def test_ripple_has_twice_the_mains_frequency_and_the_switching_frequency(bench):
    b = bench()
    b.power()
    b.contract(1, 4, 20000, 1500)
    b.draw(1, 1.5)
    volts = channel_of(b, "port_voltage_v@C1")
    b.scope.do(
        f"SENS:SWE:TIME 0.2;POIN 200000;:INP:COUP AC,(@{volts});:SENS:VOLT:RANG 0.16,(@{volts});:TRIG:SOUR IMM;:INIT"
    )
    began = b.now()
    b.scope.ask("*OPC?")
    assert b.now() - began == pytest.approx(0.2, abs=1e-6)
    _, seen = capture(b, "port_voltage_v@C1")
    assert abs(seen.mean()) < 1e-4
    lines = np.abs(np.fft.rfft(seen)) / len(seen) * 2
    hertz = np.fft.rfftfreq(len(seen), 1e-6)
    low = hertz[1:400]
    assert low[np.argmax(lines[1:400])] == pytest.approx(100.0, abs=5.0)
    high = (hertz > 90e3) & (hertz < 130e3)
    # swept by the ripple, 3 % each way, about 134 kHz less 18 % at full load
    assert hertz[high][np.argmax(lines[high])] == pytest.approx(134e3 * 0.82, rel=0.035)


def test_too_large_a_signal_clips_at_the_edge_of_the_screen(bench):
    b = bench(perfect=True)
    b.power()
    b.contract(1, 4, 20000, 1500)
    volts = channel_of(b, "port_voltage_v@C1")
    b.scope.do(f"SENS:SWE:TIME 0.01;POIN 1000;:SENS:VOLT:RANG 10,(@{volts});:TRIG:SOUR IMM;:INIT")
    b.scope.ask("*OPC?")
    _, seen = capture(b, "port_voltage_v@C1")
    assert seen.max() == pytest.approx(5.0, abs=0.003)


def test_a_trigger_that_does_not_come_leaves_no_capture(bench):
    b = bench()
    b.scope.do("TRIG:SOUR PLUG;:INIT")
    b.scope.ask("*OPC?")
    b.scope.write("TRAC:DATA? (@1)")
    assert b.scope.ask("SYST:ERR?").startswith("-230")


def test_touch_voltage_of_a_pure_capacitance_is_that_of_a_divider():
    """Without a rectifying rail: current U w C through the network of IEC 60990 figure 4, by phasors at 50 Hz."""
    c, w = 1e-9, 2 * np.pi * 50.0
    body = 1 / (1 / 500.0 + 1 / (10e3 + 1 / (1j * w * 0.022e-6)))
    network = 1 / (1 / 1500.0 + 1j * w * 0.22e-6) + body
    amps = 230.0 / (1 / (1j * w * c) + network)
    u2 = abs(amps * body / (1 + 1j * w * 10e3 * 0.022e-6))
    rms, peak = network_readings(c, 0.0, 230.0, 50.0)
    assert rms == pytest.approx(u2, rel=1e-6)
    assert peak == pytest.approx(u2 * np.sqrt(2), rel=1e-5)
