"""Chargers of the software bench from TOML: those that come with the program, and the user's own."""

from __future__ import annotations

import json
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError

from brickbook.core.documents import toml_of
from brickbook.core.errors import BookError, Fault
from brickbook.simbench.charger import SimCharger

__all__ = ["bundled_chargers", "load_sim_charger", "read_sim_charger"]

_CONFIG = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
_ADAPTER: TypeAdapter[Any] = TypeAdapter(tuple[SimCharger], config=_CONFIG)
_SUFFIX = ".toml"


def bundled_chargers() -> tuple[str, ...]:
    """Names of the chargers that come with the program."""
    folder = resources.files("brickbook.simbench") / "chargers"
    return tuple(sorted(f.name.removesuffix(_SUFFIX) for f in folder.iterdir() if f.name.endswith(_SUFFIX)))


def load_sim_charger(name: str | Path) -> SimCharger:
    """A charger by the name of one that comes with the program, or by the path of a TOML file.

    Raises
    ------
    BookError
        When there is none, or the file has faults.
    """
    if str(name) in bundled_chargers():
        file = f"{name}{_SUFFIX}"
        text = (resources.files("brickbook.simbench") / "chargers" / file).read_text(encoding="utf-8")
        return read_sim_charger(file, text)
    path = Path(name)
    try:
        return read_sim_charger(str(name), path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        known = ", ".join(bundled_chargers())
        raise BookError(
            Fault(str(name), "", f"cannot be read as a charger's file ({error}).", f"Or name one of {known}.")
        ) from error


def read_sim_charger(file: str, text: str) -> SimCharger:
    """A charger from the text of its TOML file; raises `BookError` with all faults."""
    try:
        data = toml_of(text)
    except tomllib.TOMLDecodeError as error:
        raise BookError(Fault(file, "", f"is not valid TOML: {error}.", "Correct the line.")) from error
    try:
        charger = _ADAPTER.validate_json(json.dumps([data], default=str))[0]
    except ValidationError as error:
        faults = [
            Fault(file, _place(item["loc"]), f"{item['msg']}, found {_shown(item['input'])}.", "Correct the value.")
            for item in error.errors(include_url=False)
        ]
        raise BookError(*faults) from error
    assert isinstance(charger, SimCharger)
    return charger


def _place(loc: tuple[int | str, ...]) -> str:
    text = ""
    for part in loc[1:]:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
