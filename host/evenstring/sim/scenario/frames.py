"""A simulated session straight to frames: no firmware, no virtual board; for speed."""

from __future__ import annotations

import numpy as np

from evenstring import __version__
from evenstring.session import Correction, Meter, Quality, Session
from evenstring.wire.encode import Counter, ScanValues, hundredths, identity, message, scan_frames, volts_to_steps
from evenstring.wire.table import load_table

__all__ = ["session_frames"]

_STAND_IN_V = {Quality.OVER_POSITIVE: 10.0, Quality.OVER_NEGATIVE: -10.0}  # beyond any range: become over-range codes


def session_frames(session: Session, pack_toml: str, scenario: str) -> bytes:
    """The recording of a simulated session, its pack profile and its origin included."""
    board, marks = Counter(), Counter()
    table = load_table()
    temps = 0 if session.temps_c is None else session.temps_c.shape[1]
    bits = table.flags["measures"]
    measures = (session.current_a is not None) << bits["current"] | (temps > 0) << bits["temperature"]
    measures |= (session.current_out_a is not None) << bits["current_per_reading"]
    head = message("MARK_SOURCE", marks.next(), 0, text=f"evenstring {__version__} simulation {scenario} (invented)")
    head += message("MARK_PACK", marks.next(), 0, toml=pack_toml)
    stated = {
        "noise_uv": _microvolts(session.meter.noise_v),
        "channel_u_uv": _microvolts(session.meter.channel_u_v),
        "gain_u_ppm": _microvolts(session.meter.gain_u),
        "scan_ms": session.ident.scan_ms,
        "string_name": scenario,
    }
    if session.start is not None:
        head += message("MARK_TIME", marks.next(), 0, unix_ms=round(session.start.timestamp() * 1000))
    head += identity(board, session.groups, "simulator", measures=int(measures), temps=temps, **stated)
    head += b"".join(_calibration(c, board, session.meter) for c in session.corrections)
    return head + scan_frames(_scans(session, temps), board)


def _calibration(of: Correction, board: Counter, meter: Meter) -> bytes:
    return message(
        "CALIBRATION",
        board.next(),
        round(of.time_s * 1000),
        source=load_table().enums["calibration_source"][of.source],
        copies=0,
        groups=len(of.offset_uv),
        channel_u_uv=_microvolts(meter.channel_u_v),
        gain_u_ppm=_microvolts(meter.gain_u),
        unix_s=0 if of.found is None else round(of.found.timestamp()),
        offset_uv=of.offset_uv,
        gain_ppm=of.gain_ppm,
    )


def _microvolts(value: float | None) -> int:
    return 65535 if value is None else min(65534, round(value * 1e6))


def _scans(session: Session, temps: int) -> ScanValues:
    two = session.out_back_v is not None and session.out_offset_s is not None and session.back_offset_s is not None
    first_s = session.time_s.copy()
    step_us = turn_us = 0
    passes = [session.volts_v.astype(np.float64)]
    if two:
        half = np.asarray(session.out_back_v, np.float64) / 2.0
        passes = [passes[0] + half, passes[0] - half]
        out_s = np.asarray(session.out_offset_s, np.float64)
        back_s = np.asarray(session.back_offset_s, np.float64)
        step_us = round(float(out_s[1] - out_s[0]) * 1e6) if len(out_s) > 1 else 0
        turn_us = round(float(back_s[-1] - out_s[-1]) * 1e6)
    current = session.current_a[:, None] if session.current_a is not None else None
    if session.current_out_a is not None and session.current_back_a is not None:
        current = np.concatenate([session.current_out_a, session.current_back_a], axis=1)
    return ScanValues(
        uptime_ms=np.rint(first_s * 1000.0).astype(np.int64),
        reading=np.concatenate([_steps(volts, session) for volts in passes], axis=1),
        groups=session.groups,
        passes=len(passes),
        current_10ma=None if current is None else hundredths(current.astype(np.float64)),
        temp_cdegc=hundredths(session.temps_c.astype(np.float64)) if temps and session.temps_c is not None else None,
        step_us=step_us,
        turn_us=turn_us,
        flags=0 if two or session.span_s.max(initial=0.0) > 0 else 1 << load_table().flags["scan"]["simultaneous"],
    )


def _steps(volts: np.ndarray, session: Session) -> np.ndarray:
    volts = volts.copy()
    for code, stand_in_v in _STAND_IN_V.items():
        volts[session.quality == code] = stand_in_v
    steps = volts_to_steps(volts)
    steps[session.quality == Quality.LEAD_OPEN] = load_table().reading_codes["lead_open"]
    return steps
