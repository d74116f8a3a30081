"""Isolation of the example chargers: an invented barrier each, and the hand sheets a tester would have written.

The barrier has a capacitance from either mains conductor, one from the negative rail behind the bridge rectifier, and a
resistance. On mains with one conductor earthed the rail follows the lower of the two conductors (an ideal bridge): half
a wave, whichever way the plug is in. Currents on mains are summed over harmonics through the body network.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from brickbook.core.conditions import Scalar
from brickbook.core.instrument import Instrument
from brickbook.demo.campaign import RawDeposit
from brickbook.demo.scenario import Example
from brickbook.simbench.meters import MeterBench
from brickbook.simbench.touch import network_readings

__all__ = ["BARRIERS", "ExampleBarrier", "isolation_campaign", "network_readings"]

_TEST_V, _TEST_HZ, _TEST_DC_V = 500.0, 50.0, 500.0
_MAINS_V, _MAINS_HZ = 230.0, 50.0
_FIXTURE_F = 18e-12
_NETWORK_TOLERANCE = 0.01
_REPEATS = 3
_RANGE_OHM = 2e9


@dataclass(frozen=True, slots=True)
class ExampleBarrier:
    """What is between mains and output of an example charger.

    Parameters
    ----------
    one_f, other_f
        Capacitance from either mains conductor [F].
    rail_f
        Capacitance from the negative rail [F].
    resistance_ohm
        Across the barrier [Ohm].
    """

    one_f: float
    other_f: float
    rail_f: float
    resistance_ohm: float

    @property
    def tied_f(self) -> float:
        """Capacitance with both mains pins tied, the rectifier passing the small charging current [F]."""
        return self.one_f + self.other_f + self.rail_f


BARRIERS: Mapping[str, ExampleBarrier] = {
    "wren-35": ExampleBarrier(20e-12, 20e-12, 0.47e-9, 40e9),
    "plover-67": ExampleBarrier(1.04e-9, 0.05e-9, 0.06e-9, 9e9),
    "heron-120": ExampleBarrier(60e-12, 45e-12, 1.52e-9, 0.86e9),
    "albatross-200": ExampleBarrier(0.12e-9, 0.12e-9, 2.26e-9, 25e9),
}
"""Barriers by charger: interference capacitors of 0.47 to 2.2 nF and stray capacitance of the transformer."""


def isolation_campaign(
    example: Example,
    instruments: Mapping[str, Instrument],
    *,
    seed: int,
    perfect: bool = False,
    errors_seed: int | None = None,
) -> Iterator[RawDeposit]:
    """Hand sheets of one charger: both pins tied at a reduced level and at DC, then the plug both ways on mains.

    Parameters
    ----------
    example
        The charger, one of `BARRIERS`.
    instruments
        Of the bench; "isolation-tester", "touch-meter" and "wall-meter" are read.
    seed
        Of all randomness; equal seeds give equal bytes.
    perfect
        Meters and network without error, for checks against the truth.
    errors_seed
        Of the meters' and the network's own errors, where other campaigns are read by the same.
    """
    bench = MeterBench(instruments, np.random.default_rng(seed), perfect=perfect, errors_seed=errors_seed)
    barrier = BARRIERS[example.slug]
    gain = 1.0 if perfect else 1.0 + _NETWORK_TOLERANCE * bench.fraction("measuring network")
    clock = datetime(2026, 10, 7, 14, 0, 0)
    yield _tied(barrier, bench, clock)
    for polarity, driven in (("A", barrier.one_f), ("B", barrier.other_f)):
        clock += timedelta(minutes=15)
        yield _on_mains(polarity, driven, barrier, gain, bench, clock)


def _tied(barrier: ExampleBarrier, bench: MeterBench, clock: datetime) -> RawDeposit:
    omega = 2 * np.pi * _TEST_HZ
    fixture_a = _TEST_V * omega * _FIXTURE_F
    conductance = 1 / barrier.resistance_ohm
    both_a = _TEST_V * float(np.hypot(omega * (barrier.tied_f + _FIXTURE_F), conductance))
    rows = [
        *_rows(bench, "isolation-tester", "mains_frequency_hz", "", _TEST_HZ, (1.0, "Hz", 2)),
        *_rows(bench, "isolation-tester", "voltage_v", "applied", _TEST_V, (1.0, "V", 1), 0.15),
        *_rows(bench, "isolation-tester", "current_a", "open fixture", fixture_a, (1e6, "uA", 1), 2e-8),
        *_rows(bench, "isolation-tester", "current_a", "barrier", both_a, (1e6, "uA", 1), 1e-7),
    ]
    if barrier.resistance_ohm > _RANGE_OHM:
        note = "display shows > 2 GOhm"
        rows.append(("resistance_ohm", "barrier at least", f"{_RANGE_OHM / 1e6:.0f}", "Mohm", "isolation-tester", note))
    else:
        one = _rows(bench, "isolation-tester", "resistance_ohm", "barrier", barrier.resistance_ohm, (1e-6, "Mohm", 0))
        rows += one[:1]
    conditions: dict[str, Scalar] = {
        "polarity": "tied",
        "test_v": _TEST_V,
        "test_hz": _TEST_HZ,
        "test_dc_v": _TEST_DC_V,
        "protection_class": "II",
        "ambient_c": 22.0,
    }
    return _deposit("isolation-tied.csv", rows, conditions, clock)


def _on_mains(
    polarity: str, driven_f: float, barrier: ExampleBarrier, gain: float, bench: MeterBench, clock: datetime
) -> RawDeposit:
    rms, peak = network_readings(driven_f, barrier.rail_f, _MAINS_V, _MAINS_HZ)
    rows = [
        *_rows(bench, "wall-meter", "mains_voltage_v", "", _MAINS_V, (1.0, "V", 2), 0.03),
        *_rows(bench, "wall-meter", "mains_frequency_hz", "", _MAINS_HZ, (1.0, "Hz", 2)),
        *_rows(bench, "touch-meter", "voltage_v", "network U2", gain * rms, (1e3, "mV", 2), 5e-5),
        *_rows(bench, "touch-meter", "voltage_v", "network U2 peak", gain * peak, (1e3, "mV", 2), 2e-4),
    ]
    conditions: dict[str, Scalar] = {
        "polarity": polarity,
        "running": True,
        "mains_v": _MAINS_V,
        "mains_hz": _MAINS_HZ,
        "network_tolerance_ratio": _NETWORK_TOLERANCE,
        "protection_class": "II",
        "ambient_c": 22.0,
    }
    return _deposit(f"isolation-polarity-{polarity.lower()}.csv", rows, conditions, clock)


def _rows(
    bench: MeterBench,
    instrument: str,
    quantity: str,
    channel: str,
    truth: float,
    written: tuple[float, str, int],
    scatter: float = 0.0,
) -> list[tuple[str, str, str, str, str, str]]:
    """Three readings as written: factor to the unit, the unit, and its decimals (one more where nothing errs)."""
    factor, unit, decimals = written
    one = np.zeros(_REPEATS, dtype=np.int64)
    read = bench.read(instrument, quantity, np.full(_REPEATS, truth), one, scatter=scatter)
    digits = decimals + (6 if bench.perfect else 0)
    return [(quantity, channel, f"{factor * v:.{digits}f}", unit, instrument, "") for v in read]


def _deposit(
    name: str,
    rows: Sequence[tuple[str, str, str, str, str, str]],
    conditions: Mapping[str, Scalar],
    clock: datetime,
) -> RawDeposit:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("quantity", "channel", "value", "unit", "instrument", "time", "note"))
    for *cells, note in rows:
        writer.writerow((*cells, "", note))
    return RawDeposit(
        name, text.getvalue().encode(), ("isolation",), clock.isoformat(), conditions, {}, reader="hand-sheet"
    )
