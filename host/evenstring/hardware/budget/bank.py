"""Budget of a divider bank: a group is the difference of two large numbers, and group 1 feeds every divider."""

from __future__ import annotations

import math

from evenstring.hardware.budget.figures import Budget, Line
from evenstring.hardware.bus import string_v
from evenstring.hardware.front_end import DividerBank

__all__ = ["divider_bank"]

_TARGET_SHARE = 1 / 3  # as in the relay scan
_HOURS_30_DAYS = 720.0


def divider_bank(d: DividerBank) -> Budget:
    """All figures of a divider bank."""
    full_v = string_v(d)
    tracking = d.divider.tracking_ppm_per_k * d.divider.temperature_range_k * 1e-6
    limit_mv = d.string.target_mv * _TARGET_SHARE
    step_mv = full_v / 2**d.converter.bits * 1e3
    bent = d.converter.bent_steps / 2**d.converter.bits
    error_mv = full_v * math.hypot(tracking, bent) * 1e3
    noise_mv = math.sqrt(2 / d.converter.conversions) * d.converter.noise_steps * step_mv
    # Group 1 carries the current of every divider, the top group that of one: sum over taps k of k V / R.
    n, volts = d.string.groups, d.string.group_max_v
    bottom_a = volts * n * (n + 1) / 2 / d.divider.ohm
    top_a = full_v / d.divider.ohm
    hours = 0.0 if d.divider.idle_disconnect else _HOURS_30_DAYS
    reach_v = limit_mv * 1e-3 / math.hypot(tracking, bent)
    lines = (
        Line("string_v", "full string", full_v, "V", "groups x highest group voltage"),
        Line("tracking_ppm", "one divider against another", tracking * 1e6, "ppm", "tracking x temperature range"),
        Line("step_mv", "one step of the converter", step_mv, "mV", "string / 2^bits"),
        Line("error_mv", "error of the top group, bound", error_mv, "mV",
             f"tracking and nonlinearity, of the string; at most a third of the target of {d.string.target_mv:g} mV",
             limit_mv),
        Line("reach_v", "highest string at which that is kept", reach_v, "V", "limit / (tracking and nonlinearity)"),
        Line("noise_mv", "noise of the top group", noise_mv, "mV", "two taps, falls with the root of the conversions"),
        Line("bottom_ah_30d", "taken from group 1 in 30 days", bottom_a * hours, "Ah", "it feeds every divider"),
        Line("top_ah_30d", "taken from the top group in 30 days", top_a * hours, "Ah", "it feeds one"),
        Line("uneven_ah_30d", "imbalance made in 30 days", (bottom_a - top_a) * hours, "Ah",
             "at most 0.05 Ah: small against a month's leak of a healthy cell", 0.05),
    )  # fmt: skip
    return Budget(f"divider bank, {n} groups", lines)
