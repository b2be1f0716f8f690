"""Resistances against each other without a current: what a string's own changes tell, and what they do not."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.causes.evidence.relative_sag import relative_resistance
from evenstring.session import Session

GROUPS = 13


def session(changes_v: np.ndarray) -> Session:
    """Scans (n, GROUPS) whose readings change so, with a meter's noise."""
    volts = 3.8 + np.cumsum(changes_v, axis=0) + np.random.default_rng(8).normal(0.0, 3e-4, changes_v.shape)
    n = len(volts)
    return Session(np.arange(n) * 2.0, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(n, "f4"))


@pytest.mark.parametrize("seed", range(6))
def test_ratios_stay_what_the_changes_show_by_themselves(seed: int) -> None:
    """Ohm: each change is the current's times the resistance.

    Compared with lines through neighbours alone, noise moved a steady rise along the string on without end: of a string
    whose groups are alike resistances of 0.6 to 40 times were read.
    """
    rng = np.random.default_rng(seed)
    ohm = 1.0 + 0.05 * rng.standard_normal(GROUPS)
    ohm[4] *= 1.6
    steps = 0.03 * rng.standard_normal((1200, 1))

    found = relative_resistance(session((steps - np.roll(steps, 1, axis=0)) * ohm))

    assert found is not None
    assert found[0] == pytest.approx(ohm / np.median(ohm), abs=0.03)


def test_bleeders_on_shared_leads_are_no_load() -> None:
    """Two of three groups go up by one lead's drop and the third down by two, by turns (Ohm along the leads)."""
    turns = np.arange(600) // 5 % 3
    bleeding = turns[:, None] == np.arange(GROUPS) % 3
    drop = 0.012 * (2.0 * bleeding - np.roll(bleeding, 1, axis=1) - np.roll(bleeding, -1, axis=1))

    assert relative_resistance(session(np.diff(-drop, axis=0, prepend=-drop[:1]))) is None
