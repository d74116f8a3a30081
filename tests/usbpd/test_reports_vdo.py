"""Report objects, extended data blocks, and cable markers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.reports import (
    AlertObject,
    BistObject,
    EprAction,
    EprModeObject,
    PpsStatus,
    RevisionObject,
    SourceCapabilitiesExtended,
    SourceInfo,
    SourceInfoSecond,
    Status,
)
from brickbook.usbpd.vdo import (
    ActiveCableVdo,
    IdentityHeader,
    PassiveCableVdo,
    StructuredVdmHeader,
    UnstructuredVdmHeader,
    VdmCommand,
    VdmCommandType,
    cable_rating,
    decode_vdm_header,
)

WORD = st.integers(0, 0xFFFF_FFFF)
OBJECTS = [
    AlertObject,
    BistObject,
    EprModeObject,
    RevisionObject,
    SourceInfo,
    SourceInfoSecond,
    IdentityHeader,
    PassiveCableVdo,
    ActiveCableVdo,
]


@given(WORD)
def test_every_word_decodes_and_encodes_back(word):
    for kind in OBJECTS:
        assert kind.decode(word).encode() == word
    assert decode_vdm_header(word).encode() == word


def test_epr_mode():
    # Actions and causes: public controller header. 0x01000000, 0x02000000 and 0x03000000 are in
    # captured frames.
    enter = EprModeObject.decode(0x018C0000)
    assert (enter.action, enter.sink_pdp_w) == (EprAction.ENTER, 140.0)
    assert EprModeObject.decode(0x02000000).action is EprAction.ENTER_ACKNOWLEDGED
    assert EprModeObject.decode(0x03000000).action is EprAction.ENTER_SUCCEEDED
    failed = EprModeObject.decode(0x04010000)
    assert (failed.action, failed.failure) == (EprAction.ENTER_FAILED, "cable not EPR capable")
    assert EprModeObject.decode(0x04090000).failure == "reserved cause 9"
    leave = EprModeObject.decode(0x05000000)
    assert (leave.action, leave.failure, leave.sink_pdp_w) == (EprAction.EXIT, None, None)
    assert EprModeObject.decode(0).action is None
    assert EprModeObject.decode(0xFF000000).action is None


def test_source_info():
    # Layouts: public decoders citing R3.2 section 6.4.11 table 6.52, and R3.2 V1.2. The last word
    # is from a public report of a source that kept 120 W with an unmarked cable.
    info = SourceInfo.decode(0x80646464)
    assert info.guaranteed_capability
    assert (info.maximum_pdp_w, info.present_pdp_w, info.reported_pdp_w) == (100, 100, 100)
    info = SourceInfo.decode(0x00643C3C)
    assert not info.guaranteed_capability
    assert (info.maximum_pdp_w, info.present_pdp_w, info.reported_pdp_w) == (100, 60, 60)
    second = SourceInfoSecond.decode(0x0001903C)
    assert (second.maximum_pdp_w, second.guaranteed_pdp_w) == (100.0, 30.0)
    assert (second.guaranteed_capability, second.dps_port) == (False, False)
    assert SourceInfo.decode(0x80787878).present_pdp_w == 120.0


def test_revision():
    # Layout: public kernel header.
    assert RevisionObject.decode(0x31180000).text == "R3.1 V1.8"


def test_alert_and_bist():
    # From memory, high (alert); public controller header (BIST mode 5 is the carrier).
    alert = AlertObject.decode(0x04000000)
    assert [name for name, value in alert.flags().items() if value] == ["over_current"]
    assert BistObject.decode(0x50000000).mode == 5


def test_pps_status():
    # Layout from memory, high: 9.00 V in 20 mV, 3.00 A in 50 mA, normal temperature, current limit.
    status = PpsStatus.decode(bytes([0xC2, 0x01, 60, 0b1010]))
    assert (status.output_voltage_v, status.output_current_a) == (9.0, 3.0)
    assert (status.temperature, status.current_limit_mode) == ("normal", True)
    silent = PpsStatus.decode(b"\xff\xff\xff\x00")
    assert (silent.output_voltage_v, silent.output_current_a, silent.temperature) == (None,) * 3
    assert not silent.current_limit_mode


def test_status():
    # Layout from memory, high; power status bits from memory, medium.
    status = Status.decode(bytes([35, 2, 0, 0b11110, 0, 0b110, 0]))
    assert status.over_current
    assert status.over_temperature
    assert status.over_voltage
    assert status.current_limit_mode
    assert status.limited_by_cable
    assert status.limited_by_other_ports
    assert Status.decode(bytes(6)).power_state_change is None


def test_source_capabilities_extended():
    # Layout from memory, high: SPR PDP in byte 23, EPR PDP in byte 24, hold-up in byte 11.
    payload = bytearray(25)
    payload[11], payload[23], payload[24] = 3, 100, 140
    block = SourceCapabilitiesExtended.decode(bytes(payload))
    assert (block.holdup_time_s, block.spr_pdp_rating_w, block.epr_pdp_rating_w) == (0.003, 100, 140)
    older = SourceCapabilitiesExtended.decode(bytes(payload[:24]))
    assert older.epr_pdp_rating_w is None
    assert older.encode() == bytes(payload[:24])
    with pytest.raises(WordError, match="at least 24 bytes, got 23"):
        SourceCapabilitiesExtended.decode(bytes(23))


@given(st.binary(min_size=24, max_size=30))
def test_blocks_encode_back(payload):
    assert SourceCapabilitiesExtended.decode(payload).encode() == payload
    assert Status.decode(payload).encode() == payload
    assert PpsStatus.decode(payload).encode() == payload


def test_blocks_refuse_values_that_do_not_fit():
    with pytest.raises(WordError, match="does not fit 2 bytes"):
        PpsStatus(output_voltage_raw=70000, output_current_raw=0, real_time_flags=0).encode()


def test_vdm_headers():
    # 0xFF00A001 and 0xFF00A041 are found in use in public sources and a public log.
    ask = decode_vdm_header(0xFF00A001)
    assert isinstance(ask, StructuredVdmHeader)
    assert (ask.svid, ask.version_major_raw, ask.version_minor_raw) == (0xFF00, 1, 0)
    assert (ask.command, ask.command_type) == (VdmCommand.DISCOVER_IDENTITY, VdmCommandType.REQUEST)
    assert decode_vdm_header(0xFF00A041).command_type is VdmCommandType.ACK
    assert decode_vdm_header(0xFF00A010).command is None
    assert isinstance(decode_vdm_header(0x12340001), UnstructuredVdmHeader)


# Typed in from the public kernel header include/linux/usb/pd_vdo.h: VDO_SVDM_VERS 13, VDO_OPOS 8,
# VDO_CMDT 6; PD_IDH_PTYPE 27; VDO_PCABLE and VDO_ACABLE1.
@given(WORD)
def test_vdos_agree_with_the_public_kernel_header(word):
    header = StructuredVdmHeader.decode(word | 1 << 15)
    assert header.svid == word >> 16
    assert header.version_major_raw == word >> 13 & 0x3
    assert header.object_position == word >> 8 & 0x7
    assert header.command_type_raw == word >> 6 & 0x3
    assert header.command_raw == word & 0x1F
    assert IdentityHeader.decode(word).product_type_raw == word >> 27 & 0x7
    assert IdentityHeader.decode(word).vendor_id == word & 0xFFFF
    for kind in (PassiveCableVdo, ActiveCableVdo):
        cable = kind.decode(word)
        assert cable.hardware_version == word >> 28 & 0xF
        assert cable.firmware_version == word >> 24 & 0xF
        assert cable.vdo_version == word >> 21 & 0x7
        assert cable.connector_raw == word >> 18 & 0x3
        assert cable.latency_raw == word >> 13 & 0xF
        assert cable.termination_raw == word >> 11 & 0x3
        assert cable.max_voltage_raw == word >> 9 & 0x3
        assert cable.current_raw == word >> 5 & 0x3
        assert cable.speed_raw == word & 0x7
    assert cable.sbu_not_supported == bool(word & 1 << 8)
    assert cable.sbu_active == bool(word & 1 << 7)
    assert cable.vbus_through_cable == bool(word & 1 << 4)
    assert cable.far_plug_controller == bool(word & 1 << 3)


@pytest.mark.parametrize(
    ("word", "ratings", "speed", "epr"),
    [
        # Computed from R3.0 V2.0 table 6-38 (public controller header).
        (0x00082020, (1.0, 20.0, 3.0), 0, False),
        (0x00084040, (2.0, 20.0, 5.0), 0, False),
        (0x000A4640, (2.0, 50.0, 5.0), 0, True),
        (0x000A2643, (1.0, 50.0, 5.0), 3, True),
    ],
)
def test_passive_cables(word, ratings, speed, epr):
    cable = PassiveCableVdo.decode(word)
    assert cable.connector == "type-c"
    assert (cable.length_m, cable.max_voltage_v, cable.max_current_a) == ratings
    assert (cable.speed_raw, cable.epr_capable) == (speed, epr)
    rating = cable_rating([0xFF00A041, 0x18000000, 0, 0, word])
    assert (rating.length_m, rating.max_voltage_v, rating.max_current_a) == ratings
    assert (rating.epr_capable, rating.marked) == (epr, True)


def test_cable_ratings():
    # Without a marker 3 A and 20 V (published article on the Type-C specification R2.1).
    unmarked = cable_rating(None)
    assert (unmarked.max_current_a, unmarked.max_voltage_v, unmarked.marked) == (3.0, 20.0, False)
    active = cable_rating([0xFF00A041, 0x20000000, 0, 0, 0x000A2643])
    assert (active.active, active.length_m, active.epr_capable) == (True, None, True)
    # The EPR bit without 50 V does not make an EPR cable.
    assert not cable_rating([0xFF00A041, 0x18000000, 0, 0, 0x000A4040]).epr_capable
    assert PassiveCableVdo.decode(0x00080020).length_m is None
    assert PassiveCableVdo.decode(0x00090020).length_m == 7.0
    with pytest.raises(WordError, match="at least 5 objects"):
        cable_rating([0xFF00A041])
    with pytest.raises(WordError, match="not the header of a Discover Identity ACK"):
        cable_rating([0xFF00A001, 0x18000000, 0, 0, 0x000A2643])
    with pytest.raises(WordError, match="product type 0"):
        cable_rating([0xFF00A041, 0, 0, 0, 0x000A2643])
    with pytest.raises(WordError, match="reserved current code 0"):
        cable_rating([0xFF00A041, 0x18000000, 0, 0, 0x00082000])
