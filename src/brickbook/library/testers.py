"""Several testers on one charger model: whose number, how it was taken, and whether the numbers agree.

A tester gives an `Account` of one sample: figures with budgets, and what they were read with. Accounts of one model are
joined figure by figure, like with like. Of each figure every tester has one voice:

- two samples, or two accounts, of one tester make one voice, their mean: the same meters read both;
- testers whose instruments bear the same serial number make one voice wherever that instrument's error is in the
  figure: they are not independent;
- two accounts of the same raw files are one measurement, whoever publishes it, and only the first is counted.

The voices' consensus, and how far each stands from that of the others, are found by `agreement`. All figures and voices
are judged together by Holm's method: the probability of one false "stands apart" anywhere in the list is at most 5 %.
What testers have in common and does not show in their accounts (a calibration laboratory, a wrong idea) is not found by
any of this.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Figure
from brickbook.library.agreement import (
    Consensus,
    RobustMean,
    cautious_p,
    consensus,
    en_number,
    others_of,
    robust_mean,
)
from brickbook.library.comparing import holm
from brickbook.library.likeness import difference_in_words
from brickbook.library.testers_voices import (
    Account,
    Voice,
    alike_rows,
    plain_word,
    shared_instruments,
    taken,
    voices_of,
    without_doubles,
)

__all__ = ["Account", "Agreement", "LikeFigure", "Pair", "Unlike", "Voice", "agree", "join_accounts"]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two voices by their places: second minus first, and E_n."""

    first: int
    second: int
    difference: float
    e_n: float


@dataclass(frozen=True, slots=True)
class LikeFigure:
    """One figure that at least two voices have, taken alike.

    Parameters
    ----------
    study, name, unit, conditions
        Which figure; of the first voice where loads differ a little.
    voices
        In the order of the accounts.
    consensus, robust
        Of all voices.
    without
        Consensus of those that do not stand apart, where some do and two or more are left; else `None`.
    pairs
        Every two of them.
    """

    study: str
    name: str
    unit: str
    conditions: Conditions
    voices: tuple[Voice, ...]
    consensus: Consensus
    robust: RobustMean
    pairs: tuple[Pair, ...]
    without: Consensus | None = None

    @property
    def apart(self) -> tuple[Voice, ...]:
        """Voices that stand apart."""
        return tuple(voice for voice in self.voices if voice.apart)

    @property
    def torn(self) -> tuple[Voice, ...]:
        """Voices of which one stands apart, and which cannot be told."""
        return tuple(voice for voice in self.voices if voice.torn)


@dataclass(frozen=True, slots=True)
class Unlike:
    """Figures that one tester alone has so.

    Parameters
    ----------
    study, name
        Which kind.
    tester
        Whose.
    count
        How many.
    why
        What differs from the nearest figure of another tester; "no other tester has one" where there is none.
    """

    study: str
    name: str
    tester: str
    count: int
    why: str


@dataclass(frozen=True, slots=True)
class Agreement:
    """All testers of one model.

    Parameters
    ----------
    maker, model
        The charger, in the words of the first account.
    accounts
        Those that count.
    figures
        Those that stand apart most surely come first.
    unlike
        What could not be set side by side.
    notes
        What a reader must know.
    tests
        How many departures were judged together.
    exact
        Figures left out because they have no uncertainty, or are the tester's choice (a tariff, a price).
    """

    maker: str
    model: str
    accounts: tuple[Account, ...]
    figures: tuple[LikeFigure, ...]
    unlike: tuple[Unlike, ...]
    notes: tuple[str, ...]
    tests: int
    exact: int

    @property
    def testers(self) -> tuple[str, ...]:
        """Names of the testers, each once."""
        return tuple(dict.fromkeys(account.tester for account in self.accounts))

    def signals(self, at: float) -> tuple[int, float]:
        """Departures with |zeta| of at least this, and how many chance alone would be expected to give."""
        zetas = [abs(voice.zeta) for figure in self.figures for voice in _tested(figure.voices)]
        return sum(z >= at for z in zetas), len(zetas) * math.erfc(at / 2**0.5)


def join_accounts(accounts: Iterable[Account], *, least: int = 3, level: float = 0.05) -> tuple[Agreement, ...]:
    """All models that more than one account speaks of, each with its testers joined.

    Parameters
    ----------
    accounts
        Of any models. Maker and model are compared without case, blanks and signs.
    least
        Voices below which a note says that there are few.
    level
        Probability of one false "stands apart" in each model's list.
    """
    models: dict[tuple[str, str], list[Account]] = {}
    for account in accounts:
        models.setdefault((plain_word(account.maker), plain_word(account.model)), []).append(account)
    return tuple(agree(found, least=least, level=level) for found in models.values() if len(found) > 1)


def agree(accounts: Sequence[Account], *, least: int = 3, level: float = 0.05) -> Agreement:
    """Join accounts of one model.

    Parameters
    ----------
    accounts
        At least one.
    least, level
        As `join_accounts`.

    Raises
    ------
    ValueError
        Without an account, or when they speak of different models.
    """
    if len({(plain_word(a.maker), plain_word(a.model)) for a in accounts}) != 1:
        raise ValueError("accounts of one model are needed")
    counted, notes = without_doubles(accounts)
    shared_names = shared_instruments(counted)
    rows, exact, doubled = alike_rows(counted)
    figures, alone = [], []
    for group in rows:
        voices = voices_of(group, counted, shared_names)
        if len(voices) > 1:
            figures.append(_like(voices))
        else:
            alone.append(voices[0])
    judged, tests = _judged(figures, level)
    judged.sort(key=lambda f: (min(v.p_adjusted for v in f.voices), min(v.p for v in f.voices), f.study, f.name))
    return Agreement(
        maker=accounts[0].maker,
        model=accounts[0].model,
        accounts=tuple(counted),
        figures=tuple(judged),
        unlike=_unlike(alone, counted),
        notes=(*notes, *_notes(counted, shared_names, judged, least, doubled)),
        tests=tests,
        exact=exact,
    )


# Judging


def _like(voices: Sequence[Voice]) -> LikeFigure:
    values, u = [v.value for v in voices], [v.u for v in voices]
    joint = consensus(values, u)
    first = voices[0].figures[0]
    return LikeFigure(
        study=first.study,
        name=first.name,
        unit=first.unit,
        conditions=first.conditions,
        voices=tuple(
            replace(voice, zeta=float(zeta), p=_p(voices, k))
            for k, (voice, zeta) in enumerate(zip(voices, joint.zeta, strict=True))
        ),
        consensus=joint,
        robust=robust_mean(values),
        pairs=tuple(
            Pair(
                i,
                j,
                voices[j].value - voices[i].value,
                en_number(voices[j].value, voices[j].expanded, voices[i].value, voices[i].expanded),
            )
            for i in range(len(voices))
            for j in range(i + 1, len(voices))
        ),
    )


def _p(voices: Sequence[Voice], k: int) -> float:
    """Probability of so large a departure from the others by chance; what is known through few readings counts so."""
    mean, weights, between = others_of([v.value for v in voices], [v.u for v in voices], k)
    parts = [*voices[k].parts]
    stated = 0.0
    for voice, weight in zip(voices, weights, strict=True):
        stated += (weight * voice.stated_u) ** 2
        parts.append((float(weight) * voice.scatter_u, voice.scatter_dof))
    parts.append((stated**0.5, math.inf))
    # known from the others alone; one more tester varies as they do
    if between:
        parts.append((between * (1.0 + float(weights @ weights)) ** 0.5, float(len(voices) - 2)))
    return cautious_p(voices[k].value - mean, parts)


def _blamed(voices: Sequence[Voice], tests: int, level: float) -> tuple[Voice, ...]:
    """Who stands apart, where a voice far off also pulls the others' consensus away from those who are right.

    A voice stands apart when the rest agree without it; where that holds for more than one, it cannot be told which.
    Where it holds for none the surest stands apart, and the rest are looked at again.
    """
    left = list(voices)
    apart: set[tuple[int, ...]] = set()
    torn: set[tuple[int, ...]] = set()
    p = {voice.accounts: voice.p_adjusted for voice in voices}
    while flagged := [voice for voice in left if p[voice.accounts] <= level]:
        without = {voice.accounts: _p_without(left, voice, p, tests) for voice in flagged}
        settling = [v for v in flagged if all(x > level for x in without[v.accounts].values())]
        if len(settling) > 1:
            torn = {voice.accounts for voice in settling}
            break
        worst = settling[0] if settling else min(flagged, key=lambda v: (p[v.accounts], -abs(v.zeta)))
        apart.add(worst.accounts)
        left.remove(worst)
        p |= without[worst.accounts]
    return tuple(
        replace(v, p_adjusted=p[v.accounts], apart=v.accounts in apart, torn=v.accounts in torn) for v in voices
    )


def _p_without(
    voices: Sequence[Voice], one: Voice, p: Mapping[tuple[int, ...], float], tests: int
) -> dict[tuple[int, ...], float]:
    """Adjusted probabilities of the rest without one voice, never less than before; the factor is Bonferroni's."""
    rest = [voice for voice in voices if voice is not one]
    if len(rest) < 2:
        return {}
    return {v.accounts: max(p[v.accounts], min(1.0, tests * _p(rest, k))) for k, v in enumerate(rest)}


def _tested(voices: Sequence[Voice]) -> Sequence[Voice]:
    """Of two voices the departures are one and the same."""
    return voices[:1] if len(voices) == 2 else voices


def _judged(figures: Sequence[LikeFigure], level: float) -> tuple[list[LikeFigure], int]:
    """Figures with adjusted probabilities, and how many were judged."""
    p = [voice.p for figure in figures for voice in _tested(figure.voices)]
    adjusted = holm(np.array(p, dtype=np.float64)).tolist()
    rest = iter(adjusted)
    out = []
    for figure in figures:
        found = [next(rest) for _ in _tested(figure.voices)]
        found += found[: len(figure.voices) - len(found)]
        voices = tuple(replace(voice, p_adjusted=p) for voice, p in zip(figure.voices, found, strict=True))
        voices = _blamed(voices, len(adjusted), level)
        rest_of = [voice for voice in voices if not voice.apart]
        without = (
            consensus([v.value for v in rest_of], [v.u for v in rest_of]) if 2 <= len(rest_of) < len(voices) else None
        )
        out.append(replace(figure, voices=voices, without=without))
    return out, len(p)


# Words


def _unlike(alone: Sequence[Voice], accounts: Sequence[Account]) -> tuple[Unlike, ...]:
    others: dict[tuple[str, str], list[tuple[str, Figure, Conditions]]] = {}
    for account in accounts:
        for figure in account.figures:
            others.setdefault((figure.study, figure.name), []).append(
                (plain_word(account.tester), figure, taken(figure))
            )
    counts: Counter[tuple[str, str, str, str]] = Counter()
    for voice in alone:
        figure, tester = voice.figures[0], accounts[voice.accounts[0]].tester
        mine = taken(figure)
        near = min(
            (
                (len(set(mine.items_) ^ set(at.items_)) + (other.unit != figure.unit), other, at)
                for who, other, at in others[figure.study, figure.name]
                if who != plain_word(tester)
            ),
            key=lambda found: found[0],
            default=None,
        )
        counts[figure.study, figure.name, tester, _why(figure, mine, near)] += 1
    return tuple(Unlike(study, name, tester, n, why) for (study, name, tester, why), n in sorted(counts.items()))


def _why(figure: Figure, mine: Conditions, near: tuple[int, Figure, Conditions] | None) -> str:
    if near is None:
        return "no other tester has one"
    _, other, at = near
    if other.unit != figure.unit:
        return f"unit {figure.unit or 'none'} against {other.unit or 'none'}"
    # the key of a mean over a harmonic, an event and the like is the tester's alone where nothing else differs
    return difference_in_words(mine, at) or "another load"


def _notes(
    accounts: Sequence[Account],
    shared_names: Mapping[tuple[int, str], str],
    figures: Sequence[LikeFigure],
    least: int,
    doubled: int,
) -> list[str]:
    notes = []
    testers = list(dict.fromkeys(account.tester for account in accounts))
    if not figures:
        notes.append("No two testers have a figure that was taken alike.")
    most = max((len(figure.voices) for figure in figures), default=0)
    if 0 < most < least:
        notes.append(
            f"Only {most} independent testers: a difference shows, but with two of them not who stands apart, and a "
            "consensus of so few says little more than each alone."
        )
    serials = [plain_word(account.serial) for account in accounts]
    if all(serials) and len(set(serials)) == 1:
        notes.append(f"All measured one sample, serial {accounts[0].serial}: it may have changed in between.")
    elif all(serials):
        notes.append(
            f"{len(set(serials))} samples with different serial numbers: samples of one model differ, so a tester who "
            "stands apart may have had another sample, and not another opinion."
        )
    else:
        notes.append("Not every sample has a serial number: whether it was one sample or several is not known.")
    for tester in testers:
        count = sum(plain_word(account.tester) == plain_word(tester) for account in accounts)
        if count > 1:
            notes.append(f"{tester} measured {count} samples: their mean is one voice.")
    for common in sorted(set(shared_names.values())):
        who = sorted({accounts[k].tester for (k, _), name in shared_names.items() if name == common})
        notes.append(
            f"{' and '.join(who)} used the same instrument ({common}): where its error is in a figure they have one "
            "voice."
        )
    if doubled:
        notes.append(f"{doubled} figures are left out, because their tester has another that was taken alike.")
    return notes
