"""The delta coder of the board against the decoder of the host: same numbers, few bits, any input."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
import pytest
from evenstring.wire.delta import block_extremes, decode_blocks
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.structs import Frame, build_payload
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.firmware.rig.delta_rides import (
    DeltaEncoder,
    bits_a_reading,
    encode,
    even_string,
    made_up_ride,
    simulated_ride,
)
from tests.firmware.rig.run import FOLDERS
from tests.mp import Unix64, Wasm32

NO, NEGATIVE, OPEN, POSITIVE = -32768, -32767, -32766, 32767
# Entropy of Gaussian noise of one step: log2(sqrt(2 pi e)) = 2.047 bits (any text on information theory).
ENTROPY_BITS = 0.5 * np.log2(2 * np.pi * np.e)


def decode(data: bytes) -> tuple[Any, tuple[Frame, ...]]:
    decoder = StreamDecoder()
    frames = decoder.feed(data).frames
    assert decoder.frames_damaged == 0
    parts = sorted(decode_blocks(frames), key=lambda s: s.ordinals[0])
    return np.concatenate([p.rows for p in parts]), frames


def stored(readings: Any, groups: int, passes: int, step: int) -> Any:
    """What the specification says is stored: the mean of the passes, rounded half up; codes by precedence."""
    out = np.zeros((len(readings), groups), np.int64)
    for i, row in enumerate(readings):
        for g in range(groups):
            values = [int(row[g + p * groups]) for p in range(passes)]
            numbers = [v for v in values if v not in (NO, NEGATIVE, OPEN, POSITIVE)]
            trouble = [v for v in values if v in (NEGATIVE, OPEN, POSITIVE)]
            if trouble:
                out[i, g] = trouble[0]
            elif not numbers:
                out[i, g] = NO
            else:
                k = len(numbers)
                out[i, g] = (2 * sum(numbers) + k * step) // (2 * k * step) * step
    return out


def test_white_noise_costs_less_than_1_3_times_its_entropy() -> None:
    readings = even_string(4000, 24, 2, 1)
    data = encode(readings, np.full((4000, 1), 2500), DeltaEncoder(24, temps=1))

    bits = len(data) * 8 / (4000 * 24)
    print(
        f"\n{bits:.3f} bits a reading, everything included; entropy {ENTROPY_BITS:.3f}, ratio {bits / ENTROPY_BITS:.3f}"
    )
    assert bits <= 1.3 * ENTROPY_BITS


def test_six_hours_of_riding_fit_the_flash() -> None:
    """24 groups at 5 scans/s in steps of 1 mV with 1 mV of noise: 0.9 MB is 2.778 bits a reading."""
    ride, _ = simulated_ride(8000)

    simulated, harsh = bits_a_reading(ride), bits_a_reading(made_up_ride(16000))

    print(f"\nsimulated ride {simulated:.3f}, harsh one {harsh:.3f} bits a reading, everything included")
    assert 6 * 3600 * 5 * 24 * max(simulated, harsh) / 8e6 <= 0.9


def test_a_ride_comes_back_with_shares_and_drop_learnt() -> None:
    ride, side = simulated_ride(2500)
    ride[:, 16] -= (ride.max(axis=0)[0] - ride[:, 0]) // 3  # one group sags by a third more

    rows, frames = decode(encode(ride, side, DeltaEncoder(24, 1, 1, 1, 1)))

    assert np.array_equal(rows["reading"], stored(ride, 24, 1, 5))
    assert np.array_equal(rows["current"][:, 0], side[:, 0])
    assert np.array_equal(rows["pack"][:, 0], side[:, 1])
    last = frames[-1].values
    assert 70 < last["follow"][16] < 95  # a third is 85 of 256
    assert 200 < last["drop"] < 400  # 7 mohm: 0.07 mV for 10 mA, 287 of 4096


def test_what_was_stored_comes_back() -> None:
    rng = np.random.default_rng(2)
    readings = even_string(2000, 24, 2, 3)
    readings[:, 4] -= rng.integers(0, 900, 2000)  # a weak group
    readings += (rng.normal(0, 400, (2000, 1))).astype(np.int64)  # sag moves all
    readings[100:160, 3] = OPEN
    readings[100:160, 27] = OPEN
    readings[500:, 7] = NO
    readings[700:720, 10] = POSITIVE
    readings[800, 12:15] = NEGATIVE
    readings[:3, 0] = readings[:3, 24] = NO
    sides = np.stack([rng.integers(-3000, 500, 2000), rng.integers(6000, 10000, 2000), np.full(2000, -32768)], 1)

    rows, frames = decode(encode(readings, sides, DeltaEncoder(24, 2, 1, 1, 1)))

    assert np.array_equal(rows["reading"], stored(readings, 24, 2, 5))
    assert np.array_equal(rows["current"][:, 0], sides[:, 0])
    assert np.array_equal(rows["pack"][:, 0], sides[:, 1])
    assert np.array_equal(rows["temp"][:, 0], sides[:, 2])
    assert np.array_equal(rows["uptime_ms"], 1000 + 200 * np.arange(2000))
    assert len(frames) > 3


def test_extremes_are_single_readings_at_full_resolution() -> None:
    readings = even_string(50, 3, 2, 4)
    readings[20, 1] = 16001
    readings[30, 5] = -777
    readings[:, 0] = OPEN
    readings[:, 3] = NO

    _, frames = decode(encode(readings, np.zeros((50, 0), int), DeltaEncoder(3)))
    extremes = block_extremes(frames[0])

    assert extremes.high[1] == max(16001, readings[:, [1, 4]].max())
    assert extremes.low[2] == -777
    assert extremes.low[0] == extremes.high[0] == NO


VALUE = st.one_of(st.integers(-32768, 32767), st.sampled_from([NO, NEGATIVE, OPEN, POSITIVE]))


@settings(max_examples=120, deadline=None)
@given(data=st.data(), groups=st.integers(1, 6), passes=st.sampled_from([1, 2]), step=st.sampled_from([1, 2, 5]))
def test_any_readings_come_back(data: st.DataObject, groups: int, passes: int, step: int) -> None:
    n = data.draw(st.integers(1, 12))
    row = st.lists(VALUE, min_size=groups * passes, max_size=groups * passes)
    readings = np.array(data.draw(st.lists(row, min_size=n, max_size=n)))
    side = st.lists(st.integers(-32768, 32767), min_size=1, max_size=1)
    sides = np.array(data.draw(st.lists(side, min_size=n, max_size=n)))

    rows, _ = decode(encode(readings, sides, DeltaEncoder(groups, passes, 1, 0, 0, 200 * step), 7))

    low, high = OPEN + 1, POSITIVE - 1
    expected = stored(readings, groups, passes, step)
    special = np.isin(expected, (NO, NEGATIVE, OPEN, POSITIVE))
    numbers = np.clip(expected, low, high)
    got = rows["reading"]
    # A mean at the very end of the range may round onto a reserved value; the nearest number stands for it then.
    assert np.array_equal(np.where(special & (got == expected), expected, numbers), got)
    assert np.array_equal(rows["current"][:, 0], sides[:, 0])


def test_uptime_wraps_within_a_block() -> None:
    readings = even_string(40, 4, 1, 5)
    start = 2**32 - 3000

    rows, frames = decode(encode(readings, np.zeros((40, 0), int), DeltaEncoder(4, 1), 200, start))

    assert len(frames) == 1
    assert np.array_equal(rows["uptime_ms"], (start + 200 * np.arange(40)) % 2**32)


@settings(max_examples=30, deadline=None)
@given(bits=st.binary(max_size=200), scans=st.integers(1, 300), groups=st.integers(1, 40))
def test_bits_that_make_no_sense_raise_nothing(bits: bytes, scans: int, groups: int) -> None:
    values: dict[str, Any] = {
        "flags": 0, "groups": groups, "passes": 2, "currents": 1, "packs": 1, "temps": 2, "step_uv": 1000,
        "step_us": 0, "turn_us": 0, "scans": scans, "low": (0,) * groups, "high": (0,) * groups, "bits": bits,
    }  # fmt: skip

    new = {**values, "drop": -32768, "follow": (-128,) * groups}

    found = decode_blocks([Frame(6, "DELTA", 0, 0, build_payload("DELTA", values))])
    found_new = decode_blocks([Frame(13, "DELTA2", 0, 0, build_payload("DELTA2", new))])

    assert sum(len(s.rows) for s in found) <= scans
    assert sum(len(s.rows) for s in found_new) <= scans


SAME = """
import binascii
from array import array
from evenboard.flash.delta import DeltaEncoder
n = {groups}
enc = DeltaEncoder(n, 2, 1, 1, 2)
readings = array("h", bytes(4 * n))
state = 1
total = 0
for scan in range(400):
    for i in range(2 * n):
        state = (state * 75 + 74) % 65537
        readings[i] = 19500 + (state & 31) - scan + (-40000 if state == 77 else 0)
    if not enc.add((scan * 250) & 0xffff, scan * 250 >> 16, readings, (scan - 100, 8000, 2500, 2600)):
        size = enc.close(0)
        total ^= binascii.crc32(memoryview(enc.buf)[:size])
        enc.begin(0)
size = enc.close(0)
total ^= binascii.crc32(memoryview(enc.buf)[:size])
print(total & 0xffffffff, size)
"""


def test_all_runtimes_make_the_same_bytes(runtime: Unix64 | Wasm32) -> None:
    script = SAME.format(groups=24)
    printed: list[str] = []
    exec(compile(script, "same", "exec"), {"print": lambda *a: printed.append(" ".join(str(v) for v in a))})

    assert runtime.run(script, path=FOLDERS) == printed
    assert zlib.crc32(b"123456789") == 0xCBF43926  # the check value of ITU-T V.42


WILD = """
import micropython
from array import array
from evenboard.flash.delta import DeltaEncoder
n = 40
readings = array("h", bytes(4 * n))
now = array("i", bytes(4 * 4))
EDGES = (-32768, -32767, -32766, -32765, -1, 0, 32765, 32766, 32767)
def run(enc, scans):
    state = 1
    blocks = 0
    for scan in range(scans):
        for i in range(2 * n):
            state = (state * 75 + 74) % 65537
            readings[i] = EDGES[state % 9] if state & 0x300 == 0 else state - 32768 if state < 65536 else 0
        for i in range(4):
            state = (state * 75 + 74) % 65537
            now[i] = (state & 1) * 65535 if i == 1 else ((state & 1) * 65535 - 32768)
        if not enc.add(scan * 977 & 0xffff, scan * 977 >> 16, readings, now):
            enc.close(0)
            enc.begin(0)
            blocks += 1
            enc.add(scan * 977 & 0xffff, scan * 977 >> 16, readings, now)
    return blocks
def main():
    total = 0
    for step_uv in (200, 1000, 65400):
        enc = DeltaEncoder(n, 2, 1, 1, 2, step_uv)
        run(enc, 3)
        micropython.heap_lock()
        total += run(enc, 150)
        micropython.heap_unlock()
    print(total)
main()
"""


def test_no_reading_however_wild_makes_an_integer_that_a_board_would_have_to_allocate(
    runtime: Unix64 | Wasm32,
) -> None:
    """Ends of the ranges in turn, all steps: on the 32-bit build an integer of 2^30 is an allocation, and refused."""
    assert int(runtime.run(WILD, path=FOLDERS)[-1]) > 10


@pytest.mark.parametrize("step_uv", [0, 100, 300])
def test_a_step_that_no_reading_has_is_refused(step_uv: int) -> None:
    with pytest.raises(ValueError, match="multiple"):
        DeltaEncoder(4, step_uv=step_uv)


def test_a_limited_block_is_as_long_as_fits_and_holds_one_scan_of_the_largest_string_in_512_bytes() -> None:
    """Stuffed sizes by the published worst case (Cheshire, Baker): one byte in 254, a code before and 0x00 behind."""
    encoder = DeltaEncoder(40, passes=2, currents=1, packs=1, temps=8)
    for room in range(512, 4097):
        encoder.limit(room)
        n = encoder._bits.limit
        assert n + n // 254 + 2 <= room < (n + 1) + (n + 1) // 254 + 2 or n == len(encoder.buf)

    encoder.limit(512)
    wild = [32766 if g % 2 else -32765 for g in range(40)] * 2
    assert encoder.add(0, 0, wild, [-30000, 60000] + [32000] * 8)
