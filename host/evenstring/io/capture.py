"""The loop between a serial port and a recording: open, start the board, take bytes, survive a lost line."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenstring.errors import DeviceError, EvenstringError, InputError
from evenstring.io.assemble import health_of, ident_of
from evenstring.io.port import PORT_ERRORS, open_port, read_some
from evenstring.io.recorder import Forwarder, RecordingWriter
from evenstring.io.scan_volts import scan_volts
from evenstring.profile import PackProfile, to_toml
from evenstring.session import Ident
from evenstring.text import utf8_cut
from evenstring.wire.encode import Counter, first_message, message_of
from evenstring.wire.stream import Batch
from evenstring.wire.table import load_table

__all__ = ["CaptureOptions", "Status", "capture"]

_STATUS_S = 0.2
_TIME_MARK_S = 60.0
_REPLY_S = 1.0  # wait for a reply before asking again
_TRIES = 5
_NO_SCAN_S = 5.0  # after the last command was answered, or given up, without a scan since: the board is started again
_NOTE, _PORT = 1000, 200  # bytes: a note fits into a frame, a port's name into its field; our choice
_RETRY_S = (0.2, 0.5, 1.0, 2.0)  # pauses between attempts to reopen; the last one repeats


@dataclass(frozen=True, slots=True)
class CaptureOptions:
    """What to ask of the board, and when to end."""

    interval_ms: int = 0
    quiet_interval_ms: int = 0
    seconds: float | None = None
    until_closed: bool = False  # end when the port closes, instead of waiting for it to come back
    profile: PackProfile | None = None
    note: str | None = None
    job_toml: str | None = None
    source: str | None = None  # who made this recording and from what, where it is not a plain recording of a port
    real_time: bool = True  # False: the board's time runs faster than the clock; only the beginning is marked


@dataclass(frozen=True, slots=True)
class Status:
    """What is being received, for whoever shows it."""

    state: str  # connecting, starting, receiving, silent, lost
    groups: int
    scans: int
    scans_per_s: float
    spread_mv: float | None
    frames_damaged: int
    frames_lost: int
    bytes_written: int
    elapsed_s: float
    uptime_ms: int
    console_pieces: int = 0
    ident: Ident | None = None  # the latest
    cut_on_joining: int = 0  # of the damaged, see StreamDecoder
    trouble: str = ""  # the board says that it does not measure: fault, place, what to do
    reset_by_opening: bool = False  # the board restarted as the port was opened


def capture(
    port: str,
    writer: RecordingWriter | Forwarder,
    options: CaptureOptions,
    show: Callable[[Status], None] = lambda _status: None,
    stop: Callable[[], bool] = lambda: False,
) -> None:
    """Record from a port until it is time to stop.

    Args:
        port: any pyserial name or URL.
        writer: where the bytes go.
        options: pace, duration, profile, note.
        show: called a few times a second.
        stop: asked between reads.

    Raises:
        DeviceError: the port cannot be opened at the start.
        InputError: the disk is full.
    """
    _Capture(port, writer, options, show, stop).run()


class _Capture:
    def __init__(
        self,
        port: str,
        writer: RecordingWriter | Forwarder,
        options: CaptureOptions,
        show: Callable[[Status], None],
        stop: Callable[[], bool],
    ) -> None:
        self.port, self.writer, self.options, self.show, self.stop = port, writer, options, show, stop
        self.began_s = time.monotonic()
        self.commands = Counter(secrets.randbelow(1 << 16))  # so that the board does not take us for the host before
        self.asked: dict[int, tuple[str, bytes, float, int]] = {}  # seq -> name, frame, when, tries
        self.waiting_s = self.began_s  # since when nothing is left to be answered, and no scan came
        self.state = "connecting"
        self.scans = self.groups = self.uptime_ms = 0
        self.spread_mv: float | None = None
        self.ident: Ident | None = None
        self.trouble = ""
        self.spoken = False  # until the board has spoken since the port was opened, nothing may interrupt its start
        self.opened_s = self.began_s
        self.reset_by_opening = False
        self.window: list[tuple[float, int]] = []
        self.shown_s = 0.0
        self.time_marked_s = -_TIME_MARK_S
        self.first_scan_marked = False

    def run(self) -> None:
        line = open_port(self.port)
        try:
            self.began()
            line = self.listen(line)
        except BaseException:
            with suppress(EvenstringError):  # what went wrong first is what is told
                self.end(line)
            raise
        self.end(line)

    def listen(self, line: Any) -> Any:
        """Take what comes until it is time to stop; gives the line, or None where it is lost."""
        lost = 0
        while not self.done():
            if line is None:
                line = self.reopen(lost)
                lost += 1
                continue
            lost = 0
            try:
                self.ask_again(line)
                data = read_some(line)
            except PORT_ERRORS:
                self.lose(line)
                line = None
                if self.options.until_closed:
                    break
                continue
            self.take(data)
        return line

    def began(self) -> None:
        self.writer.mark("MARK_LINK", event=load_table().enums["link_event"]["opened"], port=utf8_cut(self.port, _PORT))
        if self.options.source:
            self.writer.mark("MARK_SOURCE", text=self.options.source)
        if self.options.profile:
            self.writer.mark("MARK_PACK", toml=to_toml(self.options.profile))
        if self.options.job_toml:
            self.writer.mark("MARK_JOB", toml=self.options.job_toml)
        if self.options.note:
            self.writer.mark("MARK_NOTE", text=utf8_cut(self.options.note, _NOTE))
        self.ask_to_start()

    def ask_to_start(self) -> None:
        self.state = "starting"
        self.waiting_s = time.monotonic()
        self.asked.clear()
        self.ask("IDENTIFY")  # first, since it is all that may be said to a board that has not spoken
        self.ask("SET_TIME", unix_ms=time.time_ns() // 1_000_000)
        self.ask("START", interval_ms=self.options.interval_ms, quiet_interval_ms=self.options.quiet_interval_ms)

    def ask(self, name: str, **values: int) -> None:
        make = first_message if name in ("IDENTIFY", "STOP") and not self.spoken else message_of
        frame = make(name, self.commands, **values)
        self.asked[self.commands.value] = (name, frame, 0.0, 0)

    def ask_again(self, line: Any) -> None:
        """Send the oldest command that has no reply yet; one at a time, so that their order holds."""
        if self.asked:
            self.waiting_s = time.monotonic()
        elif self.state == "starting" and time.monotonic() - self.waiting_s > self.patience_s():
            self.ask_to_start()
        for seq, (name, frame, when_s, tries) in list(self.asked.items())[:1]:
            now_s = time.monotonic()
            if tries and now_s - when_s < _REPLY_S:
                return
            if tries >= _TRIES and self.spoken:
                del self.asked[seq]
                return
            # A lone delimiter first: it ends whatever noise the board has taken for the start of a frame.
            line.write(b"\0" + frame)
            self.asked[seq] = (name, frame, now_s, tries + 1)

    def patience_s(self) -> float:
        return max(_NO_SCAN_S, 2.0 * max(self.options.interval_ms, self.options.quiet_interval_ms) / 1000.0)

    def take(self, data: bytes) -> None:
        batch = self.writer.take(data)
        now_s = time.monotonic()
        self.look(batch, now_s)
        due = self.options.real_time and now_s - self.time_marked_s >= _TIME_MARK_S
        if due or (self.scans and not self.first_scan_marked):
            self.first_scan_marked = self.scans > 0
            self.writer.mark("MARK_TIME", unix_ms=time.time_ns() // 1_000_000)
            self.time_marked_s = now_s
        if now_s - self.shown_s >= _STATUS_S:
            self.shown_s = now_s
            self.show(self.status(now_s))

    def look(self, batch: Batch, now_s: float) -> None:
        self.spoken = self.spoken or bool(batch.frames) or bool(batch.scans)
        for frame in batch.frames:
            if frame.name == "HEALTH":
                self.trouble = health_of(frame.values).words
            if frame.name == "REPLY":
                self.asked.pop(frame.values["to_seq"], None)
            elif frame.name == "IDENT":
                before, self.ident = self.ident, ident_of(frame.values)
                if before is None and self.options.real_time and frame.uptime_ms < 1000 * (now_s - self.opened_s):
                    self.reset_by_opening = True
                counted = before is not None and before.boot_count != self.ident.boot_count
                if counted or (self.scans and frame.uptime_ms < self.uptime_ms):
                    self.uptime_ms = frame.uptime_ms
                    self.ask_to_start()  # the board was reset: it waits to be started again
        for block in batch.scans:
            self.state = "receiving"
            self.scans += len(block.rows)
            self.groups = int(block.rows["groups"][-1])
            self.uptime_ms = int(block.rows["uptime_ms"][-1])
            spread_mv = float(scan_volts(block.rows[-1:], block.step_uv).spread_v[0]) * 1000.0
            self.spread_mv = spread_mv if np.isfinite(spread_mv) else None
        if batch.scans:
            self.window.append((now_s, self.scans))
            self.window = [w for w in self.window if now_s - w[0] <= 5.0]
        elif self.state == "receiving" and self.window and now_s - self.window[-1][0] > 15.0:
            self.state = "silent"

    def status(self, now_s: float) -> Status:
        span = self.window[-1][0] - self.window[0][0] if len(self.window) > 1 else 0.0
        rate = (self.window[-1][1] - self.window[0][1]) / span if span > 0 else 0.0
        decoder = self.writer.decoder
        return Status(
            state=self.state,
            groups=self.groups,
            scans=self.scans,
            scans_per_s=rate,
            spread_mv=self.spread_mv,
            frames_damaged=decoder.frames_damaged,
            frames_lost=decoder.frames_lost,
            cut_on_joining=decoder.cut_on_joining,
            bytes_written=self.writer.bytes_written,
            elapsed_s=now_s - self.began_s,
            uptime_ms=self.uptime_ms,
            console_pieces=decoder.console_pieces,
            ident=self.ident,
            trouble=self.trouble,
            reset_by_opening=self.reset_by_opening,
        )

    def lose(self, line: Any) -> None:
        self.state = "lost"
        with suppress(*PORT_ERRORS):  # it is gone already
            line.close()
        self.writer.cut()
        self.writer.mark("MARK_LINK", event=load_table().enums["link_event"]["lost"], port=utf8_cut(self.port, _PORT))
        self.show(self.status(time.monotonic()))

    def reopen(self, attempt: int) -> Any:
        time.sleep(_RETRY_S[min(attempt, len(_RETRY_S) - 1)])
        try:
            line = open_port(self.port)
        except DeviceError:
            self.show(self.status(time.monotonic()))
            return None
        self.writer.mark(
            "MARK_LINK", event=load_table().enums["link_event"]["reopened"], port=utf8_cut(self.port, _PORT)
        )
        self.time_marked_s = -_TIME_MARK_S
        self.spoken, self.opened_s = False, time.monotonic()
        self.ask_to_start()
        return line

    def done(self) -> bool:
        limit = self.options.seconds
        return self.stop() or (limit is not None and time.monotonic() - self.began_s >= limit)

    def end(self, line: Any) -> None:
        """Stop the board, write the closing marks; the relays are open before the recording is closed."""
        if line is not None:
            with suppress(*PORT_ERRORS):  # the recording is what matters
                self.halt(line)
                line.close()
        if self.options.real_time:
            self.writer.mark("MARK_TIME", unix_ms=time.time_ns() // 1_000_000)
        self.writer.mark("MARK_LINK", event=load_table().enums["link_event"]["closed"], port=utf8_cut(self.port, _PORT))
        self.writer.close()
        self.show(self.status(time.monotonic()))

    def halt(self, line: Any) -> None:
        """Send STOP until it is answered; what is still on its way is taken too, unless the disk takes no more."""
        self.asked.clear()
        self.ask("STOP")
        until_s = time.monotonic() + _REPLY_S
        full: InputError | None = None
        while self.asked and time.monotonic() < until_s:
            self.ask_again(line)
            data = read_some(line)
            if full is None:
                try:
                    self.take(data)
                except InputError as error:
                    full = error
        if full:
            raise full
