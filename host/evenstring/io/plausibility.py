"""What cannot be a cell's doing, told before anything is concluded from it. Pure; fed block by block.

A reading that falls from a cell's voltage to 0 V within one scan and comes back to where it was is the meter's or the
logger's: a group cannot do that. Steps, standing readings and a current of the wrong sign are the instrument's as well.
Used for tables (`evenstring.io.table`) and for recordings (`without_dropouts`).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.session import Mark, Quality, Session

__all__ = ["Doubt", "Dropouts", "Sign", "Steps", "mean_v", "without_dropouts"]

F64 = NDArray[np.float64]

_ZERO_V = 0.005  # as 0; our choice
_SURE = 3.0  # standard deviations of a likeness of nothing; common practice
_CELL_V = 1.5  # a group that reads this or more is one; our choice
_BACK_V = 0.3  # comes back to within this of where it was; our choice
_END_SCANS = 10  # so short a stretch at the end is as one within; our choice
_STEPS_V = (
    0.1,
    0.05,
    0.02,
    0.01,
    0.005,
    0.002,
    0.001,
    0.0005,
)  # resolutions of instruments, coarse first; common practice
_ROWS = 50_000  # looked at together; our choice
_STANDS_SCANS = 100  # so long a group may read the same while others move; our choice
_MOVES_V = 0.02


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that is the instrument's and not the pack's. `group` from 1; 0: all."""

    kind: str  # dropout, ends_at_zero, never_read, stands, steps, sign
    group: int
    text: str


class Dropouts:
    """Stretches in which a group reads 0 V between readings of a cell, or before its first."""

    def __init__(self, groups: int) -> None:
        self.groups = groups
        self.rows = 0
        self._found: dict[int, list[tuple[int, int]]] = defaultdict(list)
        self._open: dict[int, int] = {}  # group to the first row of its stretch at 0
        self._last = np.full(groups, np.nan)  # last reading before this block
        self._ever = np.zeros(groups, np.bool_)

    def feed(self, volts_v: F64) -> None:
        """Take the next rows, (n, g), NaN where not read."""
        if not volts_v.size:
            return
        if not self._open and float(volts_v.min()) > _ZERO_V:  # usual; false where one is missing
            self._ever[:] = True
            self._last = volts_v[-1]
            self.rows += len(volts_v)
            return
        self._ever |= (np.nan_to_num(np.abs(volts_v)) > _ZERO_V).any(axis=0)
        low = np.abs(volts_v) <= _ZERO_V
        for g in np.flatnonzero(low.any(axis=0) | np.isin(np.arange(self.groups), list(self._open))):
            self._feed_group(int(g), volts_v[:, g], low[:, g])
        kept = np.where(np.isfinite(volts_v) & ~low, volts_v, np.nan)
        last = _last_finite(kept)
        self._last = np.where(np.isfinite(last), last, self._last)
        self.rows += len(volts_v)

    def _feed_group(self, g: int, volts: F64, low: NDArray[np.bool_]) -> None:
        read = np.flatnonzero(np.isfinite(volts))
        is_low = low[read]
        edges = np.diff(is_low.astype(np.int8), prepend=np.int8(g in self._open))
        for k in np.flatnonzero(edges):
            row = int(read[k])
            if edges[k] > 0:
                before = float(volts[read[k - 1]]) if k else float(self._last[g])
                if not np.isfinite(before) or before > _CELL_V:
                    self._open[g] = self.rows + row
                    self._last[g] = before
            elif g in self._open:
                first, before, after = self._open.pop(g), float(self._last[g]), float(volts[row])
                came_back = not np.isfinite(before) or abs(after - before) < _BACK_V
                if after > _CELL_V and came_back:
                    self._found[g].append((first, self.rows + row))

    def _ends(self) -> dict[int, tuple[int, int]]:
        """Stretches up to the end that are as the others: short, or where the meter leaves readings out anyway."""
        return {
            g: (first, self.rows)
            for g, first in self._open.items()
            if self._ever[g] and (self.rows - first <= _END_SCANS or self._found)
        }

    def stretches(self) -> dict[int, NDArray[np.int64]]:
        """Group (from 0) to (k, 2) first rows and rows after the end, rising."""
        ends = self._ends()
        groups = sorted({*self._found, *ends})
        return {g: np.array(self._found.get(g, []) + ([ends[g]] if g in ends else []), np.int64) for g in groups}

    def doubts(self) -> tuple[Doubt, ...]:
        """What is to be said of groups at 0 V."""
        said = []
        stretches = self.stretches()
        total = sum(len(found) for found in stretches.values())
        if total:
            groups = ", ".join(str(g + 1) for g in list(stretches)[:6]) + (" …" if len(stretches) > 6 else "")
            said.append(
                Doubt(
                    "dropout",
                    0,
                    f"{total} times a group reads 0 V for a moment (group {groups}): not a cell's doing, taken "
                    f"as not read",
                )
            )
        for g in sorted(set(self._open) - set(self._ends())):
            kind, what = (
                ("ends_at_zero", "reads 0 V up to the end") if self._ever[g] else ("never_read", "reads 0 V throughout")
            )
            said.append(
                Doubt(kind, g + 1, f"group {g + 1} {what}: a lead, the logger or a dead group; kept as it stands")
            )
        return tuple(said)


def _last_finite(values: F64) -> F64:
    """The last finite value of each column, (n, g) to (g,); NaN where there is none."""
    n = len(values)
    finite = np.isfinite(values)
    row = n - 1 - np.argmax(finite[::-1], axis=0)
    return np.where(finite.any(axis=0), values[row, np.arange(values.shape[1])], np.nan)


class Steps:
    """How coarse the readings are, and which groups stand still while others move."""

    def __init__(self, groups: int) -> None:
        self.rows = 0
        self._fits = np.ones(len(_STEPS_V), np.bool_)
        self._low, self._high = np.full(groups, np.inf), np.full(groups, -np.inf)

    def feed(self, volts_v: F64) -> None:
        """Take the next rows, (n, g), NaN where not read."""
        self.rows += len(volts_v)
        self._low = np.fmin(self._low, np.fmin.reduce(volts_v, axis=0))
        self._high = np.fmax(self._high, np.fmax.reduce(volts_v, axis=0))
        some = volts_v[: 200 if self.rows > 2000 else 2000].ravel()
        some = some[np.isfinite(some)]
        for k in np.flatnonzero(self._fits):
            off = some / _STEPS_V[k]
            self._fits[k] = bool((np.abs(off - np.rint(off)) * _STEPS_V[k] < 1.1e-4).all())

    @property
    def step_v(self) -> float | None:
        """The step of the readings, or None where it is 0.2 mV or finer."""
        found = np.flatnonzero(self._fits)
        return float(_STEPS_V[found[0]]) if len(found) and np.isfinite(self._high).any() else None

    def doubts(self) -> tuple[Doubt, ...]:
        """Coarse readings and groups that stand."""
        said = []
        step = self.step_v
        if step is not None and step >= 0.002:
            said.append(
                Doubt("steps", 0, f"readings come in steps of {step * 1e3:g} mV: this goes into the uncertainty")
            )
        span = self._high - self._low
        moving = float(np.median(span[np.isfinite(span)])) if np.isfinite(span).any() else 0.0
        if self.rows >= _STANDS_SCANS and moving > _MOVES_V:
            for g in np.flatnonzero(span == 0.0):
                stands = f"group {g + 1} reads {self._low[g]:.4g} V throughout"
                others = f"while the others move by {moving * 1e3:.0f} mV: not a measurement?"
                said.append(Doubt("stands", int(g) + 1, f"{stands} {others}"))
        return tuple(said)


def mean_v(volts_v: F64) -> F64:
    """Mean of the groups that read a cell's voltage, (n, g) to (n,); NaN where none does."""
    if volts_v.size and float(volts_v.min()) > _ZERO_V:  # false where a reading is missing
        return np.asarray(volts_v.mean(axis=1))
    read = np.nan_to_num(volts_v) > _ZERO_V
    count = read.sum(axis=1)
    return np.where(count > 0, np.where(read, volts_v, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


class Sign:
    """Whether the current counts charging as positive, told from how the cells answer to it."""

    _CHUNK = 20  # scans of one mean for the slow answer; our choice

    def __init__(self) -> None:
        self._ii = self._iv = self._vv = 0.0
        self._steps = 0
        self._slow: list[tuple[float, float, float]] = []  # mean A, first and last V of a chunk

    def feed(self, current_a: F64, mean_v: F64) -> None:
        """Take the next rows: current and mean of the groups, both (n,)."""
        good = np.isfinite(current_a) & np.isfinite(mean_v)
        i, v = current_a[good], mean_v[good]
        di, dv = np.diff(i), np.diff(v)
        big = np.abs(di) > max(0.3, 0.05 * float(np.ptp(i))) if len(i) else np.zeros(0, np.bool_)
        self._steps += int(big.sum())
        self._ii += float((di[big] ** 2).sum())
        self._iv += float((di[big] * dv[big]).sum())
        self._vv += float((dv[big] ** 2).sum())
        pieces = [slice(k, k + self._CHUNK) for k in range(0, len(i) - self._CHUNK + 1, max(self._CHUNK, len(i) // 40))]
        self._slow += [(float(i[p].mean()), float(v[p][:5].mean()), float(v[p][-5:].mean())) for p in pieces]

    def charging_is_positive(self) -> bool | None:
        """None: the cells do not tell."""
        if self._steps >= 3 and self._ii > 0 and self._vv > 0:
            likeness = self._iv / np.sqrt(self._ii * self._vv)
            if abs(likeness) > 0.3 and abs(likeness) * np.sqrt(self._steps) > _SURE:
                return bool(likeness > 0)
        if len(self._slow) >= 2:
            slow = np.array(self._slow)
            flow, rise = slow[:, 0], slow[:, 2] - slow[:, 1]
            whole = slow[-1, 2] - slow[0, 1]
            if np.abs(flow).max() > 0.3 and abs(whole) > 0.03 and (np.sign(flow) == np.sign(flow.mean())).mean() > 0.9:
                return bool(np.sign(whole) == np.sign(flow.mean()))
            size = np.sqrt((flow**2).sum() * (rise**2).sum())
            if size > 0 and len(slow) >= 6 and abs((flow * rise).sum()) > 0.5 * size:
                return bool((flow * rise).sum() > 0)
        return None


def without_dropouts(session: Session) -> Session:
    """The session with readings of 0 V that no cell makes taken as not read, and said in a mark."""
    drops = Dropouts(session.groups)
    for first in range(0, session.scans, _ROWS):
        drops.feed(session.volts_v[first : first + _ROWS].astype(np.float64))
    stretches = drops.stretches()
    if not stretches:
        return session
    volts, quality = session.volts_v.copy(), session.quality.copy()
    for g, found in stretches.items():
        for first, end in found.tolist():
            read = np.flatnonzero(quality[first:end, g] == Quality.OK) + first
            volts[read, g], quality[read, g] = np.nan, Quality.NO_READING
    said = tuple(Mark(0.0, "doubt", doubt.text) for doubt in drops.doubts() if doubt.kind == "dropout")
    return replace(session, volts_v=volts, quality=quality, marks=session.marks + said)
