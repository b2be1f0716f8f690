"""Meters as they are: from true rows to a Session, with offsets, comb, tap errors, gain, noise, skew, lead drops.

And current sensors as they are: absent, reversed, offset, dying, scaled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenstring.session import Meter, Session

from tests.worlds.physics.string import Trace

__all__ = ["Meters", "read"]


@dataclass(frozen=True, eq=False)
class Meters:
    """What reads the string.

    Attributes:
        row_s: between scans.
        offset_v: (g,) constant errors, all kinds together (independent, comb, tap, by position).
        stated_u_v: what it states of them; None: nothing.
        gain: common to all groups.
        scan_s: a relay scan takes so long out and back; 0: all at one instant.
        lead_ohm: of each balance lead, where the board bleeds through the meter's; 0: leads of its own.
        sensor: none, good, reversed, offset, dying, scaled.
        lost: share of scans that never arrived.
    """

    row_s: float
    offset_v: np.ndarray
    noise_v: float
    resolution_v: float
    stated_u_v: float | None
    gain: float = 0.0
    scan_s: float = 0.0
    lead_ohm: float = 0.0
    sensor: str = "good"
    sensor_gain: float = 0.0
    sensor_offset_a: float = 0.0
    sensor_noise_a: float = 0.03
    lost: float = 0.0
    temperature_c: float | None = None


def read(trace: Trace, meters: Meters, rng: np.random.Generator) -> tuple[Session, np.ndarray]:
    """The session, and the times of its scans on the clock of the trace."""
    t = np.array(trace.time_s)
    at = np.arange(t[0], t[-1] - meters.scan_s, meters.row_s)
    if meters.lost:
        at = at[rng.random(len(at)) >= meters.lost]
    volts = np.array(trace.volts_v)
    if meters.lead_ohm:
        volts = volts - meters.lead_ohm * _lead_drops_a(np.array(trace.bleed_a))
    count = volts.shape[1]
    out_s = meters.scan_s * np.arange(count) / (2.0 * count)
    back_s = meters.scan_s - out_s
    middle_s = 0.5 * meters.scan_s
    first = _at(t, volts, at, out_s)
    second = _at(t, volts, at, back_s) if meters.scan_s else first
    first, second = (_as_read(v, meters, rng, both=bool(meters.scan_s)) for v in (first, second))
    if not meters.scan_s:
        second = first
    amps = _sensor(t, np.array(trace.current_a), at + middle_s, meters, rng)
    temps = None
    if meters.temperature_c is not None:
        temps = np.full((len(at), 1), meters.temperature_c, np.float32)
    skewed = bool(meters.scan_s)
    session = Session(
        time_s=at - at[0],
        volts_v=(0.5 * (first + second)).astype(np.float32),
        quality=np.zeros(first.shape, np.uint8),
        span_s=np.full(len(at), meters.scan_s, np.float32),
        out_back_v=(first - second).astype(np.float32) if skewed else None,
        out_offset_s=(out_s - middle_s).astype(np.float32) if skewed else None,
        back_offset_s=(back_s - middle_s).astype(np.float32) if skewed else None,
        current_a=amps,
        temps_c=temps,
        meter=Meter(
            resolution_v=meters.resolution_v,
            noise_v=None if meters.stated_u_v is None else meters.noise_v,
            channel_u_v=meters.stated_u_v,
            gain_u=None if meters.stated_u_v is None else 0.001,
        ),
    )
    return session, at + middle_s


def _lead_drops_a(bleed_a: np.ndarray) -> np.ndarray:
    """(n, g) amperes by which a lead's ohms take from each reading: both leads of a group, shared with neighbours."""
    padded = np.pad(bleed_a, ((0, 0), (1, 1)))
    return np.asarray(2.0 * padded[:, 1:-1] - padded[:, :-2] - padded[:, 2:])


def _at(t: np.ndarray, values: np.ndarray, at: np.ndarray, offset_s: np.ndarray) -> np.ndarray:
    return np.column_stack([np.interp(at + offset_s[k], t, values[:, k]) for k in range(values.shape[1])])


def _as_read(volts: np.ndarray, meters: Meters, rng: np.random.Generator, both: bool) -> np.ndarray:
    noise = meters.noise_v * (np.sqrt(2.0) if both else 1.0)  # stated for the mean of both passes
    read = volts * (1.0 + meters.gain) + meters.offset_v + noise * rng.standard_normal(volts.shape)
    return np.asarray(np.rint(read / meters.resolution_v) * meters.resolution_v)


def _sensor(
    t: np.ndarray, amps: np.ndarray, at: np.ndarray, meters: Meters, rng: np.random.Generator
) -> np.ndarray | None:
    if meters.sensor == "none":
        return None
    read = np.interp(at, t, amps) * (1.0 + meters.sensor_gain) + meters.sensor_offset_a
    read = read + meters.sensor_noise_a * rng.standard_normal(len(at))
    if meters.sensor == "reversed":
        read = -read
    if meters.sensor == "dying":  # stands still from somewhere on
        read[int(len(read) * rng.uniform(0.3, 0.8)) :] = 0.0
    return np.asarray(np.rint(read / 0.01) * 0.01, np.float32)
