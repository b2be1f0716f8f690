"""report.json in words: each finding as a title, sentences, figures with their uncertainty, rows and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from evenstring.report.axis import clock
from evenstring.report.causes import weakness_picture
from evenstring.report.finding import Figure, Finding, drawn, unknown_of
from evenstring.report.looks_text import second_look_of
from evenstring.report.mend_text import mend_figures, mend_lines, room_lines
from evenstring.report.pictures import balancing_picture, events_picture, spread_picture
from evenstring.report.reserve_text import reserve_of
from evenstring.report.words import BALANCING, CAUSES, ENDED, EVENTS, MORE_CHARGE, RIDES
from evenstring.session import Session

__all__ = ["Finding", "findings_of", "headline_figures"]

_EVENT_ROWS = 100
_DAY_S = 86_400.0


def headline_figures(report: dict[str, Any]) -> list[Figure]:
    """The figures beside the verdict."""
    spread, recording = report.get("spread") or {}, report.get("recording") or {}
    damaged = (recording.get("frames_damaged") or 0) + (recording.get("frames_lost") or 0)
    where = "rest_mv" if spread.get("rest_mv") is not None else "end_mv"
    return [
        (
            "spread at rest" if where == "rest_mv" else "spread at the end",
            _mv(spread.get(where)),
            _claimed(spread, where.removesuffix("_mv")),
        ),
        ("largest spread", _mv(spread.get("max_mv")), _at(spread.get("max_at_s"))),
        ("time to balanced", _remaining(report.get("balancing") or {}), _interval(report.get("balancing") or {})),
        ("visits beyond a limit", str(len(report.get("events") or [])), ""),
        ("frames damaged or lost", f"{damaged:,}", "" if damaged else "nothing is missing"),
    ]


def findings_of(session: Session, report: dict[str, Any]) -> list[Finding]:
    """All findings, in the order of the questions a rider asks."""
    return [
        _spread(session, report),
        _charge(report),
        _balancing(session, report),
        _events(session, report),
        _ride(report),
        _weakness(session, report),
        reserve_of(report),
        *([second_look_of(report)] if report.get("second_look") else []),
    ]


def _spread(session: Session, report: dict[str, Any]) -> Finding:
    s = report.get("spread") or {}
    pairs = [
        ("at the start", _mv(s.get("start_mv")), _claimed(s, "start")),
        ("at the end", _mv(s.get("end_mv")), _claimed(s, "end")),
        ("largest", _mv(s.get("max_mv")), _and(_at(s.get("max_at_s")), _claimed(s, "max"))),
        ("at rest", _mv(s.get("rest_mv")), _and(_relaxed(s.get("rest_after_s")), _claimed(s, "rest"))),
    ]
    pairs += [
        ("under the heaviest load", _mv(c.get("best_mv")), _and(_at(c.get("at_s")), _claimed(s, "load")))
        for c in s.get("claims") or ()
        if c.get("where") == "load"
    ]
    return Finding(
        "spread", "Spread", [], pairs, drawn(spread_picture(session, report)), missing=unknown_of(report, "spread")
    )


def _charge(report: dict[str, Any]) -> Finding:
    c = report.get("charge") or {}
    if not c or c.get("ended") == "none":
        lines = [ENDED["none"]] if c else []
        return Finding("charge", "How the charge ended", lines, missing=unknown_of(report, "charge"))
    lines = [ENDED.get(c.get("ended", ""), str(c.get("ended", "not known")).replace("_", " "))]
    causes = c.get("cause_groups") or ([c["cause_group"]] if c.get("cause_group") else [])
    where = "is short of full" if c.get("ended") in ("ended_uneven", "charger_low") else "was at the ceiling"
    if len(causes) == 1:
        lines.append(f"Group {causes[0]} {where}.")
    elif causes:
        lines.append(f"One of groups {', '.join(map(str, causes))} {where}; they cannot be told apart.")
    pairs = [
        (
            "lowest group",
            f"group {c['lowest_group']}" if c.get("lowest_group") else "not known",
            _v(c.get("lowest_v_end")),
        ),
        ("whole pack at the end", _v(c.get("pack_v_end")) or "not known", ""),
    ]
    if c.get("charged_ah") is not None:
        pairs.append(("charged", f"{c['charged_ah']:.3g} Ah", ""))
    if c.get("short_ah") is not None:
        pairs.append(("lowest group short of full by", f"{c['short_ah']:.2f} Ah", ""))
    heads, rows = _cycles(c.get("cycles") or [])
    return Finding(
        "charge", "How the charge ended", lines, pairs, [], heads, rows, missing=unknown_of(report, "charge")
    )


def _cycles(cycles: list[dict[str, Any]]) -> tuple[list[str], Sequence[tuple[str, ...]]]:
    """Every charge of the recording, when there was more than one."""
    if len(cycles) < 2:
        return [], []
    rows = [
        (
            clock(c.get("start_s") or 0.0),
            ENDED.get(c.get("ended", ""), str(c.get("ended"))).rstrip("."),
            _v(c.get("lowest_v_end")),
            _v(c.get("highest_v_end")),
            _optional(c.get("charged_ah"), "Ah", 2),
        )
        for c in cycles
    ]
    return ["began", "ended", "lowest group", "highest group", "charged"], rows


def _ride(report: dict[str, Any]) -> Finding:
    lines = []
    for r in (report.get("rides") or [])[:8]:
        group = f", group {r['group']}" if r.get("group") else ""
        low = "" if r.get("lowest_v") is None else f" Lowest group {r['lowest_v']:.3f} V."
        ended = RIDES.get(r.get("ended", ""), str(r.get("ended", "")).replace("_", " "))
        lines.append(f"The ride at {clock(r.get('start_s') or 0.0)} {ended}{group}.{low}")
    lines += room_lines(report)
    pairs = []
    capacity = report.get("capacity")
    if capacity and capacity.get("ah") is not None:
        interval = f"{capacity.get('low_ah', 0):.1f} to {capacity.get('high_ah', 0):.1f} Ah"
        named = "" if capacity.get("nameplate_ah") is None else f"; profile says {capacity['nameplate_ah']:g} Ah"
        pairs.append(("capacity of the pack", f"{capacity['ah']:.1f} Ah", interval + named))
        if capacity.get("wh") is not None:
            energy = f"{capacity['low_wh']:.0f} to {capacity['high_wh']:.0f} Wh, ridden slowly"
            pairs.append(("energy of the pack", f"{capacity['wh']:.0f} Wh", energy))
    return Finding("ride", "Rides and capacity", lines, pairs, missing=unknown_of(report, "capacity"))


def _balancing(session: Session, report: dict[str, Any]) -> Finding:
    b = report.get("balancing") or {}
    lines = [BALANCING[b["state"]]] if b.get("state") in BALANCING else []
    lines += [str(r) for r in b.get("reasons") or []]
    shared = report.get("shared_leads")
    if shared:
        bled = ", ".join(f"{g} ({h:.1f} h)" for g, h in shared.get("hours_by_group") or [])
        lines.append(f"In this recording {shared['text']}." + (f" Groups seen to bleed: {bled}." if bled else ""))
    if b.get("remaining_s") is not None:
        lines.append("The time holds if everything stays connected as it is.")
    rate = b.get("rate_mv_per_h")
    way = "the spread opens by" if rate is not None and rate < 0 else "the spread closes by"
    pace = "not known" if rate is None else f"{abs(rate):.1f} mV an hour"
    pairs = [("time to balanced", _remaining(b), _interval(b)), (way, pace, "")]
    if b.get("target_percent") is not None:
        pairs.append(("counts as balanced", f"{b['target_percent']:.0f} % of charge", "at the top of charge"))
    if b.get("gap_percent") is not None:
        pairs.append(("in charge", f"{b['gap_percent']:.1f} %", _optional(b.get("gap_ah"), "Ah", 2)))
    return Finding(
        "balancing",
        "Balancing",
        lines,
        pairs if b else [],
        drawn(balancing_picture(session, report)),
        missing=unknown_of(report, "balancing"),
    )


def _events(session: Session, report: dict[str, Any]) -> Finding:
    events = report.get("events") or []
    seen = report.get("shortest_visible_s")
    hidden = "" if seen is None else f"A dip shorter than {seen:.2g} s can hide between two looks."
    if not events:
        seen_none = [f"No group was seen beyond a limit. {hidden}"]
        return Finding("events", "Limits", seen_none, missing=unknown_of(report, "events.below_discard"))
    rows = [
        (
            f"group {e.get('group')}",
            EVENTS.get(e.get("kind", ""), str(e.get("kind"))),
            clock(e.get("start_s") or 0.0),
            _length(e.get("duration_s")),
            _v(e.get("extreme_v")) or "no reading",
            {True: "under load", False: "without load"}.get(e.get("under_load"), "not known"),
            "within the meter's uncertainty" if e.get("certainty") == "within_uncertainty" else "clear",
        )
        for e in events[:_EVENT_ROWS]
    ]
    more = f"{len(events) - _EVENT_ROWS} more are in report.json." if len(events) > _EVENT_ROWS else ""
    heads = ["where", "what", "when", "for", "extreme", "load", "certainty"]
    return Finding(
        "events", "Limits", [hidden] * bool(hidden), [], drawn(events_picture(session, report)), heads, rows, more
    )


def _cause(w: dict[str, Any]) -> str:
    if w.get("cause") == "charge_offset" and (w.get("size") or 0.0) > 0.0:
        return MORE_CHARGE
    return CAUSES.get(w.get("cause", ""), str(w.get("cause", "")).replace("_", " "))


def _weakness(session: Session, report: dict[str, Any]) -> Finding:
    found = report.get("weakness") or []
    lines, pictures = [], []
    for w in found[:6]:
        cause = _cause(w)
        size = (
            ""
            if w.get("size") is None
            else f" Size: {w['size']:+.3g} {w.get('unit', '')}{_range(w)}.".replace("-", "−")
        )
        sure = "" if w.get("confidence") is None else f" Confidence {w['confidence']:.2f}."
        because = f" ({w['detail']})" if w.get("detail") else ""
        lines.append(f"Group {w.get('group')} {cause}{because}.{size}{sure}")
        pictures += drawn(weakness_picture(session, w))
    if not found and "weakness" not in (report.get("unknown") or {}):
        lines.append("No group stands out by more than the scatter of its kind.")
    lines += [f"The meter, not a cell: {p['text']}." for p in report.get("meter_patterns") or []]
    lines += mend_lines(report)
    rows = [
        (
            f"group {r['group']}",
            f"{r['add_ah']:+.2f} Ah".replace("-", "−"),
            f"{r['low_ah']:+.2f} to {r['high_ah']:+.2f} Ah".replace("-", "−"),
        )
        for r in report.get("repair") or []
        if r.get("add_ah") is not None and r["low_ah"] * r["high_ah"] > 0  # beyond its own uncertainty
    ]
    heads = ["to bring level with the median group", "add (− take)", "interval"] if rows else []
    title = "Why a group lags"
    figures = mend_figures(report)
    return Finding("weakness", title, lines, figures, pictures, heads, rows, missing=unknown_of(report, "weakness"))


def _length(seconds: float | None) -> str:
    return "not known" if seconds is None else f"{seconds:.1f} s" if seconds < 120 else clock(seconds)


def _remaining(balancing: dict[str, Any]) -> str:
    if balancing.get("state") == "balanced":
        return "balanced"
    answer, seconds = balancing.get("answer"), balancing.get("remaining_s")
    if answer == "never":
        return "never, as it is"
    if answer == "over_24_h" or (seconds is not None and seconds > _DAY_S):
        return "longer than 24 h"
    return "not known" if seconds is None else clock(60 * round(seconds / 60) if seconds > 600 else seconds)


def _interval(balancing: dict[str, Any]) -> str:
    low, high = balancing.get("remaining_low_s"), balancing.get("remaining_high_s")
    if low is None or balancing.get("remaining_s") is None:
        return ""
    if balancing["remaining_s"] == 0.0:
        return "" if high == 0.0 else "at the target, within the uncertainty of the spread"
    # A low end over a day has its high end in hours too; else "longer than 24 h" would be the shorter of the two.
    far = high is not None and high > _DAY_S >= low
    end = "no upper end" if high is None else "longer than 24 h" if far else clock(60 * round(high / 60))
    level = balancing.get("level")
    return f"{clock(60 * round(low / 60))} to {end}" + (f", level {level:g}" if level else "")


def _mv(value: float | None, before: str = "") -> str:
    return "not known" if value is None else f"{before}{value:.1f} mV"


def _v(value: float | None) -> str:
    return "" if value is None else f"{value:.3f} V"


def _optional(value: float | None, unit: str, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f} {unit}"


def _claimed(spread: dict[str, Any], where: str) -> str:
    """The 95 % interval of one of the spread's figures; they differ much between a rest and a ride."""
    for claim in spread.get("claims") or ():
        if claim.get("where") == where:
            return f"{claim['low_mv']:.1f} to {claim['high_mv']:.1f} mV (95 %)"
    u = spread.get("uncertainty_mv")
    return "" if u is None or spread.get(f"{where}_mv") is None else f"± {u:.1f} mV (95 %)"


def _and(first: str, second: str) -> str:
    return f"{first}, {second}" if first and second else first or second


def _at(seconds: float | None) -> str:
    return "" if seconds is None else f"at {clock(seconds)}"


def _relaxed(seconds: float | None) -> str:
    return "" if seconds is None else f"after {clock(seconds)} of rest"


def _range(weakness: dict[str, Any]) -> str:
    low, high = weakness.get("size_low", weakness.get("low")), weakness.get("size_high", weakness.get("high"))
    return "" if low is None or high is None else f" ({low:.3g} to {high:.3g})"
