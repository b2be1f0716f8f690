"""What the report's own code says of the scans so far: the live view tells a phase and a time by no rules of its own.

Looks cost time that grows with what was recorded, so they are made seldom enough to take a small share of a core, and
of rows of a second each, which is what the analysis works on anyway. Between two looks the last one stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Findings, PhaseKind
from evenstring.analysis.run import what_happened
from evenstring.profile import PackProfile
from evenstring.session import Quality, Session

__all__ = ["Told"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_ROW_S = 1.0  # scans of one second become one row, as the analysis would: our choice
_MOST = 60_000  # rows looked at: over 16 h; our choice
_SHARE = 20.0  # of the time, one part for looking: our choice


class Told:
    """Rows of a session that is still going on.

    Args:
        clock_s: the clock by which looks are rationed; None: look whenever something is new.
    """

    def __init__(self, clock_s: Callable[[], float] | None = None) -> None:
        self._clock_s = clock_s
        self._next_s = -np.inf
        self._rows: list[tuple[F64, F32, F32]] = []
        self._count = self._seen = 0
        self._found: Findings | None = None

    def add(self, time_s: F64, volts_v: F32, current_a: F32 | None) -> None:
        """Take scans in order; shapes as in `LiveState.take`."""
        second = np.floor(time_s / _ROW_S)
        first = np.flatnonzero(np.diff(second, prepend=-np.inf))
        amps = np.full(len(time_s), np.nan, np.float32) if current_a is None else current_a.astype(np.float32)
        if len(first) < len(time_s):
            count = np.diff(np.append(first, len(time_s)))
            time_s = np.add.reduceat(time_s, first) / count
            volts_v = (np.add.reduceat(volts_v, first, axis=0) / count[:, None]).astype(np.float32)
            amps = (np.add.reduceat(amps, first) / count).astype(np.float32)
        self._rows.append((np.asarray(time_s, np.float64), volts_v, amps))
        self._count += len(time_s)

    def found(self, profile: PackProfile) -> Findings | None:
        """The findings of the last look; None before the first."""
        now_s = 0.0 if self._clock_s is None else self._clock_s()
        if self._count > self._seen and now_s >= self._next_s:
            self._seen = self._count
            self._found = what_happened(*self._session(profile))
            if self._clock_s is not None:
                took_s = self._clock_s() - now_s
                self._next_s = now_s + took_s * (1.0 + _SHARE)
        return self._found

    def phase(self, profile: PackProfile) -> PhaseKind:
        """The phase that was going on at the last look."""
        found = self.found(profile)
        return found.phases[-1].kind if found is not None and found.phases else "unknown"

    def _session(self, profile: PackProfile) -> tuple[Session, PackProfile]:
        parts = [np.concatenate(column)[-_MOST:] for column in zip(*self._rows, strict=True)]
        self._rows = [(parts[0], parts[1], parts[2])]
        time_s, volts, amps = parts
        quality = np.where(np.isfinite(volts), Quality.OK, Quality.NO_READING).astype(np.uint8)
        session = Session(
            time_s - time_s[0], volts, quality, np.zeros(len(time_s), np.float32),
            current_a=amps if np.isfinite(amps).any() else None,
        )  # fmt: skip
        return session, profile if profile.groups == volts.shape[1] else replace(profile, groups=volts.shape[1])
