"""Findings in the order a reader wants them: what is wrong, what is open, what is met."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.core.charger import Claim
from brickbook.core.figure import Decision, Figure, Finding
from brickbook.publish.ledger import Ledger
from brickbook.publish.numbers import limit_text, number_text

__all__ = [
    "DECISIONS",
    "ConclusionPart",
    "FindingGroup",
    "FindingRow",
    "GlanceItem",
    "GlanceRow",
    "RuleFindings",
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
_SHOWN = 4


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding with what a table needs beside it."""

    id: str
    finding: Finding
    figure: Figure
    words: str
    limit: str

    @property
    def margin(self) -> float:
        """Distance to the limit as a share of it, negative on the wrong side; infinite where there is no limit."""
        finding, value = self.finding, self.figure.value
        sides = []
        if finding.sense in ("min", "range") and math.isfinite(finding.limit):
            sides.append((value - finding.limit) / max(abs(finding.limit), 1e-12))
        top = finding.limit_high if finding.sense == "range" else finding.limit
        if finding.sense in ("max", "range") and math.isfinite(top):
            sides.append((top - value) / max(abs(top), 1e-12))
        return min(sides, default=math.inf)


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


@dataclass(frozen=True, slots=True)
class RuleFindings:
    """A rule with its findings; `reading` and `note` only where all findings share them."""

    rule: RuleLine
    reading: str
    note: str
    rows: tuple[FindingRow, ...]


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings against one kind of limit, by rule."""

    origin: str
    title: str
    rules: tuple[RuleFindings, ...]


@dataclass(frozen=True, slots=True)
class GlanceItem:
    """Findings of one decision on one figure name under one rule; `more` is how many are not listed one by one."""

    words: str
    title: str
    count: int
    rows: tuple[FindingRow, ...]
    more: int


@dataclass(frozen=True, slots=True)
class GlanceRow:
    """One decision: how many findings, and which."""

    decision: Decision
    meaning: str
    count: int
    items: tuple[GlanceItem, ...]


def _rows(findings: Sequence[Finding], ledger: Ledger) -> list[FindingRow]:
    out = []
    for k, finding in enumerate(findings, start=1):
        figure = ledger.figure(finding.figure)
        limit = limit_text(
            finding.limit, finding.sense, figure.unit, figure.name, finding.limit_high, beside=figure.value
        )
        out.append(FindingRow(f"finding-{k}", finding, figure, ledger.words(figure), limit))
    return out


def _line(f: Finding) -> RuleLine:
    return RuleLine(f.rule, f.title, f.origin, f.source, f.edition, f.market, f.applies_from, f.from_memory)


def finding_groups(findings: Sequence[Finding], ledger: Ledger) -> list[FindingGroup]:
    """Findings by origin and rule. Rules that are not met come first, and within a rule what is not met."""
    by_origin: dict[str, dict[RuleLine, list[FindingRow]]] = {}
    for row in _rows(findings, ledger):
        by_origin.setdefault(row.finding.origin, {}).setdefault(_line(row.finding), []).append(row)
    groups = []
    for origin, title in _GROUPS:
        rules = []
        for line, rows in by_origin.get(origin, {}).items():
            rows.sort(key=lambda row: DECISIONS.index(row.finding.decision))
            readings, notes = {r.finding.reading for r in rows}, {r.finding.note for r in rows}
            rules.append(
                RuleFindings(
                    line,
                    rows[0].finding.reading if len(readings) == 1 else "",
                    rows[0].finding.note if len(notes) == 1 else "",
                    tuple(rows),
                )
            )
        rules.sort(key=lambda rule: DECISIONS.index(rule.rows[0].finding.decision))
        if rules:
            groups.append(FindingGroup(origin, title, tuple(rules)))
    return groups


def glance(findings: Sequence[Finding], ledger: Ledger) -> list[GlanceRow]:
    """Each decision with its findings, joined by figure name and rule; single ones are named where it matters."""
    rows = _rows(findings, ledger)
    out = []
    for decision in DECISIONS:
        own = [row for row in rows if row.finding.decision == decision]
        shown = _SHOWN if decision != "meets" else 1
        items = tuple(
            GlanceItem(words, title, len(many), tuple(many[:shown]), max(0, len(many) - shown))
            for (words, title), many in _joined(own).items()
        )
        out.append(GlanceRow(decision, _MEANING[decision], len(own), items))
    return out


def _joined(rows: Sequence[FindingRow]) -> dict[tuple[str, str], list[FindingRow]]:
    """Rows by figure name and rule, the furthest on the wrong side first."""
    out: dict[tuple[str, str], list[FindingRow]] = {}
    for row in rows:
        out.setdefault((row.words, row.finding.title), []).append(row)
    for many in out.values():
        many.sort(key=lambda row: row.margin)
    return out


@dataclass(frozen=True, slots=True)
class ConclusionPart:
    """Sentences on one kind of limit."""

    title: str
    sentences: tuple[str, ...]


_NAMED = 6  # more rules than this are counted, not named

# The buyer's order: what the maker says, what is published, what the tester asks.
_ORDER = (
    ("claim", "What the maker says"),
    ("standard", "Published limits"),
    ("house", "The tester’s own rules"),
)


def conclusion(
    findings: Sequence[Finding], unmeasured: Sequence[Claim], ledger: Ledger
) -> tuple[str, list[ConclusionPart]]:
    """One line that counts, and plain sentences by kind of limit, drafted from the findings alone."""
    if not findings:
        return "Nothing was set against a limit.", []
    rows = _rows(findings, ledger)
    parts = []
    for origin, title in _ORDER:
        own = [row for row in rows if row.finding.origin == origin]
        sentences = [
            _sentence(many) for many in _joined([r for r in own if r.finding.decision == "does not meet"]).values()
        ]
        sentences += _open(own) + _met(own)
        if origin == "claim" and unmeasured:
            what = "One claim was" if len(unmeasured) == 1 else f"{len(unmeasured)} claims were"
            sentences.append(f"{what} not measured.")
        if sentences:
            parts.append(ConclusionPart(title, tuple(sentences)))
    return _counted(rows), parts


def _counted(rows: Sequence[FindingRow]) -> str:
    total = len(rows)
    count = {d: sum(1 for row in rows if row.finding.decision == d) for d in DECISIONS}
    if count["not judged"] == total:
        return f"{total} {'figure was' if total == 1 else 'figures were'} set against a limit; none could be judged."
    verbs: dict[Decision, tuple[str, str]] = {
        "meets": ("meets it", "meet it"),
        "does not meet": ("does not", "do not"),
        "undecided": ("is undecided", "are undecided"),
        "not judged": ("was not judged", "were not judged"),
    }
    counted = [
        f"{count[d]} {one if count[d] == 1 else more}"
        for d, (one, more) in verbs.items()
        if count[d] or d in ("meets", "does not meet")
    ]
    return f"{total} {'finding was' if total == 1 else 'findings were'} made: {', '.join(counted)}."


def _open(rows: Sequence[FindingRow]) -> list[str]:
    """One sentence on all that is too close to decide."""
    undecided = [row for row in rows if row.finding.decision == "undecided"]
    if not undecided:
        return []
    named = [f"{words[:1].lower()}{words[1:]} against “{title}”" for words, title in _joined(undecided)]
    return [f"Too close to decide, the limit lies within the uncertainty: {'; '.join(named)}."]


def _met(rows: Sequence[FindingRow]) -> list[str]:
    """One sentence on the rules of which every finding is met."""
    decisions: dict[str, set[Decision]] = {}
    for row in rows:
        decisions.setdefault(row.finding.title, set()).add(row.finding.decision)
    met = [f"“{title}”" for title, found in decisions.items() if found == {"meets"}]
    if len(met) > _NAMED:
        return [f"{len(met)} texts are met in everything that was measured; the findings list them."]
    return [f"Met in everything that was measured: {', '.join(met)}."] if met else []


def _sentence(many: Sequence[FindingRow]) -> str:
    worst = many[0]
    where = worst.figure.conditions.text()
    at = f" ({where})" if where else ""
    words = f"{worst.words[:1].upper()}{worst.words[1:]}"
    asked = f"“{worst.finding.title}” asks for {worst.limit}"
    begins = f", from {worst.finding.applies_from}" if worst.finding.applies_from else ""
    more = f", and {len(many) - 1} more like it" if len(many) > 1 else ""
    return f"{words}{at}: {number_text(worst.figure)}{more}. {asked}{begins}: not met."


def rules_used(findings: Sequence[Finding]) -> list[RuleLine]:
    """The rules behind the findings, each once, in order of first use."""
    return list(dict.fromkeys(_line(f) for f in findings))
