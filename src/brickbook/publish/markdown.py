"""A small part of Markdown for the tester's own words: paragraphs, headings, lists, emphasis, code.

Everything else is shown as it was typed. Links are not made active and HTML is text: what a file says can never
become part of the page's working.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from markupsafe import Markup, escape

from brickbook.publish.looks import clean

__all__ = ["markdown_html"]

_BULLET = re.compile(r"^ {0,3}[-*+]\s+(.*)$")
_NUMBER = re.compile(r"^ {0,3}\d{1,4}[.)]\s+(.*)$")
_HEADING = re.compile(r"^ {0,3}#{1,6}\s+(.*?)\s*#*$")
_CODE = re.compile(r"`([^`\n]+)`")
_STRONG = re.compile(r"\*\*(?=\S)(.+?)(?<=\S)\*\*", re.DOTALL)
_EMPHASIS = re.compile(r"(?<![\w*])[*_](?=\S)([^*_]+?)(?<=\S)[*_](?![\w*])", re.DOTALL)


def markdown_html(text: str, *, heading_level: int = 3) -> Markup:
    """HTML of a short Markdown text, every character of it escaped.

    Parameters
    ----------
    text
        As the tester wrote it.
    heading_level
        Level of all headings in it, so that the page's headings stay in order.
    """
    if not 1 <= heading_level <= 6:
        raise ValueError(f"heading level 1 to 6, not {heading_level}")
    out: list[Markup] = []
    for kind, items in _blocks(clean(text)):
        if kind == "heading":
            out.append(Markup("<h{0}>{1}</h{0}>").format(heading_level, _inline(items[0])))
        elif kind == "p":
            out.append(Markup("<p>{}</p>").format(_inline("\n".join(items))))
        else:
            entries = Markup("").join(Markup("<li>{}</li>").format(_inline(item)) for item in items)
            out.append(Markup("<{0}>{1}</{0}>").format(kind, entries))
    return Markup("\n").join(out)


def _blocks(text: str) -> Iterator[tuple[str, list[str]]]:
    kind = ""
    items: list[str] = []
    for line in [*text.splitlines(), ""]:
        bullet, number, heading = _BULLET.match(line), _NUMBER.match(line), _HEADING.match(line)
        own = "ul" if bullet else "ol" if number else ""
        found = bullet or number
        if not line.strip() or heading or (own and own != kind):
            if kind:
                yield kind, items
            kind, items = own, []
            if heading:
                yield "heading", [heading.group(1)]
            if found:
                items = [found.group(1)]
        elif found:
            items.append(found.group(1))
        elif kind in ("ul", "ol"):
            items[-1] += "\n" + line.strip()
        else:
            kind = "p"
            items.append(line.strip())


def _inline(text: str) -> Markup:
    out = Markup("")
    at = 0
    for code in _CODE.finditer(text):
        out += _stressed(text[at : code.start()]) + Markup("<code>{}</code>").format(code.group(1))
        at = code.end()
    return out + _stressed(text[at:])


def _stressed(text: str) -> Markup:
    # escaped first: the marks looked for are not among the escaped characters
    marked = _STRONG.sub(r"<strong>\1</strong>", str(escape(text)))
    return Markup(_EMPHASIS.sub(r"<em>\1</em>", marked))  # noqa: S704 - built from escaped text
