"""The golden vectors: sound in themselves by outside references, and read alike by all our decoders."""

from __future__ import annotations

import re
import zlib
from typing import Any

import numpy as np
import pytest
from anycrc import Model
from cobs import cobs
from evenstring.wire.delta import decode_blocks
from evenstring.wire.stream import Batch, StreamDecoder
from evenstring.wire.structs import build_payload
from evenstring.wire.table import load_table
from evenstring_protocol import framing, wire

from tests.mp import PROTOCOL, Runtime
from tests.vectors import VECTORS, Vector, feedings

SINGLE = [v for v in VECTORS if v.plain is not None]
by_vector = pytest.mark.parametrize("vector", VECTORS, ids=str)
by_single = pytest.mark.parametrize("vector", SINGLE, ids=str)


def test_there_are_enough_vectors_and_no_name_stands_twice() -> None:
    names = [v.name for v in VECTORS]

    assert len(names) >= 24
    assert len(set(names)) == len(names)


def test_every_message_of_the_table_has_a_vector() -> None:
    shown = {frame.name for v in SINGLE for frame in v.frames if frame.values is not None}

    assert {m.name for m in load_table().messages} <= shown


@by_single
def test_a_vector_agrees_with_outside_references(vector: Vector) -> None:
    """COBS by the package `cobs`, CRC-32/ISO-HDLC by `zlib` and `anycrc`: none of them ours."""
    assert vector.plain is not None
    body, crc = vector.plain[:-4], int.from_bytes(vector.plain[-4:], "little")

    assert zlib.crc32(body) == crc
    assert Model("CRC32-ISO-HDLC").calc(body) == crc
    assert zlib.crc32(vector.plain) == 0x2144DF1C  # what the specification says of every good frame
    assert vector.wire.count(0) == 1
    assert cobs.decode(vector.wire[:-1]) == vector.plain


@by_single
def test_our_writer_writes_the_vector(vector: Vector) -> None:
    assert vector.plain is not None
    if vector.other_writer:
        return
    buf = bytearray(vector.plain[:-4]) + bytearray(4)
    framing.put_crc(buf, len(buf) - 4)
    out = bytearray(framing.encoded_size(len(buf)))
    size = framing.encode(buf, len(buf), out)

    assert bytes(buf) == vector.plain
    assert bytes(out[:size]) == vector.wire


@by_single
def test_the_host_builds_the_payload(vector: Vector) -> None:
    assert vector.plain is not None
    (frame,) = vector.frames
    payload = vector.plain[wire.HEADER_SIZE : -4]
    longer = "longer" in vector.name
    if frame.values is None or vector.other_writer:
        return

    built = build_payload(frame.name, frame.values)

    assert payload.startswith(built) if longer else payload == built


def _same(expected: Any, found: Any) -> bool:
    return list(expected) == list(found) if isinstance(expected, list) else bool(expected == found)


def _decoded(decoder: StreamDecoder, parts: list[bytes]) -> list[tuple[int, str, int, int, dict[str, Any]]]:
    """All good frames in stream order, scans included: code, name, seq, uptime, values."""
    found = []
    for part in parts:
        batch: Batch = decoder.feed(part)
        found += [(f.ordinal, f.code, f.name, f.seq, f.uptime_ms, f.values) for f in batch.frames]
        for scans in batch.scans:
            for ordinal, row in zip(scans.ordinals, scans.rows, strict=True):
                values = {n: row[n].tolist() for n in scans.rows.dtype.names or () if n not in ("seq", "uptime_ms")}
                code = values.pop("code")
                found.append((int(ordinal), code, "SCAN", int(row["seq"]), int(row["uptime_ms"]), values))
    return [entry[1:] for entry in sorted(found, key=lambda e: e[0])]


@by_vector
@pytest.mark.parametrize("way", ["whole", "bytewise", "sevens"])
def test_the_host_reads_the_vector(vector: Vector, way: str) -> None:
    decoder = StreamDecoder()
    found = _decoded(decoder, dict(feedings(vector.wire))[way])

    assert [(f.code, f.name, f.seq, f.uptime_ms) for f in vector.frames] == [entry[:4] for entry in found]
    for frame, entry in zip(vector.frames, found, strict=True):
        if frame.values is not None:
            assert set(frame.values) == set(entry[4])
            assert all(_same(v, entry[4][k]) for k, v in frame.values.items()), entry[4]
    counts = (decoder.frames_damaged, decoder.frames_lost, decoder.frames_unknown, decoder.tail_bytes)
    assert (vector.damaged, vector.lost, vector.unknown, vector.tail) == counts
    assert (vector.console, vector.console_bytes) == (decoder.console_pieces, decoder.console_bytes)
    assert decoder.frames_good == len(vector.frames)


@by_vector
def test_more_bytes_behind_a_vector_change_nothing_before_them(vector: Vector) -> None:
    if vector.tail:
        return
    decoder = StreamDecoder()
    found = _decoded(decoder, [vector.wire + b"\x03\x04\x09"])

    assert [f.seq for f in vector.frames] == [entry[2] for entry in found]
    assert (vector.damaged, vector.lost, 3) == (decoder.frames_damaged, decoder.frames_lost, decoder.tail_bytes)


def test_the_delta_vector_holds_the_scans_worked_out_by_hand() -> None:
    vector = next(v for v in VECTORS if v.name == "delta")
    (scans,) = decode_blocks(StreamDecoder().feed(vector.wire).frames)

    # 3.700 V and 3.702 V are 18500 and 18510 steps of 0.2 mV.
    np.testing.assert_array_equal([[18500], [18510]], scans.rows["reading"])
    assert np.diff(scans.rows["uptime_ms"].astype(np.int64)).tolist() == [100]


def test_the_second_delta_vector_holds_the_scans_worked_out_by_hand() -> None:
    vector = next(v for v in VECTORS if v.name == "delta2")
    (scans,) = decode_blocks(StreamDecoder().feed(vector.wire).frames)

    lead_open = -32766
    np.testing.assert_array_equal([[18500, 18550], [18450, 18485], [lead_open, 18490]], scans.rows["reading"])
    assert scans.rows["current"][:, 0].tolist() == [-200, -300, -300]
    assert scans.rows["pack"][:, 0].tolist() == [741, 738, 739]
    assert np.diff(scans.rows["uptime_ms"].astype(np.int64)).tolist() == [200, 200]


_READER = """
from evenstring_protocol import framing, wire
import struct

for line in PIECES.split():
    piece = bytes(int(line[i:i + 2], 16) for i in range(0, len(line), 2))
    out = bytearray(len(piece) + 1)
    n = framing.decode(piece, len(piece), out)
    if n < wire.HEADER_SIZE + framing.CRC_SIZE or not framing.crc_ok(out, n):
        print("damaged")
        continue
    back = bytearray(framing.encoded_size(n))
    size = framing.encode(out, n, back)
    code, seq, low, high = struct.unpack_from(wire.HEADER_FORMAT, out, 0)
    print(code, seq, low, high, size == len(piece) + 1 and back[: size - 1] == piece)
"""


def _expected(vector: Vector) -> list[str]:
    """What the framing alone can tell: a payload too short or a SCAN that contradicts itself is not its business."""
    frames = iter(vector.frames)
    lines = []
    for piece in vector.pieces():
        try:
            plain = cobs.decode(piece)
        except cobs.DecodeError:
            plain = b""
        if len(plain) < 11 or zlib.crc32(plain) != 0x2144DF1C:
            lines.append("damaged")
        elif vector.damaged and not vector.frames:
            lines.append("payload")
        else:
            f = next(frames)
            same = vector.name != "run_of_254_and_a_last_code"
            lines.append(f"{f.code} {f.seq} {f.uptime_ms & 0xFFFF} {f.uptime_ms >> 16} {same}")
    return lines


def test_both_micropythons_read_the_vectors(runtime: Runtime) -> None:
    pieces = [piece for v in VECTORS for piece in v.pieces()]
    script = f"PIECES = '''{' '.join(p.hex() for p in pieces)}'''\n{_READER}"
    found = runtime.run(script, path=[PROTOCOL], heap="16m", collect=False)

    expected = [line for v in VECTORS for line in _expected(v)]
    assert len(expected) == len(found) == len(pieces)
    assert all(e in (f, "payload") for e, f in zip(expected, found, strict=True))


def test_the_frame_worked_out_in_the_specification_is_right() -> None:
    """The example of "A frame, byte by byte": its bytes unstuff to its bytes, by `cobs` and `zlib`."""
    text = (PROTOCOL / "SPECIFICATION.md").read_text(encoding="utf-8")
    chapter = text.split("## A frame, byte by byte", 1)[1].split("\n## ", 1)[0]
    rows = [re.match(r"    ((?:[0-9A-F]{2} )*[0-9A-F]{2})(?: {2,}|$)", line) for line in chapter.splitlines()]
    data = [bytes.fromhex(row.group(1)) for row in rows if row]
    plain, stuffed = b"".join(data[:6]), b"".join(data[6:])

    assert (len(plain), len(stuffed)) == (15, 17)
    assert cobs.decode(stuffed[:-1]) == plain
    assert zlib.crc32(plain) == 0x2144DF1C
