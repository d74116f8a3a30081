"""Power data objects as plain dictionaries, and the reading of words typed by a person."""

import re
from collections.abc import Sequence
from typing import Any

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.pdo import SprAvsSourcePdo, decode_source_pdo

_TOKEN = re.compile(r"[^\s,;]+")
_WORD = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,8})")


def describe_words(words: Sequence[int]) -> list[dict[str, Any]]:
    """Describe source power data objects for a command line or a page.

    Parameters
    ----------
    words
        32-bit words in the order of the message.

    Returns
    -------
    list[dict]
        Per word ``raw``, ``kind``, ``min_v`` [V], ``max_v`` [V], ``max_a`` [A], ``max_w`` [W] and
        ``flags``; ``None`` where the object does not say. The position in the list plus one is the
        object position. ``kind`` is ``reserved`` for the reserved augmented type. ``flags`` holds
        the single-bit fields by name, ``peak_current`` (code 0 to 3) where there is one, the two
        currents of an SPR AVS object [A], and ``reserved_bits``, 0 in a well-formed word. For PPS
        and variable objects ``max_w`` is the product of the largest voltage and current: an upper
        bound.

    Raises
    ------
    WordError
        If a value is not an unsigned 32-bit word.
    """
    described: list[dict[str, Any]] = []
    for word in words:
        pdo = decode_source_pdo(word)
        flags: dict[str, bool | int | float] = dict(pdo.flags())
        if pdo.peak_current_code is not None:
            flags["peak_current"] = pdo.peak_current_code
        if isinstance(pdo, SprAvsSourcePdo):
            flags["max_a_9_to_15_v"] = pdo.current_9_to_15_v_a
            flags["max_a_15_to_20_v"] = pdo.current_15_to_20_v_a
        flags["reserved_bits"] = pdo.reserved_bits
        described.append(
            {
                "raw": f"0x{int(word):08X}",
                "kind": str(pdo.kind),
                "min_v": pdo.min_voltage_v,
                "max_v": pdo.max_voltage_v,
                "max_a": pdo.max_current_a,
                "max_w": pdo.max_power_w,
                "flags": flags,
            }
        )
    return described


def parse_words(text: str, *, name: str = "words") -> list[int]:
    """Read 32-bit words written in hexadecimal.

    Words are separated by white space, commas or semicolons, with or without ``0x``; ``#`` starts
    a comment that runs to the end of the line.

    Parameters
    ----------
    text
        The text.
    name
        What to call the text in an error, such as a file name.

    Returns
    -------
    list[int]
        The words in order; empty when the text has none.

    Raises
    ------
    WordError
        At the first token that is not a hexadecimal word of at most 8 digits, with its line,
        column, number among the words, and the token itself.
    """
    words: list[int] = []
    for line_number, line in enumerate(text.splitlines(), start=1):
        for token in _TOKEN.finditer(line.split("#", 1)[0]):
            word = _WORD.fullmatch(token.group())
            if word is None:
                raise WordError(
                    f"{name}, line {line_number}, column {token.start() + 1}: word "
                    f"{len(words) + 1} is {token.group()!r}; expected a 32-bit word as up to 8 "
                    f"hexadecimal digits, such as 0x0801912C"
                )
            words.append(int(word.group(1), 16))
    return words
