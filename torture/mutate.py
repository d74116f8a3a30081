"""Damage: one honest input in, one damaged input out. Pure: the same generator gives the same damage."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence

__all__ = ["mutated"]

Damage = Callable[[bytearray, random.Random, Sequence[bytes]], bytearray]

NUMBERS = (
    *(b"nan", b"NaN", b"inf", b"-inf", b"Infinity", b"1e308", b"-1e308", b"1e309", b"1e-320", b"9.91E+37", b"-0.0"),
    *(b"0", b"-1", b"1e400", b"9223372036854775807", b"9223372036854775808", b"-9223372036854775809", b"1" * 400),
    *(b"1" * 5000, b"0x10", b"1_000", b"1,5", b"1.2.3", b"--1", b"+", b"1e", b"", b"true", b"1/0", b"\xd9\xa1"),
    *(b"1970-01-01", b"9999-12-31T23:59:60Z", b"0000-00-00", b"1e5", b"0.1", b"4294967296", b"65536", b"1e18"),
)
WORDS = (
    *(
        b"mV",
        b"kW",
        b"Wh",
        b"degF",
        b"%",
        b"furlong",
        b"V**9999",
        b"m/s",
        b"V V",
        b"1e999 V",
        b"None",
        b"null",
        b"W" * 300,
    ),
    *(
        "µV".encode(),
        "Ω".encode(),
        "ＦＵＬＬ".encode(),
        "\u202eabc".encode(),
        "e\u0301".encode(),
        b"\xed\xa0\x80",
        b"\\ud800",
    ),
    *(b"../../etc/passwd", b"/dev/zero", b"C1", b"C9", b"<script>", b"{{7*7}}", b"%s%n", b"'; --", b"$(x)", b"CON"),
)
PIECES = (
    *(
        b"\x00",
        b"\xff\xfe",
        b"\xfe\xff",
        b"\xef\xbb\xbf",
        b"\r",
        b"\r\n",
        b"\n\n\n",
        b"\x0c",
        b"\x1b[2J",
        b"\x85",
        b"\xe2\x80\xa8",
    ),
    *(
        b'"',
        b"'",
        b'"""',
        b"'''",
        b"\\",
        b"#",
        b",",
        b";",
        b"\t",
        b"|",
        b"[",
        b"]",
        b"{",
        b"}",
        b"=",
        b"[[",
        b"]]",
        b"@",
    ),
)
_NUMBER = re.compile(rb"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
_WORD = re.compile(rb"[A-Za-z_]{1,40}")


def _flip(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    for _k in range(rng.choice((1, 1, 2, 8, 64))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return data


def _bytes(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    for _k in range(rng.choice((1, 1, 4, 16))):
        data[rng.randrange(len(data))] = rng.choice((0, 0x7F, 0x80, 0xFF, 0x22, 0x0A, rng.randrange(256)))
    return data


def _cut(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    return data[: rng.randrange(len(data) + 1)]


def _cut_front(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    return data[rng.randrange(len(data) + 1) :]


def _span(data: bytearray, rng: random.Random) -> tuple[int, int]:
    first = rng.randrange(len(data))
    return first, min(len(data), first + rng.choice((1, 4, 40, 400, 4000)))


def _drop(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    first, last = _span(data, rng)
    del data[first:last]
    return data


def _double(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    first, last = _span(data, rng)
    at = rng.randrange(len(data))
    data[at:at] = data[first:last] * rng.choice((1, 1, 2, 50))
    return data


def _insert(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    at = rng.randrange(len(data) + 1)
    data[at:at] = rng.choice(PIECES) * rng.choice((1, 1, 1, 3, 300))
    return data


def _lines(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    lines = data.split(b"\n")
    k, m = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(5):
        case 0:
            lines[k], lines[m] = lines[m], lines[k]
        case 1:
            lines.insert(m, lines[k])
        case 2:
            del lines[k]
        case 3:
            rng.shuffle(lines)
        case _:
            lines[k:k] = [lines[m]] * rng.choice((2, 20, 200))
    return bytearray(b"\n").join(lines)


def _fields(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    lines = data.split(b"\n")
    k = rng.randrange(len(lines))
    mark = rng.choice((b",", b";", b"\t", b" ", b"="))
    cells = lines[k].split(mark)
    a, b = rng.randrange(len(cells)), rng.randrange(len(cells))
    match rng.randrange(4):
        case 0:
            cells[a], cells[b] = cells[b], cells[a]
        case 1:
            cells.insert(a, cells[b])
        case 2:
            del cells[a]
        case _:
            cells[a] = b""
    lines[k] = mark.join(cells)
    return bytearray(b"\n").join(lines)


def _replaced(data: bytearray, rng: random.Random, pattern: re.Pattern[bytes], choices: Sequence[bytes]) -> bytearray:
    found = list(pattern.finditer(bytes(data)))
    if not found:
        return data
    for match in sorted(rng.sample(found, min(len(found), rng.choice((1, 1, 2, 5)))), key=lambda m: -m.start()):
        data[match.start() : match.end()] = rng.choice(choices)
    return data


def _number(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    return _replaced(data, rng, _NUMBER, NUMBERS)


def _word(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    known = [match.group() for match in _WORD.finditer(bytes(data[:20_000]))] or [b"x"]
    return _replaced(data, rng, _WORD, (*WORDS, *rng.sample(known, min(len(known), 20))))


def _long(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    at = rng.randrange(len(data) + 1)
    data[at:at] = rng.choice((b"9", b"A", b",", b" ", b"\xc3\xa9", b"1,")) * rng.choice((5_000, 70_000, 300_000))
    return data


def _deep(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    at = rng.randrange(len(data) + 1)
    opened = rng.choice((b"[", b"{", b"{a=", b'{"a":', b"(", b"a.", b"[[", b"<", b"a=["))
    data[at:at] = opened * rng.choice((60, 2_000, 20_000))
    return data


def _encoding(data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    name = rng.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig", "utf-7", "cp1252", "cp037"))
    return bytearray(text.encode(name, "replace"))


def _swapped(data: bytearray, rng: random.Random, others: Sequence[bytes]) -> bytearray:
    other = bytearray(rng.choice(others)) if others else data
    if rng.random() < 0.5 or not other or not data:
        return other
    return data[: rng.randrange(len(data))] + other[rng.randrange(len(other)) :]


def _empty(_data: bytearray, rng: random.Random, _: Sequence[bytes]) -> bytearray:
    return bytearray(rng.choice((b"", b"\n", b" ", b"\x00" * 600, b"\n" * 5000, b"\xff" * 64)))


_COMMON: tuple[Damage, ...] = (
    *(_flip, _flip, _bytes, _cut, _cut_front, _drop, _double, _insert, _lines, _lines, _fields, _fields),
    *(_number, _number, _number, _number, _word, _word, _word, _swapped),
)
_RARE: tuple[Damage, ...] = (_long, _deep, _encoding, _empty)


def mutated(data: bytes, rng: random.Random, others: Sequence[bytes] = ()) -> bytes:
    """One to four damages, one after the other; `others` are inputs of other kinds, to be taken for this one."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 2, 3, 4))):
        damage = rng.choice(_RARE) if rng.random() < 0.06 else rng.choice(_COMMON)
        if out or damage in (_insert, _long, _deep, _empty, _swapped):
            out = damage(out, rng, others)
    return bytes(out[:2_000_000])
