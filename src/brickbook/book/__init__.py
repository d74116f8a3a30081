"""The bench book as a folder on disk; the only code that touches it."""

from brickbook.book._files import write_atomic
from brickbook.book.book import Book, slug_problem
from brickbook.book.entries import IndexEntry
from brickbook.book.locks import Holder, break_lock, hold
from brickbook.book.portable import (
    Adopted,
    adopt,
    portable_files,
    remove_staged,
    staging_folder,
    used_instruments,
)
from brickbook.book.publications import (
    Publication,
    PublishedFigure,
    add_publication,
    published_state,
    read_publications,
)
from brickbook.book.remote import RemoteBook, push_book, remote_url
from brickbook.book.settings import BenchLimits, BookSettings, PublishSettings, TextFile

__all__ = [
    "Adopted",
    "BenchLimits",
    "Book",
    "BookSettings",
    "Holder",
    "IndexEntry",
    "Publication",
    "PublishSettings",
    "PublishedFigure",
    "RemoteBook",
    "TextFile",
    "add_publication",
    "adopt",
    "break_lock",
    "hold",
    "portable_files",
    "published_state",
    "push_book",
    "read_publications",
    "remote_url",
    "remove_staged",
    "slug_problem",
    "staging_folder",
    "used_instruments",
    "write_atomic",
]
