"""What has changed in a report since it was first published, and why: made from the record of publications alone.

A figure has changed when it is printed otherwise than before: value and uncertainty rounded as on the page. A change
below that is none that a reader could see. Nor is one of a measured condition of a figure that is printed as before.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from brickbook.book import Publication, PublishedFigure, published_state
from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.figure import Figure, Finding
from brickbook.publish.numbers import expanded, name_in_words, value_text
from brickbook.publish.wording import conditions_text

__all__ = [
    "Correction",
    "changes_by_publication",
    "corrections",
    "needs_reason",
    "next_publication",
    "printed_key",
]


_MEASURED_ALIKE = 0.01


@dataclass(frozen=True, slots=True)
class Correction:
    """One change of what was published.

    Parameters
    ----------
    date
        Of the publication that made it: "2026-11-25".
    figure_key
        `Figure.key`; "conclusion" for the tester's conclusion. A figure that has gone is no longer in the report.
    words
        Name of the figure and its conditions, and for a decision what it was set against.
    old, new
        As printed: value ± U with unit, or a decision; `old` empty when it is new, `new` empty when it has gone.
    why
        The tester's reason, one for all changes of a publication; empty where none was asked for (see `needs_reason`).
    kind
        "figure": its number; "decision": what it was judged; "conclusion": the tester's words.
    key_figure
        Whether the figure is one of those that sum the charger up.
    """

    date: str
    figure_key: str
    words: str
    old: str
    new: str
    why: str
    kind: Literal["figure", "decision", "conclusion"] = "figure"
    key_figure: bool = False

    @property
    def is_addition(self) -> bool:
        """Whether it stands beside what was published and changes none of it."""
        return not self.old


def corrections(
    publications: Sequence[Publication], words: Mapping[str, str], key_figures: Collection[str] = ()
) -> tuple[Correction, ...]:
    """All changes after the first publication, newest first.

    Parameters
    ----------
    publications
        Oldest first.
    words
        "study/name" of a figure to its name in words.
    key_figures
        Keys of the figures that sum the charger up: their changes come first within a publication.
    """
    parts = changes_by_publication(publications, words, key_figures)
    return tuple(change for part in reversed(parts) for change in part)


def changes_by_publication(
    publications: Sequence[Publication], words: Mapping[str, str], key_figures: Collection[str] = ()
) -> list[tuple[Correction, ...]]:
    """What each publication changed, oldest first; the first changed nothing. Arguments as for `corrections`."""
    state: dict[str, PublishedFigure] = {}
    conclusion = ""
    parts: list[tuple[Correction, ...]] = []
    for now in publications:
        made = [*_changes(state, now, words, key_figures)] if parts else []
        if parts and now.conclusion != conclusion:
            new = "" if not now.conclusion else "rewritten" if conclusion else "written"
            old = "as published before" if conclusion else ""
            said = "The tester’s conclusion"
            made.append(Correction(now.at[:10], "conclusion", said, old, new, now.why, "conclusion"))
        made.sort(key=lambda c: (not c.key_figure, c.kind != "decision", c.is_addition, c.figure_key, c.words))
        parts.append(tuple(made))
        conclusion = now.conclusion
        published_state((now,), state)
    return parts


def needs_reason(correction: Correction) -> bool:
    """Whether a change must be explained: a number or a decision that readers may have quoted is no longer there."""
    return correction.kind != "conclusion" and not correction.is_addition


def next_publication(
    publications: Sequence[Publication],
    figures: Iterable[Figure],
    findings: Iterable[Finding],
    verdict: str,
    at: str,
    why: str = "",
) -> Publication | None:
    """The publication these results would be; `None` when readers would see what they can see already.

    Parameters
    ----------
    publications
        Those there were, oldest first.
    figures, findings, verdict
        As the report will show them.
    at
        Time, UTC: "2026-11-25T11:02:03Z".
    why
        Reason of the changes, in the tester's words.
    """
    judged: dict[str, dict[str, str]] = {}
    for finding in findings:
        of = judged.setdefault(finding.figure, {})
        name = printed_key(finding)
        of[name if name not in of else f"{name} ({len(of) + 1})"] = finding.decision
    now = {f.key: PublishedFigure(f.value, expanded(f), f.unit, judged.get(f.key, {})) for f in figures}
    before = published_state(publications)
    changed: dict[str, PublishedFigure | None] = {
        key: figure for key, figure in now.items() if key not in before or _seen(key, before[key]) != _seen(key, figure)
    }
    changed |= dict.fromkeys(key for key in before if key not in now)
    conclusion = hashlib.sha256(verdict.strip().encode()).hexdigest() if verdict.strip() else ""
    if publications and not changed and conclusion == publications[-1].conclusion:
        return None
    return Publication(at, changed, conclusion, " ".join(why.split()))


def printed_key(finding: Finding) -> str:
    """What a figure was set against, in words: the text, its reading, and for a range or a bound which."""
    return f"{finding.title}, {finding.reading}" if finding.reading else finding.title


def _seen(key: str, figure: PublishedFigure) -> tuple[str, Mapping[str, str]]:
    return _printed(key, figure), dict(figure.judged)


def _printed(key: str, figure: PublishedFigure) -> str:
    return value_text(figure.value, figure.half, figure.unit, _name(key))


def _changes(
    state: Mapping[str, PublishedFigure], now: Publication, words: Mapping[str, str], key_figures: Collection[str]
) -> Iterable[Correction]:
    date, why = now.at[:10], now.why
    moved = _moved(
        [key for key, figure in now.figures.items() if figure is None and key in state],
        [key for key, figure in now.figures.items() if figure is not None and key not in state],
    )
    for key, figure in now.figures.items():
        if key in moved.values():
            continue  # told under its new key
        before, said, first = state.get(moved.get(key, key)), _words(key, words), key in key_figures
        old = "" if before is None else _printed(key, before)
        new = "" if figure is None else _printed(key, figure)
        if old != new:
            yield Correction(date, key, said, old, new, why, "figure", first)
        if before is None or figure is None:
            continue  # its decisions came or went with it
        for against in sorted({*before.judged, *figure.judged}):
            was, is_ = before.judged.get(against, ""), figure.judged.get(against, "")
            if was != is_:
                yield Correction(date, key, f"{said}, against “{against}”", was, is_, why, "decision", first)


def _moved(gone: Sequence[str], new: Sequence[str]) -> dict[str, str]:
    """New key to old key of figures that are the same but for a measured value among their conditions.

    Some conditions are readings (the input power at which a harmonic was read) and never come out twice alike. Two keys
    are one figure when all else is equal, such numbers differ by at most 1 %, and no other key fits.
    """
    by_head: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for key in gone:
        by_head.setdefault(_frame_of(key), []).append(key)
    fitting = {key: [old for old in by_head.get(_frame_of(key), ()) if _close(old, key)] for key in new}
    claimed = [old for many in fitting.values() for old in many]
    return {key: many[0] for key, many in fitting.items() if len(many) == 1 and claimed.count(many[0]) == 1}


def _frame_of(key: str) -> tuple[str, tuple[str, ...]]:
    """Head of a key and the names of its conditions."""
    return key.partition("{")[0], tuple(_conditions(key))


def _close(old: str, new: str) -> bool:
    pairs = zip(_conditions(old).values(), _conditions(new).values(), strict=True)
    return all(
        math.isclose(a, b, rel_tol=_MEASURED_ALIKE) if isinstance(a, float) and isinstance(b, float) else a == b
        for a, b in pairs
    )


def _name(key: str) -> str:
    return key.partition("{")[0].partition("/")[2]


def _words(key: str, words: Mapping[str, str]) -> str:
    """A figure's name and conditions from its key: a figure that has gone is known by its key alone."""
    head = key.partition("{")[0]
    name = words.get(head) or name_in_words(_name(key))
    said = conditions_text(Conditions.of(_conditions(key)))
    return f"{name} ({said})" if said else name


def _conditions(key: str) -> dict[str, Scalar]:
    """Conditions in a key; numbers as numbers."""
    found: dict[str, Scalar] = {}
    for pair in key.partition("{")[2].removesuffix("}").split(";"):
        condition, equals, text = pair.partition("=")
        if equals:
            found[condition] = _scalar(text)
    return found


def _scalar(text: str) -> Scalar:
    try:
        return float(text)
    except ValueError:
        return text
