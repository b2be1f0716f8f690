"""The other side of the argument: what a high charge does to the cells themselves.

Holistic ageing model of an NMC cell: J. Schmalstieg, S. Kaebitz, M. Ecker, D. U. Sauer, J. Power Sources 257 (2014)
325, fitted to Sanyo UR18650E cells, calendar tests at 35 to 50 degC and 3.0 to 4.2 V, cycle tests at 35 degC; the
coefficients as an independent implementation has them (blast-lite 1.1.1, held to it in tests). Below 35 degC, and for
any other cell, it is an extrapolation: what it is good for is the difference between two habits, not the year in which
a pack ends.
"""

from __future__ import annotations

import numpy as np

from evenstring.ocv import default_curve

__all__ = ["capacity_lost", "lost_by_cycles", "lost_by_time"]

# Calendar: (a V - b) 1e6 exp(-c / T) t^0.75, t in days; cycles: (d (V - e)^2 + f + g depth) sqrt(Ah): published (above)
_A, _B, _C = 7.543, 23.75, 6976.0
_D, _E, _F, _G = 7.348e-3, 3.667, 7.6e-4, 4.081e-3
_CELL_AH = 2.05  # of the cell it was fitted to, to which the charge moved is scaled: published (above)
_ZERO_C = 273.15  # K: published (SI brochure)


def capacity_lost(chemistry: str, top_soc: float, depth: float, days: float, temp_c: float = 25.0) -> float:
    """Share of the capacity lost in so many days of one cycle a day, `depth` down from `top_soc`, resting there."""
    curve = default_curve(chemistry)
    visited_v = curve.voltage_v(np.linspace(max(top_soc - depth, 0.0), top_soc, 51))
    root_mean_square_v = float(np.sqrt(np.mean(visited_v**2)))
    by_time = lost_by_time(float(curve.voltage_v(top_soc)), days, temp_c)
    return by_time + lost_by_cycles(root_mean_square_v, depth, 2.0 * depth * _CELL_AH * days)


def lost_by_time(volts_v: float, days: float, temp_c: float) -> float:
    """Share of the capacity lost at one voltage and temperature in so many days."""
    return float((_A * volts_v - _B) * 1e6 * np.exp(-_C / (temp_c + _ZERO_C)) * days**0.75)


def lost_by_cycles(root_mean_square_v: float, depth: float, moved_ah: float) -> float:
    """Share lost by so many Ah, in and out, through a cell of 2 Ah, in cycles of one depth about one voltage."""
    return float((_D * (root_mean_square_v - _E) ** 2 + _F + _G * depth) * np.sqrt(moved_ah))
