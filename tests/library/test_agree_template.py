"""The house rules of a new book: what stands there as an example can be put in use as it is."""

from __future__ import annotations

import re

from brickbook.book import Book
from brickbook.library.opinion import read_opinion
from brickbook.rules import parse_rules


def test_the_examples_of_house_rules_can_be_put_in_use(tmp_path):
    Book.create(tmp_path / "book", title="A", publisher="B")
    text = (tmp_path / "book" / "house-rules.toml").read_text()
    assert read_opinion(text).conclusion is None
    used = re.sub(r"(?m)^#(?! )", "", text)
    opinion = read_opinion(used)
    assert opinion.conclusion is not None
    assert [device.name for buyer in opinion.buyer for device in buyer.device] == ["phone"]
    assert [rule.id for rule in parse_rules(used, "house-rules.toml", "house")] == ["house-no-load"]
