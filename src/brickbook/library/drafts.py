"""Drafted conclusions on disk: derived/<slug>/conclusion.json and conclusion.md, beside the tester's verdict.md.

They are made anew when a result, the house rules, or the charger's place on the shelf has changed. verdict.md is the
tester's and is never written here.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from brickbook.analysis import Stored, code_digest, load
from brickbook.analysis.analyse import house_rules
from brickbook.book import Book
from brickbook.core.documents import json_of
from brickbook.core.errors import BookError, Fault
from brickbook.library.catalogue import open_catalogue
from brickbook.library.conclusion import Conclusion, Say, Sentence, draft_conclusion
from brickbook.library.opinion import Opinion, read_opinion
from brickbook.library.standing import Standing, main_shelves, standings
from brickbook.studies import STUDIES

__all__ = ["conclusion_markdown", "read_conclusion", "refresh_conclusions"]

_JSON, _MARKDOWN = "conclusion.json", "conclusion.md"


def refresh_conclusions(book: Book, slugs: Sequence[str] | None = None, *, say: Say) -> tuple[str, ...]:
    """Draft the conclusions that are out of date; returns the chargers whose conclusion was written.

    Parameters
    ----------
    book
        The book; nothing is analysed here.
    slugs
        Only these chargers; all that have a result by default.
    say
        Writes a number: value, expanded uncertainty, unit, the figure's name.

    Raises
    ------
    BookError
        When house-rules.toml or a result is wrong.
    """
    text = book.house_rules
    opinion = Opinion() if text is None else read_opinion(text.text, text.file)
    with open_catalogue([book]) as catalogue:
        found = standings(main_shelves(catalogue, book.settings.mains))
        title = catalogue.books[0]
    written = []
    for slug in book.chargers() if slugs is None else slugs:
        result = book.derived(slug) / "result.json"
        if not result.exists():
            continue
        own = found.get((title, slug), ())
        made_from = _digest(result.read_bytes(), "" if text is None else text.text, own)
        if _made_from(book, slug) == made_from:
            continue
        conclusion = _draft(book, slug, load(book, slug), opinion, own, say)
        plain = {"made_from": made_from, **_plain(conclusion)}
        book.write(book.derived(slug) / _MARKDOWN, conclusion_markdown(conclusion).encode())
        content = json.dumps(plain, ensure_ascii=False, indent=1, allow_nan=False)
        book.write(book.derived(slug) / _JSON, content.encode())
        written.append(slug)
    return tuple(written)


def read_conclusion(book: Book, slug: str) -> Conclusion | None:
    """The drafted conclusion of a charger as it lies there; `None` when there is none.

    Raises
    ------
    BookError
        When the file cannot be read as one.
    """
    data = _read(book, slug)
    if data is None:
        return None
    try:
        low, high = (math.nan if x is None else float(x) for x in data["kept_ratio"])
        sentences = tuple(
            Sentence(s["text"], tuple(s["figures"]), tuple(s["findings"]), s["kind"]) for s in data["sentences"]
        )
        return Conclusion(data["judgement"], low, high, sentences)
    except (KeyError, TypeError, ValueError) as error:
        name = f"derived/{slug}/{_JSON}"
        raise BookError(Fault(name, "", "cannot be read.", "Delete it: it is made again.")) from error


def conclusion_markdown(conclusion: Conclusion) -> str:
    """The draft as Markdown; keys of figures and findings stand in conclusion.json."""
    lines = [
        "# Drafted conclusion",
        "",
        "Drafted from the findings alone; the tester's own words are in verdict.md.",
        "",
    ]
    for part in conclusion.parts:
        lines += [f"## {part.title}", "", *(f"- {sentence.text}" for sentence in part.sentences), ""]
    return "\n".join(lines)


def _draft(book: Book, slug: str, stored: Stored, opinion: Opinion, own: tuple[Standing, ...], say: Say) -> Conclusion:
    charger = book.charger(slug)
    studied = {figure.study for figure in stored.figures}
    return draft_conclusion(
        charger,
        stored.figures,
        stored.findings,
        say=say,
        opinion=opinion,
        house=house_rules(book),
        unmeasured=tuple(charger.claims[k] for k in stored.unmeasured if k < len(charger.claims)),
        # a single port has nothing to share
        studies_without=tuple(
            s.title
            for s in STUDIES
            if s.needs_readings and s.id not in studied and (s.id != "sharing" or len(charger.ports) > 1)
        ),
        standings=own,
        words={f"{s.id}/{name}": words for s in STUDIES for name, words in s.figure_names.items()},
        day=max((entry.taken[:10] for entry in book.index(slug) if entry.taken), default=""),
    )


def _plain(conclusion: Conclusion) -> dict[str, Any]:
    ends = (conclusion.kept_low_ratio, conclusion.kept_high_ratio)
    return {
        "judgement": conclusion.judgement,
        "kept_ratio": [None if math.isnan(x) else x for x in ends],
        "sentences": [
            {"kind": s.kind, "text": s.text, "figures": list(s.figures), "findings": list(s.findings)}
            for s in conclusion.sentences
        ],
    }


def _digest(result: bytes, opinion: str, own: tuple[Standing, ...]) -> str:
    total = hashlib.sha256(code_digest().encode())
    for part in (result, opinion.encode(), repr(own).encode()):
        total.update(hashlib.sha256(part).digest())
    return total.hexdigest()


def _made_from(book: Book, slug: str) -> str:
    try:
        data = _read(book, slug)
    except BookError:
        return ""
    return "" if data is None else str(data.get("made_from", ""))


def _read(book: Book, slug: str) -> Mapping[str, Any] | None:
    try:
        data = json_of((book.derived(slug) / _JSON).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        name = f"derived/{slug}/{_JSON}"
        raise BookError(Fault(name, "", "cannot be read.", "Delete it: it is made again.")) from error
    if not isinstance(data, dict):
        raise BookError(Fault(f"derived/{slug}/{_JSON}", "", "cannot be read.", "Delete it: it is made again."))
    return data
