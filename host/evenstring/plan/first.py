"""What comes before any habit: what the report asks of the next charge, the plan says in the same words."""

from __future__ import annotations

from dataclasses import dataclass

from evenstring.analysis.results import Reason, Step
from evenstring.report.material import Material
from evenstring.report.next_steps import next_step
from evenstring.report.reasons import headline

__all__ = ["First", "first_of"]

# Steps that speak of the charger or the next charge, as `report.next_steps` words them: our choice
_CHARGING: frozenset[Step] = frozenset({
    "charge_on", "after_ceiling_stop", "other_charger", "charger_that_stays", "mend_balancer", "charge_to_the_end",
    "find_surplus", "check_meter", "leave_room", "mind_temperature",
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class First:
    """What is asked of the next charge: headline, what to do and why without their full stops, whether it is grave."""

    headline: str
    do: str
    why: str = ""
    grave: bool = False


def first_of(material: Material) -> First | None:
    """What the report of this recording asks of the next charge; None where it leaves that to the habit."""
    verdict = material.found.verdict
    if not any(_on_the_charger(reason) for reason in verdict.steps):
        return None
    return First(headline(verdict), next_step(material).rstrip("."))


def _on_the_charger(reason: Reason) -> bool:
    return reason.step in _CHARGING or reason.kind == "near_target"
