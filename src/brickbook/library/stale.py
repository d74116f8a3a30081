"""Which of the results that are about to be shown are out of date."""

from __future__ import annotations

from collections.abc import Iterable

from brickbook.book import Book
from brickbook.library.overview import Freshness

__all__ = ["MOST_CHECKED", "stale_among", "stale_words"]

MOST_CHECKED = 400  # chargers; of more only the first are looked at, as a terminal shows no more


def stale_among(book: Book, slugs: Iterable[str]) -> tuple[str, ...]:
    """Chargers whose stored result was made from other files, or by other code, than are there now.

    Parameters
    ----------
    book
        Their book.
    slugs
        In the order of their weight: of more than `MOST_CHECKED` the first are checked.
    """
    freshness = Freshness(book)
    wanted = list(dict.fromkeys(slugs))[:MOST_CHECKED]
    return tuple(slug for slug in wanted if freshness.of(slug) == "stale")


def stale_words(stale: tuple[str, ...], *, most: int = 8) -> str:
    """A warning that names them; "" where there are none."""
    if not stale:
        return ""
    named = ", ".join(stale[:most]) + (f" and {len(stale) - most} more" if len(stale) > most else "")
    return f"Out of date, as files or the program have changed since: {named}. Run: brickbook analyse"
