"""The report of one charger: one HTML file that opens anywhere and shows where each number is from."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from brickbook.core.charger import Charger, Claim
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Finding, Note
from brickbook.core.instrument import Instrument
from brickbook.core.page import Block, Caution, Chart, Section, TableBlock, Text
from brickbook.core.study import Procedure, Settings
from brickbook.library.conclusion import Conclusion, Part
from brickbook.publish.corrections import Correction
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
from brickbook.publish.judgements import decision_groups, misses, rules_used, tally_text
from brickbook.publish.ledger import Ledger
from brickbook.publish.looks import minus_signs
from brickbook.publish.markdown import markdown_html
from brickbook.publish.pages import block_kind, css_string, environment, style_sheet

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
    data_href
        Relative address of the data pack; empty leaves the link out.
    drafted
        The conclusion drafted from the findings; the tester's own goes before it.
    corrections
        What has changed since the report was first published, newest first.
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
    data_href: str = ""
    drafted: Conclusion | None = None
    corrections: tuple[Correction, ...] = ()


_ORIGIN_WORDS = {"standard": "Published text", "claim": "The maker’s claim", "house": "The tester’s own rule"}
# What a buyer asks first, one number for each, as far as it is among the key figures.
_FIRST = (
    "soak/sustained_total_power_w",
    "sharing/total_offered_power_w",
    "efficiency/average_active_efficiency_ratio",
    "standby/no_load_power_w",
    "soak/normalised_temperature_c",
    "regulation/voltage_deviation_ratio",
    "ripple/ripple_ratio",
    "negotiation/time_without_power_s",
    "value/price_per_watt",
    "identity/mass_g",
)
_BRIEF = ("port", "ports", "contract", "load_ratio", "mains_v", "mains_hz", "situation", "place")
_TILES = 8
_SHORT_ROWS = 6  # a table with no more rows, among the first of its section, is not folded
_OPEN_TABLES = 2
_HEADLINES = ("In short", "For whom")


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
    parts = _parts(report)
    key = [ledger.figure(k) for k in report.key_figures]
    taken = sorted(raw.taken[:10] for raw in report.raw_files if raw.taken)
    groups = decision_groups(report.findings, ledger)
    verdict = markdown_html(report.verdict) if report.verdict.strip() else None
    in_short, in_full = _drafted(report.drafted, written=verdict is not None)
    measured = {f.study for f in report.figures}
    changed = [c for c in report.corrections if not c.is_addition]
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
            parts=[(id_, title) for id_, _, title in parts],
            number={id_: number for id_, number, _ in parts},
            titles_of={id_: title for id_, _, title in parts},
            facts=facts(report.charger),
            sample=sample_text(report.charger.sample),
            price=price_text(report.charger.price),
            mains=mains_text((raw.conditions for raw in report.raw_files), report.settings),
            measured=(f"{taken[0]} to {taken[-1]}" if taken[0] != taken[-1] else f"on {taken[0]}") if taken else "",
            fingerprint=fingerprint(report),
            verdict=verdict,
            in_short=in_short,
            in_full=in_full,
            tester_notes=markdown_html(report.tester_notes) if report.tester_notes.strip() else None,
            corrected=[c for c in changed if c.date == changed[0].date],
            corrected_before=any(c.date != changed[0].date for c in changed),
            groups=groups,
            tally_text=tally_text(groups),
            misses=misses(report.findings, ledger, taken[-1] if taken else ""),
            tiles=_tiles(key),
            origin_words=_ORIGIN_WORDS,
            at=lambda of: minus_signs(of.conditions.text()),
            briefly_at=_briefly_at,
            arranged=_arranged,
            warnings=[note for note in report.notes if note.severity == "warning"],
            remarks=[note for note in report.notes if note.severity != "warning"],
            unstudied=[m.title for m in report.methods if m.study not in measured],
            key=key,
            by_figure=ledger.findings_by_figure(report.findings),
            ports=port_rows(report.charger),
            claims=claim_rows(report.unmeasured),
            marks=mark_rows(report.charger.marks),
            instruments=instrument_rows(report.instruments, last_reading=taken[-1] if taken else ""),
            budgets=[(figure, budget_rows(figure)) for figure in key],
            provenance=ledger.provenance(titles),
            rules=rules_used(report.findings),
            titles=titles,
            ledger=ledger,
        )
    )


def fingerprint(report: ReportInput) -> str:
    """Twelve digits that stay the same while raw files, figures and findings do."""
    total = hashlib.sha256()
    for raw in sorted((r.path, r.sha256) for r in report.raw_files):
        total.update(repr(raw).encode("utf-8", "replace"))
    for figure in sorted(report.figures, key=lambda f: f.key):
        line = (figure.key, figure.value, figure.u, figure.lower, figure.upper)
        total.update(repr(line).encode("utf-8", "replace"))
    for finding in sorted((f.figure, f.rule, f.title, f.reading, f.decision) for f in report.findings):
        total.update(repr(finding).encode("utf-8", "replace"))
    return total.hexdigest()[:12]


def _parts(report: ReportInput) -> list[tuple[str, str, str]]:
    """Id, number and title of each part; appendices have letters."""
    body = [
        ("conclusion", "Conclusion"),
        ("charger", "The charger and the sample"),
        ("key", "Key figures"),
        ("findings", "Findings"),
        ("claims", "The maker’s claims and marks"),
        *([("notes-of-tester", "The tester’s notes")] if report.tester_notes.strip() else []),
        *([("measurements", "Measurements")] if report.sections else []),
        ("method", "How it was measured"),
        ("notes", "Notes and warnings"),
        *([("corrections", "Corrections")] if report.corrections else []),
    ]
    after = [
        ("procedures", "Procedures"),
        ("uncertainty", "Uncertainty budgets"),
        ("provenance", "Where each figure comes from"),
        ("files", "Raw files"),
        ("rules", "Rules used"),
    ]
    return [(id_, str(k), title) for k, (id_, title) in enumerate(body, start=1)] + [
        (id_, chr(ord("A") + k), title) for k, (id_, title) in enumerate(after)
    ]


def _drafted(drafted: Conclusion | None, *, written: bool) -> tuple[Sequence[Part], Sequence[Part]]:
    """Parts of the draft for the first screen, where the tester wrote nothing, and the others for the findings."""
    if drafted is None:
        return (), ()
    if written:
        return (), drafted.parts
    first = [part for part in drafted.parts if part.title in _HEADLINES]
    return first, [part for part in drafted.parts if part.title not in _HEADLINES]


def _tiles(key: Sequence[Figure]) -> list[Figure]:
    """Numbers for the first screen: what a buyer asks, the worst of each name; others only where there are few."""
    found: list[Figure] = []
    for name in _FIRST:
        found += [f for f in key if f"{f.study}/{f.name}" == name][-1:]
    found += [f for f in key if f not in found] if len(found) < 4 else []
    return found[:_TILES]


def _briefly_at(figure: Figure) -> str:
    """The conditions a buyer asks for; the rest stands with the key figures."""
    kept = [key for key in _BRIEF if key in figure.conditions]
    several = "+" in str(figure.conditions.get("ports", ""))
    text = figure.conditions.only(*(k for k in kept if not (several and k in ("ports", "contract")))).text()
    return minus_signs(", ".join(part for part in ("several ports at once" if several else "", text) if part))


def _arranged(section: Section) -> Iterator[tuple[str, Sequence[Block], bool]]:
    """Blocks of a section with their kind: pictures, then numbers, then what there is to say of them.

    What stands before the first picture or table stays there, cautions that follow one another are given together, a
    text said twice is given once, and long or later tables are marked as folded.
    """
    blocks = tuple(dict.fromkeys(b for b in section.blocks if isinstance(b, Text)))
    first = next((k for k, b in enumerate(section.blocks) if isinstance(b, (Chart, TableBlock))), 0)
    before = section.blocks[:first]
    rest = [b for b in section.blocks[first:] if not isinstance(b, Text)]
    after = [b for b in blocks if b not in before]
    kinds = (Chart, TableBlock, Caution)
    ordered = [*before, *(b for kind in kinds for b in rest if isinstance(b, kind)), *after]
    tables = 0
    for kind, many in groupby(ordered, key=block_kind):
        those = tuple(many)
        if kind == "caution":
            yield kind, those, False
            continue
        for block in those:
            folded = False
            if isinstance(block, TableBlock):
                tables += 1
                folded = tables > _OPEN_TABLES or len(block.rows) > _SHORT_ROWS
            yield kind, (block,), folded
