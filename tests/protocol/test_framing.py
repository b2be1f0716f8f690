"""Framing against outside references, on CPython and on both MicroPythons, and what it must never do: allocate."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from cobs import cobs
from evenstring_protocol import best, framing
from hypothesis import given
from hypothesis import strategies as st

from tests.mp import PROTOCOL, ROOT, Runtime, Unix64
from tests.protocol.agree import payloads
from tests.shares import first_few


def stuffed(data: bytes) -> bytes:
    out = bytearray(framing.encoded_size(len(data)))
    return bytes(out[: framing.encode(data, len(data), out)])


def unstuffed(piece: bytes) -> bytes | None:
    out = bytearray(len(piece) + 1)
    size = framing.decode(piece, len(piece), out)
    return None if size < 0 else bytes(out[:size])


@pytest.mark.slow
@pytest.mark.parametrize(("count", "seed"), first_few(1, [(8_000, 1), (50_000, 2), (50_000, 3)]))
def test_agrees_with_cobs_zlib_and_anycrc_on_random_payloads(count: int, seed: int) -> None:
    """Of 0 to 600 bytes; 100,000 in `make soak`."""
    plain = {k: v for k, v in os.environ.items() if not k.startswith("COV")}
    command = [sys.executable, "-m", "tests.protocol.agree", str(count), str(seed)]
    done = subprocess.run(command, cwd=ROOT, env=plain, capture_output=True, text=True, timeout=300, check=False)

    assert done.stdout.strip() == str(count), done.stderr


@given(st.binary(max_size=700))
def test_what_was_stuffed_comes_back_and_holds_no_zero(data: bytes) -> None:
    wire = stuffed(data)

    assert wire.index(0) == len(wire) - 1
    assert len(wire) <= framing.encoded_size(len(data))
    assert unstuffed(wire[:-1]) == data


@given(st.binary(max_size=300))
def test_unstuffing_any_bytes_ends_as_the_reference_ends(piece: bytes) -> None:
    """The package `cobs` refuses what it cannot unstuff; we return -1 for just the same pieces."""
    try:
        expected = cobs.decode(piece)
    except cobs.DecodeError:
        expected = None

    assert unstuffed(piece) == expected


@pytest.mark.parametrize("piece", [b"\0", b"\x02\0", b"\x03\x01\0", b"\x01\0", b"\x02", b"\xff" + b"\x01" * 253])
def test_a_piece_with_a_zero_or_a_code_beyond_its_end_is_damaged(piece: bytes) -> None:
    assert unstuffed(piece) is None


@given(st.binary(max_size=300))
def test_unstuffing_in_place_gives_the_same(data: bytes) -> None:
    piece = bytearray(stuffed(data)[:-1])
    size = framing.decode(piece, len(piece), piece)

    assert bytes(piece[:size]) == data


@pytest.mark.parametrize("size", [0, 1, 253, 254, 255, 507, 508, 509, 510, 4096])
def test_the_worst_case_costs_one_byte_in_254(size: int) -> None:
    """Cheshire and Baker 1999: at most one byte of overhead in 254, and one for the frame."""
    data = b"\xff" * size
    wire = stuffed(data)

    assert wire == cobs.encode(data) + b"\0"
    assert len(wire) <= size + max(1, -(-size // 254)) + 1 <= framing.encoded_size(size)


def test_the_published_check_value() -> None:
    """CRC-32/ISO-HDLC of "123456789" is 0xCBF43926."""
    buf = bytearray(b"123456789----")
    framing.put_crc(buf, 9)

    assert buf[9:] == bytes.fromhex("26 39 F4 CB")


def test_any_one_flipped_bit_is_found() -> None:
    frame = bytearray(range(40)) + bytearray(4)
    framing.put_crc(frame, 40)
    assert framing.crc_ok(frame, 44)
    for bit in range(8 * len(frame)):
        frame[bit // 8] ^= 1 << bit % 8
        assert not framing.crc_ok(frame, 44)
        frame[bit // 8] ^= 1 << bit % 8


@pytest.mark.parametrize("size", [0, 1, 2, 3])
def test_what_is_too_short_for_a_crc_has_no_good_one(size: int) -> None:
    assert not framing.crc_ok(bytearray(8), size)


def test_a_computer_uses_the_plain_twins() -> None:
    assert not best.VIPER
    assert best.encode is framing.encode


# Each case of cases.bin: u16 size, payload with its CRC; u16 size, stuffed with its 0x00.
_COMPARE = """
import struct
from evenstring_protocol import MODULE as framing

def blobs(f):
    while True:
        head = f.read(2)
        if not head:
            return
        yield f.read(struct.unpack("<H", head)[0])

good = 0
with open(sys.path[0] + "/cases.bin", "rb") as f:
    case = blobs(f)
    for plain in case:
        wire = next(case)
        n = len(plain)
        buf = bytearray(plain)
        buf[-4:] = bytes(4)
        framing.put_crc(buf, n - 4)
        out = bytearray(framing.encoded_size(n))
        size = framing.encode(buf, n, out)
        back = bytearray(n)
        same = bytes(buf) == plain and out[:size] == wire and framing.decode(wire, size - 1, back) == n and back == buf
        ok = framing.crc_ok(back, n)
        back[n // 2] ^= 16
        good += same and ok and not framing.crc_ok(back, n)
print(good)
"""


def _write_cases(path: Path, count: int) -> None:
    with path.open("wb") as f:
        for data in payloads(count, seed=3):
            plain = data + zlib.crc32(data).to_bytes(4, "little")
            wire = cobs.encode(plain) + b"\0"
            f.write(struct.pack("<H", len(plain)) + plain + struct.pack("<H", len(wire)) + wire)


@pytest.mark.parametrize("module", ["framing", "best"])
def test_micropython_agrees_with_the_references(runtime: Runtime, module: str, tmp_path: Path) -> None:
    """1,000 payloads each; `best` is viper on the 64-bit port, the plain twins on the 32-bit one."""
    _write_cases(tmp_path / "cases.bin", 1000)

    script = "import sys" + _COMPARE.replace("MODULE", module)
    assert runtime.run(script, path=[tmp_path, PROTOCOL], heap="32m", collect=False) == ["1000"]


def test_viper_is_taken_where_there_is_viper(runtime: Runtime) -> None:
    found = runtime.run("from evenstring_protocol import best\nprint(best.VIPER)")

    assert found == [str(runtime.has_viper)]


_LOCKED = """
import micropython, binascii
from evenstring_protocol import MODULE as framing

buf = bytearray(700)
out = bytearray(framing.encoded_size(700))

def frames():
    state = 1
    for n in range(0, 690, 3):
        for i in range(n):
            state = (state * 1103 + 12345) & 0xFFFF
            buf[i] = 0 if state < 4000 else state >> 8
        framing.put_crc(buf, n)
        size = framing.encode(buf, n + 4, out)
        back = framing.decode(out, size - 1, out)
        if back != n + 4 or not framing.crc_ok(out, back):
            return -n
    return n

last = [0]
micropython.heap_lock()
last[0] = frames()
micropython.heap_unlock()
print(last[0])
"""


@pytest.mark.parametrize("module", ["framing", "best"])
def test_nothing_is_allocated(runtime: Runtime, module: str) -> None:
    """230 frames with the heap locked. The CRCs pass 2^30 in three of four: on 32 bits an integer would show."""
    assert runtime.run(_LOCKED.replace("MODULE", module), heap="128k") == ["687"]


def test_the_proof_would_find_an_allocation(runtime: Runtime) -> None:
    """With the CRC held in one integer, `binascii.crc32`: the 32-bit runtime refuses, the 64-bit one sees nothing."""
    script = _LOCKED.replace("MODULE", "framing").replace(
        "    framing.put_crc(buf, n)", "    crc = binascii.crc32(buf); framing.put_crc(buf, n)"
    )
    if runtime.bits == 64:
        assert runtime.run(script) == ["687"]
    else:
        with pytest.raises(AssertionError, match="MemoryError"):
            runtime.run(script)


@pytest.mark.parametrize(
    "call",
    ["put_crc(b, 7)", "put_crc(b, -1)", "crc_ok(b, 11)", "encode(b, 11, o)", "encode(b, 10, b)", "encode(b, -1, o)"],
)
def test_viper_never_writes_beyond_a_buffer(runtime64: Unix64, call: str) -> None:
    """Machine code checks no bounds: a wrong length must be refused before it runs."""
    script = f"from evenstring_protocol import framing_fast\nb = bytearray(10)\no = bytearray(12)\nframing_fast.{call}"
    with pytest.raises(AssertionError, match="IndexError"):
        runtime64.run(script)
