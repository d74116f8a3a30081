"""Findings in the order a reader wants them: what is wrong, what is open, what is met."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.core.charger import Claim
from brickbook.core.figure import Decision, Figure, Finding
from brickbook.publish.ledger import Ledger
from brickbook.publish.numbers import limit_text, number_text, probability_text
from brickbook.publish.wording import conditions_text

__all__ = [
    "DECISIONS",
    "FindingGroup",
    "FindingRow",
    "GlanceRow",
    "RuleLine",
    "conclusion",
    "finding_groups",
    "glance",
    "rules_used",
]

DECISIONS: tuple[Decision, ...] = ("does not meet", "undecided", "meets", "not judged")
_MEANING: dict[Decision, str] = {
    "does not meet": "the limit is missed, by more than the uncertainty explains",
    "undecided": "too close to the limit for these instruments to say",
    "meets": "the limit is kept, with the uncertainty allowed for",
    "not judged": "the instruments cannot carry a decision here",
}
_GROUPS = (
    ("standard", "Published limits"),
    ("claim", "The maker’s claims"),
    ("house", "The tester’s own rules"),
)
_SHOWN = 10


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding with what a table needs beside it."""

    id: str
    finding: Finding
    figure: Figure
    words: str
    limit: str


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings against one kind of limit."""

    origin: str
    title: str
    rows: tuple[FindingRow, ...]


@dataclass(frozen=True, slots=True)
class GlanceRow:
    """One decision: how many findings, and which; `more` is how many are not listed."""

    decision: Decision
    meaning: str
    count: int
    rows: tuple[FindingRow, ...]
    more: int


@dataclass(frozen=True, slots=True)
class RuleLine:
    """A rule that was used."""

    rule: str
    title: str
    origin: str
    source: str
    edition: str
    market: str
    applies_from: str
    from_memory: bool


def _rows(findings: Sequence[Finding], ledger: Ledger) -> list[FindingRow]:
    out = []
    for k, finding in enumerate(findings, start=1):
        figure = ledger.figure(finding.figure)
        limit = limit_text(
            finding.limit, finding.sense, figure.unit, figure.name, finding.limit_high, beside=figure.value
        )
        out.append(FindingRow(f"finding-{k}", finding, figure, ledger.words(figure), limit))
    return out


def finding_groups(findings: Sequence[Finding], ledger: Ledger) -> list[FindingGroup]:
    """Findings by origin: published limits, claims, house rules; within each, what is not met first."""
    rows = _rows(findings, ledger)
    groups = []
    for origin, title in _GROUPS:
        own = [row for row in rows if row.finding.origin == origin]
        own.sort(key=lambda row: DECISIONS.index(row.finding.decision))
        if own:
            groups.append(FindingGroup(origin, title, tuple(own)))
    return groups


def glance(findings: Sequence[Finding], ledger: Ledger) -> list[GlanceRow]:
    """Each decision with its findings. All that are not met or open are listed; of the others the first few."""
    rows = _rows(findings, ledger)
    out = []
    for decision in DECISIONS:
        own = [row for row in rows if row.finding.decision == decision]
        shown = own if decision in ("does not meet", "undecided") else own[:_SHOWN]
        out.append(GlanceRow(decision, _MEANING[decision], len(own), tuple(shown), len(own) - len(shown)))
    return out


def conclusion(findings: Sequence[Finding], unmeasured: Sequence[Claim], ledger: Ledger) -> list[str]:
    """Plain sentences drafted from the findings, for a report whose tester has not written a conclusion."""
    if not findings:
        return ["Nothing was set against a limit."]
    rows = _rows(findings, ledger)
    count: dict[str, int] = {d: sum(1 for row in rows if row.finding.decision == d) for d in DECISIONS}
    total = len(rows)
    verbs = {
        "meets": ("meets it", "meet it"),
        "does not meet": ("does not", "do not"),
        "undecided": ("is undecided", "are undecided"),
        "not judged": ("was not judged", "were not judged"),
    }
    counted = [f"{count[d]} {one if count[d] == 1 else more}" for d, (one, more) in verbs.items()]
    out = [f"{total} {'figure was' if total == 1 else 'figures were'} set against a limit: {', '.join(counted)}."]
    for row in rows:
        where = f" ({conditions_text(row.figure.conditions)})" if len(row.figure.conditions) else ""
        said = f"{row.words[:1].upper()}{row.words[1:]}{where}: {number_text(row.figure)}"
        against = f"“{row.finding.title}” asks for {row.limit}"
        if row.finding.decision == "does not meet":
            out.append(f"{said}. {against}: not met.")
        elif row.finding.decision == "undecided":
            out.append(
                f"{said}. {against}: too close to decide, probability of conformity "
                f"{probability_text(row.finding.p_conform)}."
            )
    if unmeasured:
        out.append(
            "One claim of the maker was not measured."
            if len(unmeasured) == 1
            else f"{len(unmeasured)} claims of the maker were not measured."
        )
    return out


def rules_used(findings: Sequence[Finding]) -> list[RuleLine]:
    """The rules behind the findings, each once, in order of first use."""
    lines = (
        RuleLine(f.rule, f.title, f.origin, f.source, f.edition, f.market, f.applies_from, f.from_memory)
        for f in findings
    )
    return list(dict.fromkeys(lines))
