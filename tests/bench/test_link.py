"""Traps of VISA over sockets, each met on a real socket."""

import contextlib
import socket
import threading
import time

import pytest

from brickbook.bench.errors import LinkError, LinkGarbage, LinkTimeout
from brickbook.bench.link import LinkSettings, VisaLink
from brickbook.bench.recorded import Exchange, RecordingLink, ReplayLink


class Toy:
    """Answers by a table; each answer is bytes, with a delay."""

    def __init__(self, table):
        self.table, self.connections = table, 0
        self.server = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self.server.getsockname()[1]}::SOCKET"
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self):
        while True:
            try:
                client, _ = self.server.accept()
            except OSError:
                return
            self.connections += 1
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client):
        with contextlib.suppress(OSError), client, client.makefile("rb") as lines:  # the other side may go at any time
            for line in lines:
                answer = self.table.get(line.rstrip(b"\n").decode())
                if answer is not None:
                    time.sleep(answer[0])
                    client.sendall(answer[1])


def block(data):
    return b"#%d%d" % (len(str(len(data))), len(data)) + data + b"\n"


@pytest.fixture
def toy():
    made = Toy(
        {
            "*IDN?": (0, b"A,B,C,1\n"),
            "LATE?": (0.35, b"late\n"),
            "NOISE?": (0, b"\xff\xfe\x80\n"),
            "BLOCK?": (0, block(b"\n" * 300 + bytes(range(256)))),
            "HALF?": (0, b"#3900" + b"x" * 10),
            "NOBLOCK?": (0, b"12.5\n"),
            "FOREVER?": (0, b"#0abc\n"),
        }
    )
    yield made
    made.server.close()


@pytest.fixture
def link(toy):
    made = VisaLink("meter", toy.address, LinkSettings(timeout_s=0.2))
    yield made
    made.close()


def test_a_question_has_its_answer_without_terminations(link):
    assert link.query("*IDN?") == "A,B,C,1"


def test_a_dead_port_is_told_at_the_first_question():
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"
    with pytest.raises(LinkError) as told:
        VisaLink("meter", address, LinkSettings(timeout_s=0.2)).query("*IDN?")
    assert "instrument meter" in str(told.value)


@pytest.mark.parametrize("address", ["nonsense", "TCPIP::127.0.0.1::SOCKET", "ASRL/dev/none::INSTR"])
def test_an_address_that_is_none_is_a_link_error(address):
    with pytest.raises(LinkError, match="meter"):
        VisaLink("meter", address).query("*IDN?")


def test_a_late_answer_is_not_taken_for_the_next_one_once_reopened(link):
    with pytest.raises(LinkTimeout):
        link.query("LATE?")
    link.reopen()
    time.sleep(0.3)
    assert link.query("*IDN?") == "A,B,C,1"


def test_without_reopening_the_late_answer_would_be_taken(link):
    """The trap itself: were this to pass no longer, reopening could be spared."""
    with pytest.raises(LinkTimeout):
        link.query("LATE?")
    time.sleep(0.3)
    assert link.query("*IDN?") == "late"


def test_bytes_that_are_no_text_are_garbage(link):
    with pytest.raises(LinkGarbage):
        link.query("NOISE?")


def test_a_block_full_of_line_feeds_is_whole_and_the_line_in_step_after_it(link):
    assert link.read_block("BLOCK?") == b"\n" * 300 + bytes(range(256))
    assert link.query("*IDN?") == "A,B,C,1"


@pytest.mark.parametrize(
    ("question", "error"), [("HALF?", LinkTimeout), ("NOBLOCK?", LinkGarbage), ("FOREVER?", LinkGarbage)]
)
def test_a_block_that_is_none_is_an_error(link, question, error):
    with pytest.raises(error):
        link.read_block(question)
    link.reopen()
    assert link.query("*IDN?") == "A,B,C,1"


def test_two_messages_in_a_row_do_not_wait_for_an_acknowledgement(link):
    begin = time.monotonic()
    for _ in range(10):
        link.write("SET 1")
        link.query("*IDN?")
    assert time.monotonic() - begin < 0.2  # 40 ms each with the system's delay of small messages


def test_a_closed_link_says_so(link):
    link.close()
    link.close()
    with pytest.raises(LinkError, match="closed"):
        link.query("*IDN?")


def test_a_recorded_session_plays_again_and_refuses_what_departs(link):
    recorder = RecordingLink(link)
    recorder.write("SET 1")
    recorder.query("*IDN?")
    recorder.read_block("BLOCK?")
    with pytest.raises(LinkTimeout):
        recorder.query("LATE?")
    replay = ReplayLink("meter", recorder.exchanges)
    replay.write("SET 1")
    assert replay.query("*IDN?") == "A,B,C,1"
    assert len(replay.read_block("BLOCK?")) == 556
    with pytest.raises(LinkTimeout):
        replay.query("LATE?")
    with pytest.raises(LinkError, match="nothing more"):
        replay.query("*IDN?")
    with pytest.raises(LinkError, match="query 'A"):
        ReplayLink("meter", [Exchange("query", "A?", "1")]).query("B?")
