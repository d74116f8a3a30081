"""Figures set against rules and against the maker's claims."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from brickbook.core.charger import Charger, Claim
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Finding
from brickbook.core.study import Settings
from brickbook.core.uncertainty import Measured
from brickbook.rules.decision import decide, number_of, probability_of_conformity
from brickbook.rules.model import Limit, Rule
from brickbook.rules.rows import Bound
from brickbook.rules.subject import contract_of, ports_of, subjects

__all__ = ["judge", "judge_claims", "unmeasured_claims", "weights"]

_INPUT_POWER = "efficiency/input_power_w"
# not shared by a harmonic and the input power it goes with
_OWN_KEYS = frozenset({"harmonic", "procedure", "reading", "voltage_end", "lowest_current"})


@dataclass(frozen=True, slots=True)
class _Draft:
    """A limit that speaks of a figure, before the decision."""

    rule: Rule
    limit: Limit
    bound: Bound
    reading: str
    notes: tuple[str, ...]
    barred: bool = False


def judge(
    figures: Sequence[Figure], rules: Sequence[Rule], charger: Charger, settings: Settings
) -> tuple[Finding, ...]:
    """Findings of each figure against each limit that speaks of it.

    A limit speaks of a figure when name, mains, procedure and conditions fit. Where a text leaves room there is a
    finding for each reading, `Finding.reading` naming it; readings that set the same number are one finding. A rule
    not yet in force has its findings too, with `applies_from`. A limit per watt of input power sets no number, and so
    has no finding, where that power was not measured. A figure's flags go into the note; a flag that begins
    with "not judged:" makes the decision "not judged".

    Parameters
    ----------
    figures
        All figures of the charger: some limits need another figure, such as the input power.
    rules
        From `load_rules` and `parse_rules`.
    settings
        `decision` is "guarded" or "simple".
    """
    by_name: dict[str, list[tuple[Rule, Limit]]] = {}
    for rule in rules:
        if not rule.mark or _bears(charger, rule.mark):
            for limit in rule.limits:
                by_name.setdefault(limit.figure, []).append((rule, limit))
    powers = [figure for figure in figures if _name(figure) == _INPUT_POWER]
    found: list[Finding] = []
    for figure in figures:
        drafts: list[_Draft] = []
        for rule, limit in by_name.get(_name(figure), ()):
            drafts += _drafts(figure, rule, limit, charger, powers)
        number = number_of(figure) if drafts else None
        if number is not None:
            found += [_finding(figure, number, draft, powers, settings) for draft in _merged(drafts)]
    return tuple(found)


def judge_claims(figures: Sequence[Figure], charger: Charger, settings: Settings) -> tuple[Finding, ...]:
    """Findings of the maker's claims against every figure that tests them.

    A claim's tolerance moves its limit to the maker's favour, and to both sides for "about", which is judged as a
    range; the note tells the claimed value. Claims that no figure tests are
    those of `unmeasured_claims`.
    """
    found = []
    for claim in charger.claims:
        low, high = _claim_range(claim)
        for figure in _tests(claim, figures):
            number = number_of(figure)
            p_conform = probability_of_conformity(number, low, high)
            finding = Finding(
                figure=figure.key,
                rule=f"claim:{claim.figure}",
                title=claim.words,
                origin="claim",
                limit=high if claim.sense == "max" else low,
                limit_high=high if claim.sense == "about" else math.nan,
                sense="range" if claim.sense == "about" else claim.sense,
                decision=decide(figure.value, p_conform, low, high, settings.decision),
                p_conform=p_conform,
                source=f"maker's claim, {claim.seen_on}",
            )
            allowed = claim.tolerance_ratio
            notes = () if allowed is None else (f"claimed {claim.value:g}, with an allowance of {100 * allowed:g} %",)
            found.append(_flagged(finding, figure.flags, notes))
    return tuple(found)


def unmeasured_claims(figures: Sequence[Figure], charger: Charger) -> tuple[Claim, ...]:
    """Claims of the maker that none of the figures tests."""
    return tuple(claim for claim in charger.claims if not _tests(claim, figures))


def _tests(claim: Claim, figures: Sequence[Figure]) -> list[Figure]:
    return [f for f in figures if _name(f) == claim.figure and f.conditions.matches(claim.when or {})]


def _claim_range(claim: Claim) -> tuple[float, float]:
    allowance = abs(claim.value) * (claim.tolerance_ratio or 0.0)
    low, high = claim.value - allowance, claim.value + allowance
    if claim.sense == "min":
        return low, math.inf
    return (-math.inf, high) if claim.sense == "max" else (low, high)


def _name(figure: Figure) -> str:
    return f"{figure.study}/{figure.name}"


def _bears(charger: Charger, numeral: str) -> bool:
    """Whether an efficiency mark with this Roman numeral was seen on the charger."""
    return any(
        mark.kind == "efficiency-level" and mark.seen and numeral in re.findall(r"\b[IVX]+\b", mark.text)
        for mark in charger.marks
    )


def _drafts(figure: Figure, rule: Rule, limit: Limit, charger: Charger, powers: Sequence[Figure]) -> Iterable[_Draft]:
    conditions = figure.conditions
    procedure = conditions.get("procedure")
    if not rule.speaks_at(conditions) or (
        rule.procedures and procedure is not None and procedure not in rule.procedures
    ):
        return
    contract = contract_of(conditions)
    known = conditions.with_(contract_v=contract[1] if contract else None)
    if not known.matches(limit.when) or not _of_its_kind(limit, contract, conditions, charger):
        return
    notes, barred = _place_note(limit, conditions)
    power = _input_power(conditions, powers) if _needs_input_power(limit) else None
    if _needs_input_power(limit):
        if power is None:
            notes, barred = (
                (*notes, "the input power is not measured here, so whether the limit applies is not known"),
                True,
            )
        elif not _powerful(limit, power.value):
            return
        elif not _powerful(limit, power.lower):  # a lower end of NaN, unknown, is not below
            notes = (
                *notes,
                f"whether the limit applies is not certain: input power {power.value:.4g} W, near its threshold",
            )
    words = rule.procedures.get(str(procedure), "")
    base = known.number(limit.times) if limit.times and limit.times in known else None
    asked = subjects(limit, rule, conditions, charger) if limit.bands else (None,)
    for subject in asked:
        bound = limit.bound(
            subject, conditions=conditions, base=base, input_power_w=None if power is None else power.value
        )
        if bound is not None:
            reading = limit.reading if subject is None else subject.reading
            joined = "; ".join(word for word in (reading, words) if word)
            yield _Draft(rule, limit, bound, joined, notes, barred)


def _of_its_kind(limit: Limit, contract: tuple[str, float] | None, conditions: Conditions, charger: Charger) -> bool:
    if limit.contract and (contract is None or contract[0] not in limit.contract):
        return False
    return not limit.connector or all(port.connector in limit.connector for port in ports_of(conditions, charger))


def _place_note(limit: Limit, conditions: Conditions) -> tuple[tuple[str, ...], bool]:
    """A note where the figure was not measured where the text wants it, and whether that bars a decision."""
    where = conditions.get("measured_at")
    if not limit.measured_at or where == limit.measured_at:
        return (), False
    if where is None and limit.elsewhere == "note":
        return (), False
    if where is None:
        return (f"the limit is for the {limit.measured_at}; where it was measured is not stated",), False
    return (f"the limit is for the {limit.measured_at}; measured at the {where}",), limit.elsewhere == "not judged"


def _needs_input_power(limit: Limit) -> bool:
    return limit.input_power_above_w is not None or limit.input_power_from_w is not None


def _powerful(limit: Limit, power_w: float) -> bool:
    """Whether a unit of this input power [W] is one the limit speaks of."""
    if limit.input_power_above_w is not None:
        return not power_w <= limit.input_power_above_w
    return limit.input_power_from_w is None or not power_w < limit.input_power_from_w


def _input_power(conditions: Conditions, powers: Sequence[Figure]) -> Figure | None:
    """The input power taken under the same conditions, as far as both state them; the highest of several."""
    own = {key: value for key, value in conditions.items() if key not in _OWN_KEYS}
    fitting = [
        figure
        for figure in powers
        if figure.conditions.matches({key: value for key, value in own.items() if key in figure.conditions})
        and all(key in figure.conditions for key in ("mains_v", "load_ratio") if key in own)
    ]
    return max(fitting, key=lambda figure: figure.value, default=None)


def _merged(drafts: Sequence[_Draft]) -> list[_Draft]:
    """Drafts of one rule and quantity that set the same number become one, its reading naming them all."""
    groups: dict[tuple[str, str, float, float], list[_Draft]] = {}
    for draft in drafts:
        key = (draft.rule.id, draft.limit.quantity, draft.bound.low, draft.bound.high)
        groups.setdefault(key, []).append(draft)
    merged = []
    for group in groups.values():
        readings = list(dict.fromkeys(draft.reading for draft in group if draft.reading))
        sources = list(dict.fromkeys(draft.rule.source_of(draft.bound) for draft in group))
        memory = next((draft.bound for draft in group if draft.bound.from_memory), group[0].bound).from_memory
        joined = readings[0] if len(readings) == 1 else " | or: ".join(readings)
        bound = replace(group[0].bound, source="; ".join(sources), from_memory=memory)
        merged.append(replace(group[0], bound=bound, reading=joined))
    return merged


def _finding(figure: Figure, number: Measured, draft: _Draft, powers: Sequence[Figure], settings: Settings) -> Finding:
    rule, limit, bound = draft.rule, draft.limit, draft.bound
    if bound.per_input_watt:
        power = _input_power(figure.conditions, powers)
        assert power is not None
        # the limit itself is measured: what counts is the difference
        p_conform = probability_of_conformity(number - number_of(power) * bound.per_input_watt, high=0.0)
    else:
        p_conform = probability_of_conformity(number, bound.low, bound.high)
    notes = draft.notes
    if bound.from_memory:
        notes = (*notes, f"limit from memory, confidence {bound.from_memory}")
    if rule.origin == "house" and limit.why:
        notes = (*notes, limit.why)
    finding = Finding(
        figure=figure.key,
        rule=rule.id,
        title=rule.title,
        origin=rule.origin,
        limit=bound.high if limit.sense == "max" else bound.low,
        limit_high=bound.high if limit.sense == "range" else math.nan,
        sense=limit.sense,
        decision="not judged"
        if draft.barred
        else decide(figure.value, p_conform, bound.low, bound.high, settings.decision),
        p_conform=p_conform,
        source=rule.source_of(bound),
        reading=draft.reading,
        market=rule.market,
        edition=rule.edition,
        applies_from=rule.applies_from,
        from_memory=bool(bound.from_memory),
    )
    return _flagged(finding, figure.flags, notes)


def _flagged(finding: Finding, flags: Sequence[str], notes: Sequence[str]) -> Finding:
    """The finding with its notes and the figure's flags; a flag may forbid a decision."""
    barred = any(flag.startswith("not judged:") for flag in flags)
    return replace(
        finding,
        note="; ".join((*notes, *flags)),
        decision="not judged" if barred else finding.decision,
    )


def weights(rules: Sequence[Rule]) -> Mapping[tuple[str, str], float]:
    """Weight of each house limit in the conclusion, by rule id and quantity; 1 where none is given."""
    return {
        (rule.id, limit.quantity): 1.0 if limit.weight is None else limit.weight
        for rule in rules
        if rule.origin == "house"
        for limit in rule.limits
    }
