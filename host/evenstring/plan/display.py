"""What a pack voltage on a display, after a finished charge, can and cannot tell of single groups.

Bayes' rule over a few causes with stated priors; a display is taken to be off by about a volt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["DEAD", "Told", "told_by_display"]

DISPLAY_U_V = 1.0  # of a vehicle's own display: common practice
DEAD = "one group dead"
# How many packs of a hundred: our choice, to be read as such
_PRIORS = (
    ("even and full", 0.70),
    ("uneven: one group far behind", 0.15),
    ("stopped early, or the charger is set low", 0.12),
    (DEAD, 0.02),
    ("one group missing from the count", 0.01),
)
_STEPS = 200  # of a cause's own range: our choice


@dataclass(frozen=True, slots=True)
class Told:
    """A cause, how probable it is after the reading, and how far under full it would put the pack, V."""

    cause: str
    probability: float
    under_full_v: tuple[float, float]


def told_by_display(display_v: float, groups: int, full_v: float = 4.2, u_v: float = DISPLAY_U_V) -> tuple[Told, ...]:
    """Causes in order of probability."""
    short_v = groups * full_v - display_v
    ranges = (
        (0.0, 0.005 * groups),
        # A charger holds the sum: others stand higher by what one lacks, up to where one meets its ceiling.
        (0.0, 0.3),
        (0.03 * groups, 0.2 * groups),
        (full_v - 0.05 * (groups - 1), full_v),  # the charger lifts the others, up to their ceiling
        (full_v, full_v),
    )
    weight = []
    for (_, prior), (low, high) in zip(_PRIORS, ranges, strict=True):
        at = np.linspace(low, high, _STEPS)
        weight.append(prior * float(np.mean(np.exp(-0.5 * ((short_v - at) / u_v) ** 2))))
    total = sum(weight)
    if total <= 0.0:
        return ()
    told = [Told(c, w / total, r) for (c, _), w, r in zip(_PRIORS, weight, ranges, strict=True)]
    return tuple(sorted(told, key=lambda t: -t.probability))
