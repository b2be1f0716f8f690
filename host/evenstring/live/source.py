"""Where the live view's scans come from: a serial port, or a recording played back."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import EvenstringError
from evenstring.io.assemble import health_of
from evenstring.io.capture import CaptureOptions, Status, capture
from evenstring.io.recorder import Forwarder, RecordingWriter
from evenstring.io.scan_volts import scan_currents, scan_volts
from evenstring.live.state import Alarm, Link, LiveState
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.wire.stream import Batch, ScanRows, StreamDecoder
from evenstring.wire.table import load_table

__all__ = ["PortSource", "ReplaySource", "scans_of"]

F32 = NDArray[np.float32]
_SPEEDS = (1, 2, 5, 10, 30, 60, 120, 300, 600)


def scans_of(block: ScanRows) -> tuple[NDArray[np.float64], F32, F32 | None]:
    """Scans as instants in s of board time, volts (k, g) with NaN for no reading, and mean currents in A."""
    rows = block.rows
    currents = scan_currents(rows)
    return (
        rows["uptime_ms"].astype(np.float64) / 1000.0,
        scan_volts(rows, block.step_uv).volts_v,
        None if currents is None else currents[1],
    )


def _alarm_of(values: dict[str, Any]) -> tuple[Alarm, bool]:
    names = {number: name for name, number in load_table().enums["alarm"].items()}
    kind = names.get(values["alarm"], f"alarm {values['alarm']}")
    steps = values["extreme"]
    is_voltage = (
        kind not in ("hot", "cold_charge", "ntc_open", "not_watching", "bad_contact", "lead_order")
        and -32766 < steps < 32767
    )
    volts = steps * load_table().reading_step_uv * 1e-6 if is_voltage else None
    return Alarm(kind, values["place"], volts, by_board=True), bool(values["active"] >> values["alarm"] & 1)


class _Listening:
    """Stands where a recording's writer stands when nothing is to be recorded."""

    def __init__(self) -> None:
        self.decoder = StreamDecoder()
        self.bytes_written = 0

    def take(self, data: bytes) -> Batch:
        return self.decoder.feed(data)

    def mark(self, name: str, **values: Any) -> None:
        """Nothing to mark."""

    def cut(self) -> None:
        self.decoder.feed(b"\0")

    def close(self) -> None:
        """Nothing is open."""


class PortSource:
    """Reads a port in a thread of its own; `apply` moves what came into the state, in the thread of the view.

    Args:
        port: any pyserial name or URL.
        output: recording to make meanwhile, or None.
        profile: stored in the recording.
    """

    is_replay = False

    def __init__(self, port: str, output: Path | None = None, profile: PackProfile | None = None) -> None:
        self.name = port
        self.string_name = ""  # from IDENT
        self.output = output
        self.error: EvenstringError | None = None
        self._batches: deque[Batch] = deque()
        self._status: Status | None = None
        self._stopping = threading.Event()
        self._profile = profile
        self._wake: Callable[[], None] = lambda: None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self, wake: Callable[[], None]) -> None:
        """Begin; `wake` is called from the reading thread whenever something came."""
        self._wake = wake
        self._thread.start()

    def stop(self) -> None:
        """End the recording cleanly."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=3.0)

    def apply(self, state: LiveState) -> bool:
        """Move what came into `state`; whether anything did."""
        moved = False
        while self._batches:
            batch = self._batches.popleft()
            for frame in batch.frames:
                if frame.name == "IDENT":
                    self.string_name = str(frame.values["string_name"])
                if frame.name == "HEALTH":
                    health = health_of(frame.values)
                    state.trouble = health.words
                    for kind in ("memory", "settle"):
                        state.take_alarm(Alarm(kind, 0), bool(health.aside) and health.fault == kind)
                if frame.name == "ALARM":
                    state.take_alarm(*_alarm_of(frame.values))
            for block in batch.scans:
                state.take(*scans_of(block))
            moved = True
        if self._status:
            s = self._status
            state.link = Link(s.state, s.scans, s.scans_per_s, s.frames_damaged - s.cut_on_joining, s.frames_lost)
        return moved

    @property
    def recording(self) -> str:
        """What is being written where, in words."""
        ident = None if self._status is None else self._status.ident
        free_h = None if ident is None or not ident.memory_words else ident.record_free_h
        own = "" if free_h is None else f", {free_h:.1f} h free on the board"
        if self.output is None:
            return "not recording" + own
        written = 0 if self._status is None else self._status.bytes_written
        return f"{written / 1000:,.0f} kB to {self.output.name}{own}"

    def _run(self) -> None:
        try:
            writer = RecordingWriter(self.output) if self.output else cast("RecordingWriter", _Listening())
            tap = cast("RecordingWriter", Forwarder(writer, self._arrived))  # it has all that `capture` uses
            capture(self.name, tap, CaptureOptions(profile=self._profile), self._show, self._stopping.is_set)
        except EvenstringError as error:
            self.error = error
        self._wake()

    def _arrived(self, batch: Batch) -> None:
        self._batches.append(batch)
        self._wake()

    def _show(self, status: Status) -> None:
        self._status = status
        self._wake()


class ReplaySource:
    """Plays a session back at a speed, from any instant.

    Attributes:
        at_s: instant shown, in the session's own time.
        speed: seconds of the session in one second.
        playing: False while held.
    """

    is_replay = True
    error = None
    recording = "playing back"

    def __init__(self, session: Session, name: str, speed: float = 1.0) -> None:
        self.session, self.name, self.speed = session, name, float(speed)
        self.string_name = session.ident.string_name
        self.at_s = 0.0
        self.playing = True
        self._next = 0
        self._last_s = time.monotonic()

    def start(self, wake: Callable[[], None]) -> None:
        """Nothing runs by itself: the view calls `apply`."""
        self._last_s = time.monotonic()
        wake()

    def stop(self) -> None:
        """Nothing to end."""

    def apply(self, state: LiveState) -> bool:
        """Move the scans that have become due into `state`."""
        now_s = time.monotonic()
        if self.playing:
            self.at_s = min(self.at_s + (now_s - self._last_s) * self.speed, self.session.duration_s)
        self._last_s = now_s
        due = int(np.searchsorted(self.session.time_s, self.at_s + 1e-9, side="right"))
        fresh = slice(self._next, due)
        current = self.session.current_a
        state.take(self.session.time_s[fresh], self.session.volts_v[fresh], None if current is None else current[fresh])
        link = self.session.link
        self._tell(state)
        state.link = Link("replay", due, self._rate(due), link.frames_damaged - link.cut_on_joining, link.frames_lost)
        moved, self._next = due > self._next, due
        return moved

    def _tell(self, state: LiveState) -> None:
        """What the board said up to here: its own state, and what it warns of."""
        health = [h for h in self.session.health if h.time_s <= self.at_s]
        state.trouble = health[-1].words if health else ""
        for said in self.session.said:
            if said.time_s <= self.at_s:
                state.take_alarm(Alarm(said.kind, said.place, said.value_v, by_board=True), said.began)

    def seek(self, seconds: float, state: LiveState) -> None:
        """Go to an instant; the history before it is there at once."""
        self.at_s = float(np.clip(seconds, 0.0, self.session.duration_s))
        state.forget()
        self._next = 0
        self._last_s = time.monotonic()
        self.apply(state)

    def faster(self, up: bool) -> None:
        """The next higher or lower speed."""
        beyond = [s for s in _SPEEDS if (s > self.speed if up else s < self.speed)]
        if beyond:
            self.speed = float(beyond[0] if up else beyond[-1])

    def _rate(self, due: int) -> float:
        time_s = self.session.time_s[max(due - 20, 0) : due]
        return (
            float((len(time_s) - 1) / (time_s[-1] - time_s[0])) if len(time_s) > 1 and time_s[-1] > time_s[0] else 0.0
        )
