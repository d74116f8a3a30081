"""Binary captures: NumPy arrays, sound files, Parquet, and the blocks instruments send over a bus.

Samples are left in the file wherever it holds them plainly, so that a file of any size opens at once.
"""

from __future__ import annotations

import re
import struct
import tokenize
import zipfile
import zlib
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import polars as pl
from numpy.typing import NDArray

from brickbook.core.capture import Capture, Samples
from brickbook.readers.captures_head import Head, read_head
from brickbook.readers.captures_labels import Found, Labels, capture_of
from brickbook.readers.captures_store import FileSamples, Spool
from brickbook.readers.captures_time import TimeCheck

__all__ = ["read_block", "read_numpy", "read_numpy_archive", "read_parquet", "read_wave"]

_PIECE = 1 << 20  # samples unpacked at a time
_HEAD = 1 << 16  # bytes a text before a block may have
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, OverflowError)
_TIME = ("time_s", "time", "t")
_SCALARS = {"interval_s": "interval_s", "dt": "interval_s", "sample_rate_hz": "rate_hz", "fs": "rate_hz"}


def read_numpy(path: Path, labels: Labels) -> Capture:
    """One array of numbers (.npy): shape (samples,), (channels, samples) or (samples, channels).

    Raises
    ------
    ReadError
        When it is not such an array, or is cut short.
    """
    with path.open("rb") as stream:
        shape, fortran, dtype = _array_head(stream, labels, "")
        first = stream.tell()
    found = _laid_out(path, labels, shape, fortran, dtype, first)
    have, need = path.stat().st_size - first, int(np.prod(shape)) * dtype.itemsize
    if have < need:
        raise labels.fault(
            "",
            f"is cut short: {need} bytes of samples are announced, {have} are there.",
            "Copy it from the source anew.",
        )
    return capture_of(labels, found, None)


def _array_head(stream: BinaryIO, labels: Labels, member: str) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    remedy = "Save a plain array of numbers."
    try:
        version = np.lib.format.read_magic(stream)
        reader = {1: np.lib.format.read_array_header_1_0, 2: np.lib.format.read_array_header_2_0}[version[0]]
        shape, fortran, dtype = reader(stream)
    except (ValueError, KeyError, EOFError, SyntaxError, tokenize.TokenError) as error:
        raise labels.fault(member, "is not a NumPy array.", remedy) from error
    if dtype.kind not in "iuf" or dtype.hasobject:
        raise labels.fault(member, f"holds {dtype}, not numbers.", remedy)
    if len(shape) not in (1, 2) or 0 in shape:
        raise labels.fault(member, f"has shape {shape}; one or two dimensions with samples are expected.", remedy)
    return tuple(int(n) for n in shape), bool(fortran), np.dtype(dtype)


def _laid_out(
    path: Path, labels: Labels, shape: tuple[int, ...], fortran: bool, dtype: np.dtype[Any], first: int
) -> list[Found]:
    calibrated = dtype.kind == "f"
    if len(shape) == 1:
        return [_plain(FileSamples(path, labels.name, first, shape[0], dtype), "", calibrated)]
    count, channels = max(shape), min(shape)
    # in memory order the last index of a C array runs fastest, the first of a Fortran array
    interleaved = (shape[0] == count) != fortran
    out = []
    for k in range(channels):
        if interleaved:
            samples = FileSamples(path, labels.name, first, count, dtype, channels, k)
        else:
            samples = FileSamples(path, labels.name, first + k * count * dtype.itemsize, count, dtype)
        out.append(_plain(samples, f"channel {k + 1}", calibrated))
    return out


def _plain(samples: Samples, header: str, calibrated: bool) -> Found:
    bits = None if calibrated else float(8 * samples.dtype.itemsize)
    return Found(header, samples, calibrated=calibrated, bits=bits)


def read_numpy_archive(path: Path, labels: Labels) -> Capture:
    """Several arrays with names (.npz): a channel each; "time_s", "interval_s" or "sample_rate_hz" tell the time.

    Raises
    ------
    ReadError
        When it is damaged, or the arrays differ in length.
    """
    arrays: dict[str, Samples] = {}
    scalars: dict[str, float] = {}
    try:
        with zipfile.ZipFile(path) as archive:
            for entry in archive.infolist():
                name = entry.filename.removesuffix(".npy")
                with archive.open(entry) as stream:
                    _unpack(stream, labels, name, arrays, scalars)
    except _BROKEN as error:
        raise labels.fault("", f"is damaged: {error}.", "Copy it from the source anew.") from error
    interval: float | None = None
    start = 0.0
    notes: list[str] = []
    for name in [n for n in arrays if n in _TIME]:
        interval, start, notes = _clock(arrays.pop(name), labels, name)
    for name, value in scalars.items():
        meaning = _SCALARS.get(name)
        if meaning and interval is None:
            interval = value if meaning == "interval_s" else 1.0 / value if value else float("inf")
    lengths = {name: samples.count for name, samples in arrays.items()}
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"{name} {count}" for name, count in lengths.items())
        raise labels.fault("", f"its arrays differ in length: {told}.", "Save channels of one length.")
    found = [_plain(samples, name, samples.dtype.kind == "f") for name, samples in arrays.items()]
    return capture_of(labels, found, interval, start_s=start, notes=notes)


def _unpack(stream: Any, labels: Labels, name: str, arrays: dict[str, Samples], scalars: dict[str, float]) -> None:
    try:
        version = np.lib.format.read_magic(stream)
        reader = {1: np.lib.format.read_array_header_1_0, 2: np.lib.format.read_array_header_2_0}[version[0]]
        shape, _, dtype = reader(stream)
    except (ValueError, KeyError, SyntaxError, tokenize.TokenError) as error:
        raise labels.fault(name, "is not a NumPy array.", "Save plain arrays of numbers.") from error
    if dtype.kind not in "iuf" or dtype.hasobject:
        return  # words and the like say nothing of the samples
    count = int(np.prod(shape))
    if count == 1:
        scalars[name] = float(np.frombuffer(stream.read(dtype.itemsize), dtype=dtype)[0])
        return
    if len(shape) != 1:
        raise labels.fault(name, f"has shape {shape}; an array for each channel is expected.", "Save them apart.")
    spool = Spool(1, dtype.newbyteorder("="))
    left = count
    while left:
        data = stream.read(min(left, _PIECE) * dtype.itemsize)
        if not data:
            raise labels.fault(name, f"is cut short: {count} samples are announced, {count - left} are there.")
        part = np.frombuffer(data[: len(data) // dtype.itemsize * dtype.itemsize], dtype=dtype)
        spool.add(part)
        left -= len(part)
    arrays[name] = spool.finish()[0]


def _clock(samples: Samples, labels: Labels, name: str) -> tuple[float, float, list[str]]:
    check = TimeCheck(labels, name)
    for first in range(0, samples.count, _PIECE):
        check.add(samples.read(first, min(first + _PIECE, samples.count)).astype(np.float64))
    return check.finish(None)


def read_wave(path: Path, labels: Labels) -> Capture:
    """A RIFF/WAVE file, also RF64: integers of 8, 16, 24 or 32 bits, floats of 32 or 64.

    The layout is that of the public multimedia programming interface of 1991 and its extension for many channels; RF64
    is EBU Tech 3306 (both from memory). Its numbers have no unit: the index must say what full scale (peak to peak)
    or one step is worth.

    Raises
    ------
    ReadError
        When it is something else, is compressed, or holds no samples.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
            raise labels.fault("", "is not a WAVE file.", "Name the reader that fits it.")
        form: tuple[int, int, int, int] | None = None
        large: int | None = None
        while True:
            chunk = stream.read(8)
            if len(chunk) < 8:
                raise labels.fault("", "has no samples: its data chunk is missing.", "Record it anew.")
            word, length = chunk[:4], struct.unpack("<I", chunk[4:])[0]
            if word == b"ds64":
                body = stream.read(length + length % 2)
                large = struct.unpack("<Q", body[8:16])[0]
            elif word == b"fmt ":
                form = _wave_form(stream.read(length + length % 2), labels)
            elif word == b"data":
                break
            else:
                stream.seek(length + length % 2, 1)
        first = stream.tell()
    if form is None:
        raise labels.fault("", "has samples before it says of which kind.", "Save it anew.")
    if length == 0xFFFFFFFF and large is not None:
        length = large
    kind, channels, rate, bits = form
    notes = []
    stored = {(1, 8): "<u1", (1, 16): "<i2", (1, 32): "<i4", (3, 32): "<f4", (3, 64): "<f8"}.get((kind, bits))
    if stored is None and (kind, bits) != (1, 24):
        raise labels.fault(
            "", f"holds samples of kind {kind} with {bits} bits.", "Save it as plain integers or floats."
        )
    width = bits // 8 * channels
    there = min(length, size - first)
    if there < length:
        notes.append(f"is cut short: {length // width} samples are announced, {there // width} are there and used.")
    count = there // width
    scale = 2.0 if kind == 3 else 2.0**bits
    found = [
        Found(
            f"channel {k + 1}",
            FileSamples(path, labels.name, first, count, None if stored is None else np.dtype(stored), channels, k),
            calibrated=False,
            digital_scale=scale,
            offset=0.0,
            bits=None if kind == 3 else float(bits),
        )
        for k in range(channels)
    ]
    if stored == "<u1":  # silence is 128
        found = [_centred(one) for one in found]
    return capture_of(labels, found, 1.0 / rate, notes=notes)


def _centred(one: Found) -> Found:
    return Found(
        one.header, _Shifted(one.samples, 128), calibrated=False, digital_scale=one.digital_scale, bits=one.bits
    )


class _Shifted:
    """Unsigned bytes as signed ones."""

    def __init__(self, samples: Samples, zero: int) -> None:
        self._samples, self._zero = samples, zero
        self.count = samples.count
        self.dtype = np.dtype(np.int8)

    def read(self, start: int, stop: int) -> NDArray[Any]:
        return (self._samples.read(start, stop).astype(np.int16) - self._zero).astype(np.int8)


def _wave_form(body: bytes, labels: Labels) -> tuple[int, int, int, int]:
    if len(body) < 16:
        raise labels.fault("", "has a damaged format chunk.", "Save it anew.")
    kind, channels, rate, _, _, bits = struct.unpack("<HHIIHH", body[:16])
    if kind == 0xFFFE and len(body) >= 26:
        kind = struct.unpack("<H", body[24:26])[0]
    if not channels or not rate or not bits:
        raise labels.fault(
            "", f"says {channels} channels at {rate} samples a second with {bits} bits.", "Save it anew."
        )
    return kind, channels, rate, bits


def read_parquet(path: Path, labels: Labels) -> Capture:
    """A Parquet table: a column for each channel, and "time_s" where it holds the time.

    Raises
    ------
    ReadError
        When it is damaged, or a column is not numbers.
    """
    try:
        lazy = pl.scan_parquet(path)
        schema = lazy.collect_schema()
        count = int(lazy.select(pl.len()).collect().item())
        names = [name for name, kind in schema.items() if kind.is_numeric()]
        other = [name for name, kind in schema.items() if not kind.is_numeric()]
        clock = next((name for name in names if name.casefold() in _TIME), None)
        channels = [name for name in names if name != clock]
        spool = Spool(len(channels))
        check = TimeCheck(labels, clock or "")
        for first in range(0, count, _PIECE):
            part = lazy.select(names).slice(first, _PIECE).collect()
            if clock is not None:
                check.add(part[clock].cast(pl.Float64).fill_null(float("nan")).to_numpy())
            spool.add(*(part[name].cast(pl.Float64).fill_null(float("nan")).to_numpy() for name in channels))
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        # damaged pages make the library panic, which is no `Exception`
        told = (str(error).splitlines() or ["damaged"])[0][:200]
        raise labels.fault("", f"cannot be read as Parquet: {told}", "Copy it from the source anew.") from error
    notes = [f"column {name} holds no numbers and is not used." for name in other]
    interval, start = None, 0.0
    if clock is not None and count:
        interval, start, more = check.finish(None)
        notes += more
    found = [Found(name, samples) for name, samples in zip(channels, spool.finish(), strict=True)]
    return capture_of(labels, found, interval, start_s=start, notes=notes)


def read_block(path: Path, labels: Labels) -> Capture:
    """An IEEE 488.2 block (8.7.9 definite length, 8.7.10 indefinite) after a preamble of scale factors.

    The preamble is lines or ";"-separated parts "key value" in the plain words of `captures_head`; value =
    (code - reference) * increment + origin. What it does not say the index must: sample_type, gain, interval_s.

    Raises
    ------
    ReadError
        When there is no block, it is cut short, or nothing says how its bytes make numbers.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        start = stream.read(_HEAD)
    mark = re.search(rb"#(0|[1-9])", start)
    if not mark:
        raise labels.fault(
            "", "holds no block: no # with a digit was found.", "Save the instrument's answer as it came."
        )
    head = _preamble(start[: mark.start()].decode("latin-1"))
    digits = int(mark.group(1))
    first = mark.end() + digits
    if digits:
        number = start[mark.end() : first]
        if len(number) < digits or not number.isdigit():
            raise labels.fault(
                f"byte {mark.start()}", f"the block's length {number!r} is not {digits} digits.", "Save it anew."
            )
        length = int(number)
        if first + length > size:
            raise labels.fault(
                "", f"is cut short: the block has {length} bytes, {size - first} are there.", "Save it anew."
            )
    else:
        length = size - first - 1  # a newline ends it
    dtype = _block_type(head, labels)
    if length % dtype.itemsize:
        raise labels.fault("", f"{length} bytes are not a whole number of {dtype} samples.", "Check sample_type.")
    count = length // dtype.itemsize
    notes = []
    announced = head.number("points")
    if announced is not None and int(announced) != count:
        notes.append(f"{int(announced)} samples are announced, {count} are there and used.")
    gain = head.number("gain")
    reference, origin = head.number("reference") or 0.0, head.number("origin") or 0.0
    found = Found(
        header="block",
        samples=FileSamples(path, labels.name, first, count, dtype),
        unit=head.text("unit"),
        gain=1.0 if gain is None else gain,
        offset=origin - reference * (1.0 if gain is None else gain),
        calibrated=gain is not None or dtype.kind == "f",
        bits=None if dtype.kind == "f" else float(8 * dtype.itemsize),
    )
    return capture_of(
        labels,
        [found],
        head.interval_s,
        start_s=head.number("start_s", "s") or 0.0,
        start=head.text("date"),
        notes=notes,
    )


def _preamble(text: str) -> Head:
    pairs = []
    for part in re.split(r"[;\r\n]+", text):
        match = re.match(
            r"\s*:?([A-Za-z][\w .\-]*(?:[\[(][^\])]*[\])])?)\s*(?:[=:,\t]|\s(?=[^A-Za-z]|\S+$))\s*(.*)", part
        )
        if match:
            pairs.append((match.group(1), match.group(2), ""))
    return read_head(pairs)


def _block_type(head: Head, labels: Labels) -> np.dtype[Any]:
    word = labels.text("sample_type")
    order = (labels.text("byte_order") or head.text("order")).casefold()
    if word:
        if not re.fullmatch(r"u?int(8|16|32)|float(32|64)", word):
            raise labels.fault("conditions.sample_type", f"{word!r} is not one of int8 to uint32, float32, float64.")
        dtype = np.dtype(word)
    else:
        size = head.number("bytes") or (head.number("bits") or 0) / 8
        coding = head.text("coding").casefold()
        kind = "f" if "float" in coding or coding == "fp" else "u" if "unsigned" in coding or coding == "rp" else "i"
        fits = size in (4, 8) if kind == "f" else size in (1, 2, 4)
        if not fits:
            raise labels.fault("", "nothing says how many bytes a sample has.", 'Add sample_type = "int8" or the like.')
        if not coding:
            raise labels.fault(
                "", "nothing says whether its samples are signed.", 'Add sample_type = "uint8" or the like.'
            )
        dtype = np.dtype(f"{kind}{int(size)}")
    if dtype.itemsize == 1:
        return dtype
    if not order:
        raise labels.fault(
            "", "nothing says which byte of a sample comes first.", 'Add byte_order = "little" or "big".'
        )
    return dtype.newbyteorder(">" if order.startswith(("b", "m")) else "<")
