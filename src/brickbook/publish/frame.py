"""What all pages of the site share: the way between them, who publishes, and what the footer says."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

from jinja2 import PackageLoader
from markupsafe import Markup

from brickbook.publish.pages import css_string, environment, style_sheet
from brickbook.publish.report import BookMeta

__all__ = ["PAGES", "Frame", "render_page", "site_style"]

PAGES = (
    ("index.html", "Chargers"),
    ("comparison.html", "Comparison"),
    ("methods.html", "Methods and limits"),
    ("glossary.html", "Terms"),
    ("corrections.html", "Corrections"),
    ("about.html", "About"),
)
"""File and name of each page that the site has beside the reports, in the order of the way between them."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands around a page's own content.

    Parameters
    ----------
    book
        Title, publisher, licence.
    software
        Name and version of what made the page.
    pages
        File and name of the pages to lead to; empty for a page that stands alone.
    feed
        Address of the feed; empty for none.
    base
        What goes before every link: "./", or the site's full address on a page that may be shown at any address.
    draft
        Not published: the page says so, and asks not to be listed.
    """

    book: BookMeta
    software: str = ""
    pages: tuple[tuple[str, str], ...] = ()
    feed: str = ""
    base: str = "./"
    draft: bool = False


def render_page(template: str, frame: Frame, here: str, title: str, **content: Any) -> str:
    """A page of the site as one HTML document.

    Parameters
    ----------
    template
        Its file in templates/.
    frame
        What stands around it.
    here
        Its own file name, which the way between the pages marks as the present one.
    title
        Of the document.
    content
        What the template asks for.
    """
    return (
        environment()
        .get_template(template)
        .render(
            frame=frame,
            book=frame.book,
            here=here,
            page_title=title,
            style=site_style(),
            running_title=css_string(frame.book.title),
            running_publisher=css_string(frame.book.publisher),
            **content,
        )
    )


@functools.cache
def site_style() -> Markup:
    """The reports' style sheet and what the site's own pages add to it."""
    source, _, _ = PackageLoader("brickbook.publish").get_source(environment(), "site.css")
    return style_sheet() + Markup("\n") + Markup(source)  # noqa: S704 - our own file
