"""What every key of the book's files means, in words, for forms and for new files."""

from brickbook.book._words import WORDS

__all__ = ["WORDS"]
