"""A picture as data, and that data as HTML with inline SVG.

The SVG holds lines and areas only and stretches to any width; words stand beside it as HTML at the same places, so that
they keep their size on a phone, on a desk and on paper. Without a script it is a plain picture; the page's own script
reads the paths back to show values and to zoom. Colours come from the page's style.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from evenstring.report.drawing.axis import Axis

__all__ = ["Area", "Dots", "Line", "Picture", "Rule", "Span", "draw"]

F64 = NDArray[np.float64]
_W, _H = 20_000, 4_000  # units of the SVG's own space; whole numbers keep paths short
_LABEL_STEP = 0.052  # least distance of two labels, of the height


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line through (x, y); NaN breaks it. `kind` is a class of the style: quiet, leaves, main, fit."""

    x: F64
    y: F64
    name: str = ""
    kind: str = "quiet"
    label: str = ""  # written at the line's right end


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """Filled between two lines over x."""

    x: F64
    low: F64
    high: F64
    kind: str = "fan"


@dataclass(frozen=True, slots=True, eq=False)
class Dots:
    """Single points, drawn as short round strokes so that they stay round at any width."""

    x: F64
    y: F64
    kind: str = "quiet"


@dataclass(frozen=True, slots=True)
class Rule:
    """A level with a name."""

    y: float
    label: str
    kind: str = "limit"


@dataclass(frozen=True, slots=True)
class Span:
    """A named stretch of the x axis."""

    start: float
    end: float
    label: str
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """What to draw. `alt` says in words what a reader would see; `caption` how to read it."""

    key: str
    alt: str
    caption: str
    x: Axis
    y: Axis
    y_word: str
    lines: tuple[Line, ...] = ()
    areas: tuple[Area, ...] = ()
    dots: tuple[Dots, ...] = ()
    rules: tuple[Rule, ...] = ()
    spans: tuple[Span, ...] = ()
    water: bool = False  # tint below zero: the surface of the level line
    timed: bool = True  # x is time: can be zoomed, and follows the other timed pictures


def draw(picture: Picture) -> Markup:
    """The picture as a <figure>."""
    p = picture
    data = Markup('data-x0="{}" data-x1="{}" data-y0="{}" data-y1="{}" data-bend="{}" data-unit="{}"').format(
        _short(p.x.low), _short(p.x.high), _short(p.y.low), _short(p.y.high), p.y.bend or "", p.y.unit
    )
    timed = Markup(' data-timed="1"') if p.timed else ""
    return Markup(
        '<figure class="picture" id="picture-{}" {}{}><p class="yword">{}</p>'
        '<div class="plot" role="img" aria-label="{}">{}<div class="area">{}{}</div></div>'
        "<figcaption>{}</figcaption></figure>"
    ).format(p.key, data, timed, p.y_word, p.alt, _spans(p), _svg(p), _words(p), p.caption)


def _svg(p: Picture) -> Markup:
    parts: list[Markup] = []
    if p.water:
        top = _y(p, 0.0)
        parts.append(Markup('<rect class="water" x="0" y="{}" width="{}" height="{}"/>').format(top, _W, _H - top))
    for span in p.spans:
        left, right = _x(p, span.start), _x(p, span.end)
        parts.append(
            Markup('<rect class="phase {}" x="{}" y="0" width="{}" height="{}"/>').format(
                span.kind, left, max(right - left, 1), _H
            )
        )
    parts += [Markup('<path class="grid" d="M0 {}H{}"/>').format(_y(p, v), _W) for v, _ in p.y.ticks]
    parts += [Markup('<path class="fill {}" d="{}"/>').format(a.kind, _outline(p, a)) for a in p.areas]
    parts += [Markup('<path class="rule {}" d="M0 {}H{}"/>').format(r.kind, _y(p, r.y), _W) for r in p.rules]
    for line in sorted(p.lines, key=lambda one: one.kind != "quiet"):
        parts.append(
            Markup('<path class="line {}" data-name="{}" d="{}"/>').format(line.kind, line.name, _path(p, line))
        )
    parts += [Markup('<path class="dots {}" d="{}"/>').format(d.kind, _points(p, d)) for d in p.dots]
    return Markup(
        '<svg viewBox="0 0 {} {}" preserveAspectRatio="none" aria-hidden="true" focusable="false">{}</svg>'
    ).format(_W, _H, Markup("").join(parts))


def _words(p: Picture) -> Markup:
    out: list[Markup] = []
    rule_places = [float(p.y.place(r.y)) for r in p.rules]
    for value, label in p.y.ticks:
        at = float(p.y.place(value))
        out.append(Markup('<span class="yt" style="top:{}%">{}</span>').format(_percent(1 - at), label))
    for number, (value, label) in enumerate(p.x.ticks):
        at = float(p.x.place(value))
        edge = (" first" if at < 0.03 else " last" if at > 0.97 else "") + " between" * (number % 2)
        out.append(
            Markup('<span class="xt{}" data-at="{}" style="left:{}%">{}</span>').format(
                edge, f"{at:.4f}", _percent(at), label
            )
        )
    for rule, at in zip(p.rules, rule_places, strict=True):
        out.append(Markup('<span class="rt" style="top:{}%">{}</span>').format(_percent(1 - at), rule.label))
    out += [
        Markup('<span class="lt {}" style="top:{}%">{}</span>').format(kind, _percent(1 - at), label)
        for at, kind, label in _end_labels(p)
    ]
    return Markup("").join(out)


def _end_labels(p: Picture) -> list[tuple[float, str, str]]:
    """Labels at the right ends of lines, moved apart where they would overlap, kept inside the picture."""
    ends: list[tuple[float, str, str]] = []
    for line in p.lines:
        known = np.flatnonzero(np.isfinite(line.y))
        if line.label and len(known):
            ends.append((float(np.clip(p.y.place(line.y[known[-1]]), 0.02, 0.98)), line.kind, line.label))
    ends.sort()
    placed: list[tuple[float, str, str]] = []
    floor = 0.02
    for at, kind, label in ends:
        floor = max(at, floor)
        placed.append((floor, kind, label))
        floor += _LABEL_STEP
    excess = max(placed[-1][0] - 0.98, 0.0) if placed else 0.0
    return [(at - excess, kind, label) for at, kind, label in placed]


def _spans(p: Picture) -> Markup:
    if not p.spans:
        return Markup("")
    out = []
    for span in p.spans:
        left, right = (float(np.clip(p.x.place(v), 0, 1)) for v in (span.start, span.end))
        if right - left < 0.002:
            continue
        out.append(
            Markup('<span class="{}" data-from="{}" data-to="{}" style="left:{}%;width:{}%">{}</span>').format(
                span.kind, f"{left:.4f}", f"{right:.4f}", _percent(left), _percent(right - left), span.label
            )
        )
    return Markup('<div class="phases">{}</div>').format(Markup("").join(out))


def _path(p: Picture, line: Line) -> str:
    """Relative whole-number path: 'M x y l dx dy …', a new M after each break."""
    known = np.isfinite(line.x) & np.isfinite(line.y)
    xs = np.rint(p.x.place(np.where(known, line.x, p.x.low)) * _W).astype(np.int64)
    ys = np.rint((1 - p.y.place(np.where(known, line.y, p.y.low))) * _H).astype(np.int64)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], known.astype(np.int8), [0]))))
    parts = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        x, y = xs[start:stop], ys[start:stop]
        moves = np.stack((np.diff(x), np.diff(y)), axis=1)
        moves = moves[(moves != 0).any(axis=1)]
        text = f"M{x[0]} {y[0]}"
        if len(moves):
            text += "l" + " ".join(map(str, moves.ravel().tolist())).replace(" -", "-")
        else:
            text += "h1"
        parts.append(text)
    return "".join(parts)


def _outline(p: Picture, area: Area) -> str:
    xs = np.rint(p.x.place(area.x) * _W).astype(int)
    low, high = (np.rint((1 - np.clip(p.y.place(v), -0.5, 1.5)) * _H).astype(int) for v in (area.low, area.high))
    there = " ".join(f"{x} {y}" for x, y in zip(xs, high, strict=True))
    back = " ".join(f"{x} {y}" for x, y in zip(xs[::-1], low[::-1], strict=True))
    return f"M{there}L{back}Z"


def _points(p: Picture, dots: Dots) -> str:
    known = np.isfinite(dots.x) & np.isfinite(dots.y)
    xs = np.rint(p.x.place(dots.x[known]) * _W).astype(int)
    ys = np.rint((1 - p.y.place(dots.y[known])) * _H).astype(int)
    return "".join(f"M{x} {y}h0" for x, y in zip(xs, ys, strict=True))


def _x(p: Picture, value: float) -> int:
    return round(float(np.clip(p.x.place(value), 0, 1)) * _W)


def _y(p: Picture, value: float) -> int:
    return round((1 - float(p.y.place(value))) * _H)


def _percent(part: float) -> str:
    return f"{100 * part:.2f}".rstrip("0").rstrip(".")


def _short(value: float) -> str:
    return f"{value:.6g}"
