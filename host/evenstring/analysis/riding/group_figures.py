"""Charge, capacity and resistance of each group, whether or not it stands out: what somebody needs who sorts cells."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, RESISTANCE, Evidence
from evenstring.analysis.results import GroupFigures
from evenstring.analysis.series.resistance import group_resistance
from evenstring.session import Session

__all__ = ["group_figures"]


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
    return tuple(
        GroupFigures(
            g + 1,
            float(evidence.size[g, CHARGE]),
            float(u[g, CHARGE]),
            float(evidence.size[g, CAPACITY]),
            float(u[g, CAPACITY]),
            float(evidence.size[g, RESISTANCE]),
            float(u[g, RESISTANCE]),
            None if ohm is None else round(1e3 * float(ohm[0][g]), 4),
        )
        for g in range(len(evidence.size))
    )
