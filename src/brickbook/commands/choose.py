"""`brickbook choose`: the best use of each charger for a person's devices, and which chargers suffice."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter
from rich.table import Table
from rich.text import Text

from brickbook.commands.common import BookOption, JsonOption, console, open_to_read, print_json, wanted
from brickbook.core.errors import BookError, Fault
from brickbook.library.chosen import Choice, Choices, choose_among
from brickbook.library.devices import read_devices
from brickbook.library.stale import stale_among, stale_words
from brickbook.publish.chosen import SHARING_WORDS, interruption_words, measured_words, placed_words
from brickbook.publish.numbers import figure_text

__all__ = ["choose"]


def choose(
    devices: Annotated[Path, Parameter(help="TOML file of the devices.")],
    /,
    *,
    charger: Annotated[list[str] | None, Parameter(help="Only this charger; may be given again.", negative="")] = None,
    mains_v: Annotated[float | None, Parameter(help="Mains voltage for energy and cost [V].")] = None,
    years: Annotated[float, Parameter(help="Years over which price and energy are added up.")] = 3.0,
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
    opened = open_to_read(book)
    found = choose_among(opened, wanted(opened, charger or ()), listed, mains_v=mains_v, years=years)
    stale = stale_among(opened, (choice.slug for choice in found.choices))
    if json:
        print_json(
            {
                "chargers": [_json(c) for c in found.choices],
                "best": {words: None if c is None else c.slug for words, c in found.best.items()},
                "not_analysed": list(found.missing),
                "stale": list(stale),
            }
        )
        return 0
    _print(found)
    if stale:
        console().print(Text(stale_words(stale)), style="bold")
    return 0


def _json(choice: Choice) -> dict[str, Any]:
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
        "volume_cm3": choice.volume_cm3,
        "price": None if price is None else {"amount": price.amount, "currency": price.currency, "date": price.date},
        "energy_kwh_per_year": choice.energy_kwh,
        "u_energy_kwh_per_year": None if choice.energy is None else float(choice.energy.u),
        "cost_per_year": None if choice.cost is None else float(choice.cost.value),
        "years": choice.years,
        "price_and_energy": None if choice.whole_cost is None else float(choice.whole_cost.value),
    }


def _print(found: Choices) -> None:
    out, choices = console(), found.choices
    table = Table(
        "Charger", "Suffices", "Device", "Port", "Gets", "From", title="Devices on chargers", title_justify="left"
    )
    for choice in choices:
        for k, placed in enumerate(choice.use.placed):
            first = (choice.charger.name, "yes" if choice.use.suffices else "no") if k == 0 else ("", "")
            table.add_row(*(Text(words) for words in (*first, placed.device.name, *placed_words(placed))))
        table.add_section()
    out.print(table)
    over = f"Price and {choices[0].years:g} years" if choices else "Price and energy"
    facts = Table("Charger", "Volume", "Price", "Energy a year", "Cost a year", over, title="And", title_justify="left")
    for choice in choices:
        price = choice.charger.price
        facts.add_row(
            Text(choice.charger.name),
            "not measured" if choice.volume is None else figure_text(choice.volume),
            "not stated" if price is None else f"{price.amount:g} {price.currency}",
            measured_words(choice.energy, "kWh"),
            measured_words(choice.cost, choice.currency)
            if choice.price_per_kwh is not None
            else "no price of energy in book.toml",
            measured_words(choice.whole_cost, choice.currency),
        )
    out.print(facts)
    for choice in choices:
        out.print(Text(f"{choice.charger.name}: {SHARING_WORDS[choice.use.sharing]}."))
        for interruption in choice.use.interruptions:
            if interruption.before_w is not None or interruption.without_power_s is not None:
                out.print(Text(f"  {interruption_words(interruption)}"))
        if choice.use.interruptions and all(i.without_power_s is None for i in choice.use.interruptions):
            out.print(Text("  Who is interrupted when another device is plugged in: not measured."))
    if not any(choice.use.suffices for choice in choices):
        out.print("No charger serves all devices well.")
    for words, best in found.best.items():
        if best is not None:
            out.print(Text(f"The {words} that suffices: {best.charger.name}"))
    if found.missing:
        out.print(f"Not analysed yet, so by their makers' claims alone: {', '.join(found.missing)}")
