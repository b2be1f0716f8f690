"""The golden vectors of `protocol/vectors/`, and ways to feed a decoder: whole, byte by byte, with a tail.

They are read here once for all: for the framing on CPython and on both MicroPythons, and for the host's decoder.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from tests.mp import PROTOCOL

FOLDER = PROTOCOL / "vectors"


@dataclass(frozen=True)
class Good:
    """A good frame of a vector; `values` is None where the vector states none."""

    code: int
    seq: int
    uptime_ms: int
    name: str = ""
    values: dict[str, Any] | None = None


@dataclass(frozen=True)
class Vector:
    """Bytes and their meaning."""

    name: str
    why: str
    wire: bytes
    plain: bytes | None = None
    frames: tuple[Good, ...] = ()
    damaged: int = 0
    lost: int = 0
    unknown: int = 0
    console: int = 0  # pieces of console text
    console_bytes: int = 0
    tail: int = 0
    other_writer: bool = False  # may be read, but our writer would not write it so
    source: str = field(default="", compare=False)

    def __str__(self) -> str:
        return self.name

    def pieces(self) -> list[bytes]:
        """What stands between the 0x00, empty pieces left out; without the tail."""
        return [piece for piece in self.wire.split(b"\0")[:-1] if piece]


def hex_bytes(text: str | list[str]) -> bytes:
    """Bytes of '01 FF 00*3', or of several such strings joined."""
    if isinstance(text, list):
        return b"".join(hex_bytes(part) for part in text)
    out = b""
    for token in text.split():
        digits, _, times = token.partition("*")
        out += bytes.fromhex(digits) * int(times or 1)
    return out


def _good(entry: dict[str, Any]) -> Good:
    values = entry.get("values")
    if values is not None:
        # Raw bytes stand in hex, under the field's name and `_hex`.
        values = {k.removesuffix("_hex"): hex_bytes(v) if k.endswith("_hex") else v for k, v in values.items()}
    return Good(**{**entry, "values": values})


def _load() -> Iterator[Vector]:
    for path in sorted(FOLDER.glob("*.toml")):
        for entry in tomllib.loads(path.read_text(encoding="utf-8"))["vector"]:
            frames = tuple(_good(f) for f in entry.pop("frame", ()))
            plain = entry.pop("plain", None)
            wire = hex_bytes(entry.pop("wire"))
            yield Vector(
                **entry, wire=wire, plain=None if plain is None else hex_bytes(plain), frames=frames, source=path.name
            )


VECTORS = tuple(_load())


def feedings(data: bytes) -> Iterator[tuple[str, list[bytes]]]:
    """The same bytes cut in different ways: whole, byte by byte, in odd portions."""
    yield "whole", [data]
    yield "bytewise", [data[i : i + 1] for i in range(len(data))]
    yield "sevens", [data[i : i + 7] for i in range(0, len(data), 7)]
