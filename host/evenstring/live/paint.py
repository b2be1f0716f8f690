"""The parts of the live view as strips of styled text. They read the state and keep none."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from evenstring.live.canvas import BrailleDots, raster
from evenstring.live.numerals import HEIGHT, big
from evenstring.live.state import LiveState
from evenstring.report.drawing.axis import clock

__all__ = ["FACT_ROWS", "Level", "Now"]

FACT_ROWS = 7
F32 = NDArray[np.float32]
_PLAIN, _SOFT, _BOLD = Style(), Style(dim=True), Style(bold=True)
_LEAVES = Style(color="#ff9c73", bold=True)
_QUIET = Style(color="#8fa3af")
_WATER = Style(color="#8fa3af", bgcolor="#16272f")
_WATER_LEAVES = Style(color="#ff9c73", bold=True, bgcolor="#16272f")
_ALARM = Style(color="#11171d", bgcolor="#ff9c73", bold=True)
_MARGIN, _NAMES = 7, 9  # cells left and right of the level line
_BESIDE = 38  # cells of the facts


def _fit(segments: list[Segment], width: int) -> Strip:
    # Each piece has a style: the filter behind NO_COLOR needs one.
    styled = [Segment(text, style or _PLAIN) for text, style, _ in segments]
    return Strip(styled).adjust_cell_length(width, _PLAIN)


def _calm(low: F32, high: F32, strong: list[int]) -> tuple[F32, F32]:
    """Ordinary noise drawn as a thin line at its middle; what stands out, or moves more than usual, in full."""
    extent, middle = high - low, (high + low) / 2
    usual = float(np.nanmedian(extent)) if np.isfinite(extent).any() else 0.0
    thin = extent <= max(3 * usual, 1.0)
    thin[:, strong] = False
    return np.where(thin, middle, low), np.where(thin, middle, high)


class Now(Widget):
    """The number that matters now, large, and the facts beside it."""

    DEFAULT_CSS = "Now { height: 8; }"

    def __init__(self, state: LiveState) -> None:
        super().__init__(id="now")
        self.state = state
        self._rows: list[list[Segment]] = []

    def work_out(self) -> None:
        """Look at the state once for all rows of one drawing."""
        matter, facts = self.state.matter, self.state.facts()
        number = big(matter.number)
        style = _LEAVES if matter.alarm else _BOLD
        left_width = max(self.size.width - _BESIDE, 24)
        rows: list[list[Segment]] = []
        for row in range(HEIGHT + 2):
            if row < HEIGHT:
                unit = f" {matter.unit}" if row == HEIGHT - 1 else ""
                left = [Segment("  "), Segment(number[row], style), Segment(unit, style)]
            elif row == HEIGHT:
                words = f"! {matter.what} " if matter.alarm else matter.what
                left = [Segment("  "), Segment(words, _ALARM if matter.alarm else _SOFT)]
            else:
                left = []
            used = sum(cell_len(s.text) for s in left)
            left.append(Segment(" " * max(left_width - used, 1)))
            if row < len(facts):
                left += [Segment(f"{facts[row][0]:<10}", _SOFT), Segment(facts[row][1])]
            rows.append(left)
        self._rows = rows

    def render_line(self, y: int) -> Strip:
        """One row of the screen."""
        return _fit(self._rows[y] if y < len(self._rows) else [], self.size.width)


class Level(Widget):
    """The level line, rolling: right is now."""

    DEFAULT_CSS = "Level { height: 1fr; }"

    def __init__(self, state: LiveState) -> None:
        super().__init__(id="level")
        self.state = state
        self.window_s = 600.0
        self.follow: int | None = None
        self._dots: BrailleDots | None = None
        self._top, self._bottom = 10.0, -10.0
        self._names: dict[int, str] = {}

    @property
    def _cells(self) -> tuple[int, int]:
        return max(self.size.width - _MARGIN - _NAMES, 8), max(self.size.height - 1, 3)

    def work_out(self) -> None:
        """Raster the picture once for all rows of one drawing."""
        history = self.state.history
        width, height = self._cells
        if history is None or not history.size:
            self._dots = None
            return
        low, high = history.columns(2 * width, self.window_s)
        strong = [self.follow] if self.follow is not None else self.state.leaving
        bottom, top = min(float(np.nanmin(low)), -4.0) * 1.1, max(float(np.nanmax(high)), 4.0) * 1.1
        if not self._bottom <= bottom <= 0.5 * self._bottom or not 0.5 * self._top <= top <= self._top:
            self._bottom, self._top = bottom * 1.15, top * 1.15  # stays put until the lines need another scale
        self._dots = raster(*_calm(low, high, strong), strong, self._top, self._bottom, height)
        self._names = self._name_rows(strong, low, high, height)

    def _name_rows(self, strong: list[int], low: F32, high: F32, height: int) -> dict[int, str]:
        names: dict[int, str] = {}
        for g in strong:
            middle = (low[-1, g] + high[-1, g]) / 2
            if not np.isfinite(middle):
                continue
            row = self._row_of(float(middle), height)
            while row in names and row < height - 1:
                row += 1
            names[row] = f" group {g + 1}"
        return names

    def _row_of(self, mv: float, height: int) -> int:
        return int(np.clip((self._top - mv) / (self._top - self._bottom) * height, 0, height - 1))

    def render_line(self, y: int) -> Strip:
        """One row of the screen."""
        width, height = self._cells
        if y >= height:
            return _fit(self._time_row(width), self.size.width)
        zero = self._row_of(0.0, height)
        mark = {0: f"{self._top:+.0f}", zero: "0 mV", height - 1: f"{self._bottom:+.0f}"}.get(y, "")
        segments = [Segment(f"{mark:>{_MARGIN - 1}} ", _SOFT)]
        below = y > zero
        if self._dots is None or y >= len(self._dots.rows) or len(self._dots.rows[y]) != width:
            segments.append(Segment(" " * width, _WATER if below else _PLAIN))
        else:
            segments += self._line(y, below)
        segments.append(Segment(self._names.get(y, ""), _LEAVES))
        return _fit(segments, self.size.width)

    def _line(self, y: int, below: bool) -> list[Segment]:
        """Runs of equal style; the empty surface at zero is a thin rule."""
        assert self._dots is not None  # noqa: S101  # the caller looked
        text, strong = self._dots.rows[y], self._dots.strong[y]
        edges = [0, *(np.flatnonzero(np.diff(strong)) + 1).tolist(), len(text)]
        loud, quiet = (_WATER_LEAVES, _WATER) if below else (_LEAVES, _QUIET)
        return [Segment(text[a:b], loud if strong[a] else quiet) for a, b in pairwise(edges) if b > a]

    def _time_row(self, width: int) -> list[Segment]:
        left = f"−{clock(self.window_s)}"
        return [Segment(" " * _MARGIN), Segment(left + " " * max(width - len(left) - 3, 1) + "now", _SOFT)]
