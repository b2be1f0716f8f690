"""`construct` definitions made from the message table: single messages, inspection, and the checked description of all.

construct declares, builds and inspects single messages (tens of microseconds each). The stream decoder reads them with
`struct` formats made from the same table, some twenty times as quick; a test holds both to agree. Scans in bulk are
numpy rows, see `evenstring.wire.stream`.
"""

from __future__ import annotations

import struct
from functools import cache
from itertools import groupby, takewhile
from math import prod
from typing import Any, NamedTuple

import construct as cs

from evenstring.wire.table import Field, Message, load_table

__all__ = [
    "HEADER_SIZE",
    "Frame",
    "build_payload",
    "by_code",
    "fixed_size",
    "inspect_payload",
    "parse_payload",
    "payload_struct",
]

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


_FORMATS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q"}
_TEXT8, _TEXT16 = struct.Struct("<B"), struct.Struct("<H")


class _Text(cs.Adapter):  # type: ignore[misc]  # construct ships no types
    """UTF-8 with a length before it; bytes that are no UTF-8 show as U+FFFD instead of stopping the reader."""

    def _decode(self, obj: bytes, context: Any, path: str) -> str:  # noqa: ARG002  # signature of construct
        return bytes(obj).decode("utf-8", "replace")

    def _encode(self, obj: str, context: Any, path: str) -> bytes:  # noqa: ARG002  # signature of construct
        return obj.encode("utf-8")


class Frame(NamedTuple):
    """One good frame."""

    code: int
    name: str  # "" when the table does not know the code
    seq: int
    uptime_ms: int
    payload: bytes
    ordinal: int = 0  # place among the pieces of the stream, damaged ones included
    parsed: dict[str, Any] | None = None  # the fields, where the decoder had to read them anyway

    @property
    def values(self) -> dict[str, Any]:
        """The fields by name; empty for a code that the table does not know."""
        return self.parsed if self.parsed is not None else parse_payload(self.code, self.payload) or {}


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
    """The payload of a message, as a construct Struct; reads as far as known, whatever stands behind.

    A field that was appended later is None where it is missing.
    """
    fields = by_code()[code].fields
    return cs.Struct(*(item.name / (cs.Optional(_subcon(item)) if item.later else _subcon(item)) for item in fields))


@cache
def _writer(code: int, missing: frozenset[str]) -> Any:
    return cs.Struct(*(item.name / _subcon(item) for item in by_code()[code].fields if item.name not in missing))


@cache
def _plan(code: int) -> tuple[tuple[struct.Struct | Field, tuple[str, ...]], ...]:
    """How to read a payload: formats of neighbouring numbers with their names; arrays and texts by themselves.

    Empty for an unknown code. Fields that were appended later are not in it.
    """
    steps: list[tuple[struct.Struct | Field, tuple[str, ...]]] = []
    known = by_code()[code].fields if code in by_code() else ()
    for simple, run in groupby((f for f in known if not f.later), lambda f: not f.count and f.type in _FORMATS):
        fields = list(run)
        if simple:
            form = struct.Struct("<" + "".join(_FORMATS[f.type] for f in fields))
            steps.append((form, tuple(f.name for f in fields)))
        else:
            steps += [(f, ()) for f in fields]
    return tuple(steps)


@cache
def fixed_size(code: int) -> int | None:
    """Bytes that a message takes at least (0 for an unknown code), or None when that depends on its fields."""
    forms = [form for form, _names in _plan(code)]
    return (
        None if any(isinstance(f, Field) for f in forms) else sum(f.size for f in forms if isinstance(f, struct.Struct))
    )


def parse_payload(code: int, payload: bytes) -> dict[str, Any] | None:
    """All fields that the table knows; what stands behind them is left unread.

    Returns None when the payload ends before them (such a frame counts as damaged), and nothing for an unknown code.
    Of fields that were appended later those are there that the payload holds whole.
    """
    values: dict[str, Any] = {}
    at = 0
    try:
        for form, names in _plan(code):
            if isinstance(form, struct.Struct):
                values.update(zip(names, form.unpack_from(payload, at), strict=True))
                at += form.size
            else:
                values[form.name], at = _read_field(form, values, payload, at)
    except struct.error:
        return None
    for name, form in _later(code):
        if at + form.size > len(payload):
            break
        (values[name],) = form.unpack_from(payload, at)
        at += form.size
    return values


@cache
def _later(code: int) -> tuple[tuple[str, struct.Struct], ...]:
    """Fields that were appended later, all of them plain numbers."""
    known = by_code()[code].fields if code in by_code() else ()
    return tuple((f.name, struct.Struct("<" + _FORMATS[f.type])) for f in known if f.later)


def _read_field(item: Field, values: dict[str, Any], payload: bytes, at: int) -> tuple[Any, int]:
    """An array or a text, and where the next field begins; struct.error when the payload ends before."""
    if item.count:
        array = struct.Struct(f"<{prod(values[n] for n in item.count)}{_FORMATS[item.type]}")
        return array.unpack_from(payload, at), at + array.size
    length = _TEXT8 if item.type == "text8" else _TEXT16
    begin = at + length.size
    end = begin + length.unpack_from(payload, at)[0]
    if end > len(payload):
        raise struct.error(item.name)
    raw = payload[begin:end]
    return raw if item.type == "bytes16" else raw.decode("utf-8", "replace"), end


def inspect_payload(code: int, payload: bytes) -> dict[str, Any]:
    """The same through the declared construct Struct; raises construct's error when the payload is too short."""
    parsed = payload_struct(code).parse(payload)
    # Behind a field that is missing there is none: construct would read a part of it for the next one.
    there = takewhile(lambda item: parsed[item.name] is not None, by_code()[code].fields)
    return {item.name: _plain(parsed[item.name]) for item in there}


def _plain(value: Any) -> Any:
    return tuple(value) if isinstance(value, cs.ListContainer) else value


def build_payload(name: str, values: dict[str, Any]) -> bytes:
    """Payload bytes of the named message; raises construct's error when a value does not fit (a bug, not bad input).

    Fields that were appended later may be left out.
    """
    message = load_table().message(name)
    missing = frozenset(f.name for f in message.fields if f.later and f.name not in values)
    built: bytes = _writer(message.code, missing).build(values)
    return built
