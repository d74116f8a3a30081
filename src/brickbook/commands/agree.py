"""`brickbook agree`: several testers' books and data packs joined; what they say together, and who stands apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from brickbook.book import Book
from brickbook.commands.common import BookOption, JsonOption, console, open_book, print_json
from brickbook.commands.compare import print_section, write_page
from brickbook.commands.import_pack import is_pack
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure
from brickbook.core.page import Section
from brickbook.library.agreement import Consensus
from brickbook.library.testers import Account, Agreement, LikeFigure, join_accounts
from brickbook.library.testers_page import agreement_section, agreement_sections, figure_section, read_with
from brickbook.library.testers_sources import account_of_book, account_of_pack
from brickbook.publish.pack import Pack

__all__ = ["agree"]


def agree(
    *places: Annotated[Path, Parameter(help="Folders of books and files of data packs; a summary pack is enough.")],
    model: Annotated[str, Parameter(help="Only chargers with these words in maker, model or name.")] = "",
    figure: Annotated[str, Parameter(help='Show one figure tester by tester: its name, or "study/name".')] = "",
    least: Annotated[int, Parameter(help="Testers below which a note says that they are few.")] = 3,
    top: Annotated[int, Parameter(help="Lines of a table to print on the terminal.")] = 20,
    html: Annotated[Path | None, Parameter(help="Write a page to this file.")] = None,
    json: JsonOption = False,
    book: BookOption = Path(),
) -> int:
    """Join what several testers found of one charger model, and say whether they agree.

    Of one book only, the testers are this book's chargers and the packs named. Figures are joined when they were taken
    alike. Nothing is taken into any book.
    """
    if not places:
        problem = "at least one book or pack of another tester is needed."
        raise BookError(Fault("PLACE", "", problem, "For example: brickbook agree their-charger-summary.zip"))
    accounts = _accounts(places, book)
    found = join_accounts([a for a in accounts if _meant(a, model)], least=least)
    if not found:
        there = "; ".join(dict.fromkeys(f"{a.maker} {a.model} ({a.tester})" for a in accounts)) or "none"
        problem = "no charger model is in two of these places."
        raise BookError(Fault("PLACE", ", ".join(map(str, places)), problem, f"There are: {there}."))
    sections = [section for one in found for section in _sections(one, figure, pages=False)]
    if figure and not sections:
        names = sorted({f"{f.study}/{f.name}" for one in found for f in one.figures})
        problem = "no figure of this name was taken alike by two testers."
        raise BookError(Fault("--figure", figure, problem, f"There are: {', '.join(names) or 'none'}."))
    if html is not None:
        paged = [section for one in found for section in _sections(one, figure, pages=True)]
        write_page(html, paged, " and ".join(dict.fromkeys(name for one in found for name in one.testers)))
    if json:
        print_json({"models": [_json(one, figure) for one in found]})
        return 0
    for section in sections:
        print_section(section, top)
    if html is not None:
        console().print(f"The page: {html}")
    return 0


def _accounts(places: Sequence[Path], book: Path) -> list[Account]:
    """All accounts; one place alone is joined to the book one is in."""
    wanted = list(places)
    if len(wanted) == 1 and (book / "book.toml").is_file():
        wanted.insert(0, book)
    out = []
    for place in wanted:
        if is_pack(place.name):
            with Pack(place) as pack:
                out.append(account_of_pack(pack.read, pack.name))
        else:
            out += _of_book(open_book(place))
    return out


def _of_book(book: Book) -> list[Account]:
    out = [account_of_book(book, slug) for slug in book.chargers() if (book.derived(slug) / "result.json").is_file()]
    if not out:
        raise BookError(Fault(str(book.root), "", "no charger has been analysed.", "Run: brickbook analyse"))
    return out


def _meant(account: Account, words: str) -> bool:
    return words.casefold() in f"{account.maker} {account.model} {account.name}".casefold()


def _named(one: LikeFigure, name: str) -> bool:
    return name in (one.name, f"{one.study}/{one.name}")


def _sections(found: Agreement, figure: str, *, pages: bool) -> Sequence[Section]:
    if figure:
        return [figure_section(found, one) for one in found.figures if _named(one, figure)]
    return agreement_sections(found) if pages else (agreement_section(found),)


# JSON


def _json(found: Agreement, figure: str) -> dict[str, Any]:
    seen, expected = found.signals(2.0)
    return {
        "maker": found.maker,
        "model": found.model,
        "testers": [
            {
                "tester": account.tester,
                "from": account.place,
                "name": account.name,
                "serial": account.serial or None,
                "obtained": account.obtained or None,
                "instruments": {
                    name: {"role": one.role, "serial": one.serial or None, "calibrated": one.calibrated or None}
                    for name, one in sorted(account.instruments.items())
                },
            }
            for account in found.accounts
        ],
        "notes": list(found.notes),
        "tests": found.tests,
        "signals": {"zeta_2": seen, "expected_by_chance": expected},
        "figures": [_figure(one, found) for one in found.figures if not figure or _named(one, figure)],
        "not_comparable": [
            {"figure": f"{one.study}/{one.name}", "tester": one.tester, "count": one.count, "why": one.why}
            for one in found.unlike
        ],
        "left_out": found.exact,
    }


def _figure(one: LikeFigure, found: Agreement) -> dict[str, Any]:
    return {
        "figure": f"{one.study}/{one.name}",
        "unit": one.unit,
        "conditions": dict(one.conditions),
        "consensus": _consensus(one.consensus),
        "consensus_without_apart": None if one.without is None else _consensus(one.without),
        "robust": {"value": one.robust.value, "u": one.robust.u, "s": one.robust.s},
        "voices": [
            {
                "value": voice.value,
                "u": voice.u,
                "expanded": voice.expanded,
                "zeta": _finite(voice.zeta),
                "p": voice.p,
                "p_adjusted": voice.p_adjusted,
                "apart": voice.apart,
                "one_of_these_apart": voice.torn,
                "accounts": [
                    _row(found.accounts[k], k, figure) for k, figure in zip(voice.accounts, voice.figures, strict=True)
                ],
            }
            for voice in one.voices
        ],
        "pairs": [
            {"first": pair.first, "second": pair.second, "difference": pair.difference, "e_n": pair.e_n}
            for pair in one.pairs
        ],
    }


def _consensus(joint: Consensus) -> dict[str, Any]:
    return {
        "value": joint.value,
        "u": joint.u,
        "between": joint.between,
        "method": joint.method,
        "chi_squared": joint.chi_squared,
        "p": joint.p,
    }


def _row(account: Account, k: int, figure: Figure) -> dict[str, Any]:
    return {
        "account": k,
        "tester": account.tester,
        "value": figure.value,
        "u": figure.u,
        "lower": _finite(figure.lower),
        "upper": _finite(figure.upper),
        "conditions": dict(figure.conditions),
        "method": figure.method,
        "read_with": read_with(account, figure) or None,
        "flags": list(figure.flags),
    }


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None
