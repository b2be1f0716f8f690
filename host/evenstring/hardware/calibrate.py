"""Offset and gain of each channel from a recording and a reference meter.

Model, as the firmware applies it: corrected = (raw + offset) x (1 + gain). With reference readings at one voltage only
the offset can be known; the gain needs points at least `GAIN_SPAN_V` apart. Least squares with the weights of both
instruments; uncertainties after JCGM 100:2008, the reference's own error taken as common to all of a channel's points.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenstring.errors import InputError
from evenstring.session import Quality, Session

__all__ = ["GAIN_SPAN_V", "Channel", "ReferencePoint", "calibrate", "compose", "joined", "parse_reference"]

GAIN_SPAN_V = 0.4  # less tells offset from gain too poorly
_MAX_OFFSET_UV = 50_000  # limits of the board description
_MAX_GAIN_PPM = 10_000
_MIN_SCANS = 10
_COLUMNS = ("group", "start_s", "end_s", "volts", "u_volts")


@dataclass(frozen=True, slots=True)
class ReferencePoint:
    """What the reference meter showed for a group while scans from start_s to end_s were taken; u_v is k = 1."""

    group: int
    start_s: float
    end_s: float
    volts_v: float
    u_v: float


@dataclass(frozen=True, slots=True)
class Channel:
    """Correction of one group's channel.

    Standard uncertainties of a corrected reading within the range measured: `u_own_v` of this channel alone,
    `u_reference_v` of the reference meter, common to all channels, so that it cancels in the spread.
    """

    group: int
    offset_uv: int
    gain_ppm: int
    u_own_v: float
    u_reference_v: float
    volts_v: float  # lowest reference voltage of the channel
    points: int
    largest_rest_v: float  # largest departure of a point from the fit; 0 when the fit passes through all


def parse_reference(text: str, where: str) -> tuple[ReferencePoint, ...]:
    """Reference readings from CSV text with the columns group, start_s, end_s, volts, u_volts.

    Raises:
        InputError: a column is missing or a value is no number.
    """
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    missing = [c for c in _COLUMNS if c not in (rows.fieldnames or ())]
    if missing:
        raise InputError(f"{where}: column {', '.join(missing)} is missing; the table needs {', '.join(_COLUMNS)}")
    points = []
    for number, row in enumerate(rows, start=2):
        try:
            group = int(row["group"] or "")
            start, end, volts, u = (float(row[c] or "") for c in _COLUMNS[1:])
        except ValueError as error:
            raise InputError(f"{where}: row {number}: every column needs a number ({error})") from error
        if not all(map(math.isfinite, (start, end, volts, u))) or end <= start or u <= 0:
            raise InputError(f"{where}: row {number}: end_s must come after start_s, u_volts must be above 0")
        points.append(ReferencePoint(group, start, end, volts, u))
    return tuple(points)


def calibrate(session: Session, points: Sequence[ReferencePoint]) -> tuple[Channel, ...]:
    """Correction of every group, in the order of the groups.

    Raises:
        InputError: a group has no point, a point has too few readings, or a correction is so large that it is a fault.
    """
    return tuple(_channel(session, g, [p for p in points if p.group == g]) for g in range(1, session.groups + 1))


def compose(first: tuple[int, int], then: tuple[int, int]) -> tuple[int, int]:
    """One (offset_uv, gain_ppm) that does what `first` and `then` do one after the other."""
    g1, g2 = first[1] * 1e-6, then[1] * 1e-6
    return round(first[0] + then[0] / (1 + g1)), round(((1 + g1) * (1 + g2) - 1) * 1e6)


def joined(
    channels: Sequence[Channel], offset_uv: Sequence[int], gain_ppm: Sequence[int], front_end: str
) -> tuple[list[int], list[int]]:
    """Offsets and gains for the board: `channels` behind what was in force while recording, in the order of the groups.

    Raises:
        InputError: together beyond what a board takes, or a gain for a front end whose gains belong to taps.
    """
    if front_end == "divider_bank" and any(c.gain_ppm for c in channels):
        raise InputError(
            "a divider bank's gain belongs to a tap and cannot be told from one group's voltage; give reference"
            " readings at one voltage only, which correct the offsets"
        )
    both = [compose((o, g), (c.offset_uv, c.gain_ppm)) for o, g, c in zip(offset_uv, gain_ppm, channels, strict=True)]
    for group, (offset, gain) in enumerate(both, start=1):
        if abs(offset) > _MAX_OFFSET_UV or abs(gain) > _MAX_GAIN_PPM:
            raise InputError(
                f"group {group}: with what was in force before, {offset / 1000:+.1f} mV and {gain:+d} ppm: that is a"
                " fault (lead, order, reference), not a calibration; find it first"
            )
    return [o for o, _ in both], [g for _, g in both]


def _channel(session: Session, group: int, points: list[ReferencePoint]) -> Channel:
    if not points:
        raise InputError(f"group {group} has no reference reading; measure every group at least once")
    raw, u_raw = np.array([_mean(session, p) for p in points]).T
    reference = np.array([p.volts_v for p in points])
    weight = 1 / (u_raw**2 + 1e-12)
    gain = 0.0
    if np.ptp(reference) >= GAIN_SPAN_V:
        mean_raw, mean_ref = np.average(raw, weights=weight), np.average(reference, weights=weight)
        slope = np.sum(weight * (raw - mean_raw) * (reference - mean_ref)) / np.sum(weight * (raw - mean_raw) ** 2)
        gain = float(slope) - 1
    offset = float(np.average(reference / (1 + gain) - raw, weights=weight))
    offset_uv, gain_ppm = round(offset * 1e6), round(gain * 1e6)
    if abs(offset_uv) > _MAX_OFFSET_UV or abs(gain_ppm) > _MAX_GAIN_PPM:
        raise InputError(
            f"group {group} would need {offset_uv / 1000:+.1f} mV and {gain_ppm:+d} ppm: that is a fault"
            " (lead, order, reference), not a calibration; find it first"
        )
    rest = (raw + offset) * (1 + gain) - reference
    scatter = float(np.sqrt(np.sum(rest**2) / max(len(points) - (2 if gain else 1), 1)))
    u_own = math.sqrt(float(np.max(u_raw)) ** 2 + scatter**2 + session.meter.resolution_v**2 / 12)
    return Channel(
        group=group,
        offset_uv=offset_uv,
        gain_ppm=gain_ppm,
        u_own_v=u_own,
        u_reference_v=max(p.u_v for p in points),
        volts_v=float(reference.min()),
        points=len(points),
        largest_rest_v=float(np.max(np.abs(rest))),
    )


def _mean(session: Session, point: ReferencePoint) -> tuple[float, float]:
    inside = (session.time_s >= point.start_s) & (session.time_s <= point.end_s)
    inside &= session.quality[:, point.group - 1] == Quality.OK
    values = session.volts_v[inside, point.group - 1].astype(float)
    if len(values) < _MIN_SCANS:
        raise InputError(
            f"group {point.group}, {point.start_s:g} to {point.end_s:g} s: {len(values)} good readings, at least"
            f" {_MIN_SCANS} are needed; record longer at each reference reading"
        )
    return float(values.mean()), float(values.std(ddof=1) / math.sqrt(len(values)))
