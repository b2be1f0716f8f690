"""Random payloads through our framing and through `cobs`, `zlib` and `anycrc`: prints how many agreed.

    python -m tests.protocol.agree COUNT SEED

The tests run it as a process of its own, since tracing for coverage would make it ten times as long.
"""

from __future__ import annotations

import sys
import zlib
from collections.abc import Iterator

import numpy as np
from anycrc import Model
from cobs import cobs
from evenstring_protocol import framing


def payloads(count: int, seed: int, longest: int = 600) -> Iterator[bytes]:
    """Random bytes of random length, from none to all of them zero; every fourth has long runs without a zero."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        n = int(rng.integers(0, longest + 1))
        data = rng.integers(0, 256, n, dtype=np.uint8)
        if k % 4 == 1:
            data[rng.random(n) < rng.random()] = 0
        elif k % 4 == 2:
            data[data == 0] = 1
        elif k % 4 == 3:
            data[data == 0] = 255
            if n > 260:  # a zero close to where a block of 254 is full
                data[250 + int(rng.integers(0, 10))] = 0
        yield data.tobytes()


def agrees(data: bytes, anycrc: Model) -> bool:
    """Whether CRC, stuffing, unstuffing and checking are the references'."""
    n = len(data)
    buf = bytearray(data) + bytearray(4)
    framing.put_crc(buf, n)
    crc = zlib.crc32(data)
    out = bytearray(framing.encoded_size(n + 4))
    size = framing.encode(buf, n + 4, out)
    back = bytearray(n + 4)
    return (
        buf[n:] == crc.to_bytes(4, "little")
        and anycrc.calc(data) == crc
        and bytes(out[:size]) == cobs.encode(bytes(buf)) + b"\0"
        and framing.decode(out, size - 1, back) == n + 4
        and back == buf
        and framing.crc_ok(back, n + 4)
    )


def main(count: int, seed: int) -> int:
    """Print how many agreed; 1 if any did not."""
    anycrc = Model("CRC32-ISO-HDLC")
    good = sum(agrees(data, anycrc) for data in payloads(count, seed))
    print(good)
    return good != count


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
