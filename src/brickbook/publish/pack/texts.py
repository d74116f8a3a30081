"""The texts of a pack for people: README, data dictionary, licence and citation."""

from __future__ import annotations

import json

from brickbook.publish.pack.descriptor import About
from brickbook.publish.pack.tables import TABLES, PackTable

__all__ = ["citation", "dictionary", "licence_text", "readme"]


def readme(about: About, counts: dict[str, int]) -> str:
    """README.md.

    Parameters
    ----------
    counts
        Table name to number of rows.
    """
    full = about.tier == "full"
    lines = [
        f"# {about.title}",
        "",
        f"Charger: {about.name}, maker {about.maker}, model {about.model}.",
        f"Tested and published by {about.publisher}.",
        "",
        "One sample was measured; another may differ. Nothing here says that the charger is safe: certification, local",
        "codes and licensed practice decide.",
        "",
        "## What is in it",
        "",
        "| file | what it is |",
        "|---|---|",
        "| `datapackage.json` | what every file and column is, for programs (Data Package 2.0, Table Schema) |",
        "| `DICTIONARY.md` | the same for people |",
        "| `data/*.csv`, `data/*.parquet` | the tables, each in both forms with the same rows |",
        "| `data/result.json` | figures and findings with all their parts, exactly |",
        f"| `chargers/{about.slug}/` | what the tester wrote: claims, notes, verdict"
        + (", index and raw files |" if full else " |"),
    ]
    if full:
        lines.append(
            "| `book.toml`, `bench.toml`, `shapes.toml`, `house-rules.toml` | what the figures depend on besides |"
        )
    lines += [
        "| `SHA256SUMS` | SHA-256 of every file; check with `sha256sum -c SHA256SUMS` |",
        "| `LICENCE.txt`, `CITATION.cff` | what you may do with it, and how to cite it |",
        "",
        "| table | rows |",
        "|---|---|",
        *(f"| {table.title} (`data/{table.name}.csv`) | {counts[table.name]} |" for table in TABLES),
        "",
        "Begin with `data/figures.csv`: each row is one number with its 95 % interval. `data/findings.csv` sets",
        "figures against limits; `data/figure-sources.csv` leads to the lines of the raw files.",
        "",
    ]
    if full:
        lines += [
            "## How to check it",
            "",
            "This is a full pack: it holds the raw files. Unpacked, it is a bench book. To make the figures anew:",
            "",
            "    brickbook import PACK.zip --book new-folder",
            "",
            "This checks every SHA-256, analyses the raw files and says how many figures and findings are equal to",
            f"those in the pack, which {about.software} made.",
        ]
    else:
        lines += [
            "## How to check it",
            "",
            "This is a summary: it names the raw files by their SHA-256 and does not hold them. Ask the publisher for",
            "the full pack.",
        ]
    return "\n".join(lines) + "\n"


def dictionary() -> str:
    """DICTIONARY.md: every table and column."""
    lines = [
        "# Data dictionary",
        "",
        "Numbers are in the unit named; a ratio has none. An empty cell is a missing value, INF is infinity. Text is",
        "UTF-8, cells are parted by commas, a decimal mark is a point.",
    ]
    for table in TABLES:
        lines += ["", f"## {table.title}: `data/{table.name}.csv`", "", table.words, ""]
        lines += [f"Key: {', '.join(f'`{name}`' for name in table.key)}.", *_links(table), ""]
        lines += ["| column | type | unit | meaning |", "|---|---|---|---|"]
        for column in table.columns:
            words = column.words + (f" One of: {', '.join(column.choices)}." if column.choices else "")
            needed = "" if column.required else ", may be empty"
            lines.append(f"| `{column.name}` | {column.kind}{needed} | {column.unit} | {words} |")
    return "\n".join(lines) + "\n"


def licence_text(about: About) -> str:
    """LICENCE.txt: what the book states, and no more."""
    licence = about.licence
    if not licence.words:
        return (
            f"{about.publisher} has stated no licence for this data. All rights stay with the publisher: ask before\n"
            "you use it beyond what the law allows anyway.\n"
        )
    if not licence.identifier:
        return f"{about.publisher} gives this data out under: {licence.words}\n"
    return (
        f"{about.publisher} gives this data out under {licence.title} ({licence.identifier}).\n"
        f"The text of the licence: {licence.address}\n"
    )


def citation(about: About) -> str:
    """CITATION.cff, Citation File Format 1.2.0. A text in JSON's quotes is YAML as well (YAML 1.2 clause 1.3)."""
    lines = [
        "cff-version: 1.2.0",
        "message: If you use this data, please cite it.",
        "type: dataset",
        f"title: {_quoted(about.title)}",
        "authors:",
        f"  - name: {_quoted(about.publisher)}",
    ]
    if about.latest:
        lines.append(f"date-released: {about.latest}")
    if about.licence.identifier:
        lines.append(f"license: {about.licence.identifier}")
    lines.append("keywords:")
    lines += [f"  - {_quoted(word)}" for word in ("USB-C", "charger", "external power supply", about.name)]
    return "\n".join(lines) + "\n"


def _links(table: PackTable) -> list[str]:
    return [
        f"{', '.join(f'`{name}`' for name in link.columns)} stands in the key of `{link.table}`."
        for link in table.links
    ]


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
