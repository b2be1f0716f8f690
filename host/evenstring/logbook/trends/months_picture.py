"""The level lines over months: each group by its distance from the median group at the end of each full charge."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from evenstring.logbook.trends.group_changes import GroupChange
from evenstring.logbook.trends.history import History
from evenstring.report.drawing.axis import Axis, surface_axis
from evenstring.report.drawing.level_line import leaving
from evenstring.report.drawing.picture import Line, Picture, Span

__all__ = ["day", "months_picture"]

_TICKS = 6  # at most, on the time axis; our choice


def day(time_s: float) -> str:
    """A date as in ISO 8601, UTC."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d")


def months_picture(history: History, changes: tuple[GroupChange, ...]) -> Picture | None:
    """All groups over the recordings that tell their departure; None below two of them."""
    known = np.isfinite(history.departure_mv).any(axis=1)
    if known.sum() < 2:
        return None
    time_s, values = history.end_s[known], history.departure_mv[known]
    fallen = sorted((c for c in changes if c.worse and c.quantity == "departure"), key=lambda one: -one.weight)
    changed = [one.group - 1 for one in fallen]
    named = list(dict.fromkeys([*changed, *leaving(values.astype(np.float32))]))[:4]
    away = np.abs(values[np.isfinite(values)])
    lines = tuple(
        Line(
            time_s,
            values[:, g],
            f"group {g + 1}",
            f"leaves n{named.index(g)}" if g in named else "quiet",
            f"group {g + 1}" if g in named else "",
        )
        for g in range(history.groups)
    )
    return Picture(
        key="levels",
        alt=_alt(history, values, named),
        caption="Each line is one group at the end of each charge: its distance from the median group. A group that"
        " leaks sinks. The mark above: the likeliest date of a change.",
        x=_dates(float(time_s[0]), float(time_s[-1])),
        y=surface_axis(float(np.nanmin(values)), float(np.nanmax(values)), float(np.quantile(away, 0.9))),
        y_word="mV from the median group",
        lines=lines,
        spans=tuple(Span(one.change.at_s, float(time_s[-1]), "", "charge") for one in fallen)[:1],
        water=True,
    )


def _alt(history: History, values: np.ndarray, named: list[int]) -> str:
    head = f"Level lines of {history.groups} groups over {len(values)} charges. "
    said = [f"group {g + 1} stood {values[-1, g]:+z.0f} mV from the median at the last" for g in named]
    return head + ("; ".join(said) or "none leaves the others") + "."


def _dates(start_s: float, end_s: float) -> Axis:
    """First days of months, so many months apart that few enough are written."""
    first, last = (datetime.fromtimestamp(t, UTC) for t in (start_s, end_s))
    months = range(first.year * 12 + first.month, last.year * 12 + last.month)
    apart = max(-(-len(months) // _TICKS), 1)
    starts = [datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in months[::apart]]
    return Axis(start_s, max(end_s, start_s + 1), tuple((d.timestamp(), d.strftime("%Y-%m")) for d in starts), "s")
