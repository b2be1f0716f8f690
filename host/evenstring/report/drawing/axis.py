"""Axes of a picture: values to places between 0 and 1, and round numbers to write beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Axis", "clock", "number_axis", "surface_axis", "time_axis"]

_TIME_STEPS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 21600, 43200, 86400, 172800)


@dataclass(frozen=True, slots=True)
class Axis:
    """From `low` (place 0) to `high` (place 1), with ticks.

    With `bend`, the scale is asinh(value / bend): straight near zero, compressed far from it, so that 5 mV and 2 V can
    stand in one picture.
    """

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    unit: str
    bend: float | None = None

    def place(self, values: ArrayLike) -> NDArray[np.float64]:
        """Places of values; NaN stays NaN."""
        low, high, at = (self._bent(v) for v in (self.low, self.high, values))
        return np.asarray((at - low) / (high - low), dtype=np.float64)

    def _bent(self, values: ArrayLike) -> Any:
        array = np.asarray(values, dtype=np.float64)
        return array if self.bend is None else np.arcsinh(array / self.bend)


def clock(seconds: float) -> str:
    """Hours and minutes of a recording's own time; seconds below one hour. 3725 s is 1 h 02 min."""
    whole = round(seconds)
    if abs(whole) < 60:
        return f"{whole} s"
    if abs(whole) < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"
    hours, rest = divmod(whole, 3600)
    return f"{hours} h {rest // 60:02d} min" if rest >= 60 else f"{hours} h"


def time_axis(start_s: float, end_s: float, most: int = 7) -> Axis:
    """Time of the recording, ticks on whole seconds, minutes or hours."""
    length = max(end_s - start_s, 1e-3)
    step = next((s for s in _TIME_STEPS_S if length / s <= most), 86400 * math.ceil(length / 86400 / most))
    first = math.ceil(start_s / step)
    ticks = tuple((float(k * step), clock(k * step)) for k in range(first, int((start_s + length) // step) + 1))
    return Axis(start_s, start_s + length, ticks, "s")


def number_axis(low: float, high: float, unit: str, most: int = 6) -> Axis:
    """A straight scale with a little room at both ends."""
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    room = max(high - low, 1e-6) * 0.06
    low, high = low - room, high + room
    return Axis(low, high, tuple((v, _label(v)) for v in _round_numbers(low, high, most)), unit)


def surface_axis(low_mv: float, high_mv: float, quiet_mv: float) -> Axis:
    """Departures round zero; bent when the farthest reading is much farther than where most of the string lies.

    Args:
        low_mv: lowest reading, which must be seen.
        high_mv: highest reading, which must be seen.
        quiet_mv: distance within which most readings lie.
    """
    reach = max(-low_mv, high_mv, 5.0)
    low, high = min(low_mv, -0.3 * reach) * 1.06, max(high_mv, 0.3 * reach) * 1.06
    if reach < 12 * max(quiet_mv, 4.0):
        return Axis(low, high, tuple((v, _signed(v)) for v in _round_numbers(low, high, 6)), "mV")
    bend = max(quiet_mv, 4.0)
    decades = [s * 10.0**k for k in range(5) for s in (1, 3)]
    marks = [v for v in decades if bend * 1.2 <= v <= max(high, -low)]
    ticks = sorted([-v for v in marks if -v >= low] + [0.0] + [v for v in marks if v <= high])
    return Axis(low, high, tuple((v, _signed(v)) for v in ticks), "mV", bend)


def _round_numbers(low: float, high: float, most: int) -> list[float]:
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= raw * 0.999)
    return [round(k * step, 9) for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _label(value: float) -> str:
    return f"{value:,.6g}".replace("-", "\N{MINUS SIGN}")


def _signed(value: float) -> str:
    return "0" if value == 0 else f"{value:+,.6g}".replace("-", "\N{MINUS SIGN}")
