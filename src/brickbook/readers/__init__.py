"""Instrument files to `Table`s, and tables on one clock to `Recording`s."""

from brickbook.readers.assemble import Part, assemble
from brickbook.readers.captures import (
    CAPTURE_READERS,
    CapturePart,
    capture_reader_for,
    join_captures,
    read_capture,
)
from brickbook.readers.guess import Guess, guess_shape, matching_shape
from brickbook.readers.guess_time import ColumnGuess
from brickbook.readers.hand_sheet import HAND_SHEET_HEADER, read_hand_sheet
from brickbook.readers.meter_log import read_table
from brickbook.readers.observations import OBSERVATION_HEADER, read_observations
from brickbook.readers.registry import READERS, Reader, read_file

__all__ = [
    "CAPTURE_READERS",
    "HAND_SHEET_HEADER",
    "OBSERVATION_HEADER",
    "READERS",
    "CapturePart",
    "ColumnGuess",
    "Guess",
    "Part",
    "Reader",
    "assemble",
    "capture_reader_for",
    "guess_shape",
    "join_captures",
    "matching_shape",
    "read_capture",
    "read_file",
    "read_hand_sheet",
    "read_observations",
    "read_table",
]
