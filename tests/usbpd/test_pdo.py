"""Power data objects and requests against published words and the public kernel header."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.errors import WordError
from brickbook.usbpd.pdo import (
    BatteryPdo,
    EprAvsSourcePdo,
    FixedSinkPdo,
    FixedSourcePdo,
    PpsSinkPdo,
    PpsSourcePdo,
    ReservedPdo,
    SprAvsSourcePdo,
    VariablePdo,
    available_current_a,
    decode_sink_pdo,
    decode_source_pdo,
)
from brickbook.usbpd.supplies import PEAK_CURRENT, PdoKind

WORD = st.integers(0, 0xFFFF_FFFF)

# (name, word, kind, (min V, max V, max A, max W where the object states a power), peak code,
# flags that are set, where the word comes from). "computed from the layouts" are words worked out
# by hand from the layouts of USB PD R3.2 (fixed: table of the fixed supply PDO; AVS: tables 6.14
# and 6.15); "public capture" words stand in test data of public protocol stacks and in forum
# posts; "public log" words are rebuilt from the text of kernel logs, or the log prints the values.
PDO_WORDS = [
    ("A1", 0x0001912C, "fixed", (5.0, 5.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A2", 0x0801912C, "fixed", (5.0, 5.0, 3.0, None), 0, {"unconstrained_power"}, "computed from the layouts"),
    (
        "A3",
        0x2601912C,
        "fixed",
        (5.0, 5.0, 3.0, None),
        0,
        {"usb_communications_capable", "dual_role_data", "dual_role_power"},
        "computed from the layouts",
    ),
    (
        "A4",
        0x0981912C,
        "fixed",
        (5.0, 5.0, 3.0, None),
        0,
        {"epr_capable", "unchunked_extended_messages_supported", "unconstrained_power"},
        "computed from the layouts",
    ),
    ("A5", 0x000190F0, "fixed", (5.0, 5.0, 2.4, None), 0, set(), "computed from the layouts"),
    ("A6", 0x00019096, "fixed", (5.0, 5.0, 1.5, None), 0, set(), "computed from the layouts"),
    ("A7", 0x0002D12C, "fixed", (9.0, 9.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A8", 0x0002D0DE, "fixed", (9.0, 9.0, 2.22, None), 0, set(), "computed from the layouts"),
    ("A9", 0x0002D0C8, "fixed", (9.0, 9.0, 2.0, None), 0, set(), "computed from the layouts"),
    ("A10", 0x0003C12C, "fixed", (12.0, 12.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A11", 0x0023C096, "fixed", (12.0, 12.0, 1.5, None), 2, set(), "computed from the layouts"),
    ("A12", 0x0004B12C, "fixed", (15.0, 15.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A13", 0x0004B0C8, "fixed", (15.0, 15.0, 2.0, None), 0, set(), "computed from the layouts"),
    ("A14", 0x00064096, "fixed", (20.0, 20.0, 1.5, None), 0, set(), "computed from the layouts"),
    ("A15", 0x000640E1, "fixed", (20.0, 20.0, 2.25, None), 0, set(), "computed from the layouts"),
    ("A16", 0x0006412C, "fixed", (20.0, 20.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A17", 0x00064145, "fixed", (20.0, 20.0, 3.25, None), 0, set(), "computed from the layouts"),
    ("A18", 0x000641F4, "fixed", (20.0, 20.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A19", 0x003641F4, "fixed", (20.0, 20.0, 5.0, None), 3, set(), "computed from the layouts"),
    ("A20", 0x0008C1F4, "fixed", (28.0, 28.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A21", 0x000B41F4, "fixed", (36.0, 36.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A22", 0x000F01F4, "fixed", (48.0, 48.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A23", 0x000F0177, "fixed", (48.0, 48.0, 3.75, None), 0, set(), "computed from the layouts"),
    ("A24", 0x8F0190C8, "variable", (5.0, 12.0, 2.0, None), 0, set(), "computed from the layouts"),
    ("A25", 0x9900F1F4, "variable", (3.0, 20.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A26", 0x590190F0, "battery", (5.0, 20.0, None, 60.0), 0, set(), "computed from the layouts"),
    ("A27", 0x4F02D06C, "battery", (9.0, 12.0, None, 27.0), 0, set(), "computed from the layouts"),
    ("A28", 0xC0761E3C, "pps", (3.0, 5.9, 3.0, None), 0, set(), "computed from the layouts"),
    ("A29", 0xC0DC213C, "pps", (3.3, 11.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A30", 0xC0DC323C, "pps", (5.0, 11.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A31", 0xC940213C, "pps", (3.3, 16.0, 3.0, None), 0, {"power_limited"}, "computed from the layouts"),
    ("A32", 0xC9A42141, "pps", (3.3, 21.0, 3.25, None), 0, {"power_limited"}, "computed from the layouts"),
    ("A33", 0xC1A43264, "pps", (5.0, 21.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A34", 0xE004B000, "spr_avs", (9.0, 15.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A35", 0xE004B0E1, "spr_avs", (9.0, 20.0, 3.0, None), 0, set(), "computed from the layouts"),
    ("A36", 0xE007D1F4, "spr_avs", (9.0, 20.0, 5.0, None), 0, set(), "computed from the layouts"),
    ("A37", 0xE006C545, "spr_avs", (9.0, 20.0, 4.33, None), 0, set(), "computed from the layouts"),
    ("A38", 0xD230968C, "epr_avs", (15.0, 28.0, None, 140.0), 0, set(), "computed from the layouts"),
    ("A39", 0xD2D096B4, "epr_avs", (15.0, 36.0, None, 180.0), 0, set(), "computed from the layouts"),
    ("A40", 0xD3C096F0, "epr_avs", (15.0, 48.0, None, 240.0), 0, set(), "computed from the layouts"),
    (
        "B1",
        0x0A91912C,
        "fixed",
        (5.0, 5.0, 3.0, None),
        1,
        {"epr_capable", "unconstrained_power", "dual_role_data"},
        "public capture",
    ),
    ("B2", 0x0012D12C, "fixed", (9.0, 9.0, 3.0, None), 1, set(), "public capture"),
    ("B3", 0x0013C12C, "fixed", (12.0, 12.0, 3.0, None), 1, set(), "public capture"),
    ("B4", 0x0014B12C, "fixed", (15.0, 15.0, 3.0, None), 1, set(), "public capture"),
    ("B5", 0x001641F4, "fixed", (20.0, 20.0, 5.0, None), 1, set(), "public capture"),
    ("B6", 0xC9A43264, "pps", (5.0, 21.0, 5.0, None), 0, {"power_limited"}, "public capture"),
    ("B7", 0x0018C1F4, "fixed", (28.0, 28.0, 5.0, None), 1, set(), "public capture"),
    ("B8", 0x001B41F4, "fixed", (36.0, 36.0, 5.0, None), 1, set(), "public capture"),
    ("B9", 0x001F01F4, "fixed", (48.0, 48.0, 5.0, None), 1, set(), "public capture"),
    ("B11", 0x0801912C, "fixed", (5.0, 5.0, 3.0, None), 0, {"unconstrained_power"}, "public capture"),
    ("B12", 0x0002D12C, "fixed", (9.0, 9.0, 3.0, None), 0, set(), "public capture"),
    ("B13", 0x0004B12C, "fixed", (15.0, 15.0, 3.0, None), 0, set(), "public capture"),
    ("B14", 0x000640E1, "fixed", (20.0, 20.0, 2.25, None), 0, set(), "public capture and log text"),
    ("B15", 0xC8DC2164, "pps", (3.3, 11.0, 5.0, None), 0, {"power_limited"}, "public capture and log text"),
    ("B16", 0xC940213C, "pps", (3.3, 16.0, 3.0, None), 0, {"power_limited"}, "public capture and log text"),
    ("B17", 0xC9A4212D, "pps", (3.3, 21.0, 2.25, None), 0, {"power_limited"}, "public capture and log text"),
    (
        "B18",
        0x0B01912C,
        "fixed",
        (5.0, 5.0, 3.0, None),
        0,
        {"unchunked_extended_messages_supported", "unconstrained_power", "dual_role_data"},
        "public capture",
    ),
    ("B19", 0x00064145, "fixed", (20.0, 20.0, 3.25, None), 0, set(), "public capture"),
    ("B21", 0x0831912C, "fixed", (5.0, 5.0, 3.0, None), 3, {"unconstrained_power"}, "public log, prints the values"),
    ("B22", 0x0032D12C, "fixed", (9.0, 9.0, 3.0, None), 3, set(), "public log, prints the values"),
    ("B23", 0x003321F4, "fixed", (10.0, 10.0, 5.0, None), 3, set(), "public log, prints the values"),
    ("B24", 0x0033C1F4, "fixed", (12.0, 12.0, 5.0, None), 3, set(), "public log, prints the values"),
    ("B25", 0x0A0191F4, "fixed", (5.0, 5.0, 5.0, None), 0, {"unconstrained_power", "dual_role_data"}, "public capture"),
    ("B26", 0x0003C12C, "fixed", (12.0, 12.0, 3.0, None), 0, set(), "public capture"),
    ("B27", 0xC990322D, "pps", (5.0, 20.0, 2.25, None), 0, {"power_limited"}, "public capture"),
    ("B28", 0x0003C0E1, "fixed", (12.0, 12.0, 2.25, None), 0, set(), "public capture"),
    ("B29", 0x0004B0B4, "fixed", (15.0, 15.0, 1.8, None), 0, set(), "public capture"),
    ("B30", 0x0401912C, "fixed", (5.0, 5.0, 3.0, None), 0, {"usb_communications_capable"}, "public capture"),
    ("B31", 0x0006412C, "fixed", (20.0, 20.0, 3.0, None), 0, set(), "public capture"),
    ("B32", 0x0001912C, "fixed", (5.0, 5.0, 3.0, None), 0, set(), "public capture"),
    ("B33", 0xC8DC213C, "pps", (3.3, 11.0, 3.0, None), 0, {"power_limited"}, "public capture"),
    (
        "B35",
        0x2C01912C,
        "fixed",
        (5.0, 5.0, 3.0, None),
        0,
        {"usb_communications_capable", "unconstrained_power", "dual_role_power"},
        "public capture",
    ),
    ("B36", 0xC0DC2164, "pps", (3.3, 11.0, 5.0, None), 0, set(), "public capture"),
    ("B37", 0xC1A42164, "pps", (3.3, 21.0, 5.0, None), 0, set(), "public capture"),
    (
        "R1",
        0x2E0190C8,
        "fixed",
        (5.0, 5.0, 2.0, None),
        0,
        {"usb_communications_capable", "unconstrained_power", "dual_role_data", "dual_role_power"},
        "public log text",
    ),
    ("R2", 0x0002D0F5, "fixed", (9.0, 9.0, 2.45, None), 0, set(), "public log text"),
    ("R3", 0x0004B10B, "fixed", (15.0, 15.0, 2.67, None), 0, set(), "public log text"),
    ("R4", 0x0006412C, "fixed", (20.0, 20.0, 3.0, None), 0, set(), "public log text"),
    ("R5", 0x0801912C, "fixed", (5.0, 5.0, 3.0, None), 0, {"unconstrained_power"}, "public log text"),
    ("R6", 0x0002D0C8, "fixed", (9.0, 9.0, 2.0, None), 0, set(), "public log text"),
    ("R7", 0x0005E92C, "fixed", (18.9, 18.9, 3.0, None), 0, set(), "public log text"),
]


@pytest.mark.parametrize(
    ("word", "kind", "values", "peak", "flags"),
    [pytest.param(*row[1:6], id=row[0]) for row in PDO_WORDS],
)
def test_published_words(word, kind, values, peak, flags):
    pdo = decode_source_pdo(word)
    assert pdo.kind == kind
    low, high, current, power = values
    assert (pdo.min_voltage_v, pdo.max_voltage_v, pdo.max_current_a) == (low, high, current)
    if power is not None:
        assert pdo.max_power_w == power
    elif kind != "spr_avs":
        assert pdo.max_power_w == pytest.approx(high * current, rel=1e-12)
    assert (pdo.peak_current_code or 0) == peak
    assert {name for name, value in pdo.flags().items() if value} == flags
    assert pdo.reserved_bits == 0
    assert pdo.encode() == word


# Shifts, masks and steps typed in from the public kernel header include/linux/usb/pd.h
# (PDO_FIXED_*, PDO_BATT_*, PDO_VAR_*, PDO_PPS_APDO_*), and from the kernel patch that adds
# PDO_EPR_AVS_APDO_* and PDO_SPR_AVS_APDO_* as GENMASK(high, low) citing R3.2 tables 6.14, 6.15.
KERNEL_FIELDS = {
    "fixed": {"max_voltage_v": (10, 0x3FF, 50), "max_current_a": (0, 0x3FF, 10)},
    "battery": {
        "max_voltage_v": (20, 0x3FF, 50),
        "min_voltage_v": (10, 0x3FF, 50),
        "max_power_w": (0, 0x3FF, 250),
    },
    "variable": {
        "max_voltage_v": (20, 0x3FF, 50),
        "min_voltage_v": (10, 0x3FF, 50),
        "max_current_a": (0, 0x3FF, 10),
    },
    "pps": {
        "max_voltage_v": (17, 0xFF, 100),
        "min_voltage_v": (8, 0xFF, 100),
        "max_current_a": (0, 0x7F, 50),
    },
    "epr_avs": {
        "max_voltage_v": (17, 0x1FF, 100),
        "min_voltage_v": (8, 0xFF, 100),
        "max_power_w": (0, 0xFF, 1000),
    },
    "spr_avs": {"current_9_to_15_v_a": (10, 0x3FF, 10), "current_15_to_20_v_a": (0, 0x3FF, 10)},
}
# PDO_TYPE_SHIFT 30, PDO_APDO_TYPE_SHIFT 28; PDO_TYPE_FIXED 0, BATT 1, VAR 2, APDO 3;
# APDO_TYPE_PPS 0, EPR_AVS 1, SPR_AVS 2.
KERNEL_TYPES = {0: "fixed", 1: "battery", 2: "variable"}
KERNEL_APDO_TYPES = {0: "pps", 1: "epr_avs", 2: "spr_avs", 3: "reserved"}
# PDO_FIXED_DUAL_ROLE and so on.
KERNEL_SOURCE_FLAGS = {
    "dual_role_power": 29,
    "usb_suspend_supported": 28,
    "unconstrained_power": 27,
    "usb_communications_capable": 26,
    "dual_role_data": 25,
}


@given(WORD)
def test_layouts_agree_with_the_public_kernel_header(word):
    kind = KERNEL_TYPES.get(word >> 30) or KERNEL_APDO_TYPES[word >> 28 & 3]
    pdo = decode_source_pdo(word)
    assert pdo.kind == kind
    for name, (shift, mask, step_milli) in KERNEL_FIELDS.get(kind, {}).items():
        assert getattr(pdo, name) == (word >> shift & mask) * step_milli / 1000
    if kind == "fixed":
        for name, bit in KERNEL_SOURCE_FLAGS.items():
            assert getattr(pdo, name) == bool(word & 1 << bit)


@given(WORD)
def test_every_word_decodes_and_encodes_back(word):
    assert decode_source_pdo(word).encode() == word
    assert decode_sink_pdo(word).encode() == word


@pytest.mark.parametrize("top", range(16))
def test_every_bit_of_every_kind_is_kept(top):
    for bit in range(28):
        for word in (top << 28 | 1 << bit, top << 28 | (0x0FFF_FFFF ^ 1 << bit)):
            assert decode_source_pdo(word).encode() == word
            assert decode_sink_pdo(word).encode() == word


def test_reserved_bits_are_shown_in_place():
    assert decode_source_pdo(0x0041912C).reserved_bits == 0x0040_0000  # fixed: bit 22
    assert decode_sink_pdo(0x0071912C).reserved_bits == 0x0070_0000  # fixed sink: bits 22:20
    assert decode_source_pdo(0xC7FFFFFF).reserved_bits == 0x0601_0080  # PPS: 26:25, 16, 7
    assert decode_sink_pdo(0xCFFFFFFF).reserved_bits == 0x0E01_0080  # PPS sink: 27 as well
    assert decode_source_pdo(0xDFFFFFFF).reserved_bits == 0x0001_0000  # EPR AVS: 16
    assert decode_source_pdo(0xEFFFFFFF).reserved_bits == 0x03F0_0000  # SPR AVS: 25:20
    assert decode_source_pdo(0xF1234567).reserved_bits == 0x0123_4567
    assert decode_source_pdo(0xF1234567).kind is PdoKind.RESERVED


def test_reserved_object_states_nothing():
    pdo = decode_source_pdo(0xF1234567)
    assert isinstance(pdo, ReservedPdo)
    values = (pdo.min_voltage_v, pdo.max_voltage_v, pdo.max_current_a, pdo.max_power_w)
    assert values == (None, None, None, None)
    assert pdo.peak_current_code is None
    assert not pdo.is_empty
    assert decode_source_pdo(0).is_empty


def test_sink_fixed_object():
    # Public kernel header: PDO_FIXED_HIGHER_CAP is bit 28; fast role swap in 24:23 (public
    # controller header): 3 means 3.0 A at 5 V.
    pdo = decode_sink_pdo(0x3181912C)
    assert isinstance(pdo, FixedSinkPdo)
    assert (pdo.dual_role_power, pdo.higher_capability) == (True, True)
    assert pdo.fast_role_swap == 3
    assert pdo.fast_role_swap_current_a == 3.0
    assert decode_sink_pdo(0x0101912C).fast_role_swap_current_a == 1.5
    assert decode_sink_pdo(0x0081912C).fast_role_swap_current_a is None
    assert isinstance(decode_sink_pdo(0xC9402132), PpsSinkPdo)


def test_builders_agree_with_published_words():
    assert FixedSourcePdo.from_si(5, 3, unconstrained_power=True).encode() == 0x0801912C
    assert FixedSourcePdo.from_si(20, 5, peak_current=3).encode() == 0x003641F4
    assert PpsSourcePdo.from_si(3.3, 16, 3, power_limited=True).encode() == 0xC940213C
    assert EprAvsSourcePdo.from_si(15, 48, 240).encode() == 0xD3C096F0
    assert SprAvsSourcePdo.from_si(4.33, 3.25).encode() == 0xE006C545
    assert VariablePdo(max_voltage_raw=240, min_voltage_raw=100, current_raw=200).encode() == (0x8F0190C8)
    assert BatteryPdo(max_voltage_raw=400, min_voltage_raw=100, power_raw=240).encode() == (0x590190F0)


def test_builders_refuse_what_the_field_cannot_hold():
    with pytest.raises(WordError, match=r"current_a = 2.225 .* nearest are 2.22 and 2.23"):
        FixedSourcePdo.from_si(9, 2.225)
    with pytest.raises(WordError, match=r"outside 0 to 51\.15"):
        FixedSourcePdo.from_si(60, 1)
    with pytest.raises(WordError, match=r"voltage_raw = 1024 does not fit bits 19:10"):
        FixedSourcePdo(voltage_raw=1024, current_raw=0)
    with pytest.raises(WordError, match="bits outside the reserved ones"):
        dataclasses.replace(decode_source_pdo(0x0001912C), reserved_bits=1)


@pytest.mark.parametrize("word", [-1, 1 << 32, 1.5])
def test_words_out_of_range_are_refused(word):
    with pytest.raises(WordError, match="unsigned 32-bit word"):
        decode_source_pdo(word)
    with pytest.raises(WordError, match="unsigned 32-bit word"):
        decode_sink_pdo(word)


def test_decode_of_the_wrong_kind_is_refused():
    with pytest.raises(WordError, match="0xC940213C is not a FixedSourcePdo"):
        FixedSourcePdo.decode(0xC940213C)


def test_objects_are_frozen_and_slotted():
    pdo = decode_source_pdo(0x0801912C)
    with pytest.raises(dataclasses.FrozenInstanceError):
        pdo.current_raw = 1
    assert not hasattr(pdo, "__dict__")


def test_peak_current_codes():
    # R3.1 V1.7 table 6.4.1.2.2.8, read in a public message library.
    assert [[(o.duration_s, o.ratio) for o in row] for row in PEAK_CURRENT] == [
        [],
        [(0.001, 1.5), (0.002, 1.25), (0.01, 1.1)],
        [(0.001, 2.0), (0.002, 1.5), (0.01, 1.25)],
        [(0.001, 2.0), (0.002, 1.75), (0.01, 1.5)],
    ]


def test_available_current():
    # Captured 45 W set: PPS 3.3-11 V 5 A, power limited; the corner is at 45 W / 5 A = 9 V, and at
    # 11 V 45 / 11 = 4.09 A rounds down to 4.05 A (computed).
    pps = decode_source_pdo(0xC8DC2164)
    assert available_current_a(pps, 9.0, 45.0) == 5.0
    assert available_current_a(pps, 11.0, 45.0) == 4.05
    assert available_current_a(pps, 3.3, 45.0) == 5.0
    assert available_current_a(pps, 11.0) is None
    assert available_current_a(pps, 11.1, 45.0) is None
    # Without the bit the whole rectangle holds.
    assert available_current_a(decode_source_pdo(0xC0DC2164), 11.0) == 5.0
    spr_avs = decode_source_pdo(0xE006C545)
    assert available_current_a(spr_avs, 15.0) == 4.33
    assert available_current_a(spr_avs, 15.1) == 3.25
    assert available_current_a(decode_source_pdo(0xE004B000), 15.1) is None
    epr_avs = decode_source_pdo(0xD3C096F0)
    assert available_current_a(epr_avs, 48.0) == 5.0
    assert available_current_a(decode_source_pdo(0xD230968C), 28.0) == 5.0
    assert available_current_a(decode_source_pdo(0xD2309664), 28.0) == pytest.approx(100 / 28)
    assert available_current_a(decode_source_pdo(0x590190F0), 15.0) == pytest.approx(4.0)
    assert available_current_a(decode_source_pdo(0x0002D12C), 9.0) == 3.0
    assert available_current_a(decode_source_pdo(0xF0000000), 9.0) is None
    with pytest.raises(WordError, match="above 0"):
        available_current_a(pps, 0.0)
