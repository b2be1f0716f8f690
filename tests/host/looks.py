"""An invented trike's day, as a Session: a ride, a rest, a charge. Shared by tests of page, live view and browser."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
from evenstring.profile import PackProfile, parse_profile
from evenstring.session import Ident, LinkStats, Mark, Meter, Session

NASTY = "\x1b[31mred\u202egnp.exe <script>alert(1)</script> <img src=x onerror=alert(2)> \x07\u200b" + "long " * 2000


def a_day(n: int = 4000, groups: int = 24, step_s: float = 3.0, text: str = "trike") -> Session:
    """Group 7 resists, group 17 is low in charge; both recover towards the end."""
    rng = np.random.default_rng(7)
    time_s = np.arange(n) * step_s
    part = time_s / time_s[-1]
    soc = np.interp(part, [0, 0.35, 0.42, 0.82, 1], [0.9, 0.2, 0.2, 0.98, 1.0])
    riding = part < 0.35
    current = np.where(
        riding, -12 * (1 + np.sin(time_s / 9)), np.interp(part, [0.35, 0.42, 0.421, 0.82, 1], [0, 0, 5, 5, 0.4])
    )
    offset, resistance = rng.normal(0, 2e-3, groups), rng.normal(0, 2e-4, groups)
    offset[16 % groups] -= 0.03
    resistance[6 % groups] += 3e-3
    middle = np.minimum(3.0 + 1.15 * soc + 0.008 * current, 4.2)
    volts = middle[:, None] + offset + resistance * current[:, None] + rng.normal(0, 5e-4, (n, groups))
    volts[:, 16 % groups] += np.clip((part - 0.82) / 0.18, 0, 1) * 0.022
    return Session(
        time_s=time_s,
        volts_v=volts.astype(np.float32),
        quality=np.zeros((n, groups), np.uint8),
        span_s=np.full(n, 0.2, np.float32),
        current_a=current.astype(np.float32),
        start=datetime(2026, 3, 1, 7, tzinfo=UTC),
        ident=Ident(
            groups=groups, front_end="relay_scan", board_id=text, string_name=text, firmware=text, runtime=text
        ),
        meter=Meter(noise_v=5e-4, channel_u_v=1e-3),
        link=LinkStats(bytes_total=10**6, frames_good=n, frames_damaged=2, frames_lost=1),
        marks=(Mark(30.0, "note", text),),
    )


def a_profile(groups: int = 24, name: str = "trike") -> PackProfile:
    """With capacity given and everything else left to defaults."""
    return parse_profile(f'[pack]\nname = "{name}"\ngroups = {groups}\nchemistry = "nmc"\ncapacity_ah = 20.0\n')


def a_report(session: Session) -> dict[str, Any]:
    """report.json as a finished analysis would give it, made up to fit the session."""
    end = session.duration_s
    parts = [("ride", 0, 0.35), ("rest", 0.35, 0.42), ("charge_cc", 0.42, 0.82), ("charge_cv", 0.82, 1)]
    return {
        "format": "evenstring-report/1",
        "recording": {"frames_damaged": 2, "frames_lost": 1},
        "phases": [{"kind": k, "start_s": a * end, "end_s": b * end} for k, a, b in parts],
        "spread": {"start_mv": 34.0, "end_mv": 17.0, "max_mv": 110.0, "max_at_s": 0.3 * end, "rest_mv": 31.0,
                   "rest_after_s": 900.0, "uncertainty_mv": 2.1, "scans_used": 3900, "scans_skewed": 100},
        "events": [
            {"kind": "below_empty", "group": 7, "start_s": 0.33 * end, "duration_s": 4.0, "extreme_v": 2.91,
             "under_load": True},
            {"kind": "above_full", "group": 12, "start_s": 0.9 * end, "duration_s": 300.0, "extreme_v": 4.206,
             "under_load": None, "certainty": "within_uncertainty"},
        ],
        "charge": {"ended": "still_charging", "cause_group": None, "lowest_group": 17, "pack_v_end": 100.6},
        "balancing": {"state": "converging", "rate_mv_per_h": 7.9, "remaining_s": 3300.0, "remaining_low_s": 2500.0,
                      "remaining_high_s": 4700.0, "answer": "time", "level": 0.9, "target_mv": 10.0},
        "weakness": [
            {"group": 7, "cause": "high_resistance", "size": 31.0, "unit": "%", "confidence": 0.94},
            {"group": 17, "cause": "charge_offset", "size": 2.1, "unit": "%", "confidence": 0.81},
        ],
        "reserve": {"group": 7, "lowest_soc_at_full_load": 0.18, "empty_at_current_a": 24.0},
        "shortest_visible_s": 3.0,
        "verdict": {"action": "inspect", "reasons": ["Group 7 went below empty (2.91 V) under load for 4 s."]},
        "unknown": {"capacity": {"why": "no two rests", "record_next": "ride once from full to the first warning"}},
    }  # fmt: skip
