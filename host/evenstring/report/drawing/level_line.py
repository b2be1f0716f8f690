"""The level line: each group by its distance from the median group, over time. None where there is nothing to draw."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase
from evenstring.report.drawing.axis import clock, surface_axis, time_axis
from evenstring.report.drawing.picture import Line, Picture, Span
from evenstring.report.drawing.reduction import Reduced, departures_mv, reduced
from evenstring.report.words import PHASES
from evenstring.session import Session

__all__ = ["leaving", "level_picture", "phase_spans"]

_POINTS = 72_000  # of all lines together: some 500 kB of page; our choice
_NAMED = 4  # at most so many lines are told apart by name; our choice
_CLEAR = 3.0  # a line is named when its reach is so many times that of the middle group, our choice …
_CLEAR_MV = 6.0  # … and at least this; our choice


def leaving(departures: NDArray[np.float32]) -> list[int]:
    """Groups (from 0) whose departure reaches clearly beyond that of the middle group, farthest first."""
    if not departures.size:
        return []
    away = np.abs(departures)
    reach = np.max(np.where(np.isnan(away), 0, away), axis=0)
    # Also against the usual distance of the group itself: a constant offset shows as such, not by one noisy scan.
    bar = max(_CLEAR * float(np.median(reach)), _CLEAR_MV)
    return [int(g) for g in np.argsort(-reach)[:_NAMED] if reach[g] > bar]


def level_picture(session: Session, phases: tuple[Phase, ...]) -> Picture | None:
    """Each group by its distance from the median group, over time."""
    departures = departures_mv(session.volts_v)
    if session.scans < 2 or not np.isfinite(departures).any():
        return None
    drawn = reduced(session, departures, max(_POINTS // (2 * session.groups), 300))
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
        spans=phase_spans(phases),
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


def phase_spans(phases: tuple[Phase, ...]) -> tuple[Span, ...]:
    """The phases as spans of a time axis."""
    return tuple(Span(p.start_s, p.end_s, PHASES[p.kind], p.kind) for p in phases)
