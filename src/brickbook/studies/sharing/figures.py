"""Sums offered, groups with their budgets and certainty, and the maker's sharing table held against them."""

from __future__ import annotations

import math

from brickbook.core.charger import Charger
from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure, Note
from brickbook.core.readings import figure_of
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Rows
from brickbook.core.uncertainty import Measured, exact, type_b
from brickbook.studies.sharing.gathering import Combination, combinations_of, inferred
from brickbook.studies.sharing.inference import CERTAIN, MAX_PORTS, Group, Inference
from brickbook.studies.sharing.words import certainty, joined, rule_words

__all__ = ["figures"]

STUDY = "sharing"
_CLOSE = 0.02  # a stated power and an offered one are taken as equal within this share (common practice, no source)


def figures(evidence: Evidence) -> Outcome:
    """All that can be said of how the ports share."""
    charger = evidence.charger
    seen = combinations_of(evidence.recordings, charger)
    if not seen:
        return Outcome((), (_warn("the observation sheets have no offers of this charger's ports"),))
    found = [_total(c) for c in seen if set(c.power_w) == set(c.occupied)]
    found += [f for c in seen for f in _stated(c, charger)]
    inference = inferred(charger, seen)
    if inference is None:
        text = (
            "one port has nothing to share"
            if len(charger.ports) < 2
            else (f"sharing is inferred for up to {MAX_PORTS} ports, this charger has {len(charger.ports)}")
        )
        return Outcome(tuple(found), (Note(STUDY, "info", text),))
    found += _inferred(inference, seen)
    return Outcome(tuple(found), tuple(_notes(inference, charger)))


def _total(combination: Combination) -> Figure:
    at = Conditions.of(occupied=combination.together, ports_in_use=len(combination.occupied))
    total = exact(sum(combination.power_w.values()))
    return _figure("total_offered_power_w", total, "W", at, "sum of the powers offered", combination.rows)


def _stated(combination: Combination, charger: Charger) -> list[Figure]:
    """Offered power over that of the maker's sharing table, for each port of a line that was looked at."""
    out = []
    for line in charger.sharing:
        if set(line.ports) != set(combination.occupied):
            continue
        for port, power in zip(line.ports, line.power_w, strict=True):
            if port in combination.power_w:
                at = Conditions.of(port=port, occupied=combination.together)
                offered = combination.power_w[port]
                method = f"{offered:.4g} W offered over {power:g} W of the maker's sharing table"
                out.append(_figure("offered_to_stated_ratio", exact(offered / power), "", at, method, combination.rows))
    return out


def _inferred(inference: Inference, seen: tuple[Combination, ...]) -> list[Figure]:
    rows = tuple(r for c in seen for r in c.rows)
    flags = _flags(inference)
    method = "enumeration of divisions into groups and of rules, weighed by what each leaves free"
    all_of = Conditions.of(combinations=len({c.occupied for c in seen}))
    out = [
        _figure("groups_certainty_ratio", exact(inference.groups_probability), "", all_of, method, rows, flags),
        _figure("rule_certainty_ratio", exact(inference.rule_probability), "", all_of, method, rows, flags),
    ]
    for group in inference.groups:
        if math.isfinite(group.budget_w):
            # each power may be off by its rounding, all of them to one side
            half = sum(max((c.tolerance_w.get(p, 0.0) for c in seen), default=0.0) for p in group.ports)
            budget = type_b(group.budget_w, half, f"rounding of powers offered to {'+'.join(group.ports)}")
            at = Conditions.of(group="+".join(group.ports))
            told = (*flags, *_unsure(group))
            text = f"most that the group is offered at once; {rule_words(group)}"
            out.append(_figure("group_budget_w", budget, "W", at, text, rows, told))
    return out


def _flags(inference: Inference) -> tuple[str, ...]:
    if inference.contradictions:
        return ("not judged: readings contradict each other",)
    return () if inference.explained_probability >= CERTAIN else ("not judged: no rule of the family explains it",)


def _unsure(group: Group) -> tuple[str, ...]:
    return () if group.probability >= CERTAIN else (f"group certain to {certainty(group.probability)} only",)


def _notes(inference: Inference, charger: Charger) -> list[Note]:
    out = [_warn(text) for text in inference.contradictions]
    if not inference.contradictions and inference.explained_probability < CERTAIN:
        out.append(
            _warn(
                "no rule of the family explains what was seen (certainty that one does: "
                f"{certainty(inference.explained_probability)}); the powers of combinations not looked at are not known"
            )
        )
    if inference.next_combination and not inference.contradictions:
        out.append(Note(STUDY, "info", f"look next at {joined(inference.next_combination)} in use"))
    if inference.settling:
        sets = ", ".join("+".join(ports) for ports in inference.settling)
        least = (
            "the smallest set of combinations that settles"
            if inference.settling_is_smallest
            else ("combinations that settle")
        )
        out.append(Note(STUDY, "info", f"{least} what is open: {sets}"))
    if inference.unconfirmed:
        text = f"power alone taken from the maker's word, not looked at: {joined(inference.unconfirmed)}"
        out.append(Note(STUDY, "info", text))
    return out + _against_budgets(inference, charger)


def _against_budgets(inference: Inference, charger: Charger) -> list[Note]:
    """The maker's budgets against the groups found."""
    out: list[Note] = []
    if inference.contradictions or inference.groups_probability < CERTAIN:
        return out
    groups = {frozenset(g.ports): g for g in inference.groups}
    for stated in charger.budgets:
        name = f"budget {stated.name!r}" if stated.name else "budget"
        group = groups.get(frozenset(stated.ports))
        if group is None:
            together = [joined(g.ports) for g in inference.groups if set(g.ports) & set(stated.ports)]
            out.append(
                _warn(
                    f"the maker's {name} of {joined(stated.ports)} was not found: the groups are {'; '.join(together)}"
                )
            )
        elif math.isfinite(group.budget_w) and abs(group.budget_w - stated.power_w) > _CLOSE * stated.power_w:
            less = "less" if group.budget_w < stated.power_w else "more"
            out.append(
                _warn(
                    f"the most that {joined(stated.ports)} {'is' if len(stated.ports) == 1 else 'are'} offered is "
                    f"{group.budget_w:.4g} W, {less} than the {stated.power_w:g} W of the maker's {name}"
                )
            )
    return out


def _warn(text: str) -> Note:
    return Note(STUDY, "warning", text)


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    sources: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    return figure_of(
        measured,
        study=STUDY,
        name=name,
        unit=unit,
        conditions=conditions,
        method=method,
        sources=sources,
        flags=flags,
    )
