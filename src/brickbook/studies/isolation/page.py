"""Isolation as shown: cautions first, then the current over the world's mains, then what the test cannot show."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Bars, Block, Caution, Cell, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import View
from brickbook.studies.isolation.barrier import floating_voltage_v, stored_charge_c, stored_energy_j
from brickbook.studies.isolation.figures import WORST
from brickbook.studies.isolation.perception import feeling
from brickbook.studies.isolation.procedure import CAN_SHOW, CANNOT_SHOW, CAUTIONS, LEVEL_WORDS

__all__ = ["page"]

_TITLE = "Isolation"
_POLARITIES = {"tied": "both pins tied", "A": "polarity A", "B": "polarity B"}
_LIMITS = (LimitLine("IEC 62368-1 ES1", 500.0), LimitLine("older standards", 250.0))
_NO_VERDICT = (
    "No statement on safety follows from this: a reading of current or resistance says nothing of spacing or of the "
    "quality of insulation, and certification, local codes and licensed practice decide."
)


def page(view: View) -> Section:
    """Cautions, expected touch current, equivalent capacitance and resistance, polarity, and the limits of the test."""
    cautions: tuple[Block, ...] = tuple(Caution(text) for text in CAUTIONS)
    if not view.figures:
        return Section("isolation", _TITLE, f"Isolation was not measured. {_NO_VERDICT}", cautions)
    expected = [f for f in view.figures if f.name == "touch_current_a"]
    blocks: list[Block] = [*cautions, *_levels(view.figures)]
    groups = {key: [f for f in expected if _key(f) == key] for key in dict.fromkeys(map(_key, expected))}
    blocks += [_chart(number, figures) for number, figures in enumerate(_shown(groups))]
    if groups:
        blocks.append(_mains_table(groups))
    blocks += _polarity(view.figures)
    blocks.append(_equivalents(view.figures))
    blocks += _measured(view.figures)
    blocks += _asides(view.figures)
    blocks.append(_reach())
    return Section("isolation", _TITLE, _lead(expected), tuple(blocks))


def _key(figure: Figure) -> tuple[str, str, str]:
    return str(figure.conditions["polarity"]), str(figure.conditions["test"]), str(figure.conditions["read_by"])


def _micro(figure: Figure) -> float:
    return 1e6 * figure.value


def _supply(figure: Figure) -> str:
    return f"{figure.conditions.number('mains_v'):g} V {figure.conditions.number('mains_hz'):g} Hz"


def _worst(figures: Sequence[Figure]) -> Figure | None:
    return max(figures, key=lambda f: f.value, default=None)


def _lead(expected: Sequence[Figure]) -> str:
    worst = _worst(expected)
    if worst is None:
        return f"No touch current could be worked out from the readings. {_NO_VERDICT}"
    return (
        f"The largest touch current expected is {_micro(worst):.0f} µA, at {_supply(worst)} with "
        f"{_POLARITIES[str(worst.conditions['polarity'])]}, worked out from a test at {worst.conditions['test']}. "
        f"{_NO_VERDICT}"
    )


def _levels(figures: Sequence[Figure]) -> list[Block]:
    """The reduced-level wording, with every level tested at."""
    levels = dict.fromkeys(str(f.conditions["test"]) for f in figures if "test" in f.conditions)
    reduced = " and ".join(level for level in levels if not level.endswith("mains"))
    return [Caution(f"{reduced}: {LEVEL_WORDS}.")] if reduced else []


def _shown(groups: dict[tuple[str, str, str], list[Figure]]) -> list[list[Figure]]:
    """Groups that get a chart: both pins tied where that was tested, else the polarity with the larger current."""
    tied = [figures for key, figures in groups.items() if key[0] == "tied"]
    if tied:
        return tied
    return [max(groups.values(), key=lambda figures: max(f.value for f in figures))] if groups else []


def _chart(number: int, figures: Sequence[Figure]) -> Chart:
    worst = _worst(figures)
    assert worst is not None
    series = []
    for hertz in sorted({f.conditions.number("mains_hz") for f in figures}):
        points = sorted(
            (f for f in figures if f.conditions.number("mains_hz") == hertz),
            key=lambda f: f.conditions.number("mains_v"),
        )
        series.append(
            Series(
                f"{hertz:g} Hz",
                tuple(f.conditions.number("mains_v") for f in points),
                tuple(map(_micro, points)),
                tuple(1e6 * (f.upper - f.value) for f in points),
            )
        )
    how = _POLARITIES[str(worst.conditions["polarity"])]
    beyond = [line.name for line in _LIMITS if _micro(worst) > np.min(line.y)]
    end = f", above {' and '.join(beyond)}" if beyond else ""
    test = str(worst.conditions["test"])
    on_mains = test.endswith("mains")
    top = max(600.0, 1.15 * max(1e6 * f.upper for f in figures))
    return Chart(
        id="isolation-touch-current" + (f"-{number + 1}" if number else ""),
        title=f"Up to {_micro(worst):.0f} µA expected, at {_supply(worst)}, {how}{end}",
        alt="Touch current expected through the standard body network over the mains voltages of the world, at 50 and "
        "60 Hz, with the limits of two standards.",
        x=Axis("mains voltage", "V", low=90.0, high=270.0),
        y=Axis("touch current, rms", "µA", low=0.0, high=top),
        series=tuple(series),
        limits=_LIMITS,
        caption=(f"Scaled from what was read at {test}." if on_mains else f"From a test at {test}, {LEVEL_WORDS}.")
        + f" The 95 % interval at the highest point is ±{1e6 * (worst.upper - worst.value):.2g} µA.",
    )


def _mains_table(groups: dict[tuple[str, str, str], list[Figure]]) -> TableBlock:
    supplies = sorted(
        {(f.conditions.number("mains_hz"), f.conditions.number("mains_v")) for many in groups.values() for f in many}
    )
    rows: list[tuple[Cell, ...]] = []
    for hertz, volts in supplies:
        cells = [
            next((f for f in many if f.conditions.matches({"mains_v": volts, "mains_hz": hertz})), None)
            for many in groups.values()
        ]
        most = max((f.upper for f in cells if f is not None), default=0.0)
        rows.append((f"{volts:g} V {hertz:g} Hz", *cells, feeling(most).words))
    several = len(groups) > len({polarity for polarity, *_ in groups})
    heads = [_head(polarity) + (f", from {test}" if several else "") for polarity, test, _ in groups]
    return TableBlock(
        "Touch current expected, rms, through the body network of IEC 60990",
        ("Mains", *heads, "What may be felt at most"),
        tuple(rows),
        align="l" + "r" * len(heads) + "l",
        note="Both pins tied is the worst case: on mains one pin is near earth. A tingle is no proof of a fault, and "
        "its absence no proof that all is well. What is felt: common practice, no source; IEC 60479-1: up to 0.5 mA "
        "(zone AC-1) usually no reaction.",
    )


def _head(polarity: str) -> str:
    words = _POLARITIES[polarity]
    return words[:1].upper() + words[1:]


def _polarity(figures: Sequence[Figure]) -> list[Block]:
    """Both ways of the plug side by side."""
    at = {"mains_v": WORST[0], "mains_hz": WORST[1]}
    both = [
        f
        for f in figures
        if f.name == "touch_current_a" and f.conditions.matches(at) and f.conditions["polarity"] in ("A", "B")
    ]
    changes = [f for f in figures if f.name == "polarity_change_a"]
    if len(both) < 2 or not changes:
        return []
    change = max(changes, key=lambda f: abs(f.value))
    certain = abs(change.value) > (change.upper - change.lower) / 2
    larger = "A" if change.value > 0 else "B"
    title = (
        f"Polarity {larger} lets {1e6 * abs(change.value):.0f} µA more through"
        if certain
        else "The way of the plug makes no difference that these readings can tell"
    )
    tests = {str(f.conditions["test"]) for f in both}
    chart = Chart(
        id="isolation-polarity",
        title=title,
        alt="Touch current expected at 264 V 60 Hz for both ways of the plug, as bars.",
        x=Axis("touch current at 264 V 60 Hz, rms", "µA", low=0.0),
        y=Axis(""),
        bars=Bars(
            tuple(
                _POLARITIES[str(f.conditions["polarity"])]
                + (f", from {f.conditions['test']}" if len(tests) > 1 else "")
                for f in both
            ),
            ("touch current",),
            (tuple(map(_micro, both)),),
            tuple(1e6 * (f.upper - f.value) for f in both),
        ),
    )
    rows: tuple[tuple[Cell, ...], ...] = tuple((str(f.conditions["test"]), f) for f in changes)
    table = TableBlock("Polarity A less polarity B, at 264 V 60 Hz", ("Read at", "Difference"), rows)
    return [chart, table]


def _equivalents(figures: Sequence[Figure]) -> TableBlock:
    """Equivalent capacitance and resistance of the barrier."""
    rows: list[tuple[Cell, ...]] = []
    for f in figures:
        if f.name not in (
            "equivalent_capacitance_f",
            "insulation_resistance_ohm",
            "insulation_resistance_at_least_ohm",
        ):
            continue
        polarity = _POLARITIES[str(f.conditions["polarity"])]
        if f.name == "equivalent_capacitance_f":
            what = f"capacitance, from the {f.conditions['taken_from']}"
        else:
            what = "resistance" if f.name == "insulation_resistance_ohm" else "resistance, at least"
        rows.append((polarity, str(f.conditions["test"]), what, f))
    return TableBlock(
        "The barrier as one capacitance and one resistance",
        ("Mains pins", "Test", "Equivalent", "Value"),
        tuple(rows),
        align="lllr",
        note="What a capacitor and a resistor side by side would be to let the same current through. On a running "
        "charger the current is no sinusoid: a capacitor behind the rectifier reads about 0.7 of itself by rms and "
        "itself by peak.",
    )


def _measured(figures: Sequence[Figure]) -> list[Block]:
    """Touch current as read on mains."""
    names = ("measured_touch_current_a", "measured_touch_current_peak_a")
    read = {(f.name, f.conditions): f for f in figures if f.name in names}
    conditions = list(dict.fromkeys(c for _, c in read))
    if not conditions:
        return []
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            _POLARITIES[str(c["polarity"])],
            f"{c.number('mains_v'):g} V {c.number('mains_hz'):g} Hz",
            str(c["read_by"]),
            *(read.get((name, c)) for name in names),
        )
        for c in conditions
    )
    head = ("Plug", "Mains", "Read by", "Rms", "Peak")
    note = "With the charger running. Where this and what is expected disagree, the reading on mains goes first."
    return [TableBlock("Touch current as read on mains", head, rows, align="lllrr", note=note)]


def _asides(figures: Sequence[Figure]) -> list[Block]:
    """What a voltmeter on the output would show, and what a DC test leaves behind."""
    tied = [f for f in figures if f.name == "equivalent_capacitance_f" and f.conditions["taken_from"] == "rms"]
    if not tied:
        return []
    largest = max(tied, key=lambda f: f.value)
    volts = floating_voltage_v(230.0, 50.0, largest.value)
    out: list[Block] = [
        Text(
            f"A voltmeter of 10 MΩ from an output to earth may read up to about {volts:.0f} V at 230 V 50 Hz. That "
            "voltage tells nothing of a hazard: what counts is the current that flows."
        )
    ]
    levels = [str(f.conditions["test"]) for f in figures if f.name.startswith("insulation_resistance")]
    if levels:
        level_v = max(float(level.split()[0]) for level in levels)
        charge, energy = stored_charge_c(largest.value, level_v), stored_energy_j(largest.value, level_v)
        out.append(
            Text(
                f"After the test at {level_v:g} V DC the barrier holds about {1e6 * charge:.2g} µC "
                f"({1e3 * energy:.2g} mJ): it is discharged through a resistor before anything is touched."
            )
        )
    return out


def _reach() -> TableBlock:
    """What the reduced level can and cannot reveal."""
    longest = max(len(CAN_SHOW), len(CANNOT_SHOW))
    rows = tuple(
        (CAN_SHOW[k] if k < len(CAN_SHOW) else "", CANNOT_SHOW[k] if k < len(CANNOT_SHOW) else "")
        for k in range(longest)
    )
    return TableBlock(
        "What a reduced level can and cannot reveal",
        ("It can reveal", "It cannot reveal"),
        rows,
        align="ll",
        note=_NO_VERDICT,
    )
