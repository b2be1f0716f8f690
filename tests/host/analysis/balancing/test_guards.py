"""What a forecast may not say against what was measured."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from evenstring.analysis.balancing.guards import kept_to_trend, trend_of
from evenstring.analysis.balancing.window import Window
from evenstring.analysis.results import Balancing
from evenstring.profile import PackProfile

MEANS, GROUPS, STEP_H = 30, 6, 1.0 / 15.0
POLARISED_V = 0.010  # of group 1 at full current
PACK = PackProfile(groups=GROUPS)
NEVER = Balancing("not_converging", answer="never", spread_mv=30.0, target_mv=10.0)


def window(closing_v_h: float, noise_v: float = 2e-5, current: str = "settled") -> Window:
    """Group 1 lies 30 mV low at the end of two hours, and came up steadily."""
    hours = np.arange(MEANS) * STEP_H
    volts = np.full((MEANS, GROUPS), 4.2) + noise_v * np.random.default_rng(3).standard_normal((MEANS, GROUPS))
    volts[:, 0] -= 0.030 + closing_v_h * (hours[-1] - hours)
    share = {
        "settled": np.full(MEANS, 0.05),
        "falling": np.linspace(1.0, 0.0, MEANS),
        "none": None,
        "swinging": 0.3 + 0.1 * np.sin(1.7 * np.arange(MEANS)),
    }[current]
    if share is not None:  # what resists more lies lower by as much as flows
        volts[:, 0] -= POLARISED_V * (share - share[-1])
    return Window(
        step_h=STEP_H, held=np.ones(MEANS, bool), weight=np.ones(MEANS), volts_v=volts, share=share, set_v=4.2,
        full_current_a=5.0, slow0=0.8, lead0=np.ones(2), rho=np.zeros(GROUPS), rho_u=0.02, quick_v=0.05, quick_u=0.1,
    )  # fmt: skip


def said(w: Window, rule: str, profile: PackProfile = PACK) -> Balancing:
    fit: Any = SimpleNamespace(guess=SimpleNamespace(rule=rule))
    return kept_to_trend(NEVER, w, fit, 0.010, profile)


@pytest.mark.parametrize("rule", ["above_lowest", "none"])
def test_a_spread_that_is_seen_to_close_is_not_said_to_stay(rule: str) -> None:
    """20 mV at 4 mV an hour are five hours on a straight line, and closing slows down as groups stop to bleed."""
    found = said(window(0.004), rule)

    assert (found.answer, found.state) == ("time", "converging")
    assert found.remaining_s == pytest.approx(1.25 * 5 * 3600.0, rel=0.1)
    assert found.remaining_low_s is not None
    assert found.remaining_low_s < 5 * 3600.0 < found.remaining_s


def test_a_board_that_bleeds_by_a_threshold_alone_may_well_come_to_a_stand() -> None:
    """Where its owner gives rule and threshold; where either is a guess, and the spread closes, nothing is said."""
    by_threshold = replace(PACK, bleed_rule="threshold")

    assert said(window(0.004), "threshold", by_threshold) == NEVER
    assert said(window(0.0), "threshold") == NEVER
    fit: Any = SimpleNamespace(guess=SimpleNamespace(rule="threshold"))
    nearly = replace(NEVER, spread_mv=12.0)
    assert kept_to_trend(nearly, window(0.004), fit, 0.010, by_threshold).answer == "none"  # half an hour more

    for profile in (PACK, replace(by_threshold, defaults=("balancer.threshold_v",))):
        guessed = said(window(0.004), "threshold", profile)

        assert (guessed.answer, guessed.remaining_s) == ("none", None)
        assert "balancer.rule" in guessed.reasons[0]


@pytest.mark.parametrize("rule", ["none", "above_lowest", "threshold"])
@pytest.mark.parametrize("held", [MEANS // 3, MEANS])
def test_while_the_current_still_dies_away_no_never_is_known(rule: str, held: int) -> None:
    """Polarisation that goes and a spread that closes are not told apart there, so nothing is known of its end."""
    w = replace(window(0.0, current="falling"), held=np.arange(MEANS) >= MEANS - held)

    assert said(w, rule).answer == "none"


@pytest.mark.parametrize(("current", "answer"), [("none", "none"), ("settled", "never")])
def test_a_spread_that_grows_without_a_known_current_says_nothing_of_its_end(current: str, answer: str) -> None:
    """Polarisation may move it: of a published string that was even half an hour later "never" was said."""
    found = said(window(-0.003, current=current), "none")

    assert (found.answer, found.remaining_s) == (answer, None)


def tapered(closing_v_h: float, settles_v: float = 0.0) -> Window:
    """The current is gone after half of the last three quarters of an hour; what it left dies away in ten minutes."""
    hours = np.arange(MEANS) * STEP_H / 2.0
    w = replace(window(0.0), step_h=STEP_H / 2.0, share=np.maximum(0.6 - 2.4 * np.maximum(hours - 0.25, 0.0), 0.02))
    volts = w.volts_v.copy()
    volts[:, 0] -= closing_v_h * (hours[-1] - hours) + settles_v * np.exp(-(hours - 0.5) * 6.0)
    return replace(w, volts_v=volts)


def test_what_comes_after_a_taper_is_a_trend() -> None:
    """Of five published strings that close it was said once that they never would, for the taper hid it."""
    trend = trend_of(tapered(0.012), after_taper=True)

    assert trend is not None
    assert trend_of(tapered(0.012)) is None
    assert trend.closing_v_h == pytest.approx(0.012, abs=2 * trend.u_v_h + 1e-4)
    assert said(tapered(0.012), "none").answer == "time"
    assert said(tapered(0.012), "threshold").answer == "none"


@pytest.mark.parametrize(("closing_v_h", "settles_v"), [(0.0, 0.02), (-0.010, 0.0)], ids=["dies away", "grows"])
def test_what_polarisation_moves_after_a_taper_is_none(closing_v_h: float, settles_v: float) -> None:
    w = tapered(closing_v_h, settles_v)

    assert trend_of(w, after_taper=True) is None
    assert said(w, "none").answer == "none"


def test_a_spread_that_stands_still_is_said_to_stay() -> None:
    assert said(window(0.0), "none") == NEVER


def test_where_the_trend_is_lost_in_noise_nothing_is_said() -> None:
    found = said(window(0.0, noise_v=2e-3), "none")

    assert (found.answer, found.remaining_s) == ("none", None)


def test_no_trend_is_made_while_the_current_still_falls() -> None:
    """Polarisation moves groups against each other as the current does."""
    assert trend_of(window(0.004, current="falling")) is None
    assert said(window(0.004, current="falling"), "none").answer == "none"


def test_without_a_sensor_a_closing_that_goes_on_is_a_trend_and_one_that_dies_away_is_none() -> None:
    """Once "never" was said of a spread that closed by 5.7 mV in each hour, for no current was known."""
    steady = window(0.004, current="none")
    dying = replace(steady, volts_v=steady.volts_v.copy())
    hours = np.arange(MEANS) * STEP_H
    dying.volts_v[:, 0] -= 0.020 * np.exp(-(hours - hours[0] - 1.0) / 0.4) - 0.004 * (hours[-1] - hours)

    trend = trend_of(steady)

    assert trend is not None
    assert trend.closing_v_h == pytest.approx(0.004, abs=2 * trend.u_v_h + 1e-4)
    assert said(steady, "none").answer == "time"
    assert trend_of(dying) is None


def test_a_current_that_swings_does_not_hide_that_the_spread_closes() -> None:
    """A board that draws in turns makes its charger's current swing; the volts that follow it are taken out."""
    trend = trend_of(window(0.004, current="swinging"))

    assert trend is not None
    assert trend.closing_v_h == pytest.approx(0.004, abs=2 * trend.u_v_h + 1e-4)
    assert said(window(0.004, current="swinging"), "none").answer == "time"


def test_a_time_is_weighed_with_a_clear_trend_carried_on() -> None:
    """20 mV at 4 mV an hour are five hours; a forecast of one is drawn out, and doubted."""
    told = replace(
        NEVER, answer="time", state="converging", remaining_s=3600.0, remaining_low_s=2000.0, remaining_high_s=6500.0
    )
    fit: Any = SimpleNamespace(guess=SimpleNamespace(rule="above_lowest"))

    found = kept_to_trend(told, window(0.004), fit, 0.010, PACK)

    assert found.remaining_s is not None
    assert 3600.0 < found.remaining_s < 3 * 3600.0
    assert found.remaining_low_s is not None
    assert found.remaining_high_s is not None
    assert found.remaining_low_s < 3600.0
    assert found.remaining_high_s > 3.5 * 3600.0
    for nothing in (window(0.004, noise_v=5e-3), window(0.004, current="falling"), window(-0.004)):
        kept = kept_to_trend(told, nothing, fit, 0.010, PACK)
        assert kept.remaining_s == told.remaining_s
        assert kept.remaining_low_s == pytest.approx(
            3600.0 * (2000.0 / 3600.0) ** 1.3
        )  # less sure by what forecasts err
        assert kept.remaining_high_s == pytest.approx(3600.0 * (6500.0 / 3600.0) ** 1.3)
    assert kept_to_trend(told, window(0.004), fit, 0.010, replace(PACK, chemistry="lfp")) == told


def test_a_forecast_that_agrees_with_the_trend_is_surer_than_either() -> None:
    told = replace(
        NEVER, answer="time", state="converging", remaining_s=5 * 3600.0, remaining_low_s=2.5 * 3600.0,
        remaining_high_s=10 * 3600.0,
    )  # fmt: skip
    fit: Any = SimpleNamespace(guess=SimpleNamespace(rule="above_lowest"))

    found = kept_to_trend(told, window(0.004), fit, 0.010, PACK)

    assert found.remaining_s == pytest.approx(5 * 3600.0, rel=0.05)
    assert found.remaining_low_s is not None
    assert found.remaining_high_s is not None
    assert 2.0 < found.remaining_high_s / found.remaining_low_s < 4.0
