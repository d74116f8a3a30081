"""4b5b symbols, ordered sets and frames as bits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.symbols import (
    DATA_CODES,
    EOP,
    K_CODES,
    ORDERED_SETS,
    RESETS,
    FaultKind,
    code_bits,
    encode_packet,
    find_ordered_set,
    read_body,
)

# Frames of public logs and captures (header and objects, then CRC, both in wire order); the CRC
# bytes agree with a bit-serial CRC-32 and with zlib.
PUBLISHED = [
    ("6105", "96BC554D"),
    ("A14B2C91010B2CD102002CB1040045410600", "D5FCF005"),
    ("421A2CB10411", "B0E4A6F9"),
    ("A301", "43CDF4B3"),
    ("A603", "2A588D20"),
    ("A1612C91910A2CD112002CC113002CB11400F44116006432A4C9", "63B5B9E3"),
    ("A1712C9101082CD102002CB10400E14006006421DCC83C2140C92D21A4C9", "198C5374"),
    ("8D00", "F9F4F4CF"),
    ("8A1400000001", "C9978EEC"),
    ("AA1900000002", "F407BB8A"),
    ("B1FD28802C91910A2CD112002CC113002CB11400F44116006432A4C90000", "610DFBC1"),
    ("B1CF288800 00F4C11800F4411B00F4011F00".replace(" ", ""), "79AAA8B7"),
    ("8928F4D1C780F4C11800", "07035F10"),
    ("909A02800300", "99080357"),
]

# GoodCRC 61 05 after the preamble, worked by hand from the 4b5b table of USB PD R3.0 chapter 5 as
# public controller drivers carry it: ordered set, header, CRC, EOP.
GOOD_CRC_ON_THE_WIRE = (
    "00011 00011 00011 10001 10010 01110 11010 01111 01110 11001 01011 11101 11010 11010 11011 01010 10110"
)


def text(bits):
    return "".join(str(bit) for bit in bits)


def test_known_frame_bit_for_bit():
    bits = encode_packet("SOP", bytes.fromhex("6105"))
    assert text(bits[:64]) == "01" * 32
    assert text(bits[64:]) == GOOD_CRC_ON_THE_WIRE.replace(" ", "")


@pytest.mark.parametrize(("payload", "crc"), PUBLISHED)
def test_published_crc_bytes_are_on_the_wire(payload, crc):
    bits = encode_packet("SOP", bytes.fromhex(payload))
    objects = (len(payload) // 2 - 2) // 4
    assert bits.size == 149 + 40 * objects
    nibbles = {code: nibble for nibble, code in enumerate(DATA_CODES)}
    symbols = bits[84:-5].reshape(-1, 5)
    values = [nibbles[sum(int(b) << i for i, b in enumerate(symbol))] for symbol in symbols]
    data = bytes(low | high << 4 for low, high in zip(values[::2], values[1::2], strict=True))
    assert data.hex().upper() == payload + crc
    body = read_body(bits[84:])
    assert body.fault is None
    assert body.payload == bytes.fromhex(payload)
    assert body.crc_received == int.from_bytes(bytes.fromhex(crc), "little")


def test_codes_are_distinct_and_have_an_edge_within_any_symbol():
    codes = [*DATA_CODES, *K_CODES]
    assert len(set(codes)) == 22
    # 4b5b never sends five equal bits.
    assert not {0, 31} & set(codes)


def test_ordered_sets_pairwise_share_at_most_two_codes():
    names = list(ORDERED_SETS)
    for one in names:
        for other in names[names.index(one) + 1 :]:
            pairs = zip(ORDERED_SETS[one], ORDERED_SETS[other], strict=True)
            assert sum(a == b for a, b in pairs) <= 2


@pytest.mark.parametrize("name", ORDERED_SETS)
@pytest.mark.parametrize("wrong", [None, 0, 1, 2, 3])
def test_three_of_four_codes_are_enough(name, wrong):
    payload = b"" if name in RESETS else b"\x61\x05"
    bits = encode_packet(name, payload)
    if wrong is not None:
        bits[64 + 5 * wrong : 69 + 5 * wrong] = code_bits(EOP)
    found = find_ordered_set(bits, 70)
    assert found is not None
    assert (found.name, found.bit_index) == (name, 64)
    assert found.codes_right == (4 if wrong is None else 3)


def test_set_that_fits_two_names_gets_none():
    bits = encode_packet("SOP", b"\x61\x05")
    bits[79:84] = code_bits(ORDERED_SETS["SOP'"][3])
    found = find_ordered_set(bits, 70)
    assert found is not None
    assert found.name is None
    assert "SOP'" in found.reason


@pytest.mark.parametrize("wrong", [(0, 1), (2, 3), (0, 3)])
def test_two_of_four_codes_are_not_enough(wrong):
    bits = encode_packet("SOP", b"\x61\x05")
    for place in wrong:
        bits[64 + 5 * place : 69 + 5 * place] = code_bits(EOP)
    assert find_ordered_set(bits[:84], 84) is None


@given(st.binary(min_size=2, max_size=264), st.sampled_from(sorted(set(ORDERED_SETS) - RESETS)))
def test_round_trip(payload, name):
    bits = encode_packet(name, payload)
    body = read_body(bits[84:])
    assert body.fault is None
    assert body.payload == payload
    assert body.bits_used == bits.size - 84


@given(st.binary(min_size=2, max_size=30), st.data())
def test_single_wrong_bit_never_gives_a_good_frame(payload, data):
    # Any single bit error lands in one symbol: at most five bits wide after 4b5b, which a 32-bit
    # CRC always detects (burst property of CRCs).
    bits = encode_packet("SOP", payload)[84:].copy()
    place = data.draw(st.integers(0, bits.size - 2))
    bits[place] ^= 1
    body = read_body(bits)
    assert body.fault is not None
    assert body.reason


def test_faults_name_place_and_kind():
    good = encode_packet("SOP", bytes.fromhex("421A2CB10411"))[84:]
    broken = good.copy()
    broken[20:25] = 0
    body = read_body(broken)
    assert (body.fault, body.fault_bit, body.payload) == (FaultKind.SYMBOL, 20, b"\x42\x1a")
    assert read_body(good[:-5]).fault is FaultKind.NO_EOP
    assert read_body(good[:-15]).fault is FaultKind.TRUNCATED
    assert read_body(good[:20]).fault is FaultKind.TRUNCATED
    odd = np.concatenate([good[:-5], code_bits(DATA_CODES[0]), good[-5:]])
    assert read_body(odd).fault is FaultKind.LENGTH
    short = np.concatenate([good[:20], code_bits(EOP)])
    assert read_body(short).fault is FaultKind.LENGTH
    swapped = good.copy()
    swapped[20:25] = code_bits(DATA_CODES[0x5])
    assert read_body(swapped).fault is FaultKind.CRC


def test_encoding_refuses_nonsense():
    with pytest.raises(ValueError, match="not known"):
        encode_packet("SOP'''", b"\x61\x05")
    with pytest.raises(ValueError, match="no payload"):
        encode_packet("HARD_RESET", b"\x61\x05")
    with pytest.raises(ValueError, match="two-byte header"):
        encode_packet("SOP", b"\x61")
