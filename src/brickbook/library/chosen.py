"""Chargers for a set of devices: the best use of each, which suffice, and which of those is least in something."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from brickbook.analysis import load
from brickbook.book import Book
from brickbook.core.charger import Charger
from brickbook.core.errors import BookError
from brickbook.core.figure import Figure
from brickbook.core.uncertainty import Measured
from brickbook.library.choosing import Use, best_use, yearly_energy_kwh
from brickbook.library.devices import Device
from brickbook.library.offers import offer_of

__all__ = ["Choice", "Choices", "choose_among"]


@dataclass(frozen=True, slots=True)
class Choice:
    """A charger and its best use.

    Parameters
    ----------
    slug, charger, use
        Which, as the book has it, and how the devices are served.
    volume
        Its measured volume.
    energy
        It takes in a year [kWh].
    price_per_kwh, currency
        Of the book.
    years
        Over which price and energy are added up.
    """

    slug: str
    charger: Charger
    use: Use
    volume: Figure | None
    energy: Measured | None
    price_per_kwh: float | None
    currency: str
    years: float = 3.0

    @property
    def cost(self) -> Measured | None:
        """Of its energy in a year [currency]."""
        return None if self.energy is None or self.price_per_kwh is None else self.energy * self.price_per_kwh

    @property
    def volume_cm3(self) -> float | None:
        """Its volume [cm³]."""
        return None if self.volume is None else self.volume.value

    @property
    def price(self) -> float | None:
        """Its price in the book's currency; prices in another are not compared."""
        price = self.charger.price
        return None if price is None or price.currency != self.currency else price.amount

    @property
    def whole_cost(self) -> Measured | None:
        """Price and the cost of its energy over the years [currency]."""
        return None if self.cost is None or self.price is None else self.cost * self.years + self.price

    @property
    def energy_kwh(self) -> float | None:
        """It takes in a year [kWh]."""
        return None if self.energy is None else float(self.energy.value)


@dataclass(frozen=True, slots=True)
class Choices:
    """All chargers looked at: those that suffice first, then by what they give.

    Parameters
    ----------
    choices
        In that order.
    best
        "smallest", "cheapest", "most efficient", "cheapest with its energy" to the one that suffices and is known to be
        so.
    missing
        Chargers without figures: by their makers' claims alone.
    """

    choices: tuple[Choice, ...]
    best: Mapping[str, Choice | None]
    missing: tuple[str, ...]


def choose_among(
    book: Book,
    slugs: Sequence[str],
    devices: Sequence[Device],
    *,
    mains_v: float | None = None,
    years: float = 3.0,
) -> Choices:
    """The best use of each charger for some devices.

    Parameters
    ----------
    book, slugs
        The chargers.
    devices
        To be served.
    mains_v
        For energy and cost [V]; by default as `yearly_energy_kwh`.
    years
        Over which price and energy are added up.

    Raises
    ------
    BookError
        When a charger.toml has faults.
    """
    choices, missing = [], []
    for slug in slugs:
        try:
            figures: Sequence[Figure] = load(book, slug).figures
        except BookError:
            figures = ()
            missing.append(slug)
        choices.append(_choice(book, slug, figures, devices, mains_v, years))
    choices.sort(key=lambda c: (not c.use.suffices, -round(c.use.value, 6), c.slug))
    return Choices(tuple(choices), {words: _extreme(choices, of) for words, of in _BEST.items()}, tuple(missing))


def _choice(
    book: Book, slug: str, figures: Sequence[Figure], devices: Sequence[Device], mains_v: float | None, years: float
) -> Choice:
    described = book.charger(slug)
    offer = offer_of(described, figures)
    use = best_use(offer, devices)
    volume = next((f for f in figures if (f.study, f.name) == ("identity", "body_volume_cm3")), None)
    energy = yearly_energy_kwh(offer, use, mains_v=mains_v)
    settings = book.settings
    return Choice(slug, described, use, volume, energy, settings.energy_price_per_kwh, settings.currency, years)


_BEST: dict[str, Callable[[Choice], float | None]] = {
    "smallest": lambda choice: choice.volume_cm3,
    "cheapest": lambda choice: choice.price,
    "most efficient": lambda choice: choice.energy_kwh,
    "cheapest with its energy": lambda choice: None if choice.whole_cost is None else float(choice.whole_cost.value),
}


def _extreme(choices: Sequence[Choice], of: Callable[[Choice], float | None]) -> Choice | None:
    """Of those that suffice and of which it is known, the one with the least."""
    known = [(value, c.slug, c) for c in choices if c.use.suffices and (value := of(c)) is not None]
    return min(known, key=lambda item: item[:2])[2] if known else None
