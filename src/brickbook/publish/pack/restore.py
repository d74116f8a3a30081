"""From a full pack back to a charger in a book, and its figures made anew set beside those of the pack."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brickbook.analysis import load
from brickbook.analysis.codec import figure_json, finding_json
from brickbook.book import Adopted, Book, adopt, remove_staged, staging_folder
from brickbook.core.errors import BookError, Fault, ReadError
from brickbook.publish.pack.reading import Bounds, Pack

__all__ = ["Compared", "compare_with", "restore", "result_of"]

_TOPS = ("book.toml", "bench.toml", "shapes.toml", "house-rules.toml")
_TEXT = 1 << 24  # a file that people write is smaller [B]
_OWN = ("charger.toml", "plan.toml", "notes.md", "verdict.md", "raw/index.toml")


@dataclass(frozen=True, slots=True)
class Compared:
    """Figures and findings made here, set beside those of a pack.

    Parameters
    ----------
    figures, findings
        How many the pack has.
    equal_figures, equal_findings
        How many of them are exactly equal: value, uncertainty, interval, budget, sources, decision, all of it.
    different
        What differs, one line each: a figure's key and the parts that differ.
    missing, added
        Keys that only the pack has, and that only this result has.
    """

    figures: int
    equal_figures: int
    findings: int
    equal_findings: int
    different: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]

    @property
    def exact(self) -> bool:
        """Whether everything is equal and nothing is missing or added."""
        return not (self.different or self.missing or self.added)


def restore(
    path: Path,
    root: Path,
    *,
    name: str = "",
    bounds: Bounds | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> tuple[Adopted, dict[str, Any]]:
    """Rebuild the charger of a full pack in a book, or in a folder that is empty or not there yet.

    Everything is unpacked into a folder of its own on the same disk, checked there as a book, and renamed into place at
    the end: whatever goes wrong before leaves the book as it was.

    Parameters
    ----------
    path
        The pack.
    root
        Folder of the book.
    name
        What to call the charger; as in the pack by default.
    tell
        Called with bytes unpacked and bytes in all.

    Returns
    -------
    adopted, result
        What was done, and the pack's figures and findings for `compare_with`.

    Raises
    ------
    ReadError
        When the pack is damaged, hostile, or a summary.
    BookError
        When its files have faults, or the book cannot take the charger.
    """
    with Pack(path, bounds) as pack:
        if pack.tier != "full":
            problem = "is a summary: it holds no raw files, so nothing can be made anew from it."
            raise ReadError(Fault(pack.name, "", problem, "Ask its publisher for the full pack."))
        if not (root / "book.toml").exists() and root.exists() and (not root.is_dir() or any(root.iterdir())):
            problem = "is not a book, and holds something already."
            raise BookError(Fault(str(root), "", problem, "Name a book, or a folder that is empty or not there yet."))
        target = root / "chargers" / (name or pack.slug)
        if target.exists():
            remedy = "Give it another name with --as NAME, or import into another book."
            raise BookError(Fault(f"chargers/{target.name}", "", "is in this book already.", remedy))
        result = result_of(pack)
        staged = staging_folder(root)
        try:
            _room(pack, staged)
            _unpack(pack, staged, tell)
            _check(staged, pack)
            adopted = adopt(root, staged, pack.slug, name=name)
        finally:
            remove_staged(staged)
    return adopted, result


def result_of(pack: Pack) -> dict[str, Any]:
    """Figures and findings as the pack has them, as `show --json` gives them.

    Raises
    ------
    ReadError
        When they cannot be read.
    """
    file = "data/result.json"
    try:
        data = json.loads(pack.read(file))
        right = isinstance(data, dict) and all(
            isinstance(data.get(part), list) and all(isinstance(one, dict) for one in data[part])
            for part in ("figures", "findings")
        )
        right = right and all(isinstance(one.get("key"), str) for one in data["figures"])
        right = right and all(isinstance(one.get(k), str) for one in data["findings"] for k in ("figure", "rule"))
    except (ValueError, RecursionError):
        right = False
    if not right:
        raise ReadError(Fault(pack.name, file, "is not a list of figures and findings.", "Get the pack again."))
    return {"figures": data["figures"], "findings": data["findings"]}


def compare_with(result: Mapping[str, Any], book: Book, slug: str) -> Compared:
    """The stored result of a charger set beside that of a pack.

    Raises
    ------
    BookError
        When the charger has not been analysed.
    """
    stored = load(book, slug)
    mine = {figure.key: figure_json(figure) for figure in stored.figures}
    theirs = {figure["key"]: figure for figure in result["figures"]}
    made = _by_place([finding_json(finding) for finding in stored.findings])
    given = _by_place(result["findings"])
    figures = _pairs(theirs, mine)
    findings = _pairs(given, made)
    return Compared(
        figures=len(theirs),
        equal_figures=sum(1 for parts in figures.values() if not parts),
        findings=len(given),
        equal_findings=sum(1 for parts in findings.values() if not parts),
        different=tuple(f"{key}: {', '.join(parts)}" for key, parts in {**figures, **findings}.items() if parts),
        missing=tuple(key for key in (*theirs, *given) if key not in mine and key not in made),
        added=tuple(key for key in (*mine, *made) if key not in theirs and key not in given),
    )


def _pairs(theirs: Mapping[str, Mapping[str, Any]], mine: Mapping[str, Mapping[str, Any]]) -> dict[str, list[str]]:
    """Keys both have, with the parts that differ."""
    return {key: _parts(theirs[key], mine[key]) for key in theirs if key in mine}


def _parts(one: Mapping[str, Any], other: Mapping[str, Any]) -> list[str]:
    return [
        f"{part} {_short(one.get(part))} in the pack, {_short(other.get(part))} here"
        for part in sorted({*one, *other})
        if one.get(part) != other.get(part)
    ]


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _by_place(findings: Sequence[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    """Findings by figure and rule; a rule that speaks of a figure several times is counted."""
    out: dict[str, Mapping[str, Any]] = {}
    for finding in findings:
        base = f"{finding['figure']} against {finding['rule']}"
        key, count = base, 1
        while key in out:
            count += 1
            key = f"{base} ({count})"
        out[key] = finding
    return out


def _room(pack: Pack, staged: Path) -> None:
    free = shutil.disk_usage(staged).free
    if pack.content > free:
        problem = f"needs {pack.content / 1e6:.0f} MB; {free / 1e6:.0f} MB are free on the book's disk."
        raise ReadError(Fault(pack.name, "", problem, "Free some space and try again. Nothing was changed."))


def _unpack(pack: Pack, staged: Path, tell: Callable[[int, int], None] | None) -> None:
    """Every file of the pack is checked; those of the book are written."""
    folder = f"chargers/{pack.slug}"
    kept = {*_TOPS, *(f"{folder}/{name}" for name in _OWN)}
    done, total = 0, pack.content

    def count(size: int) -> None:
        nonlocal done
        done += size
        if tell is not None:
            tell(done, total)

    for path in pack.files:
        if path in kept and pack.size(path) > _TEXT:
            raise ReadError(Fault(pack.name, path, f"is larger than {_TEXT} bytes.", "Do not use this pack."))
        if path in kept or path.startswith(f"{folder}/raw/"):
            pack.copy(path, staged / path, count)
        else:
            pack.pour(path, lambda _: None, count)
    for needed in ("book.toml", f"{folder}/charger.toml"):
        if not (staged / needed).is_file():
            raise ReadError(Fault(pack.name, needed, "is missing from the pack.", "Get the pack again."))
    (staged / folder / "raw").mkdir(exist_ok=True)


def _check(staged: Path, pack: Pack) -> None:
    """The staged files as a book: every raw file is in the index with its SHA-256, and every name leads somewhere."""
    try:
        book = Book.open(staged)
        faults = book.check(pack.slug)
    except RecursionError as error:
        raise ReadError(Fault(pack.name, "", "holds a file that is nested too deep.", "Do not use it.")) from error
    except BookError as error:
        faults = error.faults
    if faults:
        named = [Fault(f"{pack.name}: {f.file}", f.place, f.problem, f.remedy) for f in faults[:20]]
        raise BookError(*named)
