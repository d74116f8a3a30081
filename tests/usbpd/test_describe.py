"""The dictionaries for the command line, and words typed by a person."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.describe import describe_words, parse_words
from brickbook.usbpd.errors import WordError

WORD = st.integers(0, 0xFFFF_FFFF)


def test_one_of_each_kind():
    # Values beside each word: see the tables of test_pdo.
    words = [0x0801912C, 0x590190F0, 0x8F0190C8, 0xC9A42141, 0xE006C545, 0xD3C096F0, 0xF0000000]
    described = describe_words(words)
    assert [list(entry) for entry in described] == [["raw", "kind", "min_v", "max_v", "max_a", "max_w", "flags"]] * 7
    rows = [tuple(entry.values())[:6] for entry in described]
    assert rows == [
        ("0x0801912C", "fixed", 5.0, 5.0, 3.0, 15.0),
        ("0x590190F0", "battery", 5.0, 20.0, None, 60.0),
        ("0x8F0190C8", "variable", 5.0, 12.0, 2.0, 24.0),
        ("0xC9A42141", "pps", 3.3, 21.0, 3.25, 68.25),
        ("0xE006C545", "spr_avs", 9.0, 20.0, 4.33, 65.0),
        ("0xD3C096F0", "epr_avs", 15.0, 48.0, None, 240.0),
        ("0xF0000000", "reserved", None, None, None, None),
    ]
    assert described[0]["flags"] == {
        "dual_role_power": False,
        "usb_suspend_supported": False,
        "unconstrained_power": True,
        "usb_communications_capable": False,
        "dual_role_data": False,
        "unchunked_extended_messages_supported": False,
        "epr_capable": False,
        "peak_current": 0,
        "reserved_bits": 0,
    }
    assert described[3]["flags"] == {"power_limited": True, "reserved_bits": 0}
    assert described[4]["flags"]["max_a_9_to_15_v"] == 4.33
    assert described[4]["flags"]["max_a_15_to_20_v"] == 3.25


@given(st.lists(WORD, max_size=11))
def test_any_words_give_json_that_reads_back(words):
    described = describe_words(words)
    assert json.loads(json.dumps(described, allow_nan=False)) == described
    assert [int(entry["raw"], 16) for entry in described] == words


@given(st.lists(WORD, max_size=11), st.sampled_from([" ", "\n", ", ", ";\t"]), st.booleans())
def test_parsing_gives_the_words_back(words, separator, prefix):
    text = separator.join(f"0x{word:08X}" if prefix else f"{word:x}" for word in words)
    assert parse_words(text) == words


def test_comments_and_blank_lines():
    text = "# the first set\n0x0801912C  # 5 V\n\n0002d12c,0X4B12C\n"
    assert parse_words(text) == [0x0801912C, 0x0002D12C, 0x0004B12C]
    assert parse_words("") == []


@pytest.mark.parametrize("token", ["0x", "12G", "-1", "0x123456789", "5V", "0x12_34"])
def test_a_bad_token_is_named_with_its_place(token):
    with pytest.raises(WordError) as caught:
        parse_words(f"0x0801912C\n 0x0002D12C {token}\n", name="words.txt")
    text = str(caught.value)
    assert text.startswith("words.txt, line 2, column 13: word 3 is")
    assert repr(token) in text
    assert "0x0801912C" in text
