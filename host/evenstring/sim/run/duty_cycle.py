"""What happens to a pack, in order: a `DutyCycle` is built by chaining, and is immutable.

DutyCycle().ride(minutes=25, seed=3).rest(minutes=20).charge(hours=6)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenstring.sim.run.random_ride import Load, random_ride

__all__ = ["DutyCycle", "Step"]

F64 = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Step:
    """One part of a plan.

    Attributes:
        kind: ride, rest, charge or store.
        duration_s: at most this long. step_s: time between nodes; None: the caller's choice.
        current_a: (n,) at nodes step_s apart, charging positive, for a ride; else None.
        until_soc: ends when the mean SoC passes it (down in a ride, up in a charge).
        leave_s: a charge ends this long after the done light or a cut; None: stays for all of duration_s.
        ambient_c: temperature around the pack.
    """

    kind: str
    duration_s: float
    step_s: float | None = None
    current_a: F64 | None = None
    until_soc: float | None = None
    leave_s: float | None = None
    ambient_c: float = 25.0


@dataclass(frozen=True)
class DutyCycle:
    """A sequence of steps."""

    steps: tuple[Step, ...] = ()
    ambient_c: float = 25.0

    def at(self, ambient_c: float) -> DutyCycle:
        """The steps added from here on take place at this temperature."""
        return replace(self, ambient_c=ambient_c)

    def ride(self, *, minutes: float, seed: int = 0, load: Load | None = None, until_soc: float | None = None,
             step_s: float = 0.2) -> DutyCycle:  # fmt: skip
        """A random ride: accelerate, cruise, brake with regeneration, climb, stand."""
        current = random_ride(np.random.default_rng(seed), minutes * 60.0, step_s, load or Load())
        return self._add(Step("ride", minutes * 60.0, step_s, -current, until_soc))

    def load(self, current_a: ArrayLike, *, step_s: float) -> DutyCycle:
        """A given current at nodes `step_s` apart, charging positive, linear in between."""
        current = np.asarray(current_a, np.float64)
        return self._add(Step("ride", (len(current) - 1) * step_s, step_s, current))

    def rest(self, *, minutes: float, step_s: float | None = None) -> DutyCycle:
        """No current."""
        return self._add(Step("rest", minutes * 60.0, step_s))

    def charge(self, *, hours: float, until_soc: float | None = None, leave_hours: float | None = None,
               step_s: float | None = None) -> DutyCycle:  # fmt: skip
        """Charger connected for `hours`, or until `until_soc`, or until `leave_hours` after its light or a cut."""
        leave_s = None if leave_hours is None else leave_hours * 3600.0
        return self._add(Step("charge", hours * 3600.0, step_s, None, until_soc, leave_s))

    def store(self, *, days: float, step_s: float = 1800.0) -> DutyCycle:
        """Put away, nothing connected, in coarse steps."""
        return self._add(Step("store", days * 86400.0, step_s))

    def _add(self, step: Step) -> DutyCycle:
        return replace(self, steps=(*self.steps, replace(step, ambient_c=self.ambient_c)))
