"""Rules on capability sets, on captured sets and on sets with one thing wrong."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.capabilities import (
    REVISIONS,
    check_sink_capabilities,
    check_source_capabilities,
    required_fixed_supplies,
)
from brickbook.usbpd.errors import UsbPdError
from brickbook.usbpd.vdo import cable_rating

FIVE_AMP = cable_rating([0xFF00A041, 0x18000000, 0, 0, 0x00084040])
EPR_CABLE = cable_rating([0xFF00A041, 0x18000000, 0, 0, 0x000A4640])

# 45 W set of a public capture (kernel log text agrees), R3.0 or R3.1.
SET_45_W = [0x0801912C, 0x0002D12C, 0x0004B12C, 0x000640E1, 0xC8DC2164, 0xC940213C, 0xC9A4212D]
# EPR set of a public capture: 5 to 20 V, PPS, filler, 28 V, 36 V and 48 V at 5 A.
SET_EPR = [
    0x0A91912C, 0x0012D12C, 0x0013C12C, 0x0014B12C, 0x001641F4, 0xC9A43264, 0x00000000,
    0x0018C1F4, 0x001B41F4, 0x001F01F4,
]  # fmt: skip
# 60 W set of R3.2 put together from the layouts: 5, 9, 15, 20 V at 3 A, SPR AVS 3 A and 3 A.
SET_60_W = [0x0801912C, 0x0002D12C, 0x0004B12C, 0x0006412C, 0xE004B12C]


def rules(words, **given_):
    return [(v.rule, v.object_position) for v in check_source_capabilities(words, **given_).violations]


@pytest.mark.parametrize(
    ("pdp_w", "currents"),
    [
        # Table of PDP against voltages, public library rule check; above 100 W from memory, high.
        (15, [3]),
        (27, [3, 3]),
        (45, [3, 3, 3]),
        (60, [3, 3, 3, 3]),
        (100, [3, 3, 3, 5]),
        (140, [3, 3, 3, 5, 5]),
        (180, [3, 3, 3, 5, 5, 5]),
        (240, [3, 3, 3, 5, 5, 5, 5]),
        # Between the round ratings: PDP / V at the highest voltage, rounded down to 10 mA.
        (7.5, [1.5]),
        (20, [3, 2.22]),
        (30, [3, 3, 2]),
        (65, [3, 3, 3, 3.25]),
    ],
)
def test_required_fixed_supplies(pdp_w, currents):
    supplies = required_fixed_supplies(pdp_w)
    assert [supply.voltage_v for supply in supplies] == [5, 9, 15, 20, 28, 36, 48][: len(currents)]
    assert [supply.current_a for supply in supplies] == currents


def test_captured_sets():
    # The captured 45 W set has an extra 20 V object and no SPR AVS: fine before R3.2.
    assert rules(SET_45_W, pdp_w=45, revision="R3.1", cable=FIVE_AMP) == []
    # Held against R3.2 it lacks SPR AVS; its PPS ranges from 3.3 V take in those from 5 V.
    assert rules(SET_45_W, pdp_w=45, revision="R3.2", cable=FIVE_AMP) == [("spr-avs-required", None)]
    assert rules(SET_60_W, pdp_w=60) == []
    # The captured EPR set has PPS from 5 V, as R3.2 has it, and no adjustable objects.
    assert rules(SET_EPR, pdp_w=240, epr=True, cable=EPR_CABLE) == [
        ("spr-avs-required", None),
        ("epr-avs-required", None),
    ]


def test_epr_set_with_avs():
    words = [*SET_EPR[:6], 0xE007D1F4, *SET_EPR[7:], 0xD3C096F0]
    assert rules(words, pdp_w=240, epr=True, cable=EPR_CABLE) == []
    words[-1] = 0xD2D096B4
    assert rules(words, pdp_w=240, epr=True) == [("epr-avs-range", 11)]


def test_without_a_rating_the_report_says_what_was_left_out():
    report = check_source_capabilities(SET_60_W)
    assert report.violations == ()
    assert len(report.not_checked) == 2
    assert len(report.objects) == 5
    assert check_source_capabilities(SET_60_W, pdp_w=60, cable=EPR_CABLE).not_checked == ()


def changed(words, position, word):
    return [*words[: position - 1], word, *words[position:]]


@pytest.mark.parametrize(
    ("words", "given_", "expected"),
    [
        ([], {}, [("object-count", None)]),
        ([0x0801912C] + [0xE004B12C] * 7, {}, [("object-count", None), ("spr-object-in-epr-position", 8)]),
        (changed(SET_60_W, 1, 0x0002D12C), {}, [("first-object-5v", 1), ("order", 2)]),
        ([0x0801912C, 0x0004B12C, 0x0002D12C], {}, [("order", 3)]),
        ([0x0801912C, 0x0002D12C, 0x0002D12C], {}, [("order", 3)]),
        ([0x0801912C, 0xE004B12C, 0x0002D12C], {}, [("order", 3)]),
        ([0x0801912C, 0x8F0190C8, 0x590190F0], {}, [("order", 3)]),
        ([0x0801912C, 0x0802D12C], {}, [("flags-in-object-1-only", 2)]),
        ([0x0841912C], {}, [("reserved-bits", 1)]),
        ([0x0801912C, 0xF0000000], {}, [("reserved-kind", 2)]),
        ([0x0801912C, 0], {}, [("empty-object", 2)]),
        ([0x0801912C, 0x0008C1F4], {}, [("epr-object-in-spr-position", 2)]),
        ([0x0801912C, 0xD230968C], {}, [("epr-object-in-spr-position", 2)]),
        ([0x0801912C, 0x8643C0C8], {}, [("range-upside-down", 2)]),
        ([0x0801912C, 0x0002D1F5], {}, [("current-over-5a", 2)]),
        ([0x0801912C, 0xC940213C], {"revision": "R3.1"}, []),
        ([0x0801912C, 0xC940323C], {"revision": "R3.2"}, []),
        ([0x0801912C, 0xC940323C], {"revision": "R3.1"}, [("pps-range", 2)]),
        ([0x0801912C, 0xC990322D], {"revision": "R3.2"}, [("pps-range", 2)]),
        ([0x0801912C, 0xC0761E3C], {"revision": "R3.0"}, []),
        ([0x0801912C, 0xC0761E3C], {"revision": "R3.2"}, [("pps-range", 2)]),
        ([0x0801912C, 0xC940213C], {"revision": "R2.0"}, [("pps-before-r3", 2)]),
        ([0x0801912C, 0x000641F4], {"cable": cable_rating(None)}, [("current-over-cable", 2)]),
        ([0x0801912C, 0x000641F4], {"cable": FIVE_AMP}, []),
        (SET_EPR, {"epr": True, "cable": FIVE_AMP}, [("voltage-over-cable", 8), ("voltage-over-cable", 9), ("voltage-over-cable", 10)]),
        (changed(SET_60_W, 3, 0x0003C12C), {"pdp_w": 60}, [("required-voltage", None)]),
        (changed(SET_60_W, 4, 0x000640E1), {"pdp_w": 60}, [("required-current", 4)]),
        ([0x0801912C, 0x0002D0DE], {"pdp_w": 20}, []),
        ([0x0801912C, 0x0002D0DD], {"pdp_w": 20}, [("required-current", 2)]),
        (changed(SET_60_W, 4, 0x00064145), {"pdp_w": 60}, [("power-over-pdp", 4)]),
        ([*SET_60_W[:4], 0xE004B000], {"pdp_w": 60}, [("spr-avs-range", 5), ("spr-avs-current", 5)]),
        ([*SET_60_W[:4], 0xE004B12B], {"pdp_w": 60}, [("spr-avs-current", 5)]),
        ([0x0801912C, 0x0002D12C, 0x0004B12C, 0xE004B12C], {"pdp_w": 45}, [("spr-avs-range", 4), ("power-over-pdp", 4)]),
        (SET_45_W[:4], {"pdp_w": 45, "revision": "R3.1"}, []),
        ([*SET_45_W[:3], 0xC940213C], {"pdp_w": 45, "revision": "R3.1"}, []),
        ([*SET_45_W[:3], 0xC8DC213C], {"pdp_w": 45, "revision": "R3.1"}, [("pps-required", None)]),
        ([*SET_45_W[:3], 0xC1402164], {"pdp_w": 45, "revision": "R3.1"}, [("pps-power-limited-bit", 4)]),
        ([0x0801912C, 0x0002D12C, 0x0004B12C, 0x000641F4], {"pdp_w": 140, "revision": "R3.1"}, [("epr-capable-flag", 1)]),
    ],
)  # fmt: skip
def test_one_thing_wrong(words, given_, expected):
    assert sorted(rules(words, **given_), key=str) == sorted(expected, key=str)


def test_a_five_amp_source_on_a_three_amp_cable():
    # A 100 W source shows 60 W at 20 V on a 3 A cable (public library rule check).
    words = [0x0801912C, 0x0002D12C, 0x0004B12C, 0x0006412C, 0xE004B12C]
    assert rules(words, pdp_w=100, cable=cable_rating(None)) == []
    assert ("required-current", 4) in rules(words, pdp_w=100, cable=FIVE_AMP)


def test_required_pps():
    # From memory, medium: 18 W asks for 5 V 3 A and 9 V 2 A; 33 W for 9 V 3 A and 15 V 2.2 A.
    words = [0x0801912C, 0x0002D0C8, 0xC076213C, 0xC0DC2128]
    assert rules(words, pdp_w=18, revision="R3.1") == []
    assert rules(words[:3], pdp_w=18, revision="R3.1") == [("pps-required", None)]
    words = [0x0801912C, 0x0002D12C, 0x0004B0DC, 0xC0DC213C, 0xC140212C]
    assert rules(words, pdp_w=33, revision="R3.1") == []
    assert rules([0x08019096, 0xC076211E], pdp_w=7.5, revision="R3.1") == []
    words = [0x0801912C, 0x0002D12C, 0x0004B12C, 0x000641F4, 0xC9A42164]
    assert rules(words, pdp_w=100, revision="R3.1") == []


def test_each_violation_names_its_source():
    report = check_source_capabilities([0x0801912C, 0xF0000000, 0x0841912C], pdp_w=240, epr=True)
    assert len(report.violations) > 4
    for violation in report.violations:
        assert violation.source
        assert violation.from_memory in (None, "high", "medium", "low")
        assert violation.text
    required = [v for v in report.violations if v.rule == "required-voltage"]
    assert {v.from_memory for v in required} == {"high"}


def test_sink_sets():
    assert check_sink_capabilities([0x3601912C, 0x0002D12C]).violations == ()
    found = check_sink_capabilities([0x0002D12C, 0x1001912C]).violations
    assert sorted(v.rule for v in found) == ["first-object-5v", "flags-in-object-1-only", "order"]


def test_bad_arguments():
    with pytest.raises(UsbPdError, match="unknown revision 'R4'"):
        check_source_capabilities([0x0801912C], revision="R4")
    with pytest.raises(UsbPdError, match="at most 240 W"):
        check_source_capabilities([0x0801912C], pdp_w=300)


@given(
    st.lists(st.integers(0, 0xFFFF_FFFF), max_size=12),
    st.floats(0.5, 240),
    st.booleans(),
    st.sampled_from(REVISIONS),
    st.sampled_from([None, FIVE_AMP, EPR_CABLE, cable_rating(None)]),
)  # fmt: skip
def test_any_set_is_judged_without_an_exception(words, pdp_w, epr, revision, cable):
    report = check_source_capabilities(words, pdp_w=pdp_w, epr=epr, revision=revision, cable=cable)
    for violation in report.violations:
        assert violation.object_position is None or 1 <= violation.object_position <= len(words)


@given(st.integers(1, 480), st.booleans())
def test_a_set_built_from_the_requirements_keeps_the_rules(half_watts, peak):
    pdp_w = half_watts / 2
    words = []
    for at, supply in enumerate(required_fixed_supplies(pdp_w, epr=False)):
        word = round(supply.voltage_v * 20) << 10 | round(supply.current_a * 100)
        flags = (0x0880_0000 if pdp_w > 100 else 0x0800_0000) if at == 0 else 0
        words.append(word | flags | (0x0010_0000 if peak else 0))
    assert rules(words, pdp_w=pdp_w, revision="R3.1") == []
