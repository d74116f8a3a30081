"""Equivalent capacitance and resistance of the barrier, and the touch current to expect at the world's mains.

A reading at one voltage and frequency gives the magnitude of the barrier's admittance; with the resistance known from a
DC reading its capacitive part follows, and with that the current at any other supply. For a pure capacitance that is
I2 = I1 (V2 f2)/(V1 f1). All uncertainties come from the readings; the target supply is nominal and so exact.

A charger that runs does not drive its barrier with a sinusoid: behind a bridge rectifier the capacitor sees about half
a wave, whose current has an rms of w C V/sqrt(2) and a peak of sqrt(2) w C V. RMS and peak are therefore carried apart,
each with an equivalent capacitance of its own, and a peak is made from an rms only where the source was a sinusoid and
the charger off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, exact, type_b
from brickbook.studies.isolation.barrier import equivalent_capacitance, touch_current, unweighted_current
from brickbook.studies.isolation.sheet import (
    WAYS,
    Connection,
    Current,
    Taken,
    ac_current,
    applied,
    connection,
    frequency,
    resistance,
    true_current,
    unknown_columns,
)

__all__ = ["SUPPLIES", "WORST", "figures"]

STUDY = "isolation"
SUPPLIES = ((100.0, 50.0), (100.0, 60.0), (120.0, 60.0), (230.0, 50.0), (240.0, 50.0), (264.0, 50.0), (264.0, 60.0))
"""Supplies for which a touch current is worked out, beside the book's own [V], [Hz]."""
WORST = (264.0, 60.0)
"""The most a 100-240 V 50/60 Hz charger may be given: 240 V + 10 % at 60 Hz."""
HIGHEST_LEAST_OHM = 10e6
"""The most a neighbouring text asks for (AS/NZS 3551); "at least" less than this decides nothing."""

_WORDS = {
    "network U2": "weighted voltage U2 of the IEC 60990 figure 4 network",
    "network U1": "body voltage U1 of the IEC 60990 figure 4 network",
    "resistor": "a plain 2 kΩ resistor",
    "barrier": "ammeter in series with the barrier",
}
_SAME_HZ = 0.011  # frequencies this close are one: what a mains may stray


@dataclass(frozen=True, slots=True)
class _Leak:
    """Conductance across the barrier with both pins tied; each pin has an unknown share of it."""

    tied: Measured
    rows: tuple[Rows, ...]
    known: bool

    def of(self, polarity: str) -> Measured:
        """Conductance from the driven pin: anything from nothing to the whole, and what is not A's is B's."""
        if polarity == "tied":
            return self.tied
        half = float(self.tied.value) / 2
        return type_b(half, half if polarity == "A" else -half, "which mains pin the resistance goes to")


@dataclass(frozen=True, slots=True)
class _Test:
    """One AC test: the sheet, its connection, and what was read."""

    recording: Recording
    link: Connection
    volts: Taken
    hertz: Taken
    current: Current
    leak: _Leak
    protection: str | None

    @property
    def conditions(self) -> Conditions:
        way = "ammeter" if self.current.way == "barrier" else self.current.way
        return self.link.conditions.with_(read_by=way, protection_class=self.protection)

    @property
    def conductance(self) -> Measured:
        return self.leak.of(self.link.polarity)

    def rows(self, taken: Taken) -> tuple[Rows, ...]:
        return tuple(dict.fromkeys((*taken.rows, *self.volts.rows, *self.hertz.rows, *self.leak.rows)))

    def capacitance(self, current_a: Measured) -> Measured:
        return equivalent_capacitance(
            self.volts.measured,
            current_a,
            self.hertz.measured,
            self.conductance,
            through_network=self.current.through_network,
            series_ohm=self.current.series_ohm,
        )


def figures(evidence: Evidence) -> Outcome:
    """All isolation figures of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    insulation = list(_insulation(evidence, notes))
    found += [figure for figure, _ in insulation]
    leak = _leak(insulation)
    tests: dict[tuple[Connection, str], _Test] = {}
    for recording in evidence.recordings:
        strange = unknown_columns(recording)
        if strange:
            notes.append(_warn(recording, f"not used, as the isolation study does not know it: {', '.join(strange)}"))
        try:
            _one(recording, evidence, leak, tests, found, notes)
        except AnalysisError as error:
            notes.append(_warn(recording, str(error)))
        except (KeyError, ValueError) as error:
            notes.append(_warn(recording, str(error.args[0] if error.args else error)))
    found += _polarity_changes(tests)
    if any(f.name == "touch_current_a" and "protection_class" not in f.conditions for f in found):
        text = "the index does not say protection_class; limits that differ by class are not judged"
        notes.append(Note(STUDY, "info", text))
    return Outcome(tuple(found), tuple(notes))


def _one(
    recording: Recording,
    evidence: Evidence,
    leak: _Leak,
    tests: dict[tuple[Connection, str], _Test],
    found: list[Figure],
    notes: list[Note],
) -> None:
    """Figures and notes of one sheet's AC test."""
    test = _test(recording, evidence, leak, notes)
    if test is None:
        return
    same = tests.setdefault((test.link, test.current.way), test)
    if same is not test:
        raise ValueError(f"{same.recording.name} is this test already: put repeated readings into one sheet")
    for entry in _ac_figures(test, evidence):
        if isinstance(entry, Figure):
            found.append(entry)
        else:
            notes.append(_warn(recording, entry))


def _insulation(evidence: Evidence, notes: list[Note]) -> Iterator[tuple[Figure, Measured]]:
    """Insulation resistances with the conductance each stands for."""
    levels: dict[float, str] = {}
    for recording in evidence.recordings:
        try:
            given = resistance(recording, evidence.instruments)
            if given is not None:
                _check_insulation(recording, levels)
                yield _resistance_figure(recording, *given)
        except (KeyError, ValueError) as error:
            notes.append(_warn(recording, str(error.args[0])))


def _check_insulation(recording: Recording, levels: dict[float, str]) -> None:
    if recording.conditions.get("polarity", "tied") != "tied":
        raise ValueError('insulation resistance is read with both mains pins tied: polarity = "tied"')
    if "test_dc_v" not in recording.conditions:
        raise KeyError("the index does not say test_dc_v; add it to the file's conditions")
    volts = recording.conditions.number("test_dc_v")
    if levels.setdefault(volts, recording.name) != recording.name:
        raise ValueError(f"{levels[volts]} is this test already: put repeated readings into one sheet")


def _resistance_figure(recording: Recording, taken: Taken, least: bool) -> tuple[Figure, Measured]:
    level = f"{recording.conditions.number('test_dc_v'):g} V DC"
    base = Conditions.of(test=level, polarity="tied", protection_class=recording.conditions.get("protection_class"))
    name, method = "insulation_resistance_ohm", f"mains pins tied against outputs tied, {level}"
    flags: tuple[str, ...] = ()
    conductance = 1.0 / taken.measured
    if least:
        name = "insulation_resistance_at_least_ohm"
        method += "; the end of the instrument's range, the resistance is above it"
        # anything from nothing up to what the range's end would let through
        half = float(conductance.value) / 2
        conductance = type_b(half, half, "resistance beyond the instrument's range")
        if float(taken.measured.value) - 2 * float(taken.measured.u) < HIGHEST_LEAST_OHM:
            flags = (
                "not judged: the instrument's range ends below the highest limit, so nothing is decided beyond it",
            )
    return _figure(name, taken.measured, "Ω", base, method, taken.rows, flags), conductance


def _leak(insulation: Sequence[tuple[Figure, Measured]]) -> _Leak:
    """The largest conductance of those read."""
    if not insulation:
        return _Leak(exact(0.0), (), known=False)
    figure, most = max(insulation, key=lambda pair: float(pair[1].value))
    return _Leak(most, figure.sources, known=True)


def _test(recording: Recording, evidence: Evidence, leak: _Leak, notes: list[Note]) -> _Test | None:
    """The AC test of a sheet; `None` where it holds none."""
    instruments = evidence.instruments
    columns = {c for table in recording.tables for c in table.columns if table.has(c)}
    ways = [way for way in WAYS if any(c.startswith((f"voltage_v@{way}", f"current_a@{way}")) for c in columns)]
    if "barrier" in ways and "current_a@barrier" not in columns:  # a DC reading only
        ways.remove("barrier")
    if not ways:
        if not columns & {"resistance_ohm@barrier", "resistance_ohm@barrier at least", "current_a@barrier DC"}:
            notes.append(_warn(recording, "the sheet holds no current and no resistance of the barrier"))
        return None
    link = connection(recording.conditions)
    hertz = frequency(recording, link, instruments)
    volts = applied(recording, link, instruments)
    current = ac_current(recording, ways[0], hertz.measured, instruments)
    assert current is not None
    if ways[1:]:
        text = f"read by {' and '.join(ways)}; figures are made from {ways[0]}"
        notes.append(Note(STUDY, "info", f"{recording.name}: {text}", recording.conditions))
    rated = evidence.charger.nameplate.input_max_v
    if link.polarity != "tied" and rated is not None and link.nominal_v > 1.1 * rated:
        text = (
            f"{link.nominal_v:g} V with one pin driven lies across the input, which is rated for {rated:g} V at most: "
            "surge parts may have conducted or be destroyed"
        )
        notes.append(_warn(recording, text))
    protection = recording.conditions.get("protection_class")
    if protection not in (None, "I", "II"):
        raise ValueError(f'protection_class must be "I" or "II", found {protection!r}')
    return _Test(recording, link, volts, hertz, current, leak, None if protection is None else str(protection))


def _ac_figures(test: _Test, evidence: Evidence) -> Iterator[Figure | str]:
    """Figures of one AC test; a text for what could not be found."""
    flags = _flags(test)
    way = _WORDS[test.current.way]
    if test.link.running:
        at = test.conditions.with_(mains_v=test.link.nominal_v, mains_hz=test.link.nominal_hz, test=None)
        for name, taken, what in (
            ("measured_touch_current_a", test.current.shown_a, "rms"),
            ("measured_touch_current_peak_a", test.current.peak_shown_a, "peak"),
        ):
            if taken is not None:
                yield _figure(
                    name, taken.measured, "A", at, f"{what} read by {way}, charger on mains", taken.rows, flags
                )
    taken = test.current.rms_a
    if taken is not None:
        capacitance = test.capacitance(taken.measured)
        yield from _expected(test, capacitance, taken, evidence, flags, f"from the rms of {test.link.label}, {way}")
        if not test.link.running:
            peak = touch_current(*WORST, capacitance, test.conductance) * 2**0.5
            at = test.conditions.with_(mains_v=WORST[0], mains_hz=WORST[1])
            method = f"√2 times the rms, for a sinusoid; from the rms of {test.link.label}"
            more = _more_flags(test, WORST)
            yield _figure("touch_current_peak_a", peak, "A", at, method, test.rows(taken), (*flags, *more))
    highest = test.current.peak_shown_a
    if highest is not None and test.link.running:
        yield from _from_peak(test, highest, flags, way)
    elif test.link.running:
        yield (
            "the peak was not read; where the current is no sinusoid IEC 62368-1 Table 4 limits the peak, and that is "
            "not judged here"
        )


def _expected(
    test: _Test, capacitance: Measured, taken: Taken, evidence: Evidence, flags: tuple[str, ...], origin: str
) -> Iterator[Figure]:
    rows = test.rows(taken)
    at = test.conditions.with_(taken_from="rms", protection_class=None)
    known = "less what flows through the resistance" if test.leak.known else "taken as the whole admittance"
    method = f"equivalent capacitance {origin}; {known}"
    yield _figure("equivalent_capacitance_f", capacitance, "F", at, method, rows, flags)
    conductance = test.conductance
    for volts, hertz in _supplies(evidence):
        at = test.conditions.with_(mains_v=volts, mains_hz=hertz)
        current = touch_current(volts, hertz, capacitance, conductance)
        method = f"U2/500 Ω of the IEC 60990 figure 4 network in series with the equivalent barrier, {origin}"
        more = _more_flags(test, (volts, hertz))
        yield _figure("touch_current_a", current, "A", at, method, rows, (*flags, *more))
    at = test.conditions.with_(mains_v=WORST[0], mains_hz=WORST[1])
    current = unweighted_current(*WORST, capacitance, conductance)
    method = f"current through barrier and network, not weighted, {origin}"
    more = _more_flags(test, WORST)
    yield _figure("unweighted_touch_current_a", current, "A", at, method, rows, (*flags, *more))


def _from_peak(test: _Test, highest: Taken, flags: tuple[str, ...], way: str) -> Iterator[Figure]:
    """Equivalent capacitance and the worst peak from a peak reading, carried as the sinusoid of that peak."""
    sinusoid = true_current(highest.measured / 2**0.5, test.current.way, test.hertz.measured)
    capacitance = test.capacitance(sinusoid)
    rows = test.rows(highest)
    at = test.conditions.with_(taken_from="peak", protection_class=None)
    method = f"capacitance a sinusoid of {test.link.label} would need for this peak, {way}"
    yield _figure("equivalent_capacitance_f", capacitance, "F", at, method, rows, flags)
    peak = touch_current(*WORST, capacitance, test.conductance) * 2**0.5
    at = test.conditions.with_(mains_v=WORST[0], mains_hz=WORST[1])
    method = f"peak read at {test.link.label}, scaled by the equivalent barrier, {way}"
    more = _more_flags(test, WORST)
    yield _figure("touch_current_peak_a", peak, "A", at, method, rows, (*flags, *more))


def _flags(test: _Test) -> tuple[str, ...]:
    if test.link.running and test.current.way != "network U2":
        return ("read unweighted: switching residue counts in full, the weighted current is at most this",)
    return ()


def _more_flags(test: _Test, supply: tuple[float, float]) -> tuple[str, ...]:
    """Where no resistance was read: how far off a scaling to another frequency may be."""
    hertz = float(test.hertz.measured.value)
    if test.leak.known or abs(supply[1] - hertz) <= _SAME_HZ * hertz:
        return ()
    excess = supply[1] / hertz - 1
    way = "high" if excess > 0 else "low"
    words = "resistance across the barrier not read: a pure capacitance is taken; were it all resistance, this would be"
    return (f"{words} {100 * abs(excess):.0f} % too {way}",)


def _supplies(evidence: Evidence) -> list[tuple[float, float]]:
    """The fixed supplies and those of the book that are none of them."""
    own = [(m.voltage_v, m.frequency_hz) for m in evidence.settings.mains]
    return sorted({*SUPPLIES, *own}, key=lambda s: (s[1], s[0]))


def _polarity_changes(tests: Mapping[tuple[Connection, str], _Test]) -> Iterator[Figure]:
    """Touch current of polarity A less that of polarity B, at the worst supply.

    Made from the readings and not from the figures, because errors both share (the meter's gain) cancel in part.
    """
    sides: dict[tuple[str, str], dict[str, tuple[_Test, Taken]]] = {}
    for test in tests.values():
        if test.link.polarity == "tied" or test.current.rms_a is None:
            continue
        try:
            capacitance = test.capacitance(test.current.rms_a.measured)
        except ValueError:  # told already, when the test's own figures were asked for
            continue
        current = touch_current(*WORST, capacitance, test.conductance)
        taken = Taken(current, test.rows(test.current.rms_a))
        sides.setdefault((test.link.label, test.current.way), {})[test.link.polarity] = (test, taken)
    for both in sides.values():
        if len(both) == 2:
            (test, one), (_, other) = both["A"], both["B"]
            at = test.conditions.with_(mains_v=WORST[0], mains_hz=WORST[1], polarity="A less B", protection_class=None)
            method = "touch current with the plug one way round less that with it the other way, rms"
            rows = tuple(dict.fromkeys((*one.rows, *other.rows)))
            yield _figure("polarity_change_a", one.measured - other.measured, "A", at, method, rows, ())


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    rows: tuple[Rows, ...],
    flags: Sequence[str],
) -> Figure:
    return figure_of(
        measured,
        study=STUDY,
        name=name,
        unit=unit,
        conditions=conditions,
        method=method,
        sources=rows,
        flags=tuple(flags),
    )


def _warn(recording: Recording, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions)
