"""What the monitor sends, as the interlock takes it."""

from __future__ import annotations

import math

import numpy as np

from evenstring.io.scan_volts import scan_currents, scan_volts
from evenstring.session import Quality
from evenstring.wire.stream import Batch
from evenstring.wire.table import load_table
from evenstring.workshop.instrument.interlock import Scan

__all__ = ["alarms_after", "scans_in"]

_LAST = 3  # scans of one piece of the stream; what is older changes nothing that is to be done now
_ABOVE_RANGE_V = 6.5  # of a group beyond the positive end of the range: published (reading scale of the protocol)
_KEPT = ("below_discard", "reversed")  # kept over a reset by the board: such a pack is not charged


def scans_in(batch: Batch) -> list[Scan]:
    """The last few scans, in order."""
    found: list[Scan] = []
    for block in batch.scans:
        rows = block.rows[-_LAST:]
        seen, currents = scan_volts(rows, block.step_uv), scan_currents(rows)
        volts = np.where(seen.quality == Quality.OVER_POSITIVE, _ABOVE_RANGE_V, seen.volts_v)
        for k, row in enumerate(rows):
            amps = math.nan if currents is None else float(currents[1][k])
            temps = tuple(float(t) * 0.01 for t in np.atleast_1d(row["temp"])[: int(row["temps"])] if t != -32768)
            found.append(Scan(tuple(_read(v) for v in volts[k]), _read(amps), temps))
    return found


def alarms_after(alarms: frozenset[tuple[str, int]], batch: Batch) -> frozenset[tuple[str, int]]:
    """The board's standing warnings (kind, place) after what it sent."""
    names = {number: name for name, number in load_table().enums["alarm"].items()}
    latched = load_table().enums["alarm_change"]["latched"]
    for frame in batch.frames:
        if frame.name != "ALARM":
            continue
        number = frame.values["alarm"]
        one = (names.get(number, f"alarm {number}"), int(frame.values["place"]))
        kept = frame.values["change"] == latched and one[0] in _KEPT
        alarms = alarms | {one} if kept or frame.values["active"] >> number & 1 else alarms - {one}
    return alarms


def _read(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
