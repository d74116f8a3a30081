"""What each tester says in one figure: accounts of samples, put together like with like.

Of each figure every tester has one voice; who measured with another's instrument speaks with one voice with them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.core.instrument import Instrument
from brickbook.library.agreement import expanded_u
from brickbook.library.entries import split_budget

__all__ = [
    "Account",
    "Row",
    "Voice",
    "alike_rows",
    "plain_word",
    "shared_instruments",
    "taken",
    "voices_of",
    "without_doubles",
]

# Results that stand among the conditions, and dates of prices: no part of how a figure was taken.
_RESULTS = ("price_date", "input_w", "load_a")
_LOAD_IS_RESULT = frozenset(("voltage_deviation_ratio", "worst_voltage_v"))
# What hangs on the tester's choice of tariff or shop and not on the charger; and the largest of several readings at
# whatever load: who picks the largest picks its error too, and its uncertainty does not say so.
_CHOSEN = ("annual_cost", "price_per_", "peak_efficiency_")
_LOAD_RATIO, _LOAD_A = 0.01, 0.02  # loads nearer than this are one load: a share, and [A]


@dataclass(frozen=True, slots=True)
class Account:
    """What one tester says of one sample.

    Parameters
    ----------
    tester
        Who publishes it.
    place
        Where it is from, in words: a book's folder and charger, or a pack.
    maker, model, name
        Of the charger.
    serial, obtained
        Of the sample: serial number, and the date it came to the bench; "" where not stated.
    figures
        With budgets.
    instruments
        Of the tester's bench, by the names the budgets use.
    """

    tester: str
    place: str
    maker: str
    model: str
    name: str
    serial: str
    obtained: str
    figures: tuple[Figure, ...]
    instruments: Mapping[str, Instrument]

    @property
    def digests(self) -> frozenset[str]:
        """SHA-256 of the raw files behind the figures."""
        return frozenset(rows.file.sha256 for figure in self.figures for rows in figure.sources if rows.file.sha256)

    @property
    def sample(self) -> str:
        """The sample in words."""
        return f"serial {self.serial}" if self.serial else f"of {self.obtained}" if self.obtained else "not stated"


@dataclass(frozen=True, slots=True)
class Voice:
    """What one tester says in one figure; several who share instruments, or several samples, speak with one voice.

    Parameters
    ----------
    accounts, figures
        Places of the accounts in the agreement, and the figure of each.
    value, u
        The figure's, or the mean's.
    stated_u, scatter_u, scatter_dof
        Parts of u: from bounds, and from scatter with its degrees of freedom.
    zeta
        Departure from the consensus of the other voices over its standard uncertainty; NaN where there is none.
    p, p_adjusted
        Probability of as much by chance, alone and among all that were looked at.
    apart
        Whether it stands apart.
    torn
        Whether it and others differ and it cannot be told which of them stands apart.
    """

    accounts: tuple[int, ...]
    figures: tuple[Figure, ...]
    value: float
    u: float
    stated_u: float
    scatter_u: float
    scatter_dof: float
    zeta: float = math.nan
    p: float = math.nan
    p_adjusted: float = math.nan
    apart: bool = False
    torn: bool = False

    @property
    def parts(self) -> tuple[tuple[float, float], ...]:
        """Parts of u and their degrees of freedom."""
        return (self.stated_u, math.inf), (self.scatter_u, self.scatter_dof)

    @property
    def expanded(self) -> float:
        """U, 95 % whatever the scatter is."""
        return expanded_u(self.parts)


def plain_word(words: str) -> str:
    """Letters and digits alone, in lower case: two ways of writing one name are equal."""
    return re.sub(r"[\W_]", "", words.casefold())


def without_doubles(accounts: Sequence[Account]) -> tuple[list[Account], list[str]]:
    """Accounts without those made of raw files that another has as well."""
    kept: list[Account] = []
    notes = []
    for account in accounts:
        mine = account.digests
        same = next((k for k in kept if mine & k.digests), None)
        if same is None:
            kept.append(account)
            continue
        shared = len(mine & same.digests)
        whose = (
            f"both of {account.tester}"
            if plain_word(account.tester) == plain_word(same.tester)
            else f"{account.tester} and {same.tester}"
        )
        notes.append(
            f"{account.place} and {same.place} ({whose}) have {shared} raw files in common: they are one measurement, "
            f"and only {same.place} is counted."
        )
    return kept, notes


def shared_instruments(accounts: Sequence[Account]) -> dict[tuple[int, str], str]:
    """(account, instrument) to a common name, for instruments that several testers have by serial number."""
    owners: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for k, account in enumerate(accounts):
        for name, instrument in account.instruments.items():
            if instrument.serial.strip():
                owners.setdefault((instrument.role, plain_word(instrument.serial)), []).append((k, name))
    return {
        owner: f"{role} {serial}"
        for (role, serial), found in owners.items()
        if len({plain_word(accounts[k].tester) for k, _ in found}) > 1
        for owner in found
    }


Row = tuple[int, Figure]


def alike_rows(accounts: Sequence[Account]) -> tuple[list[list[Row]], int, int]:
    """Figures that are alike, at most one of each account.

    Returns
    -------
    rows, exact, doubled
        The figures; how many were left out as exact or chosen, and how many because the same account has another that
        is alike.
    """
    groups: dict[tuple[str, str, str, Conditions], list[Row]] = {}
    exact = 0
    for k, account in enumerate(accounts):
        for figure in account.figures:
            if not figure.u > 0 or figure.name.startswith(_CHOSEN):
                exact += 1
                continue
            groups.setdefault((figure.study, figure.name, figure.unit, taken(figure)), []).append((k, figure))
    parts = [part for group in groups.values() for part in _by_load(group)]
    found = [list({row[0]: row for row in reversed(part)}.values())[::-1] for part in parts]
    return found, exact, sum(map(len, parts)) - sum(map(len, found))


def taken(figure: Figure) -> Conditions:
    """Conditions that another tester's figure must share; the load is compared apart from them."""
    return figure.conditions.with_(**dict.fromkeys(_RESULTS))


def _by_load(group: Sequence[Row]) -> list[list[Row]]:
    """Parted where loads lie apart: a load set by hand is never quite the same twice."""
    if "load_a" not in group[0][1].conditions or group[0][1].name in _LOAD_IS_RESULT:
        return [list(group)]
    loads = sorted(group, key=lambda row: row[1].conditions.number("load_a"))
    parts = [[loads[0]]]
    for row in loads[1:]:
        here, first = (one[1].conditions.number("load_a") for one in (row, parts[-1][0]))
        if here - first > max(_LOAD_A, _LOAD_RATIO * here):
            parts.append([])
        parts[-1].append(row)
    return parts


def voices_of(
    group: Sequence[Row], accounts: Sequence[Account], shared_names: Mapping[tuple[int, str], str]
) -> list[Voice]:
    """One voice of each tester; those with an instrument's error in common are put together."""
    found: list[tuple[list[Row], set[str]]] = []
    for k, figure in sorted(group, key=lambda row: row[0]):
        marks = {f"tester {plain_word(accounts[k].tester)}"} | {
            shared_names[k, name]
            for name in {c.source.partition(": ")[0] for c in figure.budget}
            if (k, name) in shared_names
        }
        together = [one for one in found if one[1] & marks]
        found = [one for one in found if not one[1] & marks]
        found.append(
            (
                [*(row for rows, _ in together for row in rows), (k, figure)],
                marks.union(*(known for _, known in together)),
            )
        )
    voices = [_voice(rows, accounts, shared_names) for rows, _ in found]
    return sorted(voices, key=lambda voice: voice.accounts)


def _voice(rows: Sequence[Row], accounts: Sequence[Account], shared_names: Mapping[tuple[int, str], str]) -> Voice:
    """The mean of figures: errors of one instrument go through it whole, what is only stated as well."""
    n = len(rows)
    shared: dict[str, float] = {}
    stated = scatter = 0.0
    dof = math.inf
    for k, figure in rows:
        split = split_budget(figure, accounts[k].instruments)
        for source, u in split.shared.items():
            name, _, rest = source.partition(": ")
            owner = shared_names.get((k, name), f"{plain_word(accounts[k].tester)} {name}")
            key = f"{owner}: {rest}"
            shared[key] = shared.get(key, 0.0) + u / n
        # what a budget does not account for is taken as stated: a stranger's may be incomplete
        known = sum(component.u**2 for component in figure.budget)
        stated += math.hypot(split.stated_u, max(figure.u**2 - known, 0.0) ** 0.5) / n
        scatter += (split.scatter_u / n) ** 2
        dof = min(dof, split.scatter_dof)
    bounds = math.hypot(stated, *shared.values())
    return Voice(
        accounts=tuple(k for k, _ in rows),
        figures=tuple(figure for _, figure in rows),
        value=math.fsum(figure.value for _, figure in rows) / n,
        u=math.hypot(bounds, scatter**0.5),
        stated_u=bounds,
        scatter_u=scatter**0.5,
        scatter_dof=dof,
    )
