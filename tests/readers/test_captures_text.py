"""Captures as text: the shapes scopes write, and files that must be refused or flagged."""

import numpy as np
import polars as pl
import pytest

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile
from brickbook.readers import captures_csv
from brickbook.readers.captures import read_capture

N = 200
TIME = np.arange(N) * 1e-6 - 1e-5
VOLTS = 5 + 0.01 * np.sin(np.arange(N))
ROWS = "".join(f"{t:.9e},{v:.6f}\n" for t, v in zip(TIME, VOLTS, strict=True))


def read(folder, text, **conditions):
    path = folder / "a.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    given = Conditions.of({"port": "C1", **{k.replace("__", "@"): v for k, v in conditions.items()}})
    return read_capture("capture-text", path, name="a.csv", raw=RawFile("a.csv", "0"), conditions=given)


def refused(folder, text, **conditions):
    with pytest.raises(ReadError) as caught:
        read(folder, text, **conditions)
    return str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "time,CH1\n" + ROWS,
        ROWS,
        "Record Length,200,points\nSample Interval,1.0E-06,s\nNote,hello\nTIME,CH1\n" + ROWS,
        "Time (us),CH1 (mV)\n" + "".join(f"{1e6 * t:.4f},{1e3 * v:.3f}\n" for t, v in zip(TIME, VOLTS, strict=True)),
        ("t;U\ns;mV\n" + "".join(f"{t:.9e};{1e3 * v:.3f}\n" for t, v in zip(TIME, VOLTS, strict=True))).replace(
            ".", ","
        ),
        "time\tCH1\r\n" + ROWS.replace(",", "\t").replace("\n", "\r\n"),
        "time CH1\n" + ROWS.replace(",", "   "),
        "time,CH1,\n" + ROWS.replace("\n", ",\n"),
        "\ufefftime,CH1\n" + ROWS,
        ("time;CH1\r\n" + ROWS.replace(",", ";").replace(".", ",").replace("\n", "\r\n")).encode("utf-16"),
        "Sample rate: 1 MS/s\nStart time: -10 us\nIndex,Voltage (V)\n"
        + "".join(f"{k},{v:.6f}\n" for k, v in enumerate(VOLTS)),
        "".join(
            f"{k},{value},{unit},{t:.9e},{v:.6f},\n"
            for (k, value, unit), t, v in zip(
                [("Record Length", "200", "points"), ("Sample Interval", "1e-6", "s")] + [("", "", "")] * (N - 2),
                TIME,
                VOLTS,
                strict=True,
            )
        ),
    ],
    ids=[
        "header",
        "no header",
        "words before",
        "units in brackets",
        "unit row and decimal comma",
        "tabs",
        "blanks",
        "trailing delimiter",
        "byte order mark",
        "utf-16",
        "index and rate",
        "words in the rows",
    ],
)
def test_shapes_give_the_same_capture(tmp_path, text):
    got = read(tmp_path, text)
    assert got.interval_s == pytest.approx(1e-6, rel=1e-9)
    assert got.start_s == pytest.approx(-1e-5)
    assert [c.column for c in got.channels] == ["port_voltage_v@C1"]
    np.testing.assert_allclose(got.channels[0].values(), np.round(VOLTS, 6), atol=2e-9)
    assert got.notes == ()


def test_two_channels_with_settings_of_their_own(tmp_path):
    rows = "".join(f"{t:.9e},{v:.6f},{0.01 * v:.6f}\n" for t, v in zip(TIME, VOLTS, strict=True))
    got = read(
        tmp_path,
        "time,CH1,CH2\n" + rows,
        column__CH1="port_voltage_v",
        column__CH2="port_current_a@C1",
        probe_ratio__CH1=10.0,
        probe_applied__CH1=False,
        gain__CH2=100.0,
        full_scale__CH1=40.0,
        bits=8,
        coupling__CH1="dc",
        mains_v=230.0,
    )
    volts, amps = got.channels
    np.testing.assert_allclose(volts.values(), 10 * VOLTS, atol=1e-5)
    np.testing.assert_allclose(amps.values(), VOLTS, atol=1e-4)
    assert (volts.setting.step, volts.setting.coupling, amps.setting.full_scale) == (40 / 256, "dc", None)
    # settings describe the scope, not the charger
    assert dict(got.conditions) == {"port": "C1", "mains_v": 230.0}


def test_scaled_integers_use_the_words_before_them(tmp_path):
    codes = np.round(128 + 20 * np.sin(np.arange(N))).astype(int)
    head = "Sample interval,1e-6\nY increment,0.002\nY reference,128\nY origin,5\nindex,code\n"
    got = read(tmp_path, head + "".join(f"{k},{c}\n" for k, c in enumerate(codes)))
    np.testing.assert_allclose(got.channels[0].values(), (codes - 128) * 0.002 + 5)


def test_pairs_of_equal_times_are_peak_detect(tmp_path):
    rows = "".join(f"{t:.9e},{v:.6f}\n" for t, v in zip(np.repeat(TIME[::2], 2), VOLTS, strict=True))
    got = read(tmp_path, "time,CH1\n" + rows)
    assert got.acquisition == "peak-detect"
    assert got.interval_s == pytest.approx(1e-6)


def test_times_with_too_few_digits_are_rebuilt_and_said(tmp_path):
    n = 20_000
    rows = "".join(f"{10 + k * 1e-6:.5f},{VOLTS[k % N]:.6f}\n" for k in range(n))
    got = read(tmp_path, "time,CH1\n" + rows)
    assert got.interval_s == pytest.approx(1e-6, rel=1e-3)
    assert "too few digits" in got.notes[0]
    short = "".join(f"{10 + k * 1e-6:.5f},{VOLTS[k % N]:.6f}\n" for k in range(200))
    assert "too few digits" in refused(tmp_path, "time,CH1\n" + short)
    # stated, it can be read
    assert read(tmp_path, "time,CH1\n" + short, interval_s=1e-6).interval_s == 1e-6


def test_missing_samples_are_counted(tmp_path):
    lines = ("time,CH1\n" + ROWS).splitlines()
    for k, word in ((5, "NaN"), (50, "OVLD"), (90, "9.9E+37"), (120, "")):
        lines[k] = lines[k].split(",")[0] + "," + word
    got = read(tmp_path, "\n".join(lines) + "\n")
    assert int(np.isnan(got.channels[0].values()).sum()) == 4
    assert "4 samples of CH1" in got.notes[0]
    assert "line 6" in got.notes[0]


def test_a_cut_file_is_said_to_be_cut(tmp_path):
    got = read(tmp_path, ("time,CH1\n" + ROWS)[:-12])
    assert got.count == N - 1
    assert "cut short" in got.notes[0]


def test_announced_length_is_compared(tmp_path):
    got = read(tmp_path, "Record Length,300,points\nTIME,CH1\n" + ROWS)
    assert "300 samples are announced, 200 are there" in got.notes[0]


@pytest.mark.parametrize(
    ("text", "conditions", "words"),
    [
        ("", {}, "is empty"),
        ("\n\n", {}, "is empty"),
        ("hello world\nthis is a letter\n", {}, "no rows of numbers"),
        (bytes(range(256)) * 20, {}, "no rows of numbers"),
        ("Sample Interval,2.0E-06,s\nTIME,CH1\n" + ROWS, {}, "its head says 2e-06"),
        ("time,CH1\n" + ROWS + ROWS, {}, "runs backwards"),
        ("time,CH1\n" + ROWS + ROWS.replace("e-0", "e-01").replace("e-011", "e-03"), {}, "jump|runs backwards"),
        ("time,CH1 (A)\n" + ROWS, {"column__CH1 (A)": "port_voltage_v"}, "unit of something else"),
        ("time,CH1\n" + ROWS, {"probe_ratio": 10.0}, "probe_applied"),
        ("time,CH1\n" + ROWS, {"interval_s": 3e-6}, "1e-06"),
        ("time,CH1\n" + ROWS, {"bits": "eight"}, "is a number"),
        ("time,CH1\n" + ROWS, {"full_scale": -1.0}, "above 0"),
        ("time,CH1\n" + ROWS, {"coupling": "gnd"}, "none of dc, ac"),
        ("time,CH1\n" + ROWS, {"column": "no_such_thing"}, "not a quantity"),
        ("CH1\n" + "".join(f"{v:.6f}\n" for v in VOLTS), {}, "how far apart"),
    ],
)
def test_what_cannot_be_trusted_is_refused(tmp_path, text, conditions, words):
    import re

    assert re.search(words, refused(tmp_path, text, **conditions))


def test_a_jump_in_time_is_named_with_its_line(tmp_path):
    later = "".join(f"{t + 1e-3:.9e},{v:.6f}\n" for t, v in zip(TIME, VOLTS, strict=True))
    told = refused(tmp_path, "time,CH1\n" + ROWS + later)
    assert "line 202" in told
    assert "jumps" in told


def test_the_stream_is_what_the_library_reads_at_once(tmp_path, monkeypatch):
    rng = np.random.default_rng(2)
    path = tmp_path / "b.csv"
    table = pl.DataFrame({"time": np.round(np.arange(30_000) * 1e-7, 7), "CH1": rng.standard_normal(30_000)})
    table.write_csv(path)
    monkeypatch.setattr(captures_csv, "_PIECE", 10_007)
    raw = RawFile("b.csv", "0")
    got = read_capture("capture-text", path, name="b.csv", raw=raw, conditions=Conditions.of(port="C1"))
    np.testing.assert_array_equal(got.channels[0].values(), table["CH1"].to_numpy())
    np.testing.assert_array_equal(got.channels[0].values(12_345, 12_400), table["CH1"].to_numpy()[12_345:12_400])
