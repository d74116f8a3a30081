"""A bench.toml of the software bench, so that other programs find its instruments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import tomlkit

from brickbook.core.instrument import Instrument

__all__ = ["bench_text"]

_LIMITS = {"volts": 264.0, "amps": 10.0, "watts": 300.0, "degrees": 95.0}


def bench_text(instruments: Mapping[str, Instrument], limits: Mapping[str, float | None] | None = None) -> str:
    """The text of a bench file.

    Parameters
    ----------
    instruments
        By name, with addresses.
    limits
        Of the bench they stand for; what is `None` is left out.
    """
    document = tomlkit.document()
    document.add(
        tomlkit.comment("Written by `brickbook simulate`: a bench in software. Its addresses live while it runs.")
    )
    table = tomlkit.table(is_super_table=True)
    for name, instrument in instruments.items():
        data: dict[str, Any] = {}
        for key, value in asdict(instrument).items():
            if key == "accuracy":
                if value:
                    data[key] = [{k: v for k, v in line.items() if v not in (None, 0.0, "")} for line in value]
            elif value:
                data[key] = dict(value) if isinstance(value, Mapping) else value
        table.add(name, tomlkit.item(data))
    document.add("instruments", table)
    chosen = _LIMITS if limits is None else limits
    document.add("limits", tomlkit.item({key: value for key, value in chosen.items() if value is not None}))
    return tomlkit.dumps(document)
