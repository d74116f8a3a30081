"""Figures of a soak: temperatures, what they will come to, what each port did and what it could sustain."""

from __future__ import annotations

from collections.abc import Iterator

from brickbook.core.conditions import Conditions
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording
from brickbook.studies.soak.course import Course, course_of
from brickbook.studies.soak.power import port_figures
from brickbook.studies.soak.warmth import surface_figures

__all__ = ["figures"]

STUDY = "soak"


def figures(evidence: Evidence) -> Outcome:
    """All soak figures of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    for recording in evidence.recordings:
        try:
            _one(recording, evidence, found, notes)
        except AnalysisError as error:
            notes.append(_note(recording, str(error)))
        except (KeyError, ValueError) as error:
            notes.append(_note(recording, str(error.args[0] if error.args else error)))
    return Outcome(tuple(found), tuple(notes))


def _one(recording: Recording, evidence: Evidence, found: list[Figure], notes: list[Note]) -> None:
    given = recording.conditions
    if "mains_v" not in given:
        raise KeyError("the index does not say mains_v; add it to the file's conditions")
    course = course_of(recording)
    ports = "+".join(sorted(course.ports)) if course.ports else given.get("ports", given.get("port"))
    base = Conditions.of(
        mains_v=given["mains_v"], mains_hz=given.get("mains_hz"), ports=ports, contract=given.get("contract")
    )
    for port, why in course.unreadable.items():
        notes.append(_note(recording, f"port {port}: {why}"))
    for made in (
        port_figures(recording, course, base, evidence),
        surface_figures(recording, course, base, evidence),
    ):
        for item in made:
            if isinstance(item, str):
                notes.append(_note(recording, item))
            else:
                found.append(item)
    notes += [_note(recording, text) for text in _claimed(course, evidence)]


def _claimed(course: Course, evidence: Evidence) -> Iterator[str]:
    """Loss of power within the ambient range the maker claims."""
    limit = evidence.charger.nameplate.ambient_max_c
    lost = sorted({p for p, e in course.losses() if e.kind in ("foldback", "trip", "hiccup", "renegotiation")})
    if limit is None or not lost or not course.surfaces:
        return
    room = float(course.surfaces[0].ambient_c.max())
    if room <= limit:
        yield (
            f"{' and '.join(lost)} did not hold full power with the room at {room:.1f} °C at most; "
            f"the maker claims operation up to {limit:g} °C"
        )


def _note(recording: Recording, text: str) -> Note:
    return Note(STUDY, "warning", f"{recording.name}: {text}", recording.conditions)
