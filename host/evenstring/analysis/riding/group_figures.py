"""Capacity and resistance of each group, whether or not it stands out: what somebody needs who sorts cells."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.causes.estimates import CAPACITY, RESISTANCE, Evidence
from evenstring.analysis.results import GroupFigures
from evenstring.analysis.series.resistance import group_resistance
from evenstring.session import Session

__all__ = ["group_figures"]

_UNTOLD_PERCENT = 50.0  # standard uncertainty from which a group was as good as not measured: our choice


def group_figures(session: Session, evidence: Evidence | None) -> tuple[GroupFigures, ...]:
    """Of every group; empty where nothing was learnt of the cells.

    Args:
        session: with the current by the meter, where there is one.
        evidence: departures of the groups, from the diagnosis.
    """
    if evidence is None:
        return ()
    u = np.sqrt(np.einsum("gkk->gk", evidence.covariance))
    ohm = group_resistance(session) if evidence.has_steps else None
    out = []
    for g in range(len(evidence.size)):
        capacity, capacity_u = _told(float(evidence.size[g, CAPACITY]), float(u[g, CAPACITY]))
        resistance, resistance_u = _told(float(evidence.size[g, RESISTANCE]), float(u[g, RESISTANCE]))
        mohm = None if ohm is None else round(1e3 * float(ohm[0][g]), 4)
        out.append(GroupFigures(g + 1, capacity, capacity_u, resistance, resistance_u, mohm))
    return tuple(out)


def _told(percent: float, u_percent: float) -> tuple[float | None, float | None]:
    return (percent, u_percent) if u_percent <= _UNTOLD_PERCENT else (None, None)
