"""Captures to ripple figures, per port, mains, contract and load.

Definitions: peak-to-peak is the highest less the lowest sample, as captured and within 20 MHz; rms is that of the
departures from the mean. Common practice in both, and that of a public PC power supply design guide (10 Hz to 20 MHz,
0.1 uF in parallel with 10 uF at the measuring point). The scope's own noise is taken off rms values in squares.
"""

from __future__ import annotations

from collections.abc import Iterable

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError, ReadError
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.uncertainty import Measured
from brickbook.studies.ripple.lines import Switching
from brickbook.studies.ripple.point import Point, captured_points
from brickbook.studies.ripple.reduction import Reduced, reduce_capture

__all__ = ["STUDY", "figures"]

STUDY = "ripple"
_MAINS_CYCLES = 10  # of the mains: 200 ms, as the window of IEC 61000-4-7 (from memory, high)
_WIDE = 0.1  # relative scatter of a median above which there is none to speak of
_STEPS = 8  # of the converter, fewer are no measurement of a waveform
_OVERSAMPLED = 20  # samples a switching period, below which peaks may lie between samples


def figures(evidence: Evidence) -> Outcome:
    """All ripple figures of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    for point in captured_points(evidence, notes):
        reduced: list[Reduced] = []
        for capture, channel, recording in point.captures:
            try:
                reduced.append(reduce_capture(capture, channel, recording, evidence.instruments, point.ripple_hz))
            except (AnalysisError, ReadError) as error:
                notes.append(_warn(point.conditions, f"{recording.name}: {error}"))
            except (KeyError, ValueError) as error:
                notes.append(_warn(point.conditions, f"{recording.name}: {error.args[0] if error.args else error}"))
        if reduced:
            _of_point(point, reduced, found, notes)
    return Outcome(tuple(found), tuple(dict.fromkeys(notes)))


def _of_point(point: Point, reduced: list[Reduced], found: list[Figure], notes: list[Note]) -> None:
    base = point.conditions
    # of equal captures the tallest
    fastest = max(reduced, key=lambda r: (r.rate_hz, r.scan.count, r.levels.high - r.levels.low))
    sampled = [r for r in reduced if r.capture.acquisition != "peak-detect"]
    peak = _Figures(base, found)
    mains = _mains(point, sampled, peak, notes)

    wide = fastest.peak_to_peak()
    flags = (*_peak_flags(fastest), *_span_flags(fastest, point.ripple_hz, mains))
    peak.add("ripple_pp_v", wide.measured, f"highest less lowest sample, as captured ({wide.words})", fastest, flags)
    in_band = [r for r in reduced if r.banded]
    if in_band:
        best = max(in_band, key=_length)
        band = best.peak_to_peak(band=True)
        flags = (*_peak_flags(best), *_span_flags(best, point.ripple_hz, mains))
        peak.add("ripple_20mhz_pp_v", band.measured, f"highest less lowest sample, {band.words}", best, flags)
        if "output_v" in base:
            ratio = band.measured * (1.0 / base.number("output_v"))
            peak.add("ripple_ratio", ratio, "peak-to-peak within 20 MHz over the contract's voltage", best, flags, "")
    else:
        rate = max(r.rate_hz for r in reduced)
        text = (
            f"no figure for the 20 MHz band: it needs 50 million samples a second, the fastest capture has {rate:.4g}"
        )
        notes.append(_warn(base, text, reduced))
    best = max(in_band, key=_length) if in_band else fastest
    recurring = best.recurring()
    flags = (*_peak_flags(best), *_span_flags(best, point.ripple_hz, mains))
    if best.levels.recurring.u > _WIDE * best.levels.recurring.value:
        text = (
            f"the {best.levels.windows} stretches of the capture differ too much in height to say what recurs: the "
            "ripple comes and goes, and the capture is too short for it"
        )
        notes.append(Note(STUDY, "info", text, base, (best.rows,)))
    else:
        peak.add("ripple_recurring_pp_v", recurring.measured, recurring.words, best, flags)
    glitch = best.levels.glitch
    if glitch is not None:
        method = (
            f"peak-to-peak of the whole less the recurring one; seen in {glitch.stretches} of {best.levels.windows} "
            f"stretches, the farthest at {best.capture.start_s + glitch.time_s:.6g} s"
        )
        peak.add("glitch_excess_v", best.glitch_excess(), method, best, ())
        text = (
            f"{glitch.stretches} of {best.levels.windows} stretches hold a peak that most do not have, up to "
            f"{1000 * glitch.excess:.3g} mV more than the ripple: it may be the charger's or come from outside"
        )
        notes.append(Note(STUDY, "info", text, base, (best.rows,)))
    if sampled:
        _averages(point, sampled, peak, notes)
    for one in reduced:
        notes += [Note(STUDY, "info", f"{one.recording.name}: {t}", base, (one.rows,)) for t in one.remarks]


def _mains(point: Point, sampled: list[Reduced], add: _Figures, notes: list[Note]) -> float | None:
    """The part at twice the mains frequency as a figure, and its value [V] where it was found."""
    base, ripple_hz = point.conditions, point.ripple_hz
    if not sampled:
        return None
    longest = max(sampled, key=lambda r: r.capture.span_s)
    if ripple_hz is None:
        notes.append(_warn(base, "the mains frequency is not stated, so the mains part is not found", sampled))
        return None
    mains = longest.mains(ripple_hz)
    if mains is None:
        text = (
            f"no figure for the part at {ripple_hz:g} Hz: the longest capture spans {longest.capture.span_s:.3g} s "
            f"of the {1 / ripple_hz:.3g} s of one period"
        )
        notes.append(_warn(base, text, sampled))
        return None
    flags = (*_cycle_flags(longest, ripple_hz), *mains.flags)
    add.add("mains_ripple_pp_v", mains.measured, mains.words, longest, flags)
    return float(mains.measured.value)


def _averages(point: Point, sampled: list[Reduced], add: _Figures, notes: list[Note]) -> None:
    base, ripple_hz = point.conditions, point.ripple_hz

    def covers(one: Reduced) -> bool:
        return ripple_hz is None or one.capture.span_s * ripple_hz >= 0.99

    whole = [r for r in sampled if covers(r)]
    best = max(whole, key=lambda r: r.rate_hz) if whole else max(sampled, key=lambda r: r.capture.span_s)
    rms = best.rms()
    flags = (*_common_flags(best), *_span_flags(best, ripple_hz), *rms.flags)
    add.add("ripple_rms_v", rms.measured, f"rms of the departures from the mean, {rms.words}", best, flags)
    span = best.percentile_span()
    add.add("ripple_span_v", span.measured, span.words, best, flags)
    fastest = max(sampled, key=lambda r: (r.rate_hz, r.scan.count))
    bursting = max((r for r in sampled if r.burst is not None), key=lambda r: r.burst_count, default=None)
    switching = fastest.switching
    if switching is None:
        notes.append(
            Note(STUDY, "info", "no line between 20 kHz and 3 MHz stands out of the noise", base, (fastest.rows,))
        )
    else:
        # a longer capture that sees the same line follows it through more of the mains cycle
        same = [r for r in sampled if r.switching is not None and _close(r.switching, switching)]
        follower = max(same, key=lambda r: r.capture.span_s)
        frequency = follower.switching_frequency()
        add.add("switching_frequency_hz", frequency.measured, frequency.words, follower, frequency.flags, "Hz")
        if follower.switching is not None and follower.switching.moves:
            spread = follower.switching_spread()
            add.add("switching_spread_ratio", spread.measured, spread.words, follower, (), "")
        line = fastest.switching_rms()
        add.add("switching_ripple_rms_v", line.measured, line.words, fastest, (*_common_flags(fastest), *line.flags))
    if bursting is not None:
        rate = bursting.burst_rate()
        add.add("burst_frequency_hz", rate.measured, rate.words, bursting, (), "Hz")
        share = bursting.burst_share()
        add.add("burst_active_ratio", share.measured, share.words, bursting, (), "")
    noise = fastest.noise()
    add.add("noise_floor_rms_v", noise.measured, noise.words, fastest, noise.flags)


def _length(one: Reduced) -> tuple[int, float]:
    return one.scan.count, one.levels.high - one.levels.low


def _close(one: Switching, other: Switching) -> bool:
    return abs(one.frequency_hz.value / other.frequency_hz.value - 1.0) < 0.15


class _Figures:
    """Figures of one point on their way into a list."""

    def __init__(self, base: Conditions, found: list[Figure]) -> None:
        self._base, self._found = base, found

    def add(
        self, name: str, measured: Measured, method: str, one: Reduced, flags: Iterable[str] = (), unit: str = "V"
    ) -> None:
        """One more figure."""
        self._found.append(
            figure_of(
                measured,
                study=STUDY,
                name=name,
                unit=unit,
                conditions=self._base,
                method=method,
                sources=(one.rows,),
                flags=tuple(dict.fromkeys(flags)),
            )
        )


def _common_flags(one: Reduced) -> tuple[str, ...]:
    """What spoils any figure of a capture."""
    flags = list(one.clipped)
    if one.scan.missing:
        flags.append(f"{one.scan.missing} of {one.scan.count} samples are missing; their surroundings are left out")
    if one.capture.acquisition == "average":
        flags.append("sweeps were averaged in the scope: what does not repeat is missing")
    return tuple(flags)


def _peak_flags(one: Reduced) -> tuple[str, ...]:
    flags = list(_common_flags(one))
    step = one.step
    height = one.levels.high - one.levels.low
    if step and height < _STEPS * step:
        flags.append(f"under-resolved: {height / step:.0f} steps of the converter; use a smaller range")
    own = one.own_range
    if own > 0.5 * height:
        flags.append("the scope's own noise makes up more than half of it")
    if one.switching is not None and one.switching.frequency_hz.value * _OVERSAMPLED > one.rate_hz:
        ratio = one.rate_hz / one.switching.frequency_hz.value
        flags.append(f"only {ratio:.0f} samples in a switching period: peaks may lie between samples")
    return tuple(flags)


def _span_flags(one: Reduced, ripple_hz: float | None, mains_v: float | None = None) -> tuple[str, ...]:
    if ripple_hz is None:
        return ()
    share = one.capture.span_s * ripple_hz
    if share < 0.99:
        more = (
            "the rest of it was not seen" if mains_v is None else f"up to {1000 * mains_v:.2g} mV more over a whole one"
        )
        return (f"spans {share:.2g} of a period of the {ripple_hz:g} Hz ripple: {more}",)
    return ()


def _cycle_flags(one: Reduced, ripple_hz: float) -> tuple[str, ...]:
    cycles = one.capture.span_s * ripple_hz / 2
    flags = list(_common_flags(one))
    if cycles < 0.98 * _MAINS_CYCLES:
        flags.append(f"{cycles:.3g} mains cycles; {_MAINS_CYCLES} or more are wanted")
    return tuple(flags)


def _warn(conditions: Conditions, text: str, reduced: Iterable[Reduced] = ()) -> Note:
    return Note(STUDY, "warning", text, conditions, tuple(r.rows for r in reduced))
