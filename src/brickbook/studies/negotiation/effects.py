"""What a neighbour's plug or unplug did to a port: reaction, new contract, and what a device without a battery felt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from brickbook.studies.negotiation.story import PortStory, Story
from brickbook.usbpd import SAFE_0V_MAX_V, Contract, NeighbourEvent, Outcome, Renegotiation, VbusTrace

__all__ = ["Below", "Effect", "below", "effects", "lowest"]


@dataclass(frozen=True, slots=True)
class Below:
    """Spans with VBUS below a threshold.

    Parameters
    ----------
    threshold_v
        The threshold [V].
    spans
        Start and end of each [s], straight lines taken between readings.
    open_ended
        Whether the last one goes on to the end of what was looked at.
    """

    threshold_v: float
    spans: tuple[tuple[float, float], ...]
    open_ended: bool

    @property
    def total_s(self) -> float:
        """All of them together [s]."""
        return sum(end - start for start, end in self.spans)

    @property
    def longest_s(self) -> float:
        """The longest [s]."""
        return max((end - start for start, end in self.spans), default=0.0)


@dataclass(frozen=True, slots=True)
class Effect:
    """One neighbour's event and one port that had a contract, or VBUS, at that time.

    Parameters
    ----------
    event
        The event.
    before, after
        Contracts in force at the event, and at the end of what was looked at.
    from_s, to_s
        Stretch that was looked at [s]: to the next event or the end of the window, and at least to the end of the last
        negotiation the event is held to have caused.
    caused
        Those negotiations.
    unpowered, at_zero
        Time below the device's threshold and below 0.8 V; `None` without a trace over the stretch.
    inferred_s
        Without a trace: bounds of the time without power as the messages tell them [s]; `None` for what nothing bounds.
    reboots
        Whether a device without a battery would have rebooted; `None` when it cannot be told.
    basis
        What tells it.
    """

    event: NeighbourEvent
    before: Contract | None
    after: Contract | None
    from_s: float
    to_s: float
    caused: tuple[Renegotiation, ...]
    unpowered: Below | None
    at_zero: Below | None
    inferred_s: tuple[float | None, float | None] | None
    reboots: bool | None
    basis: str

    @property
    def made(self) -> Renegotiation | None:
        """The first of the caused negotiations that ended in a contract."""
        return next((one for one in self.caused if one.negotiation.outcome is Outcome.CONTRACT), None)


def effects(story: Story, port: PortStory) -> tuple[Effect, ...]:
    """Every neighbour's event while the port was in use."""
    found = []
    for event in story.neighbours_of(port):
        effect = _effect(story, port, event)
        if effect is not None:
            found.append(effect)
    return tuple(found)


def _effect(story: Story, port: PortStory, event: NeighbourEvent) -> Effect | None:
    before = port.contract_at(event.time_s)
    trace = port.trace
    powered = (
        trace is not None
        and trace.covers(event.time_s, event.time_s)
        and float(np.interp(event.time_s, trace.vbus.time_s, trace.vbus.voltage_v)) >= story.criteria.threshold_v
    )
    if before is None and not powered:
        return None
    caused = tuple(one for one in port.renegotiations if one.neighbour == event)
    # what is plugged or pulled next, on any port, has effects of its own
    later = [other.time_s for other in story.events if other.time_s > event.time_s]
    to_s = min([event.time_s + story.criteria.window_s, *later])
    to_s = max([to_s, *(one.negotiation.end_s for one in caused)])
    last_s = float(port.log.time_s[-1]) if trace is None or not len(trace.vbus.time_s) else float(trace.vbus.time_s[-1])
    # the log may end before the window does; what is caused must be covered all the same
    to_s = max([min(to_s, last_s), *(one.negotiation.end_s for one in caused), event.time_s])
    # the next event, a pulled plug perhaps, is not of this stretch
    after = port.contract_at(float(np.nextafter(to_s, -np.inf)) if to_s in later else to_s)
    if trace is not None and trace.covers(event.time_s, to_s) and to_s > event.time_s:
        part = trace.vbus.span(event.time_s, to_s)
        unpowered = below(part, story.criteria.threshold_v)
        reboots: bool | None = unpowered.longest_s > story.criteria.hold_up_s
        # readings too far apart show that power was lost, but not that it was kept
        if unpowered.spans or float(np.diff(part.time_s).max(initial=0.0)) <= story.criteria.hold_up_s:
            return Effect(
                event,
                before,
                after,
                event.time_s,
                to_s,
                caused,
                unpowered,
                below(part, SAFE_0V_MAX_V),
                None,
                reboots,
                "VBUS trace",
            )
        missing = "VBUS was not read often enough to tell"
    else:
        missing = "no VBUS trace"
    cuts = [one.interruption for one in caused if one.interruption is not None]
    if not caused:
        reboots, basis, bounds = False, f"{missing}; no message followed", None
    else:
        told = [cut.device_would_reboot for cut in cuts]
        reboots = True if True in told else None if None in told or not told else False
        basis = "; ".join(dict.fromkeys(cut.basis for cut in cuts)) or "no contract to interrupt"
        basis = basis if missing in basis else f"{missing}; {basis}"
        lows = [cut.without_power_min_s for cut in cuts]
        highs = [cut.without_power_max_s for cut in cuts]
        bounds = (_sum(lows), _sum(highs))
    return Effect(event, before, after, event.time_s, to_s, caused, None, None, bounds, reboots, basis)


def below(trace: VbusTrace, threshold_v: float) -> Below:
    """Spans in which VBUS is below a threshold; between two readings it is taken to run straight."""
    low = trace.voltage_v < threshold_v
    change = np.flatnonzero(low[1:] != low[:-1])
    v0, v1 = trace.voltage_v[change], trace.voltage_v[change + 1]
    t0, t1 = trace.time_s[change], trace.time_s[change + 1]
    edges = (t0 + (threshold_v - v0) / (v1 - v0) * (t1 - t0)).tolist()
    if len(low) and low[0]:
        edges.insert(0, float(trace.time_s[0]))
    open_ended = bool(len(low) and low[-1])
    if open_ended:
        edges.append(float(trace.time_s[-1]))
    return Below(threshold_v, tuple(zip(edges[::2], edges[1::2], strict=True)), open_ended)


def lowest(trace: VbusTrace, from_s: float, to_s: float) -> tuple[float, float]:
    """Time [s] and voltage [V] of the lowest reading of a stretch.

    Raises
    ------
    ValueError
        When no reading lies in it.
    """
    inside = np.flatnonzero((trace.time_s >= from_s) & (trace.time_s <= to_s))
    if not len(inside):
        raise ValueError(f"the VBUS trace has no reading from {from_s:.3f} s to {to_s:.3f} s")
    at = inside[int(np.argmin(trace.voltage_v[inside]))]
    return float(trace.time_s[at]), float(trace.voltage_v[at])


def _sum(parts: list[float | None]) -> float | None:
    known = [part for part in parts if part is not None]
    return sum(known) if parts and len(known) == len(parts) else None
