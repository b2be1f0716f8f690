"""Bytes of a fuzzer into streams of frames: each piece is framed with a right check, or left as it is."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

from cobs import cobs

__all__ = ["frames_of", "take"]


def take(data: bytes, count: int) -> tuple[bytes, bytes]:
    """The first bytes, and the rest."""
    return data[:count], data[count:]


def frames_of(data: bytes) -> bytes:
    """A stream: of each piece the first byte says how it is sent, the second how long it is.

    Even: framed by the packages `cobs` and `zlib`. Odd: as it is, which is damage most of the time.
    """
    return b"".join(_pieces(data))


def _pieces(data: bytes) -> Iterator[bytes]:
    while len(data) > 2:
        (how, size), data = take(data, 2)
        body, data = take(data, 16 * size if how & 2 else size)
        if how & 1:
            yield body
        else:
            yield bytes(cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))) + b"\0"
