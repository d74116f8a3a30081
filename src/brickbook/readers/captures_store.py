"""Samples that stay in a file: the raw file itself, or a temporary one for formats that must be unpacked first."""

from __future__ import annotations

import tempfile
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from brickbook.core.errors import Fault, ReadError

__all__ = ["FileSamples", "Spool", "SpooledSamples"]

_IN_MEMORY = 1 << 27  # bytes a spool keeps before it goes to disk


@dataclass(frozen=True, slots=True)
class FileSamples:
    """Samples of one channel in a binary file, channels interleaved or not; read as they are asked for.

    Parameters
    ----------
    path, name
        The file, and what to call it in a message.
    first_byte
        Where the first frame begins.
    count
        Frames.
    stored
        dtype of one number in the file, with its byte order; `None`: 24-bit little-endian integers.
    channels, channel
        Numbers in a frame, and which of them this is.
    """

    path: Path
    name: str
    first_byte: int
    count: int
    stored: np.dtype[Any] | None
    channels: int = 1
    channel: int = 0

    @property
    def dtype(self) -> np.dtype[Any]:
        """Dtype of what `read` gives, in this machine's byte order."""
        return np.dtype(np.int32) if self.stored is None else self.stored.newbyteorder("=")

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Numbers start to stop - 1."""
        width = 3 if self.stored is None else self.stored.itemsize
        frame = width * self.channels
        wanted = (stop - start) * frame
        data = np.empty(wanted, dtype=np.uint8)
        view = data.data
        try:
            with self.path.open("rb", buffering=0) as stream:
                stream.seek(self.first_byte + start * frame)
                filled = 0
                while filled < wanted:
                    got = stream.readinto(view[filled:])
                    if not got:
                        break
                    filled += got
        except OSError as error:
            raise ReadError(Fault(self.name, "", f"cannot be read: {error.strerror}.", "Check the disk.")) from error
        if filled < wanted:
            problem = f"ends at sample {start + filled // frame}, {self.count} are expected."
            raise ReadError(Fault(self.name, "", problem, "The file was cut short while it was in use; restore it."))
        if self.stored is None:
            own = data.reshape(-1, self.channels, 3)[:, self.channel]
            whole = np.zeros((len(own), 4), dtype=np.uint8)
            whole[:, 1:] = own
            return whole.reshape(-1).view("<i4").astype(np.int32) >> 8
        numbers = data.view(self.stored)
        if self.channels > 1:
            numbers = numbers.reshape(-1, self.channels)[:, self.channel]
        return numbers if numbers.dtype.isnative else numbers.astype(self.dtype)


class _Scratch:
    """A temporary file that closes, and so goes, when nothing refers to it any more."""

    def __init__(self) -> None:
        self.stream: IO[bytes] = tempfile.TemporaryFile(prefix="brickbook-")  # noqa: SIM115 - closed below

    def __del__(self) -> None:
        self.stream.close()


@dataclass(slots=True)
class Spool:
    """Columns of numbers as they are unpacked: in memory while they are few, in a temporary file beyond.

    The temporary file has no name where the system allows that, and goes when the last `SpooledSamples` goes.
    """

    columns: int
    dtype: np.dtype[Any] = field(default_factory=lambda: np.dtype(np.float64))
    count: int = 0
    _parts: list[list[NDArray[Any]]] = field(default_factory=list)
    _files: list[_Scratch] = field(default_factory=list)
    _kept: int = 0

    def __post_init__(self) -> None:
        self._parts = [[] for _ in range(self.columns)]

    def add(self, *columns: NDArray[Any]) -> None:
        """Append one stretch of each column, equal in length."""
        for parts, column in zip(self._parts, columns, strict=True):
            part = np.ascontiguousarray(column, dtype=self.dtype)
            parts.append(part)
            self._kept += part.nbytes
        self.count += len(columns[0]) if columns else 0
        if self._kept > _IN_MEMORY:
            self._flush()

    def _flush(self) -> None:
        if not self._files:
            self._files = [_Scratch() for _ in range(self.columns)]
        for file, parts in zip(self._files, self._parts, strict=True):
            for part in parts:
                file.stream.write(part.data)
            parts.clear()
        self._kept = 0

    def finish(self) -> tuple[SpooledSamples, ...]:
        """The columns as samples; nothing may be added afterwards."""
        if self._files:
            self._flush()
            for file in self._files:
                file.stream.flush()
            return tuple(SpooledSamples(self.count, self.dtype, file=file) for file in self._files)
        ends = np.cumsum([len(part) for part in self._parts[0]]) if self.columns else np.zeros(0)
        return tuple(
            SpooledSamples(self.count, self.dtype, parts=tuple(p), ends=ends.astype(np.int64)) for p in self._parts
        )


@dataclass(frozen=True, slots=True, eq=False)
class SpooledSamples:
    """One column of a spool: parts in memory, each ending before the sample `ends` says, or a temporary file."""

    count: int
    dtype: np.dtype[Any]
    parts: tuple[NDArray[Any], ...] = ()
    ends: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    file: _Scratch | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Numbers start to stop - 1."""
        if self.file is not None:
            with self._lock:  # one position for all threads
                self.file.stream.seek(start * self.dtype.itemsize)
                data = self.file.stream.read((stop - start) * self.dtype.itemsize)
            return np.frombuffer(data, dtype=self.dtype)
        out: list[NDArray[Any]] = []
        place = int(np.searchsorted(self.ends, start, side="right"))
        while start < stop:
            part, end = self.parts[place], int(self.ends[place])
            first = end - len(part)
            out.append(part[start - first : min(stop, end) - first])
            start, place = min(stop, end), place + 1
        return out[0] if len(out) == 1 else np.concatenate([np.empty(0, dtype=self.dtype), *out])
