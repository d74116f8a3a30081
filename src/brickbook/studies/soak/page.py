"""A soak as shown: what each port did, how warm each place became and will become, and the numbers behind it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from brickbook.core.figure import Figure, Finding
from brickbook.core.page import (
    Axis,
    Band,
    Block,
    Caution,
    Cell,
    Chart,
    LimitLine,
    Section,
    Series,
    Strip,
    TableBlock,
    Text,
)
from brickbook.core.study import View
from brickbook.core.table import Recording
from brickbook.studies.soak.course import Course, Surface, course_of
from brickbook.studies.soak.events import Event

__all__ = ["page"]

_POINTS = 240
_MINUTE_S = 60.0
_LOSSES = ("foldback", "drift", "trip", "hiccup", "renegotiation")
_COUNTS = {1: "once", 2: "in two steps", 3: "in three steps", 4: "in four steps"}
_NOT_A_CERTIFICATE = (
    "A bench soak is an indication. Certification, local codes and licensed practice decide what may be sold, "
    "installed and used; a surface below a limit here has not been approved by anyone."
)


def page(view: View) -> Section:
    """For each soak: port survival, temperatures with their predicted tail, and tables."""
    if not view.figures:
        return Section("soak", "An hour at full load", "No soak was measured.")
    blocks: list[Block] = []
    leads: list[str] = []
    used: list[str] = []
    for number, recording in enumerate(view.read()):
        if "soak" not in recording.studies:
            continue
        try:
            course = course_of(recording)
        except (KeyError, ValueError):
            continue  # the study's notes say why
        mine = [f for f in view.figures if _of(f, recording, course)]
        mains = f"{recording.conditions.number('mains_v'):g}v" if "mains_v" in recording.conditions else str(number)
        mains = mains if mains not in used else f"{mains}-{number + 1}"
        used.append(mains)
        leads.append(_sentence(course, mine))
        if course.ports:
            blocks.append(_survival(course, mains))
            blocks.append(_ports(course, mine))
        if course.surfaces:
            blocks.append(_temperatures(view, course, mine, mains))
            blocks += _tables(mine)
    if not leads:  # the raw files are not at hand: the numbers still are
        leads.append(_sentence_of_figures(view.figures))
        blocks += _tables(view.figures)
    return Section("soak", "An hour at full load", " ".join(leads), (*blocks, Caution(_NOT_A_CERTIFICATE)))


def _of(figure: Figure, recording: Recording, course: Course) -> bool:
    own = recording.conditions
    ports = "+".join(sorted(course.ports)) if course.ports else own.get("ports", own.get("port"))
    same = figure.conditions.get("mains_v") == own.get("mains_v") and figure.conditions.get("ports") == ports
    # a port's own figures have its own part of the contract
    return same and ("port" in figure.conditions or figure.conditions.get("contract") == own.get("contract"))


def _sentence(course: Course, figures: Sequence[Figure]) -> str:
    """What happened, in one sentence, and how warm it became in another."""
    told = f"In {course.length_s / _MINUTE_S:.0f} min at full load {_story(course)}." if course.ports else ""
    total = next((f for f in figures if f.name == "sustained_total_power_w"), None)
    if total is not None:
        told += f" Over the last ten minutes it delivered {total.value:.0f} W in all."
    return f"{told} {_warmest(figures)}".strip()


def _sentence_of_figures(figures: Sequence[Figure]) -> str:
    return _warmest(figures) or "A soak was measured."


def _warmest(figures: Sequence[Figure]) -> str:
    ends = [f for f in figures if f.name == "normalised_temperature_c"]
    if not ends:
        return ""
    top = max(ends, key=lambda f: f.value)
    still = ", and still rising" if any("still rising" in flag for flag in top.flags) else ""
    return (
        f"The {top.conditions['place']} was the warmest place: {top.value:.0f} °C, carried to a room of 25 °C{still}."
    )


def _story(course: Course) -> str:
    """Who lost power, how and when, and who held."""
    parts = []
    held = [port for port, own in course.ports.items() if not _lost(course, port)]
    for port, own in course.ports.items():
        losses = _lost(course, port)
        if not losses:
            continue
        kinds = {e.kind for e in losses}
        if kinds == {"foldback"}:
            times = _joined([f"{(e.time_s - course.begin_s) / _MINUTE_S:.0f}" for e in losses])
            powers = _joined([f"{e.after_w:.0f}" for e in losses])
            how = _COUNTS.get(len(losses), f"in {len(losses)} steps")
            parts.append(f"{port} folded back {how}, after {times} min, from {own.first_w:.0f} W to {powers} W")
        else:
            parts.append(f"{port} {_joined([_loss(e.kind, e.time_s - course.begin_s, e.count) for e in losses])}")
    if not parts:
        return "every port held its power" if len(held) > 1 else f"{held[0]} held its power"
    if held:
        return f"{', '.join(parts)}, while {_joined(held)} held {'their' if len(held) > 1 else 'its'} power"
    return ", ".join(parts)


def _lost(course: Course, port: str) -> list[Event]:
    return [e for e in course.ports[port].events if e.kind in _LOSSES and e.time_s < course.end_s]


def _loss(kind: str, since_s: float, count: int) -> str:
    when = f"after {since_s / _MINUTE_S:.0f} min"
    return {
        "foldback": f"folded back {when}",
        "drift": f"slowly lost power {when}",
        "trip": f"switched off {when}",
        "hiccup": f"switched off {count} times in a row {when}",
        "renegotiation": f"went to a lower voltage {when}",
    }[kind]


def _joined(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _survival(course: Course, mains: str) -> Chart:
    spans = []
    for port, own in course.ports.items():
        for start, stop, state in own.spans:
            begin, end = (start - course.begin_s) / _MINUTE_S, (min(stop, course.end_s) - course.begin_s) / _MINUTE_S
            if end <= begin:
                continue
            # a second step down is told from the first
            cuts = [
                (e.time_s - course.begin_s) / _MINUTE_S for e in own.events if e.kind in ("foldback", "renegotiation")
            ]
            inside = [c for c in cuts if begin + 0.5 < c < end] if state == "reduced" else []
            for k, (a, b) in enumerate(pairwise([begin, *inside, end])):
                spans.append((port, a, b, "reduced further" if k else state))
    # the fills are given in order of first use: full power first
    order = ("full power", "reduced", "reduced further", "off")
    spans.sort(key=lambda span: order.index(span[3]))
    story = _story(course)
    return Chart(
        id=f"soak-ports-{mains}",
        title=story[0].upper() + story[1:],
        alt="A row for each port: when it gave full power, less, or nothing.",
        x=Axis("time under load", "min", low=0.0),
        y=Axis(""),
        strip=Strip(tuple(course.ports), tuple(spans)),
        caption="Full power: within 3 % of minutes 1 to 3.",
    )


def _ports(course: Course, figures: Sequence[Figure]) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for port in course.ports:
        mine = {f.name: f for f in figures if f.conditions.get("port") == port and "event" not in f.conditions}
        rows.append(
            (
                port,
                mine.get("first_power_w"),
                mine.get("sustained_power_w"),
                mine.get("sustained_power_ratio"),
                "to the end" if not _lost(course, port) else mine.get("full_power_time_s"),
            )
        )
    total = next((f for f in figures if f.name == "sustained_total_power_w"), None)
    rows.append(("all", None, total, None, None))
    head = ("Port", "Minutes 1 to 3", "Last ten minutes", "Share kept", "At full power for")
    return TableBlock("Power kept", head, tuple(rows))


def _temperatures(view: View, course: Course, figures: Sequence[Figure], mains: str) -> Chart:
    series: list[Series] = []
    bands: list[Band] = []
    for surface in course.surfaces:
        k = np.linspace(0, len(surface.time_s) - 1, min(_POINTS, len(surface.time_s))).astype(np.int64)
        minutes = surface.time_s / _MINUTE_S
        series.append(Series(surface.place, tuple(minutes[k]), tuple(surface.temperature_c[k]), style="line"))
    for surface in course.surfaces:
        told = surface.prediction
        if told is None:
            continue
        later = (told.curve_s + surface.heating_from_s) / _MINUTE_S
        name = f"{surface.place}, predicted"
        median, low, high = told.curve_c
        series.append(Series(name, tuple(later), tuple(median), style="dashed"))
        bands.append(Band(name, tuple(later), tuple(low), tuple(high)))
    room = next((s for s in course.surfaces if np.isfinite(s.ambient_c).all()), None)
    if room is not None:
        k = np.linspace(0, len(room.time_s) - 1, min(_POINTS, len(room.time_s))).astype(np.int64)
        series.append(Series("room", tuple(room.time_s[k] / _MINUTE_S), tuple(room.ambient_c[k]), style="line"))
    return Chart(
        id=f"soak-temperature-{mains}",
        title=_title(view, course.surfaces, figures),
        alt="Temperature of each place and of the room over time, with limits and the predicted course.",
        x=Axis("time under load", "min", low=0.0),
        y=Axis("temperature", "°C"),
        series=tuple(series),
        limits=_limit_lines(view, figures),
        bands=tuple(bands),
        caption="As measured; the limits are for a room of 25 °C. Dashed, shaded: predicted, with its 95 % interval.",
    )


def _touch(view: View, figure: Figure) -> list[Finding]:
    return [f for f in view.finding_of(figure) if f.origin == "standard"]


def _limit_lines(view: View, figures: Sequence[Figure]) -> tuple[LimitLine, ...]:
    lines: dict[str, float] = {}
    for figure in figures:
        if figure.name in ("normalised_temperature_c", "normalised_steady_temperature_c"):
            for finding in _touch(view, figure):
                memory = ", from memory" if finding.from_memory else ""
                name = f"{figure.conditions.get('material', 'any')}, {figure.conditions['contact']}{memory}"
                lines[f"IEC 62368-1 {name}"] = finding.limit
    return tuple(LimitLine(name, limit) for name, limit in lines.items())


def _title(view: View, surfaces: Sequence[Surface], figures: Sequence[Figure]) -> str:
    """The place nearest to, or furthest beyond, its limit; by its prediction where it was still rising."""
    judged = [
        (finding.limit - figure.value, figure, finding)
        for name in ("normalised_temperature_c", "normalised_steady_temperature_c")
        for figure in figures
        if figure.name == name
        for finding in _touch(view, figure)
        if finding.decision != "not judged"
    ]
    measured = {figure.conditions["place"] for _, figure, _ in judged if figure.name == "normalised_temperature_c"}
    judged = [j for j in judged if j[1].name == "normalised_temperature_c" or j[1].conditions["place"] not in measured]
    if judged:
        room, figure, finding = min(judged, key=lambda item: item[0])
        what = f"{figure.conditions.get('material', 'surfaces')} touched {figure.conditions['contact']}"
        side = "above" if room < 0 else "below"
        near = " (undecided within the uncertainty)" if finding.decision == "undecided" else ""
        came = "came to" if figure.name == "normalised_temperature_c" else "is predicted to come to"
        return (
            f"The {figure.conditions['place']} {came} {figure.value:.0f} °C at a 25 °C room, {abs(room):.0f} K {side} "
            f"the {finding.limit:g} °C for {what}{near}"
        )
    ends = [f for f in figures if f.name == "temperature_c"]
    if not ends:
        return f"Temperature at {len(surfaces)} places"
    top = max(ends, key=lambda f: f.value)
    came = f"The {top.conditions['place']} came to {top.value:.0f} °C after {top.conditions['after_min']} min"
    hour = [f for f in figures if f.name == "hour_temperature_c" and f.conditions["place"] == top.conditions["place"]]
    return f"{came}; {hour[0].value:.0f} °C are predicted after an hour" if hour else came


def _tables(figures: Sequence[Figure]) -> list[Block]:
    places = list(dict.fromkeys(str(f.conditions["place"]) for f in figures if "place" in f.conditions))
    if not places:
        return []
    warm: list[tuple[Cell, ...]] = []
    later: list[tuple[Cell, ...]] = []
    above: list[tuple[Cell, ...]] = []
    for place in places:
        mine = [f for f in figures if f.conditions.get("place") == place]
        one = {f.name: f for f in mine}
        warm.append(
            (
                place,
                one.get("temperature_c"),
                one.get("peak_temperature_c"),
                one.get("temperature_rise_k"),
                one.get("normalised_temperature_c"),
                one.get("claimed_ambient_temperature_c"),
            )
        )
        constants = {
            str(f.conditions["speed"]): f
            for f in mine
            if f.name == "time_constant_s" and f.conditions["constants"] == 2
        }
        later.append(
            (
                place,
                one.get("hour_temperature_c"),
                one.get("steady_temperature_c"),
                one.get("normalised_steady_temperature_c"),
                one.get("further_soak_s"),
                constants.get("fast"),
                constants.get("slow"),
            )
        )
        above += [(place, f"{f.conditions.number('level_c'):g} °C", f) for f in mine if f.name == "time_above_s"]
    blocks: list[Block] = [
        _cut(
            "Temperatures as measured",
            ("Place", "At the end", "Highest", "Rise over room", "At a 25 °C room", "At the claimed highest ambient"),
            warm,
        ),
        _cut(
            "What it will come to",
            (
                "Place",
                "After one hour",
                "Steady, this room",
                "Steady, 25 °C room",
                "Further soak until known to 1 K",
                "Fast time constant",
                "Slow time constant",
            ),
            later,
        ),
    ]
    if above:
        blocks.append(TableBlock("Time above", ("Place", "Above", "For"), tuple(above)))
    if any(f.flags for f in figures if f.name == "steady_temperature_c"):
        flags = dict.fromkeys(flag for f in figures if f.name == "steady_temperature_c" for flag in f.flags)
        blocks.append(Text(f"Of the prediction: {'; '.join(flags)}."))
    return blocks


def _cut(title: str, head: Sequence[str], rows: Sequence[tuple[Cell, ...]]) -> TableBlock:
    kept = [k for k in range(len(head)) if any(row[k] is not None for row in rows)]
    return TableBlock(title, tuple(head[k] for k in kept), tuple(tuple(row[k] for k in kept) for row in rows))
