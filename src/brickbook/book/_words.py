"""What each key of a book's files means, with an example: the words of the templates."""

from __future__ import annotations

from typing import get_args, get_type_hints

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

__all__ = ["WORDS"]

_ROLES = ", ".join(f'"{role}"' for role in get_args(get_type_hints(Instrument)["role"]))

# class: field: (example as TOML, words)
WORDS: dict[type, dict[str, tuple[str, str]]] = {
    BookSettings: {
        "title": ('"Chargers on my bench"', "Title of the book and of its report."),
        "publisher": ('"A. Tester"', "Who publishes, and answers for what it says."),
        "licence": ('"CC-BY-4.0"', "Licence under which the report and the data are given out."),
        "currency": ('"EUR"', "Currency of the energy price and of yearly costs."),
        "energy_price_per_kwh": ("0.3", "Price of a kilowatt-hour; without it no costs are worked out."),
        "decision": (
            '"guarded"',
            'How figures are judged: "guarded" decides at 95 % probability or not at all, "simple" by value alone.',
        ),
        "mains": ("", "The mains supplies the chargers are tested at, one [[mains]] for each."),
        "publish": ("", "Where the pages of the book stand in the web, and what they say of the publisher."),
    },
    PublishSettings: {
        "url": ('"https://example.org/chargers/"', "Address the pages will have; sitemap and feed need it."),
        "tag": (
            '"example.org,2026"',
            "A domain of your own and a year or day you had it: the feed names its entries by it. Never change it.",
        ),
        "contact": ('"tester@example.org"', "How to reach the publisher."),
        "about": ('"Chargers are bought in shops and measured at home."', "What readers should know of the bench."),
        "data_pack": (
            '"summary"',
            'Data given out beside each report: "none", "summary" (tables, no raw files) or "full" (raw files too).',
        ),
    },
    Mains: {
        "voltage_v": ("230.0", "Voltage [V]."),
        "frequency_hz": ("50.0", "Frequency [Hz]."),
        "market": ('"EU"', "Market this supply stands for."),
    },
    BenchLimits: {
        "volts": ("265.0", "Highest mains voltage [V]."),
        "amps": ("6.0", "Highest output current [A]."),
        "watts": ("260.0", "Highest output power [W]."),
        "degrees": ("90.0", "Highest temperature of a surface [degrees Celsius]."),
    },
    Instrument: {
        "role": (
            '"ac-power-meter"',
            f"What it does: {_ROLES}.",
        ),
        "description": ('"power analyser, one channel"', "What it is, in words."),
        "serial": ('"0001"', "Serial number."),
        "calibrated": ('"2026-01-15"', "Date of the last calibration."),
        "due": ('"2027-01-15"', "Date the next is due; a reading taken later is flagged."),
        "address": (
            '"TCPIP::192.0.2.7::5025::SOCKET"',
            "VISA resource name; without one it is read by hand, or its files are taken in.",
        ),
        "dialect": ('"scpi-ac-power-meter"', "How to speak to it: a generic dialect, or a file of dialects/."),
        "channels": ('{ C1 = "1", C2 = "2" }', "What is connected to each channel: port or place, and the channel."),
        "accuracy": ("", "Its accuracy table: one line for each quantity and range, from its data sheet."),
    },
    Accuracy: {
        "quantity": ('"mains_power_w"', "Name of the quantity, with its unit."),
        "percent_reading": ("0.1", "Part of the error bound in percent of the reading."),
        "percent_range": ("0.1", "Part in percent of the range; needs range_max."),
        "range_max": ("150.0", "Full scale of the range, in the quantity's unit."),
        "digits": ("2.0", "Part in counts of the last digit; needs resolution."),
        "resolution": ("0.01", "Worth of one last digit, in the quantity's unit."),
        "absolute": ("0.005", "A fixed part, in the quantity's unit."),
        "linearity_percent_range": ("0.02", "Part that differs from reading to reading, in percent of the range."),
        "reference": ('"voltage reference"', "Quantities of this instrument with the same word share their error."),
    },
    Charger: {
        "name": ('"Example 65"', "Name as sold."),
        "maker": ('"Example Works"', "Maker on the label."),
        "model": ('"EX-65"', "Model on the label."),
        "form": ('"wall"', '"wall" for one that hangs in the outlet, "desktop" for one with a mains cord.'),
        "prongs": ('"fixed"', '"folding", "fixed", "cord" or "exchangeable".'),
        "detachable_cable": ("false", "Whether the output cable comes off; a charger with sockets only: false."),
        "summary": ('"two ports, folding prongs"', "One line for readers."),
        "nameplate": ("", "The input side of the label, and the total output power."),
        "sample": ("", "The unit on the bench, and how it came there."),
        "price": ("", "What it cost."),
        "ports": ("", "One [[ports]] for each outlet."),
        "budgets": ("", "Ports that are said to share one power budget."),
        "sharing": ("", "One line of the maker's sharing table: ports in use, and the power each then has."),
        "claims": ("", "A measurable statement of the maker, tied to the figure that tests it."),
        "marks": ("", "A mark as seen, or looked for and not seen. A mark is the maker's claim."),
    },
    Nameplate: {
        "total_power_w": ("65.0", "Total output power [W]."),
        "input_min_v": ("100.0", "Lowest mains voltage [V]."),
        "input_max_v": ("240.0", "Highest mains voltage [V]."),
        "input_hz": ('"50/60"', "Mains frequency as printed."),
        "input_a": ("1.6", "Input current [A]."),
        "ambient_max_c": ("40.0", "Highest ambient temperature [degrees Celsius]."),
    },
    Sample: {
        "obtained": ('"bought"', '"bought", "received" or "lent".'),
        "date": ('"2026-10-03"', "When it came."),
        "serial": ('"0001"', "Serial number on the unit."),
        "note": ('"from a shelf, sealed"', "Anything else."),
    },
    Price: {
        "amount": ("39.9", "Price."),
        "currency": ('"EUR"', "Its currency."),
        "date": ('"2026-10-03"', "On which day."),
        "kind": ('"street"', '"paid", "list" or "street".'),
        "note": ('"with tax"', "Anything else."),
    },
    Port: {
        "id": ('"C1"', "Short name by which raw files and figures call it."),
        "connector": ('"usb-c"', '"usb-c", "usb-a", "captive" or "barrel".'),
        "power_w": ("65.0", "Highest power claimed for this port alone [W]."),
        "label": ('"top"', "What is printed beside it."),
        "outputs": ("", "What it is said to give, one line for each:"),
    },
    Output: {
        "kind": ('"fixed"', '"fixed", "pps", "spr-avs", "epr-avs", or "legacy" for what is older than USB PD.'),
        "current_a": ("3.0", "Nameplate current [A]."),
        "voltage_v": ("5.0", "Voltage [V], for fixed and legacy."),
        "min_voltage_v": ("3.3", "Lower end [V], for pps, spr-avs and epr-avs."),
        "max_voltage_v": ("11.0", "Upper end [V], for pps, spr-avs and epr-avs."),
    },
    Budget: {
        "ports": ('["C1", "C2"]', "Ids of the ports."),
        "power_w": ("65.0", "What they have together [W]."),
        "name": ('"both"', "What to call it."),
    },
    SharedOutput: {
        "ports": ('["C1", "C2"]', "Ports in use."),
        "power_w": ("[45.0, 20.0]", "Power of each, in the same order [W]."),
    },
    Claim: {
        "figure": ('"standby/no_load_power_w"', "The figure that tests it, as study/name."),
        "sense": ('"max"', '"min" for at least, "max" for at most, "about" for within tolerance_ratio.'),
        "value": ("0.1", "In the figure's unit."),
        "words": ('"less than 0.1 W without load"', "What is printed, word for word."),
        "seen_on": ('"manual"', '"label", "box", "manual" or "website".'),
        "tolerance_ratio": ("0.05", 'How far off "about" may be, as a part of the value.'),
        "when": ("{ mains_v = 230 }", "Conditions the figure must have."),
    },
    Mark: {
        "kind": ('"efficiency-level"', '"safety-listing", "efficiency-level", "conformity" or "other".'),
        "text": ('"VI"', "What it says."),
        "seen": ("true", "Whether it was found."),
        "seen_on": ('"label"', '"label", "box", "manual" or "website".'),
        "note": ('"beside the rating"', "Anything else."),
    },
}
