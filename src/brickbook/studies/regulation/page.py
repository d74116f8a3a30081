"""Output voltage as shown: one chart a port, one table a port."""

from __future__ import annotations

from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Block, Chart, LimitLine, Section, Series, TableBlock, Text
from brickbook.core.study import View

__all__ = ["page"]

_COLUMNS = (
    ("set_point_error_ratio", "Set-point error"),
    ("voltage_deviation_ratio", "Largest deviation"),
    ("load_regulation_ratio", "Load regulation"),
    ("output_resistance_ohm", "Output resistance"),
    ("regulated_current_a", "Leaves −5 % at"),
)


def page(view: View) -> Section:
    """For each port: deviation from the contract voltage over load, and the numbers of each contract."""
    blocks: list[Block] = []
    ports = tuple(dict.fromkeys(str(f.conditions["port"]) for f in view.figures))
    for port in ports:
        mine = [f for f in view.figures if f.conditions["port"] == port]
        contracts = tuple(dict.fromkeys((str(f.conditions["contract"]), f.conditions.get("mains_v")) for f in mine))
        blocks += [_chart(port, mine, contracts), _table(port, mine, contracts)]
    blocks += _restless(view)
    if blocks:
        blocks.append(
            Text(
                "Voltage is taken at the receptacle. Load regulation keeps its sign: a positive one means that the "
                "voltage rises with load, as it does where the charger makes up for its cable."
            )
        )
    return Section("regulation", "Output voltage", _lead(view), tuple(blocks))


def _restless(view: View) -> list[Block]:
    """One sentence a port about readings that scatter at one load; the numbers stand in the notes."""
    by_port: dict[str, list[str]] = {}
    for note in view.notes:
        if "scatter" in note.text and "port" in note.conditions:
            by_port.setdefault(str(note.conditions["port"]), []).append(str(note.conditions["contract"]))
    return [
        Text(
            f"{port} is restless at one load ({', '.join(contracts)}): single voltage readings scatter there far more "
            "than at other loads. A meter cannot tell ripple; the notes give the loads and the scatter."
        )
        for port, contracts in by_port.items()
    ]


def _lead(view: View) -> str:
    deviations = [f for f in view.figures if f.name == "voltage_deviation_ratio"]
    if not deviations:
        return "Output voltage over load was not measured."
    worst = max(deviations, key=lambda f: abs(f.value))
    where = f"{worst.conditions['port']} at {worst.conditions['contract']}"
    return (
        f"{len(deviations)} port and voltage combinations were measured from no load to nameplate current; the largest "
        f"departure from the agreed voltage is {100 * worst.value:+.1f} % ({where})."
    )


def _chart(port: str, figures: list[Figure], contracts: tuple[tuple[str, object], ...]) -> Chart:
    series = []
    for contract, mains in contracts:
        points = [
            f
            for f in figures
            if f.name == "output_voltage_v"
            and (f.conditions["contract"], f.conditions.get("mains_v")) == (contract, mains)
        ]
        points.sort(key=lambda f: f.conditions.number("load_a"))
        nominal = points[0].conditions.number("output_v")
        series.append(
            Series(
                contract,
                tuple(f.conditions.number("load_a") for f in points),
                tuple(100 * (f.value / nominal - 1) for f in points),
                tuple(100 * (f.upper - f.value) / nominal for f in points),
            )
        )
    worst = min((min(s.y), s.name) for s in series)
    best = max((max(s.y), s.name) for s in series)
    if worst[0] < -5:
        title = f"{port} falls to {worst[0]:.1f} % at {worst[1]}, beyond the 5 % band"
    elif best[0] > 5:
        title = f"{port} rises to {best[0]:+.1f} % at {best[1]}, beyond the 5 % band"
    else:
        title = f"{port} stays between {worst[0]:+.1f} % and {best[0]:+.1f} % of every agreed voltage"
    return Chart(
        id=f"regulation-{port.lower()}",
        title=title,
        alt=f"Deviation of port {port}'s output voltage from the contract voltage over load, a line for each contract.",
        x=Axis("load", "A", low=0.0),
        y=Axis("deviation from contract", "%"),
        series=tuple(series),
        limits=(LimitLine("USB PD +5 %", 5.0), LimitLine("USB PD −5 %", -5.0)),
    )


def _table(port: str, figures: list[Figure], contracts: tuple[tuple[str, object], ...]) -> TableBlock:
    rows = []
    shown = [(n, w) for n, w in _COLUMNS if any(f.name == n for f in figures)]
    for contract, mains in contracts:
        mine = {
            f.name: f
            for f in figures
            if (f.conditions["contract"], f.conditions.get("mains_v")) == (contract, mains)
            and f.name != "output_voltage_v"
        }
        cells = [mine.get(n) if n != "regulated_current_a" or n in mine else "does not" for n, _ in shown]
        rows.append((contract, *cells))
    return TableBlock(f"Port {port}", ("Contract", *(w for _, w in shown)), tuple(rows))
