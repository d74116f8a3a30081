"""Pictures and cue sheet of a charger in derived/<slug>/media/: only what has changed is drawn again."""

from __future__ import annotations

import hashlib
import json
import re
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import polars as pl

from brickbook import __version__
from brickbook.analysis import Stored, code_digest, load, view_for
from brickbook.book import Book
from brickbook.core.conditions import Conditions
from brickbook.core.documents import json_of
from brickbook.core.figure import Figure
from brickbook.core.page import Chart
from brickbook.core.study import Headline
from brickbook.library.shelf import better_end
from brickbook.publish.ledger import Ledger
from brickbook.publish.media.cues import Cue, Standing, cues_of, standings
from brickbook.publish.media.frames import FRAMES, Frame, Theme, digest_of, draw, parts_of, picture
from brickbook.publish.media.sheet import cue_sheet, words_beside
from brickbook.studies import STUDIES

__all__ = ["MediaSet", "Themes", "media_folder", "smaller_png", "write_media"]

Themes = Literal["light", "dark", "both"]
_LIST = "media.json"
_OURS = re.compile(r"[A-Za-z0-9_-]+(?:\.svg|\.png|\.txt)")


@dataclass(frozen=True, slots=True)
class MediaSet:
    """What making the pictures of one charger did.

    Parameters
    ----------
    slug
        The charger.
    folder
        Where they are.
    pictures
        How many there are; each is a PNG and an SVG.
    drawn
        How many were drawn now; the others had not changed.
    cues
        How many things the cue sheet tells.
    bytes_
        Size of all files.
    """

    slug: str
    folder: Path
    pictures: int
    drawn: int
    cues: int
    bytes_: int


@dataclass(frozen=True, slots=True)
class _Picture:
    name: str
    chart: Chart
    frame: Frame
    theme: Theme
    caption: str


def media_folder(book: Book, slug: str) -> Path:
    """Where the pictures and the cue sheet of a charger are; it may not be there yet."""
    return book.derived(slug) / "media"


def write_media(
    book: Book, slug: str, *, themes: Themes = "light", everything: bool = False, force: bool = False
) -> MediaSet:
    """Write the pictures and the cue sheet of a charger that has been analysed.

    Parameters
    ----------
    themes
        Light pictures, dark ones or both.
    everything
        All charts; otherwise the first of each study and those the cue sheet points at.
    force
        Draw also what has not changed.

    Raises
    ------
    BookError
        When the charger has not been analysed.
    PublishError
        When a chart cannot be drawn.
    """
    folder = media_folder(book, slug)
    known = _known(folder)
    stored = load(book, slug)
    apart = _apart(book, slug, stored)
    made_from = _made_from(book, slug, apart, f"{themes} {everything}")
    if not force and known.get("made_from") == made_from and _all_there(folder, known):
        return _set_of(slug, folder, known, 0)
    charts = _charts(book, slug, stored)
    ledger = Ledger.of(
        stored.figures, (), {f"{s.id}/{name}": words for s in STUDIES for name, words in s.figure_names.items()}
    )
    heads = [(h.title, figure) for h, figure in _headlines(stored.figures)]
    last = max((entry.taken[:10] for entry in book.index(slug) if entry.taken), default="")
    cues = cues_of(stored.findings, heads, ledger, charts, apart, last_reading=last)
    chosen = _chosen(charts, cues, everything=everything)
    publisher = book.settings.publisher
    credit = f"{book.charger(slug).name}. Measured on one sample by {publisher}"
    wanted = _wanted(chosen, ("light", "dark") if themes == "both" else (themes,))
    rows, drawn, written = [], 0, set()
    earlier = {row["png"]: row for row in known.get("pictures", ())}
    for one in wanted:
        spec = picture(one.chart, one.frame, caption=one.caption, credit=credit, theme=one.theme)
        digest = digest_of(spec, one.frame, one.chart.alt)
        names = (f"{one.name}.png", f"{one.name}.svg")
        same = earlier.get(names[0], {}).get("digest") == digest and all((folder / name).is_file() for name in names)
        if force or not same:
            svg, png = draw(spec, one.frame, name=one.name, alt=one.chart.alt)
            book.write(folder / names[1], svg.encode())
            book.write(folder / names[0], smaller_png(png))
            drawn += 1
        rows.append(_row(one, names, digest))
        written |= set(names)
    for study_charts in chosen.values():
        for chart in study_charts:
            name = f"{_word(chart.id)}.txt"
            book.write(folder / name, words_beside(chart, chart.caption, credit).encode())
            written.add(name)
    shown = {chart.id: chart for own in charts.values() for chart in own}
    files = {key: [r["png"] for r in rows if r["chart"] == key] for key in shown}
    sheet = cue_sheet(book.charger(slug).name, publisher, cues, shown, files)
    book.write(folder / "cues.md", sheet.encode())
    for name in set(known.get("files", ())) - written:
        if _OURS.fullmatch(name):
            (folder / name).unlink(missing_ok=True)
    listed: dict[str, Any] = {
        "made_from": made_from,
        "software": f"Brickbook {__version__}",
        "charger": slug,
        "credit": credit,
        "pictures": rows,
        "cues": [_cue_row(cue) for cue in cues],
        "files": sorted(written),
    }
    # the list comes last: what it names is there
    book.write(folder / _LIST, json.dumps(listed, ensure_ascii=False, indent=1).encode())
    return _set_of(slug, folder, listed, drawn)


def smaller_png(png: bytes) -> bytes:
    """The same picture in fewer bytes: the drawing engine packs quickly rather than well."""
    packed, rest, at = bytearray(), [], 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind = png[at + 4 : at + 8]
        if kind == b"IDAT":
            packed += png[at + 8 : at + 8 + length]
        else:
            rest.append(png[at : at + 12 + length])
        at += 12 + length
    data = zlib.compress(zlib.decompress(bytes(packed)), 9)
    body = b"IDAT" + data
    chunk = struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))
    return png[:8] + b"".join(rest[:-1]) + chunk + rest[-1]


def _charts(book: Book, slug: str, stored: Stored) -> dict[str, tuple[Chart, ...]]:
    """Study to the charts of its page."""
    out = {}
    for study in STUDIES:
        if any(figure.study == study.id for figure in stored.figures):
            section = study.page(view_for(book, slug, study, stored))
            out[study.id] = tuple(block for block in section.blocks if isinstance(block, Chart))
    return out


def _chosen(
    charts: Mapping[str, Sequence[Chart]], cues: Sequence[Cue], *, everything: bool
) -> dict[str, tuple[Chart, ...]]:
    pointed = {cue.chart for cue in cues}
    return {
        study: tuple(c for k, c in enumerate(own) if everything or k == 0 or c.id in pointed)
        for study, own in charts.items()
        if own
    }


def _wanted(chosen: Mapping[str, Sequence[Chart]], themes: Sequence[Theme]) -> list[_Picture]:
    out = []
    for own in chosen.values():
        for chart in own:
            for frame in FRAMES.values():
                for part in parts_of(chart, frame):
                    out += [
                        _Picture(f"{_word(part.id)}-{frame.name}-{theme}", part, frame, theme, chart.caption)
                        for theme in themes
                    ]
    return out


def _row(one: _Picture, names: tuple[str, str], digest: str) -> dict[str, Any]:
    chart = one.chart
    original = re.sub(r"-\d+$", "", chart.id) if re.search(r" \(\d+ of \d+\)$", chart.title) else chart.id
    return {
        "chart": original,
        "png": names[0],
        "svg": names[1],
        "frame": one.frame.name,
        "theme": one.theme,
        "width_px": one.frame.width_px,
        "height_px": one.frame.height_px,
        "title": chart.title,
        "caption": one.caption,
        "alt": chart.alt,
        "digest": digest,
    }


def _cue_row(cue: Cue) -> dict[str, Any]:
    names = ("part", "heading", "show", "say", "sure", "study", "chart", "figure", "more")
    return {name: getattr(cue, name) for name in names}


def _headlines(figures: Sequence[Figure]) -> list[tuple[Headline, Figure]]:
    out = []
    for study in STUDIES:
        own = [figure for figure in figures if figure.study == study.id]
        for headline in study.headlines:
            figure = headline.pick(own)
            if figure is not None:
                out.append((headline, figure))
    return out


def _apart(book: Book, slug: str, stored: Stored) -> dict[str, Standing]:
    """Figure key to its standing, of the headlines in which this charger is clearly the highest or the lowest."""
    names = sorted({h.name for s in STUDIES for h in s.headlines if better_end(h.name)})
    paths = [book.derived(s) / "figures.parquet" for s in book.chargers()]
    paths = [path for path in paths if path.is_file()]
    if len(paths) < 3:
        return {}
    wanted = ("charger", "study", "name", "value", "unit", "u", "lower", "upper", "coverage_factor", "conditions")
    frame = pl.scan_parquet(paths).filter(pl.col("name").is_in(names)).select(wanted).collect()
    by_charger: dict[str, list[Figure]] = {}
    for row in frame.iter_rows(named=True):
        by_charger.setdefault(row["charger"], []).append(_light(row))
    out = {}
    for headline, figure in _headlines(stored.figures):
        same = {
            other: found
            for other, figures in by_charger.items()
            if (found := headline.pick([f for f in figures if f.study == figure.study])) is not None
        }
        by_size = "|value|" in (headline.largest, headline.smallest)
        standing = standings(slug, same, better_end(headline.name), by_size=by_size)
        if standing is not None:
            out[figure.key] = standing
    return out


def _light(row: Mapping[str, Any]) -> Figure:
    return Figure(
        study=row["study"],
        name=row["name"],
        value=row["value"],
        unit=row["unit"],
        u=row["u"],
        conditions=Conditions.of(json.loads(row["conditions"])),
        method="",
        sources=(),
        coverage_factor=row["coverage_factor"],
        lower=float("nan") if row["lower"] is None else row["lower"],
        upper=float("nan") if row["upper"] is None else row["upper"],
    )


def _made_from(book: Book, slug: str, apart: Mapping[str, Standing], wishes: str) -> str:
    total = hashlib.sha256(code_digest().encode())
    total.update(repr(sorted(apart.items())).encode())
    total.update(f"{book.input_digest(slug)} {wishes}".encode())
    return total.hexdigest()


def _known(folder: Path) -> dict[str, Any]:
    """The list of an earlier run; empty when there is none that can be read."""
    try:
        known = json_of((folder / _LIST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    right = (
        isinstance(known, dict)
        and isinstance(known.get("pictures"), list)
        and isinstance(known.get("files"), list)
        and isinstance(known.get("cues"), list)
        and all(isinstance(row, dict) and isinstance(row.get("png"), str) for row in known["pictures"])
        and all(isinstance(name, str) for name in known["files"])
    )
    return known if right else {}


def _all_there(folder: Path, known: Mapping[str, Any]) -> bool:
    return (folder / "cues.md").is_file() and all((folder / name).is_file() for name in known["files"])


def _set_of(slug: str, folder: Path, listed: Mapping[str, Any], drawn: int) -> MediaSet:
    size = sum(
        (folder / name).stat().st_size for name in (*listed["files"], "cues.md", _LIST) if (folder / name).exists()
    )
    return MediaSet(slug, folder, len(listed["pictures"]), drawn, len(listed["cues"]), size)


def _word(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]", lambda match: f"_{ord(match.group()):x}_", text)
