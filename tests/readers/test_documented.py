"""What docs/reference/readers.md must not forget."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from brickbook.core.shape import ShapeTime
from brickbook.readers import HAND_SHEET_HEADER, READERS
from brickbook.readers import align as alignment
from brickbook.readers.numbers import MISSING, OVERLOAD

PAGE = (Path(__file__).parents[2] / "docs/reference/readers.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("word", sorted((MISSING | OVERLOAD) - {""}) + sorted(READERS))
def test_every_word_is_on_the_page(word):
    assert f"`{word}`" in PAGE


@pytest.mark.parametrize("kind", get_args(get_type_hints(ShapeTime)["kind"]))
def test_every_kind_of_time(kind):
    assert f"| `{kind}` |" in PAGE


def test_the_header_of_a_hand_sheet():
    assert ",".join(HAND_SHEET_HEADER) in PAGE


def test_the_limits_of_alignment():
    assert f"below {alignment.LEAST_CORRELATION:.2f}" in PAGE
    assert f"reaches {alignment.RIVAL_RATIO:.2f} of r" in PAGE
    assert alignment.NOISE_FACTOR == 6.0
    assert "six times the usual change" in PAGE


def test_confidences_are_explained():
    from brickbook.readers import ColumnGuess

    hints = get_type_hints(ColumnGuess)
    assert {field.name for field in dataclasses.fields(ColumnGuess)} >= {"confidence", "reason"}
    for word in get_args(hints["confidence"]):
        assert f"**{word}**" in PAGE
