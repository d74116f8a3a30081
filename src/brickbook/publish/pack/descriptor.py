"""datapackage.json: Data Package 2.0 with Table Schema, which says what every file and every column of a pack is.

Source: the Data Package standard, version 2 (datapackage.org), pages Data Package, Data Resource and Table Schema. It
has no property for the unit of a column: `unit` is our own, as the standard allows, and the unit is in the name too
where a column has one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from brickbook.publish.pack.licences import Licence
from brickbook.publish.pack.tables import TABLES, Column, PackTable

__all__ = ["FORMAT", "About", "PackFile", "descriptor"]

FORMAT = 1  # of the pack; a reader refuses a later one
_PROFILES = "https://datapackage.org/profiles/2.0"
_MEDIA = {
    "csv": "text/csv",
    "json": "application/json",
    "md": "text/markdown",
    "toml": "application/toml",
    "parquet": "application/vnd.apache.parquet",
    "cff": "application/yaml",
    "txt": "text/plain",
}


@dataclass(frozen=True, slots=True)
class About:
    """What a pack is about.

    Parameters
    ----------
    slug, name, maker, model
        The charger.
    publisher
        Who tested and publishes.
    licence
        As the book states it.
    tier
        "summary" or "full".
    software, code
        Name and version of the program, and the SHA-256 of its sources: equal sources give equal figures.
    latest
        Day of the last reading, ISO 8601; empty when no file says.
    """

    slug: str
    name: str
    maker: str
    model: str
    publisher: str
    licence: Licence
    tier: str
    software: str
    code: str
    latest: str = ""

    @property
    def title(self) -> str:
        """Title of the pack."""
        return f"{self.name}: readings and figures of one sample"


@dataclass(frozen=True, slots=True)
class PackFile:
    """A file of the pack: path, size [B] and SHA-256 in hexadecimal."""

    path: str
    size: int
    sha256: str


def descriptor(about: About, files: Sequence[PackFile]) -> bytes:
    """The descriptor as JSON: each table is a resource with its schema, every other file one without."""
    by_path = {file.path: file for file in files}
    tables = {f"data/{table.name}.csv": table for table in TABLES}
    copies = {f"data/{table.name}.parquet" for table in TABLES}
    resources = [_table_resource(by_path[path], table, by_path) for path, table in tables.items()]
    names = {resource["name"] for resource in resources}
    resources += [_file_resource(file, names) for file in files if file.path not in tables and file.path not in copies]
    data: dict[str, Any] = {
        "$schema": f"{_PROFILES}/datapackage.json",
        "name": f"{about.slug}-data",
        "title": about.title,
        "description": (
            "Measured on one sample. Every figure names its uncertainty, its conditions and the lines of the raw files "
            "behind it. Nothing here says that the charger is safe: certification, local codes and licensed practice "
            "decide."
        ),
        "keywords": ["USB-C", "USB Power Delivery", "charger", "external power supply", "measurement uncertainty"],
        "contributors": [{"title": about.publisher, "roles": ["creator", "publisher"]}],
        **_licences(about.licence),
        "brickbook": {
            "format": FORMAT,
            "charger": about.slug,
            "tier": about.tier,
            "software": about.software,
            "code": about.code,
        },
        "resources": resources,
    }
    return (json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _licences(licence: Licence) -> dict[str, Any]:
    if not licence.words:
        return {}
    if licence.identifier:
        return {"licenses": [{"name": licence.open_name, "title": licence.title, "path": licence.address}]}
    return {"licenses": [{"title": licence.words, "path": "LICENCE.txt"}]}


def _table_resource(file: PackFile, table: PackTable, by_path: Mapping[str, PackFile]) -> dict[str, Any]:
    copy = by_path[file.path.removesuffix(".csv") + ".parquet"]
    return {
        "$schema": f"{_PROFILES}/dataresource.json",
        "name": table.name,
        "type": "table",
        "path": file.path,
        "title": table.title,
        "description": table.words,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        **_checked(file),
        "copies": [{"path": copy.path, "format": "parquet", "mediatype": _MEDIA["parquet"], **_checked(copy)}],
        "schema": {
            "$schema": f"{_PROFILES}/tableschema.json",
            "fields": [_field(column) for column in table.columns],
            "missingValues": [""],
            "primaryKey": list(table.key),
            **(
                {
                    "foreignKeys": [
                        {
                            "fields": list(link.columns),
                            "reference": {"resource": link.table, "fields": list(link.target)},
                        }
                        for link in table.links
                    ]
                }
                if table.links
                else {}
            ),
        },
    }


def _field(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    return {
        "name": column.name,
        "type": column.kind,
        "description": column.words,
        **({"unit": column.unit} if column.unit else {}),
        **({"constraints": constraints} if constraints else {}),
    }


def _file_resource(file: PackFile, names: set[str]) -> dict[str, Any]:
    ending = file.path.rpartition(".")[2].lower() if "." in file.path.rpartition("/")[2] else ""
    base = "".join(c if c in "abcdefghijklmnopqrstuvwxyz0123456789.-_" else "-" for c in file.path.lower())
    name, count = base, 1
    while name in names:
        count += 1
        name = f"{base}-{count}"
    names.add(name)
    is_raw = "/raw/" in file.path and not file.path.endswith("/raw/index.toml")
    return {
        "$schema": f"{_PROFILES}/dataresource.json",
        "name": name,
        "path": file.path,
        # an instrument's own format, whatever the name ends in: not to be taken for a table as it stands
        **({"format": "raw"} if is_raw else {"format": ending} if ending else {}),
        "mediatype": "application/octet-stream" if is_raw else _MEDIA.get(ending, "application/octet-stream"),
        **_checked(file),
    }


def _checked(file: PackFile) -> dict[str, Any]:
    return {"bytes": file.size, "hash": f"sha256:{file.sha256}"}
