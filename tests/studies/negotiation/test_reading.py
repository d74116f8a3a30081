"""Message logs and plug events on their way in."""

import numpy as np
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile
from brickbook.readers import read_file
from brickbook.usbpd import MessageLog

RAW = RawFile("log.csv", "0" * 64)
LOG = b"""time_ms,port,sop,header,objects
100,C1,SOP,0x4BA1,0x0B01912C 0x0002D12C 0x0004B12C 0x00064145
101.5,C1,SOP,0x0A81,
400,C1,HARD_RESET,,
"""


def test_a_message_log_keeps_its_rows_lines_and_clock():
    (table,) = read_file("message-log", LOG, name="a.csv", raw=RAW, instruments={"time_s": "recorder"})
    assert isinstance(table.messages, MessageLog)
    np.testing.assert_allclose(table.columns["time_s"], [0.1, 0.1015, 0.4])
    assert table.lines.tolist() == [2, 3, 4]
    assert table.origins["time_s"].instrument == "recorder"
    assert table.messages.message(0).name == "Source_Capabilities"


@pytest.mark.parametrize(
    ("data", "places"),
    [
        (LOG.replace(b"0x0A81", b"0x0A8G"), ["line 3, column 'header'"]),
        (LOG.replace(b"101.5", b"x").replace(b"0x4BA1", b"4BA1Z"), ["line 2, column 'header'", "line 3, column 'time_ms'"]),
        (LOG.replace(b"header,", b"head,"), ["line 1, column 4"]),
        (LOG.splitlines(keepends=True)[0], [""]),
    ],
)  # fmt: skip
def test_a_bad_message_log_names_file_and_places(data, places):
    with pytest.raises(ReadError) as caught:
        read_file("message-log", data, name="a.csv", raw=RAW)
    assert [(fault.file, fault.place) for fault in caught.value.faults] == [("a.csv", place) for place in places]


def test_plug_events_become_a_column_for_each_port():
    data = b"# by hand\ntime_s;port;event\n8,25;C1;plug\n\n9;C2;Plug\n12,5;C1;unplug\n"
    (table,) = read_file("port-events", data, name="e.csv", raw=RAW, conditions=Conditions.of(mains_v=230.0))
    assert table.columns["time_s"].tolist() == [8.25, 9.0, 12.5]
    np.testing.assert_array_equal(table.columns["plugged@C1"], [1.0, np.nan, 0.0])
    np.testing.assert_array_equal(table.columns["plugged@C2"], [np.nan, 1.0, np.nan])
    assert table.lines.tolist() == [3, 5, 6]
    assert table.conditions["mains_v"] == 230.0


@pytest.mark.parametrize(
    ("data", "place", "words"),
    [
        (b"time_s,port,event\nsoon,C1,plug\n", "line 2, time_s", "'soon' is not a time"),
        (b"time_s,port,event\n1,,plug\n", "line 2, port", "no port"),
        (b"time_s,port,event\n1,C1,pull\n", "line 2, event", "'pull' is not an event"),
        (b"time_s,port,event\n2,C1,plug\n1,C1,unplug\n", "line 3", "before the row above"),
        (b"time_s,port,event\n", "line 1", "no event"),
        (b"time_s,port\n1,C1\n", "line 1", "expected time_s,port,event,note"),
    ],
)
def test_bad_plug_events_say_where_and_what(data, place, words):
    with pytest.raises(ReadError) as caught:
        read_file("port-events", data, name="e.csv", raw=RAW)
    (fault,) = caught.value.faults
    assert fault.place == place
    assert words in fault.problem
