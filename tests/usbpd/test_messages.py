"""Messages, chunks and CRC against captured frames and zlib."""

import zlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.chunks import ChunkAssembler, assemble_chunks, chunk_request, split_chunks
from brickbook.usbpd.crc import RESIDUAL, crc32, crc32_many, crc_ok
from brickbook.usbpd.errors import MessageError, WordError
from brickbook.usbpd.messages import (
    CableHeader,
    ControlType,
    DataType,
    ExtendedControlType,
    ExtendedHeader,
    ExtendedType,
    Message,
    MessageClass,
    PortHeader,
    Sender,
    Sop,
    decode_header,
    frame_bits,
    frame_duration_s,
)

# (name, text, header, bytes in wire order, CRC-32, CRC in wire order, frame bits, origin). The
# captured frames stand in tests of public protocol stacks; frame bits are 149 + 40 per object,
# counted from the frame order in public controller sources.
MESSAGES = [
    ("M1", "GoodCRC, source, ID 2 (rev 2.0)", 0x0561, "61 05", 0x4D55BC96, "96 BC 55 4D", 149, "public capture"),
    ("M2", "GoodCRC, sink, ID 0 (rev 3.x)", 0x0081, "81 00", 0x6341BBF5, "F5 BB 41 63", 149, "computed"),
    (
        "M3",
        "Source_Capabilities, 4 objects, ID 5",
        0x4BA1,
        "A1 4B 2C 91 01 0B 2C D1 02 00 2C B1 04 00 45 41 06 00",
        0x05F0FCD5,
        "D5 FC F0 05",
        309,
        "public capture",
    ),
    ("M4", "Request, ID 5 (rev 2.0)", 0x1A42, "42 1A 2C B1 04 11", 0xF9A6E4B0, "B0 E4 A6 F9", 189, "public capture"),
    ("M5", "Accept, source, ID 0", 0x01A3, "A3 01", 0xB3F4CD43, "43 CD F4 B3", 149, "header from a public log"),
    ("M6", "PS_RDY, source, ID 1", 0x03A6, "A6 03", 0x208D582A, "2A 58 8D 20", 149, "header from a public log"),
    (
        "M7",
        "Source_Capabilities, 6 objects, ID 0",
        0x61A1,
        "A1 61 2C 91 91 0A 2C D1 12 00 2C C1 13 00 2C B1 14 00 F4 41 16 00 64 32 A4 C9",
        0xE3B9B563,
        "63 B5 B9 E3",
        389,
        "public capture",
    ),
    (
        "M8",
        "Source_Capabilities, 7 objects, ID 0",
        0x71A1,
        "A1 71 2C 91 01 08 2C D1 02 00 2C B1 04 00 E1 40 06 00 64 21 DC C8 3C 21 40 C9 2D 21 A4 C9",
        0x74538C19,
        "19 8C 53 74",
        429,
        "public capture",
    ),
    (
        "M9",
        "Request PPS 9.00 V 3.00 A, object 5, ID 1",
        0x1282,
        "82 12 3C 84 03 50",
        0xE41D26E0,
        "E0 26 1D E4",
        189,
        "computed",
    ),
    (
        "M10",
        "Request SPR AVS 9.0 V 2.2 A, object 4, ID 5",
        0x1A82,
        "82 1A 2C D0 02 40",
        0xEB6D9DF7,
        "F7 9D 6D EB",
        189,
        "header from a public log",
    ),
    ("M11", "Soft_Reset, sink, ID 0", 0x008D, "8D 00", 0xCFF4F4F9, "F9 F4 F4 CF", 149, "header from a public log"),
    ("M12", "Get_Source_Info, sink, ID 3", 0x0697, "97 06", 0x96BAAB17, "17 AB BA 96", 149, "computed"),
    ("M13", "Source_Info, one object, ID 3", 0x17AB, "AB 17 3C 3C 64 00", 0x86C4FE52, "52 FE C4 86", 189, "computed"),
    (
        "M14",
        "EPR_Mode Enter, sink, ID 2",
        0x148A,
        "8A 14 00 00 00 01",
        0xEC8E97C9,
        "C9 97 8E EC",
        189,
        "public capture",
    ),
    (
        "M15",
        "EPR_Mode Enter Acknowledged, source, ID 4",
        0x19AA,
        "AA 19 00 00 00 02",
        0x8ABB07F4,
        "F4 07 BB 8A",
        189,
        "public capture",
    ),
    (
        "M16",
        "EPR_Mode Enter Succeeded, source, ID 5",
        0x1BAA,
        "AA 1B 00 00 00 03",
        0x877C6402,
        "02 64 7C 87",
        189,
        "public capture",
    ),
    (
        "M17",
        "EPR_Source_Capabilities chunk 0, ID 6",
        0xFDB1,
        "B1 FD 28 80 2C 91 91 0A 2C D1 12 00 2C C1 13 00 2C B1 14 00 F4 41 16 00 64 32 A4 C9 00 00",
        0xC1FB0D61,
        "61 0D FB C1",
        429,
        "public capture",
    ),
    (
        "M18",
        "EPR_Source_Capabilities chunk 1 request, sink, ID 3",
        0x9691,
        "91 96 00 8C 00 00",
        0xD1915411,
        "11 54 91 D1",
        189,
        "computed",
    ),
    (
        "M19",
        "EPR_Source_Capabilities chunk 1, ID 7",
        0xCFB1,
        "B1 CF 28 88 00 00 F4 C1 18 00 F4 41 1B 00 F4 01 1F 00",
        0xB7A8AA79,
        "79 AA A8 B7",
        309,
        "public capture",
    ),
    (
        "M20",
        "EPR_Request object 8 + copied PDO, ID 4",
        0x2889,
        "89 28 F4 D1 C7 80 F4 C1 18 00",
        0x105F0307,
        "07 03 5F 10",
        229,
        "public capture",
    ),
    (
        "M21",
        "Extended_Control EPR_KeepAlive, sink, ID 5",
        0x9A90,
        "90 9A 02 80 03 00",
        0x57030899,
        "99 08 03 57",
        189,
        "public capture",
    ),
    (
        "M22",
        "Extended_Control EPR_KeepAlive_Ack, source, ID 1",
        0x93B0,
        "B0 93 02 80 04 00",
        0x12FEF919,
        "19 F9 FE 12",
        189,
        "computed",
    ),
    (
        "M23",
        "Discover Identity request on SOP', ID 0",
        0x108F,
        "8F 10 01 A0 00 FF",
        0x720245A4,
        "A4 45 02 72",
        189,
        "computed",
    ),
]
BY_NAME = {row[0]: bytes.fromhex(row[3]) for row in MESSAGES}


@pytest.mark.parametrize("row", [pytest.param(row, id=row[0]) for row in MESSAGES])
def test_published_messages(row):
    name, text, header, data_hex, crc, crc_hex, bits, _ = row
    data = bytes.fromhex(data_hex)
    message = Message.parse(data, Sop.SOP_PRIME if name == "M23" else Sop.SOP)
    assert message.header.encode() == header
    assert message.encode() == data
    assert text.startswith((message.name, "EPR_Mode", "Extended_Control", "Request", "Discover"))
    assert f"ID {message.header.message_id}" in text or "ID" not in text
    if "sink" in text:
        assert message.header.sender is Sender.SINK
    if "source" in text:
        assert message.header.sender is Sender.SOURCE
    assert crc32(data) == crc == zlib.crc32(data)
    assert message.encode_with_crc() == data + bytes.fromhex(crc_hex)
    assert crc_ok(message.encode_with_crc())
    assert frame_bits(len(message.payload)) == bits


def test_selected_headers():
    # Decodes written beside the captured frames.
    header = decode_header(0x4BA1)
    assert (header.extended, header.object_count, header.message_id) == (False, 4, 5)
    assert (header.sender, header.data_role_dfp) == (Sender.SOURCE, True)
    assert (header.spec_revision, header.message_type) == ("R3.x", DataType.SOURCE_CAPABILITIES)
    header = decode_header(0xFDB1)
    assert (header.extended, header.object_count, header.message_id) == (True, 7, 6)
    assert header.message_type is ExtendedType.EPR_SOURCE_CAPABILITIES
    assert header.name == "EPR_Source_Capabilities"
    header = decode_header(0x2889)
    assert (header.object_count, header.message_id, header.sender) == (2, 4, Sender.SINK)
    assert header.message_type is DataType.EPR_REQUEST
    header = decode_header(0x0363)
    assert (header.message_id, header.spec_revision) == (1, "R2.0")
    assert header.message_type is ControlType.ACCEPT
    assert header.message_class is MessageClass.CONTROL


# Typed in from the public kernel header include/linux/usb/pd.h (PD_HEADER_*, PD_EXT_HDR_*).
@given(st.integers(0, 0xFFFF))
def test_headers_agree_with_the_public_kernel_header(word):
    header = decode_header(word)
    assert header.encode() == word
    assert header.extended == bool(word & 1 << 15)
    assert header.object_count == word >> 12 & 0x7
    assert header.message_id == word >> 9 & 0x7
    assert header.from_source == bool(word & 1 << 8)
    assert header.spec_revision_raw == word >> 6 & 0x3
    assert header.data_role_dfp == bool(word & 1 << 5)
    assert header.type_raw == word & 0x1F
    assert isinstance(header.name, str)
    cable = decode_header(word, Sop.SOP_DOUBLE_PRIME)
    assert cable.encode() == word
    assert cable.reserved_bits == word & 1 << 5
    assert cable.sender is (Sender.CABLE if word & 1 << 8 else Sender.PORT)
    extended = ExtendedHeader.decode(word)
    assert extended.encode() == word
    assert extended.chunked == bool(word & 1 << 15)
    assert extended.chunk_number == word >> 11 & 0xF
    assert extended.request_chunk == bool(word & 1 << 10)
    assert extended.data_size == word & 0x1FF


def test_type_codes():
    # enum pd_ctrl_msg_type, pd_data_msg_type and pd_ext_msg_type of the public kernel header.
    kernel = {
        "GOOD_CRC": 1, "GOTO_MIN": 2, "ACCEPT": 3, "REJECT": 4, "PING": 5, "PS_RDY": 6,
        "GET_SOURCE_CAP": 7, "GET_SINK_CAP": 8, "DR_SWAP": 9, "PR_SWAP": 10, "VCONN_SWAP": 11,
        "WAIT": 12, "SOFT_RESET": 13, "NOT_SUPPORTED": 16, "GET_SOURCE_CAP_EXTENDED": 17,
        "GET_STATUS": 18, "FR_SWAP": 19, "GET_PPS_STATUS": 20, "GET_COUNTRY_CODES": 21,
    }  # fmt: skip
    assert {name: ControlType[name].value for name in kernel} == kernel
    kernel = {
        "SOURCE_CAPABILITIES": 1, "REQUEST": 2, "BIST": 3, "SINK_CAPABILITIES": 4,
        "BATTERY_STATUS": 5, "ALERT": 6, "GET_COUNTRY_INFO": 7, "VENDOR_DEFINED": 15,
    }  # fmt: skip
    assert {name: DataType[name].value for name in kernel} == kernel
    kernel = {
        "SOURCE_CAPABILITIES_EXTENDED": 1, "STATUS": 2, "GET_BATTERY_CAP": 3,
        "GET_BATTERY_STATUS": 4, "BATTERY_CAPABILITIES": 5, "GET_MANUFACTURER_INFO": 6,
        "MANUFACTURER_INFO": 7, "SECURITY_REQUEST": 8, "SECURITY_RESPONSE": 9,
        "FIRMWARE_UPDATE_REQUEST": 10, "FIRMWARE_UPDATE_RESPONSE": 11, "PPS_STATUS": 12,
        "COUNTRY_INFO": 13, "COUNTRY_CODES": 14,
    }  # fmt: skip
    assert {name: ExtendedType[name].value for name in kernel} == kernel


def test_names_of_reserved_types():
    assert decode_header(0x0000).name == "Reserved control 0"
    assert decode_header(0x100D).name == "Reserved data 13"
    assert decode_header(0x801F).name == "Reserved extended 31"
    assert decode_header(0x0006).name == "PS_RDY"
    assert decode_header(0x0015).name == "Get_Country_Codes"


def test_resets_have_no_header():
    with pytest.raises(MessageError, match="HARD_RESET has no header"):
        decode_header(0, Sop.HARD_RESET)
    assert Sop.CABLE_RESET.is_reset
    assert not Sop.SOP.is_reset


@given(st.binary(max_size=40))
def test_crc_is_that_of_zlib(data):
    assert crc32(data) == zlib.crc32(data)
    assert crc32(data + crc32(data).to_bytes(4, "little")) == RESIDUAL


def test_crc_check_value():
    # Check value of the CRC-32 of Ethernet and zlib.
    assert crc32(b"123456789") == 0xCBF43926
    assert not crc_ok(BY_NAME["M1"])
    assert not crc_ok(b"\x00" * 6)


def test_many_crcs_at_once():
    rng = np.random.default_rng(20261125)
    rows = rng.integers(0, 256, (500, 30), dtype=np.uint8)
    lengths = rng.integers(0, 31, 500)
    expected = [zlib.crc32(row[:size].tobytes()) for row, size in zip(rows, lengths, strict=True)]
    assert crc32_many(rows, lengths).tolist() == expected
    assert crc32_many(np.empty((0, 30), np.uint8), []).size == 0
    with pytest.raises(MessageError, match="outside 0 to 30"):
        crc32_many(rows, lengths + 1)
    with pytest.raises(MessageError, match="shape"):
        crc32_many(rows[0], lengths)


def test_lengths_must_fit():
    with pytest.raises(MessageError, match="4 payload bytes do not fit an object count of 4"):
        Message.parse(bytes.fromhex("A14B2C910108"))
    with pytest.raises(MessageError, match="at least 2 bytes"):
        Message.parse(b"\x01")
    with pytest.raises(MessageError, match="extended header"):
        Message(Sop.SOP, PortHeader(extended=True, type_raw=2), b"")
    with pytest.raises(WordError):
        PortHeader(object_count=8, type_raw=1)


def test_unchunked_long_message():
    # Object count 0, length from the data size (from memory, medium).
    data = bytes(range(40))
    extended = ExtendedHeader(chunked=False, data_size=40).encode().to_bytes(2, "little")
    header = PortHeader(extended=True, type_raw=17, from_source=True)
    message = Message(Sop.SOP, header, extended + data)
    assert message.chunk_data == data
    whole = ChunkAssembler().feed(message)
    assert whole is not None
    assert (whole.data, whole.chunk_count) == (data, 1)


def test_captured_chunks_join_to_ten_objects():
    # Assertions of the public test the frames come from: ten objects, the seventh zero, the eighth
    # 28 V. The seventh object straddles the border of the chunks.
    chunks = [Message.parse(BY_NAME[name]) for name in ("M17", "M18", "M19")]
    whole = assemble_chunks(chunks)
    assert whole.header.message_type is ExtendedType.EPR_SOURCE_CAPABILITIES
    assert (len(whole.objects), whole.chunk_count) == (10, 2)
    assert whole.objects[6] == 0
    assert whole.objects[7:] == (0x0018C1F4, 0x001B41F4, 0x001F01F4)
    first, request, second = (chunk.extended_header for chunk in chunks)
    assert (first.encode(), second.encode()) == (0x8028, 0x8828)
    assert (request.request_chunk, request.chunk_number, request.data_size) == (True, 1, 0)
    assert chunks[1].chunk_data == b""


def test_cutting_gives_the_captured_chunks():
    whole = assemble_chunks([Message.parse(BY_NAME["M17"]), Message.parse(BY_NAME["M19"])])
    header = replace(decode_header(0xFDB1), object_count=0)
    chunks = split_chunks(header, whole.data)
    assert [chunk.encode() for chunk in chunks] == [BY_NAME["M17"], BY_NAME["M19"]]
    asking = PortHeader(type_raw=17, message_id=3)
    assert chunk_request(asking, 1).encode() == BY_NAME["M18"]


@given(st.binary(max_size=260), st.integers(0, 7))
def test_cutting_and_joining(data, message_id):
    chunks = split_chunks(PortHeader(type_raw=17, message_id=message_id), data)
    assert all(chunk.header.object_count <= 7 for chunk in chunks)
    whole = assemble_chunks(chunks)
    assert whole.data == data
    assert len(chunks) == max(1, -(-len(data) // 26))


def test_a_repeated_chunk_is_passed_over():
    first, second = (Message.parse(BY_NAME[name]) for name in ("M17", "M19"))
    assert assemble_chunks([first, first, second]).chunk_count == 2
    third = split_chunks(PortHeader(type_raw=17), bytes(60))
    assert assemble_chunks([*third[:2], third[1], third[2]]).data == bytes(60)


def test_chunk_faults_are_written_down():
    first, second = (Message.parse(BY_NAME[name]) for name in ("M17", "M19"))
    assembler = ChunkAssembler()
    assert assembler.feed(second) is None
    assert "chunk 1 without the chunks before it" in assembler.faults[0]
    assembler = ChunkAssembler()
    assembler.feed(first)
    other = split_chunks(PortHeader(type_raw=17, from_source=True), bytes(60))
    assert assembler.feed(other[2]) is None
    assert "chunk 2 of 60 bytes where chunk 1" in assembler.faults[0]
    assembler = ChunkAssembler()
    assembler.feed(first)
    assembler.feed(other[0])
    assert "given up after 1 chunks" in assembler.faults[0]
    assembler.reset()
    with pytest.raises(MessageError, match="without the chunks"):
        assemble_chunks([second])
    with pytest.raises(MessageError, match="got 0 messages"):
        assemble_chunks([first])
    with pytest.raises(MessageError, match="at most 260 bytes"):
        split_chunks(PortHeader(type_raw=17), bytes(261))


def test_extended_control():
    # Public capture: keep-alive is type 3; its answer is type 4.
    assert Message.parse(BY_NAME["M21"]).extended_control is ExtendedControlType.EPR_KEEP_ALIVE
    assert Message.parse(BY_NAME["M22"]).extended_control is ExtendedControlType.EPR_KEEP_ALIVE_ACK
    assert Message.parse(BY_NAME["M17"]).extended_control is None
    assert Message.parse(bytes.fromhex("909A02800900")).extended_control is None


def test_messages_from_words():
    message = Message.from_words(0x4BA1, [0x0B01912C, 0x0002D12C, 0x0004B12C, 0x00064145])
    assert message.encode() == BY_NAME["M3"]
    assert message.objects[3] == 0x00064145
    assert isinstance(Message.from_words(0x108F, [0xFF00A001], Sop.SOP_PRIME).header, CableHeader)


def test_frame_duration():
    # A public log has a PS_RDY and its GoodCRC 0.567 ms apart; the frame takes 0.497 ms.
    assert frame_duration_s(0) == pytest.approx(0.497e-3, abs=0.5e-6)
    assert frame_duration_s(28, 330_000) == pytest.approx(1.300e-3, abs=0.5e-6)
    assert frame_duration_s(28, 270_000) == pytest.approx(1.589e-3, abs=0.5e-6)
