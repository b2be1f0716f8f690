"""What a glance needs, worked out from scans as they come. No I/O and no clock of its own: time is handed in.

These are quick looks for the bench; the report's findings are made from the whole recording and weigh uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import PhaseKind
from evenstring.analysis.series.rest import REST_S, rest_current_a
from evenstring.board_words import alarm_words
from evenstring.live.history import History
from evenstring.profile import PackProfile
from evenstring.report.drawing.axis import clock
from evenstring.report.words import EVENTS, PHASES

__all__ = ["Alarm", "Link", "LiveState", "Matter"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_LOOK_S = 60.0  # for slopes and phases
_PACE_S = 1800.0  # for the pace of balancing
_RIDE_A = 0.5
_CLEAR_MV = 6.0

# A board may raise alarms that are no visit beyond a limit, and newer ones than this version knows: our choice
_ALARMS = {str(kind): words for kind, words in EVENTS.items()}


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm, from the board or from a reading beyond a limit of the profile."""

    kind: str
    group: int  # 0: the whole board; of bad_contact the sense lead
    volts_v: float | None = None
    by_board: bool = False

    @property
    def words(self) -> str:
        """Where and what, for a reader."""
        if self.kind not in _ALARMS:
            return alarm_words(self.kind, self.group)
        return f"group {self.group} {_ALARMS[self.kind]}" if self.group else _ALARMS[self.kind]


@dataclass(frozen=True, slots=True)
class Link:
    """How the frames come in."""

    state: str = "waiting"  # waiting, receiving, silent, lost, replay
    scans: int = 0
    scans_per_s: float = 0.0
    damaged: int = 0
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Matter:
    """The one number that matters now."""

    number: str
    unit: str
    what: str
    alarm: bool = False


class LiveState:
    """Feed it scans, alarms and link counts; read its properties when drawing."""

    def __init__(self, profile: PackProfile | None = None, target_mv: float = 10.0) -> None:
        self.profile = profile or PackProfile(groups=0)
        self.target_mv = target_mv
        self.history: History | None = None
        self.link = Link()
        self.current_a: float | None = None
        self.trouble = ""  # the board does not measure: fault, place, what to do
        self._board_alarms: dict[tuple[str, int], Alarm] = {}
        self._quiet_since_s: float | None = None

    def forget(self) -> None:
        """Drop all scans and alarms: another board, or a jump in a replay."""
        self.history, self.current_a, self._quiet_since_s = None, None, None
        self.trouble = ""
        self._board_alarms.clear()

    def take(self, time_s: F64, volts_v: F32, current_a: F32 | None = None) -> None:
        """Take scans in order: instants (k,), volts (k, g) with NaN for no reading, mean currents (k,) or None."""
        if not len(time_s):
            return
        if self.history is None or self.history.groups != volts_v.shape[1]:
            self.history = History(volts_v.shape[1])
        if self.history.size and time_s[0] < self.history.time_s[-1]:
            self.history = History(volts_v.shape[1])  # the board began anew
        self.history.add(time_s, volts_v)
        self._take_current(time_s, current_a)

    def _take_current(self, time_s: F64, current_a: F32 | None) -> None:
        known = np.flatnonzero(np.isfinite(current_a)) if current_a is not None else np.zeros(0, np.int64)
        if current_a is None or not len(known):
            self.current_a = self._quiet_since_s = None
            return
        self.current_a = float(current_a[known[-1]])
        loaded = known[np.abs(current_a[known]) > rest_current_a(self.profile)]
        if len(loaded):
            self._quiet_since_s = None
        if self._quiet_since_s is None and (not len(loaded) or loaded[-1] < known[-1]):
            self._quiet_since_s = float(time_s[loaded[-1] + 1 if len(loaded) else known[0]])

    def take_alarm(self, alarm: Alarm, active: bool) -> None:
        """An alarm of the board began or ended."""
        key = (alarm.kind, alarm.group)
        if active:
            self._board_alarms[key] = replace(alarm, by_board=True)
        else:
            self._board_alarms.pop(key, None)

    @property
    def volts_v(self) -> F32:
        """(g,) of the latest scan; empty before the first."""
        return self.history.volts_v[-1] if self.history and self.history.size else np.zeros(0, np.float32)

    @property
    def pack_v(self) -> float | None:
        """Sum of the groups, None unless every group has a reading."""
        volts = self.volts_v
        return float(volts.sum()) if len(volts) and np.isfinite(volts).all() else None

    @property
    def spread_mv(self) -> float | None:
        """Highest minus lowest group of the latest scan."""
        known = self.volts_v[np.isfinite(self.volts_v)]
        return float(known.max() - known.min()) * 1000 if len(known) else None

    @property
    def alarms(self) -> list[Alarm]:
        """The board's, and readings of the latest scan beyond a limit; worst first."""
        out = list(self._board_alarms.values())
        told = {(a.kind, a.group) for a in out}
        p = self.profile
        for g, v in enumerate(self.volts_v.tolist(), start=1):
            kind = (
                "reversed" if v < 0 else "below_discard" if v < p.discard_v else "below_empty" if v < p.empty_v
                else "above_ceiling" if v > p.ceiling_v else None
            )  # fmt: skip
            if kind and (kind, g) not in told:
                out.append(Alarm(kind, g, v))
        order = [
            "not_watching", "reversed", "below_discard", "above_ceiling", "ease_off_now", "below_empty", "ease_off",
        ]  # fmt: skip
        return sorted(out, key=lambda a: order.index(a.kind) if a.kind in order else len(order))

    @property
    def leaving(self) -> list[int]:
        """Groups (from 0) clearly off the surface now, farthest first, at most three."""
        if self.history is None or not self.history.size:
            return []
        recent = self.history.departures_mv[self.history.since(10.0)]
        away = np.abs(np.nan_to_num(recent)).mean(axis=0)
        bar = max(3 * float(np.median(away)), _CLEAR_MV)
        return [int(g) for g in np.argsort(-away)[:3] if away[g] > bar]

    def rates_mv_per_min(self) -> F64:
        """(g,) how fast each group moves, straight fit over the last minute; empty while too short."""
        if self.history is None:
            return np.zeros(0)
        pick = self.history.since(_LOOK_S)
        time_s, volts = self.history.time_s[pick], np.nan_to_num(self.history.volts_v[pick])
        if len(time_s) < 5 or time_s[-1] - time_s[0] < _LOOK_S / 4:
            return np.zeros(0)
        t = time_s - time_s.mean()
        return np.asarray(t @ (volts - volts.mean(axis=0)) / (t @ t) * 60_000.0, dtype=np.float64)

    @property
    def phase(self) -> PhaseKind:
        """A kind of phase as it looks from the last minute; "unknown" while that cannot be told."""
        rates = self.rates_mv_per_min()
        if not len(rates) or self.history is None:
            return "unknown"
        middle = float(np.median(rates))
        level = float(np.nanmedian(self.volts_v))
        held = level > self.profile.full_v - 0.06 and abs(middle) < 1.5
        if self.current_a is not None:
            if self.current_a > rest_current_a(self.profile):
                return "charge_cv" if held else "charge_cc"
            if self.current_a < -_RIDE_A:
                return "ride"
            rested = self._quiet_since_s is not None and self.history.time_s[-1] - self._quiet_since_s >= REST_S
            return "rest" if rested else "unknown"
        pick = self.history.since(_LOOK_S)
        restless = float(np.nanstd(np.nanmedian(self.history.volts_v[pick], axis=1)))
        if restless > 0.02 and middle <= 0:
            return "ride"
        return "charge_cv" if held else "charge_cc" if middle > 0.8 else "unknown"

    @property
    def balanced_in_s(self) -> float | None:
        """Time to the target at the pace of the last half hour, in the constant-voltage part; None when not closing."""
        if self.phase != "charge_cv" or self.history is None:
            return None
        pick = self.history.since(_PACE_S)
        time_s, volts = self.history.time_s[pick], self.history.volts_v[pick]
        if time_s[-1] - time_s[0] < 300:
            return None
        step = max(len(time_s) // 300, 1)
        time_s, volts = time_s[::step], volts[::step]
        spread = (np.nanmax(volts, axis=1) - np.nanmin(volts, axis=1)) * 1000.0
        rate, now = np.polyfit(time_s - time_s[-1], spread, 1)
        if now <= self.target_mv:
            return 0.0
        noise = float(np.std(spread - np.polyval((rate, now), time_s - time_s[-1])))
        slope_u = noise / (np.std(time_s) * np.sqrt(len(time_s))) if len(time_s) > 2 else np.inf
        return float((now - self.target_mv) / -rate) if rate < -3 * slope_u and rate < 0 else None

    def _alarming(self, alarms: list[Alarm]) -> Matter:
        if self.trouble:
            return Matter("–", "", self.trouble, alarm=True)
        worst = alarms[0]
        shown = "–" if worst.volts_v is None else f"{worst.volts_v:.2f}"
        return Matter(shown, "" if worst.volts_v is None else "V", worst.words, alarm=True)

    @property
    def matter(self) -> Matter:
        """Alarms first; then what the phase makes people wait for."""
        volts = self.volts_v
        alarms = self.alarms
        if self.trouble or alarms:
            return self._alarming(alarms)
        if not len(volts) or self.spread_mv is None:
            return Matter("–", "", "waiting for the first scan")
        if self.phase == "charge_cc":
            return Matter(f"{np.nanmax(volts):.3f}", "V", f"highest group, ceiling {self.profile.ceiling_v:.2f} V")
        if self.phase == "ride":
            return Matter(f"{np.nanmin(volts):.2f}", "V", f"lowest group, empty at {self.profile.empty_v:.2f} V")
        left = self.balanced_in_s
        if left is not None and 0 < left < 86_400:
            hours, minutes = divmod(round(left / 60), 60)
            return Matter(f"{hours}:{minutes:02d}", "h", f"to {self.target_mv:g} mV spread, at this pace")
        return Matter(f"{self.spread_mv:.1f}", "mV", "spread")

    def facts(self) -> list[tuple[str, str]]:
        """Short lines beside the number."""
        rates = self.rates_mv_per_min()
        slow = fast = "–"
        if len(rates) and self.phase != "ride":  # under a changing load it says nothing
            low, high = int(np.argmin(rates)), int(np.argmax(rates))
            slow, fast = (f"group {g + 1}  {rates[g]:+.1f} mV/min" for g in (low, high))
        left = self.balanced_in_s
        return [
            ("phase", PHASES[self.phase]),
            ("spread", "–" if self.spread_mv is None else f"{self.spread_mv:.1f} mV"),
            ("slowest", slow),
            ("fastest", fast),
            (
                "balanced",
                "–" if left is None else "at the target" if left == 0 else f"in {clock(60 * round(left / 60))}",
            ),
            ("pack", "–" if self.pack_v is None else f"{self.pack_v:.2f} V"),
            ("current", "not measured" if self.current_a is None else f"{self.current_a:+.2f} A"),
        ]
