"""The bench book as a folder on disk; the only code that touches it."""

from brickbook.book._files import write_atomic
from brickbook.book._lock import Holder
from brickbook.book.book import Book, slug_problem
from brickbook.book.entries import IndexEntry
from brickbook.book.settings import BenchLimits, BookSettings, TextFile

__all__ = ["BenchLimits", "Book", "BookSettings", "Holder", "IndexEntry", "TextFile", "slug_problem", "write_atomic"]
