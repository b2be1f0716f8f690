"""Whatever a session holds, the findings are made of it and never fail: hypothesis looks for one that breaks them.

Gaps, clocks that stand or run backwards, groups never read, one group, constant values, stretches without current or
temperature, readings beyond any cell. What is left must be plain JSON, and intervals must be intervals.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.run import analyse
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.session import Meter, Quality, Session
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

# A warning of numpy's would land on the user's screen.
pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")
SHAPES = ("constant", "ride", "charge", "noise", "steps", "nonsense", "absurd")
CLOCKS = ("even", "gaps", "stands", "backwards", "jumps")
MISSING = ("none", "some", "one group", "a stretch", "all")


def _level(shape: str, n: int, rng: np.random.Generator) -> np.ndarray:
    x = np.linspace(0.0, 1.0, n)
    return {
        "constant": np.full(n, 3.7),
        "ride": 3.6 + 0.1 * rng.standard_normal(n),
        "charge": np.minimum(3.5 + x, 4.2),
        "noise": 3.7 + 5e-4 * rng.standard_normal(n),
        "steps": 3.4 + 0.2 * rng.integers(0, 4, n),
        "nonsense": rng.uniform(-6.0, 6.0, n),
        "absurd": np.where(rng.random(n) < 0.1, rng.choice([40.0, 1e4, -1e13], n), 3.7 + 0.4 * x),
    }[shape]


def _clock(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(n) * float(rng.choice([0.1, 1.0, 30.0]))
    half = n // 2
    if kind == "gaps":
        t[half:] += 5000.0
    elif kind == "stands":
        t[half:] = t[half] if n else 0.0
    elif kind == "backwards":
        t[half:] -= t[half] / 2 if n else 0.0
    elif kind == "jumps":
        t = np.cumsum(rng.exponential(2.0, n))
    return t


def _quality(kind: str, n: int, groups: int, rng: np.random.Generator) -> np.ndarray:
    quality = np.zeros((n, groups), np.uint8)
    if kind == "some":
        quality[rng.random((n, groups)) < 0.2] = int(rng.integers(1, 5))
    elif kind == "one group":
        quality[:, rng.integers(groups)] = Quality.LEAD_OPEN
    elif kind == "a stretch":
        quality[n // 3 : n // 2 + 1] = Quality.NO_READING
    elif kind == "all":
        quality[:] = Quality.LEAD_OPEN
    return quality


def _current(kind: str, level: np.ndarray, rng: np.random.Generator) -> np.ndarray | None:
    if kind == "no sensor":
        return None
    amps = np.gradient(level) * 1e3 if len(level) > 1 else np.zeros(len(level))
    if kind == "stretches":
        amps[len(amps) // 4 : len(amps) // 2] = np.nan
    elif kind == "never":
        amps[:] = np.nan
    elif kind == "stuck":
        amps[:] = float(rng.choice([0.0, 5.0, -300.0]))
    return amps.astype(np.float32)


RECIPES = st.fixed_dictionaries(
    {
        "seed": st.integers(0, 2**32 - 1),
        "scans": st.one_of(st.integers(0, 12), st.integers(13, 1500)),
        "groups": st.sampled_from([1, 2, 3, 8, 24, 40]),
        "shape": st.sampled_from(SHAPES),
        "apart_v": st.sampled_from([0.0, 1e-3, 0.05]),
        "missing": st.sampled_from(MISSING),
        "two_passes": st.booleans(),
        "clock": st.sampled_from(CLOCKS),
        "current": st.sampled_from(["no sensor", "all", "stretches", "never", "stuck"]),
        "temperatures": st.sampled_from(["none", "25", "nan"]),
        "meter": st.sampled_from([Meter(), Meter(noise_v=0.0, channel_u_v=0.0, gain_u=0.0), Meter(noise_v=5e-4)]),
        "chemistry": st.sampled_from(sorted(CHEMISTRIES)),
    }
)


def session_of(recipe: dict) -> Session:
    rng = np.random.default_rng(recipe["seed"])
    n, groups = recipe["scans"], recipe["groups"]
    level = _level(recipe["shape"], n, rng)
    apart = recipe["apart_v"] * rng.standard_normal(groups)
    quality = _quality(recipe["missing"], n, groups, rng)
    moved = (2e-3 * rng.standard_normal((n, groups))).astype(np.float32)
    temps = {"none": None, "25": np.full((n, 1), 25.0, np.float32), "nan": np.full((n, 2), np.nan, np.float32)}
    return Session(
        time_s=_clock(recipe["clock"], n, rng),
        volts_v=np.where(quality == Quality.OK, level[:, None] + apart, np.nan).astype(np.float32),
        quality=quality,
        span_s=np.full(n, 0.25, np.float32),
        out_back_v=moved if recipe["two_passes"] else None,
        current_a=_current(recipe["current"], level, rng),
        temps_c=temps[recipe["temperatures"]],
        meter=recipe["meter"],
    )


@pytest.mark.slow
@given(recipe=RECIPES)
@settings(max_examples=80, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_no_session_breaks_the_findings(recipe: dict) -> None:
    session = session_of(recipe)
    limits = CHEMISTRIES[recipe["chemistry"]].limits
    profile = replace(PackProfile(groups=session.groups, chemistry=recipe["chemistry"]), **limits)

    found = analyse(session, profile)
    report = report_json(gather_material(session, profile))

    json.dumps(report, allow_nan=False)
    assert all(c.low_mv <= c.high_mv for c in found.spread.claims)
    assert all(1 <= e.group <= session.groups for e in found.events)
    assert found.verdict.reasons


@pytest.mark.parametrize("missing", MISSING)
@pytest.mark.parametrize("clock", CLOCKS)
def test_each_clock_and_each_kind_of_missing_reading_is_borne_by_an_ordinary_day(clock: str, missing: str) -> None:
    rng = np.random.default_rng(4)
    level = np.concatenate([_level("noise", 400, rng), _level("ride", 300, rng), _level("charge", 900, rng)])
    quality = _quality(missing, len(level), 6, rng)
    volts = np.where(quality == Quality.OK, level[:, None] + np.linspace(0, 0.02, 6), np.nan).astype(np.float32)
    session = Session(_clock(clock, len(level), rng), volts, quality, np.zeros(len(level), np.float32))

    report = report_json(gather_material(session, PackProfile(groups=6)))

    json.dumps(report, allow_nan=False)
    assert report["recording"]["scans"] == len(level)
