"""The board's delta encoder on the host, and strings and rides to feed it with."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
from evenstring.sim.scenario import parse_scenario

from tests.mp import FIRMWARE, VIRTUAL

sys.path.insert(0, str(VIRTUAL / "cpython"))
sys.path.insert(0, str(FIRMWARE))  # the same file that a board runs

from evenboard.flash.delta import DeltaEncoder  # after the path
from evenstring_protocol import framing

GROUPS, RATE = 24, 5


def encode(readings: Any, sides: Any, encoder: DeltaEncoder, interval_ms: int = 200, start_ms: int = 1000) -> bytes:
    """Frames of all scans; blocks follow each other as on the board."""
    out, seq = bytearray(), 0
    stuffed = bytearray(framing.encoded_size(len(encoder.buf)))

    def close() -> None:
        nonlocal seq
        n = encoder.close(seq)
        framing.put_crc(encoder.buf, n)
        size = framing.encode(encoder.buf, n + 4, stuffed)
        assert size <= 4096
        out.extend(stuffed[:size])
        seq += 1
        encoder.begin(0)

    for i, (row, side) in enumerate(zip(readings.tolist(), sides.tolist(), strict=True)):
        now = (start_ms + i * interval_ms) & 0xFFFFFFFF
        if not encoder.add(now & 0xFFFF, now >> 16, row, side):
            close()
            assert encoder.add(now & 0xFFFF, now >> 16, row, side)
    close()
    return bytes(out)


def even_string(n: int, groups: int, passes: int, seed: int) -> Any:
    rng = np.random.default_rng(seed)
    base = 3900 + rng.normal(0, 5, groups)
    noise = rng.normal(0, np.sqrt(passes), (n, passes, groups))  # the mean of the passes has 1 mV
    return np.rint((base + noise) * 5).astype(np.int64).reshape(n, -1)


def made_up_ride(n: int) -> np.ndarray:
    """Readings of a harsh ride: load that changes each second, resistances that differ widely, noise of 1 mV."""
    rng = np.random.default_rng(11)
    load = np.repeat(rng.gamma(2.0, 6.0, n // RATE + 1) * (rng.random(n // RATE + 1) > 0.25), RATE)[:n]
    smooth = np.convolve(load, np.ones(4) / 4, mode="same")  # A
    ohm = 0.0025 * (1 + 0.06 * rng.normal(size=GROUPS))
    ohm[4] *= 1.5
    slope = np.linspace(3.95, 3.55, n)[:, None]
    volts = slope + 0.004 * rng.normal(size=GROUPS) - smooth[:, None] * ohm + 0.001 * rng.normal(size=(n, GROUPS))
    return np.rint(volts / 200e-6).astype(np.int64)


_SCENARIO = """
[pack]
groups = 24
soc = 0.95
seed = 7
[[step]]
do = "ride"
minutes = 90
seed = 3
peak_a = 30
"""


def simulated_ride(n: int) -> tuple[np.ndarray, np.ndarray]:
    """The simulator's ride: readings with noise of 1 mV; current (noise 20 mA), pack voltage, one temperature."""
    ride = parse_scenario(_SCENARIO).run()
    rng = np.random.default_rng(7)
    at = np.arange(n) / RATE
    volts = np.stack([np.interp(at, ride.time_s, ride.volts_v[:, g]) for g in range(GROUPS)], axis=1)
    current = np.interp(at, ride.time_s, ride.current_a) + 0.02 * rng.normal(size=n)
    pack = volts.sum(axis=1) + 0.01 * rng.normal(size=n)
    side = np.stack([np.rint(current * 100), np.rint(pack * 100), np.full(n, 2500)], axis=1).astype(np.int64)
    return np.rint((volts + 0.001 * rng.normal(size=volts.shape)) / 200e-6).astype(np.int64), side


def bits_a_reading(readings: np.ndarray, side: np.ndarray | None = None) -> float:
    """Everything included; without `side` one temperature that does not change."""
    if side is None:
        side, encoder = np.full((len(readings), 1), 2500), DeltaEncoder(GROUPS, 1, 0, 0, 1)
    else:
        encoder = DeltaEncoder(GROUPS, 1, 1, 1, 1)
    return 8 * len(encode(readings, side, encoder)) / readings.size
