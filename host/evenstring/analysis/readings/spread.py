"""Spread: highest minus lowest group, from scans that can bear the claim, each claim with its 95 % interval.

A scan in which the string moved is not used: with an out and a back pass, the largest |out - back| of a group says how
much it moved (start minus end of a scan does not: a load that rises and falls within it goes unseen). The quantity is
the spread at one common instant. The interval is the Monte Carlo one of `uncertainty`; the gain that all groups share
cancels. At rest the pack may still relax: how long it had rested is stated beside the figure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import ClaimPlace, Phase, Spread, SpreadClaim
from evenstring.analysis.series.arrays import column_means, median_group_v, spread_v
from evenstring.analysis.series.rows_of_phase import rows_in, rows_of_kind
from evenstring.analysis.series.signals import Signals, trusted_scans
from evenstring.analysis.series.uncertainty import MeterError, meter_error, spread_interval
from evenstring.session import Session

__all__ = ["claim_at", "find_spread"]

F64 = NDArray[np.float64]
_EDGE_S = 20.0  # time averaged for the figures at start, end and rest: our choice
_EDGE_ROWS = 20  # and at most so many rows: our choice
_LEVEL_V = 2e-3  # rows whose level is this near are measured together: our choice
_MOVED_LEFT = 0.25  # of what a group moved between its two readings, left as uncertainty: our choice


def find_spread(session: Session, signals: Signals, phases: tuple[Phase, ...]) -> Spread:
    """Spread at start, end, rest and its largest, from trusted scans only."""
    meter = meter_error(session)
    good = np.flatnonzero(signals.trusted & (np.isfinite(signals.volts_v).sum(axis=1) >= min(2, session.groups)))
    scans = int(trusted_scans(session).sum())
    if not len(good) or session.groups < 2:
        return Spread(None, None, None, None, None, None, None, 0, session.scans, (None,) * session.groups)
    claims = {
        "start": claim_at("start", signals, good[: _rows(signals)], meter),
        "end": claim_at("end", signals, good[-_rows(signals) :], meter),
        "max": _largest(signals, good, meter),
    }
    rest = _last_rest(phases)
    if rest is not None:
        inside = good[rows_in(signals.time_s[good], rest)]
        if len(inside):
            claims["rest"] = claim_at("rest", signals, inside[-_rows(signals) :], meter)
    loaded = _under_load(session, phases, meter)
    if loaded is not None:
        claims["load"] = loaded
    at_rest = claims.get("rest")
    return Spread(
        start_mv=claims["start"].best_mv,
        end_mv=claims["end"].best_mv,
        max_mv=claims["max"].best_mv,
        max_at_s=claims["max"].at_s,
        rest_mv=None if at_rest is None else at_rest.best_mv,
        rest_after_s=None if rest is None or at_rest is None else at_rest.at_s - rest.start_s,
        uncertainty_mv=max(max(c.best_mv - c.low_mv, c.high_mv - c.best_mv) for c in claims.values()),
        scans_used=scans,
        scans_skewed=session.scans - scans,
        departures_mv=_departures(_mean(signals, good[-_rows(signals) :])),
        claims=tuple(claims.values()),
        largest_move_within_scan_mv=_move_within(session),
    )


def claim_at(where: ClaimPlace, signals: Signals, rows: NDArray[np.int64], meter: MeterError) -> SpreadClaim:
    """The spread of the mean of some rows, with its interval."""
    volts = _mean(signals, rows)
    departure = signals.volts_v[rows] - signals.level_v[rows, None]
    # While a load changes the groups move against each other: that movement is not noise of the meter alone.
    moving = (
        float(np.sqrt(np.nanmax(column_means((departure - column_means(departure)) ** 2)))) if len(rows) > 2 else 0.0
    )
    u = meter.one_v(len(rows), skew_v=max(0.0, moving - 2 * meter.noise_v) / np.sqrt(len(rows)))
    best, low, high = spread_interval(volts, u)
    known = volts[np.isfinite(volts)]
    return SpreadClaim(
        where=where,
        at_s=float(signals.time_s[rows].mean()),
        measured_mv=float(known.max() - known.min()) * 1e3,
        best_mv=best * 1e3,
        low_mv=low * 1e3,
        high_mv=high * 1e3,
        scans=len(rows),
    )


def _under_load(session: Session, phases: tuple[Phase, ...], meter: MeterError) -> SpreadClaim | None:
    """The spread of the one scan, of those that can bear it, in which a ride drew the level lowest; None without one.

    Chosen by level and not by spread, so that the choice does not favour noise. What a group moved between its two
    readings cancels to first order; a quarter of it is left as uncertainty.
    """
    t = session.time_s
    at = np.flatnonzero(rows_of_kind(t, phases, "ride") & trusted_scans(session))
    if not len(at):
        return None
    level = median_group_v(session.volts_v[at])
    if not np.isfinite(level).any():
        return None
    scan = int(at[int(np.nanargmin(level))])
    volts = session.volts_v[scan].astype(np.float64)
    known = volts[np.isfinite(volts)]
    moved = 0.0 if session.out_back_v is None else float(np.nanmedian(np.abs(session.out_back_v[scan]))) * _MOVED_LEFT
    u = meter.one_v(1.0 if session.out_back_v is None else 2.0, skew_v=np.nan_to_num(moved))
    best, low, high = spread_interval(volts, u)
    return SpreadClaim(
        "load", float(t[scan]), float(known.max() - known.min()) * 1e3, best * 1e3, low * 1e3, high * 1e3, 1
    )


def _rows(signals: Signals) -> int:
    return int(np.clip(round(_EDGE_S / signals.step_s), 1, _EDGE_ROWS))


def _largest(signals: Signals, good: NDArray[np.int64], meter: MeterError) -> SpreadClaim:
    """The largest spread: found on rows, then measured on the row and the steady ones beside it.

    The largest of many noisy rows is noise in part. The neighbours that show the same (within 4 sigma) are averaged in.
    """
    spread = spread_v(signals.volts_v[good].astype(np.float32))
    peak = int(np.nanargmax(spread))
    near = np.arange(max(0, peak - 4), min(len(good), peak + 5))
    alike = np.abs(spread[near] - spread[peak]) <= 4 * max(meter.noise_v, 1e-4)
    close = np.abs(signals.time_s[good[near]] - signals.time_s[good[peak]]) <= 5 * signals.step_s
    level = np.abs(signals.level_v[good[near]] - signals.level_v[good[peak]]) <= _LEVEL_V
    return claim_at("max", signals, good[near[alike & close & level]], meter)


def _mean(signals: Signals, rows: NDArray[np.int64]) -> F64:
    """(g,) mean over rows; NaN for a group that was never read in them."""
    return column_means(signals.volts_v[rows])


def _last_rest(phases: tuple[Phase, ...]) -> Phase | None:
    return next((p for p in reversed(phases) if p.kind == "rest"), None)


def _departures(volts_v: F64) -> tuple[float | None, ...]:
    away = (volts_v - np.nanmedian(volts_v)) * 1e3
    return tuple(float(x) if np.isfinite(x) else None for x in away)


def _move_within(session: Session) -> float | None:
    if session.out_back_v is None or not session.scans:
        return None
    some = session.out_back_v[:: max(1, session.scans // 20000)]
    return float(np.quantile(np.abs(np.nan_to_num(some)).max(axis=1), 0.95) * 1e3)
