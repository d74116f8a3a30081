"""Two processes on one book: side by side on two chargers, one after the other on the same."""

import os
import re
import socket
import subprocess
import sys

import pytest

from brickbook.book import Book, _lock, break_lock
from brickbook.book._lock import hold
from brickbook.core.errors import BookError

SLUGS = ("wren-35", "plover-67")
BENCH = """
import sys
from pathlib import Path
from brickbook.bench.single import only_run
from brickbook.book import Book
book, slug = Book.open(sys.argv[1]), sys.argv[2]
with only_run(book.root, sys.argv[3:]), book.lock(slug):
    print("held", flush=True)
    sys.stdin.readline()
    book.import_raw(slug, slug.encode(), name="new.csv", studies=["standby"], reader="meter-log")
print("done", flush=True)
"""


@pytest.fixture
def bench(book):
    """Start a bench: a process that holds a charger and its instruments, and takes a file in when it is told to."""
    started = []

    def start(slug, *addresses):
        command = [sys.executable, "-c", BENCH, str(book.root), slug, *addresses]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        started.append(subprocess.Popen(command, text=True, **pipes))
        return started[-1]

    yield start
    for process in started:
        process.kill()
        process.communicate()


@pytest.fixture
def book(tmp_path):
    made = Book.create(tmp_path / "book", title="T", publisher="P")
    for slug in SLUGS:
        outputs = 'outputs = [{ kind = "fixed", voltage_v = 5, current_a = 3 }]'
        charger = f'name = "{slug}"\n\n[[ports]]\nid = "C1"\nconnector = "usb-c"\n{outputs}\n'
        folder = made.root / "chargers" / slug
        (folder / "raw").mkdir(parents=True)
        (folder / "charger.toml").write_text(charger)
    return made


def test_two_chargers_at_the_same_time_and_the_same_one_only_once(book, bench):
    first, second = bench(SLUGS[0], "TCPIP::10.0.0.1::5025::SOCKET"), bench(SLUGS[1], "TCPIP::10.0.0.2::5025::SOCKET")
    assert first.stdout.readline() == second.stdout.readline() == "held\n"
    third = bench(SLUGS[0], "TCPIP::10.0.0.3::5025::SOCKET")
    fourth = bench(SLUGS[0], "TCPIP::10.0.0.9::5025::SOCKET", "TCPIP::10.0.0.1::5025::SOCKET")
    host = re.escape(socket.gethostname())
    for refused, what in ((third, f"chargers/{SLUGS[0]}/.lock"), (fourth, "TCPIP::10.0.0.1::5025::SOCKET")):
        told = refused.communicate()[1].splitlines()[-1]
        assert re.search(rf"{re.escape(what)}: is held by process {first.pid} on {host} \(.+, since \S+Z: -c ", told)
    for process in (first, second):
        process.stdin.write("\n")
        process.stdin.flush()
        assert process.stdout.readline() == "done\n"
    for slug in SLUGS:
        (entry,) = book.index(slug)
        assert book.raw_bytes(slug, entry) == slug.encode()
    assert [p.name for p in book.root.rglob("*.lock")] == []


def test_a_lock_of_another_machine_is_broken_on_purpose_only(book):
    path = book.root / "chargers" / SLUGS[0] / ".lock"
    text = 'pid = 12\nhost = "elsewhere"\nuser = "anna"\nsince = "2026-11-25T09:00:00Z"\ncommand = "brickbook run a"\n'
    path.write_text(text)
    os.utime(path, (0, 0))  # age is no reason
    with pytest.raises(BookError, match=r"on elsewhere \(anna, since 2026-11-25T09:00:00Z: brickbook run a\)"):
        book.lock(SLUGS[0]).__enter__()
    assert path.read_text() == text
    holder = break_lock(book, SLUGS[0])
    assert (holder.host, holder.user) == ("elsewhere", "anna")
    assert break_lock(book, SLUGS[0]) is None
    with book.lock(SLUGS[0]):
        pass


def test_the_lock_of_a_living_process_is_not_broken(book, bench):
    process = bench(SLUGS[0])
    assert process.stdout.readline() == "held\n"
    with pytest.raises(BookError, match=f"process {process.pid} "):
        break_lock(book, SLUGS[0])
    with pytest.raises(BookError, match=f"process {process.pid} "):
        book.lock(SLUGS[0]).__enter__()


def test_where_locks_do_not_reach_from_machine_to_machine_the_file_decides(tmp_path, monkeypatch):
    path = tmp_path / ".lock"
    with hold(path, name=".lock"):
        # another machine: its system grants the lock, as it knows nothing of ours
        monkeypatch.setattr(socket, "gethostname", lambda: "other-machine")
        monkeypatch.setattr(_lock.fcntl, "flock", lambda descriptor, how: None)
        with pytest.raises(BookError, match="is held by process"):
            hold(path, name=".lock").__enter__()
        monkeypatch.undo()
    assert not path.exists()


def test_the_file_is_never_there_without_its_text(tmp_path, monkeypatch):
    path, seen = tmp_path / ".lock", []
    link = os.link

    def linked(source, target):
        link(source, target)
        seen.append(target.read_text())

    monkeypatch.setattr(os, "link", linked)
    with hold(path, name=".lock"):
        pass
    assert len(seen) == 1
    assert f"pid = {os.getpid()}\n" in seen[0]


def test_a_file_system_without_links(tmp_path, monkeypatch):
    def refuse(source, target):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    path = tmp_path / ".lock"
    with hold(path, name=".lock"):
        assert f"pid = {os.getpid()}\n" in path.read_text()
        with pytest.raises(BookError, match="is held by"):
            hold(path, name=".lock").__enter__()
    assert list(tmp_path.iterdir()) == []
