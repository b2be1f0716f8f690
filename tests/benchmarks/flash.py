"""Recording on flash: bits a reading against the entropy bound, hours in a budget, and what littlefs makes of it.

Current and pack voltage cost 5.8 and 3.0 bits a scan. Tried on the simulator's ride, without gain enough for the bar:
the current predicted by its slope or half of it (5.9 and 6.1 bits for the last value's 6.6, counted alone; 5.8 with a
faster mean for the choice of the code), the pack voltage by the sum of its groups (2.4 for 3.0); both together would
bring 0.965 MB to about 0.947. Steps of 50 mA and 20 mV alone bring 0.921, of 100 mA and 50 mV 0.900, and those are
coarser than the sensors. What is left is their noise (3.0 and 2.0 bits at 20 mA and 10 mV) and the ride itself.
"""

from __future__ import annotations

import numpy as np
from evenstring.wire.delta import decode_blocks
from evenstring.wire.stream import StreamDecoder

from tests.benchmarks.decode import seconds
from tests.firmware.rig.delta_rides import (
    GROUPS,
    RATE,
    DeltaEncoder,
    bits_a_reading,
    encode,
    even_string,
    made_up_ride,
    simulated_ride,
)
from tests.firmware.rig.run import FOLDERS, RIG
from tests.mp import Unix64

HOURS = 6
# Serial NOR flash of the usual 2 MB class, from memory of its data sheets: erase of a 4 kB sector 45 ms typical, 400 ms
# at most; program of a 256-byte page 0.4 ms typical, 3 ms at most; 100,000 erases a sector.
ERASE_MS, ERASE_MAX_MS, PAGE_MS, PAGE_MAX_MS, CYCLES = 45, 400, 0.4, 3, 100_000


def run() -> list[str]:
    n = RATE * 3600 * HOURS
    entropy = 0.5 * np.log2(2 * np.pi * np.e)
    data = encode(even_string(n, GROUPS, 1, 1), np.full((n, 1), 2500), DeltaEncoder(GROUPS, 1, 0, 0, 1))
    bits = 8 * len(data) / (n * GROUPS)
    ride, side = simulated_ride(20_000)
    frames = StreamDecoder().feed(data).frames
    took_s = seconds(lambda: decode_blocks(frames), 3)
    lines = [f"{HOURS} h at {RATE}/s, {GROUPS} groups, steps of 1 mV, noise 1 mV, everything included (bar 0.9 MB):"]
    for what, got in (
        ("noise alone", bits),
        ("the simulator's ride", bits_a_reading(ride)),
        ("a harsh made-up ride", bits_a_reading(made_up_ride(20_000))),
        ("the simulator's ride with current and pack voltage", bits_a_reading(ride, side)),
    ):
        size = got * n * GROUPS / 8e6
        lines.append(f"  {what}: {size:.3f} MB, {got:.3f} bits a reading, {got / entropy:.3f} x {entropy:.3f} of noise")
    return [
        *lines,
        f"decoding: {n * GROUPS / took_s / 1e6:.1f} million readings a second in this run",
        *_wear(len(data)),
    ]


def _wear(day_bytes: int) -> list[str]:
    """Littlefs under the recorder, on a 1,408 kB file system (a common 2 MB board): amplification, stall, years."""
    sectors = 352
    args = [str(sectors), "24000", str(GROUPS), "32"]
    out = Unix64().run(RIG / "wear_script.py", path=FOLDERS, heap="64m", args=args, timeout_s=300)
    written, programmed, erased, e1, b1, e2, b2 = (int(v) for v in out[0].split())
    fill, taken = (int(v) for v in out[1].split()[:2])
    per_byte = erased / written
    years = CYCLES * sectors / (per_byte * day_bytes * 365)
    return [
        f"littlefs programs {programmed / written:.2f} bytes a byte, erases {per_byte * 4096:.2f} sectors a 4 kB block",
        f"segments hold {fill / written:.1%} of fill and take {taken / written:.3f} bytes of flash a byte",
        f"one block holds the board up {_stall(e1, b1)}; a new segment {_stall(e2, b2)}",
        f"{HOURS} h of it every day, over {sectors} sectors: {years:.0f} years to {CYCLES:,} erases a sector",
    ]


def _stall(erases: int, programmed: int) -> str:
    pages = programmed / 256
    typical, most = erases * ERASE_MS + pages * PAGE_MS, erases * ERASE_MAX_MS + pages * PAGE_MAX_MS
    return f"{typical:.0f} ms typical, {most:.0f} at most ({erases} erases)"
