"""The local web app over a book: the same functions as the command line, in a browser."""

from __future__ import annotations

from brickbook.app.guard import Door
from brickbook.app.site import create_app, serve_book

__all__ = ["Door", "create_app", "serve_book"]
