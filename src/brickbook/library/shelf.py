"""One figure over all chargers of a catalogue: which are alike, and each charger's place on the shelf."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, overload

import numpy as np

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import BookError, Fault
from brickbook.core.figure import Figure
from brickbook.core.study import Headline
from brickbook.library.catalogue import Catalogue
from brickbook.library.comparing import Items
from brickbook.library.likeness import difference_in_words
from brickbook.studies import STUDIES

__all__ = ["Group", "OnShelf", "Shelf", "better_end", "gather_shelf", "words_of"]

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
    entries: Sequence[OnShelf]
    items: Items
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
        "SELECT alike, unit, sum(chargers)::INT AS chargers FROM groups WHERE study = ? AND name = ? "
        "GROUP BY alike, unit ORDER BY chargers DESC, alike, unit",
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
    pick = next((h for h in headlines if at.matches({k: v for k, v in h.when.items() if k not in _PER_CHARGER})), None)
    by_size = pick is not None and "|value|" in (pick.largest, pick.smallest)
    entries, items = _picked(catalogue, (study, name, chosen["alike"], chosen["unit"]), own, pick, by_size=by_size)
    if not len(items):
        asked = ", ".join(f"{k}={v}" for k, v in own.items())
        raise BookError(Fault("--set", asked, f"no {study}/{name} was taken so.", "Leave it out to see what there is."))
    others = catalogue.rows(
        "SELECT title FROM chargers WHERE (book, charger) NOT IN (SELECT (book, charger) FROM picked) "
        "ORDER BY book, charger"
    )
    return Shelf(
        study=study,
        name=name,
        words=words_of(study, name),
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
        without=tuple(row["title"] for row in others),
    )


# Conditions that say which of a charger's figures is meant and that chargers need not share.
_PER_CHARGER = frozenset(("port", "ports", "contract"))


def _named(catalogue: Catalogue, figure: str) -> tuple[str, str]:
    study, slash, name = figure.rpartition("/")
    known = [(row["study"], row["name"]) for row in catalogue.rows("SELECT DISTINCT study, name FROM groups")]
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


class _Entries(Sequence[OnShelf]):
    """Chargers on the shelf; each is made when it is looked at, as ten thousand seldom are."""

    def __init__(self, columns: Mapping[str, Any], study: str, name: str, unit: str) -> None:
        self._columns = columns
        self._figure = (study, name, unit)

    def __len__(self) -> int:
        return len(self._columns["charger"])

    @overload
    def __getitem__(self, index: int) -> OnShelf: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[OnShelf]: ...
    def __getitem__(self, index: int | slice) -> OnShelf | Sequence[OnShelf]:
        if isinstance(index, slice):
            return tuple(self[k] for k in range(*index.indices(len(self))))
        row = {name: column[index] for name, column in self._columns.items()}
        study, name, unit = self._figure
        figure = Figure(
            study=study,
            name=name,
            value=float(row["value"]),
            unit=unit,
            u=float(row["u"]),
            conditions=Conditions.of(json.loads(row["conditions"])),
            method="",
            sources=(),
            lower=float(row["lower"]),
            upper=float(row["upper"]),
            flags=tuple(json.loads(row["flags"])),
        )
        return OnShelf(row["book"], row["charger"], row["title"], figure, int(row["others"]))


# One row of each charger, in the table "picked" of the connection. What decides among several is put in.
_PICK = """
CREATE OR REPLACE TEMP TABLE picked AS
SELECT *, row_number() OVER (ORDER BY book, charger) - 1 AS i FROM (
    SELECT book, charger, id, value, u, lower, upper, stated_u, scatter_u, scatter_dof, conditions, flags, c.title,
        count(*) OVER (PARTITION BY book, charger) - 1 AS others
    FROM figures f JOIN chargers c USING (book, charger)
    WHERE study = ? AND name = ? AND alike = ? AND unit = ? {own}
    QUALIFY row_number() OVER (PARTITION BY book, charger ORDER BY {order} conditions) = 1
)
"""


def _picked(
    catalogue: Catalogue,
    which: tuple[str, str, str, str],
    own: Mapping[str, Scalar],
    pick: Headline | None,
    *,
    by_size: bool,
) -> tuple[Sequence[OnShelf], Items]:
    connection = catalogue.connection
    filters = "".join(" AND json_extract_string(conditions, ?) = ?" for _ in own)
    asked = [part for key, value in own.items() for part in (f"$.{key}", str(value))]
    order, keys = _order(pick)
    # only words of this module are put into the text; all else goes in as parameters
    connection.execute(_PICK.format(own=filters, order=order), [*which, *asked, *keys])
    columns = connection.execute(
        "SELECT book, charger, title, value, u, conditions, flags, others, "
        "coalesce(lower, 'nan') AS lower, coalesce(upper, 'nan') AS upper, stated_u, scatter_u, "
        "coalesce(scatter_dof, 'inf') AS scatter_dof FROM picked ORDER BY i"
    ).fetchnumpy()
    many = len(catalogue.books) > 1
    # an instrument of another book is another instrument, whatever its name
    source = "book || chr(0) || source" if many else "source"
    # figures that are alike stand together, so that a range of numbers spares reading the errors of all others
    least, most = connection.execute("SELECT coalesce(min(id), 0), coalesce(max(id), 0) FROM picked").fetchall()[0]
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE parts AS SELECT i, {source} AS source, e.u "  # noqa: S608 - our own words
        "FROM picked JOIN errors e USING (book, id) WHERE e.id BETWEEN ? AND ?",
        [least, most],
    )
    names = [row[0] for row in connection.execute("SELECT DISTINCT source FROM parts ORDER BY source").fetchall()]
    sign = np.where((columns["value"] < 0) & by_size, -1.0, 1.0)
    n = len(columns["value"])
    shared = {}
    for name in names:
        part = connection.execute("SELECT i, u FROM parts WHERE source = ?", [name]).fetchnumpy()
        terms = np.zeros(n)
        terms[part["i"]] = part["u"]
        shared[name] = terms * sign
    labels = tuple(
        f"{charger} ({book})" if many else str(charger)
        for charger, book in zip(columns["charger"], columns["book"], strict=True)
    )
    items = Items(
        labels,
        np.asarray(columns["value"] * sign, dtype=np.float64),
        np.asarray(columns["stated_u"], dtype=np.float64),
        np.asarray(columns["scatter_u"], dtype=np.float64),
        np.asarray(columns["scatter_dof"], dtype=np.float64),
        shared,
    )
    return _Entries(columns, which[0], which[1], which[3]), items


def _order(pick: Headline | None) -> tuple[str, list[str]]:
    """What decides among several figures of one charger, as SQL, and its parameters."""
    number = "coalesce(try_cast(json_extract_string(conditions, ?) AS DOUBLE), {rest}) {way}, "
    if pick is not None and (pick.largest or pick.smallest):
        key, way = (pick.largest, "DESC") if pick.largest else (pick.smallest, "ASC")
        if key in ("value", "|value|"):
            return f"{'abs(value)' if key == '|value|' else 'value'} {way}, ", []
        return number.format(rest="'-inf'" if way == "DESC" else "'inf'", way=way), [f"$.{key}"]
    return number.format(rest="0", way="DESC"), ["$.nameplate_w"]


def _parse_alike(text: str) -> Conditions:
    found: dict[str, Scalar] = {}
    for part in filter(None, text.split(";")):
        key, _, value = part.partition("=")
        try:
            found[key] = float(value)
        except ValueError:
            found[key] = value
    return Conditions.of(found)


def words_of(study: str, name: str) -> str:
    """Words for a figure's name."""
    for one in STUDIES:
        if one.id == study:
            return one.figure_names.get(name, name)
    return name
