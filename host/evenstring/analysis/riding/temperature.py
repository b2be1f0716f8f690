"""When the pack was charged cold or hot, or a sensor was hot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import HeatKind, Phase, TemperatureVisit, Unknown
from evenstring.analysis.series.arrays import runs_of
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.session import Session

__all__ = ["find_temperature"]


# Limits while charging, degrees Celsius: common practice, from memory. Below 0 metal may plate: common practice.
_COLD_C, _WARM_C, _HOT_C = 0.0, 45.0, 60.0


def find_temperature(
    session: Session, phases: tuple[Phase, ...]
) -> tuple[tuple[TemperatureVisit, ...], Unknown | None]:
    """Charging below 0 or above 45 degrees Celsius, and above 60 at any time; a minute or two scans at least."""
    if session.temps_c is None or not np.isfinite(session.temps_c).any():
        return (), Unknown("temperature", "no temperature was measured", "fit a temperature sensor at the cells")
    t = session.time_s
    charging = rows_of_kind(t, phases, "charge")
    found = []
    for channel in range(session.temps_c.shape[1]):
        c = session.temps_c[:, channel]
        visits: dict[HeatKind, NDArray[np.bool_]] = {
            "charged_cold": charging & (c < _COLD_C),
            "charged_hot": charging & (c > _WARM_C),
            "hot": c > _HOT_C,
        }
        for kind, mask in visits.items():
            for first, last in runs_of(mask):
                if last - first >= 2 and t[last - 1] - t[first] >= min(60.0, 2 * float(np.median(np.diff(t)))):
                    part = c[first:last]
                    extreme = float(np.nanmin(part) if kind == "charged_cold" else np.nanmax(part))
                    lasted_s = float(t[last - 1] - t[first])
                    found.append(TemperatureVisit(kind, channel + 1, float(t[first]), lasted_s, round(extreme, 1)))
    return tuple(found), None
