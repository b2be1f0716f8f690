"""What the meter's errors do to a statement.

One reading: JCGM 100:2008, root sum of squares of noise, resolution q/sqrt(12), the channel's own offset and the gain
that all channels share. In a difference of two groups the shared gain cancels and is not counted.

Spread: a maximum minus a minimum of noisy readings is biased upward, so it is worked out by Monte Carlo (JCGM
101:2008): the string's own scatter is estimated from the readings (variance of the core minus the meter's), each
group's true departure is drawn given its reading, and the spread of the draws gives best value and interval. A group
far outside the core is not pulled towards it: its draw comes from a wide second component (a scale mixture). A string
whose readings scatter no more than the meter may be perfectly even: then the low end is 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import middle_sigma
from evenstring.session import Session

__all__ = ["MeterError", "draw_departures", "meter_error", "spread_interval"]

F64 = NDArray[np.float64]
_DRAWS = 2000  # JCGM 101:2008, 7.2, asks for many more where the last digit matters; a spread's does not: our choice
_OUTLIER_SHARE = 0.05  # of groups that are not of the core: our choice
_OUTLIER_V = 0.1  # how far out those may be: our choice
# Errors of channels come in patterns (an odd/even comb, opposite ones at a tap, a rise along the string): draws that
# take them for independent come out this much too narrow (simulated): tuned on own sessions under 300,000.
_PATTERNS = 1.07
# Where the instrument states nothing. Offsets up to 3 mV, rectangular: 3 mV / sqrt(3). Gain: from memory, a common
# reference good to 0.15 %: our choice.
_CHANNEL_U_V, _NOISE_V, _GAIN_U = 0.003 / np.sqrt(3.0), 0.0005, 0.0015
_SCATTER_U = 1.5  # of the core's scatter, over sqrt(groups): 1.2 for a normal one; tuned on own sessions under 300,000


@dataclass(frozen=True, slots=True)
class MeterError:
    """Standard uncertainties (k = 1) of one reading, with what had to be assumed."""

    noise_v: float
    channel_v: float
    gain: float
    resolution_v: float
    assumed: tuple[str, ...]

    def one_v(self, readings: float = 1.0, skew_v: float = 0.0) -> float:
        """Standard uncertainty of one group against another, mean of `readings` readings; V."""
        random = (self.noise_v**2 + self.resolution_v**2 / 12.0) / max(readings, 1.0)
        return float(np.sqrt(self.channel_v**2 + random + skew_v**2))

    def absolute_v(self, volts: float, readings: float = 1.0) -> float:
        """Standard uncertainty of one group's voltage against the volt."""
        return float(np.hypot(self.one_v(readings), self.gain * abs(volts)))


def meter_error(session: Session) -> MeterError:
    """What the instrument states of itself, and for the rest what is assumed and said."""
    meter = session.meter
    assumed = []
    if meter.noise_v is None:
        assumed.append(f"meter noise {_NOISE_V * 1e3:.1f} mV")
    if meter.channel_u_v is None:
        assumed.append(f"channel offset {_CHANNEL_U_V * 1e3:.1f} mV (standard uncertainty)")
    if meter.gain_u is None:
        assumed.append(f"common gain {_GAIN_U:.2%} (standard uncertainty)")
    return MeterError(
        noise_v=_NOISE_V if meter.noise_v is None else meter.noise_v,
        channel_v=float(_CHANNEL_U_V) if meter.channel_u_v is None else meter.channel_u_v,
        gain=_GAIN_U if meter.gain_u is None else meter.gain_u,
        resolution_v=meter.resolution_v,
        assumed=tuple(assumed),
    )


def draw_departures(measured_v: F64, u_v: float, rng: np.random.Generator, draws: int = _DRAWS) -> F64:
    """Draws (draws, g) of the groups' true departures given their readings (g,) with standard uncertainty `u_v`."""
    centre = float(np.median(measured_v))
    x = measured_v - centre
    if u_v <= 0 or len(x) < 2:
        return np.broadcast_to(measured_v, (draws, len(x))).copy()
    # Core scatter from the middle half of the groups.
    # Offsets may be rectangular, whose middle half looks wide: the plain standard deviation, if less, counts.
    seen = min(middle_sigma(x), float(np.std(x, ddof=1)))
    # The estimate from g groups is itself uncertain, by about 1.2 / sqrt(g) of itself; more where errors come in
    # patterns: 1.5 gives the stated coverage with combs, taps and slopes along the string (simulated).
    scatter = seen * np.exp(rng.normal(0.0, _SCATTER_U / np.sqrt(len(x)), draws))
    core = np.sqrt(np.maximum(scatter**2 - u_v**2, (1e-3 * u_v) ** 2))[:, None]
    wide = np.hypot(core, _OUTLIER_V)
    odds = (
        (_OUTLIER_SHARE / (1 - _OUTLIER_SHARE))
        * (np.hypot(core, u_v) / np.hypot(wide, u_v))
        * np.exp(np.minimum(0.5 * x**2 * (1 / (core**2 + u_v**2) - 1 / (wide**2 + u_v**2)), 700.0))
    )
    prior = np.where(rng.random((draws, len(x))) < odds / (1 + odds), wide, core)
    keep = prior**2 / (prior**2 + u_v**2)
    return np.asarray(centre + keep * x + np.sqrt(keep) * u_v * rng.normal(size=(draws, len(x))))


def spread_interval(volts_v: F64, u_v: float, level: float = 0.95) -> tuple[float, float, float]:
    """Best value, low and high end (V) of highest minus lowest, given one averaged reading of each group."""
    known = volts_v[np.isfinite(volts_v)]
    if len(known) < 2:
        return 0.0, 0.0, 0.0
    # A fixed seed: the same recording gives the same report.
    draws = draw_departures(known, _PATTERNS * u_v, np.random.default_rng(20), _DRAWS)
    spread = draws.max(axis=1) - draws.min(axis=1)
    low, best, high = np.quantile(spread, [(1 - level) / 2, 0.5, (1 + level) / 2])
    return float(best), float(low) if low > 0.1 * u_v else 0.0, float(high)
