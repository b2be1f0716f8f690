"""Reasons for the verdict that rest on causes and temperatures, put beside those of events, charge and balancing.

A cell that loses charge by itself, a bleeder at fault and a bad joint do not mend by charging or balancing, and get
worse: they ask for an inspection once they are said with confidence. Charging below 0 degC may plate lithium, which no
later charge undoes (common practice: not below 0 degC; IEC 62133-2 leaves the limits to the cell's maker). A group with
less capacity or more resistance changes no action: it is a reason to know where it ends the ride.
"""

from __future__ import annotations

from dataclasses import replace

from evenstring.analysis.results import Evidence, Findings

__all__ = ["with_causes", "with_more", "with_temperatures"]

Asked = tuple[str, Evidence]  # action, and the reason

_ORDER = ("do_not_charge", "inspect", "keep_charging", "ride")
_SURE = 0.8  # confidence from which a cause is spoken of: our choice
_COLD = (
    "The pack was charged below 0 °C, down to {c:.0f} °C for {m:.0f} min: lithium may have plated, which can short a"
    " cell later; ask for the limits of the cells' maker."
)
_WARM = {
    "charged_cold": ("inspect", _COLD),
    "charged_hot": ("ride", "The pack was charged above 45 °C, up to {c:.0f} °C for {m:.0f} min: that ages cells."),
    "hot": ("inspect", "A sensor read over 60 °C, up to {c:.0f} °C for {m:.0f} min; find out what gets so warm."),
}
_CAUSES = {
    "self_discharge": "Group {g} loses {size:.2g} % of charge a week by itself: a cell may be damaged within.",
    "balancer_fault": "Group {g} is drained or left out by its balancer ({detail}).",
    "connection": "Group {g} has {size:.0f} % more resistance in a joint, link or lead: a bad joint gets hot.",
}
_LESS = (
    "Group {g} holds about {size:.0f} % less charge than the others ({low:.0f} to {high:.0f} %): it tends to be empty"
    " first, and no balancing mends that."
)
_MORE = (
    "Group {g} has about {size:.0f} % more resistance than the others ({low:.0f} to {high:.0f} %): it sags deepest"
    " under load, most of all when nearly empty or cold."
)
# From this size on, in per cent, it matters for riding whichever group is empty first: our choice.
_RIDES = {"low_capacity": (5.0, _LESS), "high_resistance": (20.0, _MORE)}


def with_temperatures(found: Findings) -> Findings:
    """Findings whose verdict counts the temperatures."""
    asked = []
    for k, event in enumerate(found.temperature):
        action, text = _WARM[event["kind"]]
        said = text.format(c=event["extreme_c"], m=max(event["duration_s"] / 60.0, 1.0))
        asked.append((action, Evidence(said, f"temperature.events[{k}]", "events")))
    return with_more(found, asked)


def with_causes(found: Findings) -> Findings:
    """Findings whose verdict counts causes that neither charging nor balancing mends, and names what limits a ride."""
    shown = [w for w in found.weakness if w.cause != "cannot_tell"]  # as report.json lists them
    asked = [
        (
            "inspect",
            Evidence(_CAUSES[w.cause].format(g=w.group, size=w.size, detail=w.detail), f"weakness[{k}]", "weakness"),
        )
        for k, w in enumerate(shown)
        if w.cause in _CAUSES and w.confidence >= _SURE
    ]
    limits = None if found.reserve is None else found.reserve.group
    for k, w in enumerate(shown):
        least, text = _RIDES.get(w.cause, (0.0, ""))
        if text and w.confidence >= _SURE and (w.size >= least or w.group == limits):
            said = text.format(g=w.group, size=w.size, low=max(0.0, w.size_low), high=w.size_high)
            asked.append(("ride", Evidence(said, f"weakness[{k}]", "weakness")))
    return with_more(found, asked)


def with_more(found: Findings, asked: list[Asked]) -> Findings:
    """Findings whose verdict has these reasons too; the most serious action of all stands."""
    if not asked:
        return found
    verdict = found.verdict
    action = min([verdict.action, *(a for a, _ in asked)], key=_ORDER.index)
    first = action != verdict.action
    mine = tuple(e for _, e in sorted(asked, key=lambda a: _ORDER.index(a[0])))
    evidence = (*mine, *verdict.evidence) if first else (*verdict.evidence, *mine)
    texts = tuple(e.text for e in mine)
    reasons = (*texts, *verdict.reasons) if first else (*verdict.reasons, *texts)
    keep = verdict.keep_charging_s if action == "keep_charging" else None
    return replace(
        found, verdict=replace(verdict, action=action, reasons=reasons, evidence=evidence, keep_charging_s=keep)
    )
