"""Figures of a charger's negotiations, from message logs, plug events and VBUS traces.

How soon a charger must act on a plug at another of its ports is not laid down; a negotiation is taken as caused by a
plug or unplug when it starts within a stated time of it (common practice, no source). A device without a battery is
taken to reboot when its supply stays below a stated voltage for longer than a stated time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from brickbook.core.conditions import Conditions, Scalar
from brickbook.core.errors import AnalysisError
from brickbook.core.figure import Figure, Note
from brickbook.core.quantities import quantity_of
from brickbook.core.readings import figure_of, reading
from brickbook.core.statistics import Mean
from brickbook.core.study import Evidence, Outcome
from brickbook.core.table import Recording, Rows
from brickbook.core.uncertainty import Measured, Source, exact
from brickbook.studies.negotiation.clocks import Clock, stretch
from brickbook.studies.negotiation.effects import Below, Effect, effects, lowest
from brickbook.studies.negotiation.remarks import remarks, warn
from brickbook.studies.negotiation.story import PortStory, Story, tell
from brickbook.studies.negotiation.timing import extremes, interval
from brickbook.usbpd import (
    Attached,
    HardReset,
    NegotiationKind,
    NeighbourKind,
    Renegotiation,
)
from brickbook.usbpd import Outcome as Ending

__all__ = ["CAUSES", "STUDY", "cause_of", "event_conditions", "figures"]

STUDY = "negotiation"
CAUSES = ("neighbour", "charger", "device")
_DEVICE_KINDS = (NegotiationKind.SINK_REQUEST, NegotiationKind.EPR_ENTRY)


@dataclass(frozen=True, slots=True)
class _Desk:
    """What making a port's figures needs."""

    story: Story
    port: PortStory
    evidence: Evidence
    notes: list[Note]

    @property
    def base(self) -> Conditions:
        given = self.story.recording.conditions
        return Conditions.of(
            log=self.story.recording.name,
            port=self.port.port,
            mains_v=given.get("mains_v"),
            mains_hz=given.get("mains_hz"),
        )

    @property
    def messages(self) -> Clock:
        return Clock(self.port.table, "message", self.evidence.instruments)

    @property
    def vbus(self) -> Clock | None:
        trace = self.port.trace
        return None if trace is None else Clock(trace.table, "vbus", self.evidence.instruments)

    @property
    def events(self) -> Clock | None:
        table = self.story.event_table
        return None if table is None else Clock(table, "event", self.evidence.instruments)

    def warn(self, text: str) -> None:
        """Write a warning down, once."""
        note = warn(self.story.recording, self.port.port, text)
        if note not in self.notes:
            self.notes.append(note)


def figures(evidence: Evidence) -> Outcome:
    """All figures on negotiations of a charger."""
    found: list[Figure] = []
    notes: list[Note] = []
    for recording in evidence.recordings:
        try:
            _one(recording, evidence, found, notes)
        except AnalysisError as error:
            notes.append(warn(recording, "", str(error)))
        except (KeyError, ValueError) as error:
            notes.append(warn(recording, "", str(error.args[0] if error.args else error)))
    return Outcome(tuple(found), tuple(notes))


def cause_of(one: Renegotiation) -> str:
    """Who set a negotiation off: "neighbour", "device" (it asked, or entered EPR mode) or "charger"."""
    if one.neighbour is not None:
        return "neighbour"
    if one.negotiation.asked_for_by_sink or one.negotiation.kind in _DEVICE_KINDS:
        return "device"
    return "charger"


def event_conditions(effect: Effect) -> dict[str, Scalar]:
    """What tells one neighbour's event from another."""
    event = effect.event
    return {"neighbour": event.port, "event": str(event.kind), "event_s": round(event.time_s, 3)}


def _one(recording: Recording, evidence: Evidence, found: list[Figure], notes: list[Note]) -> None:
    story = tell(recording, evidence.instruments)
    known = {port.id for port in evidence.charger.ports}
    strangers = sorted({e.port for e in story.events} - known)
    if strangers:
        raise KeyError(f"plug events name port {strangers[0]!r}; the charger has {', '.join(sorted(known))}")
    for port in story.ports:
        if port.port not in known:
            notes.append(warn(recording, port.port, f"the charger has no such port, only {', '.join(sorted(known))}"))
            continue
        desk = _Desk(story, port, evidence, notes)
        felt = effects(story, port)
        for make in (_counts(desk, felt), _first_contract(desk), _effects(desk, felt), _timers(desk)):
            found += make
        notes += remarks(story, port, felt)


# Counts


def _counts(desk: _Desk, felt: tuple[Effect, ...]) -> Iterator[Figure]:
    port = desk.port
    first = (NegotiationKind.FIRST_CONTRACT,)
    again = [one for one in port.renegotiations if one.negotiation.kind not in first]
    all_rows = (port.rows(float(port.log.time_s[0]), float(port.log.time_s[-1])),)
    method = (
        "negotiations after the first, told by what set them off; a neighbour's when they start within "
        f"{desk.story.criteria.window_s:g} s of its plug or unplug"
    )
    for cause in CAUSES:
        mine = [one for one in again if cause_of(one) == cause]
        rows = tuple(port.rows(one.negotiation.start_s, one.negotiation.end_s) for one in mine) or all_rows
        yield _figure("renegotiation_count", exact(float(len(mine))), "", desk.base.with_(cause=cause), method, rows)
    resets = [event for event in port.timeline.history.events if isinstance(event, HardReset)]
    rows = tuple(port.row(event.row) for event in resets) or all_rows
    yield _figure("hard_reset_count", exact(float(len(resets))), "", desk.base, "Hard Reset ordered sets", rows)
    if not felt:
        return
    criteria = desk.story.criteria
    lost = [effect for effect in felt if effect.reboots]
    open_ = sum(effect.reboots is None for effect in felt)
    flags = [f"{open_} of {len(felt)} plug events cannot be told"] if open_ else []
    if any(effect.unpowered is None for effect in felt):
        flags.append("inferred from messages: there is no VBUS trace over some of the events")
    trace = port.trace
    if trace is not None and trace.interval_s > criteria.hold_up_s:
        flags.append(f"VBUS was read every {1000 * trace.interval_s:.3g} ms: shorter interruptions are not seen")
    rows = tuple(port.rows(effect.from_s, effect.to_s) for effect in lost or felt) or all_rows
    yield _figure(
        "reboot_count",
        exact(float(len(lost))),
        "",
        desk.base.with_(threshold_v=criteria.threshold_v, hold_up_s=criteria.hold_up_s),
        f"of {len(felt)} plugs and unplugs at other ports, those after which VBUS stayed below the threshold for "
        "longer than the hold-up time",
        rows,
        tuple(flags),
    )


# From plug to contract


def _first_contract(desk: _Desk) -> Iterator[Figure]:
    port = desk.port
    firsts = [
        one.negotiation
        for one in port.renegotiations
        if one.negotiation.kind is NegotiationKind.FIRST_CONTRACT and one.negotiation.outcome is Ending.CONTRACT
    ]
    own = [e for e in desk.story.events if e.port == port.port and port.wire is None]
    plugs = [e for e in own if e.kind is NeighbourKind.PLUG]
    attached = [e for e in port.timeline.history.events if isinstance(e, Attached) and not e.inferred]
    for first in firsts:
        for since, times in (("plug", [e.time_s for e in plugs]), ("VBUS at 5 V", [e.time_s for e in attached])):
            start_s = max((t for t in times if t <= first.end_s), default=None)
            clock = desk.events if since == "plug" else desk.vbus
            if start_s is None or clock is None or first.end_s - start_s > desk.story.criteria.window_s:
                continue
            try:
                start = clock.stamp(start_s) if since == "plug" else clock.crossing(start_s, "attach")
                measured = stretch(start, desk.messages.stamp(first.end_s))
            except KeyError as error:
                desk.warn(str(error.args[0]))
                continue
            conditions = desk.base.with_(since=since, event_s=round(start_s, 3))
            rows = (clock.table.rows(_near(clock, start_s), "time_s"), port.rows(first.start_s, first.end_s))
            yield _figure("first_contract_s", measured, "s", conditions, f"{since} to PS_RDY", rows)


# What a neighbour does


def _effects(desk: _Desk, felt: tuple[Effect, ...]) -> Iterator[Figure]:
    for effect in felt:
        conditions = desk.base.with_(**event_conditions(effect))
        for make in (_reaction, _power, _voltage, _unpowered):
            try:
                yield from make(desk, effect, conditions)
            except KeyError as error:
                desk.warn(str(error.args[0]))


def _reaction(desk: _Desk, effect: Effect, conditions: Conditions) -> Iterator[Figure]:
    if not effect.caused or desk.events is None:
        return
    first, made = effect.caused[0].negotiation, effect.made
    event = desk.events.stamp(effect.event.time_s)
    rows = (desk.events.table.rows(_near(desk.events, effect.event.time_s), "time_s"),)
    # a lost supply is seen in the trace, everything else in the log
    by_trace = first.kind is NegotiationKind.SUPPLY_RESTART and not first.inferred and desk.vbus is not None
    start = desk.vbus.crossing(first.start_s, "loss") if by_trace and desk.vbus else desk.messages.stamp(first.start_s)
    what = f"{effect.event.kind} to the first sign of the {first.kind}"
    yield _figure(
        "neighbour_to_reaction_s",
        stretch(event, start),
        "s",
        conditions,
        what,
        (*rows, desk.port.rows(first.start_s, first.start_s)),
    )
    if made is not None:
        end_s = made.negotiation.end_s
        yield _figure(
            "neighbour_to_contract_s",
            stretch(event, desk.messages.stamp(end_s)),
            "s",
            conditions,
            f"{effect.event.kind} to PS_RDY of the new contract ({first.kind})",
            (*rows, desk.port.rows(made.negotiation.start_s, end_s)),
        )


def _power(desk: _Desk, effect: Effect, conditions: Conditions) -> Iterator[Figure]:
    """Power of the contracts before and after: exact, they are words in the log."""
    for moment, contract in (("before", effect.before), ("after", effect.after)):
        if contract is None or contract.power_w is None:
            continue
        method = "voltage times operating current of the contract in force"
        rows = (desk.port.rows(contract.start_s, contract.start_s),)
        power = exact(contract.power_w)
        yield _figure("contract_power_w", power, "W", conditions.with_(moment=moment), method, rows)


def _voltage(desk: _Desk, effect: Effect, conditions: Conditions) -> Iterator[Figure]:
    trace = desk.port.trace
    if trace is None or effect.unpowered is None:
        return
    time_s, voltage_v = lowest(trace.vbus, effect.from_s, effect.to_s)
    quantity = quantity_of(trace.column)
    measured = reading(
        Mean(voltage_v, 0.0, 0.0, float("inf"), 1, 1.0),
        quantity=quantity,
        point=f"{desk.story.recording.name}, {time_s:.4f} s",
        instrument=trace.table.origins[trace.column].instrument,
        instruments=desk.evidence.instruments,
        range_max=desk.story.recording.ranges.get(quantity),
    )
    method = f"lowest single reading of VBUS in the {effect.to_s - effect.from_s:.3g} s after the event"
    rows = (trace.rows(time_s, time_s),)
    yield _figure("lowest_voltage_v", measured, "V", conditions, method, rows, _coarse(desk))


def _unpowered(desk: _Desk, effect: Effect, conditions: Conditions) -> Iterator[Figure]:
    threshold_v = desk.story.criteria.threshold_v
    at = conditions.with_(threshold_v=threshold_v)
    if effect.unpowered is not None and effect.at_zero is not None:
        for name, span, where in (
            ("time_without_power_s", effect.unpowered, at),
            ("time_at_zero_s", effect.at_zero, conditions),
        ):
            measured, rows = _time_below(desk, effect, span)
            flags = list(_coarse(desk))
            if span.open_ended:
                flags.append("at least: VBUS had not come back when the trace or the window ended")
            method = (
                f"time with VBUS below {span.threshold_v:g} V, straight lines between readings at most "
                f"{1000 * desk.port.trace.interval_s:.3g} ms apart"
                if desk.port.trace is not None
                else ""
            )
            yield _figure(name, measured, "s", where, method, rows, tuple(flags))
        return
    if effect.inferred_s is None:
        return
    low, high = effect.inferred_s
    if low is None or high is None or high < low:
        limits = f"at least {low:.3g} s" if low is not None else f"at most {high:.3g} s" if high is not None else "open"
        desk.warn(
            f"time without power after {effect.event.kind} on {effect.event.port} at {effect.event.time_s:.3f} s: "
            f"{limits}; a VBUS trace would tell"
        )
        return
    source = Source(f"{desk.port.table.raw.path}: power lost sometime between messages", "B", "rectangular")
    measured = Measured((low + high) / 2, {source: (high - low) / 2 / 3**0.5} if high > low else {})
    rows = (desk.port.rows(effect.from_s, effect.to_s),)
    yield _figure(
        "time_without_power_s",
        measured,
        "s",
        at,
        effect.basis,
        rows,
        ("inferred from messages: no VBUS trace tells",),
    )


def _time_below(desk: _Desk, effect: Effect, span: Below) -> tuple[Measured, tuple[Rows, ...]]:
    trace, clock = desk.port.trace, desk.vbus
    assert trace is not None
    assert clock is not None
    if not span.spans:
        # nothing was below: what could hide between two readings is in the flag
        return exact(0.0), (trace.rows(effect.from_s, effect.to_s),)
    parts = [stretch(clock.crossing(start, "falls"), clock.crossing(end, "rises")) for start, end in span.spans]
    total = parts[0]
    for part in parts[1:]:
        total = total + part
    return total, tuple(trace.rows(start, end) for start, end in span.spans)


def _coarse(desk: _Desk) -> tuple[str, ...]:
    trace = desk.port.trace
    if trace is None or trace.interval_s <= desk.story.criteria.hold_up_s:
        return ()
    return (f"VBUS was read every {1000 * trace.interval_s:.3g} ms: what happens between readings is not seen",)


# Timers


def _timers(desk: _Desk) -> Iterator[Figure]:
    port = desk.port
    for extreme in extremes(port):
        one = extreme.measurement
        try:
            measured = interval(one, port, desk.messages, desk.vbus)
        except KeyError as error:
            desk.warn(str(error.args[0]))
            continue
        rows = [port.rows(one.start_s, one.start_s + one.value_s)]
        if port.trace is not None and "VBUS" in one.spec.span:
            rows.append(port.trace.rows(one.start_s, one.start_s + one.value_s))
        method = f"{one.spec.span}; the {extreme.which} of {extreme.count}, at {one.start_s:.3f} s"
        conditions = desk.base.with_(timer=extreme.timer, which=extreme.which)
        yield _figure("timer_s", measured, "s", conditions, method, tuple(rows))


def _near(clock: Clock, time_s: float) -> slice:
    row = int(abs(clock.table.columns["time_s"] - time_s).argmin())
    return slice(row, row + 1)


def _figure(
    name: str,
    measured: Measured,
    unit: str,
    conditions: Conditions,
    method: str,
    rows: tuple[Rows, ...],
    flags: tuple[str, ...] = (),
) -> Figure:
    return figure_of(
        measured, study=STUDY, name=name, unit=unit, conditions=conditions, method=method, sources=rows, flags=flags
    )
