"""How everything is measured and judged: made from the studies and the rules themselves, so that it cannot differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.study import Study
from brickbook.publish.frame import Frame, render_page
from brickbook.publish.glossary import Linker
from brickbook.publish.looks import minus_signs
from brickbook.publish.numbers import name_in_words
from brickbook.rules import Rule
from brickbook.rules.document import limit_table, limit_words, rule_facts

__all__ = ["MethodsInput", "render_methods"]

_EXAMPLES = 3
_SENSES = {"min": "at least", "max": "at most", "range": "between"}


@dataclass(frozen=True, slots=True)
class MethodsInput:
    """All the page shows.

    Parameters
    ----------
    studies
        In the order they are shown.
    rules
        Published limits; rules of one id are shown together.
    house_rules
        The tester's own.
    methods
        "study/name" of a figure to the ways it was found in this book, with the source of each formula.
    decision
        "guarded" or "simple", as in book.toml.
    """

    studies: tuple[Study, ...]
    rules: tuple[Rule, ...]
    house_rules: tuple[Rule, ...] = ()
    methods: Mapping[str, Sequence[str]] | None = None
    decision: str = "guarded"


@dataclass(frozen=True, slots=True)
class _Figure:
    name: str
    words: str
    methods: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Limit:
    figure: str
    words: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class _Rule:
    id: str
    title: str
    facts: tuple[tuple[str, str], ...]
    limits: tuple[_Limit, ...]
    why_not: str


def render_methods(page: MethodsInput, frame: Frame) -> str:
    """The page of methods and limits as one HTML document."""
    names = {f"{s.id}/{name}": words for s in page.studies for name, words in s.figure_names.items()}
    return render_page(
        "methods.html.j2",
        frame,
        "methods.html",
        f"Methods and limits – {frame.book.title}",
        studies=[(study, _figures(study, page.methods or {})) for study in page.studies],
        rules=_rules(page.rules, names),
        house_rules=_rules(page.house_rules, names),
        decision=page.decision,
        term=Linker(),
    )


def _figures(study: Study, methods: Mapping[str, Sequence[str]]) -> list[_Figure]:
    listed = dict(study.figure_names)
    listed |= {
        name: name_in_words(name)
        for key in methods
        if key.startswith(f"{study.id}/") and (name := key.partition("/")[2]) not in listed
    }
    return [_Figure(name, words, _kinds(methods.get(f"{study.id}/{name}", ()))) for name, words in listed.items()]


def _kinds(methods: Iterable[str]) -> tuple[str, ...]:
    """One of each kind: methods that differ in their numbers alone are one."""
    kinds: dict[str, str] = {}
    for method in methods:
        kinds.setdefault(re.sub(r"[\d.,+-]+", "#", method), method)
    return tuple(kinds.values())[:_EXAMPLES]


def _rules(rules: Sequence[Rule], names: Mapping[str, str]) -> list[_Rule]:
    by_id: dict[str, list[Rule]] = {}
    for rule in rules:
        by_id.setdefault(rule.id, []).append(rule)
    return [
        _Rule(
            name,
            group[0].title,
            tuple((word, _plain(value)) for word, value in rule_facts(group)),
            tuple(_limits(group, names)),
            "; ".join(rule.not_available for rule in group if rule.not_available),
        )
        for name, group in by_id.items()
    ]


def _limits(group: Sequence[Rule], names: Mapping[str, str]) -> Iterable[_Limit]:
    for rule in group:
        for limit in rule.limits:
            head, rows = limit_table(limit)
            kept = [k for k in range(len(head)) if any(row[k] for row in rows)]
            words = "; ".join([_SENSES[limit.sense], limit.source or rule.source or "house rule", *limit_words(limit)])
            why = f" Why: {limit.why}" if limit.why else ""
            yield _Limit(
                names.get(limit.figure) or name_in_words(limit.figure.partition("/")[2]),
                _plain(words) + why,
                tuple(head[k] for k in kept),
                tuple(tuple(_plain(row[k]) for k in kept) for row in rows),
            )


def _plain(text: str) -> str:
    """A word of the Markdown document as a page has it."""
    return minus_signs(text.replace("*memory*", "from memory").replace("`", "").replace(" - ", " \N{MINUS SIGN} "))
