"""The course of one soak: when the load began, what each port did, and which stretch of heating tells of the end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.quantities import column_name
from brickbook.core.table import Recording
from brickbook.studies.soak.events import Event, Survival, survey
from brickbook.studies.soak.prediction import Prediction, predict

__all__ = ["HOUR_S", "Course", "Surface", "course_of", "of_place"]

FloatArray = NDArray[np.float64]

HOUR_S = 3600.0
_SEED = 1
_COLD_K = 3.0
_LOSSES = ("foldback", "drift", "trip", "hiccup", "renegotiation", "recovery", "partial recovery")


@dataclass(frozen=True, slots=True)
class Surface:
    """Temperature of one place.

    Parameters
    ----------
    place
        Channel of temperature_c.
    time_s, temperature_c, ambient_c
        As logged, times since the load began; the room brought to the same times, shape (n,).
    heating_from_s
        Where the last stretch of heating at one power begins.
    cold
        Whether that stretch began at the room's temperature.
    prediction
        From that stretch, or `None` with the reason why not.
    reason
        See `prediction`.
    """

    place: str
    time_s: FloatArray
    temperature_c: FloatArray
    ambient_c: FloatArray
    heating_from_s: float
    cold: bool
    prediction: Prediction | None
    reason: str


@dataclass(frozen=True, slots=True)
class Course:
    """One soak.

    Parameters
    ----------
    begin_s, end_s
        Start and end of the load on the recording's clock.
    ports
        Port to its course; times on the recording's clock.
    surfaces
        By place, in the file's order.
    unreadable
        Ports that have columns and no course, with the reason.
    """

    begin_s: float
    end_s: float
    ports: dict[str, Survival]
    surfaces: tuple[Surface, ...]
    unreadable: dict[str, str]

    @property
    def length_s(self) -> float:
        """Time under load [s]."""
        return self.end_s - self.begin_s

    def losses(self) -> list[tuple[str, Event]]:
        """Events of all ports, in order of time."""
        found = [(port, event) for port, course in self.ports.items() for event in course.events]
        return sorted(found, key=lambda item: item[1].time_s)


def course_of(recording: Recording) -> Course:
    """Look through one recording.

    Raises
    ------
    KeyError
        When it has no temperature and no port.
    """
    ports: dict[str, Survival] = {}
    unreadable: dict[str, str] = {}
    for port in recording.channels("port_voltage_v"):
        try:
            ports[port] = _port(recording, port)
        except (KeyError, ValueError) as error:
            unreadable[port] = str(error.args[0])
    named = [c for table in recording.tables for c in table.channels("temperature_c")]
    places = [place for place in named if recording.find(column_name("temperature_c", place)) is not None]
    if not ports and not places:
        raise KeyError("the recording has neither temperature_c nor a port's voltage and current")
    first, last = _span(recording, places)
    if ports:
        first = min(course.begin_s for course in ports.values())
        removed = [
            e.time_s for c in ports.values() for e in c.events if e.kind == "load removed" and np.isnan(e.until_s)
        ]
        # the soak is over when the last port's load is taken off
        last = max(removed) if len(removed) == len(ports) else last
    changes = [_after(e) for c in ports.values() for e in c.events if e.kind in _LOSSES and e.time_s < last]
    changed = max((when for when in changes if np.isfinite(when)), default=first)
    surfaces = tuple(_surface(recording, place, first, last, changed) for place in dict.fromkeys(places))
    return Course(first, last, ports, surfaces, unreadable)


def of_place(conditions: Conditions, key: str, place: str) -> Scalar | None:
    """A condition that may differ from place to place: one value for all, or "case plastic + shell metal"."""
    value = conditions.get(key)
    if not isinstance(value, str):
        return value
    parts = [part.strip() for part in value.split("+")]
    for part in parts:
        if part.startswith(f"{place} "):
            return _number(part[len(place) + 1 :].strip())
    return _number(value) if len(parts) == 1 else None


def _number(text: str) -> Scalar:
    try:
        return float(text)
    except ValueError:
        return text


def _span(recording: Recording, places: list[str]) -> tuple[float, float]:
    columns = [column_name("temperature_c", place) for place in places] or ["port_voltage_v"]
    table = recording.find(columns[0]) or recording.tables[0]
    times = table.columns["time_s"]
    return float(np.nanmin(times)), float(np.nanmax(times))


def _port(recording: Recording, port: str) -> Survival:
    volts, amps = column_name("port_voltage_v", port), column_name("port_current_a", port)
    table = recording.find(volts)
    if table is None or not table.has(amps):
        raise KeyError(f"port {port} has no current in the table of its voltage")
    time = table.columns["time_s"]
    asked = None
    wanted = column_name("load_set_a", port)
    if table.has(wanted):
        # what the load asks for less of is not the charger's doing
        level = table.columns[wanted]
        top = float(np.nanquantile(level[time <= time[0] + 900.0], 0.75))
        asked = np.asarray(np.isnan(level) | (level >= 0.97 * top))
    return survey(time, table.columns[volts], table.columns[amps], asked)


def _after(event: Event) -> float:
    """When the power stands again after an event."""
    back = np.isfinite(event.until_s) and event.kind in ("trip", "hiccup")
    return event.until_s if back else event.time_s + 2 * event.u_time_s


def _surface(recording: Recording, place: str, first: float, last: float, changed: float) -> Surface:
    column = column_name("temperature_c", place)
    table = recording.find(column)
    assert table is not None
    time, values = table.columns["time_s"], table.columns[column]
    good = np.isfinite(time) & np.isfinite(values) & (time >= first - 1.0) & (time <= last)
    time, values = time[good], values[good]
    room = _room(recording, time)
    since = time - first
    heating = changed - first
    part = since >= heating
    cold = False
    found: Prediction | None = None
    reason = ""
    if room is None:
        reason = "the room's temperature is neither logged nor stated (ambient_c)"
        room = np.full(len(time), np.nan)
    elif part.sum() < 2:
        reason = "there are no readings after the last change of power"
    else:
        cold = heating <= 0.0 and abs(float(np.mean(values[part][:5]) - np.mean(room[part][:5]))) <= _COLD_K
        at = (HOUR_S - max(heating, 0.0),) if since[-1] < HOUR_S - 30.0 else ()
        try:
            found = predict(since[part] - max(heating, 0.0), values[part], room[part], seed=_SEED, at_s=at, cold=cold)
        except ValueError as error:
            reason = str(error)
    return Surface(place, since, values, room, max(heating, 0.0), cold, found, reason)


def _room(recording: Recording, time: FloatArray) -> FloatArray | None:
    table = recording.find("ambient_c")
    if table is not None:
        when, room = table.columns["time_s"], table.columns["ambient_c"]
        good = np.isfinite(when) & np.isfinite(room)
        return np.asarray(np.interp(time, when[good], room[good]), dtype=np.float64)
    if "ambient_c" in recording.conditions:
        return np.full(len(time), recording.conditions.number("ambient_c"))
    return None
