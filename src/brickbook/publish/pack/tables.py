"""The tables of a data pack: what each column is, its unit, and which columns lead to which table.

One place says it all: the descriptor, the data dictionary and the CSV and Parquet files are made from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["TABLES", "Column", "Link", "PackTable"]

Kind = Literal["string", "number", "integer", "boolean"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    name, kind
        As in Table Schema.
    words
        What it holds.
    unit
        Of all its numbers; empty where there is none, or where another column names it row by row.
    required
        Never empty.
    choices
        All words it may hold.
    """

    name: str
    kind: Kind
    words: str
    unit: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Link:
    """Columns whose values stand in the key of another table."""

    columns: tuple[str, ...]
    table: str
    target: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PackTable:
    """A table of the pack: data/<name>.csv and data/<name>.parquet."""

    name: str
    title: str
    words: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    links: tuple[Link, ...] = ()


def _text(name: str, words: str, *choices: str) -> Column:
    return Column(name, "string", words, choices=choices)


def _needed(name: str, words: str, *choices: str) -> Column:
    return Column(name, "string", words, required=True, choices=choices)


def _number(name: str, words: str, unit: str = "", *, required: bool = False) -> Column:
    return Column(name, "number", words, unit, required)


def _count(name: str, words: str) -> Column:
    return Column(name, "integer", words, required=True)


def _yes(name: str, words: str) -> Column:
    return Column(name, "boolean", words, required=True)


_CONDITION = (
    _needed("condition", "Name of the condition; a unit is the end of the name, as in mains_v."),
    _needed("text", "Its value as text."),
    _number("number", "Its value where it is a number."),
)

TABLES = (
    PackTable(
        "charger",
        "The charger",
        "What the charger is, as its maker and the tester state it. One row.",
        (
            _needed("slug", "Short name: the folder it has in the book."),
            _needed("name", "Name."),
            _needed("maker", "Maker."),
            _needed("model", "Model."),
            _text("form", "Where it stands.", "wall", "desktop"),
            _text("prongs", "How it meets the mains.", "folding", "fixed", "cord", "exchangeable"),
            _number("total_power_w", "Total output power on the label.", "W"),
            _number("input_min_v", "Lowest mains voltage on the label.", "V"),
            _number("input_max_v", "Highest mains voltage on the label.", "V"),
            _text("input_hz", "Mains frequency on the label [Hz]."),
            _number("input_a", "Input current on the label.", "A"),
            _text("obtained", "How the sample came to the bench.", "bought", "received", "lent"),
            _text("obtained_date", "When, ISO 8601."),
            _text("serial", "Serial number of the sample."),
            _number("price", "What it costs."),
            _text("price_currency", "Currency of the price."),
            _text("price_date", "When it cost that, ISO 8601."),
            _text("price_kind", "Which price it is.", "paid", "list", "street"),
        ),
        ("slug",),
    ),
    PackTable(
        "ports",
        "Ports",
        "The charger's outlets as its maker states them.",
        (
            _needed("port", "Id of the port."),
            _needed("connector", "What it is.", "usb-c", "usb-a", "captive", "barrel"),
            _number("power_w", "Power stated for it.", "W"),
            _text("label", "What is printed at it."),
        ),
        ("port",),
    ),
    PackTable(
        "outputs",
        "Stated outputs",
        "Voltages and currents the maker states for each port.",
        (
            _count("number", "Row number, from 1."),
            _needed("port", "The port."),
            _needed("kind", "USB PD supply, or older.", "fixed", "pps", "spr-avs", "epr-avs", "legacy"),
            _number("voltage_v", "Set voltage.", "V"),
            _number("min_voltage_v", "Low end of a range.", "V"),
            _number("max_voltage_v", "High end of a range.", "V"),
            _number("current_a", "Current stated.", "A", required=True),
        ),
        ("number",),
        (Link(("port",), "ports", ("port",)),),
    ),
    PackTable(
        "claims",
        "The maker's claims",
        "Measurable statements of the maker, and the figure that tests each.",
        (
            _count("number", "Row number, from 1."),
            _needed("figure", 'The figure that tests it, "study/name".'),
            _needed("sense", "At least, at most, or about.", "min", "max", "about"),
            _number("value", "The value claimed, in the figure's unit.", required=True),
            _number("tolerance_ratio", "Allowance, as a share of the value.", "1"),
            _needed("words", "What is printed, word for word."),
            _needed("seen_on", "Where it is printed.", "label", "box", "manual", "website"),
            _text("conditions", "Conditions it speaks of, as JSON."),
            _yes("measured", "Whether a figure speaks of it."),
        ),
        ("number",),
    ),
    PackTable(
        "marks",
        "Marks",
        "Marks looked for. A mark is the maker's claim: it is recorded whether it was seen, not whether it is true.",
        (
            _count("number", "Row number, from 1."),
            _needed("kind", "Kind of mark.", "safety-listing", "efficiency-level", "conformity", "other"),
            _needed("text", "What it says."),
            _yes("seen", "Whether it was seen."),
            _text("seen_on", "Where.", "label", "box", "manual", "website"),
            _text("note", "Anything else."),
        ),
        ("number",),
    ),
    PackTable(
        "instruments",
        "Instruments",
        "What the readings were taken with. Addresses on the tester's network are left out.",
        (
            _needed("instrument", "Name that the raw files use."),
            _needed("role", "What it does on the bench."),
            _text("description", "What it is."),
            _text("serial", "Serial number."),
            _text("calibrated", "Last calibration, ISO 8601."),
            _text("due", "When the next is due, ISO 8601."),
        ),
        ("instrument",),
    ),
    PackTable(
        "accuracy",
        "Accuracy of the instruments",
        "Bounds of error: percent of reading plus percent of range plus last digits plus a fixed part.",
        (
            _needed("instrument", "The instrument."),
            _count("number", "Line of its accuracy table, from 1."),
            _needed("quantity", "What is read, with its unit at the end of the name."),
            _number("percent_reading", "Part of the bound that goes with the reading.", "%"),
            _number("percent_range", "Part of the bound that goes with the range.", "%"),
            _number("range_max", "Full scale, in the quantity's unit."),
            _number("digits", "Count of last digits in the bound.", "1"),
            _number("resolution", "Worth of one last digit, in the quantity's unit."),
            _number("absolute", "Fixed part of the bound, in the quantity's unit."),
            _number("linearity_percent_range", "Bound of what differs from reading to reading.", "%"),
            _text("reference", "Quantities with the same word share their error."),
        ),
        ("instrument", "number"),
        (Link(("instrument",), "instruments", ("instrument",)),),
    ),
    PackTable(
        "raw-files",
        "Raw files",
        "Files as the instruments wrote them. A full pack holds the files; a summary names them by their SHA-256.",
        (
            _needed("file", "Path inside the charger's raw folder."),
            _needed("sha256", "SHA-256 of its bytes, hexadecimal."),
            _count("bytes", "Size [B]."),
            _yes("included", "Whether this pack holds it."),
            _text("place", "Where in this pack."),
            _needed("studies", "Studies that use it, parted by blanks."),
            _needed("reader", "What kind of file it is."),
            _text("shape", "How its columns are understood: id in shapes.toml."),
            _needed("recording", "Files with the same word are one recording."),
            _number("clock_offset_s", "Added to the file's time.", "s", required=True),
            _needed("align", "How its clock meets the recording's.", "stated", "load-steps"),
            _text("taken", "When the readings began, ISO 8601."),
            _text("imported", "When it was taken in, ISO 8601."),
            _text("note", "Anything else."),
        ),
        ("file",),
    ),
    PackTable(
        "raw-conditions",
        "Conditions of the raw files",
        "Under what each raw file was taken.",
        (_needed("file", "The raw file."), *_CONDITION),
        ("file", "condition"),
        (Link(("file",), "raw-files", ("file",)),),
    ),
    PackTable(
        "raw-instruments",
        "Instruments of the raw files",
        "Which instrument read which quantity, and on which range.",
        (
            _needed("file", "The raw file."),
            _needed("quantity", "Quantity or column."),
            _text("instrument", "The instrument; empty where only a range is stated."),
            _number("range_max", "Full scale in use, in the quantity's unit."),
        ),
        ("file", "quantity"),
        (
            Link(("file",), "raw-files", ("file",)),
            Link(("instrument",), "instruments", ("instrument",)),
        ),
    ),
    PackTable(
        "figures",
        "Figures",
        "Each number that may be quoted, with its uncertainty (JCGM 100:2008).",
        (
            _needed("figure", "Identity, made of study, name and conditions."),
            _needed("study", "Who found it."),
            _needed("name", "What it is."),
            _needed("title", "The same in words."),
            _number("value", "The value, in the unit of this row.", required=True),
            _text("unit", "Unit of value, standard_uncertainty, lower and upper; empty for a ratio."),
            _number("standard_uncertainty", "Standard uncertainty; 0 for exact or copied numbers.", required=True),
            _number("coverage_factor", "Coverage factor k of the 95 % interval.", "1", required=True),
            _number("lower", "Low end of the 95 % coverage interval."),
            _number("upper", "High end of the 95 % coverage interval."),
            _number("degrees_of_freedom", "Effective degrees of freedom; INF for stated bounds.", "1", required=True),
            _needed("method", "How it was found."),
            _text("flags", "What a reader must know before quoting it, parted by semicolons."),
        ),
        ("figure",),
    ),
    PackTable(
        "figure-conditions",
        "Conditions of the figures",
        "Under what each figure holds.",
        (_needed("figure", "The figure."), *_CONDITION),
        ("figure", "condition"),
        (Link(("figure",), "figures", ("figure",)),),
    ),
    PackTable(
        "figure-sources",
        "Where the figures come from",
        "Raw files and lines behind each figure.",
        (
            _needed("figure", "The figure."),
            _count("number", "Source of the figure, from 1."),
            _needed("file", "The raw file."),
            _count("first_line", "First line of the file, or sample of a capture; 0: the whole file."),
            _count("last_line", "Last line of the file, or sample of a capture; 0: the whole file."),
            _text("columns", "Columns of the file, as a JSON list."),
        ),
        ("figure", "number"),
        (
            Link(("figure",), "figures", ("figure",)),
            Link(("file",), "raw-files", ("file",)),
        ),
    ),
    PackTable(
        "figure-budgets",
        "Uncertainty budgets",
        "Contributions to the standard uncertainty of each figure.",
        (
            _needed("figure", "The figure."),
            _count("number", "Line of its budget, from 1, largest first."),
            _needed("source", "Where the contribution comes from; equal words are one error."),
            _needed("kind", "From scatter (A) or from a statement (B).", "A", "B"),
            _needed("distribution", "Distribution."),
            _number("contribution", "Standard uncertainty it adds, in the figure's unit.", required=True),
            _number("degrees_of_freedom", "Degrees of freedom; INF for a stated bound.", "1", required=True),
            Column("sign", "integer", "1 if the figure rises with this error, -1 if it falls.", required=True),
        ),
        ("figure", "number"),
        (Link(("figure",), "figures", ("figure",)),),
    ),
    PackTable(
        "findings",
        "Findings",
        "Figures set against limits, with the probability of conformity (JCGM 106:2012).",
        (
            _count("number", "Row number, from 1."),
            _needed("figure", "The figure."),
            _needed("rule", "Identity of the rule."),
            _needed("title", "The rule in words."),
            _needed("origin", "Who asks for it.", "standard", "claim", "house"),
            _needed("sense", "At least, at most, or between.", "min", "max", "range"),
            _number("limit", "The limit, or its low end, in the figure's unit."),
            _number("limit_high", "High end of a range, in the figure's unit."),
            _needed("decision", "The decision.", "meets", "does not meet", "undecided", "not judged"),
            _number("probability", "Probability of conformity, 0 to 1.", "1"),
            _needed("source", "Clause, house rule, or common practice."),
            _text("reading", "Which reading of the text was taken."),
            _text("market", "Market it is for."),
            _text("edition", "Edition of the text."),
            _text("applies_from", "From when it applies, ISO 8601."),
            _yes("from_memory", "Whether the limit was written down from memory."),
            _text("note", "Anything else."),
        ),
        ("number",),
        (Link(("figure",), "figures", ("figure",)),),
    ),
    PackTable(
        "notes",
        "Notes",
        "What a reader must know that is not a number.",
        (
            _count("number", "Row number, from 1."),
            _text("study", "Which study says it; empty for the reading of files."),
            _needed("severity", "How much it matters.", "info", "warning"),
            _needed("text", "The note."),
        ),
        ("number",),
    ),
)
