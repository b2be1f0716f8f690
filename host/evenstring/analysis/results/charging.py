"""How charges went, how the charger is set, and whether the groups get even."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenstring.analysis.results.kinds import BalancingState, ChargerSetting, EndKind, TimeAnswer

__all__ = ["Balancing", "Charge", "Charger"]


@dataclass(frozen=True, slots=True)
class Charge:
    """How one charge went and how it ended."""

    ended: EndKind
    cause_group: int | None = None
    cause_groups: tuple[int, ...] = ()  # all that may have been the cause, within the meter's uncertainty
    lowest_group: int | None = None
    highest_group: int | None = None
    pack_v_end: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    by_itself: bool = False  # claimed only with a group at its ceiling
    lowest_v_end: float | None = None
    highest_v_end: float | None = None
    current_end_a: float | None = None
    charged_ah: float | None = None
    short_ah: float | None = None  # how much charge the lowest group lacks to full
    # Where the curve is flat: it lags behind the next lowest by so much of the capacity, or by more
    lowest_lag_percent: float | None = None
    light_at_s: float | None = None  # current fell to the done-light threshold
    done_light_a: float | None = None  # that threshold: the profile's, or where the taper ended; None without current


@dataclass(frozen=True, slots=True)
class Charger:
    """What the charger holds, in the last constant-voltage part."""

    plateau_v: float | None
    plateau_per_group_v: float | None
    set: ChargerSetting
    hold_after_light_s: float | None
    hold_needed_s: float | None
    current_a: float | None = None
    reaches_balancer: bool | None = None  # mean group at or above the bleed threshold, beyond the uncertainty
    u_per_group_v: float | None = None
    leaves_with_light: bool | None = None  # it was gone as soon as its light came on; None: cannot be seen


@dataclass(frozen=True, slots=True)
class Balancing:
    """Whether the string gets even in the constant-voltage part, how fast, and how much longer."""

    state: BalancingState
    rate_mv_per_h: float | None = None  # positive: closing
    rate_u_mv_per_h: float | None = None
    remaining_s: float | None = None
    remaining_low_s: float | None = None
    remaining_high_s: float | None = None  # None with a low end: no upper end can be given
    answer: TimeAnswer = "none"
    level: float = 0.9
    target_mv: float = 10.0
    spread_mv: float | None = None
    gap_ah: float | None = None
    gap_percent: float | None = None
    even_in_charge: bool | None = None  # gap at most 1 % at the top of charge; None: curve too flat, or not known
    target_percent: float | None = None  # of charge, where balance is judged by charge; target_mv is its like in mV
    even_here: bool | None = None  # at the last rest; None: no rest, or the curve there too flat to tell
    bleed_ma: float | None = None  # effective, from the rate and the curve
    bleeding_groups: tuple[int, ...] = ()
    at_s: float | None = None
    reasons: tuple[str, ...] = ()

    def without_time(self, answer: TimeAnswer, state: BalancingState, *reasons: str) -> Balancing:
        """The same with no time to balanced, nor an interval of one."""
        return replace(
            self, state=state, answer=answer, remaining_s=None, remaining_low_s=None, remaining_high_s=None,
            reasons=reasons,
        )  # fmt: skip
