"""A session: what one recording says, as arrays. The contract between decoding and analysis.

Everything here is immutable; arrays are read-only by convention and shared, never copied without need.
Shapes: n scans, g groups, k temperature channels. Times are seconds since the first scan. Charging current is positive.
A voltage is a number only where `quality` is OK; elsewhere the array holds NaN: misuse cannot pass for a reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from evenstring.board_words import alarm_words, aside_words, health_words

__all__ = ["Correction", "Folded", "Gap", "Health", "Ident", "LinkStats", "Mark", "Meter", "Quality", "Said", "Session"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]


_NO_PLACE = 255


class Quality(IntEnum):
    """What a reading is worth."""

    OK = 0
    NO_READING = 1
    OVER_POSITIVE = 2  # beyond the range: at least its end
    OVER_NEGATIVE = 3
    LEAD_OPEN = 4


@dataclass(frozen=True, slots=True)
class Ident:
    """Who made the frames, from the latest IDENT message; defaults where none was seen."""

    schema: int = 1
    groups: int = 0
    front_end: str = "unknown"
    board_id: str = ""
    string_name: str = ""
    firmware: str = ""
    runtime: str = ""
    boot_count: int = 0
    reset_reason: str = "unknown"
    scan_ms: int = 0
    record_room_h: float | None = None  # how long a recording the board's own memory holds in all
    record_free_h: float | None = None  # of it, before the oldest is overwritten
    record_basis: str = "none"  # none, assumed, measured
    draw_awake_mah: int | None = None  # taken from the pack in 30 days while never asleep; 0: a supply of its own
    draw_asleep_mah: int | None = None  # while it sleeps between scans
    draw_parked_mah: int | None = None  # while it is off and looks from time to time

    @property
    def draw_words(self) -> str:
        """What the board takes from the pack in a month, in words; empty when it does not say."""
        awake, asleep, parked = self.draw_awake_mah, self.draw_asleep_mah, self.draw_parked_mah
        if awake is None or asleep is None or parked is None:
            return ""
        if not awake and not asleep and not parked:
            return "nothing: it has a supply of its own"
        return f"{awake} mAh in 30 days awake, {asleep} asleep between scans, {parked} parked (computed, not measured)"

    @property
    def memory_words(self) -> str:
        """What the board's own memory holds, in words; empty when it records nothing by itself or does not say."""
        if self.record_room_h is None or self.record_free_h is None or self.record_basis == "none":
            return ""
        basis = "as measured" if self.record_basis == "measured" else "at 5 bits a reading, before any measure"
        return (
            f"room for {self.record_room_h:.1f} h of recording, {self.record_free_h:.1f} h before the oldest is"
            f" overwritten ({basis})"
        )


@dataclass(frozen=True, slots=True)
class Correction:
    """The calibration that the board said to be in force from `time_s` on: (reading + offset) x (1 + gain)."""

    time_s: float
    source: str  # none, description, command
    second_copy: bool  # the main copy was lost; this is the other one
    found: datetime | None  # when it was found
    offset_uv: tuple[int, ...]
    gain_ppm: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Meter:
    """Standard uncertainties of the instrument (k = 1). None: the instrument did not state it."""

    resolution_v: float = 200e-6
    noise_v: float | None = None  # one reading against the next, same channel
    channel_u_v: float | None = None  # one channel against another, constant in time
    gain_u: float | None = None  # common to all channels, relative: cancels in the spread


@dataclass(frozen=True, slots=True)
class LinkStats:
    """What happened to the bytes on their way. Counted, shown, never hidden."""

    bytes_total: int = 0
    frames_good: int = 0
    frames_damaged: int = 0
    frames_lost: int = 0  # gaps in the sequence numbers
    frames_unknown: int = 0  # types this version does not know
    tail_bytes: int = 0  # after the last delimiter: a torn frame
    cut_on_joining: int = 0  # of the damaged: the end of a frame, met by joining a board that was sending
    console_pieces: int = 0  # what an interpreter printed between frames: no damage
    console_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """A note, a change of connection or a program's signature, at a time of the session."""

    time_s: float
    kind: str  # note, link, source, time, button
    text: str


@dataclass(frozen=True, slots=True)
class Health:
    """What the board said of itself from `time_s` on, in names of the protocol; only where it changed."""

    time_s: float
    state: str  # idle, scanning, fault, maintenance
    fault: str  # the latest one
    where: int | None  # group, tap or part that the fault is about

    @property
    def words(self) -> str:
        """Fault, place and what to do, while the board does not measure; else empty."""
        return health_words(self.state, self.fault, _NO_PLACE if self.where is None else self.where)

    @property
    def aside(self) -> str:
        """What is wrong with a board that measures all the same, and what to do; else empty."""
        return aside_words(self.state, self.fault)


@dataclass(frozen=True, slots=True)
class Said:
    """A warning of the board that began or ended."""

    time_s: float
    kind: str  # an alarm of the protocol
    place: int  # group, or sense lead; 0: the whole board
    began: bool
    value_v: float | None  # the reading, or the voltage foreseen; None where it is no voltage

    @property
    def words(self) -> str:
        """What it says, with its place."""
        return alarm_words(self.kind, self.place)


@dataclass(frozen=True, slots=True)
class Gap:
    """Time in which nothing was measured."""

    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Folded:
    """Of a recording so long that each row of its session stands for several scans: what the means do not hold.

    Attributes:
        scans: so many were read.
        each: of them in a row at most.
        interval_s: from scan to scan, as they were read.
        lowest_v, highest_v: (n, g) single readings within each row; NaN where none.
        low_gap_mv, high_gap_mv: (n, g) from these to the next reading, rounded up; 255: that much or more, or none.
    """

    scans: int
    each: int
    interval_s: float
    lowest_v: F32
    highest_v: F32
    low_gap_mv: U8
    high_gap_mv: U8


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Session:
    """Arrays of one recording.

    Attributes:
        time_s: (n,) instant of the middle of each scan, rising.
        volts_v: (n, g) mean of the passes; NaN where quality is not OK.
        quality: (n, g) `Quality` codes.
        span_s: (n,) time from the first to the last reading of the scan; 0 when all groups are read at one instant.
        out_back_v: (n, g) out minus back reading, or None with one pass: how much a group moved within the scan.
        current_a: (n,) mean current of the scan, NaN where not measured, or None without a sensor.
        current_out_a, current_back_a: (n, g) current at each group's own reading, or None.
        out_offset_s, back_offset_s: (n, g) or (g,) instants of the readings relative to time_s, or None.
        pack_v: (n, p) whole-pack voltage samples of the scan, or None.
        temps_c: (n, k) temperatures, or None.
        folded: where each row stands for several scans; None where it is one, which is the usual case.
        start: wall-clock time of time 0, or None when the recording has none.
    """

    time_s: F64
    volts_v: F32
    quality: U8
    span_s: F32
    out_back_v: F32 | None = None
    current_a: F32 | None = None
    current_out_a: F32 | None = None
    current_back_a: F32 | None = None
    out_offset_s: F32 | None = None
    back_offset_s: F32 | None = None
    pack_v: F32 | None = None
    temps_c: F32 | None = None
    folded: Folded | None = None
    start: datetime | None = None
    ident: Ident = field(default_factory=Ident)
    meter: Meter = field(default_factory=Meter)
    link: LinkStats = field(default_factory=LinkStats)
    marks: tuple[Mark, ...] = ()
    gaps: tuple[Gap, ...] = ()
    pack_toml: str | None = None  # the profile carried by the recording itself
    job_toml: str | None = None  # the job that it belongs to, carried likewise
    health: tuple[Health, ...] = ()  # in order of time; one that repeats the one before is left out
    said: tuple[Said, ...] = ()  # warnings of the board, in order of time
    corrections: tuple[Correction, ...] = ()  # in order of time; one that repeats the one before is left out

    def __repr__(self) -> str:
        """One short line: a notebook shows it, and thousands of numbers say less."""
        when = "" if self.start is None else f", from {self.start:%Y-%m-%d %H:%M} UTC"
        current = "with current" if self.has_current else "without current"
        hours = self.duration_s / 3600.0
        return f"<Session: {self.scans_read} scans of {self.groups} groups over {hours:.2f} h, {current}{when}>"

    @property
    def scans(self) -> int:
        """Number of scans, n."""
        return int(self.volts_v.shape[0])

    @property
    def scans_read(self) -> int:
        """Number of scans that the recording holds; more than n where neighbours were taken together."""
        return self.scans if self.folded is None else self.folded.scans

    @property
    def groups(self) -> int:
        """Number of groups, g."""
        return int(self.volts_v.shape[1])

    @property
    def duration_s(self) -> float:
        """From the first to the last scan; 0 for an empty session."""
        return float(self.time_s[-1] - self.time_s[0]) if self.scans else 0.0

    @property
    def has_current(self) -> bool:
        """Whether any current was measured."""
        return self.current_a is not None and bool(np.isfinite(self.current_a).any())
