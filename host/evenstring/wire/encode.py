"""Frames from values: single messages through `construct`, scans in bulk through numpy.

The board encodes with `evenstring_protocol.framing`; this is for what the host itself writes (commands, marks, imported
tables, simulated recordings). Both are held to the same vectors.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from evenstring_protocol import framing
from numpy.typing import NDArray

from evenstring.wire.dtypes import scan_dtype
from evenstring.wire.structs import build_payload
from evenstring.wire.table import load_table

__all__ = [
    "Counter", "ScanValues", "first_message", "frame", "hundredths", "identity", "message", "message_of",
    "scan_frames", "volts_to_steps",
]  # fmt: skip

I16 = NDArray[np.int16]

_ROWS = 4096  # stuffed at once: what fits into a cache; our choice, by trial


def frame(code: int, seq: int, uptime_ms: int, payload: bytes) -> bytes:
    """A stuffed frame with its closing 0x00; seq and uptime are taken modulo their width."""
    body = (
        bytes([code]) + (seq & 0xFFFF).to_bytes(2, "little") + (uptime_ms & 0xFFFFFFFF).to_bytes(4, "little") + payload
    )
    body += zlib.crc32(body).to_bytes(4, "little")
    out = bytearray(framing.encoded_size(len(body)))
    return bytes(out[: framing.encode(body, len(body), out)])


def message(name: str, seq: int, uptime_ms: int, **values: Any) -> bytes:
    """A stuffed frame of the named message."""
    return frame(load_table().message(name).code, seq, uptime_ms, build_payload(name, values))


def message_of(name: str, counter: Counter, **values: Any) -> bytes:
    """A stuffed frame of the named message, with the sender's next number."""
    return message(name, counter.next(), 0, **values)


def first_message(name: str, counter: Counter, **values: Any) -> bytes:
    """The same for a board that has not spoken yet: numbered so that no byte of the frame is 0x03.

    That byte would interrupt an interpreter that is only starting, and so end the monitor before it began.
    """
    while True:
        made = message(name, counter.next(), 0, **values)
        if b"\x03" not in made:
            return made


@dataclass(slots=True)
class Counter:
    """Sequence numbers of one sender."""

    value: int = -1

    def next(self) -> int:
        """The next number, modulo 2^16."""
        self.value = (self.value + 1) & 0xFFFF
        return self.value


@dataclass(frozen=True, slots=True, eq=False)
class ScanValues:
    """n scans of one shape, ready for the wire.

    Attributes:
        uptime_ms: (n,) instant of the first reading.
        reading: (n, passes x groups) steps and reading codes, int16; way out first.
        groups, passes: shape of the string.
        current_10ma: (n, c) int16 or None; pack_10mv: (n, p) uint16 or None; temp_cdegc: (n, k) int16 or None.
        step_us, turn_us: timing of the readings. flags: (n,) or one value.
    """

    uptime_ms: NDArray[np.int64]
    reading: I16
    groups: int
    passes: int = 2
    current_10ma: I16 | None = None
    pack_10mv: NDArray[np.uint16] | None = None
    temp_cdegc: I16 | None = None
    step_us: int = 0
    turn_us: int = 0
    flags: int | NDArray[np.uint8] = 0


def volts_to_steps(volts_v: NDArray[Any]) -> I16:
    """Volts to reading steps; NaN becomes no_reading, beyond the range the over-range codes. Shape is kept."""
    table = load_table()
    codes = table.reading_codes
    steps = np.asarray(volts_v, np.float64) * (1e6 / table.reading_step_uv)
    np.rint(steps, out=steps)
    # The lowest codes are reserved: what would fall on them is beyond the range too.
    if np.abs(steps).max(initial=0.0) < -codes["lead_open"]:  # usual, and quick; false where there is a NaN
        return steps.astype(np.int16)
    missing = np.isnan(steps)
    steps[missing] = 0.0
    out = np.clip(steps, codes["over_negative"], codes["over_positive"])
    out[steps <= codes["lead_open"]] = codes["over_negative"]
    out[missing] = codes["no_reading"]
    return out.astype(np.int16)


def hundredths(values: NDArray[Any]) -> I16:
    """Hundredths of a unit; NaN becomes the code for no reading."""
    return np.where(np.isnan(values), -32768, np.rint(np.nan_to_num(values) * 100.0)).astype(np.int16)


def identity(
    counter: Counter, groups: int, front_end: str, *, measures: int = 0, temps: int = 0, **more: object
) -> bytes:
    """An IDENT frame for a recording that no board made; meter uncertainties are unknown unless given."""
    table = load_table()
    values: dict[str, object] = {
        "schema": table.schema,
        "groups": groups,
        "reading_step_uv": table.reading_step_uv,
        "front_end": table.enums["front_end"][front_end],
        "measures": measures,
        "temps": temps,
        "scan_ms": 0,
        "noise_uv": 65535,
        "channel_u_uv": 65535,
        "gain_u_ppm": 65535,
        "boot_count": 0,
        "reset_reason": 0,
        "board_id": "",
        "string_name": "",
        "firmware": "",
        "runtime": "",
    }
    return message("IDENT", counter.next(), 0, **(values | more))


def scan_frames(values: ScanValues, counter: Counter) -> bytes:
    """All scans as stuffed frames, in order; takes as many sequence numbers from `counter`."""
    n = len(values.uptime_ms)
    counts = {
        name: 0 if array is None else array.shape[1]
        for name, array in (
            ("currents", values.current_10ma),
            ("packs", values.pack_10mv),
            ("temps", values.temp_cdegc),
        )
    }
    kind = scan_dtype(values.groups, values.passes, counts["currents"], counts["packs"], counts["temps"])
    rows = np.zeros(n, kind)
    rows["code"] = load_table().message("SCAN").code
    rows["seq"] = (counter.value + 1 + np.arange(n)) & 0xFFFF
    counter.value = (counter.value + n) & 0xFFFF
    rows["uptime_ms"] = values.uptime_ms & 0xFFFFFFFF
    for name, value in {"groups": values.groups, "passes": values.passes, **counts}.items():
        rows[name] = value
    rows["flags"], rows["step_us"], rows["turn_us"] = values.flags, values.step_us, values.turn_us
    rows["reading"] = values.reading
    for name, array in (("current", values.current_10ma), ("pack", values.pack_10mv), ("temp", values.temp_cdegc)):
        if array is not None:
            rows[name] = array
    bodies = rows.view(np.uint8).reshape(n, kind.itemsize)
    return b"".join(_stuff_rows(bodies[first : first + _ROWS]) for first in range(0, n, _ROWS))


def _stuff_rows(bodies: NDArray[np.uint8]) -> bytes:
    """CRC and COBS for rows of equal length, shape (n, size), C-contiguous."""
    n, size = bodies.shape
    # Room before each frame for the first code; behind it the CRC and the delimiter.
    out = np.zeros((n, size + 6), np.uint8)
    out[:, 1 : size + 1] = bodies
    sums = np.fromiter(map(zlib.crc32, bodies.view(f"V{size}")[:, 0].tolist()), "<u4", n)
    out[:, size + 1 : size + 5] = sums.view(np.uint8).reshape(n, 4)
    flat = out.reshape(-1)
    zeros = np.flatnonzero(flat == 0)
    runs = np.diff(zeros, append=len(flat))
    if runs.max() > 254:  # a block of 254 without a zero: rare, and stuffed one by one
        return b"".join(_stuff_one(out[k, 1:-1].tobytes()) for k in range(n))
    flat[zeros] = runs.astype(np.uint8)
    out[:, -1] = 0
    return flat.tobytes()


def _stuff_one(body: bytes) -> bytes:
    out = bytearray(framing.encoded_size(len(body)))
    return bytes(out[: framing.encode(body, len(body), out)])
