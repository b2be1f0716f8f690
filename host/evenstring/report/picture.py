"""The level line as inline SVG: each group drawn by its distance from the pack's median group, over time.

An even string is a flat, quiet surface; a weak group is a line that leaves it. Colours come from the page's style, so
that one picture serves light, dark and print. No script is needed to read it.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

from evenstring.analysis.model import Phase
from evenstring.report.downsample import Reduced, departures_mv, reduce_extremes
from evenstring.session import Session

__all__ = ["level_line"]

_WIDTH, _HEIGHT = 960, 420
_LEFT, _RIGHT, _TOP, _BOTTOM = 58, 96, 30, 34
_BUCKETS = 400
_NAMED = 3  # lines that leave the surface most get a name
_PHASE_WORDS = {
    "rest": "rest",
    "ride": "ride",
    "charge_cc": "charge, constant current",
    "charge_cv": "constant voltage",
    "unknown": "",
}


@dataclass(frozen=True, slots=True)
class _Axes:
    """Maps seconds and millivolts to the picture."""

    duration_s: float
    low_mv: float
    high_mv: float

    def x(self, time_s: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * time_s / max(self.duration_s, 1e-9)

    def y(self, mv: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (self.high_mv - mv) / (self.high_mv - self.low_mv)


def level_line(session: Session, phases: tuple[Phase, ...]) -> str:
    """The picture, or a sentence when there is nothing to draw."""
    departures = departures_mv(session.volts_v)
    if session.scans < 2 or not np.isfinite(departures).any():
        return "<p>Too few readings for a picture.</p>"
    breaks = np.array([(gap.start_s + gap.end_s) / 2 for gap in session.gaps])
    drawn = reduce_extremes(session.time_s, departures, _BUCKETS, breaks if len(breaks) else None)
    axes = _axes(session, drawn)
    named = _named(drawn)
    parts = [
        f'<svg class="levels" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-labelledby="lt ld">',
        '<title id="lt">Level line: distance of each group from the median group over time</title>',
        f'<desc id="ld">{escape(_described(drawn, named))}</desc>',
        *_phase_bands(phases, axes),
        *_scale(axes),
        *(_line(drawn, group, axes, group in named) for group in _drawing_order(session.groups, named)),
        *_labels(drawn, named, axes),
        "</svg>",
    ]
    return "\n".join(parts)


def _axes(session: Session, drawn: Reduced) -> _Axes:
    reach = max(float(np.nanmax(np.abs(drawn.values))) * 1.08, 10.0)
    low = min(float(np.nanmin(drawn.values)) * 1.08, -reach * 0.25)
    high = max(float(np.nanmax(drawn.values)) * 1.08, reach * 0.25)
    return _Axes(max(session.duration_s, 1e-3), low, high)


def _named(drawn: Reduced) -> list[int]:
    worst = np.nanmax(np.abs(np.where(np.isfinite(drawn.values), drawn.values, 0)), axis=0)
    clear = worst > max(3 * float(np.median(worst)), 8.0)
    return [int(g) for g in np.argsort(-worst)[:_NAMED] if clear[g]]


def _described(drawn: Reduced, named: list[int]) -> str:
    if not named:
        return f"All groups stay within {np.nanmax(np.abs(drawn.values)):.0f} mV of the median group."
    words = []
    for g in named:
        column = drawn.values[:, g]
        far = float(column[int(np.nanargmax(np.abs(column)))])
        words.append(f"group {g + 1} goes {abs(far):.0f} mV {'below' if far < 0 else 'above'} the median group")
    return "; ".join(words) + "."


def _drawing_order(groups: int, named: list[int]) -> list[int]:
    return [g for g in range(groups) if g not in named] + named[::-1]


def _line(drawn: Reduced, group: int, axes: _Axes, named: bool) -> str:
    points: list[str] = []
    pen = "M"
    for time_s, mv in zip(drawn.time_s[:, group], drawn.values[:, group], strict=True):
        if not np.isfinite(mv):
            pen = "M"
            continue
        points.append(f"{pen}{axes.x(float(time_s)):.1f} {axes.y(float(mv)):.1f}")
        pen = "L"
    kind = "far" if named else "near"
    return f'<path class="{kind}" data-group="{group + 1}" d="{"".join(points)}"/>'


def _labels(drawn: Reduced, named: list[int], axes: _Axes) -> list[str]:
    """Names at the right end, moved apart where they would overlap."""
    ends = []
    for g in named:
        column = drawn.values[:, g]
        known = np.flatnonzero(np.isfinite(column))
        if len(known):
            ends.append((axes.y(float(column[known[-1]])), g))
    out, floor = [], float(_TOP)
    for y, g in sorted(ends):
        at = max(y, floor + 15)
        floor = at
        out.append(
            f'<text class="name" x="{_WIDTH - _RIGHT + 8}" y="{min(at, _HEIGHT - _BOTTOM):.0f}">group {g + 1}</text>'
        )
    return out


def _phase_bands(phases: tuple[Phase, ...], axes: _Axes) -> list[str]:
    out = []
    for phase in phases:
        left, right = axes.x(phase.start_s), axes.x(phase.end_s)
        out.append(
            f'<rect class="band {phase.kind}" x="{left:.1f}" y="{_TOP}" width="{max(right - left, 0.5):.1f}"'
            f' height="{_HEIGHT - _TOP - _BOTTOM}"/>'
        )
        word = _PHASE_WORDS[phase.kind]
        if word and right - left > 7.2 * len(word):
            out.append(f'<text class="phase" x="{left + 4:.1f}" y="{_TOP - 9}">{word}</text>')
    return out


def _scale(axes: _Axes) -> list[str]:
    out = []
    for mv in _ticks(axes.low_mv, axes.high_mv, 7):
        y = axes.y(mv)
        kind = "zero" if mv == 0 else "grid"
        out.append(f'<line class="{kind}" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        word = "median" if mv == 0 else f"{mv:+g} mV"
        out.append(f'<text class="tick" text-anchor="end" x="{_LEFT - 6}" y="{y + 4:.1f}">{word}</text>')
    unit, word = (3600.0, "h") if axes.duration_s > 5400 else (60.0, "min") if axes.duration_s > 120 else (1.0, "s")
    for at in _ticks(0, axes.duration_s / unit, 9):
        out.append(
            f'<text class="tick" text-anchor="middle" x="{axes.x(at * unit):.1f}" y="{_HEIGHT - _BOTTOM + 20}">{at:g} {word}</text>'
        )
    return out


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers between low and high, 0 among them when it lies there."""
    raw = max(high - low, 1e-9) / most
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= raw)
    first, last = int(np.ceil(low / step)), int(np.floor(high / step))
    return [round(k * step, 9) for k in range(first, last + 1)]
