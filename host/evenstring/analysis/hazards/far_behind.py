"""A group far behind in charge, by the top of a charge, whatever cause it is given.

A gap this wide does not come from scatter or from a few missed charges: a board bleeds some tenths of a percent an hour
(50 mA of 20 Ah: a quarter), so it was months in the making or came at once. What made it is found before more charging.
"""

from __future__ import annotations

from evenstring.analysis.results import Balancing, Charge, Hazard
from evenstring.analysis.series.chances import chance_above

__all__ = ["find_far_behind"]

# Of capacity: more than a string that is used and charged to its end comes to, and 30 h of 50 mA for 20 Ah: our choice
_FAR_PERCENT = 8.0
_U = 0.2  # standard uncertainty of the gap, for the curve is seldom this cell's own: our choice
_Z90 = 1.645  # published (normal distribution, 90 % two-sided)
_MOST = 0.95  # the highest confidence that is stated: our choice


def find_far_behind(balancing: Balancing, charge: Charge) -> tuple[Hazard, ...]:
    """The lowest group at the end of the charge, where its gap is more likely than not beyond what is let pass."""
    if balancing.gap_percent is None or charge.lowest_group is None:
        return ()
    gap = abs(balancing.gap_percent)
    sure = chance_above(gap, _U * gap, _FAR_PERCENT)
    if sure < 0.5:
        return ()
    half = _Z90 * _U * gap
    sure = round(min(sure, _MOST), 3)
    return (
        Hazard("far_behind", charge.lowest_group, gap, "%", gap - half, gap + half, sure, seen_mv=balancing.spread_mv),
    )
