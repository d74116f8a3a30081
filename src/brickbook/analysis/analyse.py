"""A charger's raw files to figures and findings: each study asked in turn, each figure set against its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.analysis.gather import gather
from brickbook.book import Book, IndexEntry
from brickbook.core.charger import Charger, Claim
from brickbook.core.figure import Figure, Finding, Note
from brickbook.core.study import Evidence, Study
from brickbook.rules import Rule, judge, judge_claims, load_rules, parse_rules, unmeasured_claims
from brickbook.studies import STUDIES

__all__ = ["Analysis", "analyse_charger", "study_rules"]


@dataclass(frozen=True, slots=True)
class Analysis:
    """All that is known of a charger after analysis.

    Parameters
    ----------
    charger
        Claims.
    figures, findings, notes
        In the order of the studies.
    unmeasured
        Claims no figure speaks of.
    entries
        The index: raw files with their hashes.
    """

    charger: Charger
    figures: tuple[Figure, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    unmeasured: tuple[Claim, ...]
    entries: tuple[IndexEntry, ...]


def analyse_charger(book: Book, slug: str, studies: Sequence[Study] = STUDIES) -> Analysis:
    """Figures and findings of one charger: a pure function of the files in its folder and of the book's settings.

    Raises
    ------
    BrickbookError
        When a file of the book or a raw file is wrong; all faults are named.
    """
    charger = book.charger(slug)
    gathered = gather(book, slug, [s.id for s in studies])
    figures: list[Figure] = []
    notes: list[Note] = list(gathered.notes)
    for study in studies:
        recordings = tuple(r for r in gathered.recordings if study.id in r.studies)
        if study.needs_readings and not recordings:
            notes.append(Note(study.id, "info", f"{study.title}: not measured."))
            continue
        evidence = Evidence(charger, book.settings, book.instruments, recordings, tuple(figures))
        outcome = study.figures(evidence)
        figures += outcome.figures
        notes += outcome.notes
        notes += [Note(study.id, "info", f"{r.name}: {text}", r.conditions) for r in recordings for text in r.notes]
    rules = [*study_rules(studies), *house_rules(book)]
    findings = (*judge(figures, rules, charger, book.settings), *judge_claims(figures, charger, book.settings))
    unmeasured = unmeasured_claims(figures, charger)
    return Analysis(charger, tuple(figures), findings, tuple(notes), unmeasured, gathered.entries)


def study_rules(studies: Sequence[Study] = STUDIES) -> tuple[Rule, ...]:
    """The limits of all studies, from each one's rules.toml."""
    return load_rules([study.package for study in studies])


def house_rules(book: Book) -> tuple[Rule, ...]:
    """The tester's own rules, from house-rules.toml."""
    text = book.house_rules
    return parse_rules(text.text, text.file, "house") if text is not None else ()
