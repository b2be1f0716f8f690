"""Temperatures that speak for themselves in the verdict: charged below 0 degC, charged hot, hot at any time.

Below 0 degC charging may plate lithium, which no later charge undoes (common practice: not below 0 degC; IEC 62133-2
leaves the limits to the cell's maker). What the limits are stands in `pack`.
"""

from __future__ import annotations

from dataclasses import replace

from evenstring.analysis.model import Evidence, Findings, Verdict

__all__ = ["with_temperatures"]

_ORDER = ("do_not_charge", "inspect", "keep_charging", "ride")
_COLD = (
    "The pack was charged below 0 °C, down to {c:.0f} °C for {m:.0f} min: lithium may have plated, which can short a"
    " cell later; ask for the limits of the cells' maker."
)
_SAID = {
    "charged_cold": ("inspect", _COLD),
    "charged_hot": ("ride", "The pack was charged above 45 °C, up to {c:.0f} °C for {m:.0f} min: that ages cells."),
    "hot": ("inspect", "A sensor read over 60 °C, up to {c:.0f} °C for {m:.0f} min; find out what gets so warm."),
}


def with_temperatures(found: Findings) -> Findings:
    """Findings whose verdict counts the temperatures."""
    asked = []
    for k, event in enumerate(found.temperature):
        action, text = _SAID[event["kind"]]
        said = text.format(c=event["extreme_c"], m=max(event["duration_s"] / 60.0, 1.0))
        asked.append((action, Evidence(said, f"temperature.events[{k}]", "events")))
    if not asked:
        return found
    verdict = found.verdict
    action = min([verdict.action, *(a for a, _ in asked)], key=_ORDER.index)
    asked.sort(key=lambda a: _ORDER.index(a[0]))
    mine = tuple(e for _, e in asked)
    first = action != verdict.action
    evidence = (*mine, *verdict.evidence) if first else (*verdict.evidence, *mine)
    reasons = (*(e.text for e in mine), *verdict.reasons) if first else (*verdict.reasons, *(e.text for e in mine))
    keep = verdict.keep_charging_s if action == "keep_charging" else None
    return replace(found, verdict=Verdict(action, reasons, evidence, keep))
