"""What a reader must know that is not a number: protocol violations, gaps in the log, tests not done."""

from __future__ import annotations

from collections.abc import Iterator

from brickbook.core.conditions import Conditions
from brickbook.core.figure import Note
from brickbook.core.table import Recording, Rows
from brickbook.studies.negotiation.effects import Effect
from brickbook.studies.negotiation.story import PortStory, Story
from brickbook.studies.negotiation.timing import device_timers
from brickbook.usbpd import (
    CapabilitiesOffered,
    EprEntryFailed,
    Oddity,
    Outcome,
    UsbPdError,
    check_source_capabilities,
)

__all__ = ["remarks", "warn"]

_STUDY = "negotiation"


def warn(recording: Recording, port: str, text: str, rows: tuple[Rows, ...] = ()) -> Note:
    """A warning on a recording, and on one of its ports where one is named."""
    where = f"{recording.name}, {port}" if port else recording.name
    return Note(_STUDY, "warning", f"{where}: {text}", Conditions.of(log=recording.name, port=port or None), rows)


def remarks(story: Story, port: PortStory, felt: tuple[Effect, ...]) -> tuple[Note, ...]:
    """All notes on one port."""
    return (
        *_oddities(story, port),
        *_capabilities(story, port),
        *_log_gaps(story, port),
        *_outcomes(story, port),
        *_excursions(story, port),
        *_device(story, port),
        *_quiet(story, port, felt),
    )


def _oddities(story: Story, port: PortStory) -> Iterator[Note]:
    by_text: dict[str, list[Oddity]] = {}
    for event in port.timeline.history.events:
        if isinstance(event, Oddity):
            by_text.setdefault(event.text, []).append(event)
        elif isinstance(event, EprEntryFailed):
            text = f"EPR entry refused at {event.time_s:.3f} s: {event.cause or 'no cause given'}"
            yield warn(story.recording, port.port, text, (port.row(event.row),))
    for text, events in by_text.items():
        times = f"at {events[0].time_s:.3f} s" + (f" and {len(events) - 1} times more" if len(events) > 1 else "")
        yield warn(story.recording, port.port, f"{text}, {times}", (port.row(events[0].row),))


def _capabilities(story: Story, port: PortStory) -> Iterator[Note]:
    """Rules a set of capabilities breaks by itself; what depends on the rating is left out, for sharing changes it."""
    seen: dict[tuple[tuple[int, ...], bool], CapabilitiesOffered] = {}
    for event in port.timeline.history.events:
        if isinstance(event, CapabilitiesOffered):
            seen.setdefault((event.words, event.epr), event)
    told: set[str] = set()
    for (words, epr), event in seen.items():
        try:
            report = check_source_capabilities(words, epr=epr)
        except UsbPdError as error:
            yield warn(story.recording, port.port, str(error), (port.row(event.row),))
            continue
        for violation in report.violations:
            memory = f", from memory, {violation.from_memory}" if violation.from_memory else ""
            text = f"capabilities break rule {violation.rule}: {violation.text} ({violation.source}{memory})"
            if text not in told:
                told.add(text)
                yield warn(story.recording, port.port, f"{text}, first at {event.time_s:.3f} s", (port.row(event.row),))


def _log_gaps(story: Story, port: PortStory) -> Iterator[Note]:
    history, log = port.timeline.history, port.log
    for count, text in (
        (history.undelivered_count, "frames without GoodCRC"),
        (history.repeat_count, "repeated frames"),
        (log.out_of_order_count, "rows of the whole log out of order, sorted"),
        (log.direction_conflict_count, "rows of the whole log whose direction contradicts their header"),
    ):
        if count:
            note = f"{story.recording.name}, {port.port}: {text}: {count}."
            yield Note(_STUDY, "info", note, Conditions.of(log=story.recording.name, port=port.port))
    for reason, count in port.wire.rejected if port.wire is not None else ():
        text = f"transmissions on the CC wire that are not in the log ({reason}): {count}"
        yield warn(story.recording, port.port, text)
    if history.no_partner:
        yield warn(story.recording, port.port, "capabilities were sent and never acknowledged: no USB PD device")


def _outcomes(story: Story, port: PortStory) -> Iterator[Note]:
    for one in (again.negotiation for again in port.renegotiations):
        if one.outcome is Outcome.NONE:
            text = f"the {one.kind} that began at {one.start_s:.3f} s ended without a contract"
            yield warn(story.recording, port.port, text, (port.rows(one.start_s, one.end_s),))
        if one.waits or one.rejects:
            answers = [f"{n} × {word}" for n, word in ((one.waits, "Wait"), (one.rejects, "Reject")) if n]
            text = f"the {one.kind} at {one.start_s:.3f} s was answered by {' and '.join(answers)}"
            yield warn(story.recording, port.port, text, (port.rows(one.start_s, one.end_s),))


def _excursions(story: Story, port: PortStory) -> Iterator[Note]:
    for dip in port.timeline.excursions:
        assert port.trace is not None
        volts = dip.contract.voltage_v
        contract = f"a {volts:g} V contract" if volts is not None else "a contract"
        text = (
            f"VBUS fell to {dip.min_voltage_v:.2f} V for {1000 * dip.duration_s:.3g} ms under {contract} at "
            f"{dip.start_s:.3f} s with nothing being negotiated ({dip.kind})"
        )
        rows = (port.trace.rows(dip.start_s, dip.start_s + dip.duration_s),)
        yield warn(story.recording, port.port, text, rows)


def _device(story: Story, port: PortStory) -> Iterator[Note]:
    by_name: dict[str, list[float]] = {}
    for one in device_timers(port):
        by_name.setdefault(f"{one.name} {one.verdict}", []).append(one.value_s)
    for what, values in by_name.items():
        name, _, verdict = what.partition(" ")
        worst = min(values) if verdict == "too short" else max(values)
        text = (
            f"the plugged device's {name} is {verdict}, at worst {1000 * worst:.4g} ms, in {len(values)} of its answers"
        )
        note = f"{story.recording.name}, {port.port}: {text}; that says nothing of the charger."
        yield Note(_STUDY, "info", note, Conditions.of(log=story.recording.name, port=port.port))


def _quiet(story: Story, port: PortStory, felt: tuple[Effect, ...]) -> Iterator[Note]:
    where = Conditions.of(log=story.recording.name, port=port.port)
    if not story.events or port.wire is not None:
        why = "a capture keeps its own clock" if port.wire is not None else "there is no sheet of plug events"
        text = f"{why}, so nothing can be held against a neighbour"
        yield Note(_STUDY, "info", f"{story.recording.name}, {port.port}: {text}.", where)
        return
    for effect in felt:
        short_s = story.criteria.window_s - (effect.to_s - effect.from_s)
        ended = not any(e.time_s > effect.event.time_s for e in story.events)
        if not effect.caused and ended and short_s > 0:
            text = (
                f"the recording ends {effect.to_s - effect.from_s:.3g} s after {effect.event.kind} on "
                f"{effect.event.port}: a later reaction would not be seen"
            )
            yield Note(_STUDY, "info", f"{story.recording.name}, {port.port}: {text}.", where)
