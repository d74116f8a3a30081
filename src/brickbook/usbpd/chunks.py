"""Chunked extended messages: cutting, requesting and joining.

At most 26 data bytes per chunk and 260 in all (public kernel and controller headers). Every chunk
repeats the size of the whole message, takes the next MessageID and its own GoodCRC, and is padded
to whole words (from captured EPR_Source_Capabilities frames). An object can straddle the border of
two chunks: bytes are joined before they are split into words.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from brickbook.usbpd.errors import MessageError
from brickbook.usbpd.messages import (
    MAX_CHUNK_BYTES,
    MAX_EXTENDED_BYTES,
    ExtendedHeader,
    Message,
    MessageHeader,
    Sender,
    Sop,
    split_words,
)


@dataclass(frozen=True, slots=True)
class ExtendedMessage:
    """A whole extended message: its type by the first header, its data, and its chunks' number."""

    sop: Sop
    header: MessageHeader
    data: bytes
    chunk_count: int

    @property
    def objects(self) -> tuple[int, ...]:
        """Data as 32-bit words, as in EPR_Source_Capabilities."""
        return split_words(self.data)


@dataclass(slots=True)
class _Pending:
    first: MessageHeader
    size: int
    data: bytearray
    last_id: int
    count: int


@dataclass(slots=True)
class ChunkAssembler:
    """Joins the chunks of one port's messages, whoever sends them; keeps a list of faults."""

    faults: list[str] = field(default_factory=list)
    _pending: dict[tuple[Sop, Sender], _Pending] = field(default_factory=dict)

    def feed(self, message: Message) -> ExtendedMessage | None:
        """Take the next message of the port.

        Parameters
        ----------
        message
            Any message; those that are not chunks are passed over.

        Returns
        -------
        ExtendedMessage or None
            The whole message when this chunk completes it. A repeat of the chunk before (same
            number and MessageID) is passed over; a chunk out of order drops what was collected
            and is written down in ``faults``.
        """
        extended = message.extended_header
        if extended is None or extended.request_chunk:
            return None
        if not extended.chunked:
            return ExtendedMessage(message.sop, message.header, message.chunk_data, 1)
        key = (message.sop, message.header.sender)
        pending = self._pending.get(key)
        number = extended.chunk_number
        if number == 0:
            if pending is not None and not self._is_repeat(pending, message, number):
                self.faults.append(f"{pending.first.name}: given up after {pending.count} chunks for a new message")
            pending = _Pending(message.header, extended.data_size, bytearray(), message.header.message_id, 0)
            self._pending[key] = pending
        elif pending is None:
            self.faults.append(f"{message.name}: chunk {number} without the chunks before it")
            return None
        elif self._is_repeat(pending, message, number):
            return None
        elif (
            number != pending.count
            or extended.data_size != pending.size
            or message.header.type_raw != pending.first.type_raw
        ):
            self.faults.append(
                f"{message.name}: chunk {number} of {extended.data_size} bytes where chunk "
                f"{pending.count} of {pending.first.name} ({pending.size} bytes) was expected"
            )
            del self._pending[key]
            return None
        pending.data += message.chunk_data
        pending.count += 1
        pending.last_id = message.header.message_id
        if len(pending.data) < pending.size:
            if len(message.chunk_data) < MAX_CHUNK_BYTES:
                self.faults.append(f"{message.name}: chunk {number} is shorter than it should be")
                del self._pending[key]
            return None
        del self._pending[key]
        return ExtendedMessage(message.sop, pending.first, bytes(pending.data), pending.count)

    def reset(self) -> None:
        """Forget unfinished messages, as a soft or hard reset does."""
        self._pending.clear()

    @staticmethod
    def _is_repeat(pending: _Pending, message: Message, number: int) -> bool:
        return (
            message.header.message_id == pending.last_id
            and message.header.type_raw == pending.first.type_raw
            and number == pending.count - 1
        )


def assemble_chunks(messages: Sequence[Message]) -> ExtendedMessage:
    """Join the chunks of one message.

    Parameters
    ----------
    messages
        Its chunks in order; chunk requests and repeats between them are passed over.

    Returns
    -------
    ExtendedMessage
        The whole message.

    Raises
    ------
    MessageError
        If they do not make exactly one whole message.
    """
    assembler = ChunkAssembler()
    whole = [done for message in messages if (done := assembler.feed(message)) is not None]
    if assembler.faults:
        raise MessageError("; ".join(assembler.faults))
    if len(whole) != 1:
        raise MessageError(f"expected the chunks of one whole message, got {len(whole)} messages")
    return whole[0]


def split_chunks(header: MessageHeader, data: bytes, sop: Sop = Sop.SOP) -> tuple[Message, ...]:
    """Cut an extended message into chunks.

    Parameters
    ----------
    header
        Header with the type and the MessageID of the first chunk; the object counts and the
        following MessageIDs are filled in.
    data
        Data of the whole message, at most 260 bytes.
    sop
        Ordered set.

    Returns
    -------
    tuple of Message
        Chunks in order.

    Raises
    ------
    MessageError
        If there are more than 260 bytes.
    """
    if len(data) > MAX_EXTENDED_BYTES:
        raise MessageError(f"an extended message has at most {MAX_EXTENDED_BYTES} bytes, got {len(data)}")
    chunks = []
    for number, at in enumerate(range(0, max(len(data), 1), MAX_CHUNK_BYTES)):
        head = ExtendedHeader(chunked=True, chunk_number=number, data_size=len(data)).encode()
        body = head.to_bytes(2, "little") + data[at : at + MAX_CHUNK_BYTES]
        body += bytes(-len(body) % 4)
        chunk_header = replace(
            header,
            extended=True,
            object_count=len(body) // 4,
            message_id=(header.message_id + number) % 8,
        )
        chunks.append(Message(sop, chunk_header, body))
    return tuple(chunks)


def chunk_request(header: MessageHeader, chunk_number: int, sop: Sop = Sop.SOP) -> Message:
    """Build the request for a chunk.

    Parameters
    ----------
    header
        Header of the asking side with the type of the message asked for.
    chunk_number
        Wanted chunk.
    sop
        Ordered set.

    Returns
    -------
    Message
        One object: extended header of size 0, and two bytes of padding.
    """
    ask = ExtendedHeader(chunked=True, chunk_number=chunk_number, request_chunk=True).encode()
    asking = replace(header, extended=True, object_count=1)
    return Message(sop, asking, ask.to_bytes(2, "little") + bytes(2))
