"""Make the data pack of a charger from its stored result, its index and its raw files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from brickbook import __version__
from brickbook.analysis import Stored, code_digest, is_current, load
from brickbook.analysis.codec import figure_json, finding_json
from brickbook.book import Book, IndexEntry, portable_files, used_instruments
from brickbook.core.documents import json_of
from brickbook.core.errors import Fault, PublishError
from brickbook.publish.pack.archive import Member, write_archive
from brickbook.publish.pack.descriptor import About, PackFile, descriptor
from brickbook.publish.pack.licences import licence_of
from brickbook.publish.pack.rows import all_rows, as_csv, as_parquet
from brickbook.publish.pack.tables import TABLES
from brickbook.publish.pack.texts import citation, dictionary, licence_text, readme
from brickbook.readers import CAPTURE_READERS
from brickbook.studies import STUDIES

__all__ = ["PackMade", "Tier", "pack_path", "renew_pack", "write_pack"]

Tier = Literal["summary", "full"]
_SMALL = 1 << 20  # files a person writes are smaller [B]


@dataclass(frozen=True, slots=True)
class PackMade:
    """A pack that was written.

    Parameters
    ----------
    slug, tier
        Of what, and whether with raw files.
    path
        Where it is.
    files
        How many files it holds.
    content
        Their size [B].
    size
        Of the pack [B].
    """

    slug: str
    tier: Tier
    path: Path
    files: int
    content: int
    size: int


def pack_path(book: Book, slug: str, tier: Tier) -> Path:
    """Where the pack of a charger is written: beside its report."""
    return book.derived() / "report" / "data" / f"{slug}-{tier}.zip"


def renew_pack(book: Book, slug: str, tier: Tier) -> PackMade | None:
    """Bring the pack beside a charger's report up to date; gives it when it had to be written.

    A pack of the other tier is deleted: book.toml says what is given out.

    Raises
    ------
    BookError, PublishError
        As `write_pack`.
    """
    pack_path(book, slug, "full" if tier == "summary" else "summary").unlink(missing_ok=True)
    state = book.derived(slug) / "pack.json"
    made_from = _made_from(book, slug, tier)
    try:
        known = json_of(state.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        known = None
    path = pack_path(book, slug, tier)
    if path.is_file() and known == {"made_from": made_from, "bytes": path.stat().st_size}:
        return None
    made = write_pack(book, slug, tier=tier)
    book.write(state, json.dumps({"made_from": made_from, "bytes": made.size}).encode())
    return made


def _made_from(book: Book, slug: str, tier: Tier) -> str:
    """What a pack depends on: the files behind the result, the tester's words, the plan, the code."""
    total = hashlib.sha256(f"{code_digest()} {book.input_digest(slug)} {tier}\n".encode())
    for name in ("notes.md", "verdict.md", "plan.toml"):
        path = book.root / "chargers" / slug / name
        total.update((hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "absent").encode())
    return total.hexdigest()


def write_pack(
    book: Book, slug: str, *, tier: Tier = "full", target: Path | None = None, tell: Callable[[int], None] | None = None
) -> PackMade:
    """Write a charger's data pack.

    Parameters
    ----------
    tier
        "full" with the raw files, "summary" without.
    target
        The file; `pack_path` by default.
    tell
        Called with the number of bytes packed, piece by piece.

    Raises
    ------
    BookError
        When the charger has not been analysed, or a raw file is not what the index says.
    PublishError
        When its result is out of date, or the pack cannot be written.
    """
    if not is_current(book, slug):
        problem = "the figures are older than the files they are made from."
        raise PublishError(Fault(f"derived/{slug}/result.json", "", problem, f"Run: brickbook analyse {slug}"))
    stored, entries = load(book, slug), book.index(slug)
    members = _members(book, slug, stored, entries, tier)
    path = target if target is not None else pack_path(book, slug, tier)
    size = write_archive(path, members, name=str(path), tell=tell)
    return PackMade(slug, tier, path, len(members), sum(m.size for m in members), size)


def _members(book: Book, slug: str, stored: Stored, entries: tuple[IndexEntry, ...], tier: Tier) -> list[Member]:
    full = tier == "full"
    folder = f"chargers/{slug}"
    raw = [
        (entry, book.root / folder / "raw" / entry.path, f"{folder}/raw/{entry.path}" if full else "")
        for entry in entries
    ]
    sized = [(entry, _size(path, entry), place) for entry, path, place in raw]
    instruments = used_instruments(book, slug, _named_in_files(book, slug, entries))
    about = _about(book, slug, entries, tier)
    words = {f"{s.id}/{name}": said for s in STUDIES for name, said in s.figure_names.items()}
    rows = all_rows(slug, book.charger(slug), instruments, sized, stored, words)
    texts = portable_files(book, slug, instruments)
    if not full:
        texts = {name: text for name, text in texts.items() if name.startswith(folder) and "/raw/" not in name}
    files: dict[str, bytes] = {
        "README.md": readme(about, {table.name: len(rows[table.name]) for table in TABLES}).encode(),
        "DICTIONARY.md": dictionary().encode(),
        "LICENCE.txt": licence_text(about).encode(),
        "CITATION.cff": citation(about).encode(),
        "data/result.json": _result(stored),
    }
    for table in TABLES:
        files[f"data/{table.name}.csv"] = as_csv(table, rows[table.name])
        files[f"data/{table.name}.parquet"] = as_parquet(table, rows[table.name])
    files |= texts
    small = [_member(path, content) for path, content in sorted(files.items())]
    large = [
        Member(place, path, size, entry.sha256)
        for (entry, path, place), (_, size, _) in zip(raw, sized, strict=True)
        if full
    ]
    large.sort(key=lambda member: member.path)
    listed = [PackFile(m.path, m.size, m.sha256) for m in (*small, *large)]
    first = _member("datapackage.json", descriptor(about, listed))
    sums = "".join(f"{m.sha256}  {m.path}\n" for m in sorted((first, *small, *large), key=lambda m: m.path))
    return [first, _member("SHA256SUMS", sums.encode()), *small, *large]


def _about(book: Book, slug: str, entries: tuple[IndexEntry, ...], tier: Tier) -> About:
    charger, settings = book.charger(slug), book.settings
    return About(
        slug=slug,
        name=charger.name,
        maker=charger.maker,
        model=charger.model,
        publisher=settings.publisher,
        licence=licence_of(settings.licence),
        tier=tier,
        software=f"Brickbook {__version__}",
        code=code_digest(),
        latest=max((entry.taken[:10] for entry in entries if entry.taken), default=""),
    )


def _result(stored: Stored) -> bytes:
    data: dict[str, Any] = {
        "figures": [figure_json(figure) for figure in stored.figures],
        "findings": [finding_json(finding) for finding in stored.findings],
    }
    return (json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _named_in_files(book: Book, slug: str, entries: tuple[IndexEntry, ...]) -> list[str]:
    """Instruments that files a person wrote may name: any whose name stands in the text of one."""
    texts = [
        book.raw_bytes(slug, entry)
        for entry in entries
        if entry.reader not in CAPTURE_READERS
        and entry.reader != "meter-log"
        and (book.root / "chargers" / slug / "raw" / entry.path).stat().st_size <= _SMALL
    ]
    return [name for name in book.instruments if any(name.encode() in text for text in texts)]


def _member(path: str, content: bytes) -> Member:
    return Member(path, content, len(content), hashlib.sha256(content).hexdigest())


def _size(path: Path, entry: IndexEntry) -> int:
    try:
        return path.stat().st_size
    except OSError as error:
        raise PublishError(Fault(f"raw/{entry.path}", "", "cannot be read.", "Put the file back.")) from error
