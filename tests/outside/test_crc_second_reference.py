"""A second outside reference for the CRC: `crccheck` (PyPI), which works from the published parameters."""

from __future__ import annotations

import random

from crccheck.crc import Crc32
from evenstring_protocol import framing

from tests.vectors import VECTORS


def test_the_parameters_are_those_of_the_specification() -> None:
    """CRC-32/ISO-HDLC: ISO/IEC 13239, ITU-T V.42; check value of "123456789" 0xCBF43926."""
    described = (Crc32._poly, Crc32._initvalue, Crc32._reflect_input, Crc32._reflect_output, Crc32._xor_output)

    assert described == (0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF)
    assert Crc32.calc(b"123456789") == 0xCBF43926


def test_every_vector_carries_the_crc_that_the_reference_computes() -> None:
    plain = [v.plain for v in VECTORS if v.plain is not None]

    assert len(plain) > 30
    assert all(Crc32.calc(p[:-4]).to_bytes(4, "little") == p[-4:] for p in plain)


def test_our_crc_is_the_references_on_random_bytes() -> None:
    chance = random.Random(7)
    for _ in range(300):
        data = chance.randbytes(chance.randrange(601))
        buf = bytearray(data) + bytearray(4)
        framing.put_crc(buf, len(data))

        assert buf[-4:] == Crc32.calc(data).to_bytes(4, "little")
