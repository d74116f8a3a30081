"""Edits of a charger's files by a form: comments and order stay, and nobody's edit is written over unseen.

Whoever edits gets the text's digest with it and gives it back with the edit; where the file has another digest by then,
somebody else has changed it and nothing is written.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from difflib import SequenceMatcher
from typing import Any, Literal

import tomlkit
from tomlkit.items import AoT

from brickbook.book._check import parse
from brickbook.book._files import read_text
from brickbook.book._lock import hold
from brickbook.book._write import verified
from brickbook.book.book import Book, read_charger
from brickbook.core.charger import Charger
from brickbook.core.errors import BookError, Fault

__all__ = [
    "ChangedError",
    "Seen",
    "Words",
    "charger_faults",
    "charger_seen",
    "merged",
    "save_charger",
    "save_words",
    "toml_data",
    "words_seen",
]

Words = Literal["notes", "verdict"]


class ChangedError(BookError):
    """The file was changed by somebody else since it was read; `now` is what it says now."""

    def __init__(self, file: str, now: Seen) -> None:
        problem = "was changed by somebody else since it was read here; nothing was written."
        super().__init__(Fault(file, "", problem, "Look at what it says now, then save again."))
        self.now = now


@dataclass(frozen=True, slots=True)
class Seen:
    """A file's text as read, and the digest that stands for it."""

    file: str
    text: str

    @property
    def digest(self) -> str:
        """SHA-256 of the text, in hexadecimal."""
        return hashlib.sha256(self.text.encode("utf-8", "surrogatepass")).hexdigest()


def charger_seen(book: Book, slug: str) -> Seen:
    """The text of a charger.toml.

    Raises
    ------
    BookError
        When there is no such charger, or no such file.
    """
    file = f"{book.folder_name(slug)}/charger.toml"
    text = read_text(book.root / file, file)
    if text is None:
        raise BookError(Fault(file, "", "is missing.", "Write it, or remove the charger's folder."))
    return Seen(file, text)


def toml_data(seen: Seen) -> dict[str, Any]:
    """The data of a file, dates as ISO 8601 text; raises `BookError` when it is not TOML."""
    return parse(seen.file, seen.text).data


def charger_faults(seen: Seen, data: Mapping[str, Any]) -> tuple[Fault, ...]:
    """Faults that a charger.toml would have with this data in it; empty when it would be right."""
    try:
        read_charger(seen.file, merged(seen.file, seen.text, data))
    except BookError as error:
        return error.faults
    return ()


def save_charger(book: Book, slug: str, data: Mapping[str, Any], *, seen: str) -> Charger:
    """Bring a charger.toml to hold this data, and nothing else; comments stay where they are.

    Parameters
    ----------
    book, slug
        The charger.
    data
        All of the file's data.
    seen
        Digest of the text the edit was made on.

    Raises
    ------
    ChangedError
        When the file has another text now.
    BookError
        When the file would have faults, or another holds the charger. Nothing is written then.
    """
    with book.lock(slug):
        now = charger_seen(book, slug)
        if now.digest != seen:
            raise ChangedError(now.file, now)
        text = merged(now.file, now.text, data)
        charger = read_charger(now.file, text)
        if text != now.text:
            book.write(book.root / now.file, text.encode())
    return charger


def words_seen(book: Book, slug: str, which: Words) -> Seen:
    """The text of notes.md or verdict.md; empty where there is none."""
    file = f"{book.folder_name(slug)}/{which}.md"
    return Seen(file, read_text(book.root / file, file) or "")


def save_words(book: Book, slug: str, which: Words, text: str, *, seen: str) -> Seen:
    """Write notes.md or verdict.md.

    The charger's own lock is not needed: a run may be under way while its tester writes.

    Raises
    ------
    ChangedError
        When the file has another text than the one with the digest `seen`.
    BookError
        When it cannot be written, or the text cannot be UTF-8.
    """
    folder = book.folder_name(slug)
    name = f"{folder}/.{which}.lock"
    with hold(book.root / name, name=name):
        now = words_seen(book, slug, which)
        if now.digest != seen:
            raise ChangedError(now.file, now)
        try:
            content = text.encode()
        except UnicodeEncodeError as error:
            raise BookError(Fault(now.file, "", "the text holds a character that is none.", "Take it out.")) from error
        if text != now.text:
            book.write(book.root / now.file, content)
    return Seen(now.file, text)


def merged(file: str, text: str, data: Mapping[str, Any]) -> str:
    """A TOML text changed to hold this data: what is equal is not touched, and comments stay.

    Raises
    ------
    BookError
        When the text is not TOML, or cannot be edited so.
    """
    parse(file, text)
    mark, body = ("\ufeff", text[1:]) if text.startswith("\ufeff") else ("", text)
    have = tomllib.loads(body)
    wanted = _with_dates(json.loads(json.dumps(data)), have)
    if have == wanted:
        return text
    document = tomlkit.parse(body)
    _merge(document, have, wanted, top=True)
    return mark + verified(file, tomlkit.dumps(document), wanted)


def _with_dates(wanted: Any, have: Any) -> Any:
    """What is wanted, with a date that the file writes without quotes left as it is."""
    if isinstance(wanted, dict) and isinstance(have, dict):
        return {key: _with_dates(value, have.get(key)) for key, value in wanted.items()}
    if isinstance(wanted, list) and isinstance(have, list):
        return [_with_dates(item, have[k] if k < len(have) else None) for k, item in enumerate(wanted)]
    if isinstance(have, (date, time)) and wanted == have.isoformat():
        return have
    return wanted


def _merge(place: Any, have: Mapping[str, Any], wanted: Mapping[str, Any], *, top: bool = False) -> None:
    for key in [key for key in have if key not in wanted]:
        del place[key]
    for key, value in wanted.items():
        if key not in have:
            place[key] = _new(value, table=top)
        elif have[key] == value and isinstance(have[key], bool) == isinstance(value, bool):
            continue
        elif isinstance(value, Mapping) and isinstance(have[key], Mapping):
            _merge(place[key], have[key], value)
        elif value and have[key] and _tables(value) and _tables(have[key]):
            _merge_list(place[key], have[key], value)
        else:
            place[key] = _new(value, table=top)


def _merge_list(place: Any, have: Sequence[Any], wanted: Sequence[Any]) -> None:
    """Lists of tables: those that are the same are kept, so that each keeps its comments when another goes."""
    one, two = ([json.dumps(item, sort_keys=True, default=str) for item in items] for items in (have, wanted))
    shift = 0
    for kind, a, b, c, d in SequenceMatcher(None, one, two, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        both = min(b - a, d - c)
        for k in range(both):
            _merge(place[a + k + shift], have[a + k], wanted[c + k])
        for _ in range(b - a - both):
            del place[a + both + shift]
        for k in range(d - c - both):
            item = _new(wanted[c + both + k], table=isinstance(place, AoT))
            at = a + both + k + shift
            if at >= len(place):
                place.append(item)
            else:
                place.insert(at, item)
        shift += (d - c) - (b - a)


def _new(value: Any, *, table: bool) -> Any:
    """A value as a TOML item: a table of its own where there is room for one, else on one line."""
    if isinstance(value, Mapping):
        made: Any = tomlkit.table() if table else tomlkit.inline_table()
        for key, item in value.items():
            made[key] = _new(item, table=False)
        return made
    if _tables(value) and value:
        if table:
            tables = tomlkit.aot()
            for item in value:
                tables.append(_new(item, table=True))
            return tables
        rows = tomlkit.array()
        for item in value:
            rows.append(_new(item, table=False))
        return rows.multiline(multiline=len(value) > 1)
    return tomlkit.item(value)


def _tables(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, Mapping) for item in value)
