"""A current that was stated, against what the monitor's sensor sees of it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from evenstring.report.material import Material
from evenstring.workshop.acceptance.limits import AcceptanceLimits
from evenstring.workshop.acceptance.measured import HEAVIER

__all__ = ["limits_out_of_reach", "stated_against_seen"]

_PART, _A = 0.10, 0.3  # of the stated, and A: sensor and hand-set load together; our choice
_LEAST_S = 60.0  # of a phase, before it is judged: our choice


def stated_against_seen(material: Material, discharge_a: float | None, charge_a: float | None) -> tuple[str, ...]:
    """A sentence for each stated current that the sensor does not see so, by the latest such phase."""
    return tuple(_notes(material, discharge_a, charge_a))


def limits_out_of_reach(limits: AcceptanceLimits, discharge_a: float | None) -> tuple[str, ...]:
    """A sentence for each limit under load that the stated discharge cannot decide."""
    if discharge_a is None:
        return ()
    wanted = [c.load_a for c in limits.criteria if c.load_a is not None]
    return tuple(
        f"a limit wants a load of {a:g} to {HEAVIER * a:g} A; at {discharge_a:g} A it stays not measured"
        for a in wanted
        if not a <= discharge_a <= HEAVIER * a
    )


def _notes(material: Material, discharge_a: float | None, charge_a: float | None) -> Iterator[str]:
    for kind, words, stated_a in (("ride", "discharge", discharge_a), ("charge_cc", "charge", charge_a)):
        if stated_a is None:
            continue
        seen_a = _latest_a(material, kind)
        if seen_a is not None and abs(abs(seen_a) - stated_a) > _PART * stated_a + _A:
            yield (
                f"{words}: {stated_a:.2f} A were stated, and the monitor's sensor sees {abs(seen_a):.2f} A; what is"
                " right? Capacity and resistance go by the sensor"
            )


def _latest_a(material: Material, kind: str) -> float | None:
    """Median current of the latest phase of this kind; None without one that is long enough, or without a sensor."""
    session = material.session
    phase = next((p for p in reversed(material.found.phases) if p.kind == kind), None)
    if session.current_a is None or phase is None or phase.end_s - phase.start_s < _LEAST_S:
        return None
    inside = session.current_a[(session.time_s >= phase.start_s) & (session.time_s <= phase.end_s)]
    known = inside[np.isfinite(inside)]
    return float(np.median(known)) if len(known) else None
