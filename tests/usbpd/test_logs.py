"""Message logs: shapes that are read, faults that are named, GoodCRC pairing and repeats."""

import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.usbpd.delivery import match_good_crc
from brickbook.usbpd.errors import LogError, MessageError
from brickbook.usbpd.logs import parse_message_log, read_message_log, read_words
from brickbook.usbpd.messages import Message, Sop
from brickbook.usbpd.records import MessageLog

# Headers and objects of a public capture (Source_Capabilities with its GoodCRC on both sides).
CAPS = "0x0B01912C 0x0002D12C 0x0004B12C 0x00064145"
PLAIN = f"""time_s,port,sop,header,objects
0.100000,C1,SOP,0x4BA1,{CAPS}
0.101500,C1,SOP,0x0A81,
0.104000,C1,SOP,0x1A82,0x1104B12C
0.104700,C1,SOP,0x0BA1,
"""


def read(text, name="log.csv"):
    return parse_message_log(text.encode(), name=name)


def same(one, other):
    for name in ("time_s", "port", "sop", "header", "word_count", "objects"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name


def test_plain_log():
    log = read(PLAIN)
    assert (len(log), log.ports) == (4, ("C1",))
    assert log.time_s.tolist() == [0.1, 0.1015, 0.104, 0.1047]
    entries = list(log.entries("C1"))
    assert [entry.message.name for entry in entries] == [
        "Source_Capabilities",
        "GoodCRC",
        "Request",
        "GoodCRC",
    ]
    assert entries[0].message.objects == (0x0B01912C, 0x0002D12C, 0x0004B12C, 0x00064145)
    assert log.all_objects.tolist() == [*entries[0].message.objects, 0x1104B12C]
    assert log.line.tolist() == [2, 3, 4, 5]


@pytest.mark.parametrize(
    "text",
    [
        PLAIN.replace("0x", ""),
        PLAIN.replace("0x", "0X").lower().replace("c1", "C1"),
        PLAIN.replace("\n", "\r\n"),
        "\ufeff" + PLAIN,
        PLAIN.replace(",", ";").replace("0.10", "0,10"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace("C1", '"C1"'),
        PLAIN.replace(",SOP,", ", sop ,"),
        PLAIN.replace(" ", "   "),
        "# made by hand\n\n" + PLAIN.replace("C1", "C1"),
        PLAIN.replace("0.104000", "# a comment\n0.104000"),
        PLAIN.replace("0.104000", "\n0.104000"),
        PLAIN.rstrip("\n"),
        PLAIN.replace("time_s", "time_ms").replace("0.10", "10").replace("1000.", "100."),
    ],
    ids=[
        "no-prefix", "lower-case", "crlf", "byte-order-mark", "semicolon", "tab", "quotes",
        "spaces", "more-spaces", "leading-comment", "comment", "blank-line", "no-last-newline",
        "milliseconds",
    ],
)  # fmt: skip
def test_the_same_log_in_other_dress(text):
    if "time_ms" in text:
        text = PLAIN.replace("time_s", "time_ms")
        for seconds, milli in (("0.100000", "100"), ("0.101500", "101.5"), ("0.104000", "104"), ("0.104700", "104.7")):
            text = text.replace(seconds, milli)
        log = read(text)
        assert log.time_s == pytest.approx([0.1, 0.1015, 0.104, 0.1047], rel=1e-12)
        return
    same(read(text), read(PLAIN))


def test_object_columns_are_read_alike():
    text = "time_s,port,sop,header,object_1,object_2,object_3,object_4\n"
    text += f"0.1,C1,SOP,0x4BA1,{CAPS.replace(' ', ',')}\n0.1015,C1,SOP,0x0A81,,,,\n"
    text += "0.104,C1,SOP,0x1A82,0x1104B12C,,,\n0.1047,C1,SOP,0x0BA1,,,,\n"
    same(read(text), read(PLAIN))


def test_line_numbers_count_comments_and_blank_lines():
    text = "# one\n" + PLAIN.replace("0.104000", "\n# six\n0.104000")
    assert read(text).line.tolist() == [3, 4, 7, 8]


def test_resets_ports_and_other_ordered_sets():
    text = """time_s,port,sop,header,objects
0.3,B,SOP',0x108F,0xFF00A001
0.1,A,HARD_RESET,,
0.2,A,cable_reset,,
"""
    log = read(text)
    assert log.ports == ("A", "B")
    assert log.out_of_order_count == 1
    assert log.time_s.tolist() == [0.1, 0.2, 0.3]
    assert [entry.sop for entry in log.entries()] == [
        Sop.HARD_RESET,
        Sop.CABLE_RESET,
        Sop.SOP_PRIME,
    ]
    assert [entry.message for entry in log.entries("A")] == [None, None]
    assert log.line.tolist() == [3, 4, 2]
    with pytest.raises(LogError, match="no port 'C'; it has A, B"):
        log.rows_of("C")


def test_direction_is_compared_with_the_header():
    text = PLAIN.replace("header,objects", "header,objects,direction").replace(
        "0x1A82,0x1104B12C", "0x1A82,0x1104B12C,from-source"
    )
    text = text.replace(f"{CAPS}", f"{CAPS},from-source").replace("0x0A81,", "0x0A81,,").replace("0x0BA1,", "0x0BA1,,")
    log = read(text)
    assert log.direction.tolist() == [1, 0, 1, 0]
    assert log.direction_conflict_count == 1


def test_crc_column_is_checked():
    # Header and objects of the captured frame; its CRC is 0x05F0FCD5.
    text = f"time_s,port,sop,header,objects,crc\n0.1,C1,SOP,0x4BA1,{CAPS},0x05F0FCD5\n0.2,C1,SOP,0x0A81,,\n"
    assert len(read(text)) == 2
    with pytest.raises(LogError, match=r"line 2, column 'crc': '0x05F0FCD4'; expected the CRC-32"):
        read(text.replace("FCD5", "FCD4"))
    with pytest.raises(LogError, match="expected a 32-bit hexadecimal word, or nothing"):
        read(text.replace("0x05F0FCD5", "crc"))


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("objects", "payload"), r"line 1, column 5: unknown column 'payload'; known are time_s"),
        (("sop,header", "sop,sop"), r"line 1, column 4: column 'sop' is there twice"),
        (("port,", "objects,"), r"line 1, column 5: column 'objects' is there twice"),
        (("time_s", "time_us,time_s"), r"line 1: expected exactly one of time_s, time_ms, time_us"),
        (("0.101500", "later"), r"line 3, column 'time_s': 'later'; expected a finite number"),
        (("0.101500", "inf"), r"line 3, column 'time_s': 'inf'; expected a finite number"),
        (("0.101500", ""), r"line 3, column 'time_s': ''; expected a finite number"),
        (("0x0A81", "0x10A81"), r"line 3, column 'header': '0x10A81'; expected a 16-bit"),
        (("0x0A81", ""), r"line 3, column 'header': ''; expected a 16-bit"),
        (("0x0A81", "+A81"), r"line 3, column 'header': '\+A81'; expected a 16-bit"),
        (("0x1104B12C", "0x1104B12G"), r"line 4, column 'objects': '0x1104B12G'; expected up to 7"),
        (("0x1104B12C", "0x11104B12C"), r"line 4, column 'objects': '0x11104B12C'; expected up"),
        (("0x1104B12C", "1 1"), r"line 4, column 'objects': '1 1'; expected as many objects"),
        (("0x1104B12C", "1 1 1 1 1 1 1 1"), r"line 4, column 'objects': .* expected up to 7"),
        (("C1,SOP,0x0A81", ",SOP,0x0A81"), r"line 3, column 'port': ''; expected the name of a"),
        (("SOP,0x0A81", "SOX,0x0A81"), r"line 3, column 'sop': 'SOX'; expected one of SOP, SOP'"),
        (("SOP,0x0A81", "HARD_RESET,0x0A81"), r"line 3, column 'header': '0x0A81'; expected nothing"),
        (("0x0A81,", "0x0A81,,,"), r"header on line 1: a line does not have its 5 columns"),
    ],
)  # fmt: skip
def test_faults_are_named_with_their_place(change, expected):
    with pytest.raises(LogError, match=expected) as caught:
        read(PLAIN.replace(*change, 1))
    assert str(caught.value).startswith("log.csv")


def test_all_faults_are_told_at_once_up_to_twenty():
    text = PLAIN.replace("SOP,0x0A81", "SOX,0x0A81").replace("0.104700", "x")
    with pytest.raises(LogError) as caught:
        read(text)
    assert len(str(caught.value).splitlines()) == 2
    many = "time_s,port,sop,header\n" + "0.1,A,SOX,0x0081\n" * 30
    with pytest.raises(LogError, match="and 10 more faults"):
        read(many)


def test_extended_messages():
    # 10 bytes in three words, unchunked: object count 0, data size 10 (from memory, medium).
    long = "time_s,port,sop,header,objects\n0.1,A,SOP,0x8191,0000000A 00000000 00000000\n"
    assert read(long).message(0).chunk_data == bytes(10)
    with pytest.raises(LogError, match="as many objects as the header counts"):
        read(long.replace("0000000A", "0000000B"))
    with pytest.raises(LogError, match="as many objects as the header counts"):
        read(long.replace("0000000A", "0000800A"))
    with pytest.raises(LogError, match="the extended header of an extended message"):
        read("time_s,port,sop,header\n0.1,A,SOP,0x8191\n")


def test_empty_and_odd_files(tmp_path):
    with pytest.raises(LogError, match="no header line"):
        read("")
    with pytest.raises(LogError, match="no header line"):
        read("# only a comment\n\n")
    with pytest.raises(LogError, match="'header' is missing"):
        read("time_s,port,sop\n")
    assert len(read("time_s,port,sop,header\n")) == 0
    with pytest.raises(LogError, match="quoted line breaks"):
        read('time_s,port,sop,header\n0.1,"A\nB",SOP,0x0081\n')
    with pytest.raises(LogError, match=r"column 'object_2'.*nothing after a missing object"):
        read("time_s,port,sop,header,object_1,object_2\n0.1,A,SOP,0x1081,,0x1\n")
    path = tmp_path / "a.csv"
    path.write_text(PLAIN, encoding="utf-8")
    same(read_message_log(path), read(PLAIN))


def test_word_files(tmp_path):
    path = tmp_path / "words.txt"
    path.write_text("# set\n0801912C 0x0002D12C\n", encoding="utf-8")
    assert read_words(path) == [0x0801912C, 0x0002D12C]
    path.write_text("0x0801912C\nxyz\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"words\.txt, line 2, column 1: word 2 is 'xyz'"):
        read_words(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LogError, match="not UTF-8"):
        read_words(path)


def test_log_from_messages():
    caps = Message.from_words(0x1BA1, [0x0801912C])
    log = MessageLog.from_messages([(0.0, caps), (0.5, Sop.HARD_RESET)])
    assert log.message(0) == caps
    assert log.message(1) is None
    with pytest.raises(LogError, match="must not go backwards"):
        MessageLog.from_messages([(1.0, caps), (0.0, caps)])
    with pytest.raises(MessageError, match="SOP needs a message"):
        MessageLog.from_messages([(0.0, Sop.SOP)])


def row(time_s, header, objects=(), sop="SOP", port="A"):
    return f"{time_s},{port},{sop},0x{header:04X},{' '.join(f'{word:08X}' for word in objects)}\n"


def log_of(*rows):
    return read("time_s,port,sop,header,objects\n" + "".join(rows))


def test_good_crc_pairing():
    log = log_of(
        row(0.000, 0x1BA1, [0x0801912C]),
        row(0.001, 0x0A81),
        row(0.010, 0x1082, [0x1004B12C]),  # not answered
        row(0.020, 0x01A3),
        row(0.021, 0x0281),  # wrong MessageID
        row(0.030, 0x108F, [0xFF00A001], sop="SOP'"),
        row(0.031, 0x0101),  # on SOP, not on SOP'
        row(0.032, 0x108F, [0xFF00A001], sop="SOP'", port="B"),
        row(0.033, 0x0101, sop="SOP'", port="B"),
    )
    found = match_good_crc(log)
    assert np.flatnonzero(found.delivered).tolist() == [0, 7]
    assert found.answered_by[[0, 7]].tolist() == [1, 8]
    assert np.flatnonzero(found.stray).tolist() == [4, 6]
    assert found.acknowledgements_logged == (True, True)


def test_ports_do_not_mix():
    log = log_of(
        row(0.000, 0x1BA1, [0x0801912C]),
        row(0.0005, 0x03A6, port="B"),
        row(0.001, 0x0A81),
        row(0.0012, 0x0281, port="B"),
    )
    assert match_good_crc(log).delivered.tolist() == [True, True, False, False]


def test_a_log_without_good_crc_says_nothing_against_delivery():
    log = log_of(row(0.0, 0x1BA1, [0x0801912C]), row(0.1, 0x1082, [0x1004B12C]))
    found = match_good_crc(log)
    assert found.delivered.tolist() == [True, True]
    assert found.acknowledgements_logged == (False,)


def test_repeats_are_counted():
    # A public log shows repeats on SOP' 1.9 ms to 2.5 ms apart.
    log = log_of(
        row(0.0000, 0x108F, [0xFF00A001], sop="SOP'"),
        row(0.0019, 0x108F, [0xFF00A001], sop="SOP'"),
        row(0.0044, 0x108F, [0xFF00A001], sop="SOP'"),
        row(0.0500, 0x108F, [0xFF00A001], sop="SOP'"),  # sent afresh
        row(0.1000, 0x1BA1, [0x0801912C]),
        row(0.1020, 0x1BA1, [0x0001912C]),  # same header, other object
        row(0.1030, 0x1AA1, [0x0001912C]),  # from a sink
    )
    assert match_good_crc(log).attempt.tolist() == [0, 1, 2, 0, 0, 0, 0]


@given(st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(0, 6), st.booleans()), max_size=30))
def test_pairing_agrees_with_a_plain_loop(rows):
    text = []
    for at, (drawn, sop, other) in enumerate(rows):
        name = list(Sop)[sop]
        count = 0 if name.is_reset else drawn >> 12 & 7
        header = drawn if count else drawn & 0x7FFF  # an extended message has an extended header
        words = " ".join(["1"] * count)
        word = "" if name.is_reset else f"{header:x}"
        text.append(f"{at / 1000},{'A' if other else 'B'},{name},{word},{words}\n")
    log = read("time_s,port,sop,header,objects\n" + "".join(text))
    found = match_good_crc(log)
    entries = [list(log.entries(port)) for port in log.ports]
    for port, listed in enumerate(entries):
        names = [entry.message.name if entry.message else "" for entry in listed]
        for at, entry in enumerate(listed):
            after = listed[at + 1] if at + 1 < len(listed) else None
            expected = (
                names[at] not in ("", "GoodCRC")
                and after is not None
                and names[at + 1] == "GoodCRC"
                and after.sop == entry.sop
                and after.message.header.message_id == entry.message.header.message_id
            )
            if "GoodCRC" not in names:
                expected = names[at] != ""
            assert found.delivered[entry.index] == expected
        assert found.acknowledgements_logged[port] == ("GoodCRC" in names)


def test_crc_of_a_whole_log_by_zlib():
    rng = np.random.default_rng(3)
    lines = []
    for at in range(200):
        count = int(rng.integers(0, 8))
        words = rng.integers(0, 1 << 32, count, dtype=np.uint32)
        header = 0x0181 | count << 12
        data = header.to_bytes(2, "little") + words.astype("<u4").tobytes()
        text = " ".join(f"{word:08X}" for word in words.tolist())
        lines.append(f"{at},A,SOP,{header:04X},{text},{zlib.crc32(data):08X}\n")
    assert len(read("time_s,port,sop,header,objects,crc\n" + "".join(lines))) == 200
