"""Decoded frames to a Session: one time axis, volts with a quality each, and what is known of the instrument.

A recording may hold several runs of a board (resets, files put one after another): `run_times` places them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.io.blocks.scan_block import ScanBlock
from evenstring.io.run_times import Runs, place_runs
from evenstring.session import Correction, Folded, Gap, Health, Ident, LinkStats, Mark, Meter, Said, Session
from evenstring.wire.structs import Frame
from evenstring.wire.table import load_table

__all__ = ["Folding", "assemble", "correction_of", "health_of", "ident_of", "in_order"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_GAP_FACTOR = 5  # an interval this many times its neighbours, and over 5 s, is a gap
_GAP_S = 5.0
_BUSY_FACTOR = 1.25  # where the board says that it missed time and the scans still keep their pace, nothing is missing


@dataclass(frozen=True, slots=True)
class Folding:
    """How scans were taken together before they came here: so many, at most so many a row, so far apart."""

    scans: int
    each: int
    interval_s: float


def assemble(
    scans: ScanBlock, frames: Sequence[Frame], link: LinkStats, where: str, folding: Folding | None = None
) -> Session:
    """Make a Session.

    Args:
        scans: of one size, in any order; the session takes its arrays from them.
        frames: the other frames, in stream order.
        link: counts of the decoder.
        where: name of the recording, for messages.
        folding: where rows stand for several scans.

    Raises:
        InputError: frames of a schema that this version does not know.
    """
    _refuse_new_schema(frames, where)
    scans = in_order(scans)
    ordinals = scans.ordinals
    runs = place_runs(ordinals, scans.uptime_ms, frames)
    time_s = (runs.time_ms + scans.span_s * 500.0) / 1000.0
    if len(time_s):
        time_s = time_s - time_s[0]
    out_offset_s, back_offset_s = _offsets(scans)
    ident, meter = _identity(frames)
    return Session(
        time_s=time_s,
        link=link,
        ident=ident,
        meter=meter,
        start=None if runs.wall_ms is None else datetime.fromtimestamp(runs.wall_ms / 1000.0, UTC),
        gaps=_gaps(time_s, scans.gap_before, scans.quiet, runs),
        marks=(*_marks(frames, ordinals, time_s), *runs.clock_notes, *_said_of(folding)),
        pack_toml=_last(frames, "MARK_PACK", "toml"),
        job_toml=_last(frames, "MARK_JOB", "toml"),
        health=_health(frames, ordinals, time_s),
        said=_said(frames, ordinals, time_s),
        corrections=_corrections(frames, ordinals, time_s),
        volts_v=scans.volts_v,
        quality=scans.quality,
        span_s=scans.span_s,
        out_back_v=scans.out_back_v,
        current_a=scans.current_a,
        current_out_a=scans.current_out_a,
        current_back_a=scans.current_back_a,
        out_offset_s=out_offset_s,
        back_offset_s=back_offset_s,
        pack_v=scans.pack_v,
        temps_c=scans.temps_c,
        folded=_folded(scans, folding),
    )


def _said_of(folding: Folding | None) -> tuple[Mark, ...]:
    """What the page says of a recording that was too long to be held whole."""
    if folding is None:
        return ()
    text = (
        f"{folding.scans:,} scans are more than are held at once: up to {folding.each} neighbours are one row, their"
        f" mean ({folding.interval_s * folding.each:.3g} s); lowest and highest readings are kept for the limits,"
        " single readings of 0 V among them count as not read"
    )
    return (Mark(0.0, "reduced", text),)


def _refuse_new_schema(frames: Sequence[Frame], where: str) -> None:
    """A schema rises only where an old reader would misread (specification, "Growth")."""
    known = load_table().schema
    newer = {f.values["schema"] for f in frames if f.name == "IDENT" and f.values["schema"] > known}
    if newer:
        raise InputError(
            f"{where}: holds frames of schema {max(newer)}, and this version of evenstring reads schema {known};"
            " nothing in it is lost: take a newer version"
        )


def in_order(scans: ScanBlock) -> ScanBlock:
    """The scans in stream order, where several kinds of messages brought them."""
    if bool((np.diff(scans.ordinals) >= 0).all()):
        return scans
    order = np.argsort(scans.ordinals, kind="stable")
    there = (item.name for item in fields(scans) if getattr(scans, item.name) is not None)
    return ScanBlock(**{name: getattr(scans, name)[order] for name in there})


def _offsets(scans: ScanBlock) -> tuple[F32 | None, F32 | None]:
    """Instants of the readings relative to the middle: one row when all scans are alike, as usual; None of no pass."""
    if not scans.step_s.any():
        return None, None
    parts = (scans.step_s, scans.turn_s, scans.span_s)
    step, turn, span = (a[:1] if all((b == b[0]).all() for b in parts) else a for a in parts)
    groups = scans.volts_v.shape[1]
    place = np.arange(groups, dtype=np.float32)
    middle = (span / np.float32(2))[:, None]
    out = step[:, None] * place - middle
    back = step[:, None] * (np.float32(2 * (groups - 1)) - place) + turn[:, None] - middle
    if len(out) == 1:
        out, back = out[0], back[0]
    return out, back if scans.out_back_v is not None else None


def _folded(scans: ScanBlock, folding: Folding | None) -> Folded | None:
    """What the rows do not hold, where they stand for several scans."""
    if folding is None or scans.lowest_v is None or scans.highest_v is None:
        return None
    assert scans.low_gap_mv is not None  # noqa: S101  # the four come together
    assert scans.high_gap_mv is not None  # noqa: S101
    kept = (scans.lowest_v, scans.highest_v, scans.low_gap_mv, scans.high_gap_mv)
    return Folded(folding.scans, folding.each, folding.interval_s, *kept)


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
