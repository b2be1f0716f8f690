"""The top of a charge, stepped for many parameter sets at once: against the same model written out, a number at a time.

Both are ours: this proves that what is quick says the same as what is plain. What the model is worth is proved in
`test_balancing`, against the simulator.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log1p, tanh

import numpy as np
import pytest
from evenstring.analysis.balancing.parameters import (
    BLEED,
    GRID_V,
    KNOTS_V,
    LEVEL,
    NC,
    NG,
    QUICK,
    SLOW,
    SOFT_V,
    SPEED,
    THRESHOLD,
    Guess,
    curves_of,
    split,
)  # fmt: skip
from evenstring.analysis.balancing.string_model import ABOVE_LOWEST_V, Parts, run
from evenstring.analysis.balancing.window import LEAD_H, LEAD_SHARES, SLOW_H, Window

GROUPS, MEANS, SETS, BEFORE = 5, 14, 4, 6
FULL_V, SET_V = 4.2, 4.18
RULES = ("above_lowest", "odd_even", "threshold", "none")


def window(rng: np.random.Generator, *, sensor: bool) -> Window:
    held = np.arange(MEANS) >= BEFORE
    level = np.where(held, SET_V, SET_V - 0.012 * (BEFORE - np.arange(MEANS)))
    share = np.where(held, np.exp(-(np.arange(MEANS) - BEFORE) / 15.0), 1.0) + 0.01 * rng.normal(size=MEANS)
    return Window(
        step_h=1.0 / 15.0,
        held=held,
        weight=np.ones(MEANS),
        volts_v=level[:, None] + rng.normal(0.0, 0.006, (MEANS, GROUPS)),
        share=share if sensor else None,
        set_v=SET_V,
        full_current_a=3.0 if sensor else None,
        slow0=0.7,
        lead0=np.array([0.8, 0.9]),
        rho=np.zeros(GROUPS),
        rho_u=0.02,
        quick_v=0.05,
        quick_u=0.1,
    )


def parameters(rng: np.random.Generator) -> np.ndarray:
    """Random, but such that groups are on both sides of every decision of a board."""
    x = np.zeros((SETS, NC + NG * GROUPS))
    x[:, : len(KNOTS_V)] = rng.normal(0.0, 0.2, (SETS, len(KNOTS_V)))
    x[:, SPEED] = np.log(0.22) + rng.normal(0.0, 0.2, SETS)
    x[:, QUICK] = np.log(0.05) + rng.normal(0.0, 0.2, SETS)
    x[:, SLOW] = rng.uniform(0.1, 0.5, SETS)
    x[:, BLEED] = np.log(0.04) + rng.normal(0.0, 0.5, SETS)
    x[:, THRESHOLD] = SET_V - 0.03 + rng.normal(0.0, 0.01, SETS)
    x[:, LEVEL] = rng.normal(0.0, 0.004, SETS)
    own_sd = np.array([0.03, 0.05, 0.02, 0.0005, 0.0012])[:, None]
    x[:, NC:] = (own_sd * rng.normal(size=(SETS, NG, GROUPS))).reshape(SETS, -1)
    return x


def guess(rule: str, soft_v: float, polar_v: float | None, lead: bool) -> Guess:
    log_slope = np.log(1.2 + 0.4 * np.sin(8.0 * GRID_V))
    return Guess(rule, log_slope, FULL_V, soft_v=soft_v, polar_v=polar_v, lead=lead)


class Plain:
    """One parameter set, as the model's docstring says it."""

    def __init__(self, w: Window, x: np.ndarray, of: Guess) -> None:
        self.w, self.x, self.of = w, x, of
        self.slow = 0.0 if of.lead else float(x[SLOW])
        self.lead_h = 0.15 * float(x[SLOW]) if of.lead else 0.0
        self.full_v = exp(x[QUICK]) / (1.0 - self.slow)
        self.bleed, self.threshold_v = exp(x[BLEED]), float(x[THRESHOLD])
        own = x[NC:].reshape(NG, GROUPS)
        self.own = own - np.array([own[0].mean(), 0.0, 0.0, 0.0, 0.0])[:, None]
        self.nodes, self.node_v = self._curve()

    def _curve(self) -> tuple[np.ndarray, np.ndarray]:
        """Charge over voltage, by the trapezoid rule along the published slope times the fitted factor."""
        volts = FULL_V + GRID_V
        hours_per_v = []
        for v in GRID_V:
            at = v if self.of.polar_v is None else v + self.full_v - self.of.polar_v
            log_slope = np.interp(at, GRID_V, self.of.log_slope) + np.interp(v, KNOTS_V, self.x[: len(KNOTS_V)])
            hours_per_v.append(exp(-log_slope - self.x[SPEED]))
        charge = [0.0]
        for k in range(1, len(volts)):
            charge.append(charge[-1] + (hours_per_v[k] + hours_per_v[k - 1]) / 2.0 * (volts[k] - volts[k - 1]))
        w = self.w
        polar_v = self.full_v * ((1.0 - self.slow) + self.slow * w.slow0)
        level = w.volts_v[0].mean() - polar_v if w.before > 3 else w.set_v - 0.02
        start = np.interp(level + self.x[LEVEL], volts, charge)
        ahead = self.lead_h * float(LEAD_SHARES @ w.lead0) if w.before > 3 else 0.0
        return np.array(charge) - start + ahead, volts

    def open(self, charge: float) -> tuple[float, float]:
        k = int(np.clip(np.searchsorted(self.nodes, charge, side="right") - 1, 0, len(self.nodes) - 2))
        slope = (self.node_v[k + 1] - self.node_v[k]) / (self.nodes[k + 1] - self.nodes[k])
        return self.node_v[k] + (charge - self.nodes[k]) * slope, slope

    def current(self, k: int, level_v: float, slope: float, slow: float) -> tuple[float, float]:
        """Share of full current at mean k, and its average until the next."""
        share, quick = self.w.share, 1.0 - self.slow
        if share is not None:
            return share[k], (share[k] + share[min(k + 1, MEANS - 1)]) / 2.0
        if not self.w.held[k]:
            return 1.0, 1.0
        left = (self.w.set_v - level_v) / self.full_v - self.slow * slow
        half = slope * self.w.step_h / 2.0 / self.full_v
        return min(max(left / quick, 0.0), 1.0), min(max(left / (quick + half), 0.0), 1.0)

    def on(self, seen_v: float, lowest_v: float) -> float:
        """Share of the time that a group bleeds."""
        of, soft = self.of, self.of.soft_v
        if of.rule == "none":
            return 0.0
        above = (1.0 + tanh((seen_v - self.threshold_v + SOFT_V) / (2.0 * soft))) / 2.0
        if of.rule == "threshold":
            return above
        quick = (1.0 - self.slow) * self.full_v * self.bleed
        pull = quick * (2.0 if of.rule == "odd_even" else 1.0) + soft / 2.0
        x, soft = (seen_v - lowest_v - ABOVE_LOWEST_V) / pull, soft / 2.0 / pull
        return above * soft * (softplus(x / soft) - softplus((x - 1.0) / soft))

    def step(
        self, drive: list[tuple[float, float, float, float]] | None, lowest_v: list[float]
    ) -> dict[str, np.ndarray]:
        """The whole window; a drive and a lowest are kept to where they are given.

        A drive is charge, slow part, polarisation and current until the next mean.
        """
        w, full = self.w, self.full_v
        lead, rho, kappa, offset, sensing = self.own
        q, s, taken, bled, pull = 0.0, w.slow0, np.zeros(GROUPS), np.zeros(GROUPS), np.zeros(GROUPS)
        decay = exp(-w.step_h / SLOW_H)
        out = {name: np.zeros((MEANS, GROUPS)) for name in ("volts_v", "charge", "slope", "on")}
        driven, ahead = [], np.tile(w.lead0, (GROUPS, 1))
        for k in range(MEANS):
            held = [(q if drive is None else drive[k][0]) * (1.0 + kappa[g]) + lead[g] - self.bleed * taken[g]
                    for g in range(GROUPS)]  # fmt: skip
            surface = [held[g] + self.lead_h * float(LEAD_SHARES @ ahead[g]) for g in range(GROUPS)]
            open_v, slopes = zip(*(self.open(charge) for charge in surface), strict=True)
            level = sum(v - down for v, down in zip(open_v, pull, strict=True)) / GROUPS
            share, move = self.current(k, level, sum(slopes) / GROUPS, s)
            polar = full * ((1.0 - self.slow) * share + self.slow * s) if drive is None else drive[k][2]
            driven.append((q, s, polar, move))
            move = move if drive is None else drive[k][3]
            q, s = q + move * w.step_h, move + (s - move) * decay
            for g in range(GROUPS):
                idle = open_v[g] + (1.0 + rho[g]) * (polar - full * self.slow * self.bleed * bled[g])
                on = self.on(idle + sensing[g], lowest_v[k])
                quick_down = (1.0 + rho[g]) * full * (1.0 - self.slow) * self.bleed * on
                taken[g] += on * w.step_h
                bled[g] = on + (bled[g] - on) * decay
                flows = move - self.bleed * on
                ahead[g] = flows + (ahead[g] - flows) * np.exp(-w.step_h / LEAD_H)
                pull[g] = quick_down + (1.0 + rho[g]) * full * self.slow * self.bleed * bled[g]
                for name, value in (("volts_v", idle + offset[g] - quick_down), ("charge", held[g]),
                                    ("slope", slopes[g]), ("on", on)):  # fmt: skip
                    out[name][k, g] = value
        self.driven = driven
        return {**out, "bled": bled, "slow": np.array(driven[-1][1])}

    def lowest(self) -> list[float]:
        return [
            min(self.w.volts_v[k, g] + self.own[4, g] - self.own[3, g] for g in range(GROUPS)) for k in range(MEANS)
        ]


def softplus(x: float) -> float:
    return max(x, 0.0) + log1p(exp(-abs(x)))


def cases(seed: int, rule: str, *, sensor: bool, lead: bool = False) -> tuple[Window, np.ndarray, Guess]:
    rng = np.random.default_rng(seed)
    w, x = window(rng, sensor=sensor), parameters(rng)
    return w, x, guess(rule, (SOFT_V, 0.004)[seed % 2], (None, 0.06)[seed // 2 % 2], lead)


def same(parts: Parts, p: int, plain: dict[str, np.ndarray]) -> None:
    for name, expected in plain.items():
        np.testing.assert_allclose(getattr(parts, name)[p], expected, rtol=1e-9, atol=1e-12, err_msg=name)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("sensor", [True, False], ids=["current", "no current"])
@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("lead", [False, True], ids=["circuit", "lead"])
def test_many_sets_at_once_are_each_the_plain_model(lead: bool, rule: str, sensor: bool, seed: int) -> None:
    w, x, of = cases(seed, rule, sensor=sensor, lead=lead)

    parts = run(w, curves_of(w, x, of), *split(x, GROUPS, lead), of)

    for p, row in enumerate(x):
        plain = Plain(w, row, of)
        same(parts, p, plain.step(None, plain.lowest()))
    if rule != "none":
        assert 0.02 < float(parts.on.mean()) < 0.98  # the rule was put to the test


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("sensor", [True, False], ids=["current", "no current"])
@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("lead", [False, True], ids=["circuit", "lead"])
def test_sets_that_follow_keep_to_the_drive_and_the_lowest_of_the_first(
    lead: bool, rule: str, sensor: bool, seed: int
) -> None:
    w, x, of = cases(seed, rule, sensor=sensor, lead=lead)
    x[2:, :NC] = x[0, :NC]
    common, own = split(x, GROUPS, lead)

    parts = run(w, curves_of(w, x, of), common, own, of, follow=2)

    first = Plain(w, x[0], of)
    same(parts, 0, first.step(None, first.lowest()))
    second = Plain(w, x[1], of)
    same(parts, 1, second.step(None, second.lowest()))
    for p in (2, 3):
        plain = Plain(w, x[p], of).step(first.driven, first.lowest())
        plain["slow"] = np.array(first.driven[-1][1])
        same(parts, p, plain)


def test_beyond_its_table_a_curve_goes_straight_on() -> None:
    w, x, of = cases(0, "none", sensor=True)
    curves = curves_of(w, x, of)
    charge = np.tile([-9.0, -0.3, 0.0, 0.2, 9.0], (SETS, 1))

    volts, slope = curves.look_up(charge)

    for p, row in enumerate(x):
        expected = np.array([Plain(w, row, of).open(c) for c in charge[p]])
        np.testing.assert_allclose(np.stack([volts[p], slope[p]], axis=1), expected, rtol=1e-9)


@pytest.mark.parametrize("rule", ["above_lowest", "odd_even"])
def test_a_group_far_from_the_others_overflows_nothing(rule: str) -> None:
    w, x, of = cases(0, rule, sensor=False)
    x[:, NC] -= 0.6  # hours of the charger's current behind

    with np.errstate(all="raise", under="ignore"):
        parts = run(replace(w, volts_v=w.volts_v - np.eye(GROUPS)[0]), curves_of(w, x, of), *split(x, GROUPS), of)

    assert np.isfinite(parts.volts_v).all()
    assert float(parts.on.max()) <= 1.0 + 1e-9
