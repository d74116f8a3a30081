"""Writes that are whole or not there."""

import errno
import os
import signal
import stat
import subprocess
import sys
import time

import pytest

from brickbook.book import _files, write_atomic
from brickbook.book._files import is_leftover
from brickbook.core.errors import BookError


def test_writes_replaces_and_makes_folders(tmp_path):
    path = tmp_path / "derived" / "a" / "figures.parquet"
    write_atomic(path, b"one")
    write_atomic(path, b"two")
    assert path.read_bytes() == b"two"
    assert [p.name for p in path.parent.iterdir()] == ["figures.parquet"]


def test_flushed_before_the_rename_and_the_folder_after_it(tmp_path, monkeypatch):
    """The order that fsync(2) asks for: the file's data, then the rename, then the folder that holds the name."""
    done = []
    fsync, rename = os.fsync, _files._rename
    monkeypatch.setattr(
        _files.os, "fsync", lambda d: (done.append("folder" if stat.S_ISDIR(os.fstat(d).st_mode) else "file"), fsync(d))
    )
    monkeypatch.setattr(_files, "_rename", lambda a, b: (done.append("rename"), rename(a, b)))
    write_atomic(tmp_path / "a", b"x")
    assert done == ["file", "rename", "folder"]


def test_a_link_stays_a_link_and_the_mode_is_kept(tmp_path):
    real = tmp_path / "real.toml"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(real)
    write_atomic(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert real.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize("step", ["fsync", "rename"])
@pytest.mark.parametrize(
    ("number", "words"),
    [
        (
            errno.ENOSPC,
            "no space left on device. The disk is full: free some space and try again. Nothing was changed.",
        ),
        (errno.EROFS, "read-only file system. The disk or folder is read-only: use a copy of the book."),
        (errno.EACCES, "permission denied. Check who may read and write it."),
        (errno.EIO, "input/output error. Check the disk and the file."),
    ],
)
def test_a_failure_before_the_rename_leaves_the_old_file(tmp_path, monkeypatch, step, number, words):
    path = tmp_path / "charger.toml"
    path.write_bytes(b"old")

    def fail(*_):
        raise OSError(number, os.strerror(number))

    if step == "fsync":
        monkeypatch.setattr(_files.os, "fsync", fail)
    else:
        monkeypatch.setattr(_files, "_rename", fail)
    with pytest.raises(BookError) as caught:
        write_atomic(path, b"new", name="charger.toml")
    assert str(caught.value) == f"charger.toml: cannot be written: {words}"
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_write_that_is_too_long_for_the_disk_leaves_the_old_file(tmp_path):
    """A real failure of write(), by the process's limit on file size (setrlimit(2): EFBIG once SIGXFSZ is ignored)."""
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from brickbook.book import write_atomic\n"
        "from brickbook.core.errors import BookError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try: write_atomic(Path(sys.argv[1]), bytes(100_000), name='a.bin')\n"
        "except BookError as error: print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout == "a.bin: cannot be written: file too large. Check the disk and the file.\n"
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_killed_at_any_moment_the_file_is_whole(tmp_path):
    path = tmp_path / "index.toml"
    code = (
        "import sys; from pathlib import Path\n"
        "from brickbook.book import write_atomic\n"
        "path, n = Path(sys.argv[1]), 0\n"
        "while True:\n"
        "    n += 1\n"
        "    write_atomic(path, (str(n % 10) * 200_000).encode())\n"
        "    if n == 1: print('ready', flush=True)\n"
    )
    for attempt in range(5):
        process = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.005 * attempt)
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        content = path.read_bytes()
        assert len(content) == 200_000
        assert content == content[:1] * 200_000
    others = [p.name for p in tmp_path.iterdir() if p != path]
    assert all(is_leftover(name) for name in others)


def test_a_left_over_temporary_file_is_not_in_the_way(tmp_path, monkeypatch):
    monkeypatch.setattr(_files, "_counter", iter(range(5)))
    left = tmp_path / f".brickbook-{os.getpid()}-0.part"
    left.write_bytes(b"half")
    write_atomic(tmp_path / "a", b"whole")
    assert (tmp_path / "a").read_bytes() == b"whole"
    assert left.read_bytes() == b"half"
