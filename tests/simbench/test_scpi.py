"""The instruments' language against IEEE 488.2 and SCPI-1999."""

import re

import pytest

from brickbook.simbench.scpi import Pending, ScpiDevice, ScpiError, block, channels, number, numbers

NR3 = re.compile(r"[+-]\d\.\d+E[+-]\d\d\Z")


def drive(device, line):
    run = device.run(line)
    try:
        while True:
            assert isinstance(next(run), Pending)
    except StopIteration as done:
        return done.value.decode()


@pytest.fixture
def device():
    made = ScpiDevice("Maker,Model,0,1")
    made.volts = []
    made.command("SOURce:VOLTage[:LEVel]", lambda a: made.volts.append(number(a[0], 0, 300)))
    made.command("SOURce:VOLTage[:LEVel]?", lambda _: numbers(made.volts[-1]))
    made.command("SOURce:FREQuency?", lambda _: numbers(50.0))
    return made


def test_numbers_are_nr3():
    """IEEE 488.2 8.7.4: sign, digits with a point, E, signed exponent; SCPI-1999 7.2.1.4: infinity is 9.9E37."""
    for value in (0.0, 1.5, -2.25e-7, 123456.7, 9.9e37):
        text = numbers(value)
        assert NR3.match(text)
        assert float(text) == pytest.approx(value, rel=1e-7)
    assert numbers(9.9e37) == "+9.9000000E+37"


@pytest.mark.parametrize(("data", "head"), [(b"", b"#10"), (b"abc", b"#13"), (bytes(1234), b"#41234")])
def test_blocks_have_their_length_before_them(data, head):
    """IEEE 488.2 8.7.9, definite length arbitrary block response data."""
    assert block(data) == head + data


def test_short_and_long_forms_optional_nodes_and_any_case(device):
    """SCPI-1999 volume 1, 6.2.1: short form in capitals or the whole word, nothing between; brackets may be left out."""
    for header in ("SOUR:VOLT", "source:voltage:level", ":Sour:Volt:Lev", "SOURCE:VOLT"):
        drive(device, f"{header} 230")
    assert device.volts == [230.0] * 4
    assert drive(device, "SYST:ERR?") == '0,"No error"'
    drive(device, "SOURC:VOLT 1")
    assert drive(device, "SYST:ERR:NEXT?").startswith('-113,"Undefined header')


def test_compound_messages_keep_the_path(device):
    """SCPI-1999 volume 1, 6.2.4: after a semicolon the path goes on, a colon begins at the root; answers by ";"."""
    assert drive(device, "SOUR:VOLT 115;VOLT?;FREQ?;:SOUR:VOLT?;*IDN?").split(";") == [
        "+1.1500000E+02",
        "+5.0000000E+01",
        "+1.1500000E+02",
        "Maker,Model,0,1",
    ]


@pytest.mark.parametrize(
    ("line", "code"),
    [("NONSENSE 1", -113), ("SOUR:VOLT 1000", -222), ("SOUR:VOLT one", -104), ("*XYZ?", -113)],
)
def test_errors_have_the_standards_numbers(device, line, code):
    """SCPI-1999 volume 2, 21.8: -104 data type, -113 undefined header, -222 data out of range."""
    drive(device, line)
    assert drive(device, "SYST:ERR?").startswith(f"{code},")
    assert drive(device, "SYST:ERR?") == '0,"No error"'


def test_the_queue_overflows_and_is_cleared(device):
    """SCPI-1999 volume 2, 21.8.1: the last entry becomes -350; *CLS empties it; *ESR? tells the class (488.2 11.5.1)."""
    assert int(drive(device, "*ESR?")) & 128
    for _ in range(30):
        drive(device, "NONSENSE")
    assert int(drive(device, "*ESR?")) == 32
    answers = [drive(device, "SYST:ERR?") for _ in range(20)]
    assert answers[0].startswith("-113")
    assert answers[-1] == '-350,"Queue overflow"'
    drive(device, "NONSENSE")
    drive(device, "*CLS")
    assert drive(device, "SYST:ERR?") == '0,"No error"'


def test_channel_lists():
    """SCPI-1999 volume 1, 8.3.2."""
    assert channels("(@1,3)") == ("1", "3")
    assert channels("(@101:104, 7)") == ("101", "102", "103", "104", "7")
    for text in ("1,2", "(@a)", "(@1:)", "(@)"):
        with pytest.raises(ScpiError, match="-171"):
            channels(text)
