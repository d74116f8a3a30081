"""One holder at a time, told by name, and nothing to clean up after a kill."""

import getpass
import os
import re
import signal
import socket
import subprocess
import sys
import threading

import pytest

from brickbook.book import Book, _lock
from brickbook.book._lock import Holder, hold
from brickbook.core.errors import BookError

SLUG = "example-65w"
NAME = f"chargers/{SLUG}/.lock"
HOLD = """
import sys, time
from brickbook.book import Book
with Book.open(sys.argv[1]).lock("example-65w") as stale:
    print(stale.pid if stale else "held", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def other(root):
    """Start a process that holds the charger's lock until it is told to stop."""
    started = []

    def start():
        process = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(root)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        started.append(process)
        return process, process.stdout.readline().strip()

    yield start
    for process in started:
        process.kill()
        process.communicate()


def test_the_second_process_is_told_who_has_it(root, other):
    process, said = other()
    assert said == "held"
    with pytest.raises(BookError) as caught, Book.open(root).lock(SLUG):
        pass
    host, user = re.escape(socket.gethostname()), re.escape(getpass.getuser())
    expected = (
        rf"{NAME}: is held by process {process.pid} on {host} \({user}, since 20\d\d-\S+Z: -c \S+\). "
        r"Wait until it has finished, or end it\."
    )
    assert re.fullmatch(expected, str(caught.value))
    process.communicate("\n")
    with Book.open(root).lock(SLUG) as stale:
        assert stale is None
    assert not (root / NAME).exists()


def test_the_lock_of_a_killed_process_is_taken_over(root, other):
    process, _ = other()
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert (root / NAME).exists()
    with Book.open(root).lock(SLUG) as stale:
        assert stale == Holder(process.pid, socket.gethostname())
    _, said = other()
    assert said == "held"


def test_the_lock_of_another_machine_is_respected(root):
    (root / NAME).write_text('pid = 12\nhost = "elsewhere"\n')
    with pytest.raises(BookError) as caught, Book.open(root).lock(SLUG):
        pass
    expected = f"{NAME}: is held by process 12 on elsewhere. If that process no longer runs, delete {NAME}."
    assert str(caught.value) == expected
    assert (root / NAME).read_text() == 'pid = 12\nhost = "elsewhere"\n'


def test_an_import_within_the_lock_and_not_beside_it(book):
    facts = {"studies": ["standby"], "reader": "meter-log"}
    with book.lock(SLUG):
        book.import_raw(SLUG, b"a", name="a.csv", **facts)
        told = []

        def beside():
            try:
                book.import_raw(SLUG, b"b", name="b.csv", **facts)
            except BookError as error:
                told.append(str(error))

        thread = threading.Thread(target=beside)
        thread.start()
        thread.join()
    assert len(told) == 1
    assert told[0].startswith(f"{NAME}: is held by process {os.getpid()} on {socket.gethostname()} (")
    assert told[0].endswith("). Wait until it has finished, or end it.")
    assert [entry.path for entry in book.index(SLUG)] == ["eff-115.csv", "a.csv"]


def test_deleted_by_hand_it_does_not_delete_that_of_another(tmp_path):
    path = tmp_path / ".lock"
    with hold(path, name=".lock"):
        path.unlink()
        path.write_text("of another")
    assert path.read_text() == "of another"


def test_a_lock_on_a_file_that_was_just_deleted_does_not_count(tmp_path, monkeypatch):
    path = tmp_path / ".lock"
    take, calls = _lock._take, []

    def late(descriptor, name):
        calls.append(descriptor)
        if len(calls) == 1:
            path.unlink()  # its holder finished between our opening and locking
        return take(descriptor, name)

    monkeypatch.setattr(_lock, "_take", late)
    with hold(path, name=".lock"):
        assert len(calls) == 2
        assert f"pid = {os.getpid()}" in path.read_text()
    assert not path.exists()


def test_only_one_of_many_threads_holds_it(tmp_path):
    inside, most, refused = 0, 0, 0
    gate = threading.Barrier(6)
    guard = threading.Lock()

    def work():
        nonlocal inside, most, refused
        gate.wait()
        for _ in range(100):
            try:
                with hold(tmp_path / ".lock", name=".lock"):
                    with guard:
                        inside += 1
                        most = max(most, inside)
                    with guard:
                        inside -= 1
            except BookError:
                with guard:
                    refused += 1

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == 1
    assert refused < 600
    assert not (tmp_path / ".lock").exists()


def test_without_the_systems_lock_the_file_is_the_lock(tmp_path, monkeypatch):
    monkeypatch.setattr(_lock, "fcntl", None)
    path = tmp_path / ".lock"
    with hold(path, name=".lock"):
        with pytest.raises(BookError) as caught, hold(path, name=".lock"):
            pass
        assert str(caught.value).startswith(f".lock: is held by process {os.getpid()} on {socket.gethostname()} (")
        assert str(caught.value).endswith(
            "). Wait until it has finished; if that process no longer runs, delete .lock."
        )
    assert not path.exists()


def test_a_folder_that_cannot_be_written(tmp_path):
    with pytest.raises(BookError) as caught, hold(tmp_path / "none" / ".lock", name=".lock"):
        pass
    assert str(caught.value) == ".lock: cannot be locked: no such file or directory. Check the path."
