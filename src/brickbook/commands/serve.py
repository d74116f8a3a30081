"""`brickbook serve`: the book in a browser on this computer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from annotated_types import Ge, Le
from cyclopts import Parameter

from brickbook.app import serve_book
from brickbook.commands.common import open_book

__all__ = ["serve"]


def serve(
    book: Annotated[Path, Parameter(help="Folder of the book.", env_var="BRICKBOOK_BOOK")] = Path(),
    /,
    *,
    host: Annotated[str, Parameter(help="Address to listen at; the default is this computer alone.")] = "127.0.0.1",
    port: Annotated[
        Annotated[int, Ge(0), Le(65535)] | None, Parameter(help="Port; 8420, or a free one, if left out.")
    ] = None,
    browser: Annotated[bool, Parameter(help="Open the page in the browser.")] = True,
    upload_mb: Annotated[int, Ge(1), Parameter(help="Largest file taken in [MB].")] = 512,
) -> int:
    """Serve the book to a browser: shelf, chargers, files, figures, reports, and the bench.

    The page opens with the token in the address shown; without it nobody is let in. A run on the bench is a process
    of its own: it goes on when the browser or this command ends.
    """
    return serve_book(open_book(book).root, host=host, port=port, browser=browser, upload_bytes=upload_mb * 1_000_000)
