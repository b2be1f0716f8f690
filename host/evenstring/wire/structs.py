"""`construct` definitions made from the message table: single messages, inspection, and the checked description of all.

Quick enough for rare messages (tens of microseconds each); scans in bulk go through `evenstring.wire.stream`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from math import prod
from typing import Any

import construct as cs

from evenstring.wire.table import Field, Message, load_table

__all__ = ["HEADER_SIZE", "Frame", "build_payload", "by_code", "parse_frame", "payload_struct"]

HEADER_SIZE = 7

_NUMBERS = {
    "u8": cs.Int8ul,
    "i8": cs.Int8sl,
    "u16": cs.Int16ul,
    "i16": cs.Int16sl,
    "u32": cs.Int32ul,
    "i32": cs.Int32sl,
    "u64": cs.Int64ul,
}


class _Text(cs.Adapter):  # type: ignore[misc]  # construct ships no types
    """UTF-8 with a length before it; bytes that are no UTF-8 show as U+FFFD instead of stopping the reader."""

    def _decode(self, obj: bytes, context: Any, path: str) -> str:  # noqa: ARG002  # signature of construct
        return bytes(obj).decode("utf-8", "replace")

    def _encode(self, obj: str, context: Any, path: str) -> bytes:  # noqa: ARG002  # signature of construct
        return obj.encode("utf-8")


@dataclass(frozen=True, slots=True)
class Frame:
    """One good frame. `values` is empty for a code that the table does not know."""

    code: int
    name: str  # "" when unknown
    seq: int
    uptime_ms: int
    payload: bytes
    values: dict[str, Any] = field(default_factory=dict)
    ordinal: int = 0  # place among the pieces of the stream, damaged ones included


def _subcon(item: Field) -> Any:
    if item.type == "text8":
        return _Text(cs.Prefixed(cs.Int8ul, cs.GreedyBytes))
    if item.type == "text16":
        return _Text(cs.Prefixed(cs.Int16ul, cs.GreedyBytes))
    if item.type == "bytes16":
        return cs.Prefixed(cs.Int16ul, cs.GreedyBytes)
    if item.count:
        return cs.Array(lambda this, names=item.count: prod(this[n] for n in names), _NUMBERS[item.type])
    return _NUMBERS[item.type]


@cache
def by_code() -> dict[int, Message]:
    """Messages by code."""
    return {message.code: message for message in load_table().messages}


@cache
def header_struct() -> Any:
    """The header, as a construct Struct."""
    return cs.Struct(*(item.name / _subcon(item) for item in load_table().header))


@cache
def payload_struct(code: int) -> Any:
    """The payload of a message, as a construct Struct; reads as far as known, whatever stands behind."""
    return cs.Struct(*(item.name / _subcon(item) for item in by_code()[code].fields))


def parse_frame(body: bytes, ordinal: int = 0) -> Frame | None:
    """Read an unstuffed frame whose CRC was checked and cut off.

    Returns None when the payload is shorter than its table says: such a frame counts as damaged.
    """
    if len(body) < HEADER_SIZE:
        return None
    head = header_struct().parse(body)
    payload = bytes(body[HEADER_SIZE:])
    message = by_code().get(head.code)
    if message is None:
        return Frame(head.code, "", head.seq, head.uptime_ms, payload, {}, ordinal)
    try:
        parsed = payload_struct(head.code).parse(payload)
    except cs.ConstructError:
        return None
    values = {item.name: _plain(parsed[item.name]) for item in message.fields}
    return Frame(head.code, message.name, head.seq, head.uptime_ms, payload, values, ordinal)


def _plain(value: Any) -> Any:
    return tuple(value) if isinstance(value, cs.ListContainer) else value


def build_payload(name: str, values: dict[str, Any]) -> bytes:
    """Payload bytes of the named message; raises construct's error when a value does not fit (a bug, not bad input)."""
    built: bytes = payload_struct(load_table().message(name).code).build(values)
    return built
