"""New files of a book, with every key explained in a comment.

A line that begins with "# " is words. A line that begins with "#" and a key is a key that is not in use: taking the
"#" away puts it in use.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import MISSING, fields
from typing import Any

import tomlkit

from brickbook.book._words import WORDS
from brickbook.book._write import inline
from brickbook.book.settings import BenchLimits, BookSettings, PublishSettings
from brickbook.core.charger import (
    Budget,
    Charger,
    Claim,
    Mark,
    Nameplate,
    Output,
    Port,
    Price,
    Sample,
    SharedOutput,
)
from brickbook.core.instrument import Accuracy, Instrument
from brickbook.core.study import Mains

__all__ = ["bench_text", "book_text", "charger_text", "house_rules_text", "ignore_text", "shapes_text"]

_HOW = (
    'A line that begins with "# " is words. A line such as "#key = value" is a key that is not in use: take the "#" '
    "away to use it. Leave out what is not known."
)

_HOUSE_RULE = (
    "#[[rule]]",
    '#id = "house-no-load"',
    '#title = "Little power when nothing is plugged in"',
    "#[[rule.limit]]",
    '#figure = "standby/no_load_power_w"',
    '#quantity = "no_load_power"',
    '#sense = "max"',
    "#value = 0.1",
    "#weight = 1.0",
    '#why = "A charger sits in the wall all year."',
)
_CONCLUSION = (
    "#[conclusion]",
    "#recommend_from_ratio = 0.85",
    "#advise_against_below_ratio = 0.5",
    "#published_limits_weight = 3.0",
    "#claim_weight = 1.0",
)
_BUYER = (
    "#[[buyer]]",
    '#who = "someone with one phone"',
    '#why = "Most phones take 20 to 25 W."',
    '#rules = ["house-no-load"]',
    "#[[buyer.device]]",
    '#name = "phone"',
    "#power_w = 20.0",
    "#most_voltage_v = 9.5",
    "#cable = { length_m = 1.0, gauge_awg = 24 }",
)


def book_text(settings: BookSettings) -> str:
    """A book.toml."""
    lines = [*_words("The bench book: who publishes it, and what all its chargers have in common."), *_words(_HOW), ""]
    names = ("title", "publisher", "licence", "currency", "energy_price_per_kwh", "decision")
    lines += _keys(BookSettings, settings, names)
    lines += ["", *_words(WORDS[BookSettings]["mains"][1])]
    for place, mains in enumerate(settings.mains):
        lines += ["", "[[mains]]", *_keys(Mains, mains, explain=place == 0)]
    used = settings.publish != PublishSettings()
    lines += ["", *_words(WORDS[BookSettings]["publish"][1]), "[publish]" if used else "#[publish]"]
    lines += _keys(PublishSettings, settings.publish if used else None)
    return _joined(lines)


def bench_text(instruments: Mapping[str, Instrument]) -> str:
    """A bench.toml."""
    lines = [
        *_words("The bench: one [instruments.<name>] for each instrument; raw files name them by that name."),
        *_words(_HOW),
        "",
    ]
    for name, instrument in instruments.items():
        lines += _instrument(tomlkit.key([name]).as_string() if name else '""', instrument)
    lines += _instrument("wall-meter", None)
    lines += [*_words("What this bench must never exceed, whatever is planned."), "[limits]", *_keys(BenchLimits, None)]
    return _joined(lines)


def charger_text(charger: Charger | None, *, name: str = "", maker: str = "", model: str = "") -> str:
    """A charger.toml: of a charger, or with blanks to be filled in."""
    lines = [*_words("What the charger is, and what its maker claims for it."), *_words(_HOW)]
    if charger is None:
        lines += _words('What is left empty below ("") must be filled in.')
    simple = ("name", "maker", "model", "form", "prongs", "detachable_cable", "summary")
    given: Any = charger or _Blank(name=name, maker=maker, model=model)
    lines += ["", *_keys(Charger, given, simple)]
    nameplate, sample = (charger.nameplate, charger.sample) if charger else (_Blank(), _Blank())
    lines += _section("nameplate", Nameplate, [nameplate], ordered=False)
    lines += _section("sample", Sample, [sample], ordered=False)
    lines += _section("price", Price, [charger.price] if charger and charger.price else [], ordered=False)
    lines += _section("ports", Port, list(charger.ports) if charger else [_Blank(id="C1", connector="usb-c")])
    lines += _section("budgets", Budget, list(charger.budgets) if charger else [])
    lines += _section("sharing", SharedOutput, list(charger.sharing) if charger else [])
    lines += _section("claims", Claim, list(charger.claims) if charger else [])
    lines += _section("marks", Mark, list(charger.marks) if charger else [])
    return _joined(lines)


def house_rules_text() -> str:
    """A house-rules.toml without rules: what may stand in it, as examples that are not in use."""
    return _joined(
        [
            *_words("House rules: the tester's own thresholds and opinions. None so far."),
            *_words(_HOW),
            "",
            *_words("A threshold, in the same form as the published limits; weight: how much it counts below."),
            *_HOUSE_RULE,
            "",
            *_words(
                "How all this weighs in the drafted conclusion. Shares of the weight: from which to recommend, and "
                "below which to advise against; then the weight of the published limits in force, all together, and of "
                "each claim of the maker. Without [conclusion] there is no overall judgement."
            ),
            *_CONCLUSION,
            "",
            *_words(
                "For whom a charger may be worth buying: devices that hang on it at once, and house rules that must be "
                "kept for this buyer. A [[buyer.device]] for each device, a [[buyer]] for each buyer."
            ),
            *_BUYER,
        ]
    )


def shapes_text() -> str:
    """A shapes.toml without shapes."""
    return _joined(
        _words(
            "How the columns of meter logs are to be understood: one [[shape]] for each family of files, written when "
            "a file of a new family is imported, and used for every later one. None so far."
        )
    )


def ignore_text() -> str:
    """What version control should leave out: what can be made again, and locks."""
    return "/derived/\n.lock\n.shapes.lock\n.bench*.lock\n.brickbook-*.part\n"


class _Blank:
    """Stands for an object that is not there yet; holds what is known of it."""

    def __init__(self, **known: Any) -> None:
        self.__dict__.update({key: value for key, value in known.items() if value})


def _words(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(text, 110, break_long_words=False, break_on_hyphens=False)]


def _keys(cls: type, item: Any, names: tuple[str, ...] = (), *, explain: bool = True) -> list[str]:
    """The keys of a table: those that are given or needed, the others as an example that is not in use."""
    lines = []
    known = {field.name: field for field in fields(cls)}
    for field in (known[name] for name in names or known):
        example, words = WORDS[cls][field.name]
        if field.name == "outputs":
            lines += _outputs(item, explain=explain)
            continue
        default = field.default_factory() if field.default_factory is not MISSING else field.default
        value = getattr(item, field.name, MISSING)
        line = ""
        if value not in (MISSING, None) and (value != default or default is MISSING):
            line = f"{field.name} = {inline(value)}"
        elif default is MISSING and item is not None:
            line = f'{field.name} = ""'
        elif explain:
            line = f"#{field.name} = {example}"
        if explain:
            lines += _words(words)
        lines += [line] if line else []
    return lines


def _outputs(port: Any, *, explain: bool) -> list[str]:
    lines = []
    if explain:
        lines += _words(WORDS[Port]["outputs"][1])
        for key, (_, words) in WORDS[Output].items():
            lines += _words(f"{key}: {words}")
    if port is None:
        return [*lines, '#outputs = [{ kind = "fixed", voltage_v = 5.0, current_a = 3.0 }]']
    lines.append("outputs = [")
    if explain:
        lines.append('#{ kind = "fixed", voltage_v = 5.0, current_a = 3.0 },')
        lines.append('#{ kind = "pps", min_voltage_v = 3.3, max_voltage_v = 11.0, current_a = 3.0 },')
    lines += [f"  {inline(output)}," for output in getattr(port, "outputs", ())]
    return [*lines, "]"]


def _section(name: str, cls: type, items: list[Any], *, ordered: bool = True) -> list[str]:
    header = f"[[{name}]]" if ordered else f"[{name}]"
    lines = ["", *_words(WORDS[Charger][name][1])]
    if not items:
        return [*lines, f"#{header}", *_keys(cls, None)]
    for place, item in enumerate(items):
        lines += [*([""] if place else []), header, *_keys(cls, item, explain=place == 0)]
    return lines


def _instrument(name: str, instrument: Instrument | None) -> list[str]:
    off = "" if instrument else "#"
    names = ("role", "description", "serial", "calibrated", "due")
    lines = [] if instrument else _words("An example:")
    lines += [f"{off}[instruments.{name}]", *_keys(Instrument, instrument, names, explain=instrument is None)]
    if instrument is None:
        lines += [*_words(WORDS[Instrument]["accuracy"][1]), "#[[instruments.wall-meter.accuracy]]"]
        return [*lines, *_keys(Accuracy, None), ""]
    if instrument.accuracy:
        lines += ["accuracy = [", *(f"  {inline(line)}," for line in instrument.accuracy), "]"]
    return [*lines, ""]


def _joined(lines: list[str]) -> str:
    return "\n".join(lines).rstrip("\n") + "\n"
