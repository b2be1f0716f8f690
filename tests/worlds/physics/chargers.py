"""Chargers: stages, a set point that is off, a taper that ends anywhere, a swinging current, two at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Charger"]


@dataclass(eq=False)
class Charger:
    """One charger (or two), and its memory.

    Attributes:
        set_v: of the whole string.
        stages: (V of the string up to which, A): the first that is not passed yet counts.
        light_a: the current at which it says done.
        off_at_light: and stops.
        swing_a, swing_s: a slow swing of its current.
        second_a, second_from_s: of a second charger, set a little lower, from so long after the start.
        lead_ohm: of its leads: it holds its own end.
    """

    set_v: float
    stages: tuple[tuple[float, float], ...]
    light_a: float
    off_at_light: bool = False
    swing_a: float = 0.0
    swing_s: float = 60.0
    second_a: float = 0.0
    second_from_s: float = 0.0
    second_lower_v: float = 0.0
    lead_ohm: float = 0.0
    on: bool = True
    stage: int = 0
    light_at_s: float | None = None
    limit_since_s: float | None = None

    def most_a(self, string_v: float, now_s: float, since_s: float) -> float:
        """The most that it would give now."""
        if not self.on:
            return 0.0
        while self.stage < len(self.stages) - 1 and string_v >= self.stages[self.stage][0]:
            self.stage += 1
        amps = self.stages[self.stage][1]
        amps += self.swing_a * np.sin(2 * np.pi * now_s / self.swing_s)
        if self.second_a and since_s >= self.second_from_s and string_v < self.set_v - self.second_lower_v:
            amps += self.second_a
        return float(amps)

    def after(self, amps: float, holding: bool, now_s: float) -> None:
        """The light, once the current has tapered; held for ten seconds, as a charger would."""
        if not holding or amps > self.light_a:
            self.limit_since_s = None
            return
        if self.limit_since_s is None:
            self.limit_since_s = now_s
        if self.light_at_s is None and now_s - self.limit_since_s >= 10.0:
            self.light_at_s = now_s
            self.on = self.on and not self.off_at_light
