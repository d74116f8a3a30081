"""The honest inputs that are damaged: small, of every kind, most of them made by the example book's own writers."""

from __future__ import annotations

import io
import json
import struct
import wave
from collections.abc import Iterator, Mapping
from datetime import datetime
from importlib.resources import files
from pathlib import Path

import numpy as np
import polars as pl

from brickbook.analysis import Wishes, analyse_charger, look_at, save
from brickbook.book import Book
from brickbook.core.charger import Charger, Claim, Nameplate, Output, Port, Sample
from brickbook.demo import writers
from brickbook.demo.messages import messages
from brickbook.demo.scenario import CHARGERS

__all__ = [
    "LOGS",
    "SLUG",
    "captures",
    "house_rules",
    "message_log",
    "meter_logs",
    "port_events",
    "sheets",
    "small_book",
]

SLUG = "tern-30"
STATED = {"mains_v": 230, "mains_hz": 50}


def tern() -> Charger:
    """An invented charger with everything a charger.toml may hold."""
    outputs = tuple(
        Output(kind="fixed", voltage_v=v, current_a=a) for v, a in ((5.0, 3.0), (9.0, 3.0), (15.0, 2.0), (20.0, 1.5))
    )
    claim = Claim("standby/no_load_power_w", "max", 0.1, "less than 0.1 W", "manual", when={"mains_v": 230.0})
    return Charger(
        name="Larkfield Tern 30",
        maker="Larkfield",
        model="LT-30",
        sample=Sample("bought", "2026-10-03"),
        nameplate=Nameplate(30.0),
        ports=(Port("C1", "usb-c", outputs, power_w=30.0),),
        claims=(claim,),
    )


def efficiency_log(rows: int = 60) -> bytes:
    """Loads at 20 V, a second apart: a few rows of each."""
    lines = ["t [s],Mains power [W],C1 voltage [V],C1 current [A]"]
    for k in range(4 * rows):
        amps = 1.5 * (1.0, 0.75, 0.5, 0.25)[k // rows]
        volts = 20.0 - 0.05 * amps
        lines.append(f"{k}.0,{0.3 + 1.08 * volts * amps + 0.001 * (k % 7):.4f},{volts:.4f},{amps:.5f}")
    return ("\n".join(lines) + "\n").encode()


def standby_log(rows: int = 700) -> bytes:
    """No load at 230 V."""
    return ("t [s],Mains power [W]\n" + "".join(f"{k}.0,{0.05 + 1e-5 * (k % 5):.6f}\n" for k in range(rows))).encode()


HAND_SHEET = b"""quantity,channel,value,unit,instrument,time,note
mass_g,charger,62.1,g,kitchen-scale,2026-10-03T09:59:00,first
mass_g,charger,62.3,g,kitchen-scale,2026-10-03T10:00:00,
length_mm,body length,61.2,mm,calliper,,
length_mm,body width,28.1,mm,calliper,,
length_mm,body height,29.9,mm,calliper,,
resistance_ohm,mains to output,550,Mohm,insulation-tester,,
"""


DEVICES = """[[device]]
name = "laptop"
power_w = 45.0
least_voltage_v = 15.0
hours_per_day = 4.0
[[device]]
name = "phone"
power_w = 20.0
"""


def _log(rows: int) -> writers.Log:
    time_s = np.arange(rows) * 1.0
    step = np.where(np.arange(rows) < rows // 2, 1.5, 0.75)
    wave_ = 1e-3 * np.sin(np.arange(rows))
    columns = {
        "mains_voltage_v": 230.0 + wave_,
        "mains_power_w": 21.6 * step + 0.3 + wave_,
        "mains_pf": 0.6 + wave_,
        "mains_current_thd_ratio": 0.9 + wave_,
        "mains_harmonic_a@3": 0.05 + 0.01 * wave_,
        "port_voltage_v@C1": 20.0 - 0.05 * step,
        "port_current_a@C1": step + wave_,
    }
    return writers.Log(datetime(2026, 10, 3, 10, 22), time_s, columns, ((3, "mains_power_w"),))  # noqa: DTZ001


LOGS = ("bench_comma", "german", "epoch_tab", "long_form", "plain_wide")


def meter_logs() -> dict[str, bytes]:
    """Logs of meters, one of each writer."""
    made = {name: getattr(writers, name)(_log(24)) for name in LOGS}
    return {**made, "efficiency": efficiency_log(8), "standby": standby_log(30)}


def _deposits() -> Iterator[tuple[str, str, bytes]]:
    for slug in ("wren-35", "plover-67"):
        for deposit in messages(slug, _charger(slug), seed=5):
            yield deposit.reader, deposit.name, deposit.data


def _charger(slug: str) -> Charger:
    from brickbook.book.book import read_charger

    return read_charger(f"{slug}/charger.toml", scenario(f"{slug}/charger.toml"))


def scenario(name: str) -> str:
    """A text file of the example book."""
    return (files("brickbook.demo") / "scenario" / name).read_text(encoding="utf-8")


def _cut(data: bytes, lines: int) -> bytes:
    return b"".join(data.splitlines(keepends=True)[:lines])


def message_log() -> list[bytes]:
    """Message logs."""
    return [_cut(data, 60) for reader, _, data in _deposits() if reader == "message-log"]


def port_events() -> list[bytes]:
    """Sheets of plug events."""
    found = [data for reader, _, data in _deposits() if reader == "port-events"]
    return [*found, b"time_s,port,event,note\n8.000,C1,plug,the laptop\n12.5,C1,unplug,\n13;C1;plug\n"]


def sheets() -> list[bytes]:
    """Observations of what ports offer."""
    from brickbook.demo.observations import observations

    return [_cut(deposit.data, 40) for deposit in observations(CHARGERS["plover-67"])]


def house_rules() -> str:
    """house-rules.toml of the example book."""
    return scenario("house-rules.toml")


def captures() -> dict[str, tuple[str, str, bytes, Mapping[str, float | str]]]:
    """Captures: name, and reader, ending, bytes, settings."""
    rng = np.random.default_rng(3)
    volts = 20.0 + 0.01 * rng.standard_normal(600)
    counts = (1000 * rng.standard_normal((300, 2))).astype("<i2")
    npy, npz, table, sound = io.BytesIO(), io.BytesIO(), io.BytesIO(), io.BytesIO()
    np.save(npy, volts)
    np.savez_compressed(npz, time_s=np.arange(600) * 1e-5, volts=volts)
    pl.DataFrame({"time_s": np.arange(600) * 1e-5, "C1 [V]": volts}).write_parquet(table)
    with wave.open(sound, "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(2)
        out.setframerate(48_000)
        out.writeframes(counts.tobytes())
    text = "time [s],CH1 [V],CH2 [V]\n" + "".join(
        f"{k * 1e-6:.7f},{v:.5f},{-v:.5f}\n" for k, v in enumerate(volts[:200])
    )
    headless = "interval,1e-6\n" + "".join(f"{v:.5f}\n" for v in volts[:200])
    raw = counts.tobytes()
    block = b"#%d%d%s" % (len(str(len(raw))), len(raw), raw)
    rate = {"sample_rate_hz": 1e5, "column": "port_voltage_v@C1", "unit": "V"}
    little = {**rate, "byte_order": "little"}
    both = ("port_voltage_v@C1", "port_voltage_v@C2")
    texts = {"column@CH1 [V]": both[0], "column@CH2 [V]": both[1]}
    waves = {"full_scale": 1.0, "unit": "V", "column@channel 1": both[0], "column@channel 2": both[1]}
    floats = b"#42400" + struct.pack("<600f", *volts)
    return {
        "npy": ("capture-npy", ".npy", npy.getvalue(), rate),
        "npz": ("capture-npz", ".npz", npz.getvalue(), rate),
        "parquet": ("capture-parquet", ".parquet", table.getvalue(), {"column@C1 [V]": "port_voltage_v@C1"}),
        "wave": ("capture-wave", ".wav", sound.getvalue(), waves),
        "text": ("capture-text", ".csv", text.encode(), texts),
        "text-rate": ("capture-text", ".csv", headless.encode(), rate),
        "block": ("capture-block", ".blk", block, {**little, "gain": 1e-3, "sample_type": "int16"}),
        "floats": ("capture-block", ".bin", floats, {**little, "sample_type": "float32"}),
    }  # fmt: skip


def small_book(root: Path, *, analysed: bool = True) -> Book:
    """A book with one charger that was weighed and measured, little of it."""
    book = Book.create(root, title="Torture", publisher="A. Tester", licence="CC-BY-4.0", energy_price_per_kwh=0.3)
    for name in ("bench.toml", "house-rules.toml"):
        (root / name).write_text(scenario(name), encoding="utf-8")
    book.new_charger(SLUG, tern())
    put(book, standby_log(), "standby.csv", ["standby"], conditions={**STATED, "situation": "bare"})
    at = {**STATED, "ports": "C1", "contract": "20 V", "measured_at": "receptacle"}
    put(book, efficiency_log(), "eff.csv", ["efficiency", "regulation"], conditions=at)
    put(book, HAND_SHEET, "hand.csv", ["identity"], reader="hand-sheet")
    if analysed:
        save(book, SLUG, analyse_charger(book, SLUG))
    return book


def put(book: Book, data: bytes, name: str, studies: list[str], *, reader: str = "meter-log", **more: object) -> None:
    """Take a file into the small book, its columns guessed."""
    conditions = more.pop("conditions", {})
    wishes = Wishes(reader=reader, conditions=conditions)  # type: ignore[arg-type]
    seen = look_at(book, data, name, name, wishes)
    if seen.shape is not None:
        book.save_shape(seen.shape)
    shape = seen.shape.id if seen.shape is not None else ""
    book.import_raw(
        *(SLUG, data), name=name, studies=studies, reader=reader, shape=shape, instruments=seen.instruments,
        conditions=conditions, **more,
    )  # type: ignore[arg-type] # fmt: skip


def journal() -> bytes:
    """A journal of a run, as the runner writes it."""
    events = [
        {
            "event": "run-started",
            "plan_sha256": "ab",
            "simulated": True,
            "instruments": {"load": "X,Y,1,1"},
            "tasks": ["a"],
        },
        {"event": "task-started", "task": "a", "steps": 2},
        {"event": "asked", "task": "a", "what": "caution", "key": "k", "text": "Mains kills."},
        {"event": "answered", "task": "a", "key": "k", "value": "yes"},
        {"event": "step-started", "task": "a", "step": 0, "label": "100 %"},
        {"event": "reading", "task": "a", "step": 0, "values": {"mains_power_w": 21.5, "port_voltage_v@C1": None}},
        {"event": "reading", "task": "a", "step": 0, "values": {"mains_power_w": 21.6, "port_voltage_v@C1": 20.0}},
        {"event": "step-ended", "task": "a", "step": 0, "settled": True, "reason": "", "relative_u": 1e-4},
        {"event": "note", "task": "a", "deposits": []},
        {"event": "task-ended", "task": "a", "raw": ["a.csv"]},
        {"event": "task-skipped", "task": "b", "why": "no load"},
        {"event": "paused"},
        {"event": "resumed"},
        {"event": "instrument-error", "instrument": "load", "text": "-222"},
        {"event": "interlock", "what": "volts", "limit": 260.0, "value": 270.0, "instrument": "source"},
        {"event": "safe-off", "steps": [{"what": "load", "ok": True, "error": ""}]},
        {"event": "run-ended", "outcome": "done", "why": ""},
    ]
    lines = [
        json.dumps({"n": n, "at": "2026-11-25T10:00:00.000Z", "t": n * 0.5, **event}) for n, event in enumerate(events)
    ]
    return ("\n".join(lines) + "\n").encode()


def controls() -> bytes:
    """A control file."""
    words = ("pause", "resume", "answer", "confirm", "abort")
    return "".join(
        json.dumps({"n": n, "at": "2026-11-25T10:00:00.000Z", "do": do, "key": "k", "value": "1.5", "by": "x"}) + "\n"
        for n, do in enumerate(words)
    ).encode()
