"""Offset and gain of each channel from a recording and a reference meter.

Model, as the firmware applies it: corrected = (raw + offset) x (1 + gain). With reference readings at one voltage only
the offset can be known; the gain needs points at least `GAIN_SPAN_V` apart. Least squares with the weights of both
instruments; uncertainties after JCGM 100:2008, the reference's own error taken as common to all of a channel's points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.session import Quality, Session

__all__ = ["GAIN_SPAN_V", "Channel", "PointFit", "ReferencePoint", "calibrate", "compose", "joined"]

F64 = NDArray[np.float64]

GAIN_SPAN_V = 0.4  # less tells offset from gain too poorly
_MAX_OFFSET_UV = 50_000  # limits of the board description
_MAX_GAIN_PPM = 10_000
_MIN_SCANS = 10
_MOST_MOVED_V = 0.005  # of a group while its reading was taken: it was not at rest; our choice
_SURE = 4.0  # the halves of a reading's scans differ when they do so by as many standard deviations; our choice


@dataclass(frozen=True, slots=True)
class ReferencePoint:
    """What the reference meter showed for a group while scans from start_s to end_s were taken.

    Standard uncertainties: `u_v` of the meter, common to all groups; `u_own_v` of this reading alone: its last digit.
    """

    group: int
    start_s: float  # -inf and inf: the whole recording
    end_s: float
    volts_v: float
    u_v: float
    u_own_v: float = 0.0


@dataclass(frozen=True, slots=True)
class PointFit:
    """A point before and after: reading less reference, as found and as left by the correction."""

    volts_v: float
    found_v: float
    left_v: float


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
    fits: tuple[PointFit, ...]

    @property
    def volts_v(self) -> float:
        """Lowest reference voltage of the channel."""
        return min(p.volts_v for p in self.fits)

    @property
    def spare(self) -> int:
        """Points beyond those that the correction needs: with none it passes through all, and nothing is left."""
        volts = [p.volts_v for p in self.fits]
        return len(volts) - (2 if max(volts) - min(volts) >= GAIN_SPAN_V else 1)


def calibrate(session: Session, points: Sequence[ReferencePoint]) -> tuple[Channel, ...]:
    """Correction of every group, in the order of the groups.

    Raises:
        InputError: a group has no point, a point is of no group, a point has too few readings, or a correction is so
            large that it is a fault.
    """
    if extra := sorted({p.group for p in points if not 1 <= p.group <= session.groups}):
        raise InputError(
            f"there are reference readings of group {', '.join(map(str, extra))}, and the recording has groups 1 to"
            f" {session.groups}; correct the numbers"
        )
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
                f"group {group}: with what was in force before, {offset / 1000:+z.1f} mV and {gain:+d} ppm: that is a"
                " fault (lead, order, reference), not a calibration; find it first"
            )
    return [o for o, _ in both], [g for _, g in both]


def _channel(session: Session, group: int, points: list[ReferencePoint]) -> Channel:
    if not points:
        raise InputError(f"group {group} has no reference reading; measure every group at least once")
    raw, u_raw = np.array([_mean(session, p) for p in points]).T
    reference, u_own = np.array([(p.volts_v, p.u_own_v) for p in points]).T
    gain, offset = _line(raw, reference, 1 / (u_raw**2 + u_own**2 + 1e-12))
    offset_uv, gain_ppm = round(offset * 1e6), round(gain * 1e6)
    if abs(offset_uv) > _MAX_OFFSET_UV or abs(gain_ppm) > _MAX_GAIN_PPM:
        raise InputError(
            f"group {group} would need {offset_uv / 1000:+z.1f} mV and {gain_ppm:+d} ppm: that is a fault"
            " (lead, order, reference), not a calibration; find it first"
        )
    left = (raw + offset) * (1 + gain) - reference
    fits = tuple(PointFit(*map(float, row)) for row in zip(reference, raw - reference, left, strict=True))
    scatter = math.sqrt(sum(f.left_v**2 for f in fits) / max(len(points) - (2 if gain else 1), 1))
    return Channel(
        group=group,
        offset_uv=offset_uv,
        gain_ppm=gain_ppm,
        u_own_v=math.hypot(np.max(u_raw), np.max(u_own), scatter, session.meter.resolution_v / math.sqrt(12)),
        u_reference_v=max(p.u_v for p in points),
        fits=fits,
    )


def _line(raw: F64, reference: F64, weight: F64) -> tuple[float, float]:
    """Gain and offset, V, by least squares; no gain where the points are too near to each other."""
    gain = 0.0
    if np.ptp(reference) >= GAIN_SPAN_V:
        mean_raw, mean_ref = np.average(raw, weights=weight), np.average(reference, weights=weight)
        slope = np.sum(weight * (raw - mean_raw) * (reference - mean_ref)) / np.sum(weight * (raw - mean_raw) ** 2)
        gain = float(slope) - 1
    return gain, float(np.average(reference / (1 + gain) - raw, weights=weight))


def _mean(session: Session, point: ReferencePoint) -> tuple[float, float]:
    """Mean and standard uncertainty of the readings; a group that moved adds the half width of a rectangle."""
    inside = (session.time_s >= point.start_s) & (session.time_s <= point.end_s)
    inside &= session.quality[:, point.group - 1] == Quality.OK
    values = session.volts_v[inside, point.group - 1].astype(float)
    whole = math.isinf(point.start_s)
    place = f"group {point.group}, " + ("whole recording" if whole else f"{point.start_s:g} to {point.end_s:g} s")
    if len(values) < _MIN_SCANS:
        raise InputError(
            f"{place}: {len(values)} good readings, at least {_MIN_SCANS} are needed; record longer at each reference"
            " reading, or correct start_s and end_s"
        )
    first, second = np.array_split(values, 2)
    noise = float(values.std(ddof=1) / math.sqrt(len(values)))
    between = math.sqrt(first.var(ddof=1) / len(first) + second.var(ddof=1) / len(second))
    moved = abs(float(second.mean() - first.mean()))  # half of a steady drift from end to end
    if moved <= _SURE * between:
        moved = 0.0
    if 2 * moved > _MOST_MOVED_V:
        more = "; say from when to when each reading was taken (start_s, end_s)" if whole else ""
        raise InputError(f"{place}: moved by {2000 * moved:.0f} mV, so the pack was not at rest; let it rest{more}")
    return float(values.mean()), math.hypot(noise, moved / math.sqrt(3))
