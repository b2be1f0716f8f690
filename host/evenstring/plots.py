"""The report's pictures as matplotlib figures, for notebooks: `evenstring.plot_levels(evenstring.load(path))`.

Needs the extra `plots`: pip install 'evenstring[plots]'. Every function takes a Session, draws all scans that matter
(extremes are kept), and returns a Figure; nothing is shown or saved by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from evenstring.errors import UsageError
from evenstring.report.drawing.level_line import leaving
from evenstring.report.drawing.reduction import departures_mv, reduce_extremes, spread_mv
from evenstring.report.words import PHASES
from evenstring.session import Session

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["plot_groups", "plot_levels", "plot_spread"]

_QUIET, _LEAVES, _MAIN, _WATER = "#7f909b", "#b03a12", "#1b4d5c", "#e3eef0"
_STYLES = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)))
_BUCKETS = 2000


def plot_levels(session: Session, report: dict[str, Any] | None = None) -> Figure:
    """The level line: each group by its distance from the median group, mV over hours; phases from report.json."""
    figure, axes = _axes("mV from the median group")
    drawn = reduce_extremes(session.time_s, departures_mv(session.volts_v), _BUCKETS, _breaks(session))
    named = leaving(drawn.values)
    names: dict[str, tuple[Any, Any]] = {}
    for g in range(session.groups):
        if g not in named:
            axes.plot(drawn.time_s[:, g] / 3600, drawn.values[:, g], color=_QUIET, linewidth=0.6, alpha=0.8)
    for rank, g in enumerate(named):
        hours, mv = drawn.time_s[:, g] / 3600, drawn.values[:, g]
        axes.plot(hours, mv, color=_LEAVES, linewidth=1.4, linestyle=_STYLES[rank % 4], label=f"group {g + 1}")
        names[f"group {g + 1}"] = (hours, mv)
    _name_ends(axes, names)
    low, _ = axes.get_ylim()
    axes.axhspan(min(low, 0), 0, color=_WATER, zorder=-2)
    axes.set_ylim(bottom=low)
    _phases(axes, report)
    return figure


def plot_spread(session: Session, report: dict[str, Any] | None = None, target_mv: float = 10.0) -> Figure:
    """Highest minus lowest group, mV over hours, as read."""
    figure, axes = _axes("spread, mV")
    spread = spread_mv(session.volts_v)
    drawn = reduce_extremes(session.time_s, spread[:, None], _BUCKETS, _breaks(session))
    axes.plot(drawn.time_s[:, 0] / 3600, drawn.values[:, 0], color=_MAIN, linewidth=1.0)
    axes.axhline(target_mv, color=_MAIN, linewidth=0.8, linestyle=":")
    axes.set_ylim(bottom=0)
    _phases(axes, report)
    return figure


def plot_groups(session: Session, groups: list[int] | None = None) -> Figure:
    """Volts of groups (numbers from 1; all when None) over hours."""
    chosen = groups or list(range(1, session.groups + 1))
    wrong = [g for g in chosen if not 1 <= g <= session.groups]
    if wrong:
        raise UsageError(f"group {wrong[0]} is not in this session; it has groups 1 to {session.groups}")
    figure, axes = _axes("V")
    drawn = reduce_extremes(session.time_s, session.volts_v, _BUCKETS, _breaks(session))
    names: dict[str, tuple[Any, Any]] = {}
    for g in chosen:
        hours, volts = drawn.time_s[:, g - 1] / 3600, drawn.values[:, g - 1]
        axes.plot(hours, volts, color=_LEAVES if groups else _QUIET, linewidth=0.8)
        names[f"group {g}"] = (hours, volts)
    if groups:
        _name_ends(axes, names)
    return figure


def _axes(word: str) -> tuple[Figure, Axes]:
    try:
        from matplotlib.figure import Figure  # noqa: PLC0415  # an extra: only who plots needs it
    except ImportError as error:
        raise UsageError("plots need matplotlib: pip install 'evenstring[plots]'") from error
    figure = Figure(figsize=(9, 4.2), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlabel("hours")
    axes.set_title(word, loc="left", fontsize=9)
    axes.margins(x=0)
    return figure, axes


def _breaks(session: Session) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([(gap.start_s + gap.end_s) / 2 for gap in session.gaps], np.float64)


def _name_ends(axes: Axes, lines: dict[str, tuple[Any, Any]]) -> None:
    """Names at the right ends of lines, kept apart."""
    low, high = axes.get_ylim()
    ends = []
    for name, (hours, values) in lines.items():
        known = np.flatnonzero(np.isfinite(values))
        if len(known):
            ends.append((float(values[known[-1]]), float(hours[known[-1]]), name))
    floor = low
    for value, hour, name in sorted(ends):
        floor = max(value, floor + 0.045 * (high - low) if floor > low else value)
        axes.annotate(f" {name}", (hour, floor), color=_LEAVES, fontsize=9, va="center", annotation_clip=False)


def _phases(axes: Axes, report: dict[str, Any] | None) -> None:
    if not report:
        return
    left, right = axes.get_xlim()
    for phase in report.get("phases") or []:
        start, end = phase["start_s"] / 3600, phase["end_s"] / 3600
        axes.axvline(start, color=_QUIET, linewidth=0.5)
        word = PHASES.get(phase["kind"], phase["kind"])
        if (end - start) > 0.011 * len(word) * (right - left):
            axes.text(start, 1.0, f" {word}", transform=axes.get_xaxis_transform(), fontsize=8, va="top", color=_MAIN)
