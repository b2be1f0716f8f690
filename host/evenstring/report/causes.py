"""Pictures behind a cause: a group's departure against what drives it, and the reserve as a depth."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.charge_moved import charge_moved_ah
from evenstring.report.axis import Axis, number_axis
from evenstring.report.downsample import departures_mv, row_median
from evenstring.report.picture import Area, Dots, Line, Picture, Rule
from evenstring.session import Session

__all__ = ["reserve_picture", "weakness_picture"]

F64 = NDArray[np.float64]
_DOTS = 1500


def weakness_picture(session: Session, weakness: dict[str, Any]) -> Picture | None:
    """Departure of the named group against current, charge moved or the string's voltage, with a straight fit.

    The driver is the one that tells the cause apart: resistance shows against current, capacity against charge moved,
    charge and meter offsets against the voltage of the median group, a leak over time.
    """
    group, cause = weakness.get("group"), str(weakness.get("cause", ""))
    if not isinstance(group, int) or not 1 <= group <= session.groups or session.scans < 10:
        return None
    found = _driver(session, cause)
    if found is None:
        return None
    driver, word, unit = found
    pick = np.unique(np.linspace(0, session.scans - 1, min(session.scans, 40 * _DOTS)).astype(int))
    departure = departures_mv(session.volts_v[pick])[:, group - 1].astype(np.float64)
    x = driver[pick]
    known = np.isfinite(x) & np.isfinite(departure)
    x, departure = x[known], departure[known]
    if len(x) < 10 or np.ptp(x) <= 0:
        return None
    # An offset does not follow its driver: its line is flat. The others are straight fits.
    flat = cause in ("meter_offset", "charge_offset")
    slope, at_zero = (0.0, float(np.median(departure))) if flat else np.polyfit(x, departure, 1)
    ends = np.array([x.min(), x.max()])
    said = f"its middle, {at_zero:+.1f} mV" if flat else f"a straight fit, {slope:+.2f} mV per {unit}"
    said = said.replace("-", "\N{MINUS SIGN}")
    few = np.unique(np.linspace(0, len(x) - 1, _DOTS).astype(int))
    return Picture(
        key=f"cause-{group}-{cause}",
        alt=f"Departure of group {group} against {word}: {said}.",
        caption=f"Group {group}: each dot is one scan; the line is {said}. The finding itself weighs several drivers"
        " at once.",
        x=number_axis(float(ends[0]), float(ends[1]), unit),
        y=number_axis(float(departure.min()), float(departure.max()), "mV"),
        y_word=f"group {group}, mV from the median group, against {word}, {unit}",
        lines=(Line(ends, at_zero + slope * ends, "fit", "fit", "middle" if flat else "fit"),),
        dots=(Dots(x[few], departure[few], "leaves"),),
        timed=False,
    )


def _driver(session: Session, cause: str) -> tuple[F64, str, str] | None:
    current = session.current_a
    if cause in ("high_resistance", "connection") and current is not None:
        return current.astype(np.float64), "current (charging positive)", "A"
    if cause == "low_capacity" and current is not None:
        return charge_moved_ah(session.time_s, current), "charge moved", "Ah"
    if cause in ("self_discharge", "balancer_fault"):
        return session.time_s / 3600.0, "time", "h"
    return row_median(session.volts_v).astype(np.float64), "voltage of the median group", "V"


def reserve_picture(reserve: dict[str, Any]) -> Picture | None:
    """Charge as depth: what lies below the line is not to be asked for under full load."""
    soc = reserve.get("lowest_soc_at_full_load")
    if soc is None:
        return None
    scale = 100.0 if soc <= 1 else 1.0
    ends = [reserve.get(key, soc) for key in ("soc_low", "soc_high")]
    low, high = (scale * float(soc if end is None else end) for end in ends)
    soc = scale * float(soc)
    x = np.array([0.0, 1.0])
    return Picture(
        key="reserve",
        alt=f"Of 100 % SoC, group {reserve.get('group')} reaches empty under full load at {soc:.0f} %.",
        caption="Depth of the pack. The shaded part is where the named group is below empty under full load.",
        x=Axis(0.0, 1.0, (), ""),
        y=Axis(0.0, 100.0, tuple((float(v), f"{v}") for v in (0, 25, 50, 75, 100)), "%"),
        y_word="% SoC",
        areas=(Area(x, np.zeros(2), np.full(2, soc)), Area(x, np.full(2, low), np.full(2, high))),
        rules=(Rule(soc, f"group {reserve.get('group')} at empty under full load, {soc:.0f} %"),),
        timed=False,
    )
