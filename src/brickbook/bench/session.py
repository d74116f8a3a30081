"""What the tasks of a run share: bench, book, people, journal, and the readings of a stay."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from brickbook.bench.desk import Desk, Question
from brickbook.bench.dwell import Stay, Verdict
from brickbook.bench.errors import LinkError, Trip, Tripped
from brickbook.bench.gather import Gatherer, sources_for
from brickbook.bench.hands import is_bound, plausible, typed_value
from brickbook.bench.journal import JournalWriter
from brickbook.bench.limits import Limits, reading_trip
from brickbook.bench.ports import Wiring
from brickbook.bench.safety import make_safe
from brickbook.bench.sheet import Sheet
from brickbook.bench.stand import Stand
from brickbook.bench.watchdog import Watchdog
from brickbook.book import Book
from brickbook.core.conditions import Scalar
from brickbook.core.plan import PlanStep, PlanTask, PortSetting, TestPlan
from brickbook.core.quantities import QUANTITIES, channel_of, quantity_of

__all__ = ["Session"]

_CHANGE_S = 2.0  # after a change of load: readings may still be of before
_OFF_FOR_SURE_S = 30.0  # a line that was cut, a fuse, an instrument that restarts: a choice, no source
_MAINS_GONE_RATIO = 0.5  # of what the source is set to
_MAINS_GONE_READINGS = 2
_MOMENT_S = 1e-5  # less than any clock of a bench tells
_HARMONICS_FOR = ("efficiency",)


@dataclass(slots=True)
class Session:
    """One run under way.

    Parameters
    ----------
    book, slug, plan
        What is tested.
    folder
        Of the run.
    stand
        The bench.
    limits
        In force.
    journal, desk
        What is written, and the people.
    """

    book: Book
    slug: str
    plan: TestPlan
    folder: Path
    stand: Stand
    limits: Limits
    journal: JournalWriter
    desk: Desk
    wiring: Wiring = field(init=False)
    watchdog: Watchdog | None = None
    task: str = ""
    slowest_read_s: float = 0.0  # longest set of readings of the task: what its time stamps can be off
    unloaded_s: float = -1e18  # bench time since which nothing has been loaded
    mains_off_s: float = -1e18  # bench time since which the charger has had no mains
    set_up: tuple[str, ...] = ()  # sentences confirmed for the task before
    _asked: int = 0
    _may_come_back: bool = False  # whether what is still on is spoken to
    _without_mains: int = 0  # readings in turn

    def __post_init__(self) -> None:
        self.wiring = Wiring(self.stand, self.stand.clock, self.limits, self.by_hand, self.note, self.wait)
        self.wiring.before_on = self._arm

    def _arm(self) -> None:
        if self.watchdog is not None:
            self.watchdog.arm()

    # Time and people

    def wait(self, seconds: float) -> None:
        """Let bench time pass, looking at what people want."""
        clock = self.stand.clock
        end = clock.now_s() + seconds
        while (now := clock.now_s()) < end - _MOMENT_S:
            self.desk.look()
            clock.wait_until(min(end, now + clock.longest_wait_s))

    def note(self, text: str) -> None:
        """Words for the journal."""
        self.journal.write("note", task=self.task, text=text)

    def report(self, instrument: str, text: str) -> None:
        """An error of an instrument, for the journal."""
        self.journal.write("instrument-error", instrument=instrument, text=text)

    def question(self, what: str, text: str, **more: str) -> Question:
        """A question with a key of its own."""
        self._asked += 1
        return Question(self.task, what, f"{self.task}/{what}/{self._asked}", text, **more)

    def by_hand(self, text: str) -> None:
        """Have a person do something."""
        self.desk.confirm(self.question("by_hand", text))

    def typed(
        self,
        text: str,
        quantity: str,
        channel: str,
        unit: str,
        *,
        instrument: str = "",
        ports: Iterable[PortSetting] = (),
        meanwhile: Callable[[], None] = lambda: None,
        bounds: bool = False,
    ) -> tuple[float, str, bool]:
        """A reading a person types in, who, and whether it is only the end of a range, where `bounds` takes such."""
        can_be = plausible(
            quantity,
            channel,
            self.limits,
            instrument=self.stand.by_hand.get(instrument),
            mains_v=self.wiring.mains[0],
            ports={setting.port: setting for setting in ports},
        )
        question = self.question("reading", text, unit=unit, quantity=quantity, channel=channel)

        def check(typed: str) -> tuple[float, bool]:
            bound = bounds and is_bound(typed)
            return typed_value(typed.replace(">", "", 1) if bound else typed, quantity, unit, can_be), bound

        (value, bound), by = self.desk.ask(question, check, meanwhile)
        return value, by, bound

    # Safety

    def make_safe(self, why: str) -> bool:
        """Switch everything off and write down what was read back; gives whether all of it was."""
        steps = make_safe(self.stand)
        self.wiring.all_off()
        self._may_come_back = any(not step.ok and not step.by_hand for step in steps)
        if self.watchdog is not None and all(step.ok for step in steps):
            self.watchdog.disarm()
        self.journal.write("safe-off", why=why, steps=[step.fields() for step in steps])
        return all(step.ok for step in steps)

    def make_safe_for_sure(self, why: str) -> bool:
        """At the end of a run: again and again for half a minute while an instrument that is spoken to stays on."""
        since, wait_s = time.monotonic(), 0.2
        while True:
            done = self.make_safe(why)
            if done or not self._may_come_back or time.monotonic() - since > _OFF_FOR_SURE_S:
                return done
            time.sleep(wait_s)
            wait_s = min(2.0 * wait_s, 3.0)

    def off_by_hand(self) -> None:
        """Have a person switch off what is worked by hand, at the end of a task."""
        stand, words = self.stand, []
        if stand.hand_of("dc-load") and any(stand.load(port) is None for port in self.wiring.settings):
            words.append("Take the load off.")
        if stand.source is None and self.wiring.mains[0]:
            words.append("Switch the mains supply off.")
        if words:
            self.by_hand(" ".join(words))

    def check(self, values: Mapping[str, float | None], settings: Sequence[PortSetting], of: Mapping[str, str]) -> None:
        """Raise `Tripped` when readings break a limit."""
        trip = reading_trip(values, self.limits, settings, of)
        if trip is not None:
            raise Tripped(trip)
        self._look_for_mains(values.get("mains_voltage_v"), of.get("mains_voltage_v", ""))

    def _look_for_mains(self, volts: float | None, name: str) -> None:
        """Mains that is away while the source is on: somebody has pulled a plug, or a fuse has blown."""
        wanted_v = self.wiring.mains[0]
        if volts is None or volts > _MAINS_GONE_RATIO * wanted_v:
            self._without_mains = 0
            return
        self._without_mains += 1
        if self._without_mains >= _MAINS_GONE_READINGS:
            text = f"mains is away: {name} reads {volts:.4g} V, the source is set to {wanted_v:g} V"
            raise Tripped(Trip("mains", _MAINS_GONE_RATIO * wanted_v, volts, name, text))

    # Readings

    def gatherer(self, task: PlanTask) -> Gatherer:
        """What reads for a task."""
        ports = list(dict.fromkeys(p.port for step in task.steps for p in step.ports if p.contract))
        sources = sources_for(
            self.stand,
            ports,
            mains=task.mains_v > 0.0,
            harmonics=any(study in _HARMONICS_FOR for study in task.studies),
            temperatures=True,  # also where no study asks for them: they are a limit of the bench
        )
        return Gatherer(sources, self.stand.clock.now_s, self.wiring.make_sure, self.note)

    def stay(
        self, task: PlanTask, step: PlanStep, index: int, gatherer: Gatherer, sheet: Sheet, zero_s: float
    ) -> Verdict:
        """Read until the step may end; every row is on the disk before the next reading is asked for.

        Parameters
        ----------
        task, step, index
            What is under way.
        gatherer
            Reads.
        sheet
            Takes the rows.
        zero_s
            Bench time of the log's zero [s].
        """
        clock, of = self.stand.clock, gatherer.instrument_of
        stay = Stay(step.dwell, task.interval_s, gatherer.columns)
        before = {p.port: p.current_a for s in task.steps[max(index - 1, 0) : index] for p in s.ports}
        lenient = [
            PortSetting(p.port, p.contract, max(p.current_a, before.get(p.port, 0.0))) for p in step.ports if p.contract
        ]
        start = due = clock.now_s()
        while True:
            self.desk.look()
            now = clock.now_s()
            values = gatherer.read(now)
            if values:  # on a bench that is read by hand alone there are none meanwhile
                sheet.append(now - zero_s, values)
                self.journal.write("reading", task=task.id, step=index, values=values)
            settled_in = now - start >= _CHANGE_S
            self.check(values, step.ports if settled_in else lenient, of)
            stay.add(now - start, values)
            verdict = stay.verdict()
            if verdict is not None:
                return verdict
            due += task.interval_s
            done = clock.now_s()
            self.slowest_read_s = max(self.slowest_read_s, done - now)
            late = done - due
            if late > 0.0:  # readings take longer than the interval: keep the beat, leave out what is past
                due += task.interval_s * (late // task.interval_s + 1.0) if late > task.interval_s else 0.0
            self.wait(due - done)

    def hold(self, task: PlanTask, step: PlanStep, index: int, gatherer: Gatherer) -> None:
        """Stay at a step for its shortest time, with the limits looked at, without a log."""
        clock = self.stand.clock
        start = clock.now_s()
        before = {p.port: p.current_a for s in task.steps[max(index - 1, 0) : index] for p in s.ports}
        lenient = [
            PortSetting(p.port, p.contract, max(p.current_a, before.get(p.port, 0.0))) for p in step.ports if p.contract
        ]
        while True:
            self.desk.look()
            now = clock.now_s()
            values = gatherer.read(now)
            self.journal.write("reading", task=task.id, step=index, values=values)
            self.check(values, step.ports if now - start >= _CHANGE_S else lenient, gatherer.instrument_of)
            left = start + step.dwell.min_s - now
            if left <= _MOMENT_S:
                return
            self.wait(min(left, max(task.interval_s, 1.0)))

    def hand_readings(
        self, task: PlanTask, step: PlanStep, columns: Mapping[str, str], gatherer: Gatherer
    ) -> dict[str, float | None]:
        """At the end of a step: what only a person can read; the limits are looked at meanwhile."""
        found: dict[str, float | None] = {}

        def meanwhile() -> None:
            values = gatherer.read(self.stand.clock.now_s())
            self.check(values, step.ports, gatherer.instrument_of)

        for column, name in columns.items():
            quantity, channel = quantity_of(column), channel_of(column)
            words = QUANTITIES[quantity].label + (f" of {channel}" if channel else "")
            text = f"{step.label}: {words}, as {name} shows it"
            unit = QUANTITIES[quantity].unit
            found[column], _, _ = self.typed(
                text, quantity, channel, unit, instrument=name, ports=step.ports, meanwhile=meanwhile
            )
        self.check(found, step.ports, columns)
        del task
        return found

    def range_w(self, task: PlanTask) -> float | None:
        """The power meter's range now, where a task reads it and it can tell."""
        meter = self.stand.meter
        if meter is None or not task.mains_v:
            return None
        try:
            return meter.range_w()
        except LinkError:
            return None  # reported by the driver; the file then states no range

    # Files

    def conditions(self, task: PlanTask) -> dict[str, Scalar]:
        """Of a task's raw file."""
        return self.plan.conditions_of(task)

    @property
    def run_note(self) -> str:
        """For the index of raw files: which run a file is of, and that it is no real one where it is none."""
        simulated = ", bench in software" if self.stand.is_simulated else ""
        return f"run {self.folder.name}{simulated}"


def wall_now() -> str:
    """Date and time in the index's form, UTC."""
    return dt.datetime.now(dt.UTC).replace(tzinfo=None).isoformat(timespec="seconds")
