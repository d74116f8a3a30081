"""Captures to load-step figures, per port, contract, mains and step; the definitions stand in `response`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError, ReadError
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.studies.loadstep.point import BANDS, Shot, Step, base_conditions, shots_of, steps_of
from brickbook.studies.loadstep.response import Recovery, Response

__all__ = ["STUDY", "figures"]

STUDY = "loadstep"
_SOURCE_BAND = 0.05  # of the contract: vSrcNew
_OF_SAMPLES = ("lowest_voltage_v", "highest_voltage_v", "below_source_band_v", "above_source_band_v")


@dataclass(slots=True)
class _Pages:
    """What is found on its way into an outcome; repeats of a step are told apart by their number."""

    figures: list[Figure] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    taken: dict[tuple[Conditions, str], int] = field(default_factory=dict)


def figures(evidence: Evidence) -> Outcome:
    """All load-step figures of a charger."""
    pages = _Pages()
    for recording in evidence.recordings:
        shots = shots_of(recording)
        if not shots:
            text = f"{recording.name}: holds no capture of an output voltage, so there is no load step to see"
            pages.notes.append(Note(STUDY, "warning", text, recording.conditions))
        for shot in shots:
            conditions = base_conditions(shot)
            try:
                evidence.charger.port(shot.port)
                _shot(shot, conditions, evidence, pages)
            except KeyError as error:
                text = f"the charger has no port {shot.port!r}" if error.args[0] == shot.port else str(error.args[0])
                pages.notes.append(_warn(conditions, shot, text))
            except (AnalysisError, ReadError) as error:
                pages.notes.append(_warn(conditions, shot, str(error)))
    return Outcome(tuple(pages.figures), tuple(dict.fromkeys(pages.notes)))


def _shot(shot: Shot, conditions: Conditions, evidence: Evidence, pages: _Pages) -> None:
    steps = steps_of(shot, evidence.instruments)
    if not steps:
        text = "no step of the load is seen: the capture is too short, or nothing was switched"
        pages.notes.append(_warn(conditions, shot, text))
        return
    if "output_v" not in conditions:
        text = "output_v is not stated, so there is no band and no recovery time; add it to the file's conditions"
        pages.notes.append(_warn(conditions, shot, text))
    if shot.current is None:
        text = "the load current was not captured: steps are found in the voltage, and their instants are less certain"
        pages.notes.append(Note(STUDY, "info", f"{shot.recording.name}: {text}", conditions, (shot.rows,)))
    for step in steps:
        at = conditions.with_(step=step.name)
        number = pages.taken.get((conditions, step.name), 0) + 1
        pages.taken[conditions, step.name] = number
        if number > 1:
            at = at.with_(repeat=number)
        if step.response is None:
            pages.notes.append(_warn(at, shot, step.why))
            continue
        _levels(shot, step, step.response, at, pages)
        _recoveries(shot, step, step.response, at, pages)
        _extremes(shot, step, at, pages)


def _levels(shot: Shot, step: Step, told: Response, at: Conditions, pages: _Pages) -> None:
    up = step.edge.up
    first, other = ("undershoot_v", "overshoot_v") if up else ("overshoot_v", "undershoot_v")
    words = {
        "undershoot_v": "settled level less the minimum",
        "overshoot_v": "maximum less the settled level",
    }
    if told.swing_v is not None:
        _add(pages, shot, step, first, told.swing_v, "V", at, words[first])
    else:
        text = "no swing beyond the settled level stands out of the noise"
        pages.notes.append(Note(STUDY, "info", f"{shot.recording.name}, {step.name}: {text}", at, (shot.rows,)))
    if told.rebound_v is not None:
        _add(pages, shot, step, other, told.rebound_v, "V", at, f"{words[other]}, after the first swing")
    if told.deviation_v is not None:
        _add(pages, shot, step, "peak_deviation_v", told.deviation_v, "V", at, "from the level before the step")
    if shot.voltage.setting.coupling != "ac":
        _add(pages, shot, step, "level_change_v", told.level_change_v, "V", at, "settled level less the one before")
    if told.slew_v_per_s is not None:
        slew = told.slew_v_per_s * 1e-6
        _add(pages, shot, step, "voltage_slew_v_per_us", slew, "V/µs", at, "line from 10 to 90 % of the first swing")
    if told.ringing is not None:
        method = f"damped sine from the first turn on, {told.ringing.swings} swings above the noise"
        _add(pages, shot, step, "ringing_hz", told.ringing.frequency_hz, "Hz", at, method, told.ringing.flags)
        _add(pages, shot, step, "damping_ratio", told.ringing.damping_ratio, "", at, method, told.ringing.flags)
    _load_slew(shot, step, at, pages)


def _load_slew(shot: Shot, step: Step, at: Conditions, pages: _Pages) -> None:
    edge, scope = step.edge, step.current
    if scope is None or not edge.from_current:
        return
    flags: tuple[str, ...] = ()
    if not edge.resolved:
        flags = ("the step is faster than the samples show: it may be any steeper",)
    rise_s = edge.rise_samples * shot.capture.interval_s
    value = 0.8 * (edge.to_a - edge.from_a) / rise_s
    where = f"{shot.recording.name}, {step.name}, {step.number}"
    terms = {Source(f"rise of the load, {where}", "B", "normal"): abs(value) * edge.u_rise_samples / edge.rise_samples}
    measured = with_source(Measured(value, terms), *scope.gain(value))
    measured = measured * 1e-6
    _add(pages, shot, step, "load_slew_a_per_us", measured, "A/µs", at, "10 to 90 % of the step", flags)


def _recoveries(shot: Shot, step: Step, told: Response, at: Conditions, pages: _Pages) -> None:
    for share, one in zip(BANDS, told.recoveries, strict=False):
        band = at.with_(band=f"{100 * share:g} %")
        if one.time_s is not None:
            _add(pages, shot, step, "recovery_time_s", one.time_s, "s", band, one.method, one.flags)
            continue
        _unrecovered(shot, step, one, band, pages)


def _unrecovered(shot: Shot, step: Step, one: Recovery, at: Conditions, pages: _Pages) -> None:
    where = f"{shot.recording.name}, {step.name}"
    if one.stays:
        also = f" ({'; '.join(one.flags)})" if one.flags else ""
        text = f"{where}: the voltage stays within {at['band']} of the contract about its settled level{also}"
        pages.notes.append(Note(STUDY, "info", text, at, (shot.rows,)))
    else:
        pages.notes.append(Note(STUDY, "warning", f"{where}, band {at['band']}: {one.why}", at, (shot.rows,)))


def _extremes(shot: Shot, step: Step, at: Conditions, pages: _Pages) -> None:
    """Lowest and highest sample against the band of the source, ripple included, as a device sees it."""
    stretch, channel = step.stretch, shot.voltage
    if stretch is None or channel.setting.coupling == "ac" or "output_v" not in at:
        return
    volts = at.number("output_v")
    n = len(stretch.values) * stretch.each
    noise = channel.setting.noise or 0.0
    own = noise * float(np.sqrt(2 * np.log(max(n, 2))))  # how far the scope's own noise reaches to one side
    for name, value, sign, edge_v in (
        ("lowest_voltage_v", stretch.low, 1.0, (1 - _SOURCE_BAND) * volts),
        ("highest_voltage_v", stretch.high, -1.0, (1 + _SOURCE_BAND) * volts),
    ):
        where = f"{shot.recording.name}, {step.name}, {step.number}"
        terms: dict[Source, float] = {}
        if own:
            terms[Source(f"own noise in the {name[:-2].replace('_', ' ')}, {where}", "B", "rectangular")] = (
                own / 2 / 3**0.5
            )
        if step.scope.step:
            terms[Source(f"steps of the converter, {name[:-2].replace('_', ' ')}, {where}", "B", "rectangular")] = (
                step.scope.step / 2 / 3**0.5
            )
        measured = with_source(Measured(value + sign * own / 2, terms), *step.scope.absolute(value))
        method = "sample farthest out, half of what the scope's own noise may add taken off"
        _add(pages, shot, step, name, measured, "V", at, method)
        beyond = (edge_v - measured) * sign
        which = "below_source_band_v" if sign > 0 else "above_source_band_v"
        _add(pages, shot, step, which, beyond, "V", at, f"beyond {edge_v:.5g} V; negative where it stays within")


def _add(
    pages: _Pages,
    shot: Shot,
    step: Step,
    name: str,
    measured: Measured,
    unit: str,
    at: Conditions,
    method: str,
    flags: Iterable[str] = (),
) -> None:
    of_step = step.flags
    if name in _OF_SAMPLES:  # found among the samples themselves, not among their means
        of_step = tuple(flag for flag in of_step if not flag.startswith("means of"))
    pages.figures.append(
        figure_of(
            measured,
            study=STUDY,
            name=name,
            unit=unit,
            conditions=at,
            method=method,
            sources=(shot.rows,),
            flags=tuple(dict.fromkeys((*flags, *of_step))),
        )
    )


def _warn(conditions: Conditions, shot: Shot, text: str) -> Note:
    return Note(STUDY, "warning", f"{shot.recording.name}: {text}", conditions, (shot.rows,))
