"""Locks of a book seen from outside: held for other things than a charger, and broken on purpose."""

from __future__ import annotations

from brickbook.book._lock import Holder, hold
from brickbook.book._lock import break_lock as _break
from brickbook.book.book import Book

__all__ = ["Holder", "break_lock", "hold"]


def break_lock(book: Book, slug: str) -> Holder | None:
    """Delete the lock of a charger whose holder is known to be gone; gives who had it, if the file says so.

    Raises
    ------
    BookError
        When there is no such charger, or a living process of this machine holds it.
    """
    name = f"{book.folder_name(slug)}/.lock"
    return _break(book.root / name, name=name)
