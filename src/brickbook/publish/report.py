"""The report of one charger: one HTML file that opens anywhere and shows where each number is from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from brickbook.core.charger import Charger, Claim
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Finding, Note
from brickbook.core.instrument import Instrument
from brickbook.core.page import Section
from brickbook.core.study import Procedure, Settings
from brickbook.publish.facts import (
    budget_rows,
    claim_rows,
    facts,
    instrument_rows,
    mains_text,
    mark_rows,
    port_rows,
    price_text,
    sample_text,
)
from brickbook.publish.judgements import conclusion, finding_groups, glance, rules_used
from brickbook.publish.ledger import Ledger
from brickbook.publish.markdown import markdown_html
from brickbook.publish.pages import css_string, environment, style_sheet

__all__ = ["BookMeta", "Method", "RawEntry", "ReportInput", "render_report"]


@dataclass(frozen=True, slots=True)
class BookMeta:
    """What the title block and the footer say of the book.

    Parameters
    ----------
    title
        Of the book.
    publisher
        Who tested and publishes.
    licence
        Under which the report may be used, e.g. "CC BY 4.0".
    """

    title: str
    publisher: str
    licence: str = ""


@dataclass(frozen=True, slots=True)
class RawEntry:
    """A raw file as the appendix lists it: its path inside raw/, its hash, what it was for and how it was taken."""

    path: str
    sha256: str
    studies: tuple[str, ...] = ()
    conditions: Conditions = field(default_factory=Conditions)
    taken: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Method:
    """How one study got its readings."""

    study: str
    title: str
    procedure: Procedure


@dataclass(frozen=True, slots=True)
class ReportInput:
    """All that a report shows. The same input gives the same bytes: no clock, no path of a machine.

    Parameters
    ----------
    slug
        The charger's folder name; the file will be <slug>.html.
    charger, book, settings
        As the book has them.
    sections
        One for each study, in the order they are to stand.
    figures, findings, notes
        Of all studies. Each finding's figure, and each figure in a section's table, must be among the figures.
    key_figures
        Keys (`Figure.key`) of those that sum the charger up, in order.
    unmeasured
        Claims nothing was measured for.
    raw_files
        All files of the index.
    instruments
        Name in bench.toml to instrument.
    methods
        Procedure of each study, in order.
    words
        "study/name" of a figure to its name in words; the figure's own name where there is none.
    verdict, tester_notes
        Text of verdict.md and notes.md (Markdown), empty when there is none.
    software
        Name and version of what made the report.
    index_href
        Relative address of the book's index page; empty leaves the link out.
    """

    slug: str
    charger: Charger
    book: BookMeta
    settings: Settings
    sections: tuple[Section, ...]
    figures: tuple[Figure, ...]
    findings: tuple[Finding, ...]
    key_figures: tuple[str, ...] = ()
    unmeasured: tuple[Claim, ...] = ()
    notes: tuple[Note, ...] = ()
    raw_files: tuple[RawEntry, ...] = ()
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    methods: tuple[Method, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    verdict: str = ""
    tester_notes: str = ""
    software: str = ""
    index_href: str = ""


def render_report(report: ReportInput) -> str:
    """The report as one HTML document.

    Raises
    ------
    PublishError
        When a figure is shown that the report has no provenance for, two figures share an identity, two charts share
        an id, or a chart cannot be drawn. All such faults are named together.
    """
    ledger = Ledger.of(report.figures, ((f.path, f.sha256) for f in report.raw_files), report.words)
    ledger.check(report.findings, report.key_figures, report.sections)
    titles = {section.study: section.title for section in report.sections} | {m.study: m.title for m in report.methods}
    parts = [
        ("conclusion", "Conclusion"),
        ("key", "Key figures"),
        ("findings", "Findings"),
        ("claims", "The maker’s claims and marks"),
        *([("notes-of-tester", "The tester’s notes")] if report.tester_notes.strip() else []),
        *([("measurements", "Measurements")] if report.sections else []),
        ("method", "How it was measured"),
        ("uncertainty", "Uncertainty"),
        ("provenance", "Where each figure comes from"),
        ("files", "Raw files"),
        ("rules", "Rules used"),
        ("notes", "Notes and warnings"),
    ]
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            charger=report.charger,
            book=report.book,
            style=style_sheet(),
            running_title=css_string(f"{report.charger.name}: measured on one sample"),
            running_publisher=css_string(report.book.publisher),
            parts=parts,
            number={key: k for k, (key, _) in enumerate(parts, start=1)},
            facts=facts(report.charger),
            sample=sample_text(report.charger.sample),
            price=price_text(report.charger.price),
            mains=mains_text((raw.conditions for raw in report.raw_files), report.settings),
            verdict=markdown_html(report.verdict) if report.verdict.strip() else None,
            tester_notes=markdown_html(report.tester_notes) if report.tester_notes.strip() else None,
            conclusion=conclusion(report.findings, report.unmeasured, ledger),
            glance=glance(report.findings, ledger),
            warnings=sum(1 for note in report.notes if note.severity == "warning"),
            key=[ledger.figure(key) for key in report.key_figures],
            by_figure=ledger.findings_by_figure(report.findings),
            finding_groups=finding_groups(report.findings, ledger),
            ports=port_rows(report.charger),
            claims=claim_rows(report.unmeasured),
            marks=mark_rows(report.charger.marks),
            instruments=instrument_rows(report.instruments),
            budgets=[(ledger.figure(key), budget_rows(ledger.figure(key))) for key in report.key_figures],
            provenance=ledger.provenance(titles),
            rules=rules_used(report.findings),
            titles=titles,
            ledger=ledger,
        )
    )
