"""The stream decoder: nothing lost, nothing invented, whatever comes in."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.wire.encode import Counter, frame, message
from evenstring.wire.stream import StreamDecoder
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.host.streams import by_reference, counts, decode, raw_frame, recording, scans

GOOD = message("REPLY", 9, 5000, to_code=65, to_seq=3, status=0, detail="")


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=700))
def test_after_any_bytes_the_next_frame_is_found(junk: bytes) -> None:
    decoder = StreamDecoder()
    decoder.feed(junk)
    found = decoder.feed(b"\0" + GOOD)

    assert GOOD in [raw_frame(b) for _, b in decode([GOOD])[0]]
    assert found.frames[-1].name == "REPLY"
    assert found.frames[-1].seq == 9


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_stream_cut_anywhere_decodes_as_the_whole(data: st.DataObject) -> None:
    stream = recording(12, groups=5) + b"\0\0noise\0" + GOOD + b"tail"
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    parts = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]

    assert decode(parts) == decode([stream])


def test_byte_by_byte_decodes_as_the_whole() -> None:
    stream = recording(8) + GOOD

    assert decode(stream[k : k + 1] for k in range(len(stream))) == decode([stream])


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.binary(max_size=600).map(lambda body: b"\xf0" + body.ljust(6, b"x")), max_size=12),
    st.binary(max_size=40),
)
def test_frames_and_damage_agree_with_cobs_and_zlib(bodies: list[bytes], junk: bytes) -> None:
    """Outside references: the `cobs` package and `zlib`. Code 0xF0 is in no table, so any payload will do.

    The junk holds a byte that no console prints, since text between frames is counted apart.
    """
    stream = (junk and b"\xff" + junk) + b"\0" + b"".join(raw_frame(body) for body in bodies)
    found, (good, damaged, _, unknown, _) = decode([stream])

    expected, expected_damaged = by_reference(stream)
    assert [b for _, b in found] == expected
    assert (good, damaged, unknown) == (len(expected), expected_damaged, len(expected))


@pytest.mark.parametrize("groups", [1, 24, 40])
@pytest.mark.parametrize("each", [False, True])
def test_scans_of_any_size_agree_with_cobs_and_zlib(groups: int, each: bool) -> None:
    """With a current for each reading a frame is longer than 254 bytes and has full COBS blocks."""
    rng = np.random.default_rng(8)
    n = 300
    current = rng.integers(257, 8000, (n, 2 * groups)).astype(np.int16) if each else None
    stream = scans(n, groups, **({"current_10ma": current} if each else {}))
    found, (good, damaged, lost, _, tail) = decode([stream])

    expected, _ = by_reference(stream)
    assert [b for _, b in found] == expected
    assert (good, damaged, lost, tail) == (n, 0, 0, 0)


def test_one_flipped_bit_in_each_of_200_frames_costs_exactly_these() -> None:
    """Only bits of the body that leave no 0x00 behind; a flip in or to a delimiter is another case, below."""
    rng = np.random.default_rng(200)
    frames = [f + b"\0" for f in scans(600).split(b"\0")[:-1]]
    hit = set(rng.choice(600, 200, replace=False).tolist())
    sent = []
    for k, one in enumerate(frames):
        changed = bytearray(one)
        while k in hit and bytes(changed) == one:
            at, bit = int(rng.integers(len(one) - 1)), 1 << int(rng.integers(8))
            if one[at] ^ bit:
                changed[at] ^= bit
        sent.append(bytes(changed))
    found, (good, damaged, lost, _, _) = decode([b"".join(sent)])

    rest = decode(one for k, one in enumerate(frames) if k not in hit)[0]
    assert [b for _, b in found] == [b for _, b in rest]
    assert (good, damaged, lost) == (400, 200, 0)


def test_every_single_bit_of_a_frame_is_protected() -> None:
    first, second, third = (f + b"\0" for f in scans(3, groups=4).split(b"\0")[:-1])
    whole = [b for _, b in decode([first + third])[0]]
    for at in range(len(second) - 1):
        for bit in range(8):
            changed = bytearray(second)
            changed[at] ^= 1 << bit
            found, (good, damaged, lost, _, _) = decode([first + bytes(changed) + third])

            pieces = len([p for p in bytes(changed)[:-1].split(b"\0") if p])
            assert [b for _, b in found] == whole
            assert (good, damaged, lost) == (2, pieces, 0)


def test_a_lost_delimiter_costs_two_frames() -> None:
    frames = scans(4, groups=4).split(b"\0")[:-1]
    stream = frames[0] + b"\0" + frames[1] + b"\x01" + frames[2] + b"\0" + frames[3] + b"\0"

    assert decode([stream])[1] == (2, 1, 1, 0, 0)


@pytest.mark.parametrize("step", [1, 7, 10_000])
def test_the_end_of_a_frame_met_on_joining_is_counted_and_known_as_that(step: int) -> None:
    stream = recording(8)[9:]
    decoder = StreamDecoder()
    for at in range(0, len(stream), step):
        decoder.feed(stream[at : at + step])

    assert (decoder.frames_damaged, decoder.cut_on_joining, decoder.frames_lost) == (1, 1, 0)


@pytest.mark.parametrize("before", [b"", b"one\0two\0", GOOD + b"torn\0"])
def test_damage_elsewhere_is_no_joining(before: bytes) -> None:
    decoder = StreamDecoder()
    decoder.feed(before + recording(8) + b"torn\0")

    assert decoder.cut_on_joining == 0


def test_numbers_missing_in_seq_are_lost_frames() -> None:
    frames = [f + b"\0" for f in scans(20, groups=3).split(b"\0")[:-1]]

    assert decode([b"".join(frames[:5] + frames[8:])])[1][2] == 3
    assert decode(frames[:5] + frames[8:])[1][2] == 3


def test_a_repeated_frame_is_no_loss() -> None:
    frames = [f + b"\0" for f in scans(6, groups=3).split(b"\0")[:-1]]

    assert decode([b"".join([*frames[:4], frames[3], *frames[4:]])])[1][2] == 0


def test_seq_wraps_without_loss() -> None:
    counter = Counter(65530)

    assert decode([scans(20, 3, counter)])[1] == (20, 0, 0, 0, 0)


@pytest.mark.parametrize("begin_ms", [1000, 900_000])
def test_another_boot_begins_its_own_count(begin_ms: int) -> None:
    """Whether uptime falls, or only IDENT tells."""
    stream = recording(300, 4) + recording(10, 4, boot_count=4, begin_ms=begin_ms)

    assert decode([stream])[1][2] == 0
    assert decode([stream[:9000], stream[9000:]])[1][2] == 0


def test_nothing_is_lost_before_a_recorder_listens() -> None:
    opened = message("MARK_LINK", 0, 0, event=0, port="invented")
    counter = Counter(700)

    assert decode([scans(5, 4) + opened + scans(5, 4, counter, begin_ms=90_000)])[1][2] == 0


def test_wrap_of_uptime_is_no_reset() -> None:
    stream = scans(20, 4, begin_ms=(1 << 32) - 3000)
    frames = [f + b"\0" for f in stream.split(b"\0")[:-1]]

    assert decode([b"".join(frames[:7] + frames[9:])])[1][2] == 2


def test_a_piece_without_end_is_dropped_and_counted_once() -> None:
    decoder = StreamDecoder()
    for _ in range(50):
        decoder.feed(b"\x07" * 1000)
        assert decoder.tail_bytes <= 4113
    found = decoder.feed(b"\x07\0" + GOOD)

    assert len(found.frames) == 1
    assert decoder.frames_damaged == 1


def test_an_overlong_piece_in_one_chunk_is_one_damaged_piece() -> None:
    assert decode([b"\x07" * 9000 + b"\0" + GOOD])[1] == (1, 1, 0, 0, 0)


def test_the_longest_frame_passes_and_one_more_byte_does_not() -> None:
    longest = b"\xf0" + bytes(6) + b"\x01" * (4096 - 11)

    assert decode([raw_frame(longest)])[1][:2] == (1, 0)
    assert decode([raw_frame(longest + b"\x01" * 40)])[1][:2] == (0, 1)


def test_empty_pieces_are_no_damage() -> None:
    assert decode([b"\0\0\0" + GOOD + b"\0\0"])[1] == (1, 0, 0, 0, 0)


def test_a_torn_tail_is_counted_in_bytes() -> None:
    assert decode([GOOD + GOOD[:7]])[1] == (1, 0, 0, 0, 7)


def test_unknown_codes_are_counted_and_passed_on() -> None:
    decoder = StreamDecoder()
    found = decoder.feed(frame(0xF3, 1, 2, b"later"))

    assert counts(decoder) == (1, 0, 0, 1, 0)
    assert found.frames[0].payload == b"later"
    assert found.frames[0].values == {}


@pytest.mark.parametrize("name", ["HEALTH", "IDENT", "SCAN"])
def test_a_payload_too_short_is_damage(name: str) -> None:
    """CRC and COBS are sound, the content ends before its fields do."""
    code = {"HEALTH": 3, "IDENT": 1, "SCAN": 2}[name]

    assert decode([frame(code, 0, 0, b"\x01\x02")])[1] == (0, 1, 0, 0, 0)


def test_a_longer_payload_is_read_as_far_as_known() -> None:
    body = decode([scans(1, groups=4)])[0][0][1]
    decoder = StreamDecoder()
    found = decoder.feed(raw_frame(body + b"\x11\x22\x33") + frame(4, 1, 2, b"\x41\x01\x00\x00\x00" + b"more"))

    assert decoder.frames_damaged == 0
    assert found.scans[0].rows["groups"][0] == 4
    assert found.frames[0].values == {"to_code": 65, "to_seq": 1, "status": 0, "detail": ""}


@pytest.mark.parametrize(("at", "value"), [(8, 0), (8, 41), (9, 0), (9, 3), (10, 2)])
def test_a_scan_that_contradicts_itself_is_damage(at: int, value: int) -> None:
    """Groups 0 or 41, passes 0 or 3, currents 2: places from the specification's tables."""
    body = bytearray(decode([scans(1, groups=4)])[0][0][1] + bytes(200))
    body[at] = value

    assert decode([raw_frame(bytes(body))])[1][:2] == (0, 1)


def test_shapes_may_change_from_frame_to_frame() -> None:
    a, b = scans(30, 4), scans(30, 4, Counter(29), passes=1)
    mixed = b"".join(x + b"\0" for pair in zip(a.split(b"\0")[:-1], b.split(b"\0")[:-1], strict=True) for x in pair)
    found, (good, damaged, _, _, _) = decode([mixed])

    assert [b for _, b in found] == by_reference(mixed)[0]
    assert (good, damaged) == (60, 0)
