"""The specification is enough: a decoder that knows nothing but its text, `cobs` and `zlib` reads all vectors."""

from __future__ import annotations

import math
import re
import zlib
from typing import Any

import pytest
from cobs import cobs
from evenstring_protocol import framing, wire

from tests.mp import PROTOCOL
from tests.vectors import VECTORS, Vector

TEXT = (PROTOCOL / "SPECIFICATION.md").read_text(encoding="utf-8")
_ROW = re.compile(r"^\| `(\w+)` \| (\w+)(?:\[([\w x]+)\])? \|(.*)\|$", re.MULTILINE)
_TEXT = set(range(0x20, 0x7F)) | {9, 10, 13, 27}


class TooShortError(Exception):
    """The payload ends before its fields."""


def _messages() -> dict[int, tuple[str, list[tuple[str, str, str, str]]]]:
    """Name and fields of each message by its code, from the headings and tables of the text."""
    found = {}
    for chapter in TEXT.split("\n### ")[1:]:
        head = re.match(r"(\w+) \(code (\d+), 0x[0-9A-F]{2}\)", chapter)
        if head:
            found[int(head.group(2))] = (head.group(1), _ROW.findall(chapter.split("\n#", 1)[0]))
    return found


MESSAGES = _messages()


class Payload:
    """Reads fields one after another, as "From frames to values" says."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def take(self, n: int) -> bytes:
        if n > len(self.data):
            raise TooShortError
        taken, self.data = self.data[:n], self.data[n:]
        return taken

    def number(self, kind: str) -> int:
        return int.from_bytes(self.take(int(kind[1:]) // 8), "little", signed=kind[0] == "i")

    def field(self, kind: str, count: str, before: dict[str, Any]) -> Any:
        if kind.startswith(("text", "bytes")):
            raw = self.take(self.number("u" + re.sub(r"\D", "", kind)))
            return raw.decode("utf-8", "replace") if kind.startswith("text") else raw
        if count:
            return [self.number(kind) for _ in range(math.prod(before[name] for name in count.split(" x ")))]
        return self.number(kind)


def read(plain: bytes) -> tuple[int, str, int, int, dict[str, Any]]:
    """Code, name, seq, uptime and values of an unstuffed frame."""
    code, seq, uptime = plain[0], int.from_bytes(plain[1:3], "little"), int.from_bytes(plain[3:7], "little")
    if code not in MESSAGES:
        return code, "", seq, uptime, {}
    name, fields = MESSAGES[code]
    payload, values = Payload(plain[7:-4]), {}
    for field, kind, count, meaning in fields:
        try:
            values[field] = payload.field(kind, count, values)
        except TooShortError:
            if "appended later" not in meaning:
                raise
            break
    contradiction = name == "SCAN" and not (
        1 <= values["groups"] <= 40
        and values["passes"] in (1, 2)
        and values["currents"] in (0, 1, values["passes"] * values["groups"])
    )
    if contradiction:
        raise TooShortError
    return code, name, seq, uptime, values


@pytest.mark.parametrize("vector", VECTORS, ids=str)
def test_a_decoder_made_from_the_text_reads_the_vector(vector: Vector) -> None:
    found, damaged, texts = [], 0, []
    for piece in vector.pieces():
        try:
            plain = cobs.decode(piece)
            if len(plain) < 11 or zlib.crc32(plain) != 0x2144DF1C:
                raise TooShortError
            found.append(read(plain))
        except (cobs.DecodeError, TooShortError):
            if len(piece) >= 8 and set(piece) <= _TEXT:
                texts.append(piece)
            else:
                damaged += 1

    assert [(f.code, f.name, f.seq, f.uptime_ms) for f in vector.frames] == [entry[:4] for entry in found]
    assert vector.damaged == damaged
    assert (vector.console, vector.console_bytes) == (len(texts), sum(map(len, texts)))
    assert all(f.values in (None, entry[4]) for f, entry in zip(vector.frames, found, strict=True))


def test_the_timing_example_follows_from_its_formula() -> None:
    """The table of "When each group was read"."""
    chapter = TEXT.split("### When each group was read", 1)[1].split("\n## ", 1)[0]
    rows = [
        tuple(int(v) for v in row) for row in re.findall(r"^\| (\d+) \| (\d+) \| (\d+) \| (\d+) \|$", chapter, re.M)
    ]
    n, step, turn = 3, 4200, 9000
    expected = []
    for g in range(1, n + 1):
        out, back = (g - 1) * step, (n - 1) * step + turn + (n - g) * step
        expected.append((g, out, back, (out + back) // 2))

    assert expected == rows


def test_every_limit_in_the_text_is_the_codes() -> None:
    assert f"| frame, unstuffed | {wire.MAX_FRAME} bytes |" in TEXT
    assert f"| piece | {framing.encoded_size(wire.MAX_FRAME) - 1} bytes, without its 0x00 |" in TEXT
    assert f"| groups | {wire.MAX_GROUPS} |" in TEXT
    assert f"payload, n from 0 to {wire.MAX_FRAME - wire.HEADER_SIZE - framing.CRC_SIZE} |" in TEXT
