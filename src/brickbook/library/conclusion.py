"""A conclusion drafted in plain words from the findings alone, each sentence tied to the figures behind it.

It says how the charger fares by the tester's own weights, for whom it is worth buying and for whom not, what is wrong,
by how much and how surely, what is too close to decide, where it stands on the shelf, and what was not measured.
Nothing is said that no figure carries; an undecided finding is never told as a fault or as a merit. The draft stands
beside the tester's own words and never takes their place.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from brickbook.core.charger import Charger, Claim
from brickbook.core.figure import Decision, Figure, Finding
from brickbook.library.buyers import Fit, fit
from brickbook.library.offers import offer_of
from brickbook.library.opinion import Opinion
from brickbook.library.standing import Standing
from brickbook.rules import Rule

__all__ = ["PARTS", "Conclusion", "Judgement", "Kind", "Part", "Sentence", "draft_conclusion", "finding_id"]

Say = Callable[[float, float, str, str], str]
Judgement = Literal["worth buying", "worth buying with reservations", "not worth buying", "undecided", ""]
Kind = Literal[
    "judgement", "for", "not for", "perhaps for", "wrong", "later", "yardstick", "open", "right", "shelf",
    "not measured",
]  # fmt: skip
PARTS: tuple[tuple[str, tuple[Kind, ...]], ...] = (
    ("In short", ("judgement",)),
    ("For whom", ("for", "not for", "perhaps for")),
    ("What is wrong", ("wrong",)),
    ("Wrong by texts not yet in force", ("later",)),
    ("Against voluntary and borrowed yardsticks", ("yardstick",)),
    ("Too close to decide", ("open",)),
    ("What is right", ("right",)),
    ("On the shelf", ("shelf",)),
    ("Not measured", ("not measured",)),
)
_MOST = 6  # groups of findings of one kind told one by one
_ORIGINS = ("claim", "standard", "house")
_SIDES: Mapping[str, str] = {"min": "short of it", "max": "above it", "range": "outside it"}
_WORST: tuple[Decision, ...] = ("does not meet", "undecided", "meets")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence of the draft.

    Parameters
    ----------
    text
        Plain words.
    figures
        Keys of the figures it rests on (`Figure.key`); empty only for what was not measured.
    findings
        Ids of the findings it tells of (`finding_id`).
    kind
        What it says.
    """

    text: str
    figures: tuple[str, ...]
    findings: tuple[str, ...]
    kind: Kind


@dataclass(frozen=True, slots=True)
class Part:
    """Sentences under one heading."""

    title: str
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True, slots=True)
class Conclusion:
    """The draft.

    Parameters
    ----------
    judgement
        Overall, by the tester's weights; "" where none are given or nothing was judged.
    kept_low_ratio, kept_high_ratio
        Share of the weight that is surely kept, and that may be once what is open is known; NaN without weights.
    sentences
        In the order of `PARTS`.
    """

    judgement: Judgement
    kept_low_ratio: float
    kept_high_ratio: float
    sentences: tuple[Sentence, ...]

    @property
    def parts(self) -> tuple[Part, ...]:
        """The sentences under their headings; empty headings are left out."""
        found = [(title, tuple(s for s in self.sentences if s.kind in kinds)) for title, kinds in PARTS]
        return tuple(Part(title, sentences) for title, sentences in found if sentences)


def finding_id(finding: Finding) -> str:
    """Identity of a finding within one result: rule, title, figure and reading."""
    return f"{finding.rule}|{finding.title}|{finding.figure}|{finding.reading}"


@dataclass(frozen=True, slots=True)
class _Case:
    """All that sentences are made from."""

    figures: Mapping[str, Figure]
    words: Mapping[str, str]
    say: Say
    day: str

    def name(self, figure: Figure) -> str:
        return self.words.get(f"{figure.study}/{figure.name}", figure.name.replace("_", " "))

    def value(self, figure: Figure) -> str:
        return self.say(figure.value, _half(figure), figure.unit, figure.name)

    def limit(self, finding: Finding) -> str:
        figure = self.figures[finding.figure]

        def one(number: float) -> str:
            return self.say(number, 0.0, figure.unit, figure.name)

        if finding.sense == "range":
            return f"{one(finding.limit)} to {one(finding.limit_high)}"
        return f"{'at least' if finding.sense == 'min' else 'at most'} {one(finding.limit)}"

    def in_force(self, finding: Finding) -> bool:
        return not (finding.applies_from and self.day and finding.applies_from > self.day)


def draft_conclusion(
    charger: Charger,
    figures: Sequence[Figure],
    findings: Sequence[Finding],
    *,
    say: Say,
    opinion: Opinion | None = None,
    house: Sequence[Rule] = (),
    unmeasured: Sequence[Claim] = (),
    studies_without: Sequence[str] = (),
    standings: Sequence[Standing] = (),
    words: Mapping[str, str] | None = None,
    day: str = "",
) -> Conclusion:
    """Draft the conclusion of one charger.

    Parameters
    ----------
    charger, figures, findings
        Of one analysis.
    say
        Writes a number: value, expanded uncertainty, unit, the figure's name.
    opinion, house
        How the findings weigh and for whom, and the house rules with their weights.
    unmeasured, studies_without
        Claims that no figure tests, and titles of studies that have no figures.
    standings
        Where the charger stands beside others.
    words
        "study/name" of a figure to its name in words.
    day
        ISO date of the measurement: texts that apply from a later day are told apart. Empty: all are in force.
    """
    case = _Case({f.key: f for f in figures}, words or {}, say, day)
    told = [f for f in findings if f.figure in case.figures]
    opinion = opinion or Opinion()
    judgement, low, high, sentences = _judged(case, told, opinion, house)
    sentences += _buyers(case, charger, figures, told, opinion, judgement)
    sentences += _wrong(case, told)
    sentences += _open(case, told)
    sentences += _right(case, told)
    sentences += _shelf(case, standings)
    sentences += _without(unmeasured, studies_without)
    order = [kind for _, kinds in PARTS for kind in kinds]
    sentences.sort(key=lambda s: order.index(s.kind))
    return Conclusion(judgement, low, high, tuple(sentences))


# The judgement


@dataclass(slots=True)
class _Item:
    """What counts as one thing in the weighing: its weight and its findings."""

    weight: float
    findings: list[Finding] = field(default_factory=list)

    @property
    def decision(self) -> Decision:
        """The worst of its findings."""
        return next(d for d in _WORST if any(f.decision == d for f in self.findings))


def _items(case: _Case, findings: Sequence[Finding], opinion: Opinion, house: Sequence[Rule]) -> list[_Item]:
    assert opinion.conclusion is not None
    weights: dict[tuple[str, str], float] = {}
    for rule in house:
        for limit in rule.limits:
            of = (rule.id, limit.figure)
            weights[of] = weights.get(of, 0.0) + (1.0 if limit.weight is None else limit.weight)
    items: dict[tuple[str, ...], _Item] = {}
    for finding in findings:
        if finding.decision == "not judged":
            continue
        figure = case.figures[finding.figure]
        name: tuple[str, ...]
        if finding.origin == "house":
            name = ("house", finding.rule, f"{figure.study}/{figure.name}")
            weight = weights.get((finding.rule, f"{figure.study}/{figure.name}"), 1.0)
        elif finding.origin == "claim":
            name, weight = ("claim", finding.rule, finding.title), opinion.conclusion.claim_weight
        elif _binding(finding) and case.in_force(finding):
            name, weight = ("published",), opinion.conclusion.published_limits_weight
        else:
            continue
        items.setdefault(name, _Item(weight)).findings.append(finding)
    return [item for item in items.values() if item.weight > 0.0]


def _judged(
    case: _Case, findings: Sequence[Finding], opinion: Opinion, house: Sequence[Rule]
) -> tuple[Judgement, float, float, list[Sentence]]:
    nothing = float("nan")
    if opinion.conclusion is None:
        return "", nothing, nothing, []
    items = _items(case, findings, opinion, house)
    total = sum(item.weight for item in items)
    if total == 0.0:
        return "", nothing, nothing, []
    kept, missed, still = (sum(i.weight for i in items if i.decision == d) for d in ("meets", *_WORST[:2]))
    low, high = kept / total, (kept + still) / total
    judgement: Judgement
    if low >= opinion.conclusion.recommend_from_ratio:
        judgement = "worth buying"
    elif high < opinion.conclusion.advise_against_below_ratio:
        judgement = "not worth buying"
    elif low >= opinion.conclusion.advise_against_below_ratio and high < opinion.conclusion.recommend_from_ratio:
        judgement = "worth buying with reservations"
    else:
        judgement = "undecided"
    told = [next(f for f in item.findings if f.decision == item.decision) for item in items]
    shares = f"{kept:g} of {total:g} points are kept, {missed:g} missed"
    open_ = f" and {still:g} too close to decide" if still else ""
    end = "undecided between the tester's marks" if judgement == "undecided" else judgement
    text = (
        f"By the tester's own weights {shares}{open_}: {end} ({100 * opinion.conclusion.recommend_from_ratio:g} % and "
        f"more surely kept is “worth buying”, less than {100 * opinion.conclusion.advise_against_below_ratio:g} % is "
        "“not worth buying”)."
    )
    return judgement, low, high, [_sentence("judgement", text, told)]


def _binding(finding: Finding) -> bool:
    """Whether a published limit was written for chargers and not as an offer to the willing."""
    soft = ("common practice", "not chargers", "voluntary")
    return finding.origin == "standard" and not any(word in finding.market for word in soft)


# For whom


def _buyers(
    case: _Case,
    charger: Charger,
    figures: Sequence[Figure],
    findings: Sequence[Finding],
    opinion: Opinion,
    judgement: Judgement,
) -> list[Sentence]:
    if not opinion.buyer or not figures:
        return []
    offer = offer_of(charger, figures)
    out = []
    for buyer in opinion.buyer:
        found = fit(offer, buyer, findings)
        kept = tuple(key for key in found.figures if key in case.figures)
        ids = tuple(finding_id(f) for f in found.findings)
        kind: Kind = {"yes": "for", "no": "not for", "open": "perhaps for"}[found.answer]  # type: ignore[assignment]
        if kind != "perhaps for" and not kept:
            kind = "perhaps for"
        out.append(Sentence(_buyer_text(case, found, kind, judgement), kept, ids, kind))
    return out


def _buyer_text(case: _Case, found: Fit, kind: Kind, judgement: Judgement) -> str:
    who = found.buyer.who
    if kind == "for":
        gets = "; ".join(found.gets)
        verb = "is" if len(found.kept) == 1 else "are"
        kept = f" “{'” and “'.join(found.kept)}” {verb} kept." if found.kept else ""
        if judgement == "worth buying":
            return f"Worth buying for {who}: {gets}.{kept}"
        return f"Has what is needed by {who}: {gets}.{kept}"
    if kind == "not for":
        worst = [f for f in found.findings if f.decision == "does not meet"]
        reasons = list(found.lacks)
        for finding in worst:
            figure = case.figures[finding.figure]
            reasons.append(f"“{finding.title}” is not kept ({figure.conditions.text()}: {case.value(figure)})")
        return f"Not for {who}: {'; '.join(reasons)}."
    return f"Not told for {who}: {'; '.join(found.unknown) or 'nothing was measured that tells'}."


# What is wrong, open and right


def _groups(findings: Sequence[Finding], case: _Case) -> list[list[Finding]]:
    """Findings by rule, title and figure name, the furthest beyond the limit first; whole groups in telling order."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        figure = case.figures[finding.figure]
        groups.setdefault((finding.rule, finding.title, f"{figure.study}/{figure.name}"), []).append(finding)
    for many in groups.values():
        many.sort(key=lambda f: (-_beyond_ratio(f, case.figures[f.figure]), f.figure))
    return sorted(groups.values(), key=lambda many: _ORIGINS.index(many[0].origin))


def _wrong(case: _Case, findings: Sequence[Finding]) -> list[Sentence]:
    missed = [f for f in findings if f.decision == "does not meet"]
    out: list[Sentence] = []
    now = [f for f in missed if f.origin != "standard" or (_binding(f) and case.in_force(f))]
    later = [f for f in missed if f.origin == "standard" and _binding(f) and not case.in_force(f)]
    soft = [f for f in missed if f.origin == "standard" and not _binding(f)]
    kinds: tuple[tuple[Kind, list[Finding]], ...] = (("wrong", now), ("later", later), ("yardstick", soft))
    for kind, some in kinds:
        groups = _groups(some, case)
        out += [_sentence(kind, _wrong_text(case, many), many) for many in groups[:_MOST]]
        rest = [finding for many in groups[_MOST:] for finding in many]
        if rest:
            titles = list(dict.fromkeys(f"“{f.title}”" for f in rest))
            out.append(_sentence(kind, f"Not kept either: {', '.join(titles)} ({len(rest)} findings).", rest))
    return out


def _wrong_text(case: _Case, many: Sequence[Finding]) -> str:
    worst = many[0]
    figure = case.figures[worst.figure]
    beyond = _beyond(worst, figure)
    gap = case.say(beyond, _half(figure), figure.unit, figure.name)
    if gap.endswith("%"):
        gap = f"{gap[:-1]}percentage points"
    begins = f", from {worst.applies_from} on," if not case.in_force(worst) else ""
    asks = {"claim": "the maker says", "standard": f"“{worst.title}”{begins} asks for", "house": "the tester asks for"}
    memory = ", a limit from memory" if worst.from_memory else ""
    quote = f" (“{worst.title}”)" if worst.origin != "standard" else ""
    more = ""
    if len(many) > 1:
        more = f" {len(many) - 1} more {'does' if len(many) == 2 else 'do'} not keep it."
    return (
        f"{case.name(figure)}{_where(figure)} is {case.value(figure)}; {asks[worst.origin]} {case.limit(worst)}{quote}"
        f"{memory}. That is {gap} {_SIDES[worst.sense]}; the probability that it is kept is "
        f"{_probability(worst.p_conform)}.{more}"
    )


def _open(case: _Case, findings: Sequence[Finding]) -> list[Sentence]:
    groups = _groups([f for f in findings if f.decision == "undecided"], case)
    out = []
    for many in groups[:_MOST]:
        first = many[0]
        figure = case.figures[first.figure]
        more = f"; {len(many) - 1} more like it" if len(many) > 1 else ""
        text = (
            f"{case.name(figure)}{_where(figure)} is {case.value(figure)} beside {case.limit(first)} (“{first.title}”)"
            f": kept with a probability of {_probability(first.p_conform)}, so not decided{more}."
        )
        out.append(_sentence("open", text, many))
    rest = [finding for many in groups[_MOST:] for finding in many]
    if rest:
        titles = list(dict.fromkeys(f"“{f.title}”" for f in rest))
        out.append(_sentence("open", f"Not decided either: {', '.join(titles)} ({len(rest)} findings).", rest))
    return out


def _right(case: _Case, findings: Sequence[Finding]) -> list[Sentence]:
    """Rules of which every finding that was judged is met."""
    by_rule: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        if finding.decision != "not judged":
            by_rule.setdefault((finding.origin, finding.rule, finding.title), []).append(finding)
    kept = {name: many for name, many in by_rule.items() if all(f.decision == "meets" for f in many)}
    out = []
    for origin, begin in (
        ("claim", "Claims of the maker that hold"),
        ("house", "The tester's own rules that are kept"),
    ):
        own = [many for name, many in kept.items() if name[0] == origin]
        if own:
            titles = ", ".join(f"“{many[0].title}”" for many in own)
            out.append(_sentence("right", f"{begin}: {titles}.", [f for many in own for f in many]))
    published = [many for many in kept.values() if _binding(many[0]) and case.in_force(many[0])]
    if published:
        count = sum(map(len, published))
        texts = "1 published text is" if len(published) == 1 else f"{len(published)} published texts are"
        text = f"{texts} kept in all that was measured ({count} finding{'s' if count > 1 else ''})."
        out.append(_sentence("right", text, [f for many in published for f in many]))
    return out


def _shelf(case: _Case, standings: Sequence[Standing]) -> list[Sentence]:
    out = []
    alike: list[Standing] = []
    for standing in standings:
        figure = case.figures.get(standing.figure)
        if figure is None or standing.count < 2:
            continue
        if not standing.better and not standing.worse:
            alike.append(standing)
            continue
        others = standing.count - 1
        low, high = standing.place
        place = f"place {low}" if low == high else f"place {low} to {high}"
        parts = []
        if standing.worse:
            parts.append(f"surely better than {standing.worse}")
        if standing.better:
            parts.append(f"surely worse than {standing.better}")
        text = (
            f"{standing.words}{_where(figure)}, {case.value(figure)}: {' and '.join(parts)} of {others} other "
            f"charger{'s' if others > 1 else ''} taken alike ({place} of {standing.count})."
        )
        out.append(Sentence(text, (standing.figure,), (), "shelf"))
    if alike:
        names = ", ".join(f"{s.words}{_where(case.figures[s.figure])}" for s in alike)
        text = f"Not told apart from any other charger by more than the uncertainty: {names}."
        out.append(Sentence(text, tuple(s.figure for s in alike), (), "shelf"))
    return out


def _without(unmeasured: Sequence[Claim], studies: Sequence[str]) -> list[Sentence]:
    out = []
    if unmeasured:
        claims = ", ".join(f"“{claim.words}”" for claim in unmeasured)
        out.append(Sentence(f"Claims of the maker that were not measured: {claims}.", (), (), "not measured"))
    if studies:
        named = ", ".join(title.lower() if title[1:].islower() else title for title in studies)
        out.append(Sentence(f"Nothing was measured of: {named}.", (), (), "not measured"))
    return out


# Words


def _sentence(kind: Kind, text: str, findings: Sequence[Finding]) -> Sentence:
    figures = tuple(dict.fromkeys(f.figure for f in findings))
    return Sentence(text, figures, tuple(finding_id(f) for f in findings), kind)


def _where(figure: Figure) -> str:
    text = figure.conditions.text()
    return f" ({text})" if text else ""


def _half(figure: Figure) -> float:
    if figure.upper > figure.lower:
        return (figure.upper - figure.lower) / 2
    return figure.coverage_factor * figure.u


def _beyond(finding: Finding, figure: Figure) -> float:
    """How far a value lies on the wrong side of its limit [the figure's unit]; negative on the right side."""
    sides = []
    if finding.sense in ("min", "range") and math.isfinite(finding.limit):
        sides.append(finding.limit - figure.value)
    top = finding.limit_high if finding.sense == "range" else finding.limit
    if finding.sense in ("max", "range") and math.isfinite(top):
        sides.append(figure.value - top)
    return max(sides, default=-math.inf)


def _beyond_ratio(finding: Finding, figure: Figure) -> float:
    """The same as a share of the limit, to put findings in order."""
    return _beyond(finding, figure) / max(abs(finding.limit), 1e-12)


def _probability(p: float) -> str:
    if p > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"
