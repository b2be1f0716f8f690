"""The pictures of a report, each made from the session and report.json; None where there is nothing to draw."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.report.axis import Axis, clock, number_axis, surface_axis, time_axis
from evenstring.report.downsample import Reduced, departures_mv, reduce_extremes
from evenstring.report.picture import Area, Line, Picture, Rule, Span
from evenstring.report.words import EVENTS, PHASES
from evenstring.session import Session

__all__ = ["balancing_picture", "events_picture", "leaving", "level_picture", "spread_picture"]

_POINTS = 72_000  # of all lines of the level line together: some 500 kB of page
_NAMED = 4  # at most so many lines are told apart by name
_NAMED_EVENTS = 8
_CLEAR = 3.0  # a line is named when its reach is so many times that of the middle group …
_CLEAR_MV = 6.0  # … and at least this


def leaving(departures: NDArray[np.float32]) -> list[int]:
    """Groups (from 0) whose departure reaches clearly beyond that of the middle group, farthest first."""
    if not departures.size:
        return []
    away = np.abs(departures)
    reach = np.max(np.where(np.isnan(away), 0, away), axis=0)
    # Also against the usual distance of the group itself: a constant offset shows as such, not by one noisy scan.
    bar = max(_CLEAR * float(np.median(reach)), _CLEAR_MV)
    return [int(g) for g in np.argsort(-reach)[:_NAMED] if reach[g] > bar]


def level_picture(session: Session, report: dict[str, Any]) -> Picture | None:
    """Each group by its distance from the median group, over time."""
    departures = departures_mv(session.volts_v)
    if session.scans < 2 or not np.isfinite(departures).any():
        return None
    drawn = _reduced(session, departures, max(_POINTS // (2 * session.groups), 300))
    named = leaving(drawn.values)
    low, high = float(np.nanmin(drawn.values)), float(np.nanmax(drawn.values))
    away = np.abs(drawn.values[np.isfinite(drawn.values)])
    y = surface_axis(low, high, float(np.quantile(away, 0.9)))
    lines = tuple(
        Line(
            drawn.time_s[:, g],
            drawn.values[:, g].astype(np.float64),
            f"group {g + 1}",
            f"leaves n{named.index(g)}" if g in named else "quiet",
            f"group {g + 1}" if g in named else "",
        )
        for g in range(session.groups)
    )
    bent = " Far from zero the scale is compressed." if y.bend else ""
    return Picture(
        key="levels",
        alt=_level_alt(drawn, named, session),
        caption="Each line is one group: its distance from the median group of the same scan. An even string is a flat,"
        f" quiet surface; a group that leaves it is named.{bent}",
        x=time_axis(0.0, session.duration_s),
        y=y,
        y_word="mV from the median group",
        lines=lines,
        spans=phase_spans(report),
        water=True,
    )


def _level_alt(drawn: Reduced, named: list[int], session: Session) -> str:
    head = f"Level line of {session.groups} groups over {clock(session.duration_s)}. "
    if not named:
        return head + f"All groups stay within {np.nanmax(np.abs(drawn.values)):.0f} mV of the median group."
    said = []
    for g in named:
        column = drawn.values[:, g]
        at = int(np.nanargmax(np.abs(column)))
        side = "below" if column[at] < 0 else "above"
        said.append(f"group {g + 1} goes {abs(column[at]):.0f} mV {side} the median at {clock(drawn.time_s[at, g])}")
    return head + "; ".join(said) + "."


def spread_picture(session: Session, report: dict[str, Any]) -> Picture | None:
    """Highest minus lowest group over time, with the phases."""
    spread = _spread_mv(session)
    if session.scans < 2 or not np.isfinite(spread).any():
        return None
    drawn = _reduced(session, spread[:, None], 1500)
    values = drawn.values[:, 0].astype(np.float64)
    told = report.get("spread") or {}
    target = (report.get("balancing") or {}).get("target_mv") or 10.0
    top = float(np.nanmax(values))
    most = told.get("max_mv")
    at = "" if told.get("max_at_s") is None else f" at {clock(told['max_at_s'])}"
    trusted = "" if most is None else f"; the largest that can be trusted is {most:.0f} mV{at}"
    return Picture(
        key="spread",
        alt=f"Spread over time: {_ends(values)}, at most {top:.0f} mV as read{trusted}.",
        caption="Spread as read, scan by scan. Under a changing load part of it is made by reading one group after"
        " another; the figures above leave such scans out.",
        x=time_axis(0.0, session.duration_s),
        y=number_axis(0.0, max(top, target * 1.2), "mV"),
        y_word="spread, mV",
        lines=(Line(drawn.time_s[:, 0], values, "spread", "main"),),
        rules=(Rule(target, f"target {target:g} mV", "target"),),
        spans=phase_spans(report),
    )


def _ends(values: NDArray[np.float64]) -> str:
    known = values[np.isfinite(values)]
    return f"{known[0]:.0f} mV at the start, {known[-1]:.0f} mV at the end"


def events_picture(session: Session, report: dict[str, Any]) -> Picture | None:
    """When and where on the string a limit was passed: time across, place along the string upwards."""
    events = [e for e in report.get("events") or [] if e.get("start_s") is not None]
    if not events or session.scans < 2:
        return None
    least = session.duration_s / 160  # a short visit must still be seen
    by_group: dict[int, str] = {}
    lines = []
    for e in sorted(events, key=lambda one: one["start_s"])[:800]:
        start = min(float(e["start_s"]), session.duration_s - least)
        end = min(max(start + float(e.get("duration_s") or 0.0), start + least), session.duration_s)
        by_group.setdefault(int(e["group"]), EVENTS.get(e["kind"], e["kind"]))
        name = f"group {e['group']}, {EVENTS.get(e['kind'], e['kind'])}"
        lines.append(Line(np.array([start, end]), np.array([e["group"]] * 2, float), name, f"event {e['kind']}"))
    if len(by_group) <= _NAMED_EVENTS:  # more would lie on each other; the scale and the table name them all
        edge = np.array([session.duration_s])
        lines += [Line(edge, np.array([float(g)]), "", "label", f"group {g}") for g in by_group]
    said = ", ".join(f"group {g} {word}" for g, word in sorted(by_group.items()))
    return Picture(
        key="events",
        alt=f"{len(events)} visits beyond a limit: {said}.",
        caption="Each bar is one visit of one group beyond a limit, at its place along the string"
        " (group 1 is at pack negative). Very short visits are drawn wider than they were.",
        x=time_axis(0.0, session.duration_s),
        y=_places(session.groups),
        y_word="place along the string",
        lines=tuple(lines),
        spans=phase_spans(report),
    )


def _places(groups: int) -> Axis:
    step = max(round(groups / 6), 1)
    marks = sorted({1, *range(step, groups + 1, step), groups})
    return Axis(0.2, groups + 0.8, tuple((float(m), str(m)) for m in marks), "place along the string")


def balancing_picture(session: Session, report: dict[str, Any]) -> Picture | None:
    """The spread of the last charge and where it is heading, as a fan between the two ends of the interval."""
    balancing = report.get("balancing") or {}
    remaining = balancing.get("remaining_s")
    if remaining is None or not remaining > 0 or session.scans < 2:
        return None
    low, high = (balancing.get(k) or remaining for k in ("remaining_low_s", "remaining_high_s"))
    target = balancing.get("target_mv") or 10.0
    charges = [p for p in report.get("phases") or [] if p["kind"] in ("charge_cc", "charge_cv", "holding")]
    end = charges[-1]["end_s"] if charges else session.duration_s
    held = [p["start_s"] for p in charges if p["kind"] != "charge_cc"]  # before that nothing balances
    begin = max(end - max(3 * remaining, 3600.0), held[-1] if held else 0.0)
    pick = (session.time_s >= begin) & (session.time_s <= end)
    if pick.sum() < 2:
        return None
    spread = _spread_mv(session)[pick]
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
        caption="Measured spread, then the forecast: the fan is the interval, the line the middle of it.",
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


def phase_spans(report: dict[str, Any]) -> tuple[Span, ...]:
    """The phases of report.json as spans of a time axis."""
    return tuple(
        Span(float(p["start_s"]), float(p["end_s"]), PHASES.get(p["kind"], p["kind"]), str(p["kind"]))
        for p in report.get("phases") or []
        if p.get("start_s") is not None and p.get("end_s") is not None
    )


def _spread_mv(session: Session) -> NDArray[np.float32]:
    low = np.min(session.volts_v, axis=1, where=~np.isnan(session.volts_v), initial=np.inf)
    high = np.max(session.volts_v, axis=1, where=~np.isnan(session.volts_v), initial=-np.inf)
    spread = (high - low) * 1000.0
    return np.where(np.isfinite(spread), spread, np.nan).astype(np.float32)


def _reduced(session: Session, values: NDArray[np.float32], buckets: int) -> Reduced:
    breaks = np.array([(gap.start_s + gap.end_s) / 2 for gap in session.gaps])
    return reduce_extremes(session.time_s, values, buckets, breaks if len(breaks) else None)
