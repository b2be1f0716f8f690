"""report.json, version 1: made from findings, nothing added. What is not known is null, and `unknown` says why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, fields, is_dataclass
from typing import Any

from evenstring import __version__
from evenstring.analysis.causes.catalogue import CAUSES, SCATTER
from evenstring.analysis.causes.hypotheses import PREVALENCE
from evenstring.analysis.results import Capacity
from evenstring.hardware.calibrations import calibration_due_since
from evenstring.ocv import default_curve, mean_voltage_v
from evenstring.profile import PackProfile, to_toml
from evenstring.report.additions import Addition
from evenstring.report.material import Material
from evenstring.report.next_steps import next_step, record_next
from evenstring.report.reasons import sentence
from evenstring.session import Session

__all__ = ["plain_values", "report_json"]

_AMPERE_HOURS = ("ah", "low_ah", "high_ah", "nameplate_ah")


def report_json(material: Material, additions: Sequence[Addition] = ()) -> dict[str, Any]:
    """The report as plain values, ready for JSON; `additions` are keys of their own."""
    session, profile, found = material.session, material.profile, material.found
    return {
        "format": "evenstring-report/1",
        "made_by": f"evenstring {__version__}",
        "recording": _recording(session),
        "instrument": _instrument(session),
        "limits": {k: getattr(profile, k) for k in ("full_v", "ceiling_v", "empty_v", "discard_v")},
        "profile": _profile(profile),
        "assumed": list(found.assumed),
        "phases": plain_values(found.phases),
        "spread": plain_values(found.spread),
        "events": plain_values(found.events),
        "shortest_visible_s": plain_values(found.shortest_visible_s),
        "charge": {**plain_values(found.charge), "cycles": plain_values(found.charges)},
        "charger": plain_values(found.charger),
        "balancing": plain_values(found.balancing),
        "ride": plain_values(found.rides[-1]) if found.rides else None,
        "rides": plain_values(found.rides),
        "foretold": plain_values(found.foretold),
        "repair": plain_values(found.repair),
        "repair_bench": plain_values(found.bench),
        "usable": plain_values(found.usable),
        "capacity": _capacity(found.capacity, profile),
        "temperature": {"events": plain_values(found.temperature)},
        "weakness": [plain_values(w) for w in found.weakness if w.cause != "cannot_tell"],
        "weakness_undecided": [plain_values(w) for w in found.weakness if w.cause == "cannot_tell"],
        "weakness_assumed": {"prevalence": PREVALENCE, "scatter": dict(zip(CAUSES, SCATTER.tolist(), strict=True))},
        "groups": plain_values(found.figures),
        "hazards": plain_values(found.hazards),
        "meter_patterns": plain_values(found.meter_patterns),
        "shared_leads": plain_values(found.shared_leads),
        "profile_check": plain_values(found.profile_check),
        "room_for_braking": plain_values(found.room),
        "reserve": plain_values(found.reserve),
        "second_look": plain_values(material.second),
        "coverage": plain_values(found.coverage),
        "verdict": _verdict(material),
        "unknown": {u.what: {"why": u.why, "record_next": u.record_next} for u in material.unknown},
        **{a.key: a.value for a in additions},
    }


def _verdict(material: Material) -> dict[str, Any]:
    """The verdict in words, each with the number that it rests on and the picture that shows it."""
    verdict = material.found.verdict
    evidence = [
        {"text": sentence(r), "number": r.number, "picture": r.picture, "asks": r.action, "confidence": r.confidence}
        for r in verdict.reasons
    ]
    return {
        "action": verdict.action,
        "reasons": [e["text"] for e in evidence],
        "next_step": next_step(material),
        "record_next": record_next(material) or None,
        "confidence": verdict.confidence,
        "evidence": evidence,
        "keep_charging_s": plain_values(verdict.keep_charging_s),
    }


def plain_values(value: Any) -> Any:
    """Values that JSON knows: dataclasses as mappings, six significant digits, no NaN and no infinity."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain_values(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {str(k): plain_values(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_values(v) for v in value]
    if isinstance(value, (bool, int, str)) or value is None:
        return value
    number = float(value)
    # Times of long recordings need the thousandth of a second; six significant digits would round them.
    return (round(number, 3) if abs(number) >= 100 else float(f"{number:.6g}")) if math.isfinite(number) else None


def _capacity(capacity: Capacity | None, profile: PackProfile) -> dict[str, Any] | None:
    """Ampere-hours, and watt-hours by the curve's mean voltage: of a slow discharge, so a ride gets somewhat less."""
    if capacity is None:
        return None
    volts = profile.groups * mean_voltage_v(default_curve(profile.chemistry))
    wh = {name.replace("ah", "wh"): round(getattr(capacity, name) * volts, 1) for name in _AMPERE_HOURS}
    return {**plain_values(capacity), **wh}


def _recording(session: Session) -> dict[str, Any]:
    return {
        "groups": session.groups,
        "scans": session.scans_read,
        "duration_s": round(session.duration_s, 3),
        "frames_lost": session.link.frames_lost,
        "frames_damaged": session.link.frames_damaged,
        "cut_on_joining": session.link.cut_on_joining,
        "start": None if session.start is None else session.start.isoformat(timespec="milliseconds"),
        "has_current": session.has_current,
        "frames_unknown": session.link.frames_unknown,
        "tail_bytes": session.link.tail_bytes,
        "console_pieces": session.link.console_pieces,
        "console_bytes": session.link.console_bytes,
        "gaps": [asdict(g) for g in session.gaps],
        "marks": [asdict(m) for m in session.marks],
    }


def _profile(profile: PackProfile) -> dict[str, Any]:
    """`toml`: the whole of it, as pack.toml, so that everything can be computed again from the recording."""
    defaults = list(profile.defaults)
    return {"name": profile.name, "chemistry": profile.chemistry, "defaults": defaults, "toml": to_toml(profile)}


def _instrument(session: Session) -> dict[str, Any]:
    known = asdict(session.ident)
    known["meter"] = asdict(session.meter)
    known["corrections"] = [
        asdict(c) | {"found": None if c.found is None else c.found.isoformat()} for c in session.corrections
    ]
    due = calibration_due_since(session)
    known["calibration_due_since"] = due and due.isoformat()
    return known
