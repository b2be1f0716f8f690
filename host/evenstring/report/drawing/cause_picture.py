"""The picture behind a cause: a group's departure against what drives it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import cause_of
from evenstring.analysis.results import CauseKind, Weakness
from evenstring.analysis.series.charge_moved import charge_moved_ah
from evenstring.report.drawing.axis import number_axis
from evenstring.report.drawing.picture import Dots, Line, Picture
from evenstring.report.drawing.reduction import departures_mv, row_median
from evenstring.session import Session

__all__ = ["weakness_picture"]

F64 = NDArray[np.float64]
_DOTS = 1500  # in the picture; our choice


def weakness_picture(session: Session, weakness: Weakness) -> Picture | None:
    """Departure of the named group against current, charge moved or the string's voltage, with a straight fit.

    The driver is the one that tells the cause apart: resistance shows against current, capacity against charge moved,
    charge and meter offsets against the voltage of the median group, a leak over time.
    """
    group, cause = weakness.group, weakness.cause
    if session.scans < 10:
        return None
    driver, word, unit = _driver(session, cause)
    pick = np.unique(np.linspace(0, session.scans - 1, min(session.scans, 40 * _DOTS)).astype(int))
    departure = departures_mv(session.volts_v[pick])[:, group - 1].astype(np.float64)
    x = driver[pick]
    known = np.isfinite(x) & np.isfinite(departure)
    x, departure = x[known], departure[known]
    if len(x) < 10 or np.ptp(x) <= 0:
        return None
    # An offset of charge follows the curve's slope, one of the meter nothing at all: no straight line says it.
    flat = cause in ("meter_offset", "charge_offset")
    slope, at_zero = np.polyfit(x, departure, 1)
    ends = np.array([x.min(), x.max()])
    middle = f"{float(np.median(departure)):+z.1f} mV at the median"
    said = middle if flat else f"a straight fit, {slope:+z.2f} mV per {unit}"
    said = said.replace("-", "\N{MINUS SIGN}")
    few = np.unique(np.linspace(0, len(x) - 1, _DOTS).astype(int))
    return Picture(
        key=f"cause-{group}-{cause}",
        alt=f"Departure of group {group} against {word}: {said}.",
        caption=f"Group {group}: each dot is one scan{f' ({said})' if flat else f'; the line is {said}'}. The finding"
        " itself weighs several drivers at once.",
        x=number_axis(float(ends[0]), float(ends[1]), unit),
        y=number_axis(float(departure.min()), float(departure.max()), "mV"),
        y_word=f"group {group}, mV from the median group, against {word}, {unit}",
        lines=() if flat else (Line(ends, at_zero + slope * ends, "fit", "fit", "fit"),),
        dots=(Dots(x[few], departure[few], "leaves"),),
        timed=False,
    )


def _driver(session: Session, cause: CauseKind) -> tuple[F64, str, str]:
    current, driver = session.current_a, cause_of(cause).driver
    if driver == "current" and current is not None:
        return current.astype(np.float64), "current (charging positive)", "A"
    if driver == "charge_moved" and current is not None:
        return charge_moved_ah(session.time_s, current), "charge moved", "Ah"
    if driver == "time":
        return session.time_s / 3600.0, "time", "h"
    return row_median(session.volts_v).astype(np.float64), "voltage of the median group", "V"
