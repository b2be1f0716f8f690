"""Invented streams for the tests of the decoder and of what stands on it."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from typing import Any

import numpy as np
from cobs import cobs
from evenstring.io.export.pieces import Shape
from evenstring.io.export.tables import csv_chunks
from evenstring.session import Session
from evenstring.wire.encode import Counter, ScanValues, identity, scan_frames
from evenstring.wire.stream import Batch, StreamDecoder

Counts = tuple[int, int, int, int, int]


def scans(
    n: int, groups: int = 24, counter: Counter | None = None, seed: int = 5, begin_ms: int = 1000, **more: Any
) -> bytes:
    """N scans 400 ms apart, out and back, current and one temperature."""
    rng = np.random.default_rng(seed)
    passes = more.pop("passes", 2)
    values: dict[str, Any] = {
        "uptime_ms": begin_ms + 400 * np.arange(n),
        "reading": rng.integers(15000, 21000, (n, passes * groups)).astype(np.int16),
        "groups": groups,
        "passes": passes,
        "current_10ma": rng.integers(-3000, 500, (n, 1)).astype(np.int16),
        "temp_cdegc": rng.integers(1500, 3500, (n, 1)).astype(np.int16),
        "step_us": 4200,
        "turn_us": 4200,
    }
    return scan_frames(ScanValues(**(values | more)), counter or Counter())


def recording(n: int = 50, groups: int = 24, boot_count: int = 3, **more: Any) -> bytes:
    """IDENT, then scans."""
    counter = Counter()
    head = identity(counter, groups, "relay_scan", boot_count=boot_count, board_id="invented")
    return head + scans(n, groups, counter, **more)


def as_csv(session: Session) -> bytes:
    """The table of a session, as `evenstring export` writes it."""
    return b"".join(csv_chunks(Shape.of(session), [session]))


def raw_frame(body: bytes) -> bytes:
    """A frame made by outside packages: `cobs` and `zlib`."""
    return bytes(cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))) + b"\0"


def counts(decoder: StreamDecoder) -> Counts:
    """good, damaged, lost, unknown, tail."""
    d = decoder
    return d.frames_good, d.frames_damaged, d.frames_lost, d.frames_unknown, d.tail_bytes


def flat(batches: Iterable[Batch]) -> list[tuple[int, bytes]]:
    """What was decoded, in stream order: place, and header and payload as bytes."""
    found: list[tuple[int, bytes]] = []
    for batch in batches:
        for block in batch.scans:
            kind = block.rows.dtype
            used = sum(kind.fields[name][0].itemsize for name in kind.names)  # type: ignore[index, union-attr]  # a structured dtype
            for ordinal, row in zip(block.ordinals, block.rows, strict=True):
                found.append((int(ordinal), row.tobytes()[1 : 1 + used]))
        for frame in batch.frames:
            head = bytes([frame.code]) + frame.seq.to_bytes(2, "little") + frame.uptime_ms.to_bytes(4, "little")
            found.append((frame.ordinal, head + frame.payload))
    return sorted(found)


def decode(parts: Iterable[bytes]) -> tuple[list[tuple[int, bytes]], Counts]:
    """All that `parts`, fed one after the other, decode to."""
    decoder = StreamDecoder()
    batches = [decoder.feed(part) for part in parts]
    return flat(batches), counts(decoder)


def by_reference(data: bytes) -> tuple[list[bytes], int]:
    """Header and payload of each sound frame by the `cobs` package and `zlib`, and the number of damaged pieces."""
    good, damaged = [], 0
    *pieces, _tail = data.split(b"\0")
    for piece in filter(None, pieces):
        try:
            frame = cobs.decode(piece)
        except cobs.DecodeError:
            damaged += 1
            continue
        if len(frame) < 11 or zlib.crc32(frame[:-4]) != int.from_bytes(frame[-4:], "little"):
            damaged += 1
        else:
            good.append(frame[:-4])
    return good, damaged
