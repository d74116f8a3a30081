"""Which columns hold which quantities."""

from __future__ import annotations

import statistics
from dataclasses import dataclass, replace

from brickbook.core.quantities import QUANTITIES, column_name, quantity_of
from brickbook.core.shape import ShapeColumn, normalise_header
from brickbook.readers.guess_time import ColumnGuess, Confidence, TimeGuess
from brickbook.readers.numbers import Marks, one_number
from brickbook.readers.units import UnitProblem, conversion, split_header
from brickbook.readers.words import Kind, Meaning, Side, meaning_of, plain_words

__all__ = ["ColumnGuess", "LongRoles", "guess_columns", "guess_long", "long_roles"]

# Above this a voltage can only be the mains: the highest voltage of USB PD is 48 V (USB PD 3.2, EPR), with tolerance
# and steps of up to 5 % it stays below 60 V.
MAINS_ABOVE_V = 60.0
_UNIT_KINDS: tuple[tuple[str, Kind], ...] = (
    ("V", "voltage"),
    ("A", "current"),
    ("Wh", "energy"),
    ("W", "power"),
    ("Hz", "frequency"),
    ("degC", "temperature"),
    ("Ohm", "resistance"),
)
_BY_KIND: dict[tuple[Kind, Side], str] = {
    ("voltage", "mains"): "mains_voltage_v",
    ("current", "mains"): "mains_current_a",
    ("power", "mains"): "mains_power_w",
    ("energy", "mains"): "mains_energy_wh",
    ("apparent", "mains"): "mains_apparent_va",
    ("power-factor", "mains"): "mains_pf",
    ("frequency", "mains"): "mains_frequency_hz",
    ("crest", "mains"): "mains_current_crest",
    ("harmonic", "mains"): "mains_harmonic_a",
    ("voltage", "port"): "port_voltage_v",
    ("current", "port"): "port_current_a",
    ("power", "port"): "port_power_w",
}
_ONLY_MAINS: tuple[Kind, ...] = ("energy", "apparent", "power-factor", "frequency", "thd", "crest", "harmonic")
_QUANTITY_WORDS = frozenset(
    [
        "quantity",
        "parameter",
        "measurement",
        "signal",
        "name",
        "grosse",
        "messgrosse",
        "grandeur",
        "magnitud",
        "item",
        "function",
        "kind",
        "measure",
    ]
)
_CHANNEL_WORDS = frozenset(["channel", "port", "kanal", "voie", "canal", "ch", "anschluss", "source"])
_VALUE_WORDS = frozenset(["value", "wert", "valeur", "valor", "reading", "messwert", "result"])
_UNIT_WORDS = frozenset(["unit", "units", "einheit", "unite", "unidad"])


@dataclass(frozen=True, slots=True)
class LongRoles:
    """Headers of a long file; channel and unit may be ""."""

    quantity: str
    channel: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class _Seen:
    """A column with all that is known of it before the sides are settled."""

    header: str
    meaning: Meaning
    unit: str
    numbers: tuple[float, ...]
    from_unit_row: bool = False
    channel_word: str = ""


def guess_columns(
    headers: list[str], units: list[str], columns: list[list[str]], time: TimeGuess, marks: Marks
) -> tuple[ColumnGuess, ...]:
    """What each column of a wide file is, the time apart."""
    seen: list[_Seen] = []
    for k, header in enumerate(headers):
        if k in time.positions:
            continue
        words, unit = split_header(header)
        numbers = tuple(x for cell in columns[k] if (x := one_number(cell, marks)) is not None)
        seen.append(_Seen(header, meaning_of(words), unit or units[k], numbers, not unit and bool(units[k])))
    guesses = _settle(seen)
    normal = [normalise_header(header) for header in headers]
    twice = {header for header in headers if normal.count(normalise_header(header)) > 1}
    return tuple(
        replace(g, column="", confidence="unsure", reason="the header stands more than once")
        if g.header in twice
        else g
        for g in guesses
    )


def long_roles(headers: list[str], columns: list[list[str]], time: TimeGuess) -> LongRoles | None:
    """The roles of a long file's columns, or `None` when the file is wide."""
    words = [set(plain_words(header).split()) for header in headers]
    free = [k for k in range(len(headers)) if k not in time.positions]

    def named(known: frozenset[str], *, text: bool) -> int | None:
        for k in free:
            wordy = any(any(c.isalpha() for c in cell) for cell in columns[k])
            if words[k] & known and (wordy or not text):
                return k
        return None

    value, unit = named(_VALUE_WORDS, text=False), named(_UNIT_WORDS, text=False)
    quantity, channel = named(_QUANTITY_WORDS, text=True), named(_CHANNEL_WORDS, text=False)
    if quantity is None and channel is not None and any(meaning_of(cell).kind for cell in columns[channel]):
        quantity, channel = channel, None
    if quantity is None or value is None or quantity == value:
        return None
    pick = [headers[k] if k is not None else "" for k in (quantity, channel, value, unit)]
    return LongRoles(*pick)


def guess_long(
    roles: LongRoles, headers: list[str], columns: list[list[str]], marks: Marks
) -> tuple[tuple[ShapeColumn, ...], tuple[ColumnGuess, ...]]:
    """The series of a long file, as far as its first rows show them."""
    at = {header: k for k, header in enumerate(headers)}
    series: dict[tuple[str, str], list[float]] = {}
    units: dict[tuple[str, str], str] = {}
    for row in zip(*columns, strict=True):
        key = (row[at[roles.quantity]], row[at[roles.channel]] if roles.channel else "")
        number = one_number(row[at[roles.value]], marks)
        series.setdefault(key, []).extend([] if number is None else [number])
        if roles.unit:
            units.setdefault(key, row[at[roles.unit]].strip("[]() "))
    seen = []
    for (word, channel), numbers in series.items():
        words, unit = split_header(word)
        meaning = meaning_of(f"{words} {_as_channel(channel)}")
        seen.append(
            _Seen(word, meaning, unit or units.get((word, channel), ""), tuple(numbers), bool(roles.unit), channel)
        )
    guesses = _settle(seen)
    shapes = tuple(
        ShapeColumn(g.header, g.column, "" if g.from_unit_row else g.unit, channel=g.channel) for g in guesses
    )
    return shapes, guesses


def _as_channel(channel: str) -> str:
    """A channel cell as words: a bare number is a channel's."""
    return f"CH{channel}" if channel.strip().isdigit() else channel


def _settle(seen: list[_Seen]) -> tuple[ColumnGuess, ...]:
    """Sides for columns whose words name none, then names, each once."""
    kinds = [_kind(column) for column in seen]
    analyser = any(kind in _ONLY_MAINS for kind in kinds)
    split = any(column.meaning.side for column in seen)
    guesses = [
        _guess(column, kind, seen, kinds, analyser=analyser and not split)
        for column, kind in zip(seen, kinds, strict=True)
    ]
    ranks = ("sure", "likely", "unsure")
    taken: dict[str, str] = {}
    for k in sorted(range(len(guesses)), key=lambda k: (not seen[k].meaning.words, ranks.index(guesses[k].confidence))):
        guess = guesses[k]
        if guess.column and guess.column in taken:
            reason = f"would be {guess.column}, which {taken[guess.column]!r} is already"
            guesses[k] = replace(guess, column="", confidence="unsure", reason=reason)
        elif guess.column:
            taken[guess.column] = guess.header
    return tuple(guesses)


def _kind(column: _Seen) -> Kind:
    """Kind by words, unless the unit speaks of another dimension; by the unit alone when the words say nothing."""
    none: Kind = ""
    by_unit = next((kind for unit, kind in _UNIT_KINDS if column.unit and _fits(column.unit, unit)), none)
    kind = column.meaning.kind
    if kind in ("thd", "crest", "power-factor", "apparent", "energy", "harmonic") or not by_unit:
        return "energy" if kind == "power" and by_unit == "energy" else kind
    if column.unit in ("VA", "kVA", "mVA"):
        return "apparent"
    return by_unit


def _fits(unit: str, wanted: str) -> bool:
    try:
        conversion(unit, wanted)
    except UnitProblem:
        return False
    return True


def _guess(column: _Seen, kind: Kind, seen: list[_Seen], kinds: list[Kind], *, analyser: bool) -> ColumnGuess:
    meaning = column.meaning
    told = f"word {' + '.join(repr(word) for word in meaning.words)}" if meaning.words else f"unit {column.unit!r}"

    def result(name: str, confidence: Confidence, reason: str, unit: str | None = None) -> ColumnGuess:
        return ColumnGuess(
            column.header,
            name,
            column.unit if unit is None else unit,
            confidence,
            reason,
            column.channel_word,
            column.from_unit_row,
        )

    if not kind or kind in ("time", "date"):
        return result("", "unsure", "no known word" if not kind else "a second time column")
    if meaning.reactive:
        return result("", "sure", "reactive power is not used")
    if meaning.statistic:
        return result("", "unsure", "a minimum, maximum or mean of something, not a reading")
    if not column.numbers:
        return result("", "unsure", f"{told}, but there are no numbers in the rows looked at")
    if kind == "temperature":
        name = "ambient_c" if meaning.ambient else column_name("temperature_c", meaning.channel or meaning.place)
        return _with_unit(result(name, "sure" if column.unit else "likely", told), column)
    if kind == "resistance":
        return _with_unit(result(column_name("resistance_ohm", meaning.channel), "likely", told), column)
    if kind == "thd":
        volts = any(
            word in ("voltage", "spannung", "u", "v", "thdu", "thdv", "vthd", "uthd") for word in _all_words(column)
        )
        name = "mains_voltage_thd_ratio" if volts else "mains_current_thd_ratio"
        return _with_unit(result(name, "likely", told), column)
    if kind == "harmonic" and not meaning.channel:
        return result("", "unsure", f"{told}, but of which order?")
    side, confidence, why = _side(column, kind, seen, kinds, analyser=analyser)
    if not side:
        return result("", "unsure", f"{told}; {why}")
    name = _BY_KIND.get((kind, side), "")
    if not name:
        return result("", "unsure", f"{told}: no such quantity on the {side} side")
    channel = meaning.channel if QUANTITIES[name].channel else ""
    if channel.startswith("CH"):
        confidence = "unsure"
        why = f"{why}; channel {channel[2:]} of the meter: say which port it is"
    elif QUANTITIES[name].channel == "port" and not channel:
        why = f"{why}; the port is the one in the file's conditions"
    return _with_unit(result(column_name(name, channel), confidence, f"{told}; {why}" if why else told), column)


def _side(
    column: _Seen, kind: Kind, seen: list[_Seen], kinds: list[Kind], *, analyser: bool
) -> tuple[Side, Confidence, str]:
    """Mains or port, how sure, and why."""
    if kind in _ONLY_MAINS:
        return "mains", "sure" if column.unit or kind in ("power-factor", "crest") else "likely", ""
    meaning = column.meaning
    if meaning.channel:
        return "port", "sure" if column.unit else "likely", f"port {meaning.channel}"
    if meaning.side:
        return meaning.side, "sure" if column.unit else "likely", f"{meaning.side} side"
    if analyser:
        return "mains", "likely", "with power factor, frequency or distortion beside it, on the mains side"
    sides = {c.meaning.side or "port" for c in seen if c.meaning.side or c.meaning.channel}
    if sides == {"mains"}:
        return "mains", "likely", "every column that names a side is on the mains side"
    volts = [c for c, k in zip(seen, kinds, strict=True) if k == "voltage" and not c.meaning.side and c.numbers]
    if len(volts) > 1:
        return "", "unsure", "several voltages, and nothing says which side this is"
    if not volts:
        return "", "unsure", "nothing says whether this is the mains or a port"
    factor = conversion(volts[0].unit, "V").factor if _fits(volts[0].unit, "V") else 1.0
    size = statistics.median(abs(x) for x in volts[0].numbers) * factor
    if size > MAINS_ABOVE_V:
        return "mains", "likely", f"the voltage is about {size:.0f} V, more than a USB port gives"
    return "port", "likely", f"the voltage is about {size:.3g} V, as a USB port gives"


def _with_unit(guess: ColumnGuess, column: _Seen) -> ColumnGuess:
    """The guess with a unit that fits, or a doubt."""
    wanted = QUANTITIES[quantity_of(guess.column)].unit
    if column.unit:
        if _fits(column.unit, wanted):
            return guess
        return replace(
            guess, column="", confidence="unsure", reason=f"{guess.reason}; but unit {column.unit!r} is no {wanted}"
        )
    if not wanted:
        if "thd" in guess.column and max(map(abs, column.numbers)) > 1.5:
            return replace(
                guess, unit="%", confidence="unsure", reason=f"{guess.reason}; no unit, too large for a ratio: %"
            )
        return guess
    worse: Confidence = "unsure" if guess.confidence == "unsure" else "likely"
    return replace(guess, unit=wanted, confidence=worse, reason=f"{guess.reason}; no unit, taken as {wanted}")


def _all_words(column: _Seen) -> list[str]:
    return plain_words(column.header).split()
