"""A message log in memory: a structure of arrays, one row per logged frame or reset."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from brickbook.usbpd.errors import LogError, MessageError
from brickbook.usbpd.messages import Message, Sender, Sop

# Ordered sets in the order of their codes in ``MessageLog.sop``.
SOP_CODES: tuple[Sop, ...] = tuple(Sop)
# Senders named by a direction column, in the order of their codes; 0 means not stated.
DIRECTION_CODES: tuple[Sender | None, ...] = (None, Sender.SOURCE, Sender.SINK, Sender.CABLE)

_HARD_RESET = SOP_CODES.index(Sop.HARD_RESET)


@dataclass(frozen=True, slots=True)
class LoggedMessage:
    """One row of a log; ``message`` is ``None`` for a reset."""

    index: int
    time_s: float
    port: str
    sop: Sop
    message: Message | None


@dataclass(frozen=True, slots=True)
class MessageLog:
    """Logged frames in order of time.

    Arrays have shape (count,), ``objects`` (count, 7) with zeros past a message's objects.
    ``port`` holds codes into ``ports``, ``sop`` into ``SOP_CODES``, ``direction`` into
    ``DIRECTION_CODES``. ``word_count`` is the number of object words given, which equals the
    header's object count except in long unchunked messages. ``line`` is the line of the file the
    row came from. ``header`` is 0 for resets.
    """

    name: str
    ports: tuple[str, ...]
    time_s: NDArray[np.float64]
    port: NDArray[np.uint16]
    sop: NDArray[np.uint8]
    direction: NDArray[np.uint8]
    header: NDArray[np.uint16]
    word_count: NDArray[np.uint8]
    objects: NDArray[np.uint32]
    line: NDArray[np.int64]
    out_of_order_count: int = 0
    direction_conflict_count: int = 0

    def __len__(self) -> int:
        return int(self.time_s.size)

    @property
    def is_reset(self) -> NDArray[np.bool_]:
        """Rows that are resets and have no header, shape (count,)."""
        return self.sop >= _HARD_RESET

    @property
    def all_objects(self) -> NDArray[np.uint32]:
        """Every object word given, row after row, shape (total,)."""
        given = np.arange(self.objects.shape[1]) < self.word_count[:, None]
        return self.objects[given]

    def rows_of(self, port: str) -> NDArray[np.int64]:
        """Find the rows of a port.

        Parameters
        ----------
        port
            Name of the port.

        Returns
        -------
        ndarray of int
            Row numbers in order of time.

        Raises
        ------
        LogError
            If the log has no such port.
        """
        if port not in self.ports:
            raise LogError(f"{self.name}: no port {port!r}; it has {', '.join(self.ports)}")
        return np.flatnonzero(self.port == self.ports.index(port)).astype(np.int64)

    def message(self, row: int) -> Message | None:
        """Take one row's message.

        Parameters
        ----------
        row
            Row number.

        Returns
        -------
        Message or None
            The message; ``None`` for a reset.

        Raises
        ------
        MessageError
            If the words do not fit the header.
        """
        sop = SOP_CODES[int(self.sop[row])]
        if sop.is_reset:
            return None
        words = self.objects[row, : int(self.word_count[row])].tolist()
        return Message.from_words(int(self.header[row]), words, sop)

    def entry(self, row: int) -> LoggedMessage:
        """Take one row as an object.

        Parameters
        ----------
        row
            Row number.

        Returns
        -------
        LoggedMessage
            Time, port, ordered set and message.

        Raises
        ------
        MessageError
            If the words do not fit the header.
        """
        return LoggedMessage(
            row,
            float(self.time_s[row]),
            self.ports[int(self.port[row])],
            SOP_CODES[int(self.sop[row])],
            self.message(row),
        )

    def entries(self, port: str | None = None) -> Iterator[LoggedMessage]:
        """Walk through the rows as objects.

        Parameters
        ----------
        port
            Only this port; all ports when ``None``.

        Yields
        ------
        LoggedMessage
            Rows in order of time.

        Raises
        ------
        LogError
            If the log has no such port.
        """
        rows = np.arange(len(self)) if port is None else self.rows_of(port)
        for row in rows.tolist():
            yield self.entry(row)

    @classmethod
    def from_messages(
        cls,
        rows: Iterable[tuple[float, Message | Sop]],
        *,
        port: str = "1",
        name: str = "messages",
    ) -> Self:
        """Build a log of one port from messages in memory.

        Parameters
        ----------
        rows
            Times [s] and messages, or ``Sop.HARD_RESET`` or ``Sop.CABLE_RESET``, in order of time.
        port
            Name of the port.
        name
            What to call the log in errors.

        Returns
        -------
        Self
            The log.

        Raises
        ------
        LogError
            If times go backwards or are not finite.
        MessageError
            If an entry without a header is not a reset, or a message has more than seven objects.
        """
        listed = list(rows)
        time_s = np.array([time for time, _ in listed], dtype=np.float64)
        if not np.all(np.isfinite(time_s)) or np.any(np.diff(time_s) < 0):
            raise LogError(f"{name}: times must be finite and must not go backwards")
        count = len(listed)
        sop, header = np.zeros(count, np.uint8), np.zeros(count, np.uint16)
        words, objects = np.zeros(count, np.uint8), np.zeros((count, 7), np.uint32)
        for row, (_, item) in enumerate(listed):
            if isinstance(item, Message):
                sop[row] = SOP_CODES.index(item.sop)
                header[row] = item.header.encode()
                given: Sequence[int] = item.objects
                if len(given) > 7:
                    raise MessageError(f"{name}: {item.name} has {len(given)} words, at most 7")
                words[row] = len(given)
                objects[row, : len(given)] = given
            elif item.is_reset:
                sop[row] = SOP_CODES.index(item)
            else:
                raise MessageError(f"{name}: {item} needs a message")
        return cls(
            name,
            (port,),
            time_s,
            np.zeros(count, np.uint16),
            sop,
            np.zeros(count, np.uint8),
            header,
            words,
            objects,
            np.arange(1, count + 1, dtype=np.int64),
        )
