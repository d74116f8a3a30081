"""Dialects: every fault with its file and key, every command of every role as it is sent."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from brickbook.bench import DialectError, InstrumentError, LinkGarbage, dialect_names, find_dialect, read_dialect
from brickbook.bench.driver import Driver
from brickbook.bench.instruments import AcPowerMeter, AcSource, DcLoad, PdSink, TemperatureLogger
from brickbook.bench.recorded import Exchange, ReplayLink
from brickbook.bench.roles import OPERATIONS
from brickbook.core.instrument import Instrument

VOLTMETER = 'role = "voltmeter"\n[commands]\nread_voltage = "MEAS?"\n'


def driver(name, exchanges, role="", channels=None, dialect=None):
    made = dialect or find_dialect(name)
    link = ReplayLink("it", exchanges)
    return Driver("it", Instrument(role or made.role, channels=channels or {}), made, link), link


def q(sent, answer):
    return Exchange("query", sent, answer)


def w(sent):
    return Exchange("write", sent)


OK = q("SYST:ERR?", '0,"No error"')
DONE = q("*OPC?", "1")


@pytest.mark.parametrize("name", dialect_names())
def test_every_dialect_that_comes_with_the_program_is_whole(name):
    dialect = find_dialect(name)
    assert dialect.title
    assert name == f"scpi-{dialect.role}"
    needed = {key for key, operation in OPERATIONS[dialect.role].items() if operation.needed}
    assert needed <= set(dialect.commands) <= set(OPERATIONS[dialect.role])


def test_there_is_a_dialect_for_every_role_that_is_spoken_to():
    assert {find_dialect(name).role for name in dialect_names()} == set(OPERATIONS)


def test_a_source_is_set_and_read_back():
    session = [
        w("SOUR:FREQ 60.00"), OK, w("SOUR:VOLT 115.00"), OK,
        q("SOUR:VOLT?", "+1.150000E+02"), q("SOUR:FREQ?", "+6.0E+01"),
        w("OUTP ON"), DONE, OK, q("OUTP?", "1"),
    ]  # fmt: skip
    made, link = driver("scpi-ac-source", session)
    source = AcSource(made)
    source.set(115.0, 60.0)
    source.on()
    assert link.left == []


def test_a_source_that_reads_back_otherwise_is_refused():
    made, _ = driver("scpi-ac-source", [w("SOUR:FREQ 50.00"), OK, w("SOUR:VOLT 230.00"), OK, q("SOUR:VOLT?", "115.0")])
    with pytest.raises(InstrumentError, match="reads back as 115"):
        AcSource(made).set(230.0, 50.0)
    made, _ = driver("scpi-ac-source", [w("OUTP OFF"), DONE, OK, q("OUTP?", "ON")])
    with pytest.raises(InstrumentError, match="AS ON"):
        AcSource(made).off()


def test_a_load_draws_and_is_read_back():
    session = [
        w("SOUR:CURR 1.5000,(@2)"), OK, q("SOUR:CURR? (@2)", "1.5"), w("INP ON,(@2)"), OK, q("INP? (@2)", "1"),
        q("MEAS:VOLT? (@1,2)", "5.01,9.02"), q("MEAS:CURR? (@1,2)", "0,1.499"),
    ]  # fmt: skip
    made, link = driver("scpi-dc-load", session, channels={"C1": "1", "C2": "2"})
    load = DcLoad(made)
    load.set("C2", 1.5)
    assert load.read(["C1", "C2"]) == {
        "port_voltage_v@C1": 5.01, "port_voltage_v@C2": 9.02, "port_current_a@C1": 0.0, "port_current_a@C2": 1.499
    }  # fmt: skip
    assert link.left == []


def test_an_error_in_the_queue_is_reported_and_raised():
    told = []
    session = [w("SOUR:CURR 99.0000,(@1)"), q("SYST:ERR?", '-222,"Data out of range"'), OK]
    dialect = find_dialect("scpi-dc-load")
    made = Driver(
        "it", Instrument("dc-load", channels={"C1": "1"}), dialect, ReplayLink("it", session), lambda *a: told.append(a)
    )
    with pytest.raises(InstrumentError, match="-222"):
        DcLoad(made).set("C1", 99.0)
    assert told == [("it", '-222,"Data out of range"')]


def test_numbers_beyond_the_range_are_no_readings():
    answer = "+2.300000E+02,+9.900000E+37,-9.9E37,9.91E37,NAN,INF"
    made, _ = driver("scpi-ac-power-meter", [q("READ?", answer)])
    found = AcPowerMeter(made).read()
    assert found["mains_voltage_v"] == 230.0
    assert [v for v in found.values() if v is not None] == [230.0]


@pytest.mark.parametrize("answer", ["", "1,2", "1,2,3,4,5,6,7", "a,b,c,d,e,f"])
def test_an_answer_of_another_form_is_garbage_and_the_link_is_opened_anew(answer):
    session = [q("READ?", answer), Exchange("reopen", ""), q("*IDN?", "A"), OK]
    made, link = driver("scpi-ac-power-meter", session)
    with pytest.raises(LinkGarbage):
        AcPowerMeter(made).read()
    assert link.left == []


def test_another_instrument_behind_the_address_is_noticed():
    made, _ = driver("scpi-voltmeter", [q("*IDN?", "A,B"), Exchange("reopen", ""), q("*IDN?", "C,D")])
    made.identify()
    with pytest.raises(InstrumentError, match="it was 'A,B' before"):
        made.recover()


def test_a_sink_is_asked_in_millivolts():
    session = [
        q("SINK:CAP? (@1)", "0x0801912C,0x0002D12C"),
        w("SINK:REQ 2,9000,3000,(@1)"), DONE, OK, q("SINK:CONT? (@1)", "2,9000,3000"),
        q("SINK:CAP? (@1)", "NONE"), q("SINK:LEG? (@1)", '"5 V 3 A;9 V 2 A"'),
    ]  # fmt: skip
    made, link = driver("scpi-pd-sink", session, channels={"C1": "1"})
    sink = PdSink(made)
    assert sink.words("C1") == "0x0801912C 0x0002D12C"
    agreed = sink.request("C1", 2, 9.0, 3.0)
    assert (agreed.position, agreed.voltage_v, agreed.current_a) == (2, pytest.approx(9.0), pytest.approx(3.0))
    assert sink.words("C1") == ""
    assert sink.legacy("C1") == "5 V 3 A;9 V 2 A"
    assert link.left == []


def test_a_logger_names_its_places():
    made, _ = driver(
        "scpi-temperature-logger", [q("MEAS:TEMP? (@101,103)", "41.5,22.1")], channels={"case": "101", "ambient": "103"}
    )
    assert TemperatureLogger(made).read() == {"temperature_c@case": 41.5, "ambient_c": 22.1}


OWN = """
title = "a load that wants milliamperes, one channel at a time, words around its numbers"
role = "dc-load"
[link]
write_termination = "\\r\\n"
timeout_s = 0.5
[errors]
ask = ""
[commands]
set_current = { send = "I{channel}={current_a:.0f}", factor = 1000 }
input_on = "ON {channel}"
input_off = "OFF {channel}"
input_state = { ask = "ST{channel}?", words = { on = ["RUN", "CC"], off = "STOP" } }
read_voltage = { ask = "V{channel}?", pattern = 'U=([-+0-9.]+)mV', scale = 0.001 }
read_current = { ask = "I{channel}?", pattern = 'I=([-+0-9.]+)', scale = 0.001 }
"""


def test_an_instrument_with_words_of_its_own():
    dialect = read_dialect("own", "dialects/own.toml", OWN)
    assert dialect.link.write_termination == "\r\n"
    session = [
        w("I2=1500"), w("ON 2"), q("ST2?", "cc"), q("V1?", "U=5012mV"), q("V2?", "U=9000mV"), q("I1?", "I=-0.0"), q("I2?", "I=1499.5"),
    ]  # fmt: skip
    made, link = driver("", session, channels={"C1": "1", "C2": "2"}, dialect=dialect)
    load = DcLoad(made)
    load.set("C2", 1.5)
    found = load.read(["C1", "C2"])
    assert found["port_voltage_v@C1"] == pytest.approx(5.012)
    assert found["port_current_a@C2"] == pytest.approx(1.4995)
    assert link.left == []


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("role = ", "", "is not TOML"),
        ('title = "x"', "role", "is missing"),
        ('role = "voltmetre"', "role", 'Did you mean "voltmeter"'),
        ('role = "voltmeter"', "commands", "read_voltage is missing"),
        (VOLTMETER + "[lnk]\n", "lnk", 'Did you mean "link"'),
        (VOLTMETER + "[link]\ntimeout_s = 0\n", "link.timeout_s", "above zero"),
        (VOLTMETER + '[link]\nread_termination = ""\n', "link.read_termination", "no answer ever ends"),
        (VOLTMETER + '[identity]\nexpect = "("\n', "identity.expect", "no regular expression"),
        (VOLTMETER.replace("read_voltage", "read_volts"), "commands.read_volts", 'Did you mean "read_voltage"'),
        (VOLTMETER.replace('"MEAS?"', "3"), "commands.read_voltage", "a table or a text"),
        (VOLTMETER.replace('"MEAS?"', '{ send = "X" }'), "commands.read_voltage", "needs ask"),
        (VOLTMETER.replace("MEAS?", "MEAS? {port}"), "commands.read_voltage", "{port}"),
        (VOLTMETER.replace("MEAS?", "MEAS? {channel"), "commands.read_voltage", "{{"),
        (VOLTMETER.replace("MEAS?", "MEAS? {channel:.2f}"), "commands.read_voltage", "cannot be filled in"),
        (VOLTMETER.replace('"MEAS?"', '{ ask = "M?", gives = ["volts"] }'), "commands.read_voltage.gives", "voltage_v"),
        (VOLTMETER.replace('"MEAS?"', '{ ask = "M?", scale = { volts = 2 } }'), "commands.read_voltage.scale.volts", ""),
        (VOLTMETER.replace('"MEAS?"', '{ ask = "M?", scale = "2" }'), "commands.read_voltage.scale", "a number or a table"),
        (VOLTMETER.replace('"MEAS?"', '{ ask = "M?", pattern = "U=.*" }'), "commands.read_voltage.pattern", "no group"),
        ('role = "ac-power-meter"\n[commands]\nread = "R?"\n', "commands.read", "needs gives"),
        ('role = "ac-power-meter"\n[commands.read]\nask="R?"\ngives=["mains_powr_w"]\n', "commands.read.gives", "mains_power_w"),
        ('role = "ac-power-meter"\n[commands.read]\nask="R?"\ngives=["mains_harmonic_a"]\n', "commands.read.gives", "channel"),
    ],
)  # fmt: skip
def test_a_fault_names_file_key_and_remedy(text, place, words):
    with pytest.raises(DialectError) as told:
        read_dialect("own", "dialects/own.toml", text)
    faults = [fault for fault in told.value.faults if fault.place == place]
    assert faults, told.value
    assert faults[0].file == "dialects/own.toml"
    assert words in str(faults[0])


def test_all_faults_are_told_at_once():
    with pytest.raises(DialectError) as told:
        read_dialect("own", "own.toml", 'role = "dc-load"\n[commands]\ninput_onn = "X"\n[linc]\n')
    assert len(told.value.faults) > 6


def test_a_testers_own_file_goes_before_one_of_that_name(tmp_path):
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "scpi-voltmeter.toml").write_text(VOLTMETER)
    (tmp_path / "dialects" / "mine.toml").write_text(VOLTMETER)
    assert find_dialect("scpi-voltmeter", tmp_path).commands["read_voltage"].ask == "MEAS?"
    assert "mine" in dialect_names(tmp_path)
    assert find_dialect("mine", tmp_path).file == "dialects/mine.toml"
    with pytest.raises(DialectError, match='Did you mean "mine"'):
        find_dialect("mien", tmp_path)


@settings(deadline=None)
@given(st.text(max_size=200))
def test_no_text_makes_anything_but_a_dialect_or_its_faults(text):
    with pytest.raises(DialectError):
        read_dialect("own", "own.toml", text)
