"""The cue sheet: what to tell of a charger, in order, each with its picture, its number aloud and how sure it is.

The order is a buyer's: first what the maker says and the bench does not confirm, then published limits that are not
met, those that apply only from a later day, and the tester's own rules that are not met, then what sets the charger
apart from the others of the book, what is too close to say, what the maker says and the bench confirms, the other key
figures, and last, in one line, the published limits that are met. Within a part the one furthest from its limit, as a
share of the limit, comes first. This order is a house choice: common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.figure import Decision, Figure, Finding
from brickbook.core.page import Chart
from brickbook.publish.judgements import FindingRow, decision_groups
from brickbook.publish.ledger import Ledger
from brickbook.publish.media.speech import figure_aloud, limit_aloud, number_aloud, sure_aloud
from brickbook.publish.numbers import expanded, figure_text

__all__ = ["PARTS", "Cue", "Standing", "chart_for", "cues_of", "standings"]

PARTS = {
    "claim-missed": "What the maker says, and the bench does not confirm",
    "limit-missed": "Published limits that are not met",
    "later-missed": "Published limits that will apply later, and are not met",
    "house-missed": "The tester’s own rules that are not met",
    "apart": "What sets it apart from the other chargers of this book",
    "open": "Too close to say",
    "claim-kept": "What the maker says, and the bench confirms",
    "number": "Other key figures",
    "limits-kept": "Published limits that are met",
}
_WORD = re.compile(r"[a-z0-9]+(?:\.[0-9]+)?")
_PLAIN = frozenset(
    ("a", "an", "and", "at", "by", "for", "from", "in", "is", "it", "no", "not", "of", "on", "or", "the", "to")
)


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a figure stands among those of the book's other chargers.

    Parameters
    ----------
    end
        "highest" or "lowest" of all, or "largest" or "smallest" where it is the size that counts, without the sign.
    good
        Whether that is the good end.
    of
        How many chargers have such a figure.
    next_text
        The value of the one that comes next.
    """

    end: str
    good: bool
    of: int
    next_text: str


@dataclass(frozen=True, slots=True)
class Cue:
    """One thing to tell.

    Parameters
    ----------
    part
        Key of `PARTS`.
    heading
        What it is about, with its conditions.
    show
        The number as printed, with its uncertainty.
    say
        The same aloud, with the limit.
    sure
        How sure.
    study
        Which study found it.
    chart
        Id of the chart that shows it; empty when the study has none.
    figure
        Key of the figure; empty for a cue that sums several up.
    more
        How many findings like it are not told one by one.
    """

    part: str
    heading: str
    show: str
    say: str
    sure: str
    study: str
    chart: str
    figure: str
    more: int = 0


def cues_of(
    findings: Sequence[Finding],
    headlines: Sequence[tuple[str, Figure]],
    ledger: Ledger,
    charts: Mapping[str, Sequence[Chart]],
    apart: Mapping[str, Standing] | None = None,
    *,
    last_reading: str = "",
) -> tuple[Cue, ...]:
    """What to tell of a charger, in telling order.

    Parameters
    ----------
    findings
        All of the charger.
    headlines
        Title and figure of those that sum the charger up.
    ledger
        Holds every figure a finding speaks of.
    charts
        Study to its charts, in the order of its page.
    apart
        Figure key to its standing, for those that are clearly the highest or lowest of the book.
    last_reading
        Day of the last reading, ISO 8601: texts that apply from a later day are told apart. Empty: none is.
    """
    rows = [row for group in decision_groups(findings, ledger) for rule in group.rules for row in rule.rows]
    parts: dict[str, list[Cue]] = {key: [] for key in PARTS}
    for key, origin, decision, later in (
        ("claim-missed", "claim", "does not meet", False),
        ("limit-missed", "standard", "does not meet", False),
        ("later-missed", "standard", "does not meet", True),
        ("house-missed", "house", "does not meet", False),
        ("claim-kept", "claim", "meets", False),
    ):
        own = [
            row
            for row in rows
            if row.finding.origin == origin
            and row.finding.decision == decision
            and (origin != "standard" or bool(last_reading and row.finding.applies_from > last_reading) == later)
        ]
        parts[key] = [_judged(key, many, charts) for many in _joined(own)]
    for origin in ("claim", "standard", "house"):
        own = [row for row in rows if row.finding.origin == origin and row.finding.decision == "undecided"]
        parts["open"] += [_judged("open", many, charts) for many in _joined(own)]
    for title, figure in headlines:
        standing = (apart or {}).get(figure.key)
        if standing is not None:
            parts["apart"].append(_apart(title, figure, standing, charts))
    told = {cue.figure for cues in parts.values() for cue in cues}
    parts["number"] = [_number(title, figure, charts) for title, figure in headlines if figure.key not in told]
    parts["limits-kept"] = _kept(rows)
    return tuple(cue for key in PARTS for cue in parts[key])


def chart_for(words: str, charts: Sequence[Chart]) -> str:
    """Id of the chart that shares most words with a text, the first of equals; a word many charts have counts less.

    Empty when there are no charts.
    """
    if not charts:
        return ""
    texts = [_words(_chart_text(chart)) for chart in charts]
    wanted = _words(words)
    count = {word: sum(word in text for text in texts) for word in wanted}
    scores = [sum(1.0 / count[word] for word in sorted(wanted & text)) for text in texts]
    return charts[scores.index(max(scores))].id


def standings(
    own: str, figures: Mapping[str, Figure], better: str, *, by_size: bool = False, least: int = 3
) -> Standing | None:
    """Where one charger's figure stands among those of others: only when it is clearly the highest or the lowest.

    Clearly: its 95 % interval does not touch that of the next. Errors that all chargers share, such as that of one
    meter, would let less be enough: this never makes a difference look surer.

    Parameters
    ----------
    own
        Slug of the charger.
    figures
        Slug to figure, alike; `own` among them.
    better
        "largest" or "smallest".
    by_size
        Look at the size of the value, without its sign: of a deviation, how large it is.
    least
        Fewer chargers than this are no shelf.
    """
    if len(figures) < least or own not in figures or better not in ("largest", "smallest"):
        return None
    ends = {slug: _interval(figure, by_size=by_size) for slug, figure in figures.items()}
    mine = ends[own]
    others = sorted((slug for slug in figures if slug != own), key=lambda slug: ends[slug])
    lowest, highest = others[0], max(others, key=lambda slug: (ends[slug][1], slug))
    low, high = ("smallest", "largest") if by_size else ("lowest", "highest")
    if mine[1] < ends[lowest][0]:
        return Standing(low, better == "smallest", len(figures), figure_text(figures[lowest]))
    if mine[0] > ends[highest][1]:
        return Standing(high, better == "largest", len(figures), figure_text(figures[highest]))
    return None


def _interval(figure: Figure, *, by_size: bool) -> tuple[float, float]:
    """The 95 % interval of a figure, or of its size."""
    half = expanded(figure)
    low = figure.lower if math.isfinite(figure.lower) else figure.value - half
    high = figure.upper if math.isfinite(figure.upper) else figure.value + half
    if not by_size:
        return low, high
    return (0.0 if low < 0 < high else min(abs(low), abs(high))), max(abs(low), abs(high))


def _judged(part: str, many: Sequence[FindingRow], charts: Mapping[str, Sequence[Chart]]) -> Cue:
    row = many[0]
    figure, finding = row.figure, row.finding
    heading = _heading(row.words, figure)
    begins = f", from {finding.applies_from}" if finding.applies_from else ""
    words = f"{row.words} {figure.name} {_said_conditions(figure)} {finding.title}"
    return Cue(
        part=part,
        heading=heading,
        show=f"{figure_text(figure)}; “{finding.title}” asks for {row.limit}{begins}",
        say=f"{_capital(row.words)}: {figure_aloud(figure)}. {finding.title} asks for {limit_aloud(row.limit)}.",
        sure=_capital(sure_aloud(finding.p_conform, finding.decision)),
        study=figure.study,
        chart=chart_for(words, charts.get(figure.study, ())),
        figure=figure.key,
        more=len(many) - 1,
    )


def _apart(title: str, figure: Figure, standing: Standing, charts: Mapping[str, Sequence[Chart]]) -> Cue:
    wanted = "more" if (standing.end in ("highest", "largest")) == standing.good else "less"
    place = f"the {standing.end} of {number_aloud(standing.of)} chargers on this bench, and {wanted} is better"
    return Cue(
        part="apart",
        heading=f"{_heading(title, figure)}: the {standing.end} of {standing.of}",
        show=f"{figure_text(figure)}; the next has {standing.next_text}; {wanted} is better",
        say=f"{_capital(title)}: {figure_aloud(figure)}, {place}.",
        sure="The 95 % intervals of the two do not touch",
        study=figure.study,
        chart=chart_for(f"{title} {figure.name} {_said_conditions(figure)}", charts.get(figure.study, ())),
        figure=figure.key,
    )


def _number(title: str, figure: Figure, charts: Mapping[str, Sequence[Chart]]) -> Cue:
    return Cue(
        part="number",
        heading=_heading(title, figure),
        show=figure_text(figure),
        say=f"{_capital(title)}: {figure_aloud(figure)}.",
        sure="95 % interval: of twenty such measurements nineteen hold the true value"
        if expanded(figure) > 0
        else "Counted, copied or stated: exact",
        study=figure.study,
        chart=chart_for(f"{title} {figure.name} {_said_conditions(figure)}", charts.get(figure.study, ())),
        figure=figure.key,
    )


def _kept(rows: Sequence[FindingRow]) -> list[Cue]:
    decisions: dict[str, set[Decision]] = {}
    for row in rows:
        if row.finding.origin == "standard":
            decisions.setdefault(row.finding.title, set()).add(row.finding.decision)
    met = [title for title, found in decisions.items() if found == {"meets"}]
    if not met:
        return []
    count = len(met)
    what = f"{count} published {'text is' if count == 1 else 'texts are'} met in everything that was measured"
    return [
        Cue(
            part="limits-kept",
            heading=what,
            show="; ".join(met),
            say=f"{what}. That is a measurement, not a certificate.",
            sure="Each at the probability the report gives",
            study="",
            chart="",
            figure="",
        )
    ]


def _joined(rows: Sequence[FindingRow]) -> list[list[FindingRow]]:
    """Rows by figure name and rule, the furthest on the wrong side first; the groups in the same order."""
    groups: dict[tuple[str, str], list[FindingRow]] = {}
    for row in rows:
        groups.setdefault((row.words, row.finding.title), []).append(row)
    for many in groups.values():
        many.sort(key=lambda row: (row.margin, row.figure.key))
    return sorted(groups.values(), key=lambda many: (many[0].margin, many[0].figure.key))


def _heading(words: str, figure: Figure) -> str:
    where = figure.conditions.text()
    return f"{_capital(words)} ({where})" if where else _capital(words)


def _said_conditions(figure: Figure) -> str:
    return " ".join(
        f"{v:g} v" if k.endswith("_v") and isinstance(v, float) else str(v) for k, v in figure.conditions.items()
    )


def _chart_text(chart: Chart) -> str:
    names = [*(s.name for s in chart.series), *(limit.name for limit in chart.limits)]
    if chart.bars is not None:
        names += [*chart.bars.labels, *chart.bars.parts]
    return " ".join([chart.id, chart.title, chart.alt, chart.x.label, chart.y.label, *names])


def _words(text: str) -> set[str]:
    return set(_WORD.findall(text.lower().replace("_", " ").replace("+", " "))) - _PLAIN


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
