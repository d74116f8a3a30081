"""`brickbook new`: begin a book, or a charger in it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from brickbook.book import Book
from brickbook.commands.common import BookOption, console

__all__ = ["app"]

app = App(name="new", help="Begin a book, or a charger in a book.")


@app.command
def book(
    path: Annotated[Path, Parameter(help="Folder that is empty or not there yet.")],
    /,
    *,
    title: Annotated[str, Parameter(help="Title of the book and its reports.")] = "A bench book",
    publisher: Annotated[str, Parameter(help="Who answers for it.")],
    licence: Annotated[str, Parameter(help="Under which reports and data are given out.")] = "",
    currency: Annotated[str, Parameter(help="Three-letter code.")] = "EUR",
) -> int:
    """Begin a bench book: a folder with its settings, instruments and house rules, every key explained."""
    made = Book.create(path, title=title, publisher=publisher, licence=licence, currency=currency)
    out = console()
    out.print(f"A new book in {path}: {made.title}")
    out.print("Next: describe your instruments and their accuracy in bench.toml, then: brickbook new charger NAME")
    return 0


@app.command
def charger(
    slug: Annotated[str, Parameter(help="Name of its folder: a-z, 0-9 and hyphens.")],
    /,
    *,
    name: Annotated[str, Parameter(help="As reports call it.")] = "",
    maker: Annotated[str, Parameter(help="Who makes it.")] = "",
    model: Annotated[str, Parameter(help="Model as on the label.")] = "",
    book: BookOption = Path(),
) -> int:
    """Begin a charger: a folder with a charger.toml to fill in, every key explained."""
    path = Book.open(book).new_charger(slug, name=name, maker=maker, model=model)
    out = console()
    out.print(f"A new charger: fill in {path}")
    out.print(f"Next: brickbook import {slug} FILE --study efficiency --set mains_v=230 ...")
    return 0
