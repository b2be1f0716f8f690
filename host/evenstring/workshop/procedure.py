"""A session on the bench, step by step: what to do next so that every limit can be decided, and when enough was seen.

It keeps no state: what was done is read off the recording so far, so a session that was left is taken up where it
stood, and whoever switches load or charger, by hand or otherwise, is seen doing it. A step is asked for while a
criterion that it serves is open, and no longer than it can help: what stays open after it is undecided at this
uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from evenstring.analysis.results import Phase
from evenstring.hardware.calibrations import calibration_due_since
from evenstring.report.material import Material
from evenstring.workshop.acceptance.accept import Acceptance
from evenstring.workshop.lead_check import leads_wrong

__all__ = ["STEPS", "Guide", "Step", "guide"]

_RELAXED_S = 1800.0  # of a rest that a capacity is read from (riding/capacity.py)
_SHORT_REST_S = 600.0  # of a rest for the spread alone: our choice; five minutes are the least that counts
_PART = 0.4  # of the nameplate's capacity to take out, where a third is the least that counts: our choice
_UNDER_CURRENT = frozenset({"discharge", "charge"})  # keys of steps
_NOT_TO_CHARGE = ": the verdict is not to charge this pack, and no current is asked for"
_CAPACITY = frozenset({"capacity_ah", "capacity_percent"})
_CELLS = frozenset({"smallest_group_percent", "resistance_above_median_percent"})
_LOAD = frozenset({"spread_under_load_mv", "lowest_under_load_v"})


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, the caution that goes with it, and the quantities that it serves."""

    key: str
    ask: str
    caution: str
    serves: frozenset[str]


STEPS = (
    Step("leads", "Mend the sense leads: what is measured through them cannot be trusted.",
         "The taps are live. Plug out first; cut and mend one lead at a time, its fuse out.",
         _CAPACITY | _CELLS | _LOAD | {"spread_at_rest_mv", "spread_end_of_charge_mv", "lowest_v", "highest_v"}),
    Step("rest", "Leave the pack alone, charger and load off.",
         "Stay near: a pack that warms up at rest, hisses or swells is left alone, and the fire brigade called.",
         _CAPACITY | {"spread_at_rest_mv"}),
    Step("discharge", "Switch the load on, at a current that pack, leads and load are made for.",
         "The load gets hot. Its leads carry full pack current: fuse at the pack, no bare clips. Stop when the"
         " first group nears empty.", _CAPACITY | _CELLS | _LOAD),
    Step("rest_after", "Switch the load off, and leave the pack alone.",
         "Let load and pack cool; do not touch leads that were warm.", _CAPACITY),
    Step("charge", "Connect the pack's own charger, and leave it on past its light.",
         "Never charge unattended, never a pack that was ever below its discard voltage, never below 0 °C. The"
         " protection board stays in charge.", frozenset({"spread_end_of_charge_mv"})),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Guide:
    """What to do now; None: enough was seen.

    Attributes:
        progress: how far the step is, from what is seen.
        note: what to know of the monitor; empty: nothing.
    """

    step: Step | None
    progress: str
    note: str = ""


def guide(material: Material, acceptance: Acceptance, over: frozenset[str] = frozenset()) -> Guide:
    """The first step that can still decide something; `over`: keys of steps that came to their own end."""
    not_to_charge = material.found.verdict.action == "do_not_charge"
    over = over | _UNDER_CURRENT if not_to_charge else over
    open_ones = {d.criterion.of for d in acceptance.decided if d.decision not in ("pass", "fail")}
    relaxed_s = _RELAXED_S if open_ones & _CAPACITY else _SHORT_REST_S
    for step in STEPS:
        if step.key not in over and step.serves & open_ones and (left := _LEFT[step.key](material, relaxed_s)):
            return Guide(step, left, _note(material))
    return Guide(None, f"enough was seen{_NOT_TO_CHARGE if not_to_charge else ''}", _note(material))


def _note(material: Material) -> str:
    due = calibration_due_since(material.session)
    return f"The monitor's calibration is due since {due}: trust differences of groups more than volts." if due else ""


def _leads(material: Material, _relaxed_s: float) -> str:
    return leads_wrong(material)


def _rest(material: Material, relaxed_s: float) -> str:
    return _rest_left(material.found.phases, relaxed_s)


def _discharge(material: Material, relaxed_s: float) -> str:
    """By the charge taken out since the first long rest where there is a current sensor, else by time."""
    since_s, wanted_ah = _rested_s(material, relaxed_s), _PART * material.profile.capacity_ah
    if not material.session.has_current:
        ridden_s = material.found.coverage.ride_s
        return "" if ridden_s >= _RELAXED_S else f"{ridden_s / 60:.0f} of {_RELAXED_S / 60:.0f} min, no current sensor"
    out_ah = sum(r.used_ah or 0.0 for r in material.found.rides if r.end_s > since_s)
    return "" if out_ah >= wanted_ah else f"{out_ah:.1f} of {wanted_ah:.1f} Ah taken out"


def _rest_after(material: Material, relaxed_s: float) -> str:
    since_s = _rested_s(material, relaxed_s)
    load_on_s = next((p.start_s for p in material.found.phases if p.kind == "ride" and p.end_s > since_s), float("inf"))
    return _rest_left([p for p in material.found.phases if p.start_s >= load_on_s], relaxed_s)


def _charge(material: Material, _relaxed_s: float) -> str:
    charged_s = material.found.coverage.charge_s
    held = material.found.balancing.at_s is not None and material.found.charge.ended != "still_charging"
    return "" if held else f"charging seen for {charged_s / 60:.0f} min, and not yet to its end"


def _rest_left(phases: Sequence[Phase], relaxed_s: float) -> str:
    longest_s = max((p.end_s - p.start_s for p in phases if p.kind == "rest"), default=0.0)
    return "" if longest_s >= relaxed_s else f"{longest_s / 60:.0f} of {relaxed_s / 60:.0f} min at rest"


def _rested_s(material: Material, relaxed_s: float) -> float:
    """When the first long rest ended; 0 where none has been asked for or seen: then any discharge counts."""
    rests = (p for p in material.found.phases if p.kind == "rest" and p.end_s - p.start_s >= relaxed_s)
    return next((p.end_s for p in rests), 0.0)


_LEFT: dict[str, Callable[[Material, float], str]] = {
    "leads": _leads, "rest": _rest, "discharge": _discharge, "rest_after": _rest_after, "charge": _charge,
}  # fmt: skip
