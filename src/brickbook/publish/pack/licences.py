"""Licences for data that have an identifier of their own, so that programs know what a reader may do."""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["Licence", "licence_of"]


@dataclass(frozen=True, slots=True)
class Licence:
    """A licence as the book states it.

    Parameters
    ----------
    words
        As it stands in book.toml.
    identifier
        SPDX identifier; empty when it is not one of the usual licences for data.
    open_name
        Identifier of the Open Definition, which Data Package asks for; from memory where it is not the SPDX one.
    title
        Full name.
    address
        Where its text is.
    """

    words: str
    identifier: str = ""
    open_name: str = ""
    title: str = ""
    address: str = ""


_CC = "https://creativecommons.org"
_KNOWN = {
    "CC0-1.0": ("Creative Commons Zero 1.0 Universal", f"{_CC}/publicdomain/zero/1.0/"),
    "CC-BY-4.0": ("Creative Commons Attribution 4.0 International", f"{_CC}/licenses/by/4.0/"),
    "CC-BY-SA-4.0": ("Creative Commons Attribution-ShareAlike 4.0 International", f"{_CC}/licenses/by-sa/4.0/"),
    "CC-BY-NC-4.0": ("Creative Commons Attribution-NonCommercial 4.0 International", f"{_CC}/licenses/by-nc/4.0/"),
    "ODbL-1.0": ("Open Data Commons Open Database License v1.0", "https://opendatacommons.org/licenses/odbl/1-0/"),
    "ODC-By-1.0": ("Open Data Commons Attribution License v1.0", "https://opendatacommons.org/licenses/by/1-0/"),
    "PDDL-1.0": (
        "Open Data Commons Public Domain Dedication and License v1.0",
        "https://opendatacommons.org/licenses/pddl/1-0/",
    ),
}
_OPEN_NAMES = {"ODC-By-1.0": "ODC-BY-1.0", "PDDL-1.0": "ODC-PDDL-1.0"}
_BY_WORDS = {re.sub(r"[^a-z0-9]", "", key.lower()): key for key in _KNOWN} | {"cc010": "CC0-1.0", "cc0": "CC0-1.0"}


def licence_of(words: str) -> Licence:
    """The licence a book states; "CC BY 4.0" and "CC-BY-4.0" are the same one.

    Examples
    --------
    >>> licence_of("CC BY 4.0").identifier
    'CC-BY-4.0'
    """
    key = _BY_WORDS.get(re.sub(r"[^a-z0-9]", "", words.lower()), "")
    title, address = _KNOWN.get(key, ("", ""))
    return Licence(words.strip(), key, _OPEN_NAMES.get(key, key), title, address)
