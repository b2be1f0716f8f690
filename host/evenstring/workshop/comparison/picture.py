"""Before and after as a picture: each group by its distance from the median group, with the interval."""

from __future__ import annotations

import numpy as np

from evenstring.report.drawing.axis import Axis, number_axis, surface_axis
from evenstring.report.drawing.picture import Dots, Line, Picture
from evenstring.workshop.comparison.answer import Became
from evenstring.workshop.comparison.compare import Compared

__all__ = ["pictures"]

_APART = 0.17  # of the step from group to group, from its place to before and to after: our choice
_NAMED = 12  # ticks along the string, at most: our choice


def pictures(found: Compared, became: tuple[Became, ...]) -> list[Picture]:
    """Of levels and of resistances, as far as both recordings know them."""
    rows = found.rows
    level = [r.departure_mv for r in rows]
    resistance = [r.resistance_percent for r in rows]
    return [
        made
        for made in (
            _picture("levels", "mV from the median group at the end of the charge", level, found.half_mv, became),
            _picture("resistance", "% over the median group's resistance", resistance, found.half_percent, became),
        )
        if made is not None
    ]


def _picture(
    key: str,
    word: str,
    pairs: list[tuple[float, float] | None],
    half: tuple[float | None, float | None],
    became: tuple[Became, ...],
) -> Picture | None:
    known = [(k + 1, *pair) for k, pair in enumerate(pairs) if pair is not None]
    if len(known) < 2:
        return None
    group, before, after = (np.array(v, dtype=np.float64) for v in zip(*known, strict=True))
    low = min((before - (half[0] or 0.0)).min(), (after - (half[1] or 0.0)).min())
    high = max((before + (half[0] or 0.0)).max(), (after + (half[1] or 0.0)).max())
    away = np.abs(np.concatenate([before, after]))
    is_level = key == "levels"
    y = surface_axis(low, high, float(np.quantile(away, 0.9))) if is_level else number_axis(low, high, "%")
    bent = " Far from zero the scale is compressed." if y.bend else ""
    out = {b.group for b in became if (b.quantity == "level") == is_level}
    lines = [*_bars(group - _APART, before, half[0], "quiet"), *_bars(group + _APART, after, half[1], "main")]
    lines += [_move(g, b, a, g in out) for g, b, a in zip(group, before, after, strict=True)]
    return Picture(
        key=key,
        alt=_alt(word, known, out),
        caption="Each group from left to right as it was before (grey) and as it is after (in colour); the upright"
        f" strokes are intervals that hold for all groups together.{bent}",
        x=_string_axis(len(pairs)),
        y=y,
        y_word=word,
        lines=tuple(lines),
        dots=(Dots(group - _APART, before), Dots(group + _APART, after, "after")),
        water=is_level,
        timed=False,
    )


def _bars(x: np.ndarray, y: np.ndarray, half: float | None, kind: str) -> list[Line]:
    """The intervals as upright strokes: one line, broken between the groups."""
    if half is None:
        return []
    nothing = np.full(len(x), np.nan)
    across = np.stack([x, x, nothing], axis=1).ravel()
    return [Line(across, np.stack([y - half, y + half, nothing], axis=1).ravel(), kind=kind)]


def _move(group: float, before: float, after: float, out: bool) -> Line:
    ends = np.array([group - _APART, group + _APART])
    return Line(ends, np.array([before, after]), f"group {group:.0f}", "leaves" if out else "quiet")


def _string_axis(groups: int) -> Axis:
    """Group 1 at the left; every so many are written."""
    step = next(s for s in (1, 2, 5, 10) if groups / s <= _NAMED)
    ticks = [1, *range(step, groups + 1, step)] if step > 1 else range(1, groups + 1)
    return Axis(0.4, groups + 0.6, tuple((float(g), str(g)) for g in ticks), "group")


def _alt(word: str, known: list[tuple[int, float, float]], out: set[int]) -> str:
    told = [f"group {g} from {b:+.1f} to {a:+.1f}" for g, b, a in known if g in out]
    rest = "no group stands out" if not told else "; ".join(told)
    return f"{len(known)} groups before and after, {word}: {rest}."
