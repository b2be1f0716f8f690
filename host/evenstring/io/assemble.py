"""Decoded frames to a Session: one time axis, volts with a quality each, and what is known of the instrument.

A recording may hold several runs of a board (resets, files put one after another): `run_times` places them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.io.run_times import Runs, place_runs
from evenstring.io.scan_volts import scan_currents, scan_volts
from evenstring.session import Correction, Gap, Health, Ident, LinkStats, Mark, Meter, Said, Session
from evenstring.wire.stream import ScanRows
from evenstring.wire.structs import Frame
from evenstring.wire.table import load_table

__all__ = ["assemble", "correction_of", "health_of", "ident_of"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_GAP_FACTOR = 5  # an interval this many times its neighbours, and over 5 s, is a gap
_GAP_S = 5.0
_BUSY_FACTOR = 1.25  # where the board says that it missed time and the scans still keep their pace, nothing is missing


def assemble(scans: Sequence[ScanRows], frames: Sequence[Frame], link: LinkStats, where: str) -> Session:
    """Make a Session.

    Args:
        scans: blocks of scans from the decoder, in any order.
        frames: the other frames, in stream order.
        link: counts of the decoder.
        where: name of the recording, for messages.

    Raises:
        InputError: scans of different numbers of groups; frames of a schema that this version does not know.
    """
    _refuse_new_schema(frames, where)
    sizes = {int(block.rows["groups"][0]) for block in scans}
    if len(sizes) > 1:
        counts = ", ".join(str(v) for v in sorted(sizes))
        raise InputError(f"{where}: holds scans of {counts} groups; give recordings of one string at a time")
    groups = sizes.pop() if sizes else 0
    order = np.argsort(np.concatenate([b.ordinals for b in scans]), kind="stable") if scans else np.zeros(0, np.int64)
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    arrays = _Arrays(len(order), groups, scans)
    first = 0
    for block in scans:
        arrays.fill(block, place[first : first + len(block.rows)])
        first += len(block.rows)
    ordinals = np.concatenate([b.ordinals for b in scans])[order] if scans else order
    runs = place_runs(ordinals, arrays.uptime_ms, frames)
    time_s = (runs.time_ms + arrays.span_s * 500.0) / 1000.0
    if len(time_s):
        time_s = time_s - time_s[0]
    ident, meter = _identity(frames)
    return Session(
        time_s=time_s,
        link=link,
        ident=ident,
        meter=meter,
        start=None if runs.wall_ms is None else datetime.fromtimestamp(runs.wall_ms / 1000.0, UTC),
        gaps=_gaps(time_s, arrays.gap_before, arrays.quiet, runs),
        marks=(*_marks(frames, ordinals, time_s), *runs.clock_notes),
        pack_toml=_last(frames, "MARK_PACK", "toml"),
        job_toml=_last(frames, "MARK_JOB", "toml"),
        health=_health(frames, ordinals, time_s),
        said=_said(frames, ordinals, time_s),
        corrections=_corrections(frames, ordinals, time_s),
        **arrays.result(),
    )


def _refuse_new_schema(frames: Sequence[Frame], where: str) -> None:
    """A schema rises only where an old reader would misread (specification, "Growth")."""
    known = load_table().schema
    newer = {f.values["schema"] for f in frames if f.name == "IDENT" and f.values["schema"] > known}
    if newer:
        raise InputError(
            f"{where}: holds frames of schema {max(newer)}, and this version of evenstring reads schema {known};"
            " nothing in it is lost: take a newer version"
        )


class _Arrays:
    """Session arrays under construction, filled block by block so that memory stays near the result's own size."""

    def __init__(self, n: int, groups: int, scans: Sequence[ScanRows]) -> None:
        shape = (n, groups)
        heads = [block.rows[0] for block in scans]
        two = any(head["passes"] == 2 for head in heads)
        each = any(head["currents"] > 1 for head in heads)
        self.uptime_ms = np.zeros(n, np.int64)
        self.gap_before = np.zeros(n, np.bool_)
        self.quiet = np.zeros(n, np.bool_)
        self.span_s = np.zeros(n, np.float32)
        self.volts_v = np.full(shape, np.nan, np.float32)
        self.quality = np.zeros(shape, np.uint8)
        self.out_back_v = np.full(shape, np.nan, np.float32) if two else None
        self.step_s = np.zeros(n, np.float32)
        self.turn_s = np.zeros(n, np.float32)
        self.current_a = np.full(n, np.nan, np.float32) if any(h["currents"] for h in heads) else None
        self.current_out_a = np.full(shape, np.nan, np.float32) if each else None
        self.current_back_a = np.full(shape, np.nan, np.float32) if each and two else None
        self.pack_v = self._extra(n, max((int(h["packs"]) for h in heads), default=0))
        self.temps_c = self._extra(n, max((int(h["temps"]) for h in heads), default=0))
        self.groups = groups

    @staticmethod
    def _extra(n: int, columns: int) -> F32 | None:
        return np.full((n, columns), np.nan, np.float32) if columns else None

    def fill(self, block: ScanRows, at: I64) -> None:
        """Store one block of scans of one shape at the given places."""
        rows = block.rows
        flags = load_table().flags["scan"]
        passes = int(rows["passes"][0])
        self.uptime_ms[at] = rows["uptime_ms"]
        self.gap_before[at] = (rows["flags"] & (1 << flags["gap_before"])) > 0
        self.quiet[at] = (rows["flags"] & (1 << flags["quiet"])) > 0
        self.step_s[at] = rows["step_us"] * 1e-6
        self.turn_s[at] = rows["turn_us"] * 1e-6
        steps = (self.groups - 1) * passes
        self.span_s[at] = rows["step_us"] * (steps * 1e-6) + (rows["turn_us"] * 1e-6 if passes == 2 else 0)
        decoded = scan_volts(rows, block.step_uv)
        self.volts_v[at], self.quality[at] = decoded.volts_v, decoded.quality
        if self.out_back_v is not None and decoded.out_back_v is not None:
            self.out_back_v[at] = decoded.out_back_v
        self._fill_extras(rows, at, passes)

    def _fill_extras(self, rows: NDArray[Any], at: I64, passes: int) -> None:
        currents = scan_currents(rows)
        if currents and self.current_a is not None:
            amps, self.current_a[at] = currents
            if amps.shape[1] > 1 and self.current_out_a is not None:
                self.current_out_a[at] = amps[:, : self.groups]
                if passes == 2 and self.current_back_a is not None:
                    self.current_back_a[at] = amps[:, self.groups :]
        if rows["packs"][0] and self.pack_v is not None:
            pack = np.where(rows["pack"] == 65535, np.nan, rows["pack"] * np.float32(0.01))
            self.pack_v[at, : pack.shape[1]] = pack
        if rows["temps"][0] and self.temps_c is not None:
            temps = np.where(rows["temp"] == -32768, np.nan, rows["temp"] * np.float32(0.01))
            self.temps_c[at, : temps.shape[1]] = temps

    def result(self) -> dict[str, Any]:
        """The arrays as keyword arguments of Session."""
        middle = (self.span_s / 2)[:, None]
        place = np.arange(self.groups, dtype=np.float32)[None, :]
        out = self.step_s[:, None] * place - middle
        back = self.step_s[:, None] * (2 * (self.groups - 1) - place) + self.turn_s[:, None] - middle
        timed = bool(self.step_s.any())
        return {
            "volts_v": self.volts_v,
            "quality": self.quality,
            "span_s": self.span_s,
            "out_back_v": self.out_back_v,
            "current_a": self.current_a,
            "current_out_a": self.current_out_a,
            "current_back_a": self.current_back_a,
            "out_offset_s": _if_constant(out) if timed else None,
            "back_offset_s": _if_constant(back) if timed and self.out_back_v is not None else None,
            "pack_v": self.pack_v,
            "temps_c": self.temps_c,
        }


def _if_constant(values: NDArray[Any]) -> F32:
    """One row when all rows are alike, which is the usual case."""
    offsets = values.astype(np.float32)
    return (
        offsets[0] if len(offsets) and np.array_equal(offsets, np.broadcast_to(offsets[0], offsets.shape)) else offsets
    )


def _gaps(time_s: F64, gap_before: NDArray[np.bool_], quiet: NDArray[np.bool_], runs: Runs) -> tuple[Gap, ...]:
    if len(time_s) < 2:
        return ()
    step = np.diff(time_s)
    near = np.maximum(np.concatenate(([step[0]], step[:-1])), np.concatenate((step[1:], [step[-1]])))
    if quiet.any():  # the board says that it waits on purpose: the scans at both ends of such a wait count
        waits = [float(np.median(step[side])) for side in (quiet[1:], quiet[:-1]) if side.any()]
        near = np.where(quiet[1:] | quiet[:-1], np.maximum(near, max(waits, default=0.0)), near)
    long = (step > _GAP_S) & (step > _GAP_FACTOR * np.maximum(near, 1e-3))
    new_run = np.diff(runs.of_scan) > 0
    busy = gap_before[1:] & (step > _BUSY_FACTOR * near)
    gaps = []
    for k in np.flatnonzero(long | new_run | busy):
        why = "nothing received"
        if new_run[k]:
            why = (
                "board restarted" if k + 1 not in runs.unknown_gaps else "board restarted; length of the gap not known"
            )
        elif busy[k]:
            why = "the board was busy"
        gaps.append(Gap(float(time_s[k]), float(time_s[k + 1]), why))
    return tuple(gaps)


def _when_s(frame: Frame, ordinals: I64, time_s: F64) -> float:
    """Time of the scan before a frame; of the first one where there is none before."""
    return float(time_s[max(int(np.searchsorted(ordinals, frame.ordinal)) - 1, 0)]) if len(time_s) else 0.0


def _corrections(frames: Sequence[Frame], ordinals: I64, time_s: F64) -> tuple[Correction, ...]:
    found: list[Correction] = []
    last: dict[str, Any] = {}
    for frame in frames:
        if frame.name == "CALIBRATION" and frame.values != last:
            last = frame.values
            found.append(correction_of(last, _when_s(frame, ordinals, time_s)))
    return tuple(found)


def _health(frames: Sequence[Frame], ordinals: I64, time_s: F64) -> tuple[Health, ...]:
    found: list[Health] = []
    for frame in frames:
        if frame.name == "HEALTH":
            now = health_of(frame.values, _when_s(frame, ordinals, time_s))
            if not found or (now.state, now.fault, now.where) != (found[-1].state, found[-1].fault, found[-1].where):
                found.append(now)
    return tuple(found)


def health_of(values: dict[str, Any], time_s: float = 0.0) -> Health:
    """What the board said of itself, from the values of a HEALTH."""
    enums, where = load_table().enums, values["fault_where"]
    fault = _name(enums["fault"], values["fault"])
    return Health(time_s, _name(enums["state"], values["state"]), fault, None if where == 255 else where)


_NO_VOLTS = frozenset({"hot", "cold_charge", "ntc_open", "not_watching", "bad_contact", "lead_order"})


def _said(frames: Sequence[Frame], ordinals: I64, time_s: F64) -> tuple[Said, ...]:
    """Raised and cleared only: what was told again or silenced changes nothing."""
    table = load_table()
    found = []
    for frame in frames:
        if frame.name == "ALARM" and frame.values["change"] in (0, 1):
            kind, steps = _name(table.enums["alarm"], frame.values["alarm"]), frame.values["value"]
            is_volts = kind not in _NO_VOLTS and -32766 < steps < 32767
            when = _when_s(frame, ordinals, time_s)
            value_v = steps * table.reading_step_uv * 1e-6 if is_volts else None
            found.append(Said(when, kind, frame.values["place"], frame.values["change"] == 0, value_v))
    return tuple(found)


def correction_of(values: dict[str, Any], time_s: float = 0.0) -> Correction:
    """A calibration, from the values of a CALIBRATION."""
    table = load_table()
    return Correction(
        time_s=time_s,
        source=_name(table.enums["calibration_source"], values["source"]),
        second_copy=bool(values["copies"] >> table.flags["calibration"]["main_bad"] & 1),
        found=datetime.fromtimestamp(values["unix_s"], UTC) if values["unix_s"] else None,
        offset_uv=values["offset_uv"],
        gain_ppm=values["gain_ppm"],
    )


def _marks(frames: Sequence[Frame], ordinals: I64, time_s: F64) -> tuple[Mark, ...]:
    marks = []
    for frame in frames:
        when = _when_s(frame, ordinals, time_s)
        if frame.name == "MARK_NOTE":
            marks.append(Mark(when, "note", frame.values["text"]))
        elif frame.name == "MARK_SOURCE":
            marks.append(Mark(when, "source", frame.values["text"]))
        elif frame.name == "PRESS" and frame.values["what"] == load_table().enums["press"]["mark"]:
            marks.append(Mark(when, "button", f"mark {frame.values['count']} of the rider"))
        elif frame.name == "MARK_LINK":
            names = {v: k for k, v in load_table().enums["link_event"].items()}
            event = names.get(frame.values["event"], "changed")
            marks.append(Mark(when, "link", f"{event} {frame.values['port']}"))
    return tuple(marks)


def _last(frames: Sequence[Frame], name: str, key: str) -> str | None:
    for frame in reversed(frames):
        if frame.name == name:
            return str(frame.values[key])
    return None


def _identity(frames: Sequence[Frame]) -> tuple[Ident, Meter]:
    latest = next((f for f in reversed(frames) if f.name == "IDENT"), None)
    if latest is None:
        return Ident(), Meter()
    v = latest.values
    known = {k: (None if v[k] == 65535 else v[k] * 1e-6) for k in ("noise_uv", "channel_u_uv", "gain_u_ppm")}
    meter = Meter(v["reading_step_uv"] * 1e-6, known["noise_uv"], known["channel_u_uv"], known["gain_u_ppm"])
    return ident_of(v), meter


def ident_of(values: dict[str, Any]) -> Ident:
    """Who made the frames, from the values of an IDENT."""
    enums = load_table().enums
    same = ("schema", "groups", "board_id", "string_name", "firmware", "runtime", "boot_count", "scan_ms")
    return Ident(
        **{name: values[name] for name in same},
        front_end=_name(enums["front_end"], values["front_end"]),
        reset_reason=_name(enums["reset_reason"], values["reset_reason"]),
        record_room_h=_tenths(values.get("record_room")),
        record_free_h=_tenths(values.get("record_free")),
        record_basis=_name(enums["record_basis"], values.get("record_basis", 0)),
        draw_awake_mah=_known(values.get("draw_awake")),
        draw_asleep_mah=_known(values.get("draw_asleep")),
        draw_parked_mah=_known(values.get("draw_parked")),
    )


def _known(value: int | None) -> int | None:
    return None if value == 65535 else value


def _tenths(value: int | None) -> float | None:
    return None if value in (None, 65535) else value / 10


def _name(values: dict[str, int], number: int) -> str:
    return next((k for k, v in values.items() if v == number), "unknown")
