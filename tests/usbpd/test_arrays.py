"""The array decoder against the decoder of single words."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from brickbook.usbpd.arrays import PDO_KINDS, as_words, decode_headers, decode_source_pdos
from brickbook.usbpd.errors import WordError
from brickbook.usbpd.messages import decode_header
from brickbook.usbpd.pdo import decode_source_pdo
from brickbook.usbpd.supplies import PdoKind

VALUES = ("min_voltage_v", "max_voltage_v", "max_current_a", "max_power_w")
WORDS = hnp.arrays(np.uint32, st.integers(0, 40), elements=st.integers(0, 0xFFFF_FFFF))


def check(words):
    decoded = decode_source_pdos(words)
    for at, word in enumerate(words.tolist()):
        pdo = decode_source_pdo(word)
        assert PDO_KINDS[decoded.kind[at]] == pdo.kind
        for name in VALUES:
            single, many = getattr(pdo, name), getattr(decoded, name)[at]
            # Equal to the last bit, not only approximately.
            assert np.isnan(many) if single is None else many == single
        assert decoded.peak_current[at] == (pdo.peak_current_code or 0)
        assert decoded.reserved_bits[at] == pdo.reserved_bits
        for name, value in pdo.flags().items():
            assert decoded.flag(name)[at] == value


@given(WORDS)
def test_same_as_single_words(words):
    check(words)


def test_same_as_single_words_across_steps():
    # More words than one step of the decoder takes, every kind among them.
    words = np.random.default_rng(7).integers(0, 1 << 32, 40_000, dtype=np.uint32)
    decoded = decode_source_pdos(words)
    assert np.array_equal(np.unique(decoded.kind), np.arange(7))
    check(words[:1500])
    tail = decode_source_pdos(words[-1500:])
    for name in (*VALUES, "kind", "peak_current", "reserved_bits"):
        assert np.array_equal(getattr(decoded, name)[-1500:], getattr(tail, name), equal_nan=name in VALUES)


def test_shape_is_kept():
    decoded = decode_source_pdos([[0x0801912C, 0xC9A42141], [0xE004B000, 0xF0000000]])
    assert decoded.kind.shape == (2, 2)
    assert decoded.max_voltage_v.tolist()[0] == [5.0, 21.0]
    assert decoded.max_voltage_v[1, 0] == 15.0
    assert decoded.is_kind(PdoKind.RESERVED).tolist() == [[False, False], [False, True]]
    assert decoded.flag("power_limited").tolist() == [[False, True], [False, False]]
    assert decoded.flag("unconstrained_power").tolist() == [[True, False], [False, False]]
    assert decode_source_pdos([]).kind.shape == (0,)


def test_what_is_not_a_word_is_refused():
    with pytest.raises(WordError, match="array of float64"):
        decode_source_pdos([1.0])
    with pytest.raises(WordError, match="element 1 is -1"):
        decode_source_pdos([0, -1])
    with pytest.raises(WordError, match="element 0 is 4294967296"):
        as_words([1 << 32])
    with pytest.raises(WordError, match="flag 'voltage_raw'"):
        decode_source_pdos([0]).flag("voltage_raw")
    with pytest.raises(WordError, match="16 bits"):
        decode_headers([0x10000])


@given(hnp.arrays(np.uint16, st.integers(0, 40), elements=st.integers(0, 0xFFFF)))
def test_headers_same_as_single_words(words):
    decoded = decode_headers(words)
    for at, word in enumerate(words.tolist()):
        header = decode_header(word)
        assert decoded.extended[at] == header.extended
        assert decoded.object_count[at] == header.object_count
        assert decoded.message_id[at] == header.message_id
        assert decoded.sender_bit[at] == header.from_source
        assert decoded.spec_revision_raw[at] == header.spec_revision_raw
        assert decoded.data_role_dfp[at] == header.data_role_dfp
        assert decoded.type_raw[at] == header.type_raw
