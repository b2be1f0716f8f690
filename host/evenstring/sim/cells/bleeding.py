"""Which groups a protection board bleeds: its rule applied to true voltages plus its own error of sensing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.profile import BLEED_RULES
from evenstring.sim.cells.pack import Balancer

__all__ = ["wanted_bleed"]


def wanted_bleed(
    balancer: Balancer,
    volts_v: NDArray[np.float64],
    bleeding: NDArray[np.bool_],
    times_s: NDArray[np.float64],
    charging: bool,
) -> NDArray[np.bool_]:
    """(k, g) which groups should bleed, at k instants with volts (k, g), given those that bleed now (g,).

    Raises:
        InputError: the rule is not one of `BLEED_RULES`.
    """
    if balancer.rule not in BLEED_RULES:
        raise InputError(f"balancer rule {balancer.rule!r} is not known; use one of {', '.join(BLEED_RULES)}")
    sensed = volts_v + balancer.sense_offset_v
    want = sensed > balancer.threshold_v - np.where(bleeding, balancer.hysteresis_v, 0.0)
    if balancer.rule != "threshold":
        want = want & (sensed > sensed.min(axis=1, keepdims=True) + balancer.above_lowest_v)
    if balancer.rule == "odd_even":
        turn = np.floor(times_s / balancer.turn_s).astype(np.int64) % 2
        want = want & (np.arange(volts_v.shape[1])[None, :] % 2 == turn[:, None])
    if not (balancer.while_charging if charging else balancer.at_rest):
        want = np.zeros_like(want)
    if balancer.most:
        rank = (-np.where(want, sensed, -np.inf)).argsort(axis=1, kind="stable").argsort(axis=1, kind="stable")
        want = want & (rank < balancer.most)
    groups = np.arange(1, volts_v.shape[1] + 1)
    return np.asarray((want | np.isin(groups, balancer.stuck)) & ~np.isin(groups, balancer.dead))
