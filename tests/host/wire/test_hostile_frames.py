"""Frames made to cost, to mislead or to slip through: each was seen to do so once."""

from __future__ import annotations

import sys
import tracemalloc
import zlib

import pytest
from evenstring.wire.delta import decode_blocks
from evenstring.wire.encode import Counter, message
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.table import load_table

from tests.host.streams import counts, decode, raw_frame, recording, scans

BLOCK = {
    "groups": 24,
    "passes": 2,
    "currents": 0,
    "packs": 0,
    "temps": 0,
    "step_uv": 1000,
    "step_us": 4200,
    "turn_us": 4200,
    "flags": 0,
    "drop": 0,
}


def _block(name: str, scans_stated: int, bits: bytes, **more: int) -> bytes:
    values = BLOCK | more
    groups = min(values["groups"], 40)
    known = {f.name for f in load_table().message(name).fields}
    arrays = {"low": [0] * groups, "high": [0] * groups, "follow": [0] * groups}
    stated = {"scans": scans_stated, "bits": bits}
    return message(name, 7, 1000, **{k: v for k, v in (values | arrays | stated).items() if k in known})


@pytest.mark.parametrize("name", ["DELTA", "DELTA2"])
def test_a_block_gives_no_more_scans_than_its_bits_have_room_for(name: str) -> None:
    """The stated 65,535 scans would take minutes and gigabytes; 40 bytes of bits hold 13 at most."""
    batch = StreamDecoder().feed(_block(name, 65535, b"\x00" * 40))

    found = decode_blocks(batch.frames)

    assert sum(len(rows.rows) for rows in found) <= 40 * 8 // 26 + 1


@pytest.mark.parametrize("name", ["DELTA", "DELTA2"])
def test_small_blocks_of_many_shapes_ask_for_no_more_memory_than_they_fill(name: str) -> None:
    """436 bytes of eight shapes ran past five minutes, 18,944 bytes asked for 32 GiB."""
    stream = b"".join(_block(name, 65535, b"\xff" * 8, groups=g, temps=g % 4) for g in range(1, 41))

    found = decode_blocks(StreamDecoder().feed(stream).frames)

    assert sum(rows.rows.nbytes for rows in found) < 100 * len(stream)


def test_a_block_that_states_two_hundred_temperatures_is_no_block() -> None:
    batch = StreamDecoder().feed(_block("DELTA2", 50, b"\x00" * 400, temps=200))

    assert decode_blocks(batch.frames) == []


def test_a_scan_one_byte_short_is_damaged_and_not_a_number() -> None:
    """The missing last byte was once read from the CRC behind it."""
    whole = [body for _, body in decode([scans(1, groups=5)])[0]]
    decoder = StreamDecoder()
    batch = decoder.feed(raw_frame(whole[0][:-1]))

    assert not batch.scans
    assert counts(decoder)[:2] == (0, 1)


def test_two_frames_whose_wrong_checks_cancel_are_both_damaged() -> None:
    """CRC-32 is linear: a second error can be made that undoes the first one's trace, where the distance is known."""
    body = bytes([0xF0]) + bytes(range(1, 101))  # no zero in it: one COBS block, so places stay
    rows = [body + zlib.crc32(body).to_bytes(4, "little")] * 64
    width = len(rows[0]) + 1
    for distance in range(1, 40):
        error = bytearray(width)
        error[20] = 0x40
        between = width * distance - 4  # from the end of the one row to the check of the other
        trace = zlib.crc32(bytes(error) + bytes(between)) ^ zlib.crc32(bytes(width + between))
        wrong = [bytearray(r) for r in rows]
        wrong[3][19] ^= 0x40
        # What the error leaves in the register is undone where the later row's own check begins.
        for k, byte in enumerate(trace.to_bytes(4, "little")):
            wrong[3 + distance][len(rows[0]) - 4 + k] ^= byte
        stream = b"".join(_stuffed(bytes(r)) for r in wrong)
        decoder = StreamDecoder()
        decoder.feed(stream)
        assert counts(decoder)[:2] == (62, 2), distance


def _stuffed(frame: bytes) -> bytes:
    from cobs import cobs  # noqa: PLC0415  # the outside encoder, needed here alone

    return bytes(cobs.encode(frame)) + b"\0"


def test_what_is_lost_does_not_hang_on_where_a_read_ends() -> None:
    """An overlong piece was once counted before the frames that stood ahead of it in the same read."""
    counter = Counter()
    first = recording(6, groups=5)
    for _ in range(9):
        counter.next()
    stream = first + b"\xff" * 9000 + b"\0" + scans(3, groups=5, counter=counter, begin_ms=9000)
    whole = decode([stream])

    for cut in (len(first), len(first) + 1, len(first) + 5000, len(first) + 9000):
        assert decode([stream[:cut], stream[cut:]]) == whole


def test_uptime_that_leaps_forward_by_half_its_range_is_a_restart() -> None:
    """Specification, "uptime_ms": a difference of 2^31 or more, modulo 2^32, is no time that passed."""
    counter = Counter()
    early = scans(2, groups=3, counter=counter, begin_ms=1000)
    for _ in range(50):
        counter.next()
    late = scans(2, groups=3, counter=counter, begin_ms=1000 + (1 << 31) + 5000)
    decoder = StreamDecoder()
    decoder.feed(early + late)

    assert decoder.frames_lost == 0


@pytest.mark.parametrize("code", [1, 2, 255])
def test_pieces_of_every_length_cost_their_bytes_and_not_their_codes(code: int) -> None:
    """Runs of 0x01 are a code a byte; 1,000 of them of all lengths once took 970 times as long as scans do.

    Counted in calls of numpy, not in seconds: a step of all rows at once must not be paid for each byte of one row.
    """
    stream = b"".join(bytes([code]) * (1 + 3 * k) + b"\0" for k in range(300))
    calls = 0

    def count(_frame: object, event: str, function: object) -> None:
        nonlocal calls
        calls += event == "c_call" and getattr(function, "__name__", "") != "append"

    decoder = StreamDecoder()
    sys.setprofile(count)
    try:
        decoder.feed(stream)
    finally:
        sys.setprofile(None)

    assert decoder.frames_damaged + decoder.console_pieces == 300
    assert calls < len(stream) // 4


def test_frames_of_ever_new_shapes_take_no_memory_that_stays() -> None:
    """Half a million fuzzed streams had grown the decoder to a gigabyte: it remembered the layout of every shape."""
    decoder = StreamDecoder()

    def feed(temps: range) -> int:
        for count in temps:
            for packs in range(20):
                body = bytes((2, 0, 0, 0, 0, 0, 0, 0, 1, 1, 0, packs, count, 0, 0, 0, 0)) + bytes(
                    2 * (1 + packs + count)
                )
                decoder.feed(raw_frame(body))
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    first = feed(range(20))
    second = feed(range(20, 100))
    tracemalloc.stop()

    assert decoder.frames_good == 2000
    assert second < first + 1_000_000  # it was eight million
