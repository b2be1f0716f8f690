"""Before and after as a picture: each group by its distance from the median group, with the interval."""

from __future__ import annotations

import numpy as np

from evenstring.report.drawing.axis import Axis, number_axis, surface_axis
from evenstring.report.drawing.picture import Dots, Line, Picture
from evenstring.workshop.comparison.answer import Became
from evenstring.workshop.comparison.compare import Change, Compared
from evenstring.workshop.comparison.quantities import QUANTITIES, Kind

__all__ = ["pictures"]

_APART = 0.17  # of the step from group to group, from its place to before and to after: our choice
_NAMED = 12  # ticks along the string, at most: our choice


def pictures(found: Compared, became: tuple[Became, ...]) -> list[Picture]:
    """One of each quantity that both recordings know."""
    made = []
    for kind in QUANTITIES:
        known = [(r.group, c) for r in found.rows if (c := r.of(kind.key)) is not None]
        if len(known) > 1:
            out = {b.group for b in became if b.change.quantity == kind.key}
            made.append(_picture(kind, known, len(found.rows), out))
    return made


def _picture(kind: Kind, known: list[tuple[int, Change]], groups: int, out: set[int]) -> Picture:
    group = np.array([float(g) for g, _ in known])
    before, after = (np.array([getattr(c, name) for _, c in known]) for name in ("before", "after"))
    half = [np.array([getattr(c, f"{name}_half") for _, c in known]) for name in ("before", "after")]
    low = float(np.minimum(before - half[0], after - half[1]).min())
    high = float(np.maximum(before + half[0], after + half[1]).max())
    away = np.abs(np.concatenate([before, after]))
    is_level = kind.key == "level"
    y = surface_axis(low, high, float(np.quantile(away, 0.9))) if is_level else number_axis(low, high, kind.unit)
    bent = " Far from zero the scale is compressed." if y.bend else ""
    moves = [_move(g, b, a, int(g) in out) for g, b, a in zip(group, before, after, strict=True)]
    return Picture(
        key="levels" if is_level else kind.key,
        alt=_alt(kind, known, out),
        caption="Each group from left to right as it was before (grey) and as it is after (in colour); the upright"
        f" strokes are intervals that hold for all groups together.{bent}",
        x=_string_axis(groups),
        y=y,
        y_word=f"{kind.unit} {kind.said}",
        lines=(_bars(group - _APART, before, half[0], "quiet"), _bars(group + _APART, after, half[1], "main"), *moves),
        dots=(Dots(group - _APART, before), Dots(group + _APART, after, "after")),
        water=is_level,
        timed=False,
    )


def _bars(x: np.ndarray, y: np.ndarray, half: np.ndarray, kind: str) -> Line:
    """The intervals as upright strokes: one line, broken between the groups."""
    nothing = np.full(len(x), np.nan)
    across = np.stack([x, x, nothing], axis=1).ravel()
    return Line(across, np.stack([y - half, y + half, nothing], axis=1).ravel(), kind=kind)


def _move(group: float, before: float, after: float, out: bool) -> Line:
    label = f"group {group:.0f}" if out else ""
    ends = np.array([group - _APART, group + _APART])
    return Line(ends, np.array([before, after]), f"group {group:.0f}", "leaves" if out else "quiet", label)


def _string_axis(groups: int) -> Axis:
    """Group 1 at the left; every so many are written."""
    step = next(s for s in (1, 2, 5, 10) if groups / s <= _NAMED)
    ticks = [*([1] if step > 2 else []), *range(step, groups + 1, step)]
    return Axis(0.4, groups + 0.6, tuple((float(g), str(g)) for g in ticks), "group")


def _alt(kind: Kind, known: list[tuple[int, Change]], out: set[int]) -> str:
    told = [f"group {g} from {c.before:+z.1f} to {c.after:+z.1f}" for g, c in known if g in out]
    return f"{len(known)} groups before and after, {kind.unit} {kind.said}: {'; '.join(told) or 'none stands out'}."
