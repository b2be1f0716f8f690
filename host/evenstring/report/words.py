"""The fixed words of a report: what states, kinds and causes are called, what terms mean, and the cautions."""

from __future__ import annotations

from collections.abc import Sequence

from evenstring.analysis.results import Action, BalancingState, CauseKind, EndKind, EventKind, PhaseKind, RideEnd

__all__ = [
    "ACTIONS",
    "BALANCING",
    "CAUSES",
    "CAUTIONS",
    "ENDED",
    "EVENTS",
    "GLOSSARY",
    "MORE_CHARGE",
    "PHASES",
    "PROFILE",
    "RIDES",
    "counted",
    "listed",
    "surely",
]


def counted(count: int, what: str) -> str:
    """A number and its noun, in the plural where it is not one."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def listed(numbers: Sequence[int], most: int = 6) -> str:
    """Numbers as a reader says them: 3, 7 and 9."""
    shown = [str(n) for n in numbers[:most]]
    if len(numbers) > most:
        return f"{', '.join(shown)} and {len(numbers) - most} more"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}" if shown else ""


def surely(confidence: float) -> str:
    """A confidence in words: of 100 such statements so many are right."""
    if confidence >= 0.95:  # bounds of words
        return "as good as certain"
    if confidence >= 0.85:  # as above
        return "fairly sure: about nine such statements in ten are right"
    if confidence >= 0.7:  # as above
        return "likely: about three such statements in four are right"
    return "not sure: little more than even odds"


ACTIONS: dict[Action, str] = {
    "ride": "Nothing measured here speaks against riding",
    "ride_weak_group": "Rideable, with a weak group",
    "too_little_data": "Too little was recorded to say",
    "keep_charging": "Keep charging: the groups are not even yet",
    "inspect": "Have it inspected before the next charge or ride",
    "do_not_charge": "Do not charge this pack",
}
PHASES: dict[PhaseKind, str] = {
    "rest": "rest",
    "charge_cc": "charge, constant current",
    "charge_cv": "charge, constant voltage",
    "ride": "ride",
    "unknown": "not told",
}
EVENTS: dict[EventKind, str] = {
    "below_empty": "below empty",
    "below_discard": "below the discard voltage",
    "above_full": "above full",
    "above_ceiling": "above its ceiling",
    "reversed": "reversed",
    "lead_open": "sense lead open",
}
ENDED: dict[EndKind, str] = {
    "full": "The charge ended full.",
    "stopped_early": "The charge stopped early: a group reached its ceiling.",
    "stopped_before_cv": "The charge ended in its constant-current part, with no group near its ceiling.",
    "ended_uneven": "The charge ran to its end, but not every group is full.",
    "charger_low": "The charge ran to its end below full: the charger is set low, or a group is missing.",
    "interrupted_in_cv": "The charge was interrupted in its constant-voltage part.",
    "still_charging": "The recording ends while charging.",
    "cannot_tell": "How the charge ended does not show in this recording.",
    "none": "No charge in this recording.",
}
BALANCING: dict[BalancingState, str] = {
    "balanced": "Balanced: the groups are as even as the target asks.",
    "converging": "Balancing is at work and the groups come closer.",
    "not_converging": "The groups do not come closer, as things are.",
    "not_reached": "Balancing was not reached in this recording.",
}
RIDES: dict[RideEnd, str] = {
    "normal": "ended as usual",
    "cut_under_load": "was cut off under load",
    "regen_near_ceiling": "drove a group near its ceiling by braking",
}
CAUSES: dict[CauseKind, str] = {
    "charge_offset": "holds less charge than its neighbours; balancing mends this",
    "low_capacity": "has less capacity than its neighbours",
    "high_resistance": "has more resistance than its neighbours",
    "self_discharge": "loses charge by itself; balancing does not mend this",
    "meter_offset": "is read with an offset: the meter, not the pack",
    "balancer_fault": "is drained or left out by its balancer",
    "connection": "has a resistance in a joint or a lead",
    "cannot_tell": "stands out, and why cannot be told from this recording",
}
MORE_CHARGE = "holds more charge than its neighbours; balancing mends this"
GLOSSARY = {
    "group": "Cells in parallel that share one voltage. Group 1 is at pack negative.",
    "scan": "One reading of every group. With two passes the string is read out and back.",
    "departure": "A group minus the median group of the same scan.",
    "spread": "Highest group minus lowest group of one scan.",
    "rest": "No current beyond the smaller of capacity/200 and 0.1 A, and no group bleeding, for 5 minutes or more"
    " (without a sensor: pack voltage slope and noise to match).",
    "full": "The constant-voltage part was reached, the current fell to the done-light threshold (without a sensor: the"
    " plateau held 10 minutes or more), and every group is within 30 mV of full (lithium iron"
    " phosphate: within 3 % of charge).",
    "stopped early": "Charging ended by itself with a group at its ceiling, or with the lowest one clearly below full"
    " while the charger still wanted to deliver.",
    "stopped before cv": "Ended in the constant-current part with no group near its ceiling.",
    "balanced": "Spread at or under the target (10 mV unless set) with the charger still connected, or at rest at the"
    " top of charge. Lithium iron phosphate: all groups within 1 % of charge there. At a rest elsewhere groups may be"
    " even there, and no more is said.",
    "time to balanced": "How long until balanced if everything stays connected as it is. “Longer than 24 h” and"
    " “never, as it is” are answers.",
    "effect": "A group's own departure from the median group (capacity, resistance, charge, leak), scatter included.",
    "confidence": "Of 100 statements made at 0.9, about 90 are right; an interval's level means the same.",
    "ceiling, empty, discard": "Voltages of one group: where charging must stop; where riding must stop; below which a"
    " group is not to be charged again.",
    "bleed": "A small current taken from a full group so that the others can catch up.",
}
CAUTIONS = (
    "A pack above 60 V DC can kill, and any lithium-ion pack can burn.",
    "The monitor never takes the place of the pack's protection board.",
    "A group that was ever below its discard voltage is not to be charged again.",
    "Do not leave a charging pack alone, least of all one with a finding on this page.",
    "Loss of drive, or of braking on a full pack, can injure: leave room.",
    "Local codes and the pack maker's instructions come first. Work inside a pack is for people trained for it.",
    "This page says what was measured and how surely, and what people commonly do next. It is no approval of any pack.",
)
# Field of the profile, its name in pack.toml, unit, what it means.
PROFILE = (
    ("chemistry", "pack.chemistry", "", "chemistry; sets limits and the open-circuit curve"),
    ("capacity_ah", "pack.capacity_ah", "Ah", "capacity"),
    ("full_v", "limits.full_v", "V", "a full group"),
    ("ceiling_v", "limits.ceiling_v", "V", "charging must stop"),
    ("empty_v", "limits.empty_v", "V", "riding must stop"),
    ("discard_v", "limits.discard_v", "V", "not to be charged again below this"),
    ("bleed_ma", "balancer.bleed_ma", "mA", "bleed current"),
    ("threshold_v", "balancer.threshold_v", "V", "bleeding starts"),
    ("bleed_rule", "balancer.rule", "", "what decides that a group bleeds"),
    ("charger_current_a", "charger.current_a", "A", "charger's current"),
    ("done_light_a", "charger.done_light_a", "A", "the charger's done light"),
    ("repair_a", "repair.current_a", "A", "bench supply or load for single groups"),
    ("load_a", "ride.load_a", "A", "load for which the reserve is asked"),
    ("display_offset_v", "ride.display_offset_v", "V", "vehicle's own pack voltage minus the true one"),
)
