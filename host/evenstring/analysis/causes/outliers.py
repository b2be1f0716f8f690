"""Groups that stand out no further than production scatter may take some group of a string: named, never accused.

A fault at its beginning is as small as the scatter of healthy groups, and one recording cannot tell the two apart;
what grows from recording to recording is a fault. For each kind of departure the score test asks how far it alone
takes a group, in standard deviations of healthy scatter and evidence together (C. R. Rao, Proc. Camb. Phil. Soc. 44
(1948) 50); kinds that a recording cannot tell apart come out alike. The chance that scatter alone takes one of so many
groups as far, of any kind, is said with it (family-wise, as for independent looks: 1 - (1 - p)^n).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, sqrt

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, METER, RESISTANCE

__all__ = ["StandOut", "stand_outs"]

F64 = NDArray[np.float64]

# Deviations; half of the smallest fault that is to be told is at 2.5, less what the meter blurs: our choice
_FROM = 2.0
_MOST = 4  # of a string: our choice
_ALIKE = 0.4  # deviations: kinds this close are not told apart: tuned on own packs under 100,000
_LOOKS = 6  # a group: meter and charge both ways, less capacity, more resistance: our choice


@dataclass(frozen=True, slots=True)
class StandOut:
    """One group.

    Attributes:
        group: from 0.
        kinds: indices of the kinds of departure that fit, most first.
        deviations: how far it is out.
        by_chance: probability that some healthy group of the string is as far out.
    """

    group: int
    kinds: tuple[int, ...]
    deviations: float
    by_chance: float


def stand_outs(size: F64, total: F64, besides: frozenset[int]) -> tuple[StandOut, ...]:
    """The few groups furthest out, furthest first.

    Args:
        size: (g, 4) departures: meter, charge, capacity, resistance.
        total: (g, 4, 4) covariance of healthy scatter and evidence together.
        besides: groups, from 0, that are spoken of anyhow.
    """
    found = []
    for g in range(len(size)):
        precise = np.linalg.inv(total[g])
        z = precise @ size[g] / np.sqrt(np.diag(precise))
        far = np.array(
            [abs(z[METER]), abs(z[CHARGE]), -z[CAPACITY], z[RESISTANCE]]
        )  # more capacity or less resistance is no weakness
        k = int(np.argmax(far))
        if far[k] < _FROM or g in besides:
            continue
        kinds = tuple(int(j) for j in np.argsort(-far) if far[j] > far[k] - _ALIKE)
        alone = 0.5 * erfc(float(far[k]) / sqrt(2.0))
        found.append(StandOut(g, kinds, float(far[k]), 1.0 - (1.0 - alone) ** (_LOOKS * len(size))))
    return tuple(sorted(found, key=lambda s: -s.deviations)[:_MOST])
