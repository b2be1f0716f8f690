"""How many volts a share of charge makes, at a level of the string, by the curve assumed for its chemistry."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["SLOPE_SCALE_U", "slope_at_level_v", "slopes_at_levels_v"]

# Standard uncertainty of the logarithm of a slope: those of four published nickel cells (`evenstring.ocv`) differ so at
# one voltage, root mean square: tuned on cells of others
SLOPE_SCALE_U = 0.34


def slope_at_level_v(profile: PackProfile, level_v: float) -> float:
    """DOCV/dSoC, V per 1.0 of SoC, where the open-circuit voltage of a group is `level_v`."""
    return float(slopes_at_levels_v(profile, level_v))


def slopes_at_levels_v(profile: PackProfile, levels_v: ArrayLike) -> NDArray[np.float64]:
    """The same at levels of any shape."""
    curve = default_curve(profile.chemistry)
    return curve.slope_v(curve.soc(levels_v))
