"""Captures of switching on and off to figures: inrush, power-up and hold-up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from brickbook.core.capture import Capture, Channel
from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError, ReadError
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording
from brickbook.core.uncertainty import Measured, Source
from brickbook.studies.inrush.events import Instant, mains_gone, mains_on, phase_at, surge_begins
from brickbook.studies.inrush.surge import surge
from brickbook.studies.inrush.vbus import passage
from brickbook.studies.loadstep.scope import Scope, clipped_ends, scope_of
from brickbook.studies.loadstep.trace import Stretch, read_stretch

__all__ = ["STUDY", "Switching", "figures", "switching_of"]

STUDY = "inrush"
VSAFE5V_LOW_V = 4.75  # USB PD, vSafe5V, as in a public controller driver
_MOST = 1 << 20
_MAINS = ("mains_v", "mains_hz", "start", "supply")
_PORT = ("contract", "output_v", "output_kind", "load_a", "load_ratio", "measured_at")


@dataclass(frozen=True, slots=True)
class Switching:
    """What the mains side of a capture tells.

    Parameters
    ----------
    on, gone
        In samples of `each`; `None` where it does not happen in the capture.
    each
        Samples averaged into one.
    from_voltage
        Whether the mains voltage told.
    """

    on: Instant | None
    gone: Instant | None
    each: int
    from_voltage: bool
    volts: Stretch | None
    amps: Stretch | None


@dataclass(slots=True)
class _Pages:
    figures: list[Figure] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    taken: dict[tuple[str, Conditions], int] = field(default_factory=dict)

    def numbered(self, name: str, at: Conditions) -> Conditions:
        """Conditions told apart from those of an earlier capture of the same."""
        number = self.taken.get((name, at), 0) + 1
        self.taken[name, at] = number
        return at if number == 1 else at.with_(repeat=number)


def figures(evidence: Evidence) -> Outcome:
    """All figures of switching on and off of a charger."""
    pages = _Pages()
    for recording in evidence.recordings:
        if not recording.captures:
            text = f"{recording.name}: holds no capture, so there is no switching to see"
            pages.notes.append(Note(STUDY, "warning", text, recording.conditions))
        for capture in recording.captures:
            try:
                _capture(recording, capture, evidence, pages)
            except (AnalysisError, ReadError) as error:
                pages.notes.append(_warn(recording, capture, str(error)))
            except (KeyError, ValueError) as error:
                pages.notes.append(_warn(recording, capture, str(error.args[0] if error.args else error)))
    return Outcome(tuple(pages.figures), tuple(dict.fromkeys(pages.notes)))


def switching_of(recording: Recording, capture: Capture) -> Switching:
    """When mains comes and goes in a capture.

    Raises
    ------
    KeyError
        When the index does not say mains_hz, or there is no channel of mains.
    """
    voltage, current = capture.find("mains_voltage_v"), capture.find("mains_current_a")
    if voltage is None and current is None:
        raise KeyError("the capture has neither mains_voltage_v nor mains_current_a: nothing tells when mains came")
    given = recording.conditions.with_(**dict(capture.conditions))
    if "mains_hz" not in given:
        raise KeyError("the index does not say mains_hz; add it to the file's conditions")
    mains_hz = given.number("mains_hz")
    amps = read_stretch(capture, current, 0, capture.count, _MOST) if current is not None else None
    if voltage is None:
        assert amps is not None
        return Switching(surge_begins(amps.values), None, amps.each, from_voltage=False, volts=None, amps=amps)
    volts = read_stretch(capture, voltage, 0, capture.count, _MOST)
    interval_s = capture.interval_s * volts.each
    on = mains_on(volts.values, interval_s, mains_hz)
    gone = mains_gone(volts.values, interval_s, mains_hz, on.at if on is not None else 0.0)
    return Switching(on, gone, volts.each, from_voltage=True, volts=volts, amps=amps)


def _capture(recording: Recording, capture: Capture, evidence: Evidence, pages: _Pages) -> None:
    told = switching_of(recording, capture)
    given = recording.conditions.with_(**dict(capture.conditions))
    at = given.only(*_MAINS)
    interval_s = capture.interval_s * told.each
    where = recording.name
    if told.on is None and told.gone is None:
        pages.notes.append(_warn(recording, capture, "mains neither comes nor goes in this capture"))
        return
    common: list[str] = []
    if told.each > 1:
        common.append(f"means of {told.each} samples: a shorter peak is not seen")
    if capture.acquisition != "sample":
        common.append(f"captured in {capture.acquisition} mode: not a course of single samples")
    if told.on is not None:
        if "start" not in given:
            text = 'not stated whether from cold or warm: add start = "cold" or "warm" to the file\'s conditions'
            pages.notes.append(_warn(recording, capture, text))
        _inrush(recording, capture, told, evidence, at, common, pages)
        if told.volts is not None:
            phase = phase_at(told.volts.values, interval_s, given.number("mains_hz"), told.on)
            if phase is not None:
                u = Source(f"phase of mains, {where}", "B", "normal")
                _add(
                    pages,
                    capture,
                    "switch_on_phase_deg",
                    Measured(phase.angle_deg, {u: phase.u_deg}),
                    "°",
                    at,
                    "sine fitted to the periods after mains came; after its last zero",
                    common,
                )
        else:
            text = "the mains voltage was not captured: its phase is not known, and time counts from the current"
            pages.notes.append(_warn(recording, capture, text))
    for channel in capture.channels:
        if channel.quantity == "port_voltage_v":
            _port(recording, capture, channel, told, evidence, common, pages)


def _inrush(
    recording: Recording,
    capture: Capture,
    told: Switching,
    evidence: Evidence,
    at: Conditions,
    common: list[str],
    pages: _Pages,
) -> None:
    channel = capture.find("mains_current_a")
    if channel is None or told.amps is None or told.on is None:
        pages.notes.append(_warn(recording, capture, "mains_current_a was not captured: no inrush current"))
        return
    values = told.amps.values
    scope = scope_of(channel, float(np.max(np.abs(values))), told.amps.raw, evidence.instruments)
    half_s = 0.5 / (recording.conditions.with_(**dict(capture.conditions))).number("mains_hz")
    found = surge(values, capture.interval_s * told.each, told.on, half_s, scope, recording.name)
    if found is None:
        pages.notes.append(_warn(recording, capture, "no inrush current stands out of the noise"))
        return
    flags = (*common, *_clipping(capture, channel, told.amps, scope), *found.flags)
    method = "largest current to either side after mains came"
    _add(pages, capture, "inrush_peak_a", found.peak_a, "A", at, method, flags)
    method = "integral of the squared current over the first pulse, noise taken off in squares"
    _add(pages, capture, "inrush_i2t_a2s", found.i2t_a2s, "A²s", at, method, flags)
    _add(pages, capture, "inrush_width_s", found.width_s, "s", at, "time above half of the peak", flags)


def _port(
    recording: Recording,
    capture: Capture,
    channel: Channel,
    told: Switching,
    evidence: Evidence,
    common: list[str],
    pages: _Pages,
) -> None:
    given = recording.conditions.with_(**dict(capture.conditions))
    try:
        port = evidence.charger.port(channel.place)
    except KeyError:
        pages.notes.append(_warn(recording, capture, f"the charger has no port {channel.place!r}"))
        return
    stretch = read_stretch(capture, channel, 0, capture.count, _MOST)
    scope = scope_of(channel, float(np.max(np.abs(stretch.values))), stretch.raw, evidence.instruments)
    interval_s = capture.interval_s * told.each
    flags = (*common, *_clipping(capture, channel, stretch, scope))
    own = port.connector in ("captive", "barrel") and "output_v" in given
    where = f"{recording.name}, {channel.place}"
    if told.on is not None:
        at = given.only(*_MAINS, "load_a", "load_ratio").with_(port=channel.place)
        limit_v = 0.95 * given.number("output_v") if own else VSAFE5V_LOW_V
        up = passage(stretch.values, interval_s, told.on, limit_v, scope, where, rising=True)
        if up.time_s is None:
            pages.notes.append(_warn(recording, capture, f"{channel.place}, power-up: {up.why}"))
        else:
            method = f"from mains applied to the output at {limit_v:g} V"
            if not told.from_voltage:
                flags = (*flags, "counted from the first mains current: the voltage was not captured")
            _add(pages, capture, "power_up_time_s", up.time_s, "s", at, method, (*flags, *up.flags))
    if told.gone is None:
        return
    at = given.only("mains_v", "mains_hz", "supply", *_PORT).with_(port=channel.place)
    limit_v = 0.95 * given.number("output_v") if "output_v" in given else VSAFE5V_LOW_V
    down = passage(stretch.values, interval_s, told.gone, limit_v, scope, f"{where}, off", rising=False)
    if down.time_s is None:
        pages.notes.append(_warn(recording, capture, f"{channel.place}, hold-up: {down.why}"))
        return
    if "load_a" not in given and "load_ratio" not in given:
        flags = (*flags, "the load is not stated: hold-up means nothing without it")
    method = f"from mains gone to the output at {limit_v:.5g} V"
    _add(pages, capture, "hold_up_time_s", down.time_s, "s", at, method, (*flags, *down.flags))


def _clipping(capture: Capture, channel: Channel, stretch: Stretch, scope: Scope) -> tuple[str, ...]:
    values = stretch.values
    if stretch.each > 1:
        values = channel.values(0, min(capture.count, 1 << 22))
        values = values[np.isfinite(values)]
    flags = clipped_ends(capture, channel, values, scope.step)
    if stretch.missing:
        flags = (*flags, f"{stretch.missing} samples are missing; straight lines stand in for them")
    return flags


def _add(
    pages: _Pages,
    capture: Capture,
    name: str,
    measured: Measured,
    unit: str,
    at: Conditions,
    method: str,
    flags: Iterable[str],
) -> None:
    pages.figures.append(
        figure_of(
            measured,
            study=STUDY,
            name=name,
            unit=unit,
            conditions=pages.numbered(name, at),
            method=method,
            sources=(capture.rows(),),
            flags=tuple(dict.fromkeys(flags)),
        )
    )


def _warn(recording: Recording, capture: Capture, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions, (capture.rows(),))
