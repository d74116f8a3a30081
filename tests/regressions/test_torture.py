"""What the torture found (docs/reliability.md): each case as small as it can be."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import time
import zipfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from brickbook import cli
from brickbook.bench import read_journal, status_of
from brickbook.bench.dialect import read_dialect
from brickbook.bench.journal import JournalWriter
from brickbook.book import Book, read_publications
from brickbook.book.settings import read_settings
from brickbook.core.conditions import Conditions
from brickbook.core.errors import BookError, BrickbookError, Fault, ReadError
from brickbook.core.table import RawFile
from brickbook.library.devices import read_devices
from brickbook.readers import guess_shape, read_capture, read_file
from brickbook.rules import parse_rules
from brickbook.simbench import read_faults, read_sim_charger
from brickbook.simbench.scpi import ScpiError, channels
from brickbook.usbpd import decode_capture

DIGITS = "a = " + "1" * 5000 + "\n"
NESTED = "a = " + "[" * 50_000 + "\n"
DOTTED = ".".join(["a"] * 20_000) + " = 1\n"  # the parser alone takes twenty seconds


@pytest.mark.parametrize("text", [DIGITS, NESTED, DOTTED])
@pytest.mark.parametrize(
    "read",
    [
        lambda text: read_settings("book.toml", text),
        lambda text: parse_rules(text, "house-rules.toml", "house"),
        lambda text: read_devices(text, "devices.toml"),
        lambda text: read_sim_charger("charger.toml", text),
        lambda text: read_dialect("d", "d.toml", text),
    ],
)
def test_toml_the_parser_gives_up_on_is_a_fault_of_the_file(read, text):
    """A number of more digits than the interpreter takes, and tables nested deeper than it goes."""
    begun = time.process_time()
    with pytest.raises(BrickbookError) as caught:
        read(text)
    assert time.process_time() - begun < 4.0
    assert all(".toml" in fault.file for fault in caught.value.faults)


def test_toml_of_bench_faults_too(tmp_path):
    (tmp_path / "faults.toml").write_text(NESTED)
    with pytest.raises(BookError, match=r"faults\.toml"):
        read_faults(tmp_path / "faults.toml")


def test_a_fault_can_be_printed_and_is_not_endless():
    fault = Fault("a\x1b[2J.csv", "line 3", f"cell '{'9' * 300_000}\ud800' is no number.", "")
    text = str(fault)
    text.encode("utf-8")
    assert text.isprintable()
    assert len(text) < 4000
    assert text.startswith("a\\x1b[2J.csv: line 3: cell '999")
    assert text.endswith("is no number.")


def _line(**fields):
    return (
        json.dumps({"n": 0, "at": "2026-11-25T10:00:00.000Z", "t": 0.5, "event": "reading", **fields}).encode() + b"\n"
    )


@pytest.mark.parametrize(
    "line",
    [
        _line(t=10**400),  # no float
        _line(n=10**400),
        _line(values={"mains_power_w": 10**400}),
        _line(values=[1, 2]),
        _line(values={"mains_power_w": "much"}),
        _line(event="task-started", steps="many"),
        _line(event="task-ended", raw=None),
        _line(event="safe-off", steps=3),
        _line(task="\ud800"),  # cannot be sent to a browser
        _line(text="x")[:-2] + b',"deep":' + b"[" * 50_000 + b"]" * 50_000 + b"}\n",
        _line(t=float("nan")),
    ],
)  # fmt: skip
def test_a_damaged_line_of_a_journal_is_passed_over(tmp_path, line):
    (tmp_path / "journal.jsonl").write_bytes(_line(values={"mains_power_w": 1.5}) + line)
    events = read_journal(tmp_path)
    assert [event.get("values") for event in events] == [{"mains_power_w": 1.5}]
    assert status_of(tmp_path).readings == {"mains_power_w": 1.5}


def _captured(tmp_path: Path, reader: str, name: str, data: bytes, **conditions):
    path = tmp_path / name
    path.write_bytes(data)
    at = {"sample_rate_hz": 1e5, "column": "port_voltage_v@C1", "unit": "V", **conditions}
    return read_capture(reader, path, name=name, raw=RawFile(name, ""), conditions=Conditions.of(at))


def _npz() -> bytes:
    stream = io.BytesIO()
    np.savez_compressed(stream, volts=np.random.default_rng(1).standard_normal(500))
    return stream.getvalue()


def test_a_numpy_archive_with_damaged_bytes(tmp_path):
    """`zlib.error` is no `OSError`."""
    data = bytearray(_npz())
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        start = archive.infolist()[0].header_offset + 60
    for place in range(start, start + 60):
        spoilt = bytearray(data)
        spoilt[place] ^= 0xFF
        with pytest.raises(ReadError, match=r"c\.npz"):
            _captured(tmp_path, "capture-npz", "c.npz", bytes(spoilt))


def test_a_numpy_header_that_is_no_python(tmp_path):
    """`tokenize.TokenError` is no `SyntaxError`."""
    stream = io.BytesIO()
    np.save(stream, np.ones(9))
    data = stream.getvalue().replace(b"(9,), }", b"(9,(,  ")
    with pytest.raises(ReadError, match="not a NumPy array"):
        _captured(tmp_path, "capture-npy", "c.npy", data)


def test_an_archive_with_a_rate_of_zero(tmp_path):
    stream = io.BytesIO()
    np.savez(stream, volts=np.ones(9), fs=np.float64(0.0))
    path = tmp_path / "c.npz"
    path.write_bytes(stream.getvalue())
    stated = Conditions.of({"column": "port_voltage_v@C1", "unit": "V"})
    with pytest.raises(ReadError, match="interval"):
        read_capture("capture-npz", path, name="c.npz", raw=RawFile("c.npz", ""), conditions=stated)


def test_a_parquet_file_with_damaged_bytes(tmp_path, capfd):
    """The library panics, which is no `Exception`."""
    stream = io.BytesIO()
    pl.DataFrame({"volts": np.random.default_rng(2).standard_normal(2000)}).write_parquet(stream)
    whole = stream.getvalue()
    for place in range(len(whole) - 200, len(whole), 7):
        spoilt = bytearray(whole)
        spoilt[place] = 0xFF
        with contextlib.suppress(ReadError):  # and nothing else
            _captured(tmp_path, "capture-parquet", "c.parquet", bytes(spoilt))
    capfd.readouterr()  # it also writes to the terminal


def test_a_text_capture_of_very_wide_rows(tmp_path):
    """Seventy thousand fields to a row: seconds of work, and bytes that are no text let an error of the library out."""
    begun = time.process_time()
    with pytest.raises(ReadError, match="fields"):
        _captured(tmp_path, "capture-text", "w.csv", b"\xff" + b"1," * 70_000 + b"\n" + b"1.5\n" * 200)
    assert time.process_time() - begun < 3.0


def test_a_text_capture_the_library_gives_up_on(tmp_path, monkeypatch):
    def refuse(*_words, **_more):
        raise pl.exceptions.ComputeError("invalid utf-8 sequence")

    monkeypatch.setattr(pl, "read_csv", refuse)
    with pytest.raises(ReadError, match=r"c\.csv: cannot be read as text: invalid utf-8 sequence"):
        _captured(tmp_path, "capture-text", "c.csv", b"1.5\n" * 200)


def test_huge_samples_are_no_warning(tmp_path):
    """pytest turns a warning into an error."""
    rows = b"1.0\n" * 500 + b"1e308\n" * 3 + b"-1e308\n-1e308\n" + b"1.0\n" * 500
    _captured(tmp_path, "capture-text", "c.csv", rows)
    with pytest.raises(ValueError, match="expected a voltage"):
        decode_capture(0.0, 4e-7, np.array([0.0, 3e38, -3e38, 0.0] * 5000, dtype=np.float32))


def test_huge_times_of_a_message_log_are_no_warning():
    text = b"time_s,port,sop,header,objects\n1e308,C1,SOP,0x0041,\n-1e308,C1,SOP,0x0041,\n"
    (table,) = read_file("message-log", text, name="m.csv", raw=RawFile("m.csv", ""))
    assert table.messages.out_of_order_count == 1


def test_a_channel_list_without_end_is_an_error_not_a_wait():
    for text in ("(@101:9223372036854775807)", f"(@1:{'1' * 5000})"):
        with pytest.raises(ScpiError):
            channels(text)
    assert channels("(@101:104)") == ("101", "102", "103", "104")


@pytest.mark.parametrize("cell", ["9" * 75_000, " " * 300_000 + "x", "1" + " " * 100_000 + "m"])
@pytest.mark.parametrize("place", ["header", "cell"])
def test_a_very_long_cell_takes_no_time_with_its_square(cell, place):
    head, row = ("t [s],Mains power [W]", f"3.0,{cell}") if place == "cell" else (f"t [s],{cell}", "3.0,1.0")
    text = f"{head}\n1.0,1.0\n2.0,1.0\n{row}\n4.0,1.0\n"
    begun = time.process_time()
    with contextlib.suppress(ReadError):
        guess_shape(text.encode(), "log.csv")
    assert time.process_time() - begun < 2.0


def test_a_quoted_field_longer_than_the_parser_takes():
    text = b'quantity,channel,value,unit,instrument,time,note\nmass_g,charger,1,g,scale,,"' + b"x" * 200_000 + b'"\n'
    with contextlib.suppress(ReadError):  # and nothing else
        read_file("hand-sheet", text, name="h.csv", raw=RawFile("h.csv", ""))


# A full disk


def test_a_line_that_does_not_fit_on_the_disk_is_taken_back(tmp_path, monkeypatch):
    with JournalWriter(tmp_path, lambda: 1.0) as journal:
        journal.write("note", text="before")
        whole, true_write = (tmp_path / "journal.jsonl").read_bytes(), os.write

        def full(descriptor, data):
            if len(data) < 20:
                raise OSError(errno.ENOSPC, "No space left on device")
            return true_write(descriptor, data[:10])

        monkeypatch.setattr(os, "write", full)
        with pytest.raises(BookError, match="no space left"):
            journal.write("note", text="does not fit")
        monkeypatch.setattr(os, "write", true_write)
        assert (tmp_path / "journal.jsonl").read_bytes() == whole
        journal.write("note", text="after")
    assert [(e.n, e.get("text")) for e in read_journal(tmp_path)] == [(0, "before"), (1, "after")]


def test_an_error_of_the_system_is_no_traceback(monkeypatch, capsys):
    def full(*_words, **_more):
        raise OSError(errno.ENOSPC, "No space left on device", "some/file")

    monkeypatch.setattr(cli, "app", full)
    assert cli.run(["publish"]) == 1
    assert capsys.readouterr().err == "error: some/file: no space left on device.\n"


def test_a_catalogue_that_does_not_fit_on_the_disk(tmp_path, monkeypatch):
    from brickbook.library import catalogue

    def full(*_words, **_more):
        raise pl.exceptions.ComputeError("underlying IO error: No space left on device (os error 28)")

    monkeypatch.setattr(pl.DataFrame, "write_parquet", full)
    monkeypatch.setattr(catalogue, "tables", lambda *_: {"figures": pl.DataFrame()})
    with pytest.raises(BookError, match=r"derived/_catalogue: cannot be written"):
        catalogue._write(tmp_path / "_catalogue", tmp_path, [])
    assert list((tmp_path / "_catalogue").iterdir()) == []


@pytest.mark.parametrize("count", ["-1", "Infinity", "1e400"])
def test_a_publication_of_fewer_than_no_figures(tmp_path, count):
    """A count below zero was read round for ever."""
    book = Book.create(tmp_path / "book", title="T", publisher="P")
    book.new_charger("tern-30")
    path = book.root / "chargers" / "tern-30" / "published.jsonl"
    path.write_text(f'{{"at": "x", "why": "", "conclusion": "", "figures": {count}, "before": ""}}\n')
    with pytest.raises(BookError, match=r"published\.jsonl: line 1"):
        read_publications(book, "tern-30")
