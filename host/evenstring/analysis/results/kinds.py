"""The kinds that results are of, as closed sets: a mistyped one does not pass the type checker."""

from __future__ import annotations

from typing import Literal

Action = Literal["do_not_charge", "inspect", "keep_charging", "ride_weak_group", "too_little_data", "ride"]
BalancingState = Literal["balanced", "converging", "not_converging", "not_reached"]
TimeAnswer = Literal["time", "over_24_h", "never", "none"]
CauseKind = Literal[
    "meter_offset",
    "charge_offset",
    "low_capacity",
    "high_resistance",
    "self_discharge",
    "balancer_fault",
    "connection",  # a resistance that is no cell's
    "cannot_tell",
]
Certainty = Literal["yes", "within_uncertainty"]
ChargerSetting = Literal["low", "right", "high", "unknown"]
ClaimPlace = Literal["start", "end", "max", "load", "rest", "cv_end"]  # load: heaviest of a ride
During = Literal["ride", "charge", "rest", "unknown"]
EndKind = Literal[
    "full",
    "stopped_early",
    "ended_uneven",
    "charger_low",
    "interrupted_in_cv",
    "stopped_before_cv",
    "still_charging",
    # Held to the end of a recording without current, for so long that the charger may have gone unseen.
    "cannot_tell",
    "none",
]
EventKind = Literal["below_empty", "below_discard", "above_full", "above_ceiling", "reversed", "lead_open"]
# Dangerous whatever the cause; a group far behind: in charge, at the end of charging.
HazardKind = Literal["extra_heat", "drains_at_rest", "spread_grows", "far_behind", "stays_above", "alone_above"]
# ease_off: a group below empty; near_ceiling, brake_gently: above its ceiling; below_empty: what nothing had foretold.
ForetoldKind = Literal["ease_off", "near_ceiling", "brake_gently", "below_empty"]
ForetoldOutcome = Literal["came", "near", "stayed_clear", "not_read", "not_foretold"]
HeatKind = Literal["charged_cold", "charged_hot", "hot"]
PatternKind = Literal["comb", "position", "tap"]
PhaseKind = Literal["rest", "charge_cc", "charge_cv", "ride", "unknown"]
RideEnd = Literal["normal", "cut_under_load", "regen_near_ceiling"]
