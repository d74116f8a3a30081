"""Modes as shown: for each port what it offers alone, then what changes with others in use."""

from __future__ import annotations

from brickbook.core.charger import Port
from brickbook.core.figure import Figure
from brickbook.core.page import Axis, Bars, Block, Cell, Chart, Section, TableBlock, Text
from brickbook.core.study import View
from brickbook.studies.modes.offered import PortState, Verdict, compare, port_states

__all__ = ["page"]

_WORDS = {
    "as claimed": "as stated",
    "more": "more than stated",
    "less": "less than stated",
    "missing": "stated, not offered",
    "extra": "not stated",
}


def page(view: View) -> Section:
    """A table of modes for each port alone, one of what changes in company, and a chart of the highest powers."""
    blocks: list[Block] = []
    states = [s for s in port_states(view.read()) if s.modes] if view.figures else []
    ports = [port for port in view.charger.ports if any(s.port == port.id for s in states)]
    if ports:
        blocks.append(_chart(view, ports))
    for port in ports:
        mine = [s for s in states if s.port == port.id]
        alone = next((s for s in mine if not s.shared), None)
        if alone is not None:
            blocks.append(_alone(view, port, alone))
        company = [s for s in mine if s.shared]
        if company:
            blocks.append(_company(view, port, alone, company))
    blocks += [Text(f"{note.text}.") for note in view.notes if note.severity == "warning"]
    if ports:
        blocks.append(
            Text(
                "Offered is what the port says it gives; drawn is what it gave. A range of PPS is listed with its "
                "largest current; it promises no power of its own, so the highest power is that of the other modes."
            )
        )
    return Section("modes", "Modes on offer", _lead(view, states), tuple(blocks))


def _lead(view: View, states: list[PortState]) -> str:
    if not states:
        return "What the ports offer was not written down."
    verdicts = [
        (state.port, verdict)
        for state in states
        if not state.shared
        for verdict in compare(view.charger.port(state.port), state)
    ]
    bad = [f"{port} {v.label}" for port, v in verdicts if v.what in ("missing", "less")]
    alone = sum(v.claimed is not None for _, v in verdicts)
    cut = sorted({s.port for s in states if s.shared and _less(s, states)})
    first = (
        f"Alone, every one of the {alone} outputs stated by the maker is offered"
        if not bad
        else f"Alone, {len(bad)} of {alone} outputs stated by the maker are not offered in full ({', '.join(bad)})"
    )
    if not any(s.shared for s in states):
        return f"{first}."
    second = (
        f"with other ports in use, {', '.join(cut)} offer{'s' if len(cut) == 1 else ''} less"
        if cut
        else ("other ports in use change nothing")
    )
    return f"{first}; {second}."


def _less(state: PortState, states: list[PortState]) -> bool:
    alone = next((s for s in states if s.port == state.port and not s.shared), None)
    now, before = state.power_mode, alone.power_mode if alone else None
    return now is not None and before is not None and now.offer.power_w < before.offer.power_w - 0.5


def _figure(view: View, name: str, state: PortState, contract: str | None = None) -> Figure | None:
    for figure in view.figures:
        c = figure.conditions
        here = figure.name == name and c["port"] == state.port and c["occupied"] == state.together
        if here and contract in (None, c.get("contract")):
            return figure
    return None


def _chart(view: View, ports: list[Port]) -> Chart:
    powers: dict[tuple[str, str], float] = {}
    for figure in view.figures:
        if figure.name == "offered_power_w":
            powers[str(figure.conditions["port"]), str(figure.conditions["occupied"])] = figure.value
    alone = [powers.get((p.id, p.id), 0.0) for p in ports]
    least = [min((w for (port, _), w in powers.items() if port == p.id), default=0.0) for p in ports]
    shared = any(low < high - 0.5 for low, high in zip(least, alone, strict=True))
    kept = tuple(min(low, high) if high else low for low, high in zip(least, alone, strict=True))
    parts: tuple[str, ...] = ("in every combination looked at", "at best") if shared else ("offered",)
    values: tuple[tuple[float, ...], ...] = (kept,)
    if shared:
        values = (kept, tuple(max(0.0, high - low) for low, high in zip(kept, alone, strict=True)))
    top = max(range(len(ports)), key=lambda k: alone[k])
    cut = [p.id for p, low, high in zip(ports, kept, alone, strict=True) if high and low < high - 0.5]
    title = f"{ports[top].id} offers up to {max(alone[top], kept[top]):.4g} W"
    if cut:
        title += f"; {', '.join(cut)} ha{'s' if len(cut) == 1 else 've'} less in company"
    return Chart(
        id="modes-power",
        title=title,
        alt="Highest power offered by each port: what it always offers, and what it offers only without others.",
        x=Axis("highest power offered", "W", low=0.0),
        y=Axis("port"),
        bars=Bars(tuple(p.id for p in ports), parts, values),
        caption="The least over all combinations looked at, and the rest up to the port alone.",
    )


def _alone(view: View, port: Port, state: PortState) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for verdict in compare(port, state):
        claimed = f"{verdict.claimed.current_a:g} A" if verdict.claimed else None
        power = f"{verdict.mode.offer.power_w:.4g} W" if verdict.mode else None
        protocol = f" ({verdict.mode.offer.protocol})" if verdict.mode and verdict.mode.offer.protocol else ""
        rows.append(
            (
                verdict.label + protocol,
                claimed,
                _figure(view, "offered_current_a", state, verdict.label) if verdict.mode else None,
                power,
                _figure(view, "drawn_power_w", state, verdict.label),
                _WORDS[verdict.what],
            )
        )
    head = ("Mode", "Stated", "Offered", "Highest power", "Drawn", "")
    kept = [k for k in range(len(head)) if k in (0, 5) or any(row[k] is not None for row in rows)]
    cut = tuple(tuple(row[k] for k in kept) for row in rows)
    align = "".join("l" if k in (0, 5) else "r" for k in kept)
    return TableBlock(f"{port.id} alone", tuple(head[k] for k in kept), cut, align=align)


def _company(view: View, port: Port, alone: PortState | None, states: list[PortState]) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for state in states:
        others = ", ".join(p for p in state.occupied if p != port.id)
        stopped = {True: "yes", False: "no", None: None}[state.interrupted]
        drawn = max(
            (f for f in view.figures if f.name == "drawn_power_w" and _of(f, state)),
            key=lambda f: f.value,
            default=None,
        )
        rows.append((others, _figure(view, "offered_power_w", state), drawn, _changes(port, alone, state), stopped))
    head = ("Others in use", "Highest power", "Drawn", "What changed from the port alone", "Power stopped at plugging")
    kept = [k for k in range(len(head)) if k not in (2, 4) or any(row[k] is not None for row in rows)]
    cut = tuple(tuple(row[k] for k in kept) for row in rows)
    align = "".join("l" if k in (0, 3) else "r" for k in kept)
    return TableBlock(f"{port.id} with others in use", tuple(head[k] for k in kept), cut, align=align)


def _of(figure: Figure, state: PortState) -> bool:
    return figure.conditions["port"] == state.port and figure.conditions["occupied"] == state.together


def _changes(port: Port, alone: PortState | None, state: PortState) -> str:
    """In words: modes that went, came, or changed their current."""
    if alone is None:
        return "; ".join(_against(v) for v in compare(port, state) if v.what != "as claimed") or "all as stated"
    before = {(m.offer.kind, m.offer.label): m.offer for m in alone.modes}
    now = {(m.offer.kind, m.offer.label): m.offer for m in state.modes}
    parts = [
        f"{key[1]} {now[key].current_a:g} A instead of {before[key].current_a:g} A"
        for key in before
        if key in now and abs(now[key].current_a - before[key].current_a) > 0.005
    ]
    parts += [f"no {key[1]}" for key in before if key not in now]
    parts += [f"{key[1]} {now[key].current_a:g} A added" for key in now if key not in before]
    return "; ".join(parts) or "nothing"


def _against(verdict: Verdict) -> str:
    offered = f" {verdict.mode.offer.current_a:g} A" if verdict.mode else ""
    return f"{verdict.label}{offered} {_WORDS[verdict.what]}"
