"""The cue sheet and the words beside each picture, as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from brickbook.core.page import Chart
from brickbook.publish.media.cues import PARTS, Cue

__all__ = ["cue_sheet", "words_beside"]


def cue_sheet(
    title: str, publisher: str, cues: Sequence[Cue], charts: Mapping[str, Chart], files: Mapping[str, Sequence[str]]
) -> str:
    """The cue sheet as Markdown.

    Parameters
    ----------
    title
        The charger's name.
    publisher
        Who tested.
    cues
        In telling order.
    charts
        Chart id to chart.
    files
        Chart id to the names of its pictures; a chart without is named without a file.
    """
    lines = [
        f"# Cue sheet: {title}",
        "",
        f"Measured on one sample by {publisher}. In telling order: what a buyer should hear first stands first.",
        "",
        "Nothing here says that the charger is safe: certification, local codes and licensed practice decide.",
    ]
    number = 0
    for part, heading in PARTS.items():
        own = [cue for cue in cues if cue.part == part]
        if not own:
            continue
        lines += ["", f"## {heading}"]
        for cue in own:
            number += 1
            more = f" And {cue.more} more like it." if cue.more else ""
            lines += ["", f"### {number}. {_flat(cue.heading)}", ""]
            lines += [
                f"- Say: “{_flat(cue.say)}”",
                f"- Show: {_flat(cue.show)}.{more}",
                f"- How sure: {cue.sure}.",
            ]
            if cue.chart in charts:
                names = ", ".join(f"[{name}]({name})" for name in files.get(cue.chart, ()))
                shown = f"{names}: {_flat(charts[cue.chart].title)}" if names else _flat(charts[cue.chart].title)
                lines.append(f"- Picture: {shown}")
            if cue.figure:
                lines.append(f"- Figure: `{cue.figure}`")
    if not cues:
        lines += ["", "Nothing has been measured yet."]
    return "\n".join(lines) + "\n"


def words_beside(chart: Chart, caption: str, credit: str) -> str:
    """Title, caption, alternative text and credit of a picture, for the place it is posted at."""
    parts = [("Title", chart.title), ("Caption", caption), ("Alternative text", chart.alt), ("Credit", credit)]
    return "".join(f"{name}: {_flat(text)}\n" for name, text in parts if text)


def _flat(text: str) -> str:
    return " ".join(text.split(" ")).replace("\n", " ").replace("\N{NO-BREAK SPACE}", " ")
