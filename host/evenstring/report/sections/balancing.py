"""Whether the groups get even, how fast, and how much longer it takes."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import Balancing
from evenstring.report.drawing.axis import clock, number_axis, time_axis
from evenstring.report.drawing.picture import Area, Line, Picture, Rule
from evenstring.report.drawing.reduction import reduce_extremes, spread_mv
from evenstring.report.material import Material
from evenstring.report.sections.section import Section, drawn, optional
from evenstring.report.words import BALANCING

__all__ = ["interval", "remaining_time", "section"]

_DAY_S = 86_400.0


def section(material: Material) -> Section:
    """Words, figures and picture."""
    b, shared = material.found.balancing, material.found.shared_leads
    lines = [_state(b), *b.reasons]
    if shared:
        bled = ", ".join(f"{g} ({h:.1f} h)" for g, h in shared.hours_by_group)
        lines.append(f"In this recording {shared.text}." + (f" Groups seen to bleed: {bled}." if bled else ""))
    if b.remaining_s is not None:
        lines.append("The time holds if everything stays connected as it is.")
    way = "the spread opens by" if b.rate_mv_per_h is not None and b.rate_mv_per_h < 0 else "the spread closes by"
    pace = "not known" if b.rate_mv_per_h is None else f"{abs(b.rate_mv_per_h):.1f} mV an hour"
    pairs = [("time to balanced", remaining_time(b), interval(b)), (way, pace, "")]
    if b.target_percent is not None:
        pairs.append(("counts as balanced", f"{b.target_percent:.0f} % of charge", "at the top of charge"))
    if b.gap_percent is not None:
        pairs.append(("in charge", f"{b.gap_percent:.1f} %", optional(b.gap_ah, "Ah", 2)))
    missing = material.missing("balancing")
    return Section("balancing", "Balancing", lines, pairs, drawn(_picture(material)), missing=missing)


def _state(b: Balancing) -> str:
    """The state, with of what and when it speaks."""
    when = "" if b.at_s is None else f" This is of the last charge, at {clock(b.at_s)}."
    return BALANCING[b.state] + when


def remaining_time(b: Balancing) -> str:
    """How long until balanced, in words."""
    if b.state == "balanced":
        return "balanced"
    if b.answer == "never":
        return "never, as it is"
    if b.answer == "over_24_h" or (b.remaining_s is not None and b.remaining_s > _DAY_S):
        return "longer than 24 h"
    if b.remaining_s == 0.0:
        return "about reached"
    seconds = b.remaining_s
    return "not known" if seconds is None else clock(60 * round(seconds / 60) if seconds > 600 else seconds)


def interval(b: Balancing) -> str:
    """The interval of that time, in words; empty where there is none."""
    low, high = b.remaining_low_s, b.remaining_high_s
    if low is None or b.remaining_s is None:
        return ""
    if b.remaining_s == 0.0:
        latest = "" if not high else f"; {clock(60 * round(high / 60))} at most"
        return "" if high == 0.0 else f"at the target, within the uncertainty of the spread{latest}"
    # A low end over a day has its high end in hours too; else "longer than 24 h" would be the shorter of the two.
    far = high is not None and high > _DAY_S >= low
    end = "no upper end" if high is None else "longer than 24 h" if far else clock(60 * round(high / 60))
    return f"{clock(60 * round(low / 60))} to {end}, level {b.level:g}"


def _picture(material: Material) -> Picture | None:
    """The spread of the last charge and where it is heading, as a fan between the two ends of the interval."""
    session, balancing = material.session, material.found.balancing
    remaining = balancing.remaining_s
    if remaining is None or not remaining > 0 or session.scans < 2:
        return None
    low, high = balancing.remaining_low_s or remaining, balancing.remaining_high_s or remaining
    target = balancing.target_mv
    charges = [p for p in material.found.phases if p.kind in ("charge_cc", "charge_cv")]
    charged_s = material.found.charge.end_s  # a held end of which nobody knows when the charger went is drawn too
    end = charged_s if charged_s is not None else charges[-1].end_s if charges else session.duration_s
    held = [p.start_s for p in charges if p.kind == "charge_cv"]  # before that nothing balances
    begin = max(end - max(3 * remaining, 3600.0), held[-1] if held else 0.0)
    pick = (session.time_s >= begin) & (session.time_s <= end)
    if pick.sum() < 2:
        return None
    spread = spread_mv(session.volts_v)[pick]
    drawn = reduce_extremes(session.time_s[pick], spread[:, None], 600)
    values = drawn.values[:, 0].astype(np.float64)
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    now = float(np.median(known[-20:]))
    ahead = end + np.array([0.0, low, remaining, high])
    likely = now + (target - now) * np.minimum((ahead - end) / remaining, 1.0)
    early = now + (target - now) * np.minimum((ahead - end) / low, 1.0)
    late = now + (target - now) * np.minimum((ahead - end) / high, 1.0)
    return Picture(
        key="balancing",
        alt=f"Spread {now:.0f} mV now; the target of {target:g} mV is reached after {clock(remaining)},"
        f" between {clock(low)} and {clock(high)} if everything stays connected as it is.",
        caption="Measured spread, then the forecast: the fan is the interval, the dashed line the likeliest course.",
        x=time_axis(begin, end + high * 1.08),
        y=number_axis(0.0, max(float(np.max(known)), target * 1.5), "mV"),
        y_word="spread, mV",
        lines=(
            Line(drawn.time_s[:, 0], values, "spread", "main"),
            Line(ahead, likely, "forecast", "fit", "forecast"),
        ),
        areas=(Area(ahead, early, late),),
        rules=(Rule(target, f"target {target:g} mV", "target"),),
        timed=False,
    )
