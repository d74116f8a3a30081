"""Request data objects against published words and the public kernel header."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.pdo import decode_source_pdo
from brickbook.usbpd.rdo import (
    AvsRequest,
    BatteryRequest,
    FixedRequest,
    PpsRequest,
    UnresolvedRequest,
    decode_epr_request,
    decode_request,
)
from brickbook.usbpd.supplies import PdoKind

WORD = st.integers(0, 0xFFFF_FFFF)

# (name, word, kind of object asked for, position, (operating, maximum) or (voltage, current),
# flags, where the word comes from); see test_pdo for the meaning of the last column. The AVS
# layout is R3.2 table 6.26 by way of public stacks.
RDO_WORDS = [
    ("A41", 0x1004B12C, "fixed", 1, (3.0, 3.0), set(), "computed from the layouts"),
    (
        "A42",
        0x1300C832,
        "fixed",
        1,
        (0.5, 0.5),
        {"usb_communications_capable", "no_usb_suspend"},
        "computed from the layouts",
    ),
    ("A43", 0x2102592C, "fixed", 2, (1.5, 3.0), {"no_usb_suspend"}, "computed from the layouts"),
    ("A44", 0x4404B12C, "fixed", 4, (3.0, 3.0), {"capability_mismatch"}, "computed from the layouts"),
    (
        "A45",
        0x43C51545,
        "fixed",
        4,
        (3.25, 3.25),
        {"usb_communications_capable", "unchunked_extended_messages_supported", "no_usb_suspend", "epr_capable"},
        "computed from the layouts",
    ),
    ("A46", 0x8047D1F4, "fixed", 8, (5.0, 5.0), {"epr_capable"}, "computed from the layouts"),
    ("A47", 0xA047D1F4, "fixed", 10, (5.0, 5.0), {"epr_capable"}, "computed from the layouts"),
    ("A48", 0x3001B0F0, "battery", 3, (27.0, 60.0), set(), "computed from the layouts"),
    ("A49", 0x5003843C, "pps", 5, (9.0, 3.0), set(), "computed from the layouts"),
    ("A50", 0x50014A14, "pps", 5, (3.3, 1.0), set(), "computed from the layouts"),
    ("A51", 0x6107D22D, "pps", 6, (20.02, 2.25), {"no_usb_suspend"}, "computed from the layouts"),
    ("A52", 0x7101D83C, "pps", 7, (4.72, 3.0), {"no_usb_suspend"}, "computed from the layouts"),
    ("A53", 0x4002D02C, "avs", 4, (9.0, 2.2), set(), "computed from the layouts"),
    ("A54", 0x4002D82C, "avs", 4, (9.1, 2.2), set(), "computed from the layouts"),
    ("A55", 0x5104783C, "avs", 5, (14.3, 3.0), {"no_usb_suspend"}, "computed from the layouts"),
    ("A56", 0xB048C064, "avs", 11, (28.0, 5.0), {"epr_capable"}, "computed from the layouts"),
    ("A57", 0xB04F0064, "avs", 11, (48.0, 5.0), {"epr_capable"}, "computed from the layouts"),
    (
        "B10",
        0x80C7D1F4,
        "fixed",
        8,
        (5.0, 5.0),
        {"epr_capable", "unchunked_extended_messages_supported"},
        "public capture",
    ),
    ("B20", 0x1104B12C, "fixed", 1, (3.0, 3.0), {"no_usb_suspend"}, "public capture"),
    ("B34", 0x4104B145, "fixed", 4, (3.0, 3.25), {"no_usb_suspend"}, "public capture"),
    ("R8", 0x4002D02C, "avs", 4, (9.0, 2.2), set(), "public log text"),
]
KINDS = {
    "fixed": PdoKind.FIXED,
    "battery": PdoKind.BATTERY,
    "pps": PdoKind.PPS,
    "avs": PdoKind.SPR_AVS,
}


@pytest.mark.parametrize(
    ("word", "kind", "position", "values", "flags"),
    [pytest.param(*row[1:6], id=row[0]) for row in RDO_WORDS],
)
def test_published_words(word, kind, position, values, flags):
    request = decode_request(word, KINDS[kind])
    assert request.object_position == position
    if isinstance(request, FixedRequest):
        assert (request.operating_current_a, request.maximum_current_a) == values
        assert request.requested_current_a == values[0]
        assert request.requested_voltage_v is None
    elif isinstance(request, BatteryRequest):
        assert (request.operating_power_w, request.maximum_power_w) == values
        assert request.requested_power_w == values[0]
        assert request.requested_current_a is None
    else:
        assert isinstance(request, PpsRequest if kind == "pps" else AvsRequest)
        assert (request.requested_voltage_v, request.requested_current_a) == values
        assert request.requested_power_w is None
    assert {name for name, value in request.flags().items() if value} == flags
    assert request.reserved_bits == 0
    assert request.encode() == word


@given(WORD, st.sampled_from([None, *PdoKind]))
def test_every_word_decodes_and_encodes_back(word, kind):
    assert decode_request(word, kind).encode() == word


# Typed in from the public kernel header include/linux/usb/pd.h: RDO_GIVE_BACK, RDO_CAP_MISMATCH,
# RDO_USB_COMM, RDO_NO_SUSPEND; RDO_FIXED_OP_CURR_SHIFT 10, RDO_FIXED_MAX_CURR_SHIFT 0, mask 0x3ff,
# 10 mA; RDO_BATT_* the same with 250 mW; RDO_PROG_VOLT_SHIFT 9, mask 0x7ff, step 20 mV;
# RDO_PROG_CURR mask 0x7f, step 50 mA. That header masks the position with three bits (0x7) and the
# voltage with eleven; R3.2 has four and twelve, so the comparison keeps to what both cover.
@given(WORD)
def test_layouts_agree_with_the_public_kernel_header(word):
    fixed = decode_request(word, PdoKind.FIXED)
    assert fixed.operating_current_a == (word >> 10 & 0x3FF) * 10 / 1000
    assert fixed.maximum_current_a == (word & 0x3FF) * 10 / 1000
    battery = decode_request(word, PdoKind.BATTERY)
    assert battery.operating_power_w == (word >> 10 & 0x3FF) * 250 / 1000
    assert battery.maximum_power_w == (word & 0x3FF) * 250 / 1000
    programmable = decode_request(word & ~(1 << 20), PdoKind.PPS)
    assert programmable.requested_voltage_v == (word >> 9 & 0x7FF) * 20 / 1000
    assert programmable.requested_current_a == (word & 0x7F) * 50 / 1000
    for request in (fixed, battery, programmable, decode_request(word)):
        assert request.object_position & 0x7 == word >> 28 & 0x7
        assert request.give_back == bool(word & 1 << 27)
        assert request.capability_mismatch == bool(word & 1 << 26)
        assert request.usb_communications_capable == bool(word & 1 << 25)
        assert request.no_usb_suspend == bool(word & 1 << 24)


def test_the_object_decides_the_layout():
    assert isinstance(decode_request(0x10000000, decode_source_pdo(0x8F0190C8)), FixedRequest)
    assert isinstance(decode_request(0x10000000, decode_source_pdo(0xD230968C)), AvsRequest)
    assert isinstance(decode_request(0x10000000, decode_source_pdo(0xF0000000)), UnresolvedRequest)
    assert isinstance(decode_request(0x10000000), UnresolvedRequest)


def test_avs_voltage_step():
    # Word A55: field 572, two low bits 0.
    request = decode_request(0x5104783C, PdoKind.SPR_AVS)
    assert (request.voltage_raw, request.voltage_on_step) == (572, True)
    assert not decode_request(0x5104783C | 1 << 9, PdoKind.SPR_AVS).voltage_on_step
    assert decode_request(0x5003843C, PdoKind.PPS).voltage_raw == 450


def test_reserved_bits_are_shown_in_place():
    assert decode_request(0x1034B12C, PdoKind.FIXED).reserved_bits == 0x0030_0000
    assert decode_request(0x5023858C + 0x30, PdoKind.PPS).reserved_bits == 0x0020_0180


def test_builders_agree_with_published_words():
    assert FixedRequest.from_si(4, 3, 3, capability_mismatch=True).encode() == 0x4404B12C
    assert FixedRequest.from_si(8, 5, 5, epr_capable=True).encode() == 0x8047D1F4
    assert PpsRequest.from_si(5, 9.0, 3.0).encode() == 0x5003843C
    assert AvsRequest.from_si(4, 9.1, 2.2).encode() == 0x4002D82C
    with pytest.raises(WordError, match=r"voltage_v = 9\.05 is not a multiple of 0\.1"):
        AvsRequest.from_si(4, 9.05, 2.2)


def test_epr_request():
    # Captured EPR_Request: object 8, a copy of the 28 V 5 A object (public capture).
    request, pdo = decode_epr_request([0x80C7D1F4, 0x0018C1F4])
    assert (request.object_position, request.requested_current_a) == (8, 5.0)
    assert (pdo.max_voltage_v, pdo.max_current_a) == (28.0, 5.0)
    with pytest.raises(WordError, match="2 objects, got 1"):
        decode_epr_request([0x80C7D1F4])
