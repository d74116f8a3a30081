"""Binary captures: what the standard library, NumPy, SciPy and polars write comes back; damaged files are refused."""

import io
import struct
import wave

import numpy as np
import polars as pl
import pytest
from scipy.io import wavfile

from brickbook.core.conditions import Conditions
from brickbook.core.errors import ReadError
from brickbook.core.table import RawFile, Recording
from brickbook.readers import captures_store
from brickbook.readers.captures import CapturePart, capture_reader_for, join_captures, read_capture

N = 1000
VOLTS = 5 + 0.01 * np.sin(np.arange(N))


def read(folder, name, data, **conditions):
    path = folder / name
    path.write_bytes(data)
    given = Conditions.of({"port": "C1", **{k.replace("__", "@"): v for k, v in conditions.items()}})
    return read_capture(capture_reader_for(name), path, name=name, raw=RawFile(name, "0"), conditions=given)


def refused(*arguments, **conditions):
    with pytest.raises(ReadError) as caught:
        read(*arguments, **conditions)
    return str(caught.value)


def npy(array):
    out = io.BytesIO()
    np.save(out, array)
    return out.getvalue()


def npz(**arrays):
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return out.getvalue()


@pytest.mark.parametrize("dtype", ["<f4", ">f4", "<f8", ">f8", "<i2", ">i2", "<i4", "i1", "u1", "<u2"])
def test_numpy_arrays_of_every_kind(tmp_path, dtype):
    codes = (100 + 20 * np.sin(np.arange(N))).astype(dtype)
    got = read(tmp_path, "a.npy", npy(codes), sample_rate_hz=1e6, gain=0.01, offset=-1.0)
    np.testing.assert_allclose(got.channels[0].values(), codes.astype(float) * 0.01 - 1.0, rtol=1e-6)
    np.testing.assert_allclose(got.channels[0].values(7, 12), codes[7:12].astype(float) * 0.01 - 1.0, rtol=1e-6)


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("turned", [False, True])
def test_numpy_arrays_of_two_channels(tmp_path, order, turned):
    table = np.stack([VOLTS, VOLTS / 10], axis=1).astype(np.float32)
    array = np.array(table.T if turned else table, order=order)
    got = read(
        tmp_path,
        "a.npy",
        npy(array),
        interval_s=1e-6,
        **{"column__channel 1": "port_voltage_v", "column__channel 2": "port_current_a"},
    )
    for k in range(2):
        np.testing.assert_array_equal(got.channels[k].values(), table[:, k].astype(float))


def test_bare_codes_are_not_taken_for_volts(tmp_path):
    assert "codes" in refused(tmp_path, "a.npy", npy(VOLTS.astype(np.int16)), sample_rate_hz=1e6)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (npy(VOLTS)[:-3], "cut short"),
        (npy(VOLTS)[:40], "not a NumPy array"),
        (b"\x93NUMPY" + b"\xff" * 100, "not a NumPy array"),
        (npy(np.array(["a", "b"])), "not numbers"),
        (npy(np.array([{}], dtype=object)), "not numbers"),
        (npy(np.zeros((2, 3, 4))), "shape"),
        (npy(np.zeros(0)), "shape"),
    ],
)
def test_damaged_arrays_are_refused(tmp_path, data, words):
    assert words in refused(tmp_path, "a.npy", data, sample_rate_hz=1e6)


def test_archives_tell_time_and_names(tmp_path):
    time_s = np.arange(N) * 2e-6 + 1.0
    data = npz(time_s=time_s, port_voltage_v=VOLTS, mains_current_a=VOLTS / 5, note=np.array("hello"))
    got = read(tmp_path, "a.npz", data)
    assert got.interval_s == pytest.approx(2e-6)
    assert got.start_s == 1.0
    assert [c.column for c in got.channels] == ["port_voltage_v@C1", "mains_current_a"]
    np.testing.assert_array_equal(got.channels[1].values(), VOLTS / 5)
    rate = npz(sample_rate_hz=1e6, **{"port_voltage_v@C1": VOLTS})
    assert read(tmp_path, "b.npz", rate).interval_s == pytest.approx(1e-6)
    assert "differ in length" in refused(tmp_path, "c.npz", npz(fs=1.0, a=VOLTS, b=VOLTS[:-1]))
    assert "damaged" in refused(tmp_path, "d.npz", data[:-60])


@pytest.mark.parametrize(
    ("dtype", "scale"), [(np.uint8, 2**8), (np.int16, 2**16), (np.int32, 2**32), (np.float32, 2.0)]
)
def test_sound_files_of_scipy(tmp_path, dtype, scale):
    wanted = 0.5 * np.sin(np.arange(N) / 7)
    if dtype == np.float32:
        stored = wanted.astype(dtype)
    else:
        stored = np.round(wanted * (scale / 2 - 1)).astype(np.int64) + (128 if dtype == np.uint8 else 0)
        stored = stored.astype(dtype)
    path = tmp_path / "a.wav"
    wavfile.write(path, 48_000, stored)
    got = read(tmp_path, "a.wav", path.read_bytes(), full_scale=2.0)
    np.testing.assert_allclose(got.channels[0].values(), wanted, atol=2.1 / scale if scale > 2 else 1e-7)
    assert got.sample_rate_hz == pytest.approx(48_000)


def test_sound_files_of_24_bits_and_two_channels(tmp_path):
    codes = np.stack([np.arange(-N, N, 2) * 4000, np.arange(N, -N, -2) * 3000], axis=1).astype("<i4")
    path = tmp_path / "a.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(3)
        out.setframerate(96_000)
        out.writeframes(codes.reshape(-1, 1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
    got = read(
        tmp_path,
        "a.wav",
        path.read_bytes(),
        gain=1e-6,
        **{"column__channel 1": "port_voltage_v", "column__channel 2": "mains_current_a"},
    )
    for k in range(2):
        np.testing.assert_allclose(got.channels[k].values(), codes[:, k] * 1e-6)


def test_damaged_sound_files(tmp_path):
    out = io.BytesIO()
    wavfile.write(out, 8000, np.arange(N, dtype=np.int16))
    data = out.getvalue()
    assert "full_scale" in refused(tmp_path, "a.wav", data)
    assert "not a WAVE" in refused(tmp_path, "a.wav", b"RIFFxxxxAVI " + data[12:])
    assert "data chunk is missing" in refused(tmp_path, "a.wav", data[:36], gain=1.0)
    cut = read(tmp_path, "a.wav", data[:-201], gain=1.0)
    assert cut.count == N - 101
    assert "cut short" in cut.notes[0]
    compressed = data[:20] + struct.pack("<H", 2) + data[22:]
    assert "kind 2" in refused(tmp_path, "a.wav", compressed, gain=1.0)


def test_parquet(tmp_path):
    out = io.BytesIO()
    table = pl.DataFrame({"time_s": np.arange(N) * 1e-6, "port_voltage_v": VOLTS, "who": ["x"] * N})
    table.with_columns(pl.col("port_voltage_v").set_sorted()).write_parquet(out)
    got = read(tmp_path, "a.parquet", out.getvalue())
    np.testing.assert_array_equal(got.channels[0].values(), VOLTS)
    assert got.interval_s == pytest.approx(1e-6)
    assert "who" in got.notes[0]
    assert "Parquet" in refused(tmp_path, "a.parquet", out.getvalue()[:100])


# IEEE 488.2 8.7.9: # digit count bytes; #14ABCD and #800000004ABCD both hold ABCD
@pytest.mark.parametrize("data", [b"#14ABCD\n", b"#800000004ABCD\n", b"#0ABCD\n"])
def test_blocks_of_the_standard(tmp_path, data):
    got = read(tmp_path, "a.blk", data, sample_type="uint8", gain=1.0, interval_s=1e-3)
    assert got.channels[0].values().tolist() == [65.0, 66.0, 67.0, 68.0]


@pytest.mark.parametrize(("order", "mark"), [("<", "little"), (">", "big")])
def test_blocks_with_scale_factors(tmp_path, order, mark):
    codes = np.round(1000 * np.sin(np.arange(N))).astype(order + "i2")
    head = (
        f"xincrement 1e-6;xorigin -5e-6;yincrement 0.002;yorigin 5;yreference 10;format int;bytes 2;byte order {mark}\n"
    )
    data = head.encode() + f"#4{2 * N}".encode() + codes.tobytes() + b"\n"
    got = read(tmp_path, "a.blk", data)
    np.testing.assert_allclose(got.channels[0].values(), (codes.astype(float) - 10) * 0.002 + 5)
    assert (got.interval_s, got.start_s) == (1e-6, -5e-6)
    assert "cut short" in refused(tmp_path, "a.blk", data[:-30])


@pytest.mark.parametrize(
    ("data", "conditions", "words"),
    [
        (b"ABCD", {}, "no block"),
        (b"#9ABCD", {"sample_type": "uint8"}, "not 9 digits"),
        (b"#14ABCD\n", {"gain": 1.0}, "how many bytes"),
        (b"bytes 1\n#14ABCD\n", {"gain": 1.0}, "signed"),
        (b"#14ABCD\n", {"sample_type": "int16", "gain": 1.0}, "byte of a sample comes first"),
        (b"#13ABC\n", {"sample_type": "int16", "byte_order": "big", "gain": 1.0}, "whole number"),
        (b"#14ABCD\n", {"sample_type": "word"}, "not one of"),
        (b"#14ABCD\n", {"sample_type": "uint8"}, "codes"),
    ],
)
def test_blocks_that_do_not_say_enough(tmp_path, data, conditions, words):
    assert words in refused(tmp_path, "a.blk", data, interval_s=1e-3, **conditions)


def test_a_file_that_shrinks_while_in_use_is_an_error_not_a_number(tmp_path):
    got = read(tmp_path, "a.npy", npy(VOLTS), sample_rate_hz=1e6)
    (tmp_path / "a.npy").write_bytes(npy(VOLTS)[:4000])
    with pytest.raises(ReadError, match="cut short while"):
        got.channels[0].values()


def test_a_long_capture_goes_to_a_temporary_file(tmp_path, monkeypatch):
    monkeypatch.setattr(captures_store, "_IN_MEMORY", 1000)
    spool = captures_store.Spool(2)
    parts = [np.arange(k, k + 77.0) for k in range(0, 770, 77)]
    for part in parts:
        spool.add(part, -part)
    up, down = spool.finish()
    assert up.file is not None
    np.testing.assert_array_equal(up.read(50, 200), np.arange(50, 200))
    np.testing.assert_array_equal(down.read(0, 770), -np.arange(770))


def test_unknown_readers_and_files(tmp_path):
    raw = RawFile("a", "0")
    with pytest.raises(ReadError, match="no reader 'x'"):
        read_capture("x", tmp_path / "a", name="a", raw=raw)
    with pytest.raises(ReadError, match="cannot be read"):
        read_capture("capture-npy", tmp_path / "none.npy", name="none.npy", raw=raw)
    assert capture_reader_for("a.CSV") == "capture-text"
    assert capture_reader_for("a.doc") == ""


def test_captures_join_recordings(tmp_path):
    one = read(tmp_path, "a.npy", npy(VOLTS), sample_rate_hz=1e6, load_a=1.0)
    two = read(tmp_path, "b.npy", npy(VOLTS), sample_rate_hz=1e6, load_a=2.0)
    log = Recording("log", ("efficiency",), (), Conditions.of(port="C1"), notes=("kept",))
    joined = join_captures((log,), (CapturePart(one, "r", ("ripple",)), CapturePart(two, "r", ("ripple", "loadstep"))))
    assert [r.name for r in joined] == ["log", "r"]
    assert joined[0] == log
    assert joined[1].captures == (one, two)
    assert joined[1].studies == ("ripple", "loadstep")
    assert dict(joined[1].conditions) == {"port": "C1"}
