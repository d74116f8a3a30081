"""What a hand sheet of an isolation test says: which readings there are, and how the charger was connected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.instrument import Instrument
from brickbook.core.quantities import QUANTITIES, quantity_of
from brickbook.core.readings import reading
from brickbook.core.statistics import repeated_mean
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.studies.isolation.network import BODY_OHM, RESISTOR_OHM, unweighted_ratio, weighted_ratio

__all__ = [
    "KNOWN",
    "WAYS",
    "Connection",
    "Current",
    "Taken",
    "ac_current",
    "applied",
    "connection",
    "frequency",
    "resistance",
    "take",
    "true_current",
    "unknown_columns",
]

Polarity = Literal["tied", "A", "B"]

APPLIED = "voltage_v@applied"
APPLIED_DC = "voltage_v@applied DC"
_MAINS = "mains_voltage_v"
_FREQUENCY = "mains_frequency_hz"
_OPEN = "current_a@open fixture"

WAYS = ("network U2", "network U1", "resistor", "barrier")
"""How a current may have been read, the one that is preferred first."""

KNOWN = frozenset(
    (
        APPLIED,
        APPLIED_DC,
        _MAINS,
        _FREQUENCY,
        _OPEN,
        "current_a@barrier",
        "current_a@barrier DC",
        "resistance_ohm@barrier",
        "resistance_ohm@barrier at least",
        *(
            f"{quantity}@{way}{peak}"
            for quantity in ("voltage_v", "current_a")
            for way in WAYS[:-1]
            for peak in ("", " peak")
        ),
        "time_s",
    )
)
"""Columns the study understands; any other is told to the tester."""

_NETWORK_BOUND = 0.01  # of a network whose tolerance is not stated; common practice, no source
_MAINS_BOUND = 0.01  # EN 50160: 50 Hz +/- 1 % during 99.5 % of a year (from memory, high)
_FAR = 0.10  # a reading this far from what the index says is another test


@dataclass(frozen=True, slots=True)
class Connection:
    """How charger and source were connected.

    Parameters
    ----------
    polarity
        "tied": both mains pins together. "A", "B": the plug either way round.
    running
        Whether the charger was on mains and working.
    nominal_v, nominal_hz
        Test level as the index has it.
    label
        The level in words: "500 V AC 50 Hz", "230 V 50 Hz mains".
    """

    polarity: Polarity
    running: bool
    nominal_v: float
    nominal_hz: float
    label: str

    @property
    def conditions(self) -> Conditions:
        """Of figures made from this test."""
        return Conditions.of(polarity=self.polarity, running=self.running, test=self.label)


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading with its rows."""

    measured: Measured
    rows: tuple[Rows, ...]


@dataclass(frozen=True, slots=True)
class Current:
    """Current through the barrier, and the way it was read.

    Parameters
    ----------
    way
        One of `WAYS`.
    rms_a
        True current at the fundamental, rms [A], as the reading tells it.
    shown_a
        Reading as a touch current [A]: U2/500 Ohm, U1/500 Ohm or U/2000 Ohm; with an ammeter the current itself.
    peak_shown_a
        The same for the peak, where it was read [A].
    """

    way: str
    rms_a: Taken | None
    shown_a: Taken | None
    peak_shown_a: Taken | None

    @property
    def through_network(self) -> bool:
        """Whether the body network stood in series."""
        return self.way.startswith("network")

    @property
    def series_ohm(self) -> float:
        """Plain resistance in series [Ohm]."""
        return RESISTOR_OHM if self.way == "resistor" else 0.0


def connection(conditions: Conditions) -> Connection:
    """The connection the index states.

    Raises
    ------
    KeyError, ValueError
        When something needed is missing or contradicts itself; the message says what to add.
    """
    polarity = conditions.get("polarity")
    if polarity not in ("tied", "A", "B"):
        found = f", found {polarity!r}" if polarity is not None else ""
        raise KeyError(f'the index does not say polarity = "tied", "A" or "B"{found}; add it to the file\'s conditions')
    running = conditions.get("running", False)
    if running not in (True, False):
        raise ValueError(f"running must be true or false, found {running!r}")
    if running and polarity == "tied":
        raise ValueError("running = true, but with both mains pins tied no charger runs")
    running = bool(running)
    keys = ("mains_v", "mains_hz") if running else ("test_v", "test_hz")
    for key in keys:
        if key not in conditions:
            raise KeyError(f"the index does not say {key}; add it to the file's conditions")
    volts, hertz = (conditions.number(key) for key in keys)
    label = f"{volts:g} V {hertz:g} Hz mains" if running else f"{volts:g} V AC {hertz:g} Hz"
    return Connection("tied" if polarity == "tied" else "A" if polarity == "A" else "B", running, volts, hertz, label)


def take(recording: Recording, column: str, instruments: Mapping[str, Instrument]) -> Taken | None:
    """Mean of all readings of a column with its uncertainty; `None` where there are none.

    Raises
    ------
    KeyError
        When the instrument or its accuracy is not known.
    ValueError
        When two instruments read the same thing.
    """
    tables = [table for table in recording.tables if table.has(column)]
    if not tables:
        return None
    if len(tables) > 1:
        names = ", ".join(repr(table.origins[column].instrument) for table in tables)
        raise ValueError(f"{column} was read by more than one instrument ({names}): give each a sheet of its own")
    table = tables[0]
    values = table.columns[column]
    good = np.isfinite(values)
    quantity = quantity_of(column)
    measured = reading(
        repeated_mean(values[good]),
        quantity=quantity,
        point=f"{recording.name}, {column}",
        instrument=table.origins[column].instrument,
        instruments=instruments,
        range_max=recording.ranges.get(column, recording.ranges.get(quantity)),
    )
    return Taken(measured, (table.rows(good, column),))


def frequency(recording: Recording, link: Connection, instruments: Mapping[str, Instrument]) -> Taken:
    """Frequency as read, else as the index states it, within 1 %."""
    taken = take(recording, _FREQUENCY, instruments)
    if taken is not None:
        _near(taken.measured, link.nominal_hz, "Hz", _FREQUENCY)
        return taken
    source = Source("frequency as stated, not read", "B", "rectangular")
    return Taken(Measured(link.nominal_hz, {source: _MAINS_BOUND * link.nominal_hz / 3**0.5}), ())


def applied(recording: Recording, link: Connection, instruments: Mapping[str, Instrument]) -> Taken:
    """Applied voltage as read.

    Raises
    ------
    KeyError
        When it was not read.
    ValueError
        When it is far from what the index states.
    """
    taken = take(recording, APPLIED, instruments) or take(recording, _MAINS, instruments)
    if taken is None:
        raise KeyError(f"the applied voltage was not read: write {APPLIED} or {_MAINS}")
    _near(taken.measured, link.nominal_v, "V", APPLIED)
    return taken


def ac_current(
    recording: Recording, way: str, hertz: Measured, instruments: Mapping[str, Instrument]
) -> Current | None:
    """Current read in one way; `None` where it was not read so."""
    if way == "barrier":
        taken = _less_fixture(recording, instruments)
        return None if taken is None else Current(way, taken, taken, None)
    shown = _shown(recording, way, "", instruments)
    peak = _shown(recording, way, " peak", instruments)
    if shown is None and peak is None:
        return None
    rms = None if shown is None else replace(shown, measured=true_current(shown.measured, way, hertz))
    return Current(way, rms, shown, peak)


def true_current(shown_a: Measured, way: str, hertz: Measured) -> Measured:
    """True current of a sinusoid [A] from what network or resistor shows [A]."""
    if way == "resistor":
        return shown_a
    ratio = weighted_ratio if way == "network U2" else unweighted_ratio
    # the weighting changes by some 1e-4 for 1 % of frequency: its uncertainty is left out
    return shown_a / float(ratio(float(hertz.value)))


def _shown(recording: Recording, way: str, peak: str, instruments: Mapping[str, Instrument]) -> Taken | None:
    """Reading as a current: a voltage over body or resistor, or what a touch-current meter shows."""
    volts = take(recording, f"voltage_v@{way}{peak}", instruments)
    amps = take(recording, f"current_a@{way}{peak}", instruments)
    if volts is not None and amps is not None:
        raise ValueError(f"{way}{peak} is given in volts and in amperes: leave one out")
    if volts is None:
        return amps
    bound = recording.conditions.get("network_tolerance_ratio", _NETWORK_BOUND)
    if isinstance(bound, (str, bool)) or not 0 <= bound < 0.5:
        raise ValueError(f"network_tolerance_ratio must be a number from 0 to 0.5, found {bound!r}")
    current = volts.measured * (1 / (RESISTOR_OHM if way == "resistor" else BODY_OHM))
    if bound:
        source = Source(f"{'resistor' if way == 'resistor' else 'body network'}, its tolerance", "B", "rectangular")
        current = with_source(current, source, float(bound) / 3**0.5 * float(current.value))
    return Taken(current, volts.rows)


def _less_fixture(recording: Recording, instruments: Mapping[str, Instrument]) -> Taken | None:
    """Ammeter's current less the open fixture's, in phase: both are capacitive."""
    taken = take(recording, "current_a@barrier", instruments)
    fixture = take(recording, _OPEN, instruments)
    if taken is None or fixture is None:
        return taken
    if not float(fixture.measured.value) < float(taken.measured.value):
        raise ValueError("the open fixture takes as much current as fixture and charger: check the connections")
    return Taken(taken.measured - fixture.measured, taken.rows + fixture.rows)


def resistance(recording: Recording, instruments: Mapping[str, Instrument]) -> tuple[Taken, bool] | None:
    """Insulation resistance [Ohm], and whether it is only the least it can be."""
    read = take(recording, "resistance_ohm@barrier", instruments)
    least = take(recording, "resistance_ohm@barrier at least", instruments)
    amps = take(recording, "current_a@barrier DC", instruments)
    given = [way for way in (read, least, amps) if way is not None]
    if not given:
        return None
    if len(given) > 1:
        raise ValueError("the insulation resistance is given in more than one way: leave all but one out")
    if amps is not None:
        volts = take(recording, APPLIED_DC, instruments)
        if volts is None:
            raise KeyError(f"current_a@barrier DC needs {APPLIED_DC}")
        read = Taken(volts.measured / amps.measured, volts.rows + amps.rows)
    taken = read or least
    assert taken is not None
    if not float(taken.measured.value) > 0:
        raise ValueError(f"the insulation resistance must be above 0, this is {float(taken.measured.value):.4g} Ohm")
    return taken, least is not None


def unknown_columns(recording: Recording) -> list[str]:
    """Columns of the sheet this study has no use for."""
    return sorted({c for table in recording.tables for c in table.columns if c not in KNOWN and table.has(c)})


def _near(measured: Measured, nominal: float, unit: str, what: str) -> None:
    if abs(float(measured.value) - nominal) > _FAR * nominal:
        label = QUANTITIES[quantity_of(what)].label
        raise ValueError(f"{label} read as {float(measured.value):.5g} {unit}, but the index says {nominal:g} {unit}")
