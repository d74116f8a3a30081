"""What the room offers."""

from __future__ import annotations

import subprocess
import sys

import pytest

from brickbook import library


def test_names():
    assert library.__all__ == sorted(library.__all__)
    for name in library.__all__:
        assert getattr(library, name).__module__.startswith("brickbook.library."), name
    with pytest.raises(AttributeError, match="nothing_like_it"):
        library.nothing_like_it  # noqa: B018


def test_a_cable_needs_no_database():
    code = "import sys, brickbook.library.cables; sys.exit('duckdb' in sys.modules or 'polars' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
