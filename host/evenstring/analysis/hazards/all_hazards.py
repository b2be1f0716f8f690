"""All that is dangerous whatever its cause, the surest first."""

from __future__ import annotations

from evenstring.analysis.hazards.at_rest import find_at_rest
from evenstring.analysis.hazards.extra_heat import find_extra_heat
from evenstring.analysis.hazards.far_behind import find_far_behind
from evenstring.analysis.hazards.leads_at_top import find_leads_at_top
from evenstring.analysis.hazards.stays_above import find_alone_above, find_stays_above
from evenstring.analysis.results import Balancing, Charge, Hazard, Phase
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile

__all__ = ["find_hazards"]


def find_hazards(
    signals: Signals,
    profile: PackProfile,
    phases: tuple[Phase, ...],
    meter: MeterError,
    charged: tuple[Balancing, Charge] | None,
    leads_v: float = 0.0,
) -> tuple[Hazard, ...]:
    """Of a session; empty where nothing of the kind was seen, which is no proof that nothing is there.

    `charged`: what the gap at the end of the charge is read from; None where bleeding moves the readings too much, by
    up to `leads_v`.
    """
    where = signals, profile, phases, meter
    above = find_stays_above(*where) if charged else find_alone_above(*where, leads_v)
    found = (
        *find_extra_heat(signals, profile, phases),
        *find_at_rest(signals, profile, phases, meter),
        *(find_far_behind(signals, profile, phases, *charged) if charged else ()),
        *(above or find_leads_at_top(signals, profile, phases)),
    )
    return tuple(sorted(found, key=lambda h: -h.confidence))
