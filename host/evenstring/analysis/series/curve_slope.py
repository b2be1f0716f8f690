"""How many volts a share of charge makes, at a level of the string, by the curve assumed for its chemistry."""

from __future__ import annotations

from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["slope_at_level_v"]


def slope_at_level_v(profile: PackProfile, level_v: float) -> float:
    """DOCV/dSoC, V per 1.0 of SoC, where the open-circuit voltage of a group is `level_v`."""
    curve = default_curve(profile.chemistry)
    return float(curve.slope_v(curve.soc(level_v)))
