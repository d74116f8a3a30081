"""Where in a TOML text each key stands, so that a message can name the line.

The text has been parsed before, so it is valid TOML 1.0 (toml.io/en/v1.0.0); this walks it once more, keeping only
keys and line numbers.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

__all__ = ["KeyPath", "key_text", "line_of", "locate"]

KeyPath = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def key_text(path: KeyPath) -> str:
    """A key path for people: `ports[1].outputs[0].current_a`; list places count from 0."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            shown = part if _BARE.fullmatch(part) else f'"{part}"'
            text += f".{shown}" if text else shown
    return text


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of a key, or of the nearest table around it that stands in the text."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def locate(text: str) -> dict[KeyPath, int]:
    """Line number, from 1, of every key, table and list item of a valid TOML text."""
    return _Walker(text).walk()


class _Walker:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 1 if text.startswith("\ufeff") else 0
        self.breaks = [i for i, character in enumerate(text) if character == "\n"]
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}

    def walk(self) -> dict[KeyPath, int]:
        base: KeyPath = ()
        self.blank()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                base = self.header()
            else:
                self.pair(base)
            self.blank()
        return self.lines

    def note(self, path: KeyPath, at: int) -> None:
        self.lines.setdefault(path, bisect_right(self.breaks, at - 1) + 1 if at else 1)

    def blank(self) -> None:
        """Skip white space, line ends and comments."""
        while self.at < len(self.text):
            if self.text[self.at] in " \t\r\n":
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return

    def header(self) -> KeyPath:
        start = self.at
        is_list = self.text.startswith("[[", self.at)
        self.at += 2 if is_list else 1
        keys = self.keys()
        self.at += 2 if is_list else 1
        path: KeyPath = ()
        for key in keys[:-1]:
            path = (*path, key)
            self.note(path, start)
            if path in self.counts:  # a table below a list of tables belongs to its last item
                path = (*path, self.counts[path] - 1)
        path = (*path, keys[-1])
        self.note(path, start)
        if is_list:
            index = self.counts.get(path, 0)
            self.counts[path] = index + 1
            path = (*path, index)
            self.note(path, start)
        return path

    def pair(self, base: KeyPath) -> None:
        start = self.at
        path = base
        for key in self.keys():
            path = (*path, key)
            self.note(path, start)
        self.at += 1  # "="
        self.value(path)

    def keys(self) -> list[str]:
        """A dotted key; stops at what follows it."""
        found = []
        while True:
            self.blank()
            if self.text[self.at] in "\"'":
                start = self.at
                self.string()
                found.append(str(tomllib.loads(f"k = {self.text[start : self.at]}")["k"]))
            else:
                match = _BARE.match(self.text, self.at)
                assert match is not None, "the text was parsed before"
                found.append(match[0])
                self.at = match.end()
            self.blank()
            if self.text[self.at] != ".":
                return found
            self.at += 1

    def value(self, path: KeyPath) -> None:
        self.blank()
        first = self.text[self.at]
        if first in "\"'":
            self.string()
        elif first == "[":
            self.list(path)
        elif first == "{":
            self.inline(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def list(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        self.blank()
        while self.text[self.at] != "]":
            self.note((*path, index), self.at)
            self.value((*path, index))
            index += 1
            self.blank()
            if self.text[self.at] == ",":
                self.at += 1
                self.blank()
        self.at += 1

    def inline(self, path: KeyPath) -> None:
        self.at += 1
        self.blank()
        while self.text[self.at] != "}":
            self.pair(path)
            self.blank()
            if self.text[self.at] == ",":
                self.at += 1
                self.blank()
        self.at += 1

    def string(self) -> None:
        quote = self.text[self.at]
        escapes = quote == '"'
        if self.text.startswith(quote * 3, self.at):
            self.at += 3
            while not self.text.startswith(quote * 3, self.at):
                self.at += 2 if escapes and self.text[self.at] == "\\" else 1
            self.at += 3
            while self.at < len(self.text) and self.text[self.at] == quote:  # up to two quotes may stand before the end
                self.at += 1
            return
        self.at += 1
        while self.text[self.at] != quote:
            self.at += 2 if escapes and self.text[self.at] == "\\" else 1
        self.at += 1
