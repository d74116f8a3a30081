"""Every reader of captures by the name the index gives it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from brickbook.core.capture import Capture
from brickbook.core.conditions import Conditions
from brickbook.core.errors import Fault, ReadError
from brickbook.core.table import RawFile, Recording
from brickbook.readers.captures_binary import (
    read_block,
    read_numpy,
    read_numpy_archive,
    read_parquet,
    read_wave,
)
from brickbook.readers.captures_csv import read_text_capture
from brickbook.readers.captures_labels import Labels

__all__ = ["CAPTURE_READERS", "CapturePart", "capture_reader_for", "join_captures", "read_capture"]

CAPTURE_READERS: Mapping[str, Callable[[Path, Labels], Capture]] = {
    "capture-block": read_block,
    "capture-npy": read_numpy,
    "capture-npz": read_numpy_archive,
    "capture-parquet": read_parquet,
    "capture-text": read_text_capture,
    "capture-wave": read_wave,
}
_ENDINGS = {
    ".npy": "capture-npy",
    ".npz": "capture-npz",
    ".parquet": "capture-parquet",
    ".wav": "capture-wave",
    ".wave": "capture-wave",
    ".blk": "capture-block",
    ".bin": "capture-block",
    ".csv": "capture-text",
    ".txt": "capture-text",
    ".tsv": "capture-text",
}


@dataclass(frozen=True, slots=True)
class CapturePart:
    """A capture, the recording the index puts it in, and the studies it is for."""

    capture: Capture
    recording: str
    studies: tuple[str, ...]


def join_captures(recordings: Sequence[Recording], parts: Sequence[CapturePart]) -> tuple[Recording, ...]:
    """Recordings with their captures; a capture whose recording has no table makes one of its own, at the end.

    Each capture keeps its own clock and conditions. Conditions all files of a recording share are the recording's.
    """
    joined = {recording.name: recording for recording in recordings}
    for part in parts:
        notes = tuple(f"{part.capture.raw.path}: {note}" for note in part.capture.notes)
        have = joined.get(part.recording)
        if have is None:
            new = Recording(part.recording, part.studies, (), part.capture.conditions, notes, captures=(part.capture,))
            joined[part.recording] = new
            continue
        shared = Conditions(tuple(kv for kv in have.conditions.items() if part.capture.conditions.matches(dict([kv]))))
        joined[part.recording] = replace(
            have,
            studies=tuple(dict.fromkeys((*have.studies, *part.studies))),
            conditions=have.conditions if have.tables else shared,
            notes=(*have.notes, *notes),
            captures=(*have.captures, part.capture),
        )
    return tuple(joined.values())


def capture_reader_for(name: str) -> str:
    """The reader a file's ending speaks for; empty when it speaks for none."""
    return _ENDINGS.get(Path(name).suffix.casefold(), "")


def read_capture(
    reader: str,
    path: Path,
    *,
    name: str,
    raw: RawFile,
    conditions: Conditions | None = None,
    instruments: Mapping[str, str] | None = None,
    ranges: Mapping[str, float] | None = None,
) -> Capture:
    """A capture by the reader the index names. Its samples may stay in the file: it must not change while in use.

    Parameters
    ----------
    path
        The file itself.
    name
        What to call it in a message.
    conditions
        Of the index; settings of the instrument are among them (docs/reference/captures.md).
    instruments
        Quantity or column to instrument.
    ranges
        Full scale (top less bottom of the screen) by quantity or column.

    Raises
    ------
    ReadError
        When there is no such reader, or it refuses the file.
    """
    if reader not in CAPTURE_READERS:
        known = ", ".join(sorted(CAPTURE_READERS))
        raise ReadError(Fault(name, "reader", f"there is no reader {reader!r}.", f"Use one of {known}."))
    labels = Labels(name, raw, conditions or Conditions(), instruments or {}, ranges or {})
    try:
        if path.stat().st_size == 0:
            raise labels.fault("", "is empty.", "Record it anew, or take its entry out of the index.")
        return CAPTURE_READERS[reader](path, labels)
    except OSError as error:
        raise ReadError(
            Fault(name, "", f"cannot be read: {error.strerror}.", "Check the path and the disk.")
        ) from error
