"""Temperatures of a soak: as measured, as risen over the room, at the standard's ambient, and as they will become."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure
from brickbook.core.quantities import column_name
from brickbook.core.readings import figure_of, reading
from brickbook.core.statistics import Mean
from brickbook.core.study import Evidence
from brickbook.core.table import Recording, Rows, Table
from brickbook.core.uncertainty import Measured, Source, with_source
from brickbook.plateaus import mean_over, rows_over
from brickbook.studies.soak.course import HOUR_S, Course, Surface, of_place
from brickbook.studies.soak.heating import fit_exponentials, normalised
from brickbook.studies.soak.infrared import surface_c
from brickbook.studies.soak.prediction import HORIZON_S, Interval

__all__ = ["CONTACTS", "surface_figures"]

FloatArray = NDArray[np.float64]

STUDY = "soak"
CONTACTS = ("worn", "over 1 min", "10 s to 1 min", "1 s to 10 s", "under 1 s")
_DEFAULT_CONTACT = "1 s to 10 s"
_LEVELS_C = (48.0, 60.0, 77.0, 94.0)  # the plastic column of IEC 62368-1 Table 38
_LAST_S = 60.0
_ROOM_S = 600.0
_QUARTER_S = 900.0
_STEADY_K = 1.0
_HALF_HOUR_S, _HALF_HOUR_K = 1800.0, 3.0  # IEC 62368-1 B.1.6
_REACHED = 0.80
_FIT_FROM = 0.60  # of the rise: one exponential is fitted to what comes after
_FIT_POINTS = 120


@dataclass(frozen=True, slots=True)
class _Read:
    """A surface and its room at one time."""

    surface: Measured
    ambient: Measured
    rows: tuple[Rows, ...]
    flags: tuple[str, ...]


def surface_figures(
    recording: Recording, course: Course, base: Conditions, evidence: Evidence
) -> Iterator[Figure | str]:
    """Figures of each place where a temperature was taken; a text for what could not be found."""
    for surface in course.surfaces:
        at = base.with_(place=surface.place)
        try:
            yield from _place(recording, course, surface, at, evidence)
        except (AnalysisError, KeyError, ValueError) as error:
            yield f"{surface.place}: {error.args[0] if isinstance(error, KeyError) else error}"


def _place(
    recording: Recording, course: Course, surface: Surface, at: Conditions, evidence: Evidence
) -> Iterator[Figure | str]:
    if len(surface.time_s) < 30 or not np.isfinite(surface.ambient_c).all():
        raise ValueError(surface.reason or "there are too few readings of the temperature")
    given = recording.conditions
    material, contact = of_place(given, "material", surface.place), of_place(given, "contact", surface.place)
    contact = contact or _DEFAULT_CONTACT
    if contact not in CONTACTS:
        raise ValueError(f"contact is {contact!r}; it is one of {', '.join(CONTACTS)}")
    if material is None:
        yield f"{surface.place}: the index does not say its material, so no touch limit applies"
    touched = at.with_(material=material, contact=contact)
    end = float(surface.time_s[-1])
    last = _at(recording, course, surface, end - _LAST_S, end, evidence)
    rising = _still_rising(surface)
    minutes = round(end / 60.0)
    aged = at.with_(after_min=minutes)
    flags = (*last.flags, *rising)
    how = "mean of the last minute" + (
        "" if rising else "; steady: below 1 K in the last 15 min, and below 1 K to come"
    )
    yield _figure("temperature_c", last.surface, "°C", aged, how, last.rows, flags)
    rise = last.surface - last.ambient
    how = f"last minute, less the room's mean over the last {_ROOM_S / 60:g} min"
    yield _figure("temperature_rise_k", rise, "K", aged, how, last.rows, flags)
    yield _figure("ambient_temperature_c", last.ambient, "°C", aged, "mean over the last ten minutes", last.rows)
    yield from _peak(recording, course, surface, at, evidence)
    try:
        moved = normalised(last.surface, rise, last.ambient, source=_moved_source(surface.place))
        how = "temperature at the end, 25 °C less the room added"
        flags = (*flags, *_unsettled(surface), *_room_flags(last.ambient))
        yield _figure("normalised_temperature_c", moved, "°C", touched, how, last.rows, flags)
    except ValueError as error:
        yield f"{surface.place}: {error}"
    yield from _claimed_ambient(evidence, last, rise, touched, flags)
    yield from _above(surface, last, at, given)
    yield from _predicted(surface, last, at, touched)
    yield from _fits(surface, at, last)


def _at(
    recording: Recording, course: Course, surface: Surface, from_s: float, to_s: float, evidence: Evidence
) -> _Read:
    """Surface over a window (times since the load began), room over ten minutes before its end."""
    column = column_name("temperature_c", surface.place)
    table = recording.find(column)
    assert table is not None
    begin, stop = course.begin_s + from_s, course.begin_s + to_s
    mean = mean_over(table, column, begin, stop)
    shown = _reading(recording, table, column, mean, evidence)
    rows = [rows_over(table, begin, stop, column)]
    given = recording.conditions
    attached = _number(given, "u_attachment_k", surface.place)
    if attached:
        shown = with_source(shown, Source(f"attachment of the sensor at {surface.place}", "B", "normal"), attached)
    room_table = recording.find("ambient_c")
    if room_table is not None:
        room_from = max(course.begin_s, stop - _ROOM_S)
        room_mean = mean_over(room_table, "ambient_c", room_from, stop)
        ambient = _reading(recording, room_table, "ambient_c", room_mean, evidence)
        _, room = room_table.columns["time_s"], surface.ambient_c
        recent = room[surface.time_s >= to_s - _ROOM_S]
        drift = float(np.ptp(recent)) if len(recent) else 0.0
        if drift:
            ambient = with_source(
                ambient, Source("drift of the room in ten minutes", "B", "rectangular"), drift / 12**0.5
            )
        rows.append(rows_over(room_table, room_from, stop, "ambient_c"))
    else:
        u = given.number("u_ambient_c") if "u_ambient_c" in given else 1.0
        ambient = Measured(given.number("ambient_c"), {Source("room as stated", "B", "normal"): u})
    flags: tuple[str, ...] = () if room_table is not None else ("the room was stated, not logged",)
    corrected, more = _infrared(given, surface.place, shown, ambient)
    return _Read(corrected, ambient, tuple(rows), (*flags, *more))


def _reading(recording: Recording, table: Table, column: str, mean: Mean, evidence: Evidence) -> Measured:
    quantity = column.partition("@")[0]
    return reading(
        mean,
        quantity=quantity,
        point=f"{recording.name}, {column}",
        instrument=table.origins[column].instrument,
        instruments=evidence.instruments,
        range_max=recording.ranges.get(quantity),
    )


def _infrared(given: Conditions, place: str, shown: Measured, ambient: Measured) -> tuple[Measured, tuple[str, ...]]:
    """The surface's temperature from an infrared reading, where the conditions say that it is one."""
    if of_place(given, "sensor", place) not in ("camera", "spot"):
        return shown, ()
    emissivity = _number(given, "emissivity", place)
    if emissivity is None:
        return shown, ("not judged: an infrared reading without its emissivity",)
    flags: list[str] = []
    u = _number(given, "u_emissivity", place)
    if u is None:
        flags.append("the emissivity's uncertainty is not stated (u_emissivity)")
    true = Measured(emissivity, {Source(f"emissivity of {place}", "B", "normal"): u} if u else {})
    mirrored = ambient
    reflected = _number(given, "reflected_c", place)
    if reflected is None:
        flags.append("the reflected temperature is not stated: the room's was taken")
    else:
        u = _number(given, "u_reflected_c", place)
        source = Source(f"reflected temperature at {place}", "B", "normal")
        mirrored = Measured(reflected, {source: u} if u else {})
    set_to = _number(given, "emissivity_set", place)
    corrected = surface_c(shown, emissivity=true, reflected=mirrored, emissivity_set=set_to or emissivity)
    return corrected, tuple(flags)


def _number(given: Conditions, key: str, place: str) -> float | None:
    value = of_place(given, key, place)
    if value is None:
        return None
    try:
        return float(value)
    except ValueError as error:
        raise ValueError(f"{key} is {value!r} at {place}; it must be a number") from error


def _still_rising(surface: Surface) -> tuple[str, ...]:
    """Against: below 1 K in the last 15 min, and less than 1 K to come (common practice)."""
    end = float(surface.time_s[-1])
    t, y = surface.time_s, surface.temperature_c
    before = y[(t >= end - _QUARTER_S - _LAST_S / 2) & (t <= end - _QUARTER_S + _LAST_S / 2)]
    if not len(before):
        return ("not steady: the log is shorter than 15 min",)
    change = _end(surface) - float(np.mean(before))
    to_come = 0.0 if surface.prediction is None else surface.prediction.steady_c.value - _end(surface)
    if abs(change) < _STEADY_K and abs(to_come) < _STEADY_K:
        return ()
    return (f"not steady: {change:+.1f} K in the last 15 min, {to_come:+.1f} K to come",)


def _unsettled(surface: Surface) -> tuple[str, ...]:
    """A limit is for the steady temperature: IEC 62368-1 B.1.6 (second-hand) has it steady at 3 K or less in 30 min."""
    end = float(surface.time_s[-1])
    t, y = surface.time_s, surface.temperature_c
    before = y[(t >= end - _HALF_HOUR_S - _LAST_S / 2) & (t <= end - _HALF_HOUR_S + _LAST_S / 2)]
    if not len(before):
        return ("not judged: steady or not cannot be told from less than 30 min (IEC 62368-1 B.1.6)",)
    change = _end(surface) - float(np.mean(before))
    if change <= _HALF_HOUR_K:
        return ()
    return (f"not judged: still rising, {change:+.1f} K in the last 30 min (IEC 62368-1 B.1.6: at most 3 K)",)


def _peak(
    recording: Recording, course: Course, surface: Surface, at: Conditions, evidence: Evidence
) -> Iterator[Figure]:
    """Highest mean of a minute."""
    t, y = surface.time_s, surface.temperature_c
    sums = np.concatenate([[0.0], np.cumsum(y)])
    stops = np.searchsorted(t, t + _LAST_S, side="right")
    starts = np.arange(len(t))
    whole = t + _LAST_S <= t[-1] + 1e-9
    means = np.where(whole, (sums[stops] - sums[starts]) / (stops - starts), -np.inf)
    best = int(np.argmax(means)) if whole.any() else 0
    found = _at(recording, course, surface, float(t[best]), float(t[best]) + _LAST_S, evidence)
    yield _figure(
        "peak_temperature_c", found.surface, "°C", at, "highest mean over one minute", found.rows, found.flags
    )


def _moved_source(place: str) -> str:
    return f"rise of {place} falls with the room's temperature"


def _room_flags(ambient: Measured) -> tuple[str, ...]:
    value = float(ambient.value)
    if 20.0 <= value <= 30.0:
        return ()
    return (f"the room was at {value:.1f} °C, outside 25 ± 5 °C (IEC 62368-1, from memory, medium)",)


def _claimed_ambient(
    evidence: Evidence, last: _Read, rise: Measured, at: Conditions, flags: tuple[str, ...]
) -> Iterator[Figure | str]:
    """At the highest ambient the maker claims; IEC 60950-1 took the larger of that and 25 °C."""
    limit = evidence.charger.nameplate.ambient_max_c
    if limit is None:
        return
    warm = max(limit, 25.0)
    shift = abs(warm - float(last.ambient.value))
    half = 0.0037 * float(rise.value) * shift
    moved = with_source(rise + warm, Source(_moved_source(str(at["place"])), "B", "rectangular"), half / 3**0.5)
    how = f"rise added to {warm:g} °C, the maker's highest ambient (or 25 °C where that is higher)"
    more = () if shift <= 10.0 else (f"carried over {shift:.0f} K of ambient, more than 10 K",)
    yield _figure(
        "claimed_ambient_temperature_c", moved, "°C", at.with_(ambient_c=warm), how, last.rows, (*flags, *more)
    )


def _above(surface: Surface, last: _Read, at: Conditions, given: Conditions) -> Iterator[Figure]:
    """Time above stated temperatures; its uncertainty is how far that time moves with the temperature's."""
    t = surface.time_s
    # an infrared reading's correction at the end is taken for the whole course
    y = surface.temperature_c + (float(last.surface.value) - _end(surface))
    step = float(np.median(np.diff(t)))
    smooth = _running(y, max(1, round(30.0 / step)))
    for level in _levels(given):
        if float(np.max(smooth)) <= level:
            continue
        u = float(last.surface.u)
        times = [_time_above(t, smooth, level + k * u) for k in (0.0, 1.0, -1.0, 1.96, -1.96)]
        spread = (times[2] - times[1]) / 2
        terms = {
            Source(f"temperature of {surface.place} at {level:g} °C", "B", "normal"): spread,
            Source(f"rows of the log at {surface.place}", "B", "rectangular"): step / 12**0.5,
        }
        how = "time under load with the temperature above the level, by straight lines between half-minute means"
        figure = _figure(
            "time_above_s", Measured(times[0], terms), "s", at.with_(level_c=level), how, last.rows, last.flags
        )
        # the curve flattens: the time moves more one way than the other, and not beyond the log
        yield replace(figure, lower=min(times[3], figure.value - step), upper=max(times[4], figure.value + step))


def _end(surface: Surface) -> float:
    """Mean of the last minute as shown [°C]."""
    return float(np.mean(surface.temperature_c[surface.time_s >= surface.time_s[-1] - _LAST_S]))


def _levels(given: Conditions) -> tuple[float, ...]:
    stated = given.get("levels_c")
    if stated is None:
        return _LEVELS_C
    try:
        return tuple(float(part) for part in str(stated).split("+"))
    except ValueError as error:
        raise ValueError(f'levels_c is {stated!r}; write it as "48 + 60 + 77"') from error


def _time_above(t: FloatArray, y: FloatArray, level: float) -> float:
    a, b = y[:-1] - level, y[1:] - level
    part = np.where(a > 0, 1.0, 0.0)
    crossed = (a > 0) != (b > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        above = np.where(a > 0, a / (a - b), b / (b - a))
    return float(np.sum(np.diff(t) * np.where(crossed, above, part)))


def _running(y: FloatArray, width: int) -> FloatArray:
    if width < 3:
        return y
    pad = width // 2
    sums = np.concatenate([[0.0], np.cumsum(y)])
    k = np.arange(len(y))
    low, high = np.maximum(k - pad, 0), np.minimum(k + pad + 1, len(y))
    return np.asarray((sums[high] - sums[low]) / (high - low), dtype=np.float64)


def _predicted(surface: Surface, last: _Read, at: Conditions, touched: Conditions) -> Iterator[Figure | str]:
    """What it will come to: the interval of the draws, widened by the sensor's own uncertainty."""
    told = surface.prediction
    if told is None:
        yield f"{surface.place}: no steady temperature was predicted: {surface.reason}"
        return
    reached = told.reached_ratio
    flags = list(last.flags)
    if surface.heating_from_s > 0.0:
        flags.append(
            f"from the heating after the last change of power, {surface.heating_from_s / 60:.0f} min into the load"
        )
    elif not surface.cold:
        flags.append("the load began with a warm body")
    if reached < _REACHED and surface.cold:
        flags.append(f"not judged: only {100 * reached:.0f} % of the rise was reached")
    correction = last.surface - _end(surface)
    how = "two time constants and what is known beforehand of such bodies, the room as at the end"
    steady = _told(told.steady_c, correction, f"prediction of {surface.place}")
    yield _widened(_figure("steady_temperature_c", steady, "°C", at, how, last.rows, tuple(flags)), told.steady_c)
    if surface.time_s[-1] < HOUR_S - 30.0 and told.later_c:
        hour = _told(told.later_c[0], correction, f"prediction of {surface.place} for one hour")
        figure = _figure("hour_temperature_c", hour, "°C", at, f"{how}; after 60 min", last.rows, tuple(last.flags))
        yield _widened(figure, told.later_c[0])
    try:
        rise = steady - last.ambient
        moved = normalised(steady, rise, last.ambient, source=_moved_source(surface.place))
        figure = _figure(
            "normalised_steady_temperature_c",
            moved,
            "°C",
            touched,
            "predicted steady temperature, 25 °C less the room added",
            last.rows,
            (*flags, *_room_flags(last.ambient)),
        )
        yield _widened(figure, told.steady_c)
    except ValueError:
        pass  # the temperature at the end has told why
    more = told.further_s
    known = Measured(more.value, {Source(f"further soak of {surface.place}", "B", "normal"): more.s})
    figure = _figure(
        "further_soak_s",
        known,
        "s",
        at,
        "until the 95 % interval of the steady temperature is within ±1 K, sensor apart",
        last.rows,
        ("eight hours or more",) if more.value >= HORIZON_S else (),
    )
    yield replace(figure, lower=more.lower, upper=more.upper)


def _told(interval: Interval, correction: Measured, source: str) -> Measured:
    """Median with a standard uncertainty that a symmetric interval of this width has, and the sensor's terms."""
    reach = max(interval.upper - interval.value, interval.value - interval.lower)
    return with_source(correction + interval.value, Source(source, "B", "normal"), reach / 1.96)


def _widened(figure: Figure, told: Interval) -> Figure:
    """The draws' own, lopsided interval, widened by what else is in the budget."""
    own = max(told.upper - told.value, told.value - told.lower) / 1.96
    other = float(np.sqrt(max(figure.u**2 - own**2, 0.0))) * 1.96
    return replace(
        figure,
        lower=figure.value - float(np.hypot(told.value - told.lower, other)),
        upper=figure.value + float(np.hypot(told.upper - told.value, other)),
    )


def _fits(surface: Surface, at: Conditions, last: _Read) -> Iterator[Figure | str]:
    """Least-squares time constants: two through all of the heating, one through what comes after 60 % of the rise."""
    part = surface.time_s >= surface.heating_from_s
    t, y = surface.time_s[part] - surface.heating_from_s, surface.temperature_c[part]
    room = surface.ambient_c[part]
    if len(t) < 60 or t[-1] < 600.0:
        return
    # the room's change, as a slow body sees it
    tau = surface.prediction.tau_s.value if surface.prediction is not None else 1200.0
    t, y, room = (_thinned(v) for v in (t, y, room))
    y = y - _followed(t, room - room[-1], tau)
    target = y[0] + _FIT_FROM * (float(np.mean(y[-3:])) - y[0])
    late = t >= t[int(np.argmax((y - target) * np.sign(y[-1] - y[0]) > 0))]
    for constants, chosen in ((2, np.ones(len(t), dtype=np.bool_)), (1, late)):
        where = at.with_(constants=constants)
        try:
            fit = fit_exponentials(
                t[chosen], y[chosen], constants=constants, source=f"scatter about the heating curve of {surface.place}"
            )
        except (ArithmeticError, ValueError) as error:
            yield f"{surface.place}: {constants} time constants could not be fitted: {error}"
            continue
        for speed, constant in zip(("fast", "slow") if constants == 2 else ("only",), fit.time_constants, strict=True):
            # a constant beyond the record, or known to worse than half of itself, is none
            if float(constant.value) > 2 * t[-1] or float(constant.u) > 0.5 * float(constant.value):
                continue
            how = f"least squares, {constants} time constant{'s' if constants > 1 else ''}"
            yield _figure("time_constant_s", constant, "s", where.with_(speed=speed), how, last.rows)
        if float(fit.steady.u) < 10.0:
            how = f"asymptote of the fit with {constants} time constant{'s' if constants > 1 else ''}"
            steady = fit.steady
            for source, term in last.surface.terms.items():
                if source.kind == "B":  # what the thermometer is off by, it is off by at the asymptote, too
                    steady = with_source(steady, source, term)
            yield _figure("fitted_steady_temperature_c", steady, "°C", where, how, last.rows)


def _thinned(values: FloatArray) -> FloatArray:
    size = max(1, len(values) // _FIT_POINTS)
    count = len(values) // size
    return np.asarray(values[: count * size].reshape(count, size).mean(axis=1), dtype=np.float64)


def _followed(t: FloatArray, change: FloatArray, tau_s: float) -> FloatArray:
    out = np.zeros(len(t))
    out[0] = change[0]
    for k in range(1, len(t)):
        out[k] = out[k - 1] + (change[k] - out[k - 1]) * -np.expm1(-(t[k] - t[k - 1]) / tau_s)
    return out


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    rows: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    return figure_of(
        measured, study=STUDY, name=name, unit=unit, conditions=conditions, method=method, sources=rows, flags=flags
    )
