"""The same results wherever the work is done, and whoever is killed over it."""

import operator
import os
import shutil
import signal
import threading
import time
from pathlib import Path

import pytest

from brickbook.analysis.executor import InProcess, LocalProcesses, executor_for
from brickbook.book import Book
from brickbook.commands.analyse import analyse, analyse_chargers
from brickbook.core.errors import AnalysisError
from brickbook.publish.site import publish_chargers

AT = "2026-11-25T12:00:00Z"


def results(root):
    folder = root / "derived"
    # but for the catalogue's stamps, which hold the times of files
    kept = [*folder.glob("*/*.parquet"), *folder.glob("[!_]*/*.json"), *folder.glob("report/*.html")]
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in kept}


def everything(root, executor):
    book = Book.open(root)
    assert analyse_chargers(book, book.chargers(), executor=executor) == {}
    done = list(publish_chargers(book, book.chargers(), at=AT, executor=executor))
    assert [one.status for one in done] == ["published"] * 2
    found = results(root)
    assert len([name for name in found if name.endswith("result.json")]) == 2
    assert len([name for name in found if name.endswith(".html")]) == 2
    return found


def kill_one_that_works(client, killed):
    """SIGKILL a worker process while it has a charger under way."""
    pids = client.run(os.getpid)
    while not killed:
        for address, tasks in client.processing().items():
            if any(str(task).startswith("brickbook-") for task in tasks) and not killed:
                time.sleep(0.3)
                if client.processing().get(address):
                    os.kill(pids[address], signal.SIGKILL)
                    killed.append(pids[address])
        time.sleep(0.02)


def test_a_cluster_gives_the_bytes_of_one_core_though_a_worker_is_killed(root, capsys):
    expected = everything(root, InProcess())
    shutil.rmtree(root / "derived")
    for record in root.glob("chargers/*/published.jsonl"):
        record.unlink()
    with executor_for("local:2") as executor:
        assert executor.workers == 2
        client, killed = executor.client, []
        killer = threading.Thread(target=kill_one_that_works, args=(client, killed))
        killer.start()
        found = everything(root, executor)
        killer.join()
        assert killed
        assert killed[0] not in client.run(os.getpid).values()
        assert found.keys() == expected.keys()
        assert [name for name in found if found[name] != expected[name]] == []
        assert list(root.glob("chargers/*/.lock")) == []

        # by its address, from the command; nothing has changed, so nothing is made again
        before = {p: p.stat().st_mtime_ns for p in root.glob("derived/*/result.json")}
        with Book.open(root).lock("wren-35"):
            assert analyse(cluster=client.scheduler.address, book=root) == 1
            assert "wren-35/.lock: is held by process" in capsys.readouterr().err
        assert analyse(cluster=client.scheduler.address, book=root) == 0
        assert {p: p.stat().st_mtime_ns for p in root.glob("derived/*/result.json")} == before


def test_local_processes_in_order_though_one_is_killed():
    # 0 kills the process that gets it, as often as it is sent
    with pytest.raises(AnalysisError, match="were killed 4 times"):
        list(LocalProcesses(2, "fork").map(_kill_or_square, [3, 2, 0, 1]))
    assert list(LocalProcesses(2, "fork").map(_kill_or_square, [3, 2, 1])) == [9, 4, 1]


def _kill_or_square(number):
    if number == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number


def test_a_process_killed_once_costs_nothing_but_time(tmp_path):
    marker = str(tmp_path / "killed")
    jobs = [(n, marker) for n in range(8)]
    assert list(LocalProcesses(2, "fork").map(_kill_once, jobs)) == [n * n for n in range(8)]
    assert Path(marker).exists()


def _kill_once(job):
    number, marker = job
    if number == 3 and not Path(marker).exists():
        os.close(os.open(marker, os.O_CREAT))
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number


def test_jobs_are_taken_a_few_ahead_only():
    taken = []
    results = LocalProcesses(2, "fork").map(operator.neg, (taken.append(n) or n for n in range(100)))
    assert next(results) == 0
    assert len(taken) <= 6
    assert list(results) == [-n for n in range(1, 100)]


def test_an_error_of_the_work_comes_in_its_turn():
    results = LocalProcesses(2, "fork").map(operator.inv, [1, "x", 3])
    assert next(results) == -2
    with pytest.raises(TypeError):
        next(results)


@pytest.mark.parametrize("word", ["local", "local:0", "somewhere", "tcp://", "local:2 "])
def test_a_word_that_names_no_cluster(word):
    with pytest.raises(AnalysisError, match="names no cluster"), executor_for(word):
        pass


def test_a_cluster_that_does_not_answer(monkeypatch):
    monkeypatch.setattr("brickbook.analysis.executor._CONNECT_S", 0.5)
    with pytest.raises(AnalysisError, match="does not answer"), executor_for("tcp://127.0.0.1:9"):
        pass
