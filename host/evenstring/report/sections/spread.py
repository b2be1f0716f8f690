"""How uneven the groups were: at the start, at the end, at most, at rest, under the heaviest load."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.report.drawing.axis import clock, number_axis, time_axis
from evenstring.report.drawing.level_line import phase_spans
from evenstring.report.drawing.picture import Line, Picture, Rule
from evenstring.report.drawing.reduction import reduced, spread_mv
from evenstring.report.material import Material
from evenstring.report.sections.section import Section, at, both, claimed, drawn, millivolts

__all__ = ["section"]


def section(material: Material) -> Section:
    """Words, figures and picture."""
    s = material.found.spread
    relaxed = "" if s.rest_after_s is None else f"after {clock(s.rest_after_s)} of rest"
    pairs = [
        ("at the start", millivolts(s.start_mv), claimed(s, "start")),
        ("at the end", millivolts(s.end_mv), claimed(s, "end")),
        ("largest", millivolts(s.max_mv), both(at(s.max_at_s), claimed(s, "max"))),
        ("at rest", millivolts(s.rest_mv), both(relaxed, claimed(s, "rest"))),
    ]
    pairs += [
        ("under the heaviest load", millivolts(c.best_mv), both(at(c.at_s), claimed(s, "load")))
        for c in s.claims
        if c.where == "load"
    ]
    return Section("spread", "Spread", [], pairs, drawn(_picture(material)), missing=material.missing("spread"))


def _picture(material: Material) -> Picture | None:
    """Highest minus lowest group over time, with the phases."""
    session, told = material.session, material.found.spread
    spread = spread_mv(session.volts_v)
    if session.scans < 2 or not np.isfinite(spread).any():
        return None
    drawn = reduced(session, spread[:, None], 1500)
    values = drawn.values[:, 0].astype(np.float64)
    target = material.found.balancing.target_mv
    top = float(np.nanmax(values))
    when = "" if told.max_at_s is None else f" at {clock(told.max_at_s)}"
    trusted = "" if told.max_mv is None else f"; the largest that can be trusted is {told.max_mv:.0f} mV{when}"
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
        spans=phase_spans(material.found.phases),
    )


def _ends(values: NDArray[np.float64]) -> str:
    known = values[np.isfinite(values)]
    return f"{known[0]:.0f} mV at the start, {known[-1]:.0f} mV at the end"
