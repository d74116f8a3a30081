"""Agreement of testers as shown: blocks of text, tables and charts, for the terminal and for a page."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from brickbook.core.figure import Figure
from brickbook.core.instrument import Accuracy
from brickbook.core.page import Axis, Block, Cell, Chart, LimitLine, Section, Strip, TableBlock, Text
from brickbook.library.shelf import words_of
from brickbook.library.standing import MAIN_FIGURES
from brickbook.library.testers import Account, Agreement, LikeFigure, Voice

__all__ = ["agreement_section", "agreement_sections", "figure_section", "read_with"]

_MAIN = {main.figure: rank for rank, main in enumerate(MAIN_FIGURES)}
_MOST_SHOWN = 8


def agreement_sections(found: Agreement, *, most: int = _MOST_SHOWN) -> tuple[Section, ...]:
    """All of a model: who measured what and who stands apart; then single figures, apart ones and main ones first.

    Parameters
    ----------
    found
        From `join_accounts`.
    most
        Single figures shown.
    """
    chosen = sorted(
        (f for f in found.figures if f.apart or f.torn or f"{f.study}/{f.name}" in _MAIN),
        key=lambda f: (not (f.apart or f.torn), _MAIN.get(f"{f.study}/{f.name}", len(_MAIN))),
    )
    return (agreement_section(found), *(figure_section(found, figure) for figure in chosen[:most]))


def agreement_section(found: Agreement) -> Section:
    """Testers, all their like figures, and what could not be set side by side."""
    blocks: list[Block] = [Text(_said(found)), *(Text(note) for note in found.notes), _testers(found)]
    if found.figures:
        blocks.append(_figures(found))
    if found.unlike:
        blocks.append(_unlike(found))
    blocks.append(
        Text(
            "A tester is judged by the consensus of the others, never by one they are part of. What testers have in "
            "common and do not state, such as one laboratory that calibrated all their meters, is not seen here. A "
            "consensus is no proof: it says what those who measured found."
        )
    )
    lead = f"{found.maker} {found.model}, measured by {', '.join(found.testers)}."
    return Section("agreement", f"{found.model}: {len(found.testers)} testers", lead, tuple(blocks))


def figure_section(found: Agreement, figure: LikeFigure) -> Section:
    """One figure: each tester's value, how it was taken, where it stands; and every two of them."""
    title = words_of(figure.study, figure.name)
    where = figure.conditions.text()
    accounts = found.accounts
    rows: list[tuple[Cell, ...]] = []
    for voice in figure.voices:
        for k, one in zip(voice.accounts, voice.figures, strict=True):
            first = k == voice.accounts[0]
            rows.append(
                (
                    accounts[k].tester,
                    accounts[k].sample,
                    one,
                    f"{voice.zeta:+.2f}" if first else "with the above",
                    _standing(voice) if first else "",
                    read_with(accounts[k], one),
                )
            )
    joint = figure.consensus
    together = _figure_like(figure, joint.value, joint.u)
    rows.append(("Consensus", "", together, "", joint.method, ""))
    if figure.without is not None:
        left = figure.without
        words = "Consensus without who stands apart"
        rows.append((words, "", _figure_like(figure, left.value, left.u), "", left.method, ""))
    if len(figure.voices) > 2:
        rows.append(("Robust mean", "", _figure_like(figure, figure.robust.value, figure.robust.u), "", "", ""))
    table = TableBlock(
        title,
        ("Tester", "Sample", "Value", "Zeta", "Standing", "Read with"),
        tuple(rows),
        align="lllrll",
        note="Zeta: departure from the consensus of the others over its standard uncertainty.",
    )
    blocks: list[Block] = [table]
    if len(figure.voices) > 2:
        blocks.append(_pairs(figure, accounts))
    methods = dict.fromkeys(one.method for voice in figure.voices for one in voice.figures)
    if len(methods) > 1:
        blocks.append(Text(f"Found in {len(methods)} ways: {' / '.join(methods)}"))
    blocks.append(Text(_figure_said(figure)))
    blocks.append(_chart(figure, accounts, title, where))
    taken = figure.conditions.full_text()
    return Section(
        "agreement", f"{title}{f', {where}' if where else ''}", f"Taken at: {taken}." if taken else "", tuple(blocks)
    )


def read_with(account: Account, figure: Figure) -> str:
    """Instruments behind a figure and their accuracy, that with the largest part of its uncertainty first."""
    parts = []
    for name, reference, scale in dict.fromkeys(_source(c.source) for c in figure.budget if c.kind == "B"):
        instrument = account.instruments.get(name)
        if instrument is None:
            continue
        for line in instrument.accuracy:
            if (line.reference or line.quantity) == reference and (
                line.range_max is None or _number(scale) == line.range_max
            ):
                parts.append(f"{name} {_accuracy(line)}")
                break
    return "; ".join(dict.fromkeys(parts))


def _source(source: str) -> tuple[str, str, str]:
    """Instrument, quantity and range of a source of error, "" where it is none of an instrument."""
    name, _, rest = source.partition(": ")
    quantity, _, scale = rest.partition(",")[0].partition(" ")
    return name, quantity, scale


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _accuracy(line: Accuracy) -> str:
    terms = []
    if line.percent_reading:
        terms.append(f"{line.percent_reading:g} % of reading")
    if line.percent_range:
        terms.append(f"{line.percent_range:g} % of {line.range_max:g}")
    if line.digits:
        terms.append(f"{line.digits:g} digits of {line.resolution:g}")
    if line.absolute:
        terms.append(f"{line.absolute:g}")
    return f"{line.quantity} ±({' + '.join(terms)})"


def _said(found: Agreement) -> str:
    """The finding in words, with what chance alone would show."""
    if not found.figures:
        return "Nothing can be compared."
    seen, expected = found.signals(2.0)
    text = f"{len(found.figures)} figures were taken alike by two testers or more. "
    apart = [figure for figure in found.figures if figure.apart]
    torn = [figure for figure in found.figures if figure.torn]
    parts = []
    if apart:
        who = sorted({found.accounts[k].tester for f in apart for v in f.apart for k in v.accounts})
        parts.append(f"{', '.join(who)} stand{'s' if len(who) == 1 else ''} apart in {_count(apart)}")
    if torn:
        parts.append(f"in {_count(torn)} testers differ, and which of them stands apart cannot be told")
    text += "; ".join(parts) or "In none of them does a tester stand apart from the others"
    return (
        f"{text}: judged together by Holm's method over {found.tests} departures, so that the probability of one false "
        f"signal anywhere is at most 5 %. One by one, {seen} departures have |zeta| ≥ 2, where at most about "
        f"{expected:.0f} would be expected by chance alone; figures read by one meter go astray together."
    )


def _count(figures: Sequence[LikeFigure]) -> str:
    return f"{len(figures)} figure{'' if len(figures) == 1 else 's'}"


def _testers(found: Agreement) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for k, account in enumerate(found.accounts):
        mine = [v for figure in found.figures for v in figure.voices if k in v.accounts]
        rows.append(
            (
                account.tester,
                account.sample,
                account.place,
                len(mine),
                sum(abs(voice.zeta) >= 2.0 for voice in mine),
                sum(voice.apart for voice in mine),
            )
        )
    return TableBlock(
        "Testers",
        ("Tester", "Sample", "From", "Figures compared", "|zeta| ≥ 2", "Stands apart"),
        tuple(rows),
        align="lllrrr",
    )


def _figures(found: Agreement) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for figure in found.figures:
        joint = figure.consensus
        where = figure.conditions.text()
        worst = max(figure.pairs, key=lambda pair: abs(pair.e_n))
        names = [_name(figure, k, found.accounts) for k in (worst.first, worst.second)]
        rows.append(
            (
                f"{words_of(figure.study, figure.name)}{f' ({where})' if where else ''}",
                len(figure.voices),
                _figure_like(figure, joint.value, joint.u),
                "yes" if joint.between else "no",
                f"{abs(worst.e_n):.2f}: {names[0]} and {names[1]}",
                _who(figure, found.accounts),
            )
        )
    return TableBlock(
        "Figures, those that stand apart most surely first",
        ("Figure", "Testers", "Consensus", "More scatter than stated", "Largest |E_n|", "Who stands apart"),
        tuple(rows),
        align="lrrlll",
        note="E_n: difference over its expanded uncertainty; beyond 1 for one pair in twenty by chance. More scatter "
        "than stated: chi-squared test of the weighted mean at 5 %; then the consensus carries a variance between "
        "testers.",
    )


def _unlike(found: Agreement) -> TableBlock:
    rows: list[tuple[Cell, ...]] = [
        (words_of(one.study, one.name), one.tester, one.count, one.why) for one in found.unlike
    ]
    return TableBlock(
        "Taken by one tester alone",
        ("Figure", "Tester", "How many", "What differs from the nearest of another"),
        tuple(rows),
        align="llrl",
    )


def _who(figure: LikeFigure, accounts: Sequence[Account]) -> str:
    """Who stands apart, in words; "" for nobody."""
    apart = ", ".join(_testers_of(voice, accounts) for voice in figure.apart)
    torn = " or ".join(_testers_of(voice, accounts) for voice in figure.torn)
    return "; ".join(part for part in (apart, torn and f"{torn}, which cannot be told") if part)


def _testers_of(voice: Voice, accounts: Sequence[Account]) -> str:
    return " with ".join(dict.fromkeys(accounts[k].tester for k in voice.accounts))


def _name(figure: LikeFigure, k: int, accounts: Sequence[Account]) -> str:
    return _testers_of(figure.voices[k], accounts)


def _standing(voice: Voice) -> str:
    if voice.apart:
        return "stands apart"
    if voice.torn:
        return "differs"
    return "|zeta| ≥ 2" if abs(voice.zeta) >= 2.0 else ""


def _pairs(figure: LikeFigure, accounts: Sequence[Account]) -> TableBlock:
    n = len(figure.voices)
    e_n = {(pair.first, pair.second): f"{pair.e_n:+.2f}" for pair in figure.pairs}
    names = [_name(figure, k, accounts) for k in range(n)]
    rows: list[tuple[Cell, ...]] = [
        (names[j], *(e_n.get((i, j), "") if i < j else "" for i in range(n - 1))) for j in range(1, n)
    ]
    return TableBlock("E_n of every two: the line's tester minus the column's", ("", *names[:-1]), tuple(rows))


def _figure_said(figure: LikeFigure) -> str:
    joint = figure.consensus
    if joint.between:
        between = f"{joint.between:.2g} {figure.unit}".rstrip()
        said = (
            f"The values scatter more than is stated (chi-squared {joint.chi_squared:.1f}, probability {joint.p:.1g}): "
            f"a standard deviation of {between} between testers is charged to all."
        )
    else:
        said = f"The statements explain the scatter: chi-squared {joint.chi_squared:.1f}, probability {joint.p:.2g}."
    if 2 < len(figure.voices) < 12:
        said += " The robust mean stands on few values: its uncertainty is ill known."
    return said


def _figure_like(figure: LikeFigure, value: float, u: float) -> Figure:
    """A number of all testers, to be shown as the testers' own are."""
    return Figure(
        study=figure.study,
        name=figure.name,
        value=value,
        unit=figure.unit,
        u=u,
        conditions=figure.conditions,
        method="",
        sources=(),
        lower=value - 1.96 * u,
        upper=value + 1.96 * u,
    )


def _chart(figure: LikeFigure, accounts: Sequence[Account], title: str, where: str) -> Chart:
    percent = not figure.unit and figure.name.endswith("_ratio") and "power_factor" not in figure.name
    factor, unit = (100.0, "%") if percent else (1.0, figure.unit)
    names = [_name(figure, k, accounts) for k in range(len(figure.voices))]
    labels = [name if names.count(name) == 1 else f"{name} ({k + 1})" for k, name in enumerate(names)]
    spans = [
        (
            label,
            factor * (v.value - v.expanded),
            factor * (v.value + v.expanded),
            "stands apart" if v.apart else "differs" if v.torn else "95 % interval",
        )
        for label, v in zip(labels, figure.voices, strict=True)
    ]
    value = factor * figure.consensus.value
    who = ", ".join(_testers_of(voice, accounts) for voice in figure.apart)
    torn = " or ".join(_testers_of(voice, accounts) for voice in figure.torn)
    told = f"{who} stand{'s' if len(figure.apart) == 1 else ''} apart" if who else ""
    told = "; ".join(part for part in (told, torn and f"{torn} stands apart, which cannot be told") if part)
    said = f"{title}: {told or 'nobody stands apart'}"
    words = re.sub(r"[^a-z0-9]+", "-", f"{figure.name} {where}".lower()).strip("-")
    return Chart(
        id=f"agreement-{words[:60]}",
        title=said,
        alt=f"Intervals of {len(labels)} testers beside the consensus of {value:.4g} {unit}".rstrip() + ".",
        x=Axis(title, unit),
        y=Axis("tester"),
        limits=(LimitLine("consensus", value),) if math.isfinite(value) else (),
        strip=Strip(labels, spans),
        caption="Each tester's 95 % interval; the line is the consensus of all.",
    )
