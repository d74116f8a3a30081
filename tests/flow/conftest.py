"""A small example book made once, and the command line as a person uses it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from brickbook.demo import make_book


class Result:
    def __init__(self, done: subprocess.CompletedProcess[str]) -> None:
        self.code = done.returncode
        self.out = done.stdout
        self.err = done.stderr

    def json(self):
        return json.loads(self.out)


def command(*args: object, cwd: Path | None = None, stdin: str = "", path: Path | None = None) -> Result:
    """Run the command in a process of its own."""
    # the moment of a publication stands in the record: held still, so that a book published twice gives the same bytes
    environment = {**os.environ, "COLUMNS": "200", "NO_COLOR": "1", "SOURCE_DATE_EPOCH": "1795608000"}
    environment.pop("BRICKBOOK_BOOK", None)
    if path is not None:
        environment["PYTHONPATH"] = str(path)
    code = "import sys; from brickbook.cli import run; sys.exit(run(sys.argv[1:]))"
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, args)],
        cwd=cwd,
        input=stdin,
        capture_output=True,
        text=True,
        env=environment,
        timeout=300,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return Result(done)


@pytest.fixture(scope="session")
def bb():
    return command


@pytest.fixture(scope="session")
def made_book(tmp_path_factory) -> Path:
    """The example book with its smallest charger; never changed."""
    root = tmp_path_factory.mktemp("made") / "book"
    root.mkdir()
    list(make_book(root, ("wren-35",), brief=True))
    return root


@pytest.fixture(scope="session")
def published_book(made_book, tmp_path_factory) -> Path:
    """The same, analysed and published; never changed."""
    root = tmp_path_factory.mktemp("published") / "book"
    shutil.copytree(made_book, root)
    result = command("publish", "--book", root)
    assert result.code == 0, result.err
    return root


@pytest.fixture
def book(published_book, tmp_path) -> Path:
    """A copy to change."""
    root = tmp_path / "book"
    shutil.copytree(published_book, root)
    return root
