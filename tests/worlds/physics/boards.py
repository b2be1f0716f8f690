"""Boards that balance by bleeding, by every rule we could think of.

All times are multiples of five seconds, so that a run with long steps keeps them. Whether a group bleeds is decided
from the board's own readings, which have errors of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

__all__ = ["RULES", "Board"]

RULES = ("threshold", "band", "top_few", "by_turns", "odd_even")


@dataclass(eq=False)
class Board:
    """What decides that a group bleeds, and its memory.

    Attributes:
        rule: one of `RULES`, or "none".
        bleed_a: (g,) current of each bleeder; 0 where it is dead.
        offset_v: (g,) errors of the board's readings.
        threshold_v: below it no group bleeds.
        on_v, off_v: above the lowest group by so much: begins, ends (hysteresis).
        few: how many at once (top_few).
        turn_s: length of a turn (by_turns: thirds; odd_even: halves).
        period_s, pause_s: all bleeders are off for the last `pause_s` of each period; 0: never.
        at_rest: bleeds without a charger too.
        stuck: (g,) bleeders that never go off.
    """

    rule: str
    bleed_a: np.ndarray
    offset_v: np.ndarray
    threshold_v: float
    on_v: float = 0.005
    off_v: float = 0.003
    few: int = 3
    turn_s: float = 30.0
    period_s: float = 0.0
    pause_s: float = 0.0
    at_rest: bool = False
    stuck: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))
    wants: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def amps(self, volts_v: np.ndarray, now_s: float, charging: bool) -> np.ndarray:
        """(g,) bleed currents from now on."""
        paused = self.period_s > 0 and now_s % self.period_s >= self.period_s - self.pause_s
        if not paused or not len(self.wants):
            self.wants = self._wanted(volts_v + self.offset_v)
        on = self.wants & (charging or self.at_rest) & self._turn(now_s, len(volts_v)) & (not paused)
        if len(self.stuck):
            on = on | self.stuck
        return np.where(on, self.bleed_a, 0.0)

    def _wanted(self, seen_v: np.ndarray) -> np.ndarray:
        above = seen_v > self.threshold_v
        if self.rule == "none":
            return np.zeros(len(seen_v), dtype=bool)
        if self.rule == "threshold":
            return above
        already = self.wants if len(self.wants) else np.zeros(len(seen_v), dtype=bool)
        least = seen_v.min() + np.where(already, self.off_v, self.on_v)
        high = above & (seen_v > least)
        if self.rule == "top_few":
            high &= np.argsort(np.argsort(-seen_v)) < self.few
        return high

    def _turn(self, now_s: float, count: int) -> np.ndarray:
        shares = {"by_turns": 3, "odd_even": 2}.get(self.rule, 1)
        return np.arange(count) % shares == int(now_s // self.turn_s) % shares
