"""Poor recordings through the whole report, two of them at once: never an exception, never a warning of numpy's."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.profile import parse_profile
from evenstring.report.material import gather_material
from evenstring.report.page import render
from evenstring.report.report_json import report_json
from evenstring.session import Quality, Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

pytestmark = [pytest.mark.usefixtures("no_forecast"), pytest.mark.filterwarnings("error::RuntimeWarning")]
_BY_SCAN = ("time_s", "volts_v", "quality", "span_s", "out_back_v", "current_a", "current_out_a", "current_back_a")


@cache
def whole(groups: int) -> Session:
    rng = np.random.default_rng(groups)
    plan = DutyCycle().rest(minutes=25).ride(minutes=12, seed=1).rest(minutes=35).charge(hours=1.5)
    pack = Pack.random(rng, groups=groups, soc=0.9)
    session = measure(
        simulate(pack, plan, step_s=2.0), MeterModel.random(rng, groups), rng, scans_per_s=1.0, quiet_s=2.0
    )
    return replace(session, temps_c=None)


def unread(session: Session, mask: np.ndarray) -> Session:
    volts, quality = session.volts_v.copy(), session.quality.copy()
    volts[mask], quality[mask] = np.nan, Quality.LEAD_OPEN
    return replace(session, volts_v=volts, quality=quality, out_back_v=np.where(mask, np.nan, session.out_back_v))


def poor(kind: str) -> Session:
    session = whole({"two groups": 2, "five groups": 5}.get(kind, 8))
    n, g = session.volts_v.shape
    rng, mask = np.random.default_rng(3), np.zeros((n, g), bool)
    if kind == "a group never read":
        mask[:, 3] = True
    elif kind == "nothing read":
        mask[:] = True
    elif kind == "a third missing":
        mask = rng.random((n, g)) < 0.3
    elif kind == "second half missing":
        mask[n // 2 :] = True
    elif kind == "three scans":
        return replace(session, **{name: getattr(session, name)[:3] for name in _BY_SCAN})
    elif kind == "constant":
        return replace(
            session, volts_v=np.full_like(session.volts_v, 3.7), out_back_v=np.zeros_like(session.out_back_v)
        )
    elif kind == "noise":
        return replace(session, volts_v=rng.uniform(-1.0, 5.0, (n, g)).astype(np.float32))
    elif kind == "current comes and goes":
        amps = session.current_a.copy()
        amps[n // 3 : 2 * n // 3] = np.nan
        return replace(session, current_a=amps, current_out_a=None, current_back_a=None)
    return unread(session, mask) if mask.any() else session


@pytest.mark.slow
@pytest.mark.parametrize("sensor", [True, False])
@pytest.mark.parametrize("kind", [
    "two groups", "five groups", "a group never read", "nothing read", "a third missing", "second half missing",
    "three scans", "constant", "noise", "current comes and goes",
])  # fmt: skip
def test_a_poor_recording_gives_a_report_and_a_page(kind, sensor):
    session = poor(kind)
    if not sensor:
        session = replace(session, current_a=None, current_out_a=None, current_back_a=None)
    profile = parse_profile(f"[pack]\ngroups = {session.groups}\n[ride]\nload_a = 50\n")

    material = gather_material(session, profile, (session, session))

    assert render(material, kind).startswith("<!doctype html>")
    assert report_json(material)["verdict"]["reasons"]
