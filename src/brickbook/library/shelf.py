"""One figure over all chargers of a catalogue: which are alike, and each charger's place on the shelf."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure
from brickbook.core.study import Headline
from brickbook.library.catalogue import Catalogue
from brickbook.library.comparing import Item
from brickbook.library.likeness import difference_in_words
from brickbook.studies import STUDIES

__all__ = ["Group", "OnShelf", "Shelf", "better_end", "gather_shelf"]

# Which end is the good one; for figures not named here neither is (common practice, no source).
_SMALL_IS_GOOD = (
    "no_load_power", "standby_power", "annual_", "price", "mass", "volume", "loss", "ripple", "thd", "deviation",
    "temperature", "interruption", "resistance", "error_ratio", "inrush",
)  # fmt: skip
_LARGE_IS_GOOD = ("efficiency_ratio", "power_density", "specific_power", "power_factor", "delivered_power", "sustained")


def better_end(name: str) -> Literal["largest", "smallest", ""]:
    """Which end of a figure is the good one; "" where that is a matter of taste."""
    if any(part in name for part in _LARGE_IS_GOOD):
        return "largest"
    return "smallest" if any(part in name for part in _SMALL_IS_GOOD) else ""


@dataclass(frozen=True, slots=True)
class OnShelf:
    """A charger's figure on the shelf.

    Parameters
    ----------
    book, charger, title
        Where it is from.
    figure
        As a figure: value, interval, conditions, flags; without method, sources and budget, which its report has.
    others
        Figures of the same charger taken alike (another port), left out here.
    """

    book: str
    charger: str
    title: str
    figure: Figure
    others: int = 0


@dataclass(frozen=True, slots=True)
class Group:
    """Figures of one name that are alike.

    Parameters
    ----------
    conditions
        What they share.
    chargers
        How many chargers have one.
    why_not
        Why they cannot be compared with the group chosen; "" for that one.
    """

    conditions: Conditions
    chargers: int
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Shelf:
    """A figure of all chargers that have it, alike.

    Parameters
    ----------
    study, name, words, unit
        Which figure.
    conditions
        What all share.
    entries, items
        The chargers, and the same for `compare_items`.
    by_size
        Whether `items` hold the size of the value without its sign: of a deviation, how large it is.
    groups
        All groups of this figure, the chosen one first.
    without
        Chargers of the catalogue that have no such figure.
    """

    study: str
    name: str
    words: str
    unit: str
    conditions: Conditions
    entries: tuple[OnShelf, ...]
    items: tuple[Item, ...]
    by_size: bool
    groups: tuple[Group, ...]
    without: tuple[str, ...]


def gather_shelf(catalogue: Catalogue, figure: str, when: Mapping[str, Scalar] | None = None) -> Shelf:
    """One figure of all chargers, like with like.

    Parameters
    ----------
    catalogue
        All chargers.
    figure
        Its name, or "study/name".
    when
        Conditions it must have. Of the groups that are left, the one meant by the study's headline is taken, else the
        one with the most chargers. Where a charger has several figures in the group (of several ports), the one the
        study's headline would pick is taken, else that of the largest nameplate power, else of the first port.

    Raises
    ------
    BookError
        When no charger has such a figure; names that are near are told.
    """
    study, name = _named(catalogue, figure)
    wanted = dict(when or {})
    counts = catalogue.rows(
        "SELECT alike, unit, any_value(conditions) AS conditions, count(DISTINCT (book, charger)) AS chargers "
        "FROM figures WHERE study = ? AND name = ? GROUP BY alike, unit ORDER BY chargers DESC, alike, unit",
        (study, name),
    )
    own = {k: v for k, v in wanted.items() if k in _PER_CHARGER}
    shared = {k: v for k, v in wanted.items() if k not in _PER_CHARGER}
    groups = [(row, _parse_alike(row["alike"])) for row in counts]
    fitting = [(row, at) for row, at in groups if at.matches(shared)]
    if not fitting:
        there = "; ".join(at.full_text() or "no conditions" for _, at in groups[:6])
        asked = ", ".join(f"{k}={v}" for k, v in wanted.items())
        raise BookError(Fault("--set", asked, f"no {study}/{name} was taken so.", f"There are: {there}."))
    headlines = [h for s in STUDIES if s.id == study for h in s.headlines if h.name == name]
    chosen, at = _choose(fitting, headlines)
    rows = catalogue.rows(
        "SELECT f.*, c.title FROM figures f JOIN chargers c USING (book, charger) "
        "WHERE study = ? AND name = ? AND alike = ? AND unit = ? ORDER BY book, charger, conditions",
        (study, name, chosen["alike"], chosen["unit"]),
    )
    pick = next((h for h in headlines if at.matches({k: v for k, v in h.when.items() if k not in _PER_CHARGER})), None)
    by_size = pick is not None and "|value|" in (pick.largest, pick.smallest)
    entries, items = _entries(rows, own, pick, many_books=len(catalogue.books) > 1, by_size=by_size)
    if not items:
        asked = ", ".join(f"{k}={v}" for k, v in own.items())
        raise BookError(Fault("--set", asked, f"no {study}/{name} was taken so.", "Leave it out to see what there is."))
    have = {(e.book, e.charger) for e in entries}
    everyone = catalogue.rows("SELECT book, charger, title FROM chargers ORDER BY book, charger")
    return Shelf(
        study=study,
        name=name,
        words=_words(study, name),
        unit=chosen["unit"],
        conditions=at,
        entries=entries,
        items=items,
        by_size=by_size,
        groups=(
            Group(at, chosen["chargers"]),
            *(
                Group(
                    other,
                    row["chargers"],
                    difference_in_words(at, other)
                    or f"unit {chosen['unit'] or 'none'} against {row['unit'] or 'none'}",
                )
                for row, other in groups
                if row is not chosen
            ),
        ),
        without=tuple(row["title"] for row in everyone if (row["book"], row["charger"]) not in have),
    )


# Conditions that say which of a charger's figures is meant and that chargers need not share.
_PER_CHARGER = frozenset(("port", "ports", "contract"))


def _named(catalogue: Catalogue, figure: str) -> tuple[str, str]:
    study, slash, name = figure.rpartition("/")
    known = [(row["study"], row["name"]) for row in catalogue.rows("SELECT DISTINCT study, name FROM figures")]
    found = [pair for pair in known if pair[1] == name and (not slash or pair[0] == study)]
    if len(found) == 1:
        return found[0]
    names = sorted({f"{s}/{n}" for s, n in known})
    if found:
        listed = ", ".join(sorted(f"{s}/{n}" for s, n in found))
        raise BookError(Fault("FIGURE", figure, "is a figure of several studies.", f"Say which: {listed}."))
    near = difflib.get_close_matches(figure if slash else name, names if slash else [n for _, n in known], n=3)
    if not known:
        raise BookError(Fault("FIGURE", figure, "no charger has been analysed yet.", "Run: brickbook analyse"))
    hint = f"Did you mean {' or '.join(dict.fromkeys(near))}?" if near else f"There are: {', '.join(names)}."
    raise BookError(Fault("FIGURE", figure, "no charger has a figure of this name.", hint))


def _choose(
    fitting: Sequence[tuple[dict[str, Any], Conditions]], headlines: Sequence[Headline]
) -> tuple[dict[str, Any], Conditions]:
    for headline in headlines:
        when = {k: v for k, v in headline.when.items() if k not in _PER_CHARGER}
        for row, at in fitting:
            if at.matches(when):
                return row, at
    return fitting[0]


def _entries(
    rows: Sequence[dict[str, Any]], own: Mapping[str, Scalar], pick: Headline | None, *, many_books: bool, by_size: bool
) -> tuple[tuple[OnShelf, ...], tuple[Item, ...]]:
    by_charger: dict[tuple[str, str], list[tuple[Figure, dict[str, Any]]]] = {}
    for row in rows:
        figure = _figure(row)
        if figure.conditions.matches(own):
            by_charger.setdefault((row["book"], row["charger"]), []).append((figure, row))
    entries, items = [], []
    for (book, charger), found in by_charger.items():
        figure, row = found[0] if len(found) == 1 else _best(found, pick)
        title = row["title"]
        entries.append(OnShelf(book, charger, title, figure, len(found) - 1))
        # an instrument of another book is another instrument, whatever its name
        prefix = f"{book}\0" if many_books else ""
        shared = {prefix + part["source"]: part["u"] for part in row["shared"] or ()}
        label = f"{charger} ({book})" if many_books else charger
        dof = row["scatter_dof"] if row["scatter_dof"] is not None else float("inf")
        sign = -1.0 if by_size and figure.value < 0 else 1.0
        items.append(
            Item(
                label,
                sign * figure.value,
                row["stated_u"],
                row["scatter_u"],
                dof,
                {source: sign * u for source, u in shared.items()},
            )
        )
    return tuple(entries), tuple(items)


def _best(found: Sequence[tuple[Figure, dict[str, Any]]], pick: Headline | None) -> tuple[Figure, dict[str, Any]]:
    if pick is not None and (pick.largest or pick.smallest):
        figure = pick.pick([f for f, _ in found])
        for pair in found:
            if pair[0] is figure:
                return pair

    def power(pair: tuple[Figure, dict[str, Any]]) -> tuple[float, str]:
        at = pair[0].conditions
        size = at.number("nameplate_w") if "nameplate_w" in at else 0.0
        return -size, at.full_text()

    return min(found, key=power)


def _figure(row: Mapping[str, Any]) -> Figure:
    nan = float("nan")
    return Figure(
        study=row["study"],
        name=row["name"],
        value=row["value"],
        unit=row["unit"],
        u=row["u"],
        conditions=Conditions.of(json.loads(row["conditions"])),
        method="",
        sources=(),
        lower=nan if row["lower"] is None else row["lower"],
        upper=nan if row["upper"] is None else row["upper"],
        flags=tuple(row["flags"] or ()),
    )


def _parse_alike(text: str) -> Conditions:
    found: dict[str, Scalar] = {}
    for part in filter(None, text.split(";")):
        key, _, value = part.partition("=")
        try:
            found[key] = float(value)
        except ValueError:
            found[key] = value
    return Conditions.of(found)


def _words(study: str, name: str) -> str:
    for one in STUDIES:
        if one.id == study:
            return one.figure_names.get(name, name)
    return name
