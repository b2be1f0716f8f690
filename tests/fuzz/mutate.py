"""Our own mutations, seeded: where the coverage-guided fuzzer cannot run, and for a share in every test run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["mutated"]

_KNOWN = (
    b"\0",
    b"\xff",
    b"\x01" * 40,
    b"\x80",
    b"9" * 30,
    b"[pack]\n",
    b"=",
    b'"',
    b"\n",
    b";",
    b",",
    b"1e999",
    "\u00b3\u0663\u202e".encode(),
    b"-",
    b"nan",
)
_LONGEST = 4096


def mutated(seeds: Sequence[bytes], rng: np.random.Generator) -> bytes:
    """One of the seeds, changed in one to eight places: bits, bytes, runs, pieces of another seed."""
    data = bytearray(seeds[rng.integers(len(seeds))])
    for _ in range(rng.integers(1, 9)):
        at = int(rng.integers(len(data) + 1))
        kind = rng.integers(6)
        if kind == 0 and at < len(data):
            data[at] ^= 1 << int(rng.integers(8))
        elif kind == 1 and at < len(data):
            data[at] = int(rng.integers(256))
        elif kind == 2:
            del data[at : at + int(rng.integers(1, 20))]
        elif kind == 3:
            data[at:at] = _KNOWN[rng.integers(len(_KNOWN))]
        elif kind == 4:
            data[at:at] = data[at : at + int(rng.integers(1, 60))] * int(rng.integers(1, 4))
        else:
            other = seeds[rng.integers(len(seeds))]
            begin = int(rng.integers(len(other) + 1))
            data[at:at] = other[begin : begin + int(rng.integers(1, 80))]
    return bytes(data[:_LONGEST])
