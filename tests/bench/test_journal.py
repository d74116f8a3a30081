"""The journal: whole or passed over, never half."""

import json
import multiprocessing
import os
import signal
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.bench import (
    JournalReader,
    append_control,
    is_alive,
    open_runs,
    read_controls,
    read_journal,
    runs,
    status_after,
    status_of,
)
from brickbook.bench.journal import JOURNAL_FILE, JournalWriter, new_run_id, signed_in
from brickbook.book import Book
from brickbook.core.errors import BookError


def _write(folder, *events):
    folder.mkdir(parents=True, exist_ok=True)
    clock = iter(range(1000))
    with JournalWriter(folder, lambda: float(next(clock))) as journal:
        for name, fields in events:
            journal.write(name, **fields)


READING = ("reading", {"task": "a", "step": 0, "values": {"mains_power_w": 1.25, "port_voltage_v@C1": None}})


def test_events_come_back_as_written(tmp_path):
    _write(tmp_path, ("run-started", {"simulated": True, "tasks": ["a"]}), READING)
    first, second = read_journal(tmp_path)
    assert (first.n, first.event, first.get("simulated")) == (0, "run-started", True)
    assert second.get("values") == {"mains_power_w": 1.25, "port_voltage_v@C1": None}
    assert [e.n for e in read_journal(tmp_path, 0)] == [1]


def test_an_unknown_event_a_reserved_field_and_a_number_that_is_none_are_refused(tmp_path):
    with JournalWriter(tmp_path, lambda: 0.0) as journal:
        for name, fields in [("rading", {}), ("note", {"n": 3}), ("note", {"value": float("nan")})]:
            with pytest.raises(ValueError):
                journal.write(name, **fields)
    assert read_journal(tmp_path) == []


@settings(max_examples=60, deadline=None)
@given(
    texts=st.lists(st.text(max_size=12), min_size=1, max_size=6),
    cut=st.integers(0, 2000),
    after=st.integers(-1, 5),
)
def test_however_the_last_line_is_torn_every_whole_event_is_read(tmp_path_factory, texts, cut, after):
    folder = tmp_path_factory.mktemp("run")
    _write(folder, *(("note", {"text": text}) for text in texts))
    path = folder / JOURNAL_FILE
    content = path.read_bytes()
    kept = content[: min(cut, len(content))]
    path.write_bytes(kept)
    whole = kept.count(b"\n")
    assert [e.get("text") for e in read_journal(folder)] == texts[:whole]
    # taken up again: what was whole stays, numbers go on, nothing stands twice
    _write(folder, ("note", {"text": "again"}))
    events = read_journal(folder)
    numbers = [e.n for e in events]
    assert numbers == sorted(set(numbers))
    assert [e.get("text") for e in events][:whole] == texts[:whole]
    assert events[-1].get("text") == "again"
    # a line that lacked only its line feed was whole after all
    assert len(events) in (whole + 1, whole + 2)
    assert read_journal(folder, after) == [e for e in events if e.n > after]


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(1, 60), max_size=30))
def test_a_follower_sees_each_event_once_however_the_bytes_arrive(tmp_path_factory, cuts):
    folder = tmp_path_factory.mktemp("run")
    _write(folder, *[READING] * 8)
    content = (folder / JOURNAL_FILE).read_bytes()
    path = folder / "live" / JOURNAL_FILE
    path.parent.mkdir()
    path.write_bytes(b"")
    reader, seen, at = JournalReader(path.parent), [], 0
    for cut in (*cuts, len(content)):
        with path.open("ab") as file:
            file.write(content[at : at + cut])
        at += cut
        seen += reader.new()
    assert [e.n for e in seen] == list(range(8))
    assert reader.torn == 0


@pytest.mark.parametrize(
    "line", [b"\0\0\0\0", b"[1]", b"{}", b'{"n":true', b"\xff\xfe", b'{"n":"1","at":"","t":0,"event":"note"}']
)
def test_a_line_that_is_no_event_is_passed_over_and_counted(tmp_path, line):
    _write(tmp_path, READING)
    with (tmp_path / JOURNAL_FILE).open("ab") as file:
        file.write(line + b"\n")
    reader = JournalReader(tmp_path)
    assert len(reader.new()) == 1
    assert reader.torn == 1


def test_controls_are_numbered_and_refused_where_there_is_no_run(tmp_path):
    with pytest.raises(BookError, match="no run"):
        append_control(tmp_path, "pause")
    _write(tmp_path, READING)
    append_control(tmp_path, "pause", by="app")
    with (tmp_path / "control.jsonl").open("a") as file:
        file.write('{"n": 1, "do"')
    append_control(tmp_path, "answer", key="q1", value="1,2 mÄ", by="tester")
    controls = read_controls(tmp_path)
    assert [(c.n, c.do, c.key, c.value, c.by) for c in controls] == [
        (0, "pause", "", "", "app"),
        (1, "answer", "q1", "1,2 mÄ", "tester"),
    ]
    assert [c.n for c in read_controls(tmp_path, 0)] == [1]
    with pytest.raises(ValueError):
        append_control(tmp_path, "explode")


def _append(folder, count):
    for _ in range(count):
        append_control(folder, "resume", by=str(os.getpid()))


def test_controls_of_several_writers_have_numbers_of_their_own(tmp_path):
    _write(tmp_path, READING)
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=_append, args=(tmp_path, 25)) for _ in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [c.n for c in read_controls(tmp_path)] == list(range(75))


def _live(folder, ready):
    with signed_in(folder):
        ready.set()
        time.sleep(60)


def test_a_runner_is_alive_until_it_is_killed(tmp_path):
    assert not is_alive(tmp_path)
    context = multiprocessing.get_context("fork")
    ready = context.Event()
    process = context.Process(target=_live, args=(tmp_path, ready))
    process.start()
    assert ready.wait(10)
    assert is_alive(tmp_path)
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    assert (tmp_path / "pid").exists()
    assert not is_alive(tmp_path)
    (tmp_path / "pid").write_text("1\n")  # the number of a process that lives, and is no runner
    assert not is_alive(tmp_path)
    with signed_in(tmp_path):
        assert is_alive(tmp_path)
    assert not (tmp_path / "pid").exists()


@pytest.fixture
def book(tmp_path):
    made = Book.create(tmp_path / "book", title="t", publisher="p")
    made.new_charger("wren")
    return made


def test_open_runs_are_those_without_an_end(book):
    folder = book.root / "chargers" / "wren" / "runs"
    assert runs(book, "wren") == ()
    ends = {"1": "done", "2": "aborted", "3": "paused", "4": None}
    for name, outcome in ends.items():
        _write(folder / name, ("run-started", {}), *([("run-ended", {"outcome": outcome})] if outcome else []))
    (folder / "5").mkdir()
    assert [p.name for p in runs(book, "wren")] == ["1", "2", "3", "4"]
    assert [p.name for p in open_runs(book, "wren")] == ["3", "4"]
    _write(folder / "2", ("run-started", {}))  # taken up again
    assert [p.name for p in open_runs(book, "wren")] == ["2", "3", "4"]
    with pytest.raises(BookError):
        runs(book, "robin")


def test_run_ids_do_not_meet(tmp_path):
    first = new_run_id(tmp_path)
    (tmp_path / first).mkdir()
    assert new_run_id(tmp_path) != first
    assert first.endswith("Z")
    assert len(first) == 16


def test_status_follows_a_run(tmp_path):
    story = [
        ("run-started", {"simulated": True, "tasks": ["a", "b"]}),
        ("task-started", {"task": "a", "steps": 2}),
        ("asked", {"task": "a", "what": "caution", "key": "a:0", "text": "Mind the mains."}),
    ]
    _write(tmp_path, *story)
    events = read_journal(tmp_path)
    status = status_after("r", events, alive=True)
    assert (status.state, status.asked.key, status.task, status.step_count) == ("asking", "a:0", "a", 2)
    assert status_of(tmp_path).state == "broken off"
    _write(
        tmp_path,
        ("answered", {"task": "a", "key": "a:0", "value": "yes"}),
        ("step-started", {"task": "a", "step": 0, "label": "100 %"}),
        READING,
        ("reading", {"task": "a", "step": 0, "values": {"mains_power_w": 1.5}}),
    )
    status = status_after("r", read_journal(tmp_path), alive=True)
    assert (status.state, status.label, status.reading_count) == ("running", "100 %", 2)
    assert status.readings == {"mains_power_w": 1.5, "port_voltage_v@C1": None}
    _write(tmp_path, ("paused", {}))
    assert status_after("r", read_journal(tmp_path), alive=True).state == "paused"
    _write(
        tmp_path,
        ("resumed", {}),
        ("task-ended", {"task": "a", "raw": ["a.csv"]}),
        ("task-skipped", {"task": "b", "why": "no scope"}),
        ("instrument-error", {"instrument": "load", "text": "-222 Data out of range"}),
        ("interlock", {"what": "volts", "limit": 22.0, "value": 23.0, "instrument": "load"}),
        ("safe-off", {"steps": [{"what": "load off", "ok": True, "error": ""}]}),
        ("run-ended", {"outcome": "interlock", "why": "23 V"}),
    )
    status = status_of(tmp_path)
    assert (status.state, status.outcome, status.why, status.is_safe) == ("ended", "interlock", "23 V", True)
    assert (status.done, status.skipped) == ({"a": ("a.csv",)}, {"b": "no scope"})
    assert status.errors == ("load: -222 Data out of range",)
    assert status.interlock["value"] == 23.0
    _write(tmp_path, ("run-started", {"simulated": True, "tasks": ["a", "b"]}))
    status = status_after("r", read_journal(tmp_path), alive=True)
    assert (status.state, status.outcome, status.safe_off, status.interlock) == ("running", "", None, None)
    assert status.done == {"a": ("a.csv",)}


def test_status_of_nothing(tmp_path):
    assert status_of(tmp_path).state == "new"


def test_what_is_written_is_json_a_line(tmp_path):
    _write(tmp_path, READING)
    line = json.loads((tmp_path / JOURNAL_FILE).read_text())
    assert list(line)[:4] == ["n", "at", "t", "event"]
    assert line["at"].endswith("Z")
