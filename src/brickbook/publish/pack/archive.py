"""A zip file that is the same for the same content, written as it is read, and whole or not there.

Members stand in a fixed order with the date 1980-01-01, the earliest the format knows, mode 0644 and no owner. The
bytes are the same wherever the compressor (zlib) is; another one may pack otherwise, and the content is the same still.
Members and archives above 4 GiB are written as Zip64.
"""

from __future__ import annotations

import hashlib
import io
import os
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from brickbook.core.errors import Fault, PublishError

__all__ = ["PIECE", "Member", "write_archive"]

PIECE = 1 << 20  # read and written at a time [B]
_DATE = (1980, 1, 1, 0, 0, 0)
_UNIX = 3


@dataclass(frozen=True, slots=True)
class Member:
    """A file to go into the archive.

    Parameters
    ----------
    path
        In the archive.
    source
        Its bytes, or the file they are in.
    size
        In bytes.
    sha256
        What its bytes must have, hexadecimal.
    """

    path: str
    source: bytes | Path
    size: int
    sha256: str


def write_archive(
    target: Path, members: Sequence[Member], *, name: str, tell: Callable[[int], None] | None = None
) -> int:
    """Write members in their order; returns the size of the archive [B].

    Parameters
    ----------
    target
        The file; it is replaced once the new one is whole.
    name
        What to call it in a message.
    tell
        Called with the number of bytes read, piece by piece.

    Raises
    ------
    PublishError
        When a file cannot be read or written, or is not what its SHA-256 says. The target is as it was then.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".brickbook-{os.getpid()}-pack.part")
    try:
        with temporary.open("wb") as file:
            with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
                for member in members:
                    _add(archive, member, tell)
            file.flush()
            os.fsync(file.fileno())
            size = file.tell()
        temporary.replace(target)
    except OSError as error:
        problem = f"cannot be written: {(error.strerror or str(error)).lower()}."
        raise PublishError(Fault(name, "", problem, "Check the disk and the folder.")) from error
    finally:
        temporary.unlink(missing_ok=True)
    return size


def _add(archive: zipfile.ZipFile, member: Member, tell: Callable[[int], None] | None) -> None:
    info = zipfile.ZipInfo(member.path, _DATE)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.create_system = _UNIX
    info.external_attr = 0o100644 << 16
    info.file_size = member.size  # tells whether Zip64 is needed
    digest, size = hashlib.sha256(), 0
    with _opened(member) as source, archive.open(info, "w") as out:
        while piece := source.read(PIECE):
            digest.update(piece)
            size += len(piece)
            out.write(piece)
            if tell is not None:
                tell(len(piece))
    if digest.hexdigest() != member.sha256 or size != member.size:
        problem = "changed while it was packed, or is not what the index says."
        raise PublishError(Fault(member.path, "", problem, "Run: brickbook analyse, which names what is wrong."))


@contextmanager
def _opened(member: Member) -> Iterator[BinaryIO]:
    if isinstance(member.source, bytes):
        yield io.BytesIO(member.source)
        return
    with member.source.open("rb") as file:
        yield file
