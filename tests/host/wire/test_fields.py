"""Every field of every message by three readers: numpy or `struct` plans, `construct`, and the field table by hand."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from construct import ConstructError
from evenstring.wire.dtypes import scan_dtype
from evenstring.wire.encode import Counter, message, volts_to_steps
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.structs import build_payload, inspect_payload, parse_payload
from evenstring.wire.table import Message, load_table

from tests.host.streams import decode, scans

_RANGES = {"u8": (0, 255), "i8": (-128, 127), "u16": (0, 65535), "i16": (-32768, 32767), "u32": (0, 2**32 - 1)}
_RANGES |= {"i32": (-(2**31), 2**31 - 1), "u64": (0, 2**64 - 1)}
_LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q"}


def some_values(message: Message, rng: np.random.Generator) -> dict[str, Any]:
    counting = {name for f in message.fields for name in f.count}
    values: dict[str, Any] = {}
    for f in message.fields:
        if f.name in counting:
            values[f.name] = int(rng.integers(1, 4))
        elif f.count:
            length = int(np.prod([values[n] for n in f.count]))
            values[f.name] = tuple(int(v) for v in rng.integers(*_RANGES[f.type], size=length, endpoint=True))
        elif f.type in _RANGES:
            low, high = _RANGES[f.type]
            values[f.name] = (low, high, 1)[int(rng.integers(3))]
        elif f.type == "bytes16":
            values[f.name] = rng.bytes(int(rng.integers(0, 20)))
        else:
            values[f.name] = ["", "grüße", "a" * 200][int(rng.integers(3))]
    return values


@pytest.mark.parametrize("entry", load_table().messages, ids=lambda m: m.name)
def test_plans_and_construct_read_what_construct_built(entry: Message) -> None:
    rng = np.random.default_rng(entry.code)
    for _ in range(20):
        values = some_values(entry, rng)
        payload = build_payload(entry.name, values)

        assert parse_payload(entry.code, payload) == values
        assert inspect_payload(entry.code, payload) == values


@pytest.mark.parametrize("entry", [m for m in load_table().messages if m.fields], ids=lambda m: m.name)
def test_no_message_is_read_from_less_than_its_bytes(entry: Message) -> None:
    values = some_values(entry, np.random.default_rng(entry.code))
    payload = build_payload(entry.name, values)
    for size in range(_least(entry, values)):
        assert parse_payload(entry.code, payload[:size]) is None


def _least(entry: Message, values: dict[str, Any]) -> int:
    """Bytes of a payload that ends before the fields that were appended later."""
    return len(build_payload(entry.name, {k: v for k, v in values.items() if k not in _appended(entry)}))


def _appended(entry: Message) -> list[str]:
    return [f.name for f in entry.fields if f.later]


@pytest.mark.parametrize("entry", [m for m in load_table().messages if _appended(m)], ids=lambda m: m.name)
def test_an_appended_field_is_there_only_when_it_is_whole(entry: Message) -> None:
    """The specification's growth rule; construct reads the same."""
    values = some_values(entry, np.random.default_rng(entry.code))
    payload = build_payload(entry.name, values)
    for size in range(_least(entry, values), len(payload) + 1):
        found = parse_payload(entry.code, payload[:size])

        assert found is not None
        assert found == {k: v for k, v in values.items() if k in found}
        there = [name for name in _appended(entry) if name in found]
        assert there == _appended(entry)[: len(there)]
        assert _least(entry, values) <= len(build_payload(entry.name, found)) <= size
        assert found == inspect_payload(entry.code, payload[:size])


def test_a_value_that_does_not_fit_an_appended_field_is_a_bug_and_not_left_out() -> None:
    entry = load_table().message("IDENT")
    values = some_values(entry, np.random.default_rng(1)) | {"record_room": 70000}

    with pytest.raises(ConstructError):
        build_payload("IDENT", values)


def test_numpy_reads_scans_as_struct_does() -> None:
    """Outside reference: `struct`, with the layout written out here from the specification's table."""
    stream = scans(200, groups=6)
    rows = StreamDecoder().feed(stream).scans[0].rows
    for row, (_, body) in zip(rows, decode([stream])[0], strict=True):
        head = struct.unpack_from("<BHIBBBBBBHH", body)
        arrays = struct.unpack_from("<12hhh", body, 17)
        names = (
            "code",
            "seq",
            "uptime_ms",
            "flags",
            "groups",
            "passes",
            "currents",
            "packs",
            "temps",
            "step_us",
            "turn_us",
        )

        assert head == tuple(int(row[n]) for n in names)
        assert arrays == (*row["reading"].tolist(), *row["current"].tolist(), *row["temp"].tolist())


def test_the_size_of_a_scan_is_that_of_its_fields() -> None:
    """By hand: header 7, ten bytes of counts and times, then 2 bytes a value."""
    assert scan_dtype(24, 2, 48, 3, 4).itemsize == 7 + 10 + 2 * (48 + 48 + 3 + 4)


def test_broken_text_shows_as_replacement_characters() -> None:
    good = message("MARK_NOTE", 0, 0, text="ab")
    payload = b"\x02\x00\xff\xfe"

    assert parse_payload(98, payload) == {"text": "��"}
    assert StreamDecoder().feed(good).frames[0].values == {"text": "ab"}


def test_volts_become_steps_and_codes() -> None:
    """0.2 mV a step; the values that are no voltage as in the specification."""
    volts = np.array([4.2, -0.0002, 0.0, np.nan, 6.5532, 6.5534, 9.0, -6.553, -6.5532, -9.0])

    assert volts_to_steps(volts).tolist() == [21000, -1, 0, -32768, 32766, 32767, 32767, -32765, -32767, -32767]


def test_the_bulk_encoder_numbers_its_frames() -> None:
    counter = Counter()
    scans(7, 3, counter)

    assert counter.next() == 7


def test_the_bulk_encoder_stuffs_as_cobs_does() -> None:
    """Outside reference: the `cobs` package reads every frame, and its own are as long."""
    rng = np.random.default_rng(3)
    each = rng.integers(257, 8000, (50, 80)).astype(np.int16)
    for stream in (scans(50, 40), scans(50, 40, current_10ma=each)):
        for piece in stream.split(b"\0")[:-1]:
            assert len(cobs.encode(cobs.decode(piece))) == len(piece)
