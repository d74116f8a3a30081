"""`brickbook compare`: one figure over all chargers, several at once, or two samples of one model."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter
from rich.table import Table
from rich.text import Text as Words

from brickbook import __version__
from brickbook.analysis import load
from brickbook.analysis.codec import figure_json
from brickbook.book import Book, write_atomic
from brickbook.commands.common import BookOption, JsonOption, console, open_to_read, parse_pairs, print_json, wanted
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure
from brickbook.core.page import Cell, Section, TableBlock, Text
from brickbook.library.catalogue import open_catalogue
from brickbook.library.compared import FrontRows, compare_shelf
from brickbook.library.comparing import Comparison, Difference
from brickbook.library.page import retest_section, shelf_order
from brickbook.library.retest import Retest, compare_samples
from brickbook.library.shelf import Shelf, better_end
from brickbook.library.stale import stale_among, stale_words
from brickbook.library.standing import places
from brickbook.publish.numbers import figure_text, plain_text
from brickbook.publish.pages import css_string, environment, file_address, style_sheet

__all__ = ["compare", "print_section", "write_page"]

_MOST_PAIRS = 60  # chargers of which every pair is told in JSON


def compare(
    figure: Annotated[str, Parameter(help='Name of a figure, such as "no_load_power_w", or "study/name".')] = "",
    /,
    *,
    set_: Annotated[
        list[str] | None, Parameter(name="--set", help="Condition it must have, such as mains_v=230.", negative="")
    ] = None,
    against: Annotated[str | None, Parameter(help="Compare all with this charger only.")] = None,
    with_: Annotated[
        list[str] | None, Parameter(name="--with", help="Another figure: who is beaten in all of them.", negative="")
    ] = None,
    sample: Annotated[
        list[str] | None, Parameter(help="Twice: compare two samples figure by figure.", negative="")
    ] = None,
    repeat_u: Annotated[
        float, Parameter(help="Standard deviation between repeated set-ups, in the figure's unit.")
    ] = 0.0,
    also_book: Annotated[list[Path] | None, Parameter(help="Folder of a further book.", negative="")] = None,
    top: Annotated[int, Parameter(help="Lines to print on the terminal.")] = 30,
    html: Annotated[Path | None, Parameter(help="Write a page to this file.")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Compare chargers: like with like, and a difference only where it is larger than its uncertainty.

    Stored results are compared as they are; what is out of date is brought up to date by brickbook analyse.
    """
    opened = open_to_read(book)
    if sample:
        return _samples(opened, sample, json=json, html=html)
    if not figure:
        raise BookError(Fault("FIGURE", "", "is missing.", "For example: brickbook compare no_load_power_w"))
    when = parse_pairs(set_ or (), "--set")
    books = [opened, *(open_to_read(path) for path in also_book or ())]
    with open_catalogue(books) as catalogue:
        by_name = dict(zip(catalogue.books, books, strict=True))
        found = compare_shelf(catalogue, figure, when, further=with_ or (), against=against, repeat_u=repeat_u)
    shelf, compared, front = found.shelf, found.comparison, found.front
    shown = [shelf.entries[k] for k in shelf_order(shelf, compared)]
    stale = tuple(
        slug for name, one in by_name.items() for slug in stale_among(one, (e.charger for e in shown if e.book == name))
    )
    if html is not None:
        _write_page(html, opened, found.sections, shelf, compared)
    if json:
        print_json(
            _json(shelf, compared, found.against, found.missing)
            | {"stale": list(stale)}
            | ({} if front is None else {"front": _front_json(front)})
        )
        return 0
    for section in found.sections:
        print_section(section, top)
    if stale:
        console().print(Words(stale_words(stale), style="bold"))
    if found.missing:
        console().print(f"Not analysed yet, and not in here: {', '.join(found.missing)}")
    if html is not None:
        console().print(f"The page: {html}")
    return 0


def _samples(book: Book, sample: Sequence[str], *, json: bool, html: Path | None) -> int:
    if len(sample) != 2 or sample[0] == sample[1]:
        raise BookError(Fault("--sample", ", ".join(sample), "two different chargers are needed.", "Give it twice."))
    first, second = wanted(book, sample)
    stored = [load(book, slug) for slug in (first, second)]
    models = [(s.charger["maker"], s.charger["model"]) for s in stored]
    if models[0] != models[1]:
        said = " and ".join(f"{maker} {model}" for maker, model in models)
        raise BookError(Fault("--sample", f"{first}, {second}", f"are two models: {said}.", "Use --against for these."))
    found = compare_samples(stored[0].figures, stored[1].figures, instruments=book.instruments)
    section = retest_section(first, second, found)
    if html is not None:
        _write_page(html, book, [section], None, None)
    stale = stale_among(book, (first, second))
    if json:
        print_json(_retest_json(first, second, found) | {"stale": list(stale)})
        return 0
    print_section(section, 60)
    if stale:
        console().print(Words(stale_words(stale), style="bold"))
    return 0


# JSON


def _json(shelf: Shelf, compared: Comparison, against: int | None, missing: Sequence[str]) -> dict[str, Any]:
    place = places(shelf, compared)
    chargers = []
    for k in shelf_order(shelf, compared):
        entry = shelf.entries[k]
        chargers.append(
            {
                "book": entry.book,
                "charger": entry.charger,
                "title": entry.title,
                "key": entry.figure.key,
                "value": entry.figure.value,
                "u": entry.figure.u,
                "lower": _finite(entry.figure.lower),
                "upper": _finite(entry.figure.upper),
                "u_apart": float(compared.u_apart[k]),
                "conditions": dict(entry.figure.conditions),
                "flags": list(entry.figure.flags),
                "place": list(place[k]),
                "surely_smaller": int(compared.fewer[k]),
                "surely_larger": int(compared.more[k]),
                "others_taken_alike": entry.others,
            }
        )
    n = len(shelf.items)
    if against is not None:
        pairs = [(k, against) for k in range(n) if k != against]
    else:
        pairs = [(i, j) for i in range(n) for j in range(i)] if n <= _MOST_PAIRS else []
    return {
        "figure": f"{shelf.study}/{shelf.name}",
        "unit": shelf.unit,
        "conditions": dict(shelf.conditions),
        "better": better_end(shelf.name) or None,
        "by_size": shelf.by_size,
        "way": compared.way,
        "tests": compared.tests,
        "chargers": chargers,
        "differences": [
            {
                "first": shelf.items.labels[i],
                "second": shelf.items.labels[j],
                **_difference_json(compared.difference(i, j)),
            }
            for i, j in pairs
        ],
        "spread": {
            name: _finite(getattr(compared.spread, name))
            for name in (
                "count", "smallest", "lower_quartile", "median", "upper_quartile", "largest", "s", "u",
                "beyond_measurement",
            )
        },
        "not_comparable": [
            {"conditions": dict(g.conditions), "chargers": g.chargers, "why": g.why_not}
            for g in shelf.groups
            if g.why_not
        ],
        "without": list(shelf.without),
        "not_analysed": list(missing),
    }  # fmt: skip


def _difference_json(difference: Difference) -> dict[str, Any]:
    return {
        "value": difference.value,
        "u": difference.u,
        "expanded": difference.expanded,
        "e_n": _finite(difference.e_n),
        "p": difference.p,
        "p_adjusted": difference.p_adjusted,
        "different": difference.different,
    }


def _front_json(front: FrontRows) -> list[dict[str, Any]]:
    titles, _, found = front
    return [
        {
            "title": title,
            "standing": found.standing[k],
            "on_the_front_by_value": bool(found.by_value[k]),
            "beaten_by": None if (by := found.beaten_by[k]) is None else titles[by],
        }
        for k, title in enumerate(titles)
    ]


def _retest_json(first: str, second: str, found: Retest) -> dict[str, Any]:
    return {
        "first": first,
        "second": second,
        "differences": [
            {
                "figure": c.first.key,
                "first": _short(c.first),
                "second": _short(c.second),
                **_difference_json(c.difference),
            }
            for c in found.changes
        ],
        "only_first": list(found.only_first),
        "only_second": list(found.only_second),
    }


def _short(figure: Figure) -> dict[str, Any]:
    return {name: value for name, value in figure_json(figure).items() if name in ("value", "u", "unit", "flags")}


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None


# Terminal and page


def print_section(section: Section, top: int) -> None:
    """A section on the terminal, at most so many lines of each table; charts are for pages."""
    out = console()
    out.print(Words(section.title, style="bold"))
    if section.lead:
        out.print(Words(section.lead))
    for block in section.blocks:
        if isinstance(block, Text):
            out.print(Words(block.text))
        elif isinstance(block, TableBlock):
            out.print(_rich(block, top))
            if len(block.rows) > top:
                out.print(f"{len(block.rows) - top} more lines: --top {len(block.rows)}, --json or --html FILE")
            if block.note:
                out.print(Words(block.note))


def _rich(block: TableBlock, top: int) -> Table:
    table = Table(title=block.title, title_justify="left")
    align = block.align or "l" + "r" * (len(block.head) - 1)
    for head, side in zip(block.head, align, strict=True):
        table.add_column(Words(head), justify="right" if side == "r" else "left")
    for row in block.rows[:top]:
        table.add_row(*(Words(_cell(cell)) for cell in row))
    return table


def _cell(cell: Cell) -> str:
    if cell is None:
        return "not measured"
    if isinstance(cell, Figure):
        return figure_text(cell) + (" *" if cell.flags else "")
    return cell if isinstance(cell, str) else plain_text(float(cell))


_PAGE = """{% import "blocks.html.j2" as b %}
<!DOCTYPE html>
<html lang="en">
<head>
{{ b.head(title, style, running_title, running_publisher) }}
</head>
<body class="broad">
<a class="skip" href="#comparison">Skip to the comparison</a>
<header class="page">
<p class="kicker"><bdi>{{ book.publisher }}</bdi></p>
<h1>{{ title }}</h1>
</header>
<main class="page" id="comparison" tabindex="-1">
{% set count = namespace(plots=0, tables=0) %}
{% for section in sections %}
<section aria-labelledby="part-{{ loop.index }}">
<h2 id="part-{{ loop.index }}">{{ section.title }}</h2>
{% if section.lead %}<p>{{ section.lead }}</p>{% endif %}
{% for block in section.blocks %}
{% set kind = block_kind(block) %}
{% if kind == "text" %}<p>{{ block.text }}</p>
{% elif kind == "chart" %}{% set count.plots = count.plots + 1 %}{{ b.chart(block, count.plots) }}
{% elif kind == "table" %}{% set count.tables = count.tables + 1 %}
<div class="scroll wide" role="region" aria-labelledby="table-{{ count.tables }}" tabindex="0">
<table>
<caption id="table-{{ count.tables }}">{{ block.title }}</caption>
<thead><tr>{% for head in block.head %}<th scope="col" class="{{ align(block, loop.index0) }}">{{ head }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in block.rows %}{% set address = addresses.get(count.tables, {}).get(loop.index0) %}
<tr>{% for value in row %}<td class="{{ align(block, loop.index0) }}">{% if is_figure(value) %}{% if address %}{{ b.cell(value, address) }}{% else %}{{ figure_text(value) }}{% endif %}{% else %}{{ b.cell(value) }}{% endif %}</td>{% endfor %}</tr>
{% endfor %}
</tbody>
</table>
</div>
{% if block.note %}<p class="note">{{ block.note }}</p>{% endif %}
{% endif %}
{% endfor %}
</section>
{% endfor %}
</main>
<footer class="page">
<p><strong>Nothing here says that a charger is safe.</strong> The page tells what was measured. Certification, local codes and licensed practice decide.</p>
<p>{% if book.title %}<bdi>{{ book.title }}</bdi>, {% endif %}<bdi>{{ book.publisher }}</bdi>.{% if book.licence %} Licence: {{ book.licence }}.{% endif %} Made with {{ software }}.</p>
</footer>
</body>
</html>
"""  # noqa: E501 - lines of HTML


def _write_page(
    path: Path, book: Book, sections: Sequence[Section], shelf: Shelf | None, compared: Comparison | None
) -> None:
    """One HTML file. Numbers link into the reports where these lie in the folder the page is written to, or below."""
    links: dict[int, str] = {}
    if shelf is not None and compared is not None:
        reports = book.derived() / "report"
        for row, k in enumerate(shelf_order(shelf, compared)):
            entry = shelf.entries[k]
            if entry.book == book.title and (reports / f"{entry.charger}.html").exists():
                links[row] = _relative(reports, path) + file_address(entry.charger).removeprefix("./")
    settings = book.settings
    write_page(path, sections, settings.publisher, title=settings.title, licence=settings.licence, addresses={1: links})


def write_page(
    path: Path,
    sections: Sequence[Section],
    publisher: str,
    *,
    title: str = "",
    licence: str = "",
    addresses: Mapping[int, Mapping[int, str]] | None = None,
) -> None:
    """One HTML file of these sections.

    Parameters
    ----------
    path
        The file.
    sections
        At least one; the first gives the page its title.
    publisher, title, licence
        Who says it, in which book, and under which licence.
    addresses
        Number of a table to its rows' links.
    """
    made = environment()
    text = made.from_string(_PAGE).render(
        title=f"{sections[0].title}: compared",
        style=style_sheet(),
        running_title=css_string(title),
        running_publisher=css_string(publisher),
        book={"title": title, "publisher": publisher, "licence": licence},
        sections=sections,
        addresses=addresses or {},
        align=made.globals["cell_align"],
        is_figure=lambda value: isinstance(value, Figure),
        software=f"Brickbook {__version__}",
    )
    write_atomic(path.resolve(), text.encode(), name=str(path))


def _relative(reports: Path, page: Path) -> str:
    relative = os.path.relpath(reports, page.resolve().parent).replace(os.sep, "/")
    return "./" if relative == "." else f"{relative}/"
