"""Negotiations as shown: a timeline of every recording, VBUS of the worst interruption, and tables in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Finding
from brickbook.core.page import Axis, Block, Cell, Chart, LimitLine, Section, Series, Strip, TableBlock, Text
from brickbook.core.study import View
from brickbook.studies.negotiation.effects import Effect, effects
from brickbook.studies.negotiation.figures import cause_of, event_conditions
from brickbook.studies.negotiation.story import PortStory, Story, tell
from brickbook.studies.negotiation.words import by_whom, contract_words, effect_words, strip_words, what_words
from brickbook.usbpd import (
    TIMERS,
    NegotiationKind,
    Outcome,
    Renegotiation,
)

__all__ = ["page"]

TITLE = "Negotiation"
_OTHER, _CHANGING, _NO_POWER = "other contract", "negotiating", "no power"
_MOST_CONTRACTS = 4  # with negotiating and no power there are then six colours
_MARGIN_S = 0.15


def page(view: View) -> Section:
    """Timeline, worst interruption, what neighbours did, renegotiations, and times on the wire."""
    if not view.figures:
        return Section("negotiation", TITLE, "Negotiations were not recorded.")
    blocks: list[Block] = []
    for story in _stories(view):
        felt = {port.port: effects(story, port) for port in story.ports}
        blocks.append(_timeline(story, felt))
        worst = _worst(story, felt)
        if worst is not None:
            blocks.append(_interruption(story, *worst))
        if any(felt.values()):
            blocks.append(_neighbours(view, story, felt))
        blocks += _renegotiations(story)
    timers = [f for f in view.figures if f.name == "timer_s"]
    if timers:
        blocks.append(_timers(view, timers))
    blocks.append(
        Text(
            "A negotiation counts as a neighbour's doing when it starts soon after a plug or unplug; how soon is "
            "stated in the figures. A device without a battery is taken to reboot when its supply stays below "
            "the stated voltage for longer than the stated time; another device may need more."
        )
    )
    return Section("negotiation", TITLE, _lead(view), tuple(blocks))


def _stories(view: View) -> list[Story]:
    found = []
    for recording in view.read():
        try:
            found.append(tell(recording))
        except (AnalysisError, KeyError, ValueError):
            continue  # the figures' notes say why
    return found


def _lead(view: View) -> str:
    reboots = [f for f in view.figures if f.name == "reboot_count"]
    lost = [f for f in view.figures if f.name == "time_without_power_s" and f.value > 0]
    resets = sum(int(f.value) for f in view.figures if f.name == "hard_reset_count")
    if not reboots:
        ports = sorted({str(f.conditions["port"]) for f in view.figures if "port" in f.conditions})
        alone = len(view.charger.ports) == 1
        text = f"What {_listed(ports)} agreed on was recorded; "
        text += "there is no other port." if alone else "what a plug at another port does to a device was not tried."
    elif any(f.value for f in reboots):
        ports = sorted({str(f.conditions["port"]) for f in reboots if f.value})
        text = f"A plug or unplug at another port would have rebooted a device without a battery on {_listed(ports)}"
        if lost:
            worst = max(lost, key=lambda f: f.value)
            text += f": its supply was gone for {worst.value:.2g} s"
        text += "."
    elif any("cannot be told" in flag for f in reboots for flag in f.flags):
        text = "No interruption by a neighbour was seen, but not every plug could be followed."
    else:
        ports = sorted({str(f.conditions["port"]) for f in reboots})
        text = f"No plug or unplug at another port interrupted a device on {_listed(ports)} in these recordings."
    if resets:
        text += f" There {'was 1 hard reset' if resets == 1 else f'were {resets} hard resets'}."
    return text


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else list(words))


# The timeline


def _timeline(story: Story, felt: dict[str, tuple[Effect, ...]]) -> Chart:
    low, high = _ends(story)
    spans: list[tuple[str, float, float, str]] = []
    shown = _shown_contracts(story)
    for port in story.ports:
        spans += _contract_spans(port, high, shown)
        for one in port.renegotiations:
            asked = one.negotiation.kind is NegotiationKind.SINK_REQUEST
            if one.negotiation.outcome is Outcome.CONTRACT and not asked:
                spans.append((port.port, one.negotiation.start_s, one.negotiation.end_s, _CHANGING))
        for effect in felt[port.port]:
            if effect.unpowered is not None:
                spans += [(port.port, start, end, _NO_POWER) for start, end in effect.unpowered.spans]
    order = [*shown, _OTHER, _CHANGING, _NO_POWER]
    spans.sort(key=lambda span: (order.index(span[3]), span[1]))
    cut = [port for port, all_of in felt.items() if any(effect.reboots for effect in all_of)]
    moved = [p.port for p in story.ports if any(cause_of(one) == "neighbour" for one in p.renegotiations)]
    if cut:
        title = f"{_listed(cut)} lost its supply when a neighbour was plugged or pulled"
    elif moved:
        title = f"{_listed(moved)} took new terms when a neighbour was plugged or pulled, and kept its supply"
    elif story.events and any(felt.values()):
        title = "Plugs at other ports changed nothing"
    else:
        title = f"Contracts of {_listed([p.port for p in story.ports])}"
    return Chart(
        id=f"negotiation-{story.recording.name}",
        title=title,
        alt=f"Timeline of the contract in force on {_listed([p.port for p in story.ports])}, plugs and unplugs marked.",
        x=Axis("time", "s", low=low, high=high),
        y=Axis(""),
        limits=tuple(LimitLine(f"{event.port} {event.kind}", event.time_s) for event in story.events),
        strip=Strip(tuple(port.port for port in story.ports), tuple(spans)),
    )


def _ends(story: Story) -> tuple[float, float]:
    times = [float(t) for port in story.ports for t in (port.log.time_s[0], port.log.time_s[-1])]
    times += [event.time_s for event in story.events]
    return min(0.0, *times), max(times)


def _shown_contracts(story: Story) -> list[str]:
    """The contracts that get a colour of their own: those longest in force."""
    length: dict[str, float] = {}
    _, high = _ends(story)
    for port in story.ports:
        for _, start, end, kind in _contract_spans(port, high, None):
            length[kind] = length.get(kind, 0.0) + end - start
    most = _MOST_CONTRACTS if len(length) <= _MOST_CONTRACTS else _MOST_CONTRACTS - 1
    longest = sorted(length, key=lambda kind: -length[kind])[:most]
    return [kind for kind in length if kind in longest]


def _contract_spans(port: PortStory, high: float, shown: list[str] | None) -> list[tuple[str, float, float, str]]:
    """Stretches with one contract in force; the rest is left blank. `None` names every contract."""
    spans: list[tuple[str, float, float, str]] = []
    for time_s, contract in port.contracts:
        since, kind = time_s, "" if contract is None else strip_words(contract)
        if kind and shown is not None and kind not in shown:
            kind = _OTHER
        if spans and spans[-1][2] >= time_s:
            before = spans.pop()
            if kind == before[3]:
                since = before[1]
            else:
                spans.append((port.port, before[1], time_s, before[3]))
        if kind:
            spans.append((port.port, since, max(high, since), kind))
    return spans


# The worst interruption


def _worst(story: Story, felt: dict[str, tuple[Effect, ...]]) -> tuple[PortStory, Effect] | None:
    lost = [
        (port, effect)
        for port in story.ports
        for effect in felt[port.port]
        if effect.unpowered is not None and effect.unpowered.spans
    ]
    return max(lost, key=lambda pair: pair[1].unpowered.longest_s if pair[1].unpowered else 0.0, default=None)


def _interruption(story: Story, port: PortStory, effect: Effect) -> Chart:
    assert port.trace is not None
    assert effect.unpowered is not None
    start, end = effect.unpowered.spans[0][0], effect.unpowered.spans[-1][1]
    if effect.made is not None:
        end = max(end, effect.made.negotiation.end_s)
    first = min(effect.event.time_s, start) - _MARGIN_S
    trace = port.trace.vbus
    inside = (trace.time_s >= first) & (trace.time_s <= end + 2 * _MARGIN_S)
    x, y = trace.time_s[inside] - effect.event.time_s, trace.voltage_v[inside]
    step = max(1, len(x) // 1200)
    return Chart(
        id=f"negotiation-{story.recording.name}-{port.port.lower()}-cut",
        title=(
            f"{port.port} is without power for {effect.unpowered.longest_s:.2f} s after {effect.event.kind} on "
            f"{effect.event.port}"
        ),
        alt=f"VBUS of port {port.port} over time around the interruption: it falls to 0 V and comes back.",
        x=Axis(f"time after {effect.event.kind} on {effect.event.port}", "s"),
        y=Axis("VBUS", "V", low=0.0),
        series=(Series(port.port, tuple(x[::step].tolist()), tuple(y[::step].tolist()), style="line"),),
        limits=(LimitLine("device's threshold", story.criteria.threshold_v),),
        caption=f"The trace has a reading every {1000 * port.trace.interval_s:.3g} ms.",
    )


# Tables


def _neighbours(view: View, story: Story, felt: dict[str, tuple[Effect, ...]]) -> TableBlock:
    rows: list[tuple[Cell, ...]] = []
    for port in story.ports:
        for effect in felt[port.port]:
            wanted = {"log": story.recording.name, "port": port.port, **event_conditions(effect)}
            mine = {f.name: f for f in view.figures if f.conditions.matches(wanted)}
            rows.append(
                (
                    f"{effect.event.kind} on {effect.event.port} at {effect.event.time_s:.2f} s",
                    port.port,
                    _group(view, port.port, effect.event.port),
                    _change(effect),
                    mine.get("neighbour_to_contract_s"),
                    mine.get("lowest_voltage_v"),
                    mine.get("time_without_power_s"),
                    effect_words(effect.reboots),
                )
            )
    return TableBlock(
        f"What a neighbour's plug does ({story.recording.name})",
        ("Event", "Seen at", "Budget", "Contract", "To new contract", "Lowest VBUS", "Without power", "No battery"),
        tuple(rows),
        align="llllrrrl",
        note=f"Without power: VBUS below {story.criteria.threshold_v:g} V; a device without a battery is taken to "
        f"bridge {1000 * story.criteria.hold_up_s:g} ms.",
    )


def _group(view: View, own: str, other: str) -> str:
    """Whether the maker says the two ports share a budget."""
    if not view.charger.budgets:
        return "not stated"
    return "shared" if any(own in b.ports and other in b.ports for b in view.charger.budgets) else "apart"


def _change(effect: Effect) -> str:
    before, after = contract_words(effect.before), contract_words(effect.after)
    return f"{before}, unchanged" if before == after and not effect.caused else f"{before} → {after}"


def _renegotiations(story: Story) -> list[Block]:
    """All but what the device itself asked for, which is only counted: a PPS device asks several times a second."""
    told: list[tuple[PortStory, Renegotiation]] = []
    asked: dict[str, int] = {}
    for port in story.ports:
        for one in port.renegotiations:
            if one.negotiation.kind is NegotiationKind.SINK_REQUEST:
                asked[port.port] = asked.get(port.port, 0) + 1
            else:
                told.append((port, one))
    told.sort(key=lambda pair: pair[1].negotiation.start_s)
    rows = tuple(
        (
            f"{one.negotiation.start_s:.2f} s",
            port.port,
            what_words(one),
            by_whom(one),
            contract_words(one.negotiation.after),
            f"{one.duration_s:.2f} s",
        )
        for port, one in told
    )
    note = "; ".join(f"{port}: the device itself asked for new terms {n} times" for port, n in sorted(asked.items()))
    if not rows:
        return [Text(f"{note}.")] if note else []
    head = ("Time", "Port", "What happened", "Set off by", "New contract", "Took")
    return [TableBlock(f"Negotiations ({story.recording.name})", head, rows, align="lllllr", note=note)]


def _timers(view: View, timers: list[Figure]) -> TableBlock:
    """The worst time of each timer over all ports and recordings, with what the rules say of all of them."""
    findings: dict[str, list[Finding]] = {}
    for finding in view.findings:
        findings.setdefault(finding.figure, []).append(finding)
    rows: list[tuple[Cell, ...]] = []
    order = list(TIMERS)
    kinds = {(str(f.conditions["timer"]), str(f.conditions["which"])) for f in timers}
    for name, which in sorted(kinds, key=lambda kind: (order.index(kind[0]), kind[1])):
        mine = [f for f in timers if (f.conditions["timer"], f.conditions["which"]) == (name, which)]
        worst = (max if which == "longest" else min)(mine, key=lambda f: f.value)
        judged: set[str] = {f.decision for one in mine for f in findings.get(one.key, [])}
        span, _, _ = worst.method.partition(";")
        rows.append((name, span, which, str(worst.conditions["port"]), worst, _verdict(judged)))
    return TableBlock(
        "Times on the wire",
        ("Timer", "From → to", "Which", "Port", "Time", "Limits"),
        tuple(rows),
        align="llllrl",
        note="The charger's own times only. The limits with their sources stand with the figures.",
    )


def _verdict(judged: set[str]) -> str:
    for decision in ("does not meet", "undecided", "not judged", "meets"):
        if decision in judged:
            return decision
    return "no limit"
