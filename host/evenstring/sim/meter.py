"""The instrument over a simulated pack: a trajectory becomes a `Session`, with no frames in between.

Readings are taken one after another, out and back, each at its own instant of the trajectory, so that scan skew under a
changing load is there as in life. Errors are the kinds that the front ends have: see `MeterModel`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.session import Gap, Ident, Meter, Quality, Session
from evenstring.sim.run.trajectory import Trajectory

__all__ = ["LeadFault", "MeterModel", "at_taps", "measure"]

F64 = NDArray[np.float64]

_OVER_RANGE_V = 6.144  # full scale of the usual converter setting; beyond it a reading only says "at least"


@dataclass(frozen=True, slots=True)
class LeadFault:
    """What is wrong between pack and converter, from `start_s` to `end_s`.

    kind: lead_open (tap), lead_intermittent (tap, open_s, closed_s), stuck_relay (tap), swapped_leads (tap, other_tap),
    noise (sd_v). Taps count from 0, the pack's negative end.
    """

    kind: str
    start_s: float = 0.0
    end_s: float = float("inf")
    tap: int = 0
    other_tap: int = 0
    open_s: float = 0.0
    closed_s: float = 0.0
    sd_v: float = 0.0


@dataclass(frozen=True, eq=False)
class MeterModel:
    """Errors and timing of the meter; every figure is truth, `stated` is what the meter says of itself.

    Attributes:
        offset_v: (g,) independent, constant. comb_v: + on odd groups, - on even ones (one converter offset, alternating
            polarity). tap_v: (g+1,) error of each tap's potential: + on the group below, - on the group above.
        position_v: rises in a line from 0 at group 1 to this at group g (leakage over the multiplexer).
        gain, gain_per_h: relative error common to all, and its drift. drift_v_per_h: (g,).
        noise_v: standard deviation of one reading. resolution_v: step.
        shared_lead_ohm: of one balance lead, if the meter is teed into the balancer's leads; else 0.
        step_s, turn_s: from one reading to the next, and at the turn; passes: 2 out and back, 1, or 0 for all at once.
        current_noise_a, current_offset_a, current_gain: errors of the current sensor.
    """

    offset_v: Any = 0.0
    comb_v: float = 0.0
    tap_v: F64 | None = None
    position_v: float = 0.0
    gain: float = 0.0
    gain_per_h: float = 0.0
    drift_v_per_h: Any = 0.0
    noise_v: float = 0.0005
    resolution_v: float = 0.0002
    shared_lead_ohm: float = 0.0
    step_s: float = 0.0056
    turn_s: float = 0.0056
    passes: int = 2
    current_noise_a: float = 0.05
    current_offset_a: float = 0.0
    current_gain: float = 0.0
    faults: tuple[LeadFault, ...] = ()
    stated: Meter | None = None

    @classmethod
    def random(
        cls, rng: np.random.Generator, groups: int, *, offset_v: float = 0.001, gain: float = 0.001
    ) -> MeterModel:
        """Offsets with standard deviation `offset_v`, common gain error with `gain`; states both as they are."""
        return cls(
            offset_v=offset_v * rng.standard_normal(groups),
            gain=gain * float(rng.standard_normal()),
            current_offset_a=0.03 * float(rng.standard_normal()),
            current_gain=0.01 * float(rng.standard_normal()),
            stated=Meter(noise_v=0.0005, channel_u_v=offset_v, gain_u=gain),
        )

    def constant_v(self, groups: int) -> F64:
        """(g,) what this meter adds to each group, all constant patterns together."""
        g = np.arange(groups)
        out = np.broadcast_to(np.asarray(self.offset_v, np.float64), (groups,)) + self.comb_v * (1.0 - 2.0 * (g % 2))
        out = out + self.position_v * g / max(1, groups - 1)
        return np.asarray(out if self.tap_v is None else out + np.diff(self.tap_v))


def measure(
    trajectory: Trajectory,
    meter: MeterModel,
    rng: np.random.Generator,
    *,
    scans_per_s: float = 2.0,
    quiet_s: float | None = None,
    with_current: bool = True,
    current_per_reading: bool = True,
    skip: tuple[str, ...] = ("store",),
) -> Session:
    """What the meter makes of a trajectory.

    Args:
        trajectory: the truth.
        meter: timing and errors.
        rng: for the noise.
        scans_per_s: pace of the scans.
        quiet_s: interval outside rides, where voltages hardly change; None: the same pace throughout.
        with_current: there is a current sensor.
        current_per_reading: it is read beside every reading, not once a scan.
        skip: kinds of phases in which the meter is off (a `Gap` each).
    """
    start_s = _scan_times(trajectory, 1.0 / scans_per_s, quiet_s, skip)
    g = trajectory.volts_v.shape[1]
    out_s, back_s, middle_s, span_s = _instants(meter, g)
    stuck = [f.start_s for f in meter.faults if f.kind == "stuck_relay"]
    start_s = start_s[start_s + span_s <= min([trajectory.time_s[-1], *stuck])]
    readings, codes = zip(*(_read(trajectory, meter, start_s, at, rng) for at in (out_s, back_s)), strict=True)
    bad = np.maximum(*codes)
    volts = np.where(bad == 0, (readings[0] + readings[1]) / 2.0, np.nan).astype(np.float32)
    two = meter.passes == 2
    current: dict[str, Any] = {}
    if with_current:
        current = _currents(trajectory, meter, start_s, (out_s, back_s), rng)
        if not (current_per_reading and two):
            current = {"current_a": current["current_a"]}
    first = float(start_s[0]) if len(start_s) else 0.0
    return Session(
        time_s=start_s + middle_s - (first + middle_s),
        volts_v=volts,
        quality=bad,
        span_s=np.full(len(start_s), span_s, np.float32),
        out_back_v=(readings[0] - readings[1]).astype(np.float32) if two else None,
        out_offset_s=(out_s - middle_s).astype(np.float32) if two else None,
        back_offset_s=(back_s - middle_s).astype(np.float32) if two else None,
        temps_c=_temperatures(trajectory, start_s + middle_s),
        ident=Ident(groups=g, front_end="simulator", scan_ms=round(span_s * 1000)),
        meter=meter.stated or Meter(resolution_v=meter.resolution_v),
        gaps=_gaps(trajectory, skip, first + middle_s),
        **current,
    )


def _scan_times(trajectory: Trajectory, every_s: float, quiet_s: float | None, skip: tuple[str, ...]) -> F64:
    parts = []
    for phase in trajectory.phases:
        if phase.kind not in skip:
            step = every_s if phase.kind == "ride" or quiet_s is None else quiet_s
            parts.append(np.arange(phase.start_s, phase.end_s - 1e-9, step))
    return np.concatenate(parts) if parts else np.zeros(0)


def _instants(meter: MeterModel, groups: int) -> tuple[F64, F64, float, float]:
    """Instants of the out and back readings after the start of a scan, its middle and its length, s."""
    g: F64 = np.asarray(np.arange(groups) * meter.step_s, np.float64)
    if meter.passes == 0:
        return g * 0, g * 0, 0.0, 0.0
    if meter.passes == 1:
        return g, g, float(g[-1]) / 2, float(g[-1])
    back: F64 = np.asarray(float(g[-1]) + meter.turn_s + g[::-1])
    return g, back, float(back[0]) / 2, float(back[0])


def _read(
    trajectory: Trajectory, meter: MeterModel, start_s: F64, at_s: F64, rng: np.random.Generator
) -> tuple[F64, NDArray[np.uint8]]:
    """One pass: (n, g) volts and quality codes."""
    t = start_s[:, None] + at_s[None, :]
    true = np.empty(t.shape)
    seen = at_taps(trajectory, meter)
    for k in range(t.shape[1]):
        true[:, k] = np.interp(t[:, k], trajectory.time_s, seen[:, k])
    codes = np.zeros(t.shape, np.uint8)
    noise = meter.noise_v * rng.standard_normal(t.shape)
    for fault in meter.faults:
        _apply_lead_fault(fault, t, true, codes, noise, rng)
    hours = t / 3600.0
    volts = true * (1.0 + meter.gain + meter.gain_per_h * hours) + meter.constant_v(t.shape[1])
    volts = volts + meter.drift_v_per_h * hours + noise
    volts = np.rint(volts / meter.resolution_v) * meter.resolution_v
    codes[(volts >= _OVER_RANGE_V) & (codes == 0)] = Quality.OVER_POSITIVE
    codes[(volts <= -_OVER_RANGE_V) & (codes == 0)] = Quality.OVER_NEGATIVE
    return volts, codes


def at_taps(trajectory: Trajectory, meter: MeterModel) -> F64:
    """(n, g) volts where the meter is connected: bleed current drops along balance leads that it shares."""
    if not meter.shared_lead_ohm:
        return trajectory.volts_v
    bleed = trajectory.bleeding * trajectory.pack.balancer.bleed_a
    out = np.zeros((len(bleed), bleed.shape[1] + 1))
    out[:, 1:] += bleed  # leaves through the upper lead
    out[:, :-1] -= bleed  # and comes back through the lower one
    return np.asarray(trajectory.volts_v - meter.shared_lead_ohm * np.diff(out, axis=1))


def _apply_lead_fault(
    fault: LeadFault, t: F64, true: F64, codes: NDArray[np.uint8], noise: F64, rng: np.random.Generator
) -> None:
    """Change true volts, codes and noise, all (n, g), in place."""
    on = (t >= fault.start_s) & (t < fault.end_s)
    if fault.kind == "lead_intermittent":
        on &= (t - fault.start_s) % (fault.open_s + fault.closed_s) < fault.open_s
    if fault.kind in ("lead_open", "lead_intermittent"):
        touched = np.zeros(t.shape[1], bool)
        touched[max(0, fault.tap - 1) : fault.tap + 1] = True
        codes[on & touched] = Quality.LEAD_OPEN
    elif fault.kind == "noise":
        noise[on] += fault.sd_v * rng.standard_normal(int(on.sum()))
    elif fault.kind == "swapped_leads":
        potential = np.concatenate([np.zeros((len(t), 1)), np.cumsum(true, axis=1)], axis=1)
        potential[:, [fault.tap, fault.other_tap]] = potential[:, [fault.other_tap, fault.tap]]
        true[on] = np.diff(potential, axis=1)[on]


def _currents(
    trajectory: Trajectory, meter: MeterModel, start_s: F64, passes: tuple[F64, F64], rng: np.random.Generator
) -> dict[str, Any]:
    readings = []
    for at_s in passes:
        t = start_s[:, None] + at_s[None, :]
        true = np.interp(t, trajectory.time_s, trajectory.current_a)
        seen = true * (1.0 + meter.current_gain) + meter.current_offset_a
        seen = seen + meter.current_noise_a * rng.standard_normal(t.shape)
        readings.append((np.rint(seen / 0.01) * 0.01).astype(np.float32))
    mean = ((readings[0].mean(axis=1) + readings[1].mean(axis=1)) / 2.0).astype(np.float32)
    return {"current_a": mean, "current_out_a": readings[0], "current_back_a": readings[1]}


def _temperatures(trajectory: Trajectory, t: F64) -> NDArray[np.float32]:
    """(n, 2) two sensors: on the coolest and on the warmest group."""
    offsets = trajectory.pack.temp_offset_k
    picks = (int(offsets.argmin()), int(offsets.argmax()))
    columns = [np.interp(t, trajectory.time_s, trajectory.temps_c[:, k]) for k in picks]
    return np.stack(columns, axis=1).astype(np.float32)


def _gaps(trajectory: Trajectory, skip: tuple[str, ...], first_s: float) -> tuple[Gap, ...]:
    return tuple(
        Gap(p.start_s - first_s, p.end_s - first_s, "meter switched off") for p in trajectory.phases if p.kind in skip
    )
