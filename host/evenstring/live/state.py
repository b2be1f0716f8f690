"""What a glance needs, worked out from scans as they come. No I/O and no clock of its own: time is handed in.

Phase and time to balanced are what the report's own code says of the scans so far (`told`); the rest are quick looks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Balancing, PhaseKind
from evenstring.board_words import alarm_words
from evenstring.live.history import History
from evenstring.live.told import Told
from evenstring.profile import PackProfile
from evenstring.report.drawing.axis import clock
from evenstring.report.sections.balancing import remaining_time
from evenstring.report.words import EVENTS, PHASES

__all__ = ["Alarm", "Link", "LiveState", "Matter"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_LOOK_S = 60.0  # for slopes
_LOOK_SCANS = 6  # or so many scans where these are slow
_SILENT_S, _SILENT_SCANS = 3.0, 2.5  # without a scan for longer, in seconds and in usual intervals: silent
_NO_HEALTH_S = 25.0  # a board that does not measure says so every 10 s: two missed are silence
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

    def __init__(
        self,
        profile: PackProfile | None = None,
        target_mv: float = 10.0,
        clock_s: Callable[[], float] | None = None,
    ) -> None:
        self.profile = profile or PackProfile(groups=0)
        self.target_mv = target_mv
        self.history: History | None = None
        self.link = Link()
        self.current_a: float | None = None
        self.trouble = ""  # the board does not measure: fault, place, what to do
        self.silent_s: float | None = None  # how long a live board has said nothing; None: it speaks
        self._board_alarms: dict[tuple[str, int], Alarm] = {}
        self._clock_s = clock_s
        self._told = Told(clock_s)

    def forget(self) -> None:
        """Drop all scans and alarms: another board, or a jump in a replay."""
        self.history, self.current_a, self._told = None, None, Told(self._clock_s)
        self.trouble = ""
        self._board_alarms.clear()

    def take(self, time_s: F64, volts_v: F32, current_a: F32 | None = None) -> None:
        """Take scans in order: instants (k,), volts (k, g) with NaN for no reading, mean currents (k,) or None."""
        if not len(time_s):
            return
        if self.history is None or self.history.groups != volts_v.shape[1]:
            self.history, self._told = History(volts_v.shape[1]), Told(self._clock_s)
        if self.history.size and time_s[0] < self.history.time_s[-1]:
            self.history, self._told = History(volts_v.shape[1]), Told(self._clock_s)  # the board began anew
        self.history.add(time_s, volts_v)
        self._told.add(time_s, volts_v, current_a)
        known = np.flatnonzero(np.isfinite(current_a)) if current_a is not None else np.zeros(0, np.int64)
        self.current_a = None if current_a is None or not len(known) else float(current_a[known[-1]])

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
        pick = self.history.since(max(_LOOK_S, _LOOK_SCANS * self.usual_interval_s))
        time_s, volts = self.history.time_s[pick], np.nan_to_num(self.history.volts_v[pick])
        if len(time_s) < 5 or time_s[-1] - time_s[0] < _LOOK_S / 4:
            return np.zeros(0)
        t = time_s - time_s.mean()
        return np.asarray(t @ (volts - volts.mean(axis=0)) / (t @ t) * 60_000.0, dtype=np.float64)

    @property
    def phase(self) -> PhaseKind:
        """The phase by the report's own code; "unknown" while that cannot tell."""
        return self._told.phase(self.profile)

    @property
    def balancing(self) -> Balancing | None:
        """How balancing goes, by the report's own code; None outside of a constant-voltage part."""
        found = self._told.found(self.profile)
        return found.balancing if found is not None and self.phase == "charge_cv" else None

    @property
    def balanced_in_s(self) -> float | None:
        """Time to balanced; None where it is not known or does not come."""
        return None if self.balancing is None else self.balancing.remaining_s

    @property
    def usual_interval_s(self) -> float:
        """The longest of the last few intervals between scans; 0 before there are two."""
        if self.history is None or self.history.size < 2:
            return 0.0
        return float(np.max(np.diff(self.history.time_s[-_LOOK_SCANS:])))

    def is_silent(self, since_s: float) -> bool:
        """Whether `since_s` with nothing from the board is longer than it leaves between two things that it says."""
        if self.trouble:
            return since_s > _NO_HEALTH_S
        return since_s > max(_SILENT_S, _SILENT_SCANS * self.usual_interval_s)

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
        if self.silent_s is not None:
            return Matter("–", "", f"SILENT for {clock(self.silent_s)}: not watching", alarm=True)
        alarms = self.alarms
        if self.trouble or alarms:
            return self._alarming(alarms)
        if not len(volts) or self.spread_mv is None:
            return Matter("–", "", "waiting for the first scan")
        return self._awaited(volts) or Matter(f"{self.spread_mv:.1f}", "mV", "spread")

    def _awaited(self, volts: F32) -> Matter | None:
        """What this phase makes people wait for."""
        if self.phase == "charge_cc":
            who = f"group {int(np.nanargmax(volts)) + 1} is highest"
            return Matter(f"{np.nanmax(volts):.3f}", "V", f"{who}; ceiling {self.profile.ceiling_v:.2f} V")
        if self.phase == "ride":
            who = f"group {int(np.nanargmin(volts)) + 1} is lowest"
            return Matter(f"{np.nanmin(volts):.2f}", "V", f"{who}; empty at {self.profile.empty_v:.2f} V")
        left = self.balanced_in_s
        if left is not None and 0 < left < 86_400:
            hours, minutes = divmod(round(left / 60), 60)
            return Matter(
                f"{hours}:{minutes:02d}", "h", f"more to {self.target_mv:g} mV spread, if all stays connected"
            )
        return None

    def facts(self) -> list[tuple[str, str]]:
        """Short lines beside the number."""
        rates = self.rates_mv_per_min()
        slow = fast = "–"
        if len(rates) and self.phase != "ride":  # under a changing load it says nothing
            low, high = int(np.argmin(rates)), int(np.argmax(rates))
            slow, fast = (f"group {g + 1}  {rates[g]:+z.1f} mV/min" for g in (low, high))
        balancing = self.balancing
        lines = [
            ("phase", PHASES[self.phase]),
            ("spread", "–" if self.spread_mv is None else f"{self.spread_mv:.1f} mV"),
            ("slowest", slow),
            ("fastest", fast),
            ("balanced", "–" if balancing is None else remaining_time(balancing)),
            ("pack", "–" if self.pack_v is None else f"{self.pack_v:.2f} V"),
            ("current", "not measured" if self.current_a is None else f"{self.current_a:+z.2f} A"),
        ]
        if self.silent_s is None and not self.trouble:
            return lines
        phase = "silent" if self.silent_s is not None else "not measured"
        return [(name, phase if name == "phase" else f"was {value}") for name, value in lines]
