"""`brickbook choose`: the best use of each charger for a person's devices, and which chargers suffice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter
from rich.table import Table
from rich.text import Text

from brickbook.analysis import load
from brickbook.book import Book
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json, wanted
from brickbook.core.charger import Charger
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure
from brickbook.core.uncertainty import Measured
from brickbook.library.choosing import Interruption, Placed, Use, best_use, yearly_energy_kwh
from brickbook.library.devices import read_devices
from brickbook.library.offers import offer_of
from brickbook.publish.numbers import figure_text, value_text

__all__ = ["choose"]

_SHARING = {
    "alone": "one device alone",
    "measured": "powers of the ports as offered when looked at",
    "claimed table": "powers of the ports by the maker's table, not measured",
    "claimed budgets": "budgets by the maker's word, divided as is best; how the charger divides them is not measured",
    "total only": "only the nameplate's total is known; how the charger divides it is not measured",
}


@dataclass(frozen=True, slots=True)
class _Choice:
    """A charger and its best use."""

    slug: str
    charger: Charger
    use: Use
    volume: Figure | None
    energy: Measured | None
    price_per_kwh: float | None
    currency: str

    @property
    def cost(self) -> Measured | None:
        """Of its energy in a year [currency]."""
        return None if self.energy is None or self.price_per_kwh is None else self.energy * self.price_per_kwh


def choose(
    devices: Annotated[Path, Parameter(help="TOML file of the devices.")],
    /,
    *,
    charger: Annotated[list[str] | None, Parameter(help="Only this charger; may be given again.", negative="")] = None,
    mains_v: Annotated[float | None, Parameter(help="Mains voltage for energy and cost [V].")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Choose a charger for a set of devices.

    For each charger the best assignment of devices to ports is found, from its measured voltages and powers; where
    something was not measured the maker's claim is taken, and said so.
    """
    try:
        text = devices.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise BookError(
            Fault(str(devices), "", f"cannot be read: {reason}.", "Name the file of your devices.")
        ) from error
    listed = read_devices(text, str(devices))
    opened = open_book(book)
    choices, missing = [], []
    for slug in wanted(opened, charger or ()):
        try:
            figures: Sequence[Figure] = load(opened, slug).figures
        except BookError:
            figures = ()
            missing.append(slug)
        choices.append(_choice(opened, slug, figures, listed, mains_v))
    choices.sort(key=lambda c: (not c.use.suffices, -round(c.use.value, 6), c.slug))
    best = {words: _extreme(choices, of) for words, of in _BEST.items()}
    if json:
        print_json(
            {
                "chargers": [_json(c) for c in choices],
                "best": {words: None if c is None else c.slug for words, c in best.items()},
                "not_analysed": missing,
            }
        )
        return 0
    _print(choices, best, missing)
    return 0


def _choice(book: Book, slug: str, figures: Sequence[Figure], listed: Any, mains_v: float | None) -> _Choice:
    described = book.charger(slug)
    offer = offer_of(described, figures)
    use = best_use(offer, listed)
    volume = next((f for f in figures if (f.study, f.name) == ("identity", "body_volume_cm3")), None)
    energy = yearly_energy_kwh(offer, use, mains_v=mains_v)
    return _Choice(slug, described, use, volume, energy, book.settings.energy_price_per_kwh, book.settings.currency)


def _volume(choice: _Choice) -> float | None:
    return None if choice.volume is None else choice.volume.value


def _price(choice: _Choice) -> float | None:
    """Prices in another currency than the book's are not compared."""
    price = choice.charger.price
    return None if price is None or price.currency != choice.currency else price.amount


def _energy(choice: _Choice) -> float | None:
    return None if choice.energy is None else float(choice.energy.value)


_BEST: dict[str, Callable[[_Choice], float | None]] = {
    "smallest": _volume,
    "cheapest": _price,
    "most efficient": _energy,
}


def _extreme(choices: Sequence[_Choice], of: Callable[[_Choice], float | None]) -> _Choice | None:
    """Of those that suffice and of which it is known, the one with the least."""
    known = [(value, c.slug, c) for c in choices if c.use.suffices and (value := of(c)) is not None]
    return min(known, key=lambda item: item[:2])[2] if known else None


def _json(choice: _Choice) -> dict[str, Any]:
    use, price = choice.use, choice.charger.price
    return {
        "charger": choice.slug,
        "name": choice.charger.name,
        "suffices": use.suffices,
        "value": use.value,
        "sharing": use.sharing,
        "devices": [
            {
                "device": p.device.name,
                "port": p.port or None,
                "power_w": None if p.served is None else p.served.far_w,
                "port_power_w": None if p.served is None else p.served.source_w,
                "voltage_v": None if p.served is None else p.served.far_v,
                "mode": None if p.served is None else p.served.mode.words,
                "basis": None if p.served is None else p.served.mode.basis,
                "enough": p.enough,
            }
            for p in use.placed
        ],
        "interruptions": [
            {
                "device": i.device,
                "joined": i.joined,
                "port_power_before_w": i.before_w,
                "port_power_after_w": i.after_w,
                "known_by": i.known_by or None,
                "without_power_s": i.without_power_s,
            }
            for i in use.interruptions
        ],
        "volume_cm3": _volume(choice),
        "price": None if price is None else {"amount": price.amount, "currency": price.currency, "date": price.date},
        "energy_kwh_per_year": _energy(choice),
        "u_energy_kwh_per_year": None if choice.energy is None else float(choice.energy.u),
        "cost_per_year": None if choice.cost is None else float(choice.cost.value),
    }


def _print(choices: Sequence[_Choice], best: dict[str, _Choice | None], missing: Sequence[str]) -> None:
    out = console()
    table = Table(
        "Charger", "Suffices", "Device", "Port", "Gets", "From", title="Devices on chargers", title_justify="left"
    )
    for choice in choices:
        for k, placed in enumerate(choice.use.placed):
            first = (choice.charger.name, "yes" if choice.use.suffices else "no") if k == 0 else ("", "")
            table.add_row(*(Text(words) for words in (*first, placed.device.name, *_placed_words(placed))))
        table.add_section()
    out.print(table)
    facts = Table("Charger", "Volume", "Price", "Energy a year", "Cost a year", title="And", title_justify="left")
    for choice in choices:
        price = choice.charger.price
        facts.add_row(
            Text(choice.charger.name),
            "not measured" if choice.volume is None else figure_text(choice.volume),
            "not stated" if price is None else f"{price.amount:g} {price.currency}",
            _number(choice.energy, "kWh"),
            _number(choice.cost, choice.currency)
            if choice.price_per_kwh is not None
            else "no price of energy in book.toml",
        )
    out.print(facts)
    for choice in choices:
        out.print(Text(f"{choice.charger.name}: {_SHARING[choice.use.sharing]}."))
        for interruption in choice.use.interruptions:
            if interruption.before_w is not None or interruption.without_power_s is not None:
                out.print(Text(f"  {_interruption_words(interruption)}"))
        if choice.use.interruptions and all(i.without_power_s is None for i in choice.use.interruptions):
            out.print(Text("  Who is interrupted when another device is plugged in: not measured."))
    if not any(choice.use.suffices for choice in choices):
        out.print("No charger serves all devices well.")
    for words, found in best.items():
        if found is not None:
            out.print(Text(f"The {words} that suffices: {found.charger.name}"))
    if missing:
        out.print(f"Not analysed yet, so by their makers' claims alone: {', '.join(missing)}")


def _placed_words(placed: Placed) -> tuple[str, str, str]:
    if placed.served is None:
        return placed.port or "none", "nothing", ""
    short = "" if placed.enough else f" of {placed.device.power_w:g}"
    return placed.port, f"{placed.served.far_w:.1f}{short} W at {placed.served.far_v:.2f} V", placed.served.mode.words


def _interruption_words(found: Interruption) -> str:
    words = f"{found.device}, when {found.joined} is plugged in:"
    if found.before_w is not None and found.after_w is not None:
        if abs(found.before_w - found.after_w) < 0.5:
            words += f" its port stays at {found.after_w:g} W ({found.known_by})"
        else:
            words += f" its port goes from {found.before_w:g} to {found.after_w:g} W ({found.known_by})"
            words += ", so its contract is made anew"
    if found.without_power_s is None:
        return f"{words}; without power: not measured"
    return f"{words}; without power for up to {found.without_power_s:.3g} s, measured"


def _number(number: Measured | None, unit: str) -> str:
    return "not measured" if number is None else value_text(float(number.value), 2.0 * float(number.u), unit)
