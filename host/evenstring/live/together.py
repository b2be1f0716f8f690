"""Several strings of one vehicle side by side: who sags, who is silent, and what would flow if they were joined.

Pure: states in, sentences out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenstring.analysis.riding.side_by_side import Joined, StringAtRest, joined
from evenstring.live.state import LiveState
from evenstring.report.drawing.axis import clock
from evenstring.text import plain

__all__ = ["Named", "joined_now", "one_line", "together_line"]

_RESTS_A = 0.5  # with less current a string is at rest: our choice
_LOOK_S = 60.0  # in which a sag is looked for: our choice
_SAGS_MORE = 1.3  # times the other's, to be named: our choice
_LEAST_SAG_V = 0.03  # a group, under which nothing sags: our choice


@dataclass(frozen=True, slots=True)
class Named:
    """A string as a reader knows it."""

    name: str
    state: LiveState


def joined_now(strings: Sequence[Named]) -> Joined | None:
    """Of the highest and the lowest string; None unless two or more are at rest and wholly read."""
    return joined([_at_rest(s.state) for s in strings])


def one_line(string: Named, *, shown: bool) -> str:
    """A string in a line: what it says of itself, its voltage, its lowest group, its sag."""
    state, name = string.state, plain(string.name, 24)
    mark = "▸" if shown else " "
    if state.silent_s is not None:
        return f"{mark} {name}: ! SILENT for {clock(state.silent_s)}, not watched"
    if state.trouble:
        return f"{mark} {name}: ! {state.trouble}"
    volts = state.volts_v
    if not np.isfinite(volts).any():
        return f"{mark} {name}: {state.link.state}"
    alarms = "".join(f"! {a.words} · " for a in state.alarms[:1])
    pack = "not every group is read" if state.pack_v is None else f"{state.pack_v:.2f} V"
    lowest = int(np.nanargmin(volts))
    sag_v = _sag_v(state)
    sags = f" · sags {sag_v * 1e3:.0f} mV a group" if sag_v >= _LEAST_SAG_V else ""
    return f"{mark} {name}: {alarms}{pack} · group {lowest + 1} lowest, {volts[lowest]:.3f} V{sags}"


def together_line(strings: Sequence[Named]) -> str:
    """What only the strings together tell: who sags, or what joining them would do; empty where nothing is to say."""
    sags = sorted(((_sag_v(s.state), k) for k, s in enumerate(strings)), reverse=True)
    (most_v, who), (next_v, _) = sags[0], sags[1]
    if most_v >= _LEAST_SAG_V and most_v > _SAGS_MORE * next_v:
        return (
            f"{plain(strings[who].name, 24)} sags most: {most_v * 1e3:.0f} mV a group, the next {next_v * 1e3:.0f} mV"
        )
    found = joined_now(strings)
    if found is None:
        return ""
    return ("! " if found.dangerous else "") + found.said([plain(s.name, 24) for s in strings])


def _at_rest(state: LiveState) -> StringAtRest | None:
    if not _rests(state) or state.pack_v is None:
        return None
    return StringAtRest(state.pack_v, max(len(state.volts_v), 1), state.profile.capacity_ah)


def _rests(state: LiveState) -> bool:
    if state.current_a is not None:
        return abs(state.current_a) < _RESTS_A
    return state.phase == "rest"


def _sag_v(state: LiveState) -> float:
    """How far the mean group stands below its highest of the last minute."""
    if state.history is None or not state.history.size:
        return 0.0
    recent = state.history.volts_v[state.history.since(_LOOK_S)]
    whole = recent[np.isfinite(recent).all(axis=1)].mean(axis=1)
    return float(whole.max() - whole[-1]) if len(whole) else 0.0
