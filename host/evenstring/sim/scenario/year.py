"""A year of an invented pack, evening by evening: rides to work, charges at home, and a leak that begins in August.

Everything is invented: the vehicle, its rider, the dates, the fault. Each evening is lived by the cell models of `sim`
and read by the meter's model; between evenings only leaks act, in one step.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from evenstring.session import Correction, Meter
from evenstring.sim.cells.pack import ChargerModel, Pack, Scatter
from evenstring.sim.meter import MeterModel, measure
from evenstring.sim.run.duty_cycle import DutyCycle
from evenstring.sim.run.engine import simulate
from evenstring.sim.run.random_ride import Load
from evenstring.sim.scenario.frames import session_frames

__all__ = ["LEAKING", "LEAK_BEGINS", "NAME", "STORY", "Evening", "evenings"]

F64 = NDArray[np.float64]
NAME = "Quarry lane post trike (invented)"
STORY = (
    "Letters to the quarry and back on most days of a year, 80 % on ordinary evenings, full and held now and then;\n"
    "in August one group begins to leak."
)
LEAKING = 11  # the group that leaks, from 1
LEAK_BEGINS = datetime(2025, 8, 10, tzinfo=UTC)
_FIRST, _DAYS = datetime(2025, 1, 4, tzinfo=UTC), 360
_GROUPS, _CAPACITY_AH = 20, 15.0
_LEAK_A = 0.00105  # about 1.2 % of the capacity a week
_AWAY = (("06-21", "07-02"), ("12-24", "12-31"))  # days off, from and to
_RIDDEN = 0.98  # of the days that are not off: some 300 in a year
_FULL_EVERY, _HOLD_H = 5, 1.0  # evenings, and hours after the light
_CALIBRATED = datetime(2024, 12, 14, tzinfo=UTC)
_PACK_TOML = f"""[pack]
name = "{NAME}"
groups = {_GROUPS}
chemistry = "nmc"
capacity_ah = {_CAPACITY_AH:g}
[balancer]
bleed_ma = 60
threshold_v = 4.18
[charger]
current_a = 5
done_light_a = 0.5
"""


@dataclass(frozen=True, slots=True)
class Evening:
    """One recording: when it began, and its frames."""

    start: datetime
    frames: bytes

    @property
    def name(self) -> str:
        """Of its file."""
        return f"{self.start:%Y-%m-%d}.frames"


def evenings(seed: int = 7, days: int = _DAYS, first: datetime = _FIRST) -> Iterator[Evening]:
    """The year in order, or so many days from another first one; the same seed gives the same evenings."""
    rng = np.random.default_rng(seed)
    pack, meter = _pack(rng), _meter(rng)
    soc, last = pack.soc0, first
    count = 0
    for day in range(days):
        start = first + timedelta(days=day, hours=float(rng.uniform(5.5, 6.5)))
        if _away(start) or rng.random() > _RIDDEN:
            continue
        pack = _leaking(pack, start)
        soc = soc - pack.leak_a * (start - last).total_seconds() / 3600.0 / pack.capacity_ah
        count += 1
        evening, soc, last = _evening(replace(pack, soc0=soc), meter, start, rng, full=count % _FULL_EVERY == 0)
        yield evening


def _pack(rng: np.random.Generator) -> Pack:
    scatter = Scatter(leak_per_week=0.0006)
    pack = Pack.random(rng, groups=_GROUPS, scatter=scatter, capacity_ah=_CAPACITY_AH, r0_ohm=0.006, soc=0.8)
    balancer = replace(pack.balancer, bleed_a=0.06)
    return replace(pack, balancer=balancer, charger=ChargerModel(current_a=5.0, done_light_a=0.5))


def _meter(rng: np.random.Generator) -> MeterModel:
    offset_v, noise_v = 0.0006, 0.0003
    return MeterModel(
        offset_v=offset_v * rng.standard_normal(_GROUPS),
        noise_v=noise_v,
        stated=Meter(noise_v=noise_v, channel_u_v=offset_v, gain_u=0.0005),
    )


def _away(start: datetime) -> bool:
    """Every other weekend, and holidays."""
    weekend = start.weekday() >= 5 and start.isocalendar().week % 2 == 0
    return weekend or any(first <= f"{start:%m-%d}" <= last for first, last in _AWAY)


def _leaking(pack: Pack, start: datetime) -> Pack:
    if start < LEAK_BEGINS:
        return pack
    leak_a = pack.leak_a.copy()
    leak_a[LEAKING - 1] = _LEAK_A
    return replace(pack, leak_a=leak_a)


def _evening(
    pack: Pack, meter: MeterModel, start: datetime, rng: np.random.Generator, *, full: bool
) -> tuple[Evening, F64, datetime]:
    """Rest, ride, charge, rest; the state of charge at its end, and when that is."""
    minutes, seed = float(rng.uniform(22, 34)), int(rng.integers(1 << 30))
    plan = DutyCycle().at(_ambient_c(start, rng)).rest(minutes=31, step_s=10.0)
    plan = plan.ride(minutes=minutes, seed=seed, load=Load(peak_a=28.0), step_s=1.0).rest(minutes=6, step_s=10.0)
    if full:
        plan = plan.charge(hours=5, leave_hours=_HOLD_H, step_s=10.0)
    else:
        plan = plan.charge(hours=3, until_soc=0.8, step_s=10.0)
    lived = simulate(pack, plan.rest(minutes=35, step_s=10.0))
    seen = measure(lived, meter, rng, scans_per_s=0.25, quiet_s=60.0, current_per_reading=False)
    correction = Correction(0.0, "command", False, _CALIBRATED, (0,) * _GROUPS, (0,) * _GROUPS)
    session = replace(seen, start=start, corrections=(correction,))
    ends = start + timedelta(seconds=float(lived.time_s[-1]))
    return Evening(start, session_frames(session, _PACK_TOML, NAME)), lived.soc[-1], ends


def _ambient_c(start: datetime, rng: np.random.Generator) -> float:
    """Coldest in the middle of January; a shed, not the open."""
    season = np.cos(2.0 * np.pi * (start.timetuple().tm_yday - 15) / 365.0)
    return float(13.0 - 8.0 * season + 1.5 * rng.standard_normal())
