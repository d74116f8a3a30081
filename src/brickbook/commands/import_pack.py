"""`brickbook import PACK.zip`: a charger from a full data pack, analysed here and set beside the pack's own figures."""

from __future__ import annotations

import sys
from pathlib import Path

from rich.text import Text

from brickbook.book import Adopted, Book
from brickbook.commands.analyse import analyse_chargers
from brickbook.commands.common import console
from brickbook.publish.pack import Compared, compare_with, restore

__all__ = ["import_pack", "is_pack"]

_TOLD = 20


def is_pack(word: str) -> bool:
    """Whether a word of the command line is the path of a pack: no charger can be called so."""
    return word.lower().endswith(".zip")


def import_pack(path: Path, root: Path, name: str) -> int:
    """Take in a charger, analyse it, and say how many figures and findings are equal to those of the pack."""
    adopted, result = restore(path, root, name=name, tell=_Progress(path.name))
    out = console()
    out.print(Text(f"taken in: chargers/{adopted.slug}, every file with the SHA-256 the pack states"))
    _tell_added(adopted)
    book = Book.open(root)
    faults = analyse_chargers(book, [adopted.slug])
    for found in faults.values():
        for fault in found:
            sys.stderr.write(f"error: {fault}\n")
    if faults:
        return 1
    compared = compare_with(result, book, adopted.slug)
    _tell(compared, adopted)
    return 0


def _tell_added(adopted: Adopted) -> None:
    out = console()
    for what, names in (("instruments", adopted.instruments), ("shapes of logs", adopted.shapes)):
        if names:
            out.print(Text(f"{what} added: {', '.join(names)}"))


def _tell(compared: Compared, adopted: Adopted) -> None:
    out = console()
    out.print(
        f"equal to the pack: {compared.equal_figures} of {compared.figures} figures, "
        f"{compared.equal_findings} of {compared.findings} findings"
    )
    if compared.exact:
        return
    for text, lines in (
        ("different", compared.different),
        ("only in the pack", compared.missing),
        ("only here", compared.added),
    ):
        for line in lines[:_TOLD]:
            out.print(Text(f"  {text}: {line}"))
        if len(lines) > _TOLD:
            out.print(f"  {text}: {len(lines) - _TOLD} more")
    if adopted.settings:
        out.print(
            f"The two books differ in book.toml: {', '.join(adopted.settings)}. Figures and findings follow them."
        )
    if adopted.house_rules:
        out.print("The two books have other house rules: findings against the pack's own rules are not made here.")
    out.print("Another version of Brickbook may find otherwise as well: the pack's README says which one made it.")


class _Progress:
    """Plain lines on standard error, at every tenth."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.told = 0

    def __call__(self, done: int, total: int) -> None:
        tenth = 10 * done // max(total, 1)
        if tenth > self.told and total > 50_000_000:  # a small pack is there at once
            self.told = tenth
            sys.stderr.write(f"unpacking {self.name}: {10 * tenth} %\n")
