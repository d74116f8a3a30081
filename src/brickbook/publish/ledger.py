"""Which figures a report has, the anchor each is found at, and the raw files behind them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, PublishError
from brickbook.core.figure import Figure, Finding
from brickbook.core.page import Chart, Section, TableBlock
from brickbook.core.table import Rows
from brickbook.publish.numbers import name_in_words
from brickbook.publish.wording import shared_conditions

__all__ = ["FigureGroup", "Ledger", "SourceFile", "SourceLine", "StudyProvenance", "anchor"]


def anchor(key: str) -> str:
    """The id of a figure in a page: made from its content, so that a link to it outlives a new report."""
    return "f-" + hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()[:12]


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A raw file with its number in the report."""

    number: int
    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class SourceLine:
    """Stretches of one raw file in words; `letter` where the columns are named in the head of the table."""

    file: SourceFile
    lines: str
    columns: tuple[str, ...]
    letter: str = ""


@dataclass(frozen=True, slots=True)
class FigureGroup:
    """Figures of one name, found in one way."""

    words: str
    name: str
    method: str
    figures: tuple[Figure, ...]
    shared: Conditions

    @property
    def columns(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Sets of columns that several of the figures were made from, each with a letter to name it by.

        One set that holds for all has no letter.
        """
        count: dict[tuple[str, ...], int] = {}
        for figure in self.figures:
            for columns in dict.fromkeys(own for _, _, own in _gathered(figure.sources)):
                count[columns] = count.get(columns, 0) + 1
        if len(count) == 1:
            return tuple(("", columns) for columns in count if columns)
        shared = [columns for columns, n in count.items() if columns and n > 1][:26]
        return tuple((chr(ord("a") + k), columns) for k, columns in enumerate(shared))

    def own(self, figure: Figure) -> Conditions:
        """The conditions a figure does not share with all of the group."""
        return figure.conditions.only(*(k for k in figure.conditions if k not in self.shared))


@dataclass(frozen=True, slots=True)
class StudyProvenance:
    """All figures of one study."""

    study: str
    title: str
    groups: tuple[FigureGroup, ...]


@dataclass(frozen=True, slots=True)
class Ledger:
    """Figures by key, their names in words, and the files behind them."""

    figures: Mapping[str, Figure]
    files: Mapping[tuple[str, str], SourceFile]
    words_of: Mapping[str, str]

    @classmethod
    def of(
        cls, figures: Sequence[Figure], listed: Iterable[tuple[str, str]], words: Mapping[str, str] | None = None
    ) -> Ledger:
        """A ledger of figures; files that only a figure names are added after those listed.

        Raises
        ------
        PublishError
            When two figures have the same key.
        """
        by_key: dict[str, Figure] = {}
        faults = []
        for figure in figures:
            if figure.key in by_key:
                faults.append(
                    Fault(
                        "report",
                        figure.key,
                        "two figures have this identity",
                        "Their conditions must tell them apart: the study that makes them has to name what differs.",
                    )
                )
            by_key[figure.key] = figure
        if faults:
            raise PublishError(*faults)
        files: dict[tuple[str, str], SourceFile] = {}
        from_figures = ((rows.file.path, rows.file.sha256) for figure in figures for rows in figure.sources)
        for path, digest in [*listed, *from_figures]:
            if (path, digest) not in files:
                files[path, digest] = SourceFile(len(files) + 1, path, digest)
        return cls(by_key, files, dict(words or {}))

    def check(self, findings: Sequence[Finding], key_figures: Sequence[str], sections: Sequence[Section]) -> None:
        """Raise `PublishError` naming each figure that is shown without provenance, and each chart id used twice."""
        faults = [
            Fault(
                "report",
                f"finding {f.title!r}",
                f"speaks of a figure that is not in the report: {f.figure}",
                "Analyse the charger again so that findings and figures are of one run.",
            )
            for f in findings
            if f.figure not in self.figures
        ]
        faults += [
            Fault("report", "key figures", f"no such figure: {key}") for key in key_figures if key not in self.figures
        ]
        seen: set[str] = set()
        for section in sections:
            for block in section.blocks:
                if isinstance(block, TableBlock):
                    faults += [
                        Fault(
                            "report",
                            f"{section.study}: table {block.title!r}",
                            f"shows a figure that is not in the report: {cell.key}",
                            "A study's page may only show figures it was given.",
                        )
                        for row in block.rows
                        for cell in row
                        if isinstance(cell, Figure) and self.figures.get(cell.key) != cell
                    ]
                    faults += [
                        Fault(
                            "report",
                            f"{section.study}: table {block.title!r}",
                            f"a row has {len(row)} cells under {len(block.head)} headings",
                        )
                        for row in block.rows
                        if len(row) != len(block.head)
                    ]
                elif isinstance(block, Chart):
                    if block.id in seen:
                        faults.append(
                            Fault(
                                "report", f"{section.study}: chart {block.id!r}", "the id is used twice in this report"
                            )
                        )
                    seen.add(block.id)
        if faults:
            raise PublishError(*faults)

    def figure(self, key: str) -> Figure:
        """The figure of that key; raises `KeyError`."""
        return self.figures[key]

    def words(self, figure: Figure) -> str:
        """A figure's name for people."""
        return self.words_of.get(f"{figure.study}/{figure.name}") or name_in_words(figure.name)

    def findings_by_figure(self, findings: Sequence[Finding]) -> dict[str, list[Finding]]:
        """Findings of each figure, in order."""
        out: dict[str, list[Finding]] = {}
        for finding in findings:
            out.setdefault(finding.figure, []).append(finding)
        return out

    def sources(self, rows: Sequence[Rows], named: Sequence[tuple[str, tuple[str, ...]]] = ()) -> list[SourceLine]:
        """Stretches of files in words, those of one file and the same columns together.

        Parameters
        ----------
        rows
            As a figure or a note has them.
        named
            Sets of columns that are named already, with their letters (`FigureGroup.columns`).
        """
        letters = {columns: letter for letter, columns in named}
        return [
            SourceLine(self._numbered(where), text, () if columns in letters else columns, letters.get(columns, ""))
            for where, text, columns in _gathered(rows)
        ]

    def file_of(self, rows: Rows) -> SourceFile:
        """The numbered file; one nobody listed has number 0."""
        return self._numbered((rows.file.path, rows.file.sha256))

    def _numbered(self, where: tuple[str, str]) -> SourceFile:
        return self.files.get(where, SourceFile(0, *where))

    def provenance(self, titles: Mapping[str, str]) -> list[StudyProvenance]:
        """Every figure, by study in order of first figure, then by name and method."""
        studies: dict[str, dict[tuple[str, str], list[Figure]]] = {}
        for figure in self.figures.values():
            studies.setdefault(figure.study, {}).setdefault((figure.name, figure.method), []).append(figure)
        return [
            StudyProvenance(
                study,
                titles.get(study, name_in_words(study)),
                tuple(
                    FigureGroup(
                        self.words(figures[0]),
                        name,
                        method,
                        tuple(figures),
                        shared_conditions([figure.conditions for figure in figures]),
                    )
                    for (name, method), figures in groups.items()
                ),
            )
            for study, groups in studies.items()
        ]


def _gathered(rows: Sequence[Rows]) -> list[tuple[tuple[str, str], str, tuple[str, ...]]]:
    """File, lines in words and columns: columns of the same lines first, then lines of the same columns."""
    columns: dict[tuple[tuple[str, str], int, int], tuple[str, ...]] = {}
    for each in rows:
        place = ((each.file.path, each.file.sha256), each.first, each.last)
        columns[place] = tuple(dict.fromkeys((*columns.get(place, ()), *each.columns)))
    lines: dict[tuple[tuple[str, str], tuple[str, ...]], list[tuple[int, int]]] = {}
    for (where, first, last), own in columns.items():
        lines.setdefault((where, own), []).append((first, last))
    return [(where, _lines(found), own) for (where, own), found in lines.items()]


def _lines(found: Sequence[tuple[int, int]]) -> str:
    if (0, 0) in found:
        return "whole file"
    texts = [f"{first}" if first == last else f"{first}–{last}" for first, last in found]
    return f"{'line' if texts == [str(found[0][0])] else 'lines'} {', '.join(texts)}"
