"""What the files at the top of a book hold: book.toml and bench.toml."""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass, field
from typing import Annotated, Literal

from annotated_types import Gt, MinLen

from brickbook.book._check import day, load, parse
from brickbook.core.instrument import Instrument
from brickbook.core.study import Settings

__all__ = ["Bench", "BenchLimits", "BookSettings", "PublishSettings", "TextFile", "read_bench", "read_settings"]

# RFC 4151, 2.1: a domain name or an address of electronic mail, then the day on which it was the publisher's own
_TAG = re.compile(
    r"(?:[\w.-]+@)?(?=.*[a-z])[a-z0-9-]+(?:\.[a-z0-9-]+)+,\d{4}(?:-(?:0[1-9]|1[0-2])(?:-[0-3]\d)?)?", re.ASCII
)
_ADDRESS = re.compile(r"https?://[^\s/?#]+(?:/[^\s?#]*)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class PublishSettings:
    """[publish] of book.toml: where the book stands in the web, and who it is.

    Parameters
    ----------
    url
        Address the pages will have, for what needs a full one (sitemap, feed); empty: not known.
    tag
        Authority and date from which the feed's entries get names that never change (RFC 4151), such as
        "example.org,2026"; empty: names are made from title and publisher.
    contact
        How to reach the publisher.
    about
        What readers should know of the publisher and the bench, in a few words of Markdown.
    data_pack
        What `publish` writes beside each report for readers who want the data: "none", "summary" (tables, without raw
        files) or "full".
    """

    url: str = ""
    tag: str = ""
    contact: str = ""
    about: str = ""
    data_pack: Literal["none", "summary", "full"] = "none"

    def __post_init__(self) -> None:
        if self.url and not _ADDRESS.fullmatch(self.url):
            raise ValueError(f'url must be a web address such as "https://example.org/chargers/", found "{self.url}"')
        if self.tag and not _TAG.fullmatch(self.tag):
            found = f'found "{self.tag}"'
            raise ValueError(f'tag must be a domain of your own and a day you had it, as "example.org,2026"; {found}')

    @property
    def base(self) -> str:
        """The address with a slash at its end; empty when there is none."""
        return self.url if not self.url or self.url.endswith("/") else f"{self.url}/"


@dataclass(frozen=True, slots=True, kw_only=True)
class BookSettings(Settings):
    """All of book.toml: what studies need, and who publishes.

    Parameters
    ----------
    title
        Of the book, and of its report.
    publisher
        Who answers for it.
    licence
        Under which the report and the data are given out; empty when none is stated.
    publish
        Where and how it is published.
    """

    title: Annotated[str, MinLen(1)]
    publisher: Annotated[str, MinLen(1)]
    licence: str = ""
    publish: PublishSettings = field(default_factory=PublishSettings)


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """What this bench must never exceed, whatever a plan says: [V], [A], [W], [degC]. `None`: not stated."""

    volts: Annotated[float, Gt(0)] | None = None
    amps: Annotated[float, Gt(0)] | None = None
    watts: Annotated[float, Gt(0)] | None = None
    degrees: Annotated[float, Gt(0)] | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """All of bench.toml: instruments by name, and limits."""

    instruments: dict[str, Instrument] = field(default_factory=dict)
    limits: BenchLimits = field(default_factory=BenchLimits)


@dataclass(frozen=True, slots=True)
class TextFile:
    """A file that another room understands: its name for messages, and its text."""

    file: str
    text: str


@functools.lru_cache(maxsize=64)
def read_settings(file: str, text: str) -> BookSettings:
    """The text of a book.toml as settings; raises `BookError` with all its faults."""
    return load(BookSettings, parse(file, text))


@functools.lru_cache(maxsize=64)
def read_bench(file: str, text: str) -> Bench:
    """The text of a bench.toml; raises `BookError` with all its faults."""
    return load(Bench, parse(file, text), {"calibrated": day, "due": day})
