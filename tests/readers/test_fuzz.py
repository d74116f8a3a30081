"""Whatever the bytes: a table, or a `ReadError` that names the file; never another exception, never a silent loss."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile
from brickbook.readers import guess_shape, matching_shape, read_hand_sheet, read_table

BASES = [
    b"Meter\n\nTime (s),U C1 (V),I C1 (mA)\n0,20.1,5\n1,20.2,OL\n2,20.3,7\n",
    "Datum;Uhrzeit;Leistung [W]\n03.10.2026;10:22:00;1,5\n03.10.2026;10:22:01;2,5;\n".encode("utf-16"),
    b'"t","item","value","unit"\n0,"Voltage C1",5,V\n1,"Current C1",5,mA\n',
    b"  Time   Power\n  [s]  [W]\n  0.0  10\n  1.0  11\n",
]
PIECES = [
    b",",
    b";",
    b"\t",
    b'"',
    b"\n",
    b"\r",
    b"\0",
    b" ",
    b"#",
    b"-",
    b"9.9E37",
    b"1e999",
    b"\xff",
    b"[V]",
    b"2026-",
    b":",
    b"|",
]

mutations = st.lists(st.tuples(st.integers(0, 200), st.sampled_from(PIECES), st.booleans()), max_size=4)


def mutate(data: bytes, changes) -> bytes:
    for wanted, piece, instead in changes:
        at = min(wanted, len(data))
        data = data[:at] + piece + data[at + (len(piece) if instead else 0) :]
    return data


def attempt(run):
    """The outcome, or `None` when it was refused in good order; any other exception fails the test."""
    try:
        return run()
    except ReadError as error:
        refused = error
    assert all(fault.file in ("x", "the file") and fault.problem for fault in refused.faults)
    return None


def read(data, shape):
    return attempt(
        lambda: read_table(data, name="x", raw=RawFile("x", "0"), shape=shape, conditions=Conditions.of(port="C1"))
    )


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(BASES), mutations)
def test_a_changed_log_is_read_or_refused(base, changes):
    data = mutate(base, changes)
    shapes = [guess_shape(other, "x").shape for other in BASES]
    guess = attempt(lambda: guess_shape(data, "x"))
    attempt(lambda: matching_shape(data, shapes))
    for shape in [*shapes, *([guess.shape] if guess else [])]:
        table = read(data, shape)
        if table is not None:
            assert all(len(column) == len(table.lines) for column in table.columns.values())
            assert (table.lines >= 1).all()
            assert (table.lines <= data.count(b"\n") + data.count(b"\r") + 1).all()
    if guess and guess.shape.header_row:
        assert matching_shape(data, [guess.shape]) == guess.shape


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(data):
    attempt(lambda: guess_shape(data, "x"))
    attempt(lambda: read_hand_sheet(data, name="x", raw=RawFile("x", "0")))
    attempt(lambda: read_hand_sheet(b"quantity,value,unit\n" + data, name="x", raw=RawFile("x", "0")))


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=120))
def test_any_text(text):
    for encoding in ("utf-8", "utf-16"):
        data = text.encode(encoding, "replace")
        guess = attempt(lambda: guess_shape(data, "x"))  # noqa: B023 - run at once
        if guess is not None:
            read(data, guess.shape)
