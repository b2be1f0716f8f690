"""The level line as an SVG file with its words in it, for paper; the page draws the same data its own way."""

from __future__ import annotations

from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from evenstring.report.drawing.picture import Line, Picture

__all__ = ["level_svg"]

_W, _LEFT, _RIGHT, _BASE = 1000.0, 46.0, 70.0, 24.0  # of the drawing, its own units; our choice
_MARKED, _QUIET, _GRID = "#9a3324", "#8fa3ad", "#d5dcdf"
_TEXT = '<text x="{:.1f}" y="{:.1f}" font-size="13" font-family="Libertinus Serif" fill="{}" text-anchor="{}">{}</text>'


def level_svg(picture: Picture, height: float = 300.0) -> str:
    """The picture as the text of an SVG file. Words come from our own labels and are escaped all the same.

    Args:
        picture: level lines; a stretch without a name is drawn as a mark where it begins.
        height: for a width of 1000.
    """
    parts = [_grid(picture, height)]
    for line in sorted(picture.lines, key=lambda one: one.kind != "quiet"):
        named = bool(line.label)
        colour, width = (_MARKED, 1.6) if named else (_QUIET, 0.7)
        parts += [
            f'<polyline fill="none" stroke="{colour}" stroke-width="{width}" points="{points}"/>'
            for points in _points(picture, line, height)
        ]
        if named:
            known = np.flatnonzero(np.isfinite(line.y))
            y = _y(picture, line.y[known[-1:]], height)[0]
            parts.append(_TEXT.format(_W - _RIGHT + 5, y + 4, _MARKED, "start", escape(line.label)))
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_W:g} {height:g}">{"".join(parts)}</svg>'


def _grid(p: Picture, height: float) -> str:
    out = []
    for value, label in p.y.ticks:
        y = _y(p, np.array([value]), height)[0]
        out.append(f'<path d="M{_LEFT} {y:.1f}H{_W - _RIGHT}" stroke="{_GRID}" stroke-width="0.8"/>')
        out.append(_TEXT.format(_LEFT - 5, y + 4, "#5d6b73", "end", escape(label)))
    for value, label in p.x.ticks:
        x = _x(p, np.array([value]))[0]
        out.append(_TEXT.format(x, height - 5, "#5d6b73", "middle", escape(label)))
    marks = [_x(p, np.array([span.start]))[0] for span in p.spans if not span.label]
    dashed = f'V{height - _BASE:.1f}" stroke="{_MARKED}" stroke-dasharray="3 5" fill="none"/>'
    out += [f'<path d="M{x:.1f} 0{dashed}' for x in marks]
    out.append(_TEXT.format(4.0, height - 5, "#5d6b73", "start", "mV"))
    return "".join(out)


def _points(p: Picture, line: Line, height: float) -> list[str]:
    """Stretches without a break, each as the points of a polyline."""
    known = np.isfinite(line.x) & np.isfinite(line.y)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], known.astype(np.int8), [0]))))
    xs, ys = _x(p, line.x), _y(p, line.y, height)
    return [
        " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(xs[a:b], ys[a:b], strict=True))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def _x(p: Picture, values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(_LEFT + p.x.place(values) * (_W - _LEFT - _RIGHT))


def _y(p: Picture, values: NDArray[np.float64], height: float) -> NDArray[np.float64]:
    return np.asarray(4.0 + (1.0 - p.y.place(values)) * (height - _BASE - 4.0))
