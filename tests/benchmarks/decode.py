"""Bulk decoding of a 24-group recording against loops over `cobs` + `zlib` + `struct` and over `construct`.

All of them end with the same: every field of every scan, the damaged frames dropped and counted. References: the `cobs`
package (framing), `zlib` of the standard library (CRC-32), `struct`, and `construct` as an outside reader would use it,
with its own declaration of the layout, not ours.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from time import perf_counter
from typing import Any

import construct as cs
import numpy as np
from cobs import cobs
from evenstring.wire.encode import Counter, ScanValues, identity, message, scan_frames
from evenstring.wire.stream import StreamDecoder

GROUPS = 24
LEAST_STRUCT = 20.0  # times the speed of the loop
LEAST_CONSTRUCT = 80.0
MOST_COPIES = 12.0  # times as long as copying what is decoded
_REPEATED = 50  # so often the recording, so that neither it nor its copy fits into a cache

_SCAN = cs.Struct(
    "code" / cs.Int8ul, "seq" / cs.Int16ul, "uptime_ms" / cs.Int32ul,
    "flags" / cs.Int8ul, "groups" / cs.Int8ul, "passes" / cs.Int8ul,
    "currents" / cs.Int8ul, "packs" / cs.Int8ul, "temps" / cs.Int8ul,
    "step_us" / cs.Int16ul, "turn_us" / cs.Int16ul,
    "reading" / cs.Array(cs.this.passes * cs.this.groups, cs.Int16sl),
    "current" / cs.Array(cs.this.currents, cs.Int16sl),
    "pack" / cs.Array(cs.this.packs, cs.Int16ul),
    "temp" / cs.Array(cs.this.temps, cs.Int16sl),
)  # fmt: skip


def recording(scans: int, seed: int = 1) -> bytes:
    """An invented charge: out and back, current, two temperatures; HEALTH every 10 s, IDENT every minute."""
    rng = np.random.default_rng(seed)
    counter = Counter()
    volts = np.linspace(3.6, 4.2, scans)[:, None] + rng.normal(0, 0.004, 2 * GROUPS)
    up = np.arange(scans) * 400 + 5000
    parts = []
    health = dict.fromkeys(
        ("frames_dropped", "bad_commands", "bus_errors", "settle_fails", "longest_gap_ms", "heap_free", "zero_uv"), 7
    )
    for first in range(0, scans, 25):
        rows = slice(first, first + 25)
        current = np.full((len(up[rows]), 1), 500, np.int16)
        temp = rng.integers(2400, 2600, (len(up[rows]), 2)).astype(np.int16)
        steps = np.rint(volts[rows] / 200e-6).astype(np.int16)
        values = ScanValues(up[rows], steps, GROUPS, 2, current, None, temp, step_us=5600, turn_us=5600)
        parts.append(scan_frames(values, counter))
        if first % 150 == 0:
            parts.append(identity(counter, GROUPS, "relay_scan", board_id="invented", firmware="bench", runtime="none"))
        parts.append(
            message("HEALTH", counter.next(), int(up[first]), state=1, fault=0, fault_where=255, scans=first, **health)
        )
    return b"".join(parts)


def by_struct(data: bytes) -> list[tuple[Any, ...]]:
    """The loop over `cobs`, `zlib` and `struct`."""
    found = []
    header, fixed = struct.Struct("<BHI"), struct.Struct("<BBBBBBHH")
    for piece in data.split(b"\0"):
        if not piece:
            continue
        try:
            frame = cobs.decode(piece)
        except cobs.DecodeError:
            continue
        if len(frame) < 11 or zlib.crc32(frame[:-4]) != int.from_bytes(frame[-4:], "little"):
            continue
        head = header.unpack_from(frame)
        if head[0] != 2:
            continue
        rest = fixed.unpack_from(frame, 7)
        n = rest[1] * rest[2]
        arrays = struct.unpack_from(f"<{n}h{rest[3]}h{rest[4]}H{rest[5]}h", frame, 17)
        found.append((head, rest, arrays))
    return found


def by_construct(data: bytes) -> list[Any]:
    """The loop over `construct`, unstuffed and checked by the same packages."""
    found = []
    for piece in data.split(b"\0"):
        if not piece:
            continue
        try:
            frame = cobs.decode(piece)
        except cobs.DecodeError:
            continue
        if len(frame) < 11 or zlib.crc32(frame[:-4]) != int.from_bytes(frame[-4:], "little"):
            continue
        if frame[0] == 2:
            found.append(_SCAN.parse(frame[:-4]))
    return found


def by_numpy(data: bytes) -> int:
    """Our decoder; returns the number of scans."""
    return sum(len(part.rows) for part in StreamDecoder().feed(data).scans)


def in_pieces(data: bytes) -> int:
    """Our decoder, fed as a file is read, nothing kept; returns the number of scans."""
    decoder, scans = StreamDecoder(), 0
    for first in range(0, len(data), 1 << 22):
        scans += sum(len(part.rows) for part in decoder.feed(data[first : first + (1 << 22)]).scans)
    return scans


def seconds(call: Callable[[], object], repeats: int = 5) -> float:
    """The quickest of several runs: what the machine can do when nobody disturbs it."""
    best = float("inf")
    for _ in range(repeats):
        start = perf_counter()
        call()
        best = min(best, perf_counter() - start)
    return best


def run() -> list[str]:
    scans, few = 40_000, 1_000
    data, short = recording(scans), recording(few)
    assert by_numpy(data) == scans == len(by_struct(data))
    ours, loop, slow = float("inf"), float("inf"), float("inf")
    for _ in range(5):  # in turn, so that whatever else the machine does falls on all of them
        ours = min(ours, seconds(lambda: by_numpy(data)) / scans)
        loop = min(loop, seconds(lambda: by_struct(data), 1) / scans)
        slow = min(slow, seconds(lambda: by_construct(short), 1) / few)
    long = data * _REPEATED
    whole, copy = (
        min(seconds(call, 1) for _ in range(3))
        for call in (lambda: in_pieces(long), np.frombuffer(long, np.uint8).copy)
    )
    return [
        f"{scans} scans of {GROUPS} groups twice: {ours * 1e6:.3f} us each, {len(data) / scans / ours / 1e6:.0f} MB/s",
        f"cobs + zlib + struct loop: {loop / ours:.1f} x as long (at least {LEAST_STRUCT:.0f})",
        f"construct loop: {slow / ours:.0f} x as long (at least {LEAST_CONSTRUCT:.0f})",
        f"{len(long) / 1e6:.0f} MB: {whole / copy:.1f} x a copy of them into new memory (at most {MOST_COPIES:.0f})",
    ]
