"""Sharing as shown: who shares with whom, what each gets in every combination, and how sure that is."""

from __future__ import annotations

import math

from brickbook.core.charger import Charger
from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Bars, Block, Cell, Chart, Section, TableBlock, Text
from brickbook.core.study import View
from brickbook.studies.sharing.gathering import Combination, combinations_of, inferred
from brickbook.studies.sharing.inference import CERTAIN, Inference
from brickbook.studies.sharing.words import certainty, joined, rule_words, sentence

__all__ = ["page"]

_MOST_BARS = 16


def page(view: View) -> Section:
    """Groups, a chart of who gets what, the whole table, the maker's table, and what to look at next."""
    seen = combinations_of(view.read(), view.charger) if view.figures else ()
    inference = inferred(view.charger, seen) if seen else None
    if inference is None:
        lead = "The charger has one port." if len(view.charger.ports) == 1 else "How the ports share was not looked at."
        return Section("sharing", "Sharing between ports", lead)
    blocks: list[Block] = [_chart(seen, inference, view.charger)]
    if inference.groups and not inference.contradictions and inference.explained_probability >= CERTAIN:
        blocks.append(_groups(view, inference))
        blocks.append(_effects(view.charger, seen, inference))
        blocks.append(_table(view.charger, seen, inference))
    if view.charger.sharing:
        blocks.append(_stated(view))
    blocks += [Text(_sentence(note.text)) for note in view.notes if note.severity == "warning"]
    blocks += [Text(_certainty(inference, seen))]
    return Section("sharing", "Sharing between ports", sentence(inference), tuple(blocks))


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _ports(charger: Charger) -> tuple[str, ...]:
    return tuple(port.id for port in charger.ports)


def _ordered(occupied: tuple[str, ...], charger: Charger) -> tuple[str, ...]:
    return tuple(port for port in _ports(charger) if port in occupied)


def _latest(seen: tuple[Combination, ...], charger: Charger) -> dict[tuple[str, ...], dict[str, float]]:
    """Powers seen of each combination, the last of repeats, few ports first."""
    powers: dict[tuple[str, ...], dict[str, float]] = {}
    for combination in seen:
        powers.setdefault(_ordered(combination.occupied, charger), {}).update(combination.power_w)
    ports = _ports(charger)
    return dict(sorted(powers.items(), key=lambda item: (len(item[0]), [ports.index(p) for p in item[0]])))


def _chart(seen: tuple[Combination, ...], inference: Inference, charger: Charger) -> Chart:
    powers = _latest(seen, charger)
    shown = list(powers)
    if len(shown) > _MOST_BARS:
        # the fullest say most
        shown = sorted(sorted(shown, key=len)[-_MOST_BARS:], key=lambda c: (len(c), shown.index(c)))
    ports = _ports(charger)
    values = tuple(tuple(powers[c].get(p, 0.0) for c in shown) for p in ports)
    total = sum(powers[shown[-1]].values())
    return Chart(
        id="sharing-offers",
        title=_title(inference, shown[-1], total),
        alt="Power offered to each port in use, a bar for each combination of ports in use.",
        x=Axis("power offered", "W", low=0.0),
        y=Axis("ports in use"),
        bars=Bars(tuple(" + ".join(c) for c in shown), ports, values),
        caption="As the ports said, with these ports and no others in use.",
    )


def _title(inference: Inference, fullest: tuple[str, ...], total: float) -> str:
    groups = [g for g in inference.groups if len(g.ports) > 1]
    if inference.contradictions or not inference.groups or inference.explained_probability < CERTAIN:
        return f"{total:.4g} W are offered in all with {joined(fullest)} in use"
    if not groups:
        return f"No port takes power from another; {total:.4g} W in all"
    return "; ".join(
        f"{joined(g.ports)} share {g.budget_w:.4g} W" if math.isfinite(g.budget_w) else f"{joined(g.ports)} share power"
        for g in groups
    )


def _groups(view: View, inference: Inference) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for group in inference.groups:
        name = "+".join(group.ports)
        budget = next((f for f in view.figures if f.name == "group_budget_w" and f.conditions["group"] == name), None)
        rows.append((joined(group.ports), budget, rule_words(group), certainty(group.probability)))
    head = ("Ports", "Most at once", "How it is divided", "Certainty of the group")
    return TableBlock("Which ports share", head, tuple(rows), align="lrlr")


def _effects(charger: Charger, seen: tuple[Combination, ...], inference: Inference) -> TableBlock:
    """What plugging one port in does to another, from the port alone."""
    ports = _ports(charger)
    looked = _latest(seen, charger)
    powers = {occupied: {**foretold, **looked.get(occupied, {})} for occupied, foretold in inference.power_w.items()}
    rows: list[tuple[Cell, ...]] = []
    for port in ports:
        cells: list[Cell] = [port]
        alone = powers[port,][port]
        for other in ports:
            if other == port:
                cells.append("–")
                continue
            pair = powers[_ordered((port, other), charger)][port]
            if not math.isfinite(pair):
                cells.append(None)
            elif abs(pair - alone) <= 1.0:
                cells.append("keeps")
            else:
                cells.append(f"{alone:.4g} → {pair:.4g} W")
        rows.append(tuple(cells))
    head = ("A device at", *(f"when {p} is plugged in" for p in ports))
    return TableBlock("What a second device does to the first", head, tuple(rows), align="l" + "r" * len(ports))


def _table(charger: Charger, seen: tuple[Combination, ...], inference: Inference) -> TableBlock:
    powers = _latest(seen, charger)
    ports = _ports(charger)
    rows: list[tuple[Cell, ...]] = []
    for occupied, foretold in inference.power_w.items():
        looked = powers.get(occupied)
        cells: list[Cell] = [" + ".join(occupied)]
        for port in ports:
            value = (looked or {}).get(port, foretold.get(port, math.nan))
            cells.append(
                f"{value:.4g}" if port in occupied and math.isfinite(value) else "?" if port in occupied else ""
            )
        sums = [(looked or {}).get(p, foretold[p]) for p in occupied]
        cells += [f"{sum(sums):.4g}" if all(map(math.isfinite, sums)) else "?", "seen" if looked else "foretold"]
        rows.append(tuple(cells))
    rows.sort(key=lambda row: str(row[0]).count("+"))
    head = ("Ports in use", *(f"{p} [W]" for p in ports), "Sum [W]", "")
    note = "Foretold: by the rule found, not looked at. A question mark: the rule leaves it open."
    return TableBlock("Power offered in every combination", head, tuple(rows), note=note)


def _stated(view: View) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for line in view.charger.sharing:
        together = "+".join(sorted(line.ports))
        for port, power in zip(line.ports, line.power_w, strict=True):
            ratio: Figure | None = next(
                (
                    f
                    for f in view.figures
                    if f.name == "offered_to_stated_ratio"
                    and (f.conditions["port"], f.conditions["occupied"]) == (port, together)
                ),
                None,
            )
            offered = f"{ratio.value * power:.4g} W" if ratio else None
            rows.append((" + ".join(line.ports), port, f"{power:g} W", offered, ratio))
    head = ("Ports in use", "Port", "Stated", "Offered", "Offered over stated")
    return TableBlock("The maker's sharing table", head, tuple(rows), align="llrrr")


def _certainty(inference: Inference, seen: tuple[Combination, ...]) -> str:
    looked = len({c.occupied for c in seen})
    count = max(len(inference.power_w), looked)
    parts = [f"{looked} of {count} combinations were looked at."]
    if inference.contradictions:
        return " ".join([*parts, "Readings of one combination differ, so no rule is inferred."])
    if inference.groups:
        parts.append(
            f"The groups are certain to {certainty(inference.groups_probability)}, every power of the table to "
            f"{certainty(inference.rule_probability)}, given that the charger follows a rule known to this study."
        )
        if inference.confirmed:
            many = f"{inference.confirmed} looks" if inference.confirmed > 1 else "One look"
            parts.append(f"{many} beyond those that it takes to find the rule bore it out.")
    if inference.settling:
        sets = "; ".join(" + ".join(ports) for ports in inference.settling)
        least = (
            "fewest combinations that would settle" if inference.settling_is_smallest else "combinations that settle"
        )
        parts.append(f"The {least} what is open: {sets}.")
    elif inference.next_combination:
        parts.append(f"A further look that would add most: {' + '.join(inference.next_combination)}.")
    else:
        parts.append("No further combination would tell anything that is open.")
    if inference.unconfirmed:
        parts.append(f"What {joined(inference.unconfirmed)} would have alone is the maker's word.")
    return " ".join(parts)
