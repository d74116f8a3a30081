"""A small book of two chargers, made once; each test works on a copy."""

import shutil

import pytest

from brickbook.demo.build import make_book

SLUGS = ("wren-35", "plover-67")


@pytest.fixture(scope="session")
def small_book(tmp_path_factory):
    root = tmp_path_factory.mktemp("small") / "book"
    list(make_book(root, SLUGS, brief=True))
    return root


@pytest.fixture
def root(small_book, tmp_path):
    return shutil.copytree(small_book, tmp_path / "book")
