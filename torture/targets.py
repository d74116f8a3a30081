"""What reads a damaged input: one `Target` for each kind, with its honest inputs and the errors it may raise."""

from __future__ import annotations

import contextlib
import json
import math
import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from brickbook.analysis import Wishes, analyse_charger, load, look_at, save
from brickbook.analysis.analyse import house_rules
from brickbook.bench import JournalReader, read_controls, read_dialect, read_journal, status_of
from brickbook.bench.journal import CONTROL_FILE, JOURNAL_FILE
from brickbook.bench.journal import is_open as is_open_run
from brickbook.book import Book, read_publications
from brickbook.book.book import _read_shapes, read_charger
from brickbook.book.entries import read_index
from brickbook.book.plan_file import read_plan
from brickbook.book.publications import published_state
from brickbook.book.settings import read_bench, read_settings
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BrickbookError
from brickbook.core.table import RawFile
from brickbook.publish.pack import restore, write_pack
from brickbook.readers import read_capture, read_file
from brickbook.rules import parse_rules
from brickbook.usbpd import UsbPdError, decode_capture, describe_words, log_from_packets, parse_words, read_contracts
from torture import samples
from torture.scpi import LINES, ScpiTarget
from torture.web import AppTarget, requests

__all__ = ["TARGETS", "Target", "WrongError"]

_BIG = 4_000


class WrongError(Exception):
    """A property does not hold: the program gave a result or an error that it must not give."""


@dataclass(frozen=True)
class Target:
    """One kind of input.

    Parameters
    ----------
    name
        Of the kind.
    seeds
        Makes the honest inputs; given a folder to work in.
    read
        Reads one input; given a folder to work in, emptied before each.
    cases
        How many damaged inputs a whole torture tries.
    allowed
        Errors it may raise.
    """

    name: str
    seeds: Callable[[Path], list[bytes]]
    read: Callable[[bytes, Path], None]
    cases: int
    allowed: tuple[type[BaseException], ...] = (BrickbookError,)
    kept: dict[str, Any] = field(default_factory=dict)


def judged(error: BaseException) -> None:
    """Raise `WrongError` when an error of the program says too little, too much, or cannot be printed."""
    text = str(error)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as cause:
        raise WrongError(f"the message cannot be printed: {text[:200]!a}") from cause
    if isinstance(error, BrickbookError):
        for fault in error.faults:
            if len(str(fault)) > _BIG:
                raise WrongError(f"a fault has {len(str(fault))} characters: {str(fault)[:200]!a}")
            if any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 for c in str(fault)):
                raise WrongError(f"a fault has control characters: {str(fault)[:200]!a}")
            if not fault.file or not fault.problem.strip():
                raise WrongError(f"a fault names no file or no problem: {fault!a}")
    elif not text.strip():
        raise WrongError("the message is empty")


# Readers


def _tables(tables: Any) -> None:
    for table in tables:
        rows = {len(np.asarray(column)) for column in table.columns.values()}
        if len(rows) > 1:
            raise WrongError(f"columns of a table differ in length: {rows}")
        if any(np.isinf(np.asarray(column, dtype=float)).any() for column in table.columns.values()):
            raise WrongError("a table holds an infinite number")


def _meter_log(data: bytes, folder: Path) -> None:
    book = _book(folder)
    seen = look_at(book, data, "log.csv", "log.csv", Wishes(conditions={"port": "C1"}))
    _tables(seen.tables)


def _by_reader(reader: str) -> Callable[[bytes, Path], None]:
    def read(data: bytes, _: Path) -> None:
        _tables(read_file(reader, data, name="file.csv", raw=RawFile("file.csv", "")))

    return read


def _capture(kind: str) -> Callable[[bytes, Path], None]:
    reader, ending, _, stated = samples.captures()[kind]

    def read(data: bytes, folder: Path) -> None:
        path = folder / f"capture{ending}"
        path.write_bytes(data)
        capture = read_capture(
            reader, path, name=path.name, raw=RawFile(path.name, ""), conditions=Conditions.of(stated)
        )
        for channel in capture.channels:
            count = channel.samples.count
            got = channel.samples.read(0, min(count, 2000))
            tail = channel.samples.read(max(0, count - 10), count)
            if len(got) != min(count, 2000) or len(tail) != min(count, 10):
                raise WrongError(f"{count} samples are told, {len(got)} and {len(tail)} were read")

    return read


# USB PD


def _words(data: bytes, _: Path) -> None:
    described = describe_words(parse_words(data.decode("utf-8", "surrogateescape")))
    json.dumps(described, allow_nan=False)


def _word_seeds(_: Path) -> list[bytes]:
    return [b"0x0801912C 0x0002D12C 0x0004B12C 0x00064145 0xC1A4213C", b"0801912c, 0002d12c; 90000000 # epr\nD1234567"]


def _line_seeds(_: Path) -> list[bytes]:
    from brickbook.usbpd.symbols import encode_packet
    from brickbook.usbpd.synth import Burst, synthesise

    # the shape of Source_Capabilities and its GoodCRC
    frames = [bytes.fromhex("A14B2C91010B2CD102002CB1040045410600"), bytes.fromhex("6105")]
    bursts = [Burst(1e-4 + 1.5e-3 * k, encode_packet("SOP", frame)) for k, frame in enumerate(frames)]
    rng = np.random.default_rng(4)
    return [synthesise(bursts, duration_s=2.5e-3, sample_interval_s=4e-7, rng=rng, noise_v=0.03).tobytes()]


def _line(data: bytes, _: Path) -> None:
    volts = np.frombuffer(data[: len(data) // 4 * 4], dtype="<f4")[:50_000]
    try:
        packets = decode_capture(0.0, 4e-7, volts)
    except ValueError as error:
        if "expected a voltage" not in str(error):  # the one thing it documents
            raise
        raise UsbPdError(str(error)) from error
    _contracts_of(log_from_packets(packets).log)


def _contracts(data: bytes, _: Path) -> None:
    from brickbook.usbpd import parse_message_log

    _contracts_of(parse_message_log(data, name="log"))


def _contracts_of(log: Any) -> None:
    for port in log.ports[:4]:
        read_contracts(log, port)


# Files of a book


def _text(data: bytes) -> str:
    from brickbook.book._files import text_of

    return text_of(data, "file.toml")


def _of_text(read: Callable[[str], Any]) -> Callable[[bytes, Path], None]:
    def reads(data: bytes, _: Path) -> None:
        read(_text(data))

    return reads


def _sim_charger(text: str) -> None:
    from brickbook.simbench import read_sim_charger, start_bench  # noqa: F401

    read_sim_charger("charger.toml", text)


def _sim_seeds(_: Path) -> list[bytes]:
    from importlib.resources import files

    return [f.read_bytes() for f in (files("brickbook.simbench") / "chargers").iterdir() if f.name.endswith(".toml")]


def _dialect_seeds(_: Path) -> list[bytes]:
    from importlib.resources import files

    return [f.read_bytes() for f in (files("brickbook.bench") / "dialects").iterdir() if f.name.endswith(".toml")]


def _dialect(text: str) -> None:
    read_dialect("d", "d.toml", text)


def _faults(data: bytes, folder: Path) -> None:
    from brickbook.simbench import read_faults

    (folder / "faults.toml").write_bytes(data)
    read_faults(folder / "faults.toml")


_FAULTS = b"""[[fault]]
kind = "mute"
instrument = "wall-meter"
at_s = 60.0
for_s = 5.0
[[fault]]
kind = "charger-trip"
port = "C1"
at_s = 3.0
"""


def _devices(text: str) -> None:
    from brickbook.library.devices import read_devices

    read_devices(text, "devices.toml")


# A whole book, one of its files damaged


def _book(folder: Path) -> Book:
    """The honest book beside the case's folder, made once."""
    home = folder.parent / "honest"
    if not home.exists():
        samples.small_book(home)
    return Book(home)


def _damaged(folder: Path, name: str, data: bytes) -> Book:
    home = folder.parent / "damaged"
    origin = _book(folder).root
    if not home.exists():
        shutil.copytree(origin, home)
    (home / name).write_bytes(data)
    return Book(home)


def _in_book(name: str, use: Callable[[Book], None]) -> Callable[[bytes, Path], None]:
    def read(data: bytes, folder: Path) -> None:
        origin = _book(folder).root
        try:
            use(_damaged(folder, name, data))
        finally:
            home = folder.parent / "damaged"
            if (origin / name).exists():
                shutil.copy(origin / name, home / name)
            else:
                (home / name).unlink(missing_ok=True)

    return read


def _seed_file(*names: str) -> Callable[[Path], list[bytes]]:
    def seeds(folder: Path) -> list[bytes]:
        root = _book(folder).root
        return [(root / name).read_bytes() for name in names]

    return seeds


_CHARGER = f"chargers/{samples.SLUG}"


def _open_all(book: Book) -> None:
    opened = Book.open(book.root)
    opened.check(samples.SLUG)
    opened.charger(samples.SLUG)
    house_rules(opened)
    _figures(analyse_charger(opened, samples.SLUG))


def _figures(analysis: Any) -> None:
    from brickbook.analysis.codec import figure_json, finding_json

    for figure in analysis.figures:
        json.dumps(figure_json(figure), allow_nan=False)
    for finding in analysis.findings:
        json.dumps(finding_json(finding), allow_nan=False)


def _raw_in_book(name: str) -> Callable[[bytes, Path], None]:
    """The damaged file taken in by a tester who says the same of it, analysed and kept."""

    def read(data: bytes, folder: Path) -> None:
        import hashlib

        origin = _book(folder)
        entries = {entry.path: entry for entry in origin.index(samples.SLUG)}
        index = (origin.root / _CHARGER / "raw" / "index.toml").read_text("utf-8")
        changed = index.replace(entries[name].sha256, hashlib.sha256(data).hexdigest())
        home = folder.parent / "damaged-raw"
        if not home.exists():
            shutil.copytree(origin.root, home)
        for other in entries:
            shutil.copy(origin.root / _CHARGER / "raw" / other, home / _CHARGER / "raw" / other)
        (home / _CHARGER / "raw" / name).write_bytes(data)
        (home / _CHARGER / "raw" / "index.toml").write_text(changed, "utf-8")
        book = Book(home)
        analysis = analyse_charger(book, samples.SLUG)
        _figures(analysis)

    return read


def _drawn(name: str) -> Callable[[bytes, Path], None]:
    """A damaged charger.toml or raw file as far as the report."""
    inner = _raw_in_book(name)

    def read(data: bytes, folder: Path) -> None:
        from brickbook.publish.site import publish_chargers

        inner(data, folder)
        book = Book(folder.parent / "damaged-raw")
        save(book, samples.SLUG, analyse_charger(book, samples.SLUG))
        load(book, samples.SLUG)
        list(publish_chargers(book, [samples.SLUG], at="2026-11-25T10:00:00Z", why="", draft=True, force=True))

    return read


def _stored(data: bytes, folder: Path) -> None:
    def use(book: Book) -> None:
        load(book, samples.SLUG)

    _in_book(f"derived/{samples.SLUG}/result.json", use)(data, folder)


def _published(data: bytes, folder: Path) -> None:
    def use(book: Book) -> None:
        published_state(read_publications(book, samples.SLUG))

    _in_book(f"{_CHARGER}/published.jsonl", use)(data, folder)


def _published_seeds(folder: Path) -> list[bytes]:
    from brickbook.book import Publication, PublishedFigure, add_publication

    home = folder.parent / "published"
    if not home.exists():
        shutil.copytree(_book(folder).root, home)
        book = Book(home)
        figures = {f"standby/p{k}": PublishedFigure(0.1 * k, 0.01, "W", {"rule": "meets"}) for k in range(5)}
        add_publication(book, samples.SLUG, Publication("2026-11-25T10:00:00Z", figures, "", ""))
        add_publication(book, samples.SLUG, Publication("2026-11-26T10:00:00Z", {"standby/p1": None}, "ab", "gone"))
    return [(home / _CHARGER / "published.jsonl").read_bytes()]


def _journal(data: bytes, folder: Path) -> None:
    (folder / JOURNAL_FILE).write_bytes(data)
    events = read_journal(folder)
    is_open_run(events)
    JournalReader(folder).new()
    status_of(folder)
    from brickbook.app.live import Watch

    watch = Watch(folder)
    json.dumps(watch.picture(), allow_nan=False).encode()
    watch.since(-1)
    from brickbook.bench import event_line
    from brickbook.bench.resume import Progress

    for event in events:
        event_line(event)
    Progress.of(events)


def _controls(data: bytes, folder: Path) -> None:
    from brickbook.bench import append_control

    (folder / JOURNAL_FILE).write_bytes(b"")
    (folder / CONTROL_FILE).write_bytes(data)
    before = read_controls(folder)
    append_control(folder, "pause", by="torture")
    after = read_controls(folder)
    # a line that lacks only its line feed counts from the next one on
    if len(after) - len(before) not in (1, 2) or after[-1].do != "pause":
        raise WrongError(f"{len(before)} controls and one more give {len(after)}")


def _pack(data: bytes, folder: Path) -> None:
    from brickbook.publish.pack import Bounds

    (folder / "p.zip").write_bytes(data)
    try:
        restore(folder / "p.zip", folder / "new", bounds=Bounds(content=1 << 27, small=1 << 22))
    except BrickbookError:
        left = {path.name for path in folder.iterdir()} - {"p.zip"}
        if left:
            raise WrongError(f"a refused pack left {sorted(left)}") from None
        raise


def _pack_seeds(folder: Path) -> list[bytes]:
    made = write_pack(_book(folder), samples.SLUG, target=folder.parent / "honest.zip")
    return [made.path.read_bytes()]


def _pack_inside(data: bytes, folder: Path) -> None:
    """One member damaged and the sums made anew, as a clever liar would: `data` is name, line feed, content."""
    import hashlib
    import zipfile

    name, _, content = data.partition(b"\n")
    honest = folder.parent / "honest.zip"
    with zipfile.ZipFile(honest) as archive:
        members = {n: archive.read(n) for n in archive.namelist()}
    known = name.decode("utf-8", "replace")
    members[known if known in members else f"data/{re.sub(r'[^a-z]', 'x', known)[:20] or 'x'}"] = content
    sums = "".join(f"{hashlib.sha256(d).hexdigest()}  {n}\n" for n, d in members.items() if n != "SHA256SUMS")
    if known != "SHA256SUMS":
        members["SHA256SUMS"] = sums.encode()
    with zipfile.ZipFile(folder / "p.zip", "w") as archive:
        for n, d in members.items():
            archive.writestr(n, d)
    _pack((folder / "p.zip").read_bytes(), folder)


def _inside_seeds(folder: Path) -> list[bytes]:
    import zipfile

    _pack_seeds(folder)
    with zipfile.ZipFile(folder.parent / "honest.zip") as archive:
        return [
            n.encode() + b"\n" + archive.read(n) for n in archive.namelist() if archive.getinfo(n).file_size < 200_000
        ]


def _set_value(data: bytes, folder: Path) -> None:
    """Keys and values as an editor or the app would set them, in a charger.toml."""
    import tomlkit

    from brickbook.book._write import with_value

    text = (_book(folder).root / _CHARGER / "charger.toml").read_text("utf-8")
    key, _, value = data.decode("utf-8", "replace").partition("=")
    number: Any = value
    with contextlib.suppress(ValueError):
        number = float(value)
    if isinstance(number, float) and not math.isfinite(number):
        number = value
    changed = with_value("charger.toml", text, key, number)
    tomlkit.parse(changed)
    read_charger("charger.toml", changed)


def _charger_of(text: str) -> None:
    charger = read_charger("charger.toml", text)
    from brickbook.analysis.codec import charger_json
    from brickbook.bench.planning import build_plan  # noqa: F401

    json.dumps(charger_json(charger), allow_nan=False).encode()
    from brickbook.publish.facts import facts

    facts(charger)


def _toml_text(seed: str) -> Callable[[Path], list[bytes]]:
    return lambda _folder: [seed.encode()]


def _plan_seeds(folder: Path) -> list[bytes]:
    from brickbook.bench.planning import renewed_plan  # noqa: F401
    from brickbook.book.plan_file import plan_text
    from brickbook.core.plan import Dwell, PlanStep, PlanTask, PortSetting, TestPlan

    steps = tuple(
        PlanStep(f"{k}", (PortSetting("C1", "20 V", 0.3 * k),), Dwell(20.0, 60.0, "bench")) for k in range(1, 4)
    )
    task = PlanTask(
        id="regulation-00000001", studies=("regulation",), title="V(I)", kind="log", steps=steps, mains_v=230.0,
        mains_hz=50.0, cautions=("Mains voltage kills.",),
    )  # fmt: skip
    del folder
    return [plan_text("plan.toml", TestPlan(samples.SLUG, "short", (task,))).encode()]


def _targets() -> Iterator[Target]:
    logs = samples.meter_logs()
    yield Target("meter-log", lambda _: list(logs.values()), _meter_log, 5_000)
    yield Target("hand-sheet", lambda _: [samples.HAND_SHEET], _by_reader("hand-sheet"), 12_000)
    yield Target("observations", lambda _: samples.sheets(), _by_reader("observations"), 12_000)
    yield Target("message-log", lambda _: samples.message_log(), _by_reader("message-log"), 4_000)
    yield Target("port-events", lambda _: samples.port_events(), _by_reader("port-events"), 12_000)
    for kind, (_, _, data, _) in samples.captures().items():
        yield Target(f"capture-{kind}", lambda _, data=data: [data], _capture(kind), 1_200)  # type: ignore[misc]
    yield Target("pd-words", _word_seeds, _words, 16_000, (UsbPdError,))
    yield Target("pd-line", _line_seeds, _line, 8_000, (UsbPdError,))
    yield Target("pd-contracts", lambda _: samples.message_log(), _contracts, 2_000, (UsbPdError,))
    yield Target("toml-charger", _seed_file(f"{_CHARGER}/charger.toml"), _of_text(_charger_of), 3_000)
    yield Target("toml-book", _seed_file("book.toml"), _of_text(lambda t: read_settings("book.toml", t)), 3_000)
    yield Target("toml-bench", _seed_file("bench.toml"), _of_text(lambda t: read_bench("bench.toml", t)), 3_000)
    yield Target("toml-shapes", _seed_file("shapes.toml"), _of_text(lambda t: _read_shapes("shapes.toml", t)), 3_000)
    yield Target(
        "toml-index", _seed_file(f"{_CHARGER}/raw/index.toml"), _of_text(lambda t: read_index("i.toml", t)), 3_000
    )
    yield Target("toml-plan", _plan_seeds, _of_text(lambda t: read_plan("plan.toml", t)), 3_000)
    house = _of_text(lambda t: parse_rules(t, "house-rules.toml", "house"))
    yield Target("toml-house-rules", _toml_text(samples.house_rules()), house, 3_000)
    yield Target("toml-dialect", _dialect_seeds, _of_text(_dialect), 3_000)
    yield Target("toml-sim-charger", _sim_seeds, _of_text(_sim_charger), 1_500)
    yield Target("toml-bench-faults", lambda _: [_FAULTS], _faults, 1_500)
    yield Target("toml-devices", _toml_text(samples.DEVICES), _of_text(_devices), 1_500)
    yield Target("set-value", lambda _: [b"price.amount=29.0", b"ports.0.power_w=30", b"name=Tern"], _set_value, 1_000)
    yield Target("journal", lambda _: [samples.journal()], _journal, 6_000)
    yield Target("control", lambda _: [samples.controls()], _controls, 2_000)
    yield Target("published", _published_seeds, _published, 4_000)
    yield Target("stored-result", _seed_file(f"derived/{samples.SLUG}/result.json"), _stored, 1_500)
    yield Target("pack", _pack_seeds, _pack, 1_500)
    yield Target("pack-inside", _inside_seeds, _pack_inside, 600)
    for name in ("book.toml", "bench.toml", "shapes.toml", "house-rules.toml", f"{_CHARGER}/charger.toml"):
        kind = name.rpartition("/")[2].removesuffix(".toml")
        yield Target(f"book-{kind}", _seed_file(name), _in_book(name, _open_all), 200)
    index = f"{_CHARGER}/raw/index.toml"
    yield Target("book-index", _seed_file(index), _in_book(index, _open_all), 300)
    for name in ("eff.csv", "standby.csv", "hand.csv"):
        yield Target(f"analyse-{name[:-4]}", _seed_file(f"{_CHARGER}/raw/{name}"), _raw_in_book(name), 400)
    app, scpi = AppTarget(), ScpiTarget()
    yield Target("http", lambda _: requests(), app.read, 2_000, ())
    yield Target("scpi", lambda _: LINES, scpi.read, 3_000, ())
    for name in ("eff.csv", "hand.csv"):
        yield Target(f"report-{name[:-4]}", _seed_file(f"{_CHARGER}/raw/{name}"), _drawn(name), 40)


TARGETS: Mapping[str, Target] = {target.name: target for target in _targets()}
