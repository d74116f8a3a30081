"""`brickbook limits`: what the published texts ask of a supply with this nameplate."""

from __future__ import annotations

from typing import Annotated

from annotated_types import Gt
from cyclopts import Parameter
from rich.table import Table

from brickbook.commands.common import JsonOption, console, print_json
from brickbook.rules import limits as listed
from brickbook.studies import STUDIES

__all__ = ["limits"]

_Positive = Annotated[float, Gt(0)]


def limits(
    *,
    output_w: Annotated[float, Parameter(help="Nameplate output power [W].")],
    output_v: Annotated[float, Parameter(help="Nameplate output voltage [V].")],
    output_a: Annotated[
        float | None, Parameter(help="Nameplate output current [A]; power over voltage if left out.")
    ] = None,
    multi: Annotated[bool, Parameter(help="Several voltages at once.", negative="")] = False,
    json: JsonOption = False,
) -> int:
    """List the published limits for a nameplate, each with its source.

    Average and 10 % efficiency, no-load power and power factor; a limit remembered and not read says so.
    """
    found = listed(output_w, output_v, output_a, multi, packages=[s.package for s in STUDIES])
    if json:
        print_json({"limits": found})
        return 0
    table = Table(
        "Rule", "Quantity", "Limit", "Reading", "Source", title=f"Limits for {output_w:g} W at {output_v:g} V"
    )
    for row in found:
        sign = {"min": "≥", "max": "≤"}.get(str(row["sense"]), "")
        memory = f" (from memory, {row['from_memory']})" if row.get("from_memory") else ""
        table.add_row(
            str(row["rule"]),
            str(row["quantity"]).replace("_", " "),
            f"{sign} {row['limit']:.5g}".strip() + (f" to {row['limit_high']:.5g}" if row.get("limit_high") else ""),
            str(row.get("reading") or ""),
            f"{row['source']}{memory}",
        )
    console().print(table)
    return 0
