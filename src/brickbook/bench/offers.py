"""Tasks of the kind "offers": what each port offers while some are in use, as an observation sheet."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from brickbook.bench.journal import append_line
from brickbook.bench.limits import contract_voltage_v
from brickbook.bench.session import Session, wall_now
from brickbook.bench.sheet import put_aside
from brickbook.bench.take_in import Deposit
from brickbook.core.plan import PlanStep, PlanTask, PortSetting
from brickbook.core.quantities import column_name
from brickbook.readers import OBSERVATION_HEADER
from brickbook.usbpd import WordError, parse_words

__all__ = ["offers_task", "typed_offers"]

_STOPPED_V = 4.0  # below this a device without a battery is off (from memory, medium)
_WATCH_S = 3.0
_MODE = re.compile(
    r"(?:(?P<kind>PPS|AVS|SPR AVS|EPR AVS|legacy)\s+)?(?P<volts>\d+(?:\.\d+)?(?:\s*[-–]\s*\d+(?:\.\d+)?)?)\s*V"
    r"\s+(?P<amps>\d+(?:\.\d+)?)\s*A",
    re.IGNORECASE,
)
_KINDS = {"": "fixed", "pps": "pps", "avs": "spr-avs", "spr avs": "spr-avs", "epr avs": "epr-avs", "legacy": "legacy"}

Row = dict[str, str]


def offers_task(session: Session, task: PlanTask) -> list[Deposit]:
    """Look at every combination and give the sheet; raises as `log_task`."""
    path = session.folder / f"{task.id}.csv"
    put_aside(path)
    taken = wall_now()
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o666)
    instrument = ""
    try:
        append_line(descriptor, ",".join(OBSERVATION_HEADER))
        session.wiring.protect([p for step in task.steps for p in step.ports])
        session.wiring.switch_on(task.mains_v, task.mains_hz)
        for index, step in enumerate(task.steps):
            session.desk.look()
            session.journal.write("step-started", task=task.id, step=index, label=step.label)
            for row in _step(session, task, step):
                append_line(descriptor, _line(row))
                instrument = row.get("instrument") or instrument
            session.journal.write("step-ended", task=task.id, step=index, settled=True, reason="seen", relative_u=None)
    finally:
        os.close(descriptor)
    return [_deposit(session, task, path, taken, instrument)]


def _deposit(session: Session, task: PlanTask, path: Path, taken: str, instrument: str) -> Deposit:
    conditions = {
        k: v for k, v in session.conditions(task).items() if k not in ("port", "ports", "contract", "output_v")
    }
    return Deposit(
        file=path.name,
        studies=task.studies,
        reader="observations",
        conditions=conditions,
        instruments={"port_current_a": instrument} if instrument else {},
        taken=taken,
        note=session.run_note,
    )


def _step(session: Session, task: PlanTask, step: PlanStep) -> Iterator[Row]:
    """Rows of one combination, or of one port's load."""
    occupied = [p.port for p in step.ports if p.contract]
    loaded = [p for p in step.ports if p.current_a]
    if loaded:
        session.wiring.apply(step.ports)
        yield from _drawn(session, task, step, "+".join(occupied), loaded)
        return
    stopped = _plugged(session, step.ports)
    session.wait(step.dwell.min_s)
    for port in occupied:
        rows = _offered(session, port, occupied)
        for k, row in enumerate(rows):
            told = {"interrupted": stopped.get(port, "")} if k == 0 else {}
            yield {"occupied": "+".join(occupied), "port": port, **row, **told}
    session.journal.write("reading", task=task.id, step=task.steps.index(step), values={})


def _plugged(session: Session, settings: Sequence[PortSetting]) -> Mapping[str, str]:
    """Plug in, the last port last; whether the others' power stopped then, where a load reads their voltage."""
    stand, wiring = session.stand, session.wiring
    wanted = {p.port: p for p in settings if p.contract}
    last = next(reversed(wanted), "")
    others = [p for p in wanted if p != last]
    before = [p for p in settings if p.port in others]
    wiring.apply(before)
    sink = stand.sink(last)
    watched = {port: load for port in others if (load := stand.load(port)) is not None}
    if sink is None or not watched:
        wiring.apply(settings)
        return {}
    session.wait(1.0)
    lowest = dict.fromkeys(watched, float("inf"))
    sink.attach(last)
    end = stand.clock.now_s() + _WATCH_S
    while stand.clock.now_s() < end:
        for port, load in watched.items():
            volts = load.read([port]).get(column_name("port_voltage_v", port))
            lowest[port] = min(lowest[port], volts if volts is not None else float("inf"))
        session.wait(0.01)
    wiring.settings[last] = PortSetting(last, wanted[last].contract, 0.0)
    wiring.apply(settings)
    return {port: "yes" if volts < _STOPPED_V else "no" for port, volts in lowest.items()}


def _offered(session: Session, port: str, occupied: Sequence[str]) -> list[Row]:
    sink = session.stand.sink(port)
    if sink is None:
        together = f" with {'+'.join(occupied)} in use" if len(occupied) > 1 else ""
        text = f"What {port} offers{together}: words (0x...) or modes such as 5 V 3 A; 9 V 2 A; PPS 3.3-11 V 3 A"
        rows, _ = session.desk.ask(session.question("reading", text, channel=port), typed_offers)
        return rows
    words = sink.words(port)
    rows = [{"words": words}] if words else []
    for mode in filter(None, (part.strip() for part in sink.legacy(port).split(";"))):
        rows += [{**row, "kind": "legacy"} for row in typed_offers(mode)]
    if not rows:
        session.note(f"{port} offers nothing that the sink knows")
    return rows


def _drawn(
    session: Session, task: PlanTask, step: PlanStep, occupied: str, loaded: Sequence[PortSetting]
) -> Iterator[Row]:
    """The largest load a port held, after a stay."""
    gatherer = session.gatherer(task)
    end = session.stand.clock.now_s() + step.dwell.min_s
    values: dict[str, float | None] = {}
    while True:
        session.desk.look()
        now = session.stand.clock.now_s()
        values = gatherer.read(now)
        session.journal.write("reading", task=task.id, step=task.steps.index(step), values=values)
        session.check(values, step.ports, gatherer.instrument_of)
        if now >= end:
            break
        session.wait(min(task.interval_s, end - now))
    for setting in loaded:
        volts = values.get(column_name("port_voltage_v", setting.port))
        amps = values.get(column_name("port_current_a", setting.port))
        load = session.stand.load(setting.port)
        if not volts or not amps or load is None:
            session.note(f"{setting.port}: nothing was read at its load")
            continue
        kind = _KINDS.get(setting.contract.split(maxsplit=1)[0].casefold(), "fixed")
        yield {
            "occupied": occupied,
            "port": setting.port,
            "kind": kind,
            "voltage_v": f"{contract_voltage_v(setting.contract):g}",
            "drawn_v": f"{volts:.4f}",
            "drawn_a": f"{amps:.4f}",
            "instrument": load.driver.name,
            "note": f"held for {step.dwell.min_s:g} s",
        }


def typed_offers(text: str) -> list[Row]:
    """Rows of an observation sheet from words in hexadecimal, or from modes such as "5 V 3 A; PPS 3.3-11 V 3 A".

    Raises
    ------
    ValueError
        Saying what is wrong.
    """
    if "0x" in text.casefold():
        try:
            parse_words(text)
        except WordError as error:
            raise ValueError(str(error)) from error
        return [{"words": " ".join(text.replace(",", " ").split())}]
    rows = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        match = _MODE.fullmatch(part)
        if match is None:
            raise ValueError(f"{part!r} is no mode such as 9 V 2 A, PPS 3.3-11 V 3 A or legacy 5 V 2.4 A")
        kind = _KINDS[(match["kind"] or "").casefold()]
        volts = match["volts"].replace(" ", "").replace("–", "-")
        rows.append({"kind": kind, "voltage_v": volts, "current_a": match["amps"]})
    if not rows:
        raise ValueError("nothing was typed; skip leaves the task out")
    return rows


def _line(row: Row) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([row.get(key, "") for key in OBSERVATION_HEADER])
    return out.getvalue()
