"""Comparison as shown: blocks of text, tables and charts, for the terminal and for a page."""

from __future__ import annotations

import numpy as np

from brickbook.core.conditions import describe_condition
from brickbook.core.page import Axis, Bars, Block, Cell, Chart, Section, Series, Strip, TableBlock, Text
from brickbook.library.comparing import Comparison
from brickbook.library.pareto import Front
from brickbook.library.retest import Change, Retest
from brickbook.library.shelf import Shelf, better_end, words_of
from brickbook.library.standing import places

__all__ = ["front_section", "left_out", "retest_section", "shelf_chart", "shelf_order", "shelf_section", "shelf_table"]

_MOST_BARS = 40
_SHOWN = 25
_MOST_NAMED = 200  # chargers, beyond which those left out are not listed


def shelf_section(shelf: Shelf, comparison: Comparison, *, against: str = "") -> Section:
    """One figure over the shelf. The first table's rows are in the order of `shelf_order`."""
    order = shelf_order(shelf, comparison)
    blocks: list[Block] = [shelf_table(shelf, comparison, order), Text(_how(shelf, comparison, against))]
    chart = shelf_chart(shelf, comparison, order)
    if chart is not None:
        blocks.append(chart)
    if len(order) >= 8:
        blocks.append(_distribution(shelf))
    blocks.append(_spread(shelf, comparison))
    blocks += left_out(shelf)
    lead = shelf.conditions.full_text()
    return Section("comparison", shelf.words, f"All chargers: {lead}." if lead else "All chargers.", tuple(blocks))


def shelf_order(shelf: Shelf, comparison: Comparison) -> list[int]:
    """Indices of the shelf as shown: the good end first."""
    order = [int(k) for k in comparison.order]
    return order[::-1] if better_end(shelf.name) == "largest" else order


def shelf_table(shelf: Shelf, comparison: Comparison, order: list[int]) -> TableBlock:
    """Place, value and neighbours of each charger, in this order."""
    end = better_end(shelf.name)
    above, below = ("Surely better ones", "Surely worse ones") if end else ("Surely smaller ones", "Surely larger ones")
    first, last = (comparison.more, comparison.fewer) if end == "largest" else (comparison.fewer, comparison.more)
    rows: list[tuple[Cell, ...]] = []
    place = places(shelf, comparison)
    for k in order:
        low, high = place[k]
        entry = shelf.entries[k]
        rows.append(
            (
                f"{low}" if low == high else f"{low} to {high}",
                entry.title,
                entry.figure,
                int(first[k]),
                int(last[k]),
                _own_words(shelf, k),
            )
        )
    return TableBlock(
        shelf.words,
        ("Place", "Charger", "Value", above, below, "Taken at"),
        tuple(rows),
        align="llrrrl",
        note="A place is an interval: a charger stands somewhere in it. All hold together with 95 % probability.",
    )


def _own_words(shelf: Shelf, index: int) -> str:
    entry = shelf.entries[index]
    at = entry.figure.conditions
    words = [describe_condition(key, at[key]) for key in ("contract", "port", "ports") if key in at]
    if "contract" in at and "ports" in at:
        words = [str(at["contract"])]
    if entry.others:
        words.append(f"{entry.others} more taken alike")
    return ", ".join(words)


def _how(shelf: Shelf, comparison: Comparison, against: str) -> str:
    n = len(shelf.items)
    if n == 1:
        return "One charger alone: there is nothing to compare it with."
    common = sorted({source.rpartition("\0")[2] for source in shelf.items.common})
    meters = (
        f" Errors that figures have in common are taken off their difference: {'; '.join(common)}." if common else ""
    )
    what = f"with {against}" if against else "with each other"
    way = (
        "by Holm's method on all pairs" if comparison.way == "pairs" and not against
        else "by Holm's method" if comparison.way == "pairs"
        else "by intervals that hold jointly"
    )  # fmt: skip
    size = " Compared by size, without the sign." if shelf.by_size else ""
    return (
        f"{n} chargers compared {what}, {comparison.tests} differences. Two are called different only when that is "
        f"larger than the uncertainty of their difference, {way}: the probability of one false difference anywhere is "
        f"at most {100 * comparison.level:g} %.{meters}{size} One sample of each was measured: what another sample of "
        "the same model would show is not known."
    )


def shelf_chart(shelf: Shelf, comparison: Comparison, order: list[int]) -> Chart | None:
    """The chargers as bars, or where all are far from zero as intervals; `None` for one charger or too many."""
    n = len(order)
    if not 2 <= n <= _MOST_BARS:
        return None
    # repeated titles would fall on one row
    titles = [shelf.entries[k].title for k in order]
    labels = [
        t if titles.count(t) == 1 else f"{t} ({shelf.entries[k].charger})" for t, k in zip(titles, order, strict=True)
    ]
    factor, unit = _shown(shelf)
    values = [factor * float(shelf.items.value[k]) for k in order]
    half = [1.96 * factor * float(comparison.u_apart[k]) for k in order]
    title = _finding(shelf, comparison, labels)
    alt = f"{n} chargers from {labels[0]} to {labels[-1]}, from {values[0]:.4g} to {values[-1]:.4g} {unit}".rstrip()
    caption = "The 95 % intervals hold what is each charger's own; what all have in common is left out."
    axis = Axis(shelf.words, unit)
    if min(values) > 0.5 * max(values) > 0.0:
        # bars begin at zero, where all would look alike; an interval narrower than can be seen is drawn wider
        least = 0.002 * (max(values) - min(values))
        spans = [
            (label, value - max(h, least), value + max(h, least), "95 % interval")
            for label, value, h in zip(labels, values, half, strict=True)
        ]
        return Chart("comparison-bars", title, alt, axis, Axis("charger"), strip=Strip(labels, spans), caption=caption)
    bars = Bars(labels, (shelf.words,), (values,), u=half)
    return Chart("comparison-bars", title, alt, axis, Axis("charger"), bars=bars, caption=caption)


def _finding(shelf: Shelf, comparison: Comparison, labels: list[str]) -> str:
    """What the chart shows: who is surely first, or how many may be."""
    place = places(shelf, comparison)
    n = len(place)
    pairs, sure = n * (n - 1) // 2, int(comparison.fewer.sum())
    told = f"{sure} of {pairs} pairs surely differ"
    if not better_end(shelf.name):
        return f"{shelf.words}: {told}"
    first = sum(low == 1 for low, _ in place)
    leader = f"{labels[0]} is surely the best" if first == 1 else f"{first} of {n} may be the best"
    return f"{shelf.words}: {leader}; {told}"


def _shown(shelf: Shelf) -> tuple[float, str]:
    """Factor and unit of an axis: ratios in per cent, save a power factor."""
    percent = not shelf.unit and shelf.name.endswith("_ratio") and "power_factor" not in shelf.name
    return (100.0, "%") if percent else (1.0, shelf.unit)


def _distribution(shelf: Shelf) -> Chart:
    factor, unit = _shown(shelf)
    values = factor * np.sort(shelf.items.value)
    share = np.arange(1, len(values) + 1) / len(values)
    return Chart(
        id="comparison-distribution",
        title=f"{shelf.words}: half of {len(values)} chargers are below {np.median(values):.4g} {unit}".rstrip(),
        alt=f"Share of chargers at or below each value, rising from {values[0]:.4g} to {values[-1]:.4g}.",
        x=Axis(shelf.words, unit),
        y=Axis("share of chargers at or below", low=0.0, high=1.0),
        series=(Series(shelf.words, tuple(map(float, values)), tuple(map(float, share)), style="step"),),
    )


def _spread(shelf: Shelf, comparison: Comparison) -> Block:
    s = comparison.spread
    unit = f" [{shelf.unit}]" if shelf.unit else ""
    rows: list[tuple[Cell, ...]] = [
        ("Chargers", s.count),
        (f"Smallest{unit}", s.smallest),
        (f"Lower quartile{unit}", s.lower_quartile),
        (f"Median{unit}", s.median),
        (f"Upper quartile{unit}", s.upper_quartile),
        (f"Largest{unit}", s.largest),
        (f"Standard deviation of the values{unit}", s.s),
        (f"Typical standard uncertainty of one, common errors apart{unit}", s.u),
        (f"Standard deviation of the chargers themselves{unit}", s.beyond_measurement),
    ]
    return TableBlock("How the shelf is spread", ("", "Value"), tuple(rows))


def left_out(shelf: Shelf, *, most: int | None = None) -> list[Block]:
    """What was taken otherwise, at most so many ways of it, and who has no such figure."""
    blocks: list[Block] = []
    others = [g for g in shelf.groups if g.why_not]
    if others:
        shown = others[:most]
        rows: list[tuple[Cell, ...]] = [(g.conditions.full_text(), g.chargers, g.why_not) for g in shown]
        rest = len(others) - len(shown)
        blocks.append(
            TableBlock(
                "Taken otherwise, and not comparable with these",
                ("Taken at", "Chargers", "What differs"),
                tuple(rows),
                align="lrl",
                note=f"And in {rest} more ways." if rest else "",
            )
        )
    if shelf.without:
        named = ", ".join(shelf.without[:_SHOWN])
        more = f" and {len(shelf.without) - _SHOWN} more" if len(shelf.without) > _SHOWN else ""
        blocks.append(Text(f"Not measured so: {named}{more}."))
    return blocks


def front_section(
    shelves: tuple[Shelf, ...], titles: tuple[str, ...], rows: tuple[tuple[int, ...], ...], front: Front
) -> Section:
    """Several figures at once: a scatter of the first two, and who is on the front.

    Parameters
    ----------
    shelves
        One for each figure.
    titles
        Of the chargers that have all figures.
    rows
        For each of them, its index on each shelf.
    front
        Of these chargers.
    """
    every = (
        list(dict.fromkeys(e.title for shelf in shelves for e in shelf.entries)) if len(titles) <= _MOST_NAMED else []
    )
    without = [title for title in every if title not in titles]
    order = sorted(range(len(titles)), key=lambda k: (front.standing[k] == "beaten", front.standing[k] == "perhaps"))
    table: list[tuple[Cell, ...]] = []
    for k in order:
        by = front.beaten_by[k]
        figures = [shelf.entries[rows[k][s]].figure for s, shelf in enumerate(shelves)]
        table.append((titles[k], front.standing[k], *figures, titles[by] if by is not None else ""))
    head = ("Charger", "Standing", *(shelf.words for shelf in shelves), "Beaten in all by")
    x, y = shelves[0], shelves[1]
    names = ("on the front", "perhaps", "beaten")
    series = []
    for name in names:
        chosen = [k for k in range(len(titles)) if front.standing[k] == name]
        if chosen:
            series.append(_cloud(name, x, y, [rows[k] for k in chosen]))
    on = sum(s == "on the front" for s in front.standing)
    chart = Chart(
        id="comparison-front",
        title=f"{on} of {len(titles)} chargers are beaten in all figures by none",
        alt=f"Scatter of {y.words} over {x.words} for {len(titles)} chargers.",
        x=Axis(x.words, _shown(x)[1]),
        y=Axis(y.words, _shown(y)[1]),
        series=tuple(series),
    )
    text = Text(
        "A charger is beaten when another is surely at least as good in every figure; it is on the front when surely "
        "none is; perhaps, when the uncertainty leaves it open. What all chargers' figures have in common is left out."
        + (f" Without one of these figures, and not here: {', '.join(without)}." if without else "")
    )
    blocks: tuple[Block, ...] = (
        TableBlock("Who is beaten in all of these", head, tuple(table), align="ll" + "r" * len(shelves) + "l"),
        text,
        chart,
    )
    return Section("comparison-front", "Several figures at once", "", blocks)


def _cloud(name: str, x: Shelf, y: Shelf, rows: list[tuple[int, ...]]) -> Series:
    """Points without a line: a gap after each."""
    gap = float("nan")
    along, upward = _shown(x)[0], _shown(y)[0]
    across, up, half = [], [], []
    for row in rows:
        across += [along * float(x.items.value[row[0]]), gap]
        up += [upward * float(y.items.value[row[1]]), gap]
        half += [1.96 * upward * y.entries[row[1]].figure.u, 0.0]
    return Series(name, across[:-1], up[:-1], half[:-1])


def retest_section(first: str, second: str, found: Retest) -> Section:
    """Two samples of one model: a row for each kind of figure, with the one that differs most surely."""
    kinds: dict[tuple[str, str], list[Change]] = {}
    for change in found.changes:  # the surest difference first
        kinds.setdefault((change.first.study, change.first.name), []).append(change)
    rows: list[tuple[Cell, ...]] = []
    for (study, name), changes in sorted(kinds.items(), key=lambda item: not item[1][0].difference.different):
        surest = changes[0]
        where = surest.first.conditions.text()
        count = sum(change.difference.different for change in changes)
        rows.append(
            (
                f"{words_of(study, name)}{f' ({where})' if where else ''}",
                surest.first,
                surest.second,
                f"{surest.difference.e_n:.2f}" if np.isfinite(surest.difference.e_n) else "—",
                f"{count} of {len(changes)} differ" if count else "no difference shown",
            )
        )
    different = found.different
    said = (
        f"{len(different)} of {len(found.changes)} figures differ"
        if different
        else f"none of {len(found.changes)} figures shows a difference"
    )
    text = Text(
        f"Between {first} and {second} {said}, counted so that the probability of one false difference in the list is "
        "at most 5 %. Samples of one production differ as well: two samples alone do not tell whether the maker has "
        "changed the model. "
        f"Figures that only one of them has: {len(found.only_first)} and {len(found.only_second)}."
    )
    head = ("Figure, where it differs most surely", first, second, "E_n", "Of its kind")
    table = TableBlock("Kind by kind", head, tuple(rows), align="lrrrl")
    return Section("comparison-samples", f"{first} and {second}", "", (text, table))
