"""An invented trike's day, as a Session: a ride, a rest, a charge. Shared by tests of page, live view and browser."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from evenstring.analysis.results import (
    Balancing,
    CauseKind,
    Charge,
    Event,
    Findings,
    Phase,
    PhaseKind,
    Reason,
    Reserve,
    Spread,
    Unknown,
    Verdict,
    Weakness,
)
from evenstring.profile import PackProfile, parse_profile
from evenstring.report.material import Material
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


def a_material(session: Session, profile: PackProfile | None = None, **changes: Any) -> Material:
    """Findings as a finished analysis would give them, made up to fit the session; `changes`: fields of Findings."""
    end = session.duration_s
    parts: list[tuple[PhaseKind, float, float]] = [
        ("ride", 0, 0.35), ("rest", 0.35, 0.42), ("charge_cc", 0.42, 0.82), ("charge_cv", 0.82, 1)
    ]  # fmt: skip
    visits = (
        Event("below_empty", 7, 0.33 * end, 4.0, 2.91, True),
        Event("above_full", 12, 0.9 * end, 300.0, 4.206, None, "within_uncertainty"),
    )
    found = Findings(
        phases=tuple(Phase(kind, a * end, b * end) for kind, a, b in parts),
        spread=Spread(34.0, 17.0, 110.0, 0.3 * end, 31.0, 900.0, 2.1, 3900, 100, (None,) * session.groups),
        events=visits,
        shortest_visible_s=3.0,
        verdict=Verdict("inspect", (Reason("visit", "inspect", visits[0], "events[0]", "events"),)),
        charge=Charge("still_charging", lowest_group=17, pack_v_end=100.6),
        balancing=Balancing("converging", 7.9, None, 3300.0, 2500.0, 4700.0, "time"),
        weakness=(weak(7, "high_resistance", 31.0, 0.94), weak(17, "charge_offset", 2.1, 0.81)),
        reserve=Reserve(7, 0.18, 24.0, 0.15, 0.21, 5.0, 15.0, 0.1, 300.0, 200.0, "full", 80.0, 75.0, 81.0, 0.2, ""),
        unknown=(Unknown("capacity", "no two rests", "ride once from full to the first warning"),),
    )
    return Material(session, profile or a_profile(), replace(found, **changes))


def weak(group: int, cause: CauseKind, size: float, confidence: float) -> Weakness:
    """A group that stands out, its interval two either side."""
    return Weakness(group, cause, size, "%", confidence, size - 2.0, size + 2.0, 0.99, "", ())
