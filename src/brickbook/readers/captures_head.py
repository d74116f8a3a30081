"""The words before a capture's samples: which mean the interval, the start, and what one code is worth.

No standard rules them; these are the plain words in use, spelt together or apart, in upper or lower case (common
practice, no source). Units are SI where none is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from brickbook.readers.units import UnitProblem, conversion

__all__ = ["Head", "read_head"]

_MEANINGS: dict[str, tuple[str, ...]] = {
    "interval_s": (
        "interval",
        "sampleinterval",
        "samplinginterval",
        "sampleperiod",
        "samplingperiod",
        "timeinterval",
        "increment",
        "xincrement",
        "xincr",
        "xinc",
        "timestep",
        "dt",
        "deltat",
        "intervals",
    ),
    "rate_hz": ("samplerate", "samplingrate", "samplefrequency", "samplingfrequency", "fs", "rate", "sampleratehz"),
    "start_s": ("start", "starttime", "firsttime", "xorigin", "xzero", "xstart", "t0", "timezero"),
    "points": ("points", "samples", "recordlength", "numberofpoints", "numberofsamples", "nrpt", "length", "count"),
    "gain": ("yincrement", "yincr", "yinc", "ymult", "scale", "gain", "voltspercode", "verticalincrement"),
    "origin": ("yorigin", "yzero", "verticalorigin"),
    "reference": ("yreference", "yoff", "yref", "verticalreference"),
    "unit": ("unit", "units", "yunit", "yunits", "verticalunits", "verticalunit"),
    "date": ("date", "datetime", "timestamp"),
    "bytes": ("bytes", "bytespersample", "bytnr", "byten", "width"),
    "bits": ("bits", "bitnr", "resolution"),
    "coding": ("coding", "format", "bnfmt", "type", "sampletype"),
    "order": ("order", "byteorder", "bytor", "endian"),
}
_BY_WORD = {word: meaning for meaning, words in _MEANINGS.items() for word in words}
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Head:
    """Meaning to the text that stands for it, first one kept, and the unit written beside it."""

    words: dict[str, tuple[str, str]]

    def text(self, meaning: str) -> str:
        """The text; empty where there is none."""
        return self.words.get(meaning, ("", ""))[0]

    def number(self, meaning: str, unit: str = "") -> float | None:
        """The number in a unit; `None` where there is none or it is no number."""
        text, own = self.words.get(meaning, ("", ""))
        match = _NUMBER.match(text)
        if not match:
            return None
        value = float(match.group().replace(",", "."))
        rest = text[match.end() :].strip() or own
        if rest and unit:
            try:
                return value * conversion(_plain(rest), unit).factor
            except UnitProblem:
                return None
        return value

    @property
    def interval_s(self) -> float | None:
        """Sample interval [s], from the interval or the rate."""
        interval = self.number("interval_s", "s")
        if interval is not None:
            return interval
        rate = self.number("rate_hz", "Hz")
        return 1.0 / rate if rate else None


def read_head(pairs: Iterable[tuple[str, str, str]]) -> Head:
    """Meanings found in (key, value, unit) triples."""
    words: dict[str, tuple[str, str]] = {}
    for key, value, unit in pairs:
        bracket = re.search(r"[\[(]([^\])]*)[\])]\s*$", key)
        own = unit.strip() or (bracket.group(1) if bracket else "")
        plain = re.sub(r"[^a-z0-9]", "", re.sub(r"[\[(].*$", "", key).casefold())
        meaning = _BY_WORD.get(plain)
        if meaning and value.strip():
            words.setdefault(meaning, (value.strip().strip('"'), own))
    return Head(words)


def _plain(unit: str) -> str:
    """A rate's unit as a frequency: samples a second are hertz."""
    match = re.fullmatch(r"([kKMG]?)(?:S|Sa|sa|samples?|pts)/s(?:ec)?", unit.strip())
    return f"{match.group(1).replace('K', 'k')}Hz" if match else unit.strip("[]() ")
