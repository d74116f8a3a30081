"""`brickbook show`: a charger's figures and findings in the terminal, or as JSON for other programs."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from rich.table import Table
from rich.text import Text

from brickbook.analysis import is_current, load
from brickbook.analysis.codec import figure_json, finding_json, note_json
from brickbook.book import Book
from brickbook.commands.common import BookOption, JsonOption, console, open_to_read, print_json, wanted
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure, Finding
from brickbook.library.drafts import read_conclusion, refresh_conclusions
from brickbook.publish.numbers import figure_text, value_text
from brickbook.studies import STUDIES

__all__ = ["show"]


def show(
    charger: Annotated[str, Parameter(help="Folder name of the charger.")],
    /,
    *,
    study: Annotated[str | None, Parameter(help="Only this study.")] = None,
    procedure: Annotated[
        bool, Parameter(negative="", help="Show how the readings are got, each caution before its step.")
    ] = False,
    conclusion: Annotated[
        bool, Parameter(negative="", help="Show the drafted conclusion, and the tester's own beside it.")
    ] = False,
    why: Annotated[str | None, Parameter(help="Key of a figure, or part of it: show where it comes from.")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Show a charger's figures and what was found against each limit."""
    opened = open_to_read(book)
    if procedure:
        wanted(opened, [charger])
        return _procedures(study)
    (slug,) = wanted(opened, [charger])
    if conclusion:
        return _conclusion(opened, slug, json=json)
    stored = load(opened, slug)
    figures = [f for f in stored.figures if study is None or f.study == study]
    if study is not None and study not in {s.id for s in STUDIES}:
        known = ", ".join(s.id for s in STUDIES)
        raise BookError(Fault("--study", study, "is not a study.", f"The studies are {known}."))
    keys = {f.key for f in figures}
    findings = [f for f in stored.findings if f.figure in keys]
    if json:
        print_json(
            {
                "charger": {"slug": slug, **stored.charger},
                "figures": [figure_json(f) for f in figures],
                "findings": [finding_json(f) for f in findings],
                "notes": [note_json(n) for n in stored.notes if study is None or n.study == study],
            }
        )
        return 0
    if not is_current(opened, slug):
        console().print(f"Files have changed since these figures were made: run brickbook analyse {slug}", style="bold")
    if why is not None:
        return _why(figures, findings, why)
    out = console()
    out.print(f"{stored.charger['name']}", style="bold")
    for one in STUDIES:
        mine = [f for f in figures if f.study == one.id]
        if mine:
            out.print(_figure_table(one.title, one.figure_names, mine))
    if findings:
        out.print(_finding_table(figures, findings))
    for note in stored.notes:
        if note.severity == "warning" and (study is None or note.study == study):
            out.print(Text(f"! {note.text}"))
    return 0


def _conclusion(book: Book, slug: str, *, json: bool) -> int:
    load(book, slug)  # says so where it was not analysed
    refresh_conclusions(book, [slug], say=value_text)
    draft, verdict = read_conclusion(book, slug), book.verdict(slug)
    assert draft is not None
    stale = not is_current(book, slug)
    if json:
        print_json(
            {
                "charger": slug,
                "judgement": draft.judgement or None,
                "kept_ratio": None
                if math.isnan(draft.kept_low_ratio)
                else [draft.kept_low_ratio, draft.kept_high_ratio],
                "sentences": [
                    {"kind": s.kind, "text": s.text, "figures": list(s.figures), "findings": list(s.findings)}
                    for s in draft.sentences
                ],
                "verdict": verdict,
                "stale": stale,
            }
        )
        return 0
    out = console()
    if stale:
        out.print(f"Files have changed since these figures were made: run brickbook analyse {slug}", style="bold")
    out.print(Text("Drafted from the findings alone"), style="bold")
    for part in draft.parts:
        out.print(Text(part.title), style="bold")
        for sentence in part.sentences:
            out.print(Text(f"  {sentence.text}"))
    out.print(Text(f"The tester's own words (chargers/{slug}/verdict.md)"), style="bold")
    out.print(Text(verdict.strip() or "Not written yet."))
    return 0


def _procedures(study: str | None) -> int:
    out = console()
    for one in STUDIES:
        if study is not None and one.id != study:
            continue
        out.print(Text(f"{one.title}: {one.procedure.summary}"), style="bold")
        for caution in one.procedure.cautions:
            out.print(Text(f"  CAUTION  {caution}"))
        for number, step in enumerate(one.procedure.steps, 1):
            if step.caution:
                out.print(Text(f"  CAUTION  {step.caution}"))
            out.print(Text(f"  {number}. {step.text}"))
            if step.settle:
                out.print(Text(f"     until: {step.settle}"))
    return 0


def _figure_table(title: str, names: object, figures: list[Figure]) -> Table:
    words = dict(names) if isinstance(names, dict) else {}
    table = Table("Figure", "Value", "Conditions", title=title, title_justify="left")
    for figure in figures:
        flag = " *" if figure.flags else ""
        table.add_row(
            Text(str(words.get(figure.name, figure.name))), figure_text(figure) + flag, Text(figure.conditions.text())
        )
    return table


def _finding_table(figures: list[Figure], findings: list[Finding]) -> Table:
    by_key = {f.key: f for f in figures}
    table = Table("Decision", "Figure", "Value", "Limit", "Rule", title="Findings", title_justify="left")
    for finding in findings:
        figure = by_key[finding.figure]
        sign = {"min": "≥ ", "max": "≤ "}.get(finding.sense, "")
        high = f" to {finding.limit_high:.5g}" if finding.sense == "range" else ""
        table.add_row(
            finding.decision,
            Text(f"{figure.study}/{figure.name} ({figure.conditions.text()})"),
            figure_text(figure),
            f"{sign}{finding.limit:.5g}{high}",
            Text(f"{finding.title}{', ' + finding.reading if finding.reading else ''}"),
        )
    return table


def _why(figures: list[Figure], findings: list[Finding], why: str) -> int:
    found = [f for f in figures if why in f.key]
    if not found:
        raise BookError(Fault("--why", why, "no figure has this in its key.", "Keys stand in: brickbook show --json"))
    out = console()
    for figure in found:
        out.print(Text(figure.key), style="bold")
        interval = f"95 % from {figure.lower:.6g} to {figure.upper:.6g}"
        out.print(f"  {figure_text(figure)}   k = {figure.coverage_factor:.2f}, {interval}")
        out.print(Text(f"  {figure.method}"))
        for rows in figure.sources:
            lines = f"lines {rows.first} to {rows.last}" if rows.last else "whole file"
            out.print(Text(f"  {rows.file.path}, {lines}, {', '.join(rows.columns)}; SHA-256 {rows.file.sha256}"))
        for part in figure.budget:
            out.print(Text(f"  {part.kind}  {part.u:.3g}  {part.distribution}, {part.source}"))
        for flag in figure.flags:
            out.print(Text(f"  * {flag}"))
        for finding in findings:
            if finding.figure == figure.key:
                out.print(
                    Text(
                        f"  {finding.decision}: {finding.title} ({finding.source}), probability {finding.p_conform:.3f}"
                    )
                )
    return 0
