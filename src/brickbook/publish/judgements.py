"""Findings in the order a reader wants them: what is wrong, what is open, what is met."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from brickbook.core.figure import Decision, Figure, Finding
from brickbook.publish.ledger import Ledger
from brickbook.publish.numbers import limit_text

__all__ = [
    "DECISIONS",
    "DecisionGroup",
    "FindingRow",
    "Miss",
    "RuleFindings",
    "RuleLine",
    "decision_groups",
    "misses",
    "rules_used",
    "tally_text",
]

DECISIONS: tuple[Decision, ...] = ("does not meet", "undecided", "meets", "not judged")
_MEANING: dict[Decision, str] = {
    "does not meet": "the limit is missed, by more than the uncertainty explains",
    "undecided": "too close to the limit for these instruments to say",
    "meets": "the limit is kept, with the uncertainty allowed for",
    "not judged": "the instruments cannot carry a decision here",
}
_FREE = ("common practice", "not chargers", "voluntary")  # words of a rule's market
_PLACE = {"claim": 0, "standard": 1, "house": 2}


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
class DecisionGroup:
    """All findings of one decision, by rule: what the maker says, published limits, the tester's own rules."""

    decision: Decision
    meaning: str
    count: int
    rules: tuple[RuleFindings, ...]


@dataclass(frozen=True, slots=True)
class Miss:
    """What is not met, once for each figure name and rule: the worst of them, and how many more there are."""

    row: FindingRow
    more: int
    later: bool  # the text applies only from a day after the last reading


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


def decision_groups(findings: Sequence[Finding], ledger: Ledger) -> list[DecisionGroup]:
    """Findings by decision, then by rule; within a rule the nearest to its limit, or furthest beyond it, first."""
    rows = _rows(findings, ledger)
    out = []
    for decision in DECISIONS:
        by_rule: dict[RuleLine, list[FindingRow]] = {}
        for row in rows:
            if row.finding.decision == decision:
                by_rule.setdefault(_line(row.finding), []).append(row)
        rules = []
        for line, own in by_rule.items():
            own.sort(key=lambda row: row.margin)
            readings, notes = {r.finding.reading for r in own}, {r.finding.note for r in own}
            rules.append(
                RuleFindings(
                    line,
                    own[0].finding.reading if len(readings) == 1 else "",
                    own[0].finding.note if len(notes) == 1 else "",
                    tuple(own),
                )
            )
        rules.sort(key=lambda rule: _PLACE[rule.rule.origin])
        out.append(DecisionGroup(decision, _MEANING[decision], sum(len(r.rows) for r in rules), tuple(rules)))
    return out


def misses(findings: Sequence[Finding], ledger: Ledger, last_reading: str = "") -> list[Miss]:
    """What is not met, one entry for each figure name and rule.

    Claims come first, then what binds; borrowed yardsticks and texts not yet in force come last.

    Parameters
    ----------
    findings, ledger
        All of the report.
    last_reading
        Day of the last reading, "2026-10-05": texts that apply from a later day are marked.
    """
    rows = [row for row in _rows(findings, ledger) if row.finding.decision == "does not meet"]
    found = []
    for many in _joined(rows).values():
        starts = many[0].finding.applies_from
        found.append(Miss(many[0], len(many) - 1, bool(last_reading and starts > last_reading)))
    return sorted(found, key=lambda miss: (miss.later, _borrowed(miss.row.finding), _PLACE[miss.row.finding.origin]))


def _borrowed(finding: Finding) -> bool:
    """Whether a published text does not bind chargers: a yardstick from elsewhere, or one to be followed freely."""
    return finding.origin == "standard" and any(word in finding.market for word in _FREE)


def _joined(rows: Sequence[FindingRow]) -> dict[tuple[str, str], list[FindingRow]]:
    """Rows by figure name and rule, the furthest on the wrong side first."""
    out: dict[tuple[str, str], list[FindingRow]] = {}
    for row in rows:
        out.setdefault((row.words, row.finding.title), []).append(row)
    for many in out.values():
        many.sort(key=lambda row: row.margin)
    return out


def tally_text(groups: Sequence[DecisionGroup]) -> str:
    """One sentence that counts: "234 findings were made: 207 meet it, 17 do not, 9 are undecided."."""
    count = {group.decision: group.count for group in groups}
    total = sum(count.values())
    if not total:
        return "Nothing was set against a limit."
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


def rules_used(findings: Sequence[Finding]) -> list[RuleLine]:
    """The rules behind the findings, each once, in order of first use."""
    return list(dict.fromkeys(_line(f) for f in findings))
