"""A law for each reader of bytes from outside: a breach raises something else than our own errors.

References: framing by the packages `cobs` and `zlib`; payloads by `construct` from the message table.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
from construct import ConstructError
from evenstring.errors import EvenstringError
from evenstring.hardware.front_end import parse_front_end
from evenstring.io.load import load_session
from evenstring.io.table import preview
from evenstring.profile import PackProfile, parse_profile, to_toml
from evenstring.sim.scenario.reader import parse_scenario
from evenstring.wire.delta import DELTA_NAMES, decode_blocks
from evenstring.wire.encode import message
from evenstring.wire.stream import StreamDecoder
from evenstring.wire.structs import by_code, inspect_payload
from evenstring.wire.table import load_table

from tests.fuzz.shapes import frames_of, take
from tests.host.streams import by_reference, counts, flat

__all__ = ["TARGETS"]

_ROWS_OF_A_BYTE = 8  # scans that a byte of delta bits can hold at most: a bit each


def stream(data: bytes) -> None:
    """The same whole, in pieces and byte by byte; every frame is one of the reference's, and none of its is missing."""
    how, data = take(data, 1)
    sent = frames_of(data)
    whole = _decode([sent])
    step = 1 + (how[0] if how else 0)
    assert _decode([sent[k : k + step] for k in range(0, len(sent), step)]) == whole
    if len(sent) < 400:
        assert _decode([sent[k : k + 1] for k in range(len(sent))]) == whole
    good, _ = by_reference(sent)
    found, (kept, damaged, _lost, _unknown, _tail) = whole
    expected = [body for body in good if _means_something(body)]
    assert kept == len(expected)
    # Rows of scans end where the known fields end; what a later version appended is not in them.
    assert all(of.startswith(body) for (_, body), of in zip(found, expected, strict=True))
    assert damaged >= 0


def _decode(parts: list[bytes]) -> tuple[list[tuple[int, bytes]], tuple[int, ...]]:
    decoder = StreamDecoder()
    found = flat([decoder.feed(part) for part in parts])
    return found, counts(decoder)


def _means_something(body: bytes) -> bool:
    """Whether the specification knows the payload, or does not know the code at all."""
    code, payload = body[0], body[7:]
    if code not in by_code():
        return True
    try:
        values = inspect_payload(code, payload)
    except ConstructError:
        return False
    message_of = by_code()[code]
    if any(f.name not in values for f in message_of.fields if not f.later):
        return False
    if message_of.name != "SCAN":
        return True
    each = values["passes"] * values["groups"]
    return (
        1 <= values["groups"] <= load_table().max_groups
        and values["passes"] in (1, 2)
        and values["currents"] in (0, 1, each)
    )


def delta(data: bytes) -> None:
    """A block gives no more scans than its bits have room for, whatever it states."""
    head, bits = take(data, 12)
    if len(head) < 12:
        return
    groups = 1 + head[1] % 40
    values: dict[str, Any] = {
        "groups": groups, "passes": 1 + head[2] % 3, "currents": head[3] % 3, "packs": head[4] % 3,
        "temps": head[5] % 20, "scans": head[6] << 8 | head[7], "step_uv": 200 * (1 + head[8] % 6),
        "step_us": 4200, "turn_us": 4200, "flags": head[9], "drop": head[10] - 128, "bits": bits[:2000],
        "low": [0] * groups, "high": [0] * groups, "follow": [head[11] - 128] * groups,
    }  # fmt: skip
    name = DELTA_NAMES[head[0] & 1]
    known = {f.name for f in load_table().message(name).fields}
    sent = message(name, 1, 5000, **{k: v for k, v in values.items() if k in known})
    found = decode_blocks(StreamDecoder().feed(sent).frames)

    scans = sum(len(block.rows) for block in found)
    assert scans <= min(values["scans"], _ROWS_OF_A_BYTE * len(values["bits"]) + 1)
    for block in found:
        steps = block.rows["reading"].astype(np.int64)
        assert np.all((steps >= -32768) & (steps <= 32767))


def recording(data: bytes) -> None:
    """A file of frames is a session, or one of our errors; times rise or say that they do not."""
    with _file(frames_of(data), ".frames") as path:
        session = load_session([path])
        assert session.volts_v.shape == session.quality.shape
        assert np.isfinite(session.time_s).all()
        assert np.isnan(session.volts_v[session.quality != 0]).all()


def table(data: bytes) -> None:
    """A table gives a plan and rows, or one of our errors."""
    how, data = take(data, 1)
    with _file(data, ".csv") as path:
        preview(path, PackProfile(groups=1 + (how[0] % 6 if how else 0)), None)


def pack(data: bytes) -> None:
    """A profile that is read writes itself as one that is read the same."""
    profile = parse_profile(data.decode("utf-8", "replace"))
    assert parse_profile(to_toml(profile)) == profile


def scenario(data: bytes) -> None:
    """A scenario is read, or refused in one line."""
    parse_scenario(data.decode("utf-8", "replace"))


def front_end(data: bytes) -> None:
    """A description of a front end is read, or refused in one line."""
    parse_front_end(data.decode("utf-8", "replace"), "front end")


@contextmanager
def _file(data: bytes, suffix: str) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"input{suffix}"
        path.write_bytes(data)
        yield path


def _ours_only(law: Callable[[bytes], None]) -> Callable[[bytes], None]:
    def run(data: bytes) -> None:
        with suppress(EvenstringError):
            law(data)

    return run


TARGETS: dict[str, Callable[[bytes], None]] = {
    law.__name__: _ours_only(law) for law in (stream, delta, recording, table, pack, scenario, front_end)
}
