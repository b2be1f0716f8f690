"""What was true in a session, by the words of the report, from the run itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenstring.chemistry import CHEMISTRIES

from tests.worlds.physics.families import Drawn
from tests.worlds.physics.papers import paper_of
from tests.worlds.physics.string import Run

__all__ = ["Truth", "true_end", "truth_of"]

_DAY_S, _TARGET_V, _TARGET_SOC, _STAYS_S = 86_400.0, 0.010, 0.010, 600.0
_NEAR_V = 0.008  # truths nearer to a decision than this are not marked
_FULL_WITHIN_V, _FULL_WITHIN_SOC = 0.030, 0.03


@dataclass(frozen=True)
class Truth:
    """Saved beside each session; groups count from 1.

    Attributes:
        departures: per group from the median: meter mV, charge % (at the start), capacity %, resistance % (in 1 s).
        ended: by the words of the design, None where the truth lies too near a decision; `end_groups` its causes.
        ended_too: another word that is as right: a charge that goes on past its light is full too.
        answer: time, over_24_h, never, near (stops short of the target by less than half of it: not marked), even
            (already), or none (the charger is not connected at the end).
        remaining_s: from the last scan, where the answer is time.
        reserve_soc: of the median group when the first group is at empty under the ride's highest five seconds.
        danger: whether the verdict must ask for an inspection (or forbid charging).
    """

    seed: int
    paper: str
    family: str
    faults: tuple[tuple[int, str, float], ...]
    departures: tuple[tuple[float, float, float, float], ...]
    ended: str | None
    end_groups: tuple[int, ...]
    ended_too: str | None
    answer: str
    remaining_s: float | None
    reserve_soc: float | None
    reserve_group: int | None
    danger: bool
    ride: bool
    sensor: str
    light_a: float
    light_off: bool  # the charger goes with its light
    row_s: float
    rule: str
    shared_leads: bool
    spread_end_mv: float
    note: str = ""


def truth_of(drawn: Drawn, run: Run, seed: int) -> Truth:
    """The truth of a session that was run; runs on where something has to be waited for."""
    plan = drawn.plan
    spread_mv = float(np.ptp(run.trace.volts_v[-1])) * 1e3
    departures = _departures(drawn, run)
    ended, groups = true_end(drawn, run)
    reserve = _reserve(drawn, run)
    too = _ended_too(drawn, run, ended)
    if ended == "still_charging" and drawn.plan.charger.light_at_s is not None and too is None:
        ended = None  # past its light, and too near to full or uneven: two words are right, and one cannot be decided
    answer, remaining_s = _balancing(run)
    return Truth(
        seed,
        plan.groups.paper,
        drawn.family,
        drawn.faults,
        tuple(tuple(round(float(x), 3) for x in row) for row in departures),  # type: ignore[misc]
        ended,
        groups,
        too,
        answer,
        remaining_s,
        *reserve,
        danger=drawn.danger,
        ride=any(s.kind == "ride" for s in plan.stages),
        sensor=drawn.meters.sensor,
        light_a=plan.charger.light_a,
        light_off=plan.charger.off_at_light,
        row_s=drawn.meters.row_s,
        rule=plan.board.rule,
        shared_leads=drawn.meters.lead_ohm > 0,
        spread_end_mv=round(spread_mv, 2),
        note=_note(drawn),
    )


def _note(drawn: Drawn) -> str:
    g, board, c = drawn.plan.groups, drawn.plan.board, drawn.plan.charger
    return (
        f"{len(g.soc)} groups, {drawn.capacity_ah:.1f} Ah; bleed {1e3 * drawn.bleed_a:.0f} mA by {board.rule} from"
        f" {board.threshold_v:.3f} V, paused {board.pause_s:.0f} of {board.period_s:.0f} s, at rest: {board.at_rest};"
        f" set {c.set_v / len(g.soc):.4f} V a group, {len(c.stages)} stages, light {c.light_a:.2f} A,"
        f" goes with it: {c.off_at_light}, second {c.second_a:.1f} A, swing {c.swing_a:.2f} A"
    )


def _departures(drawn: Drawn, run: Run) -> np.ndarray:
    g = drawn.plan.groups
    cell_ohm = drawn.seconds_ohm / 1.15  # links are 15 % of the cell's own
    ohm = cell_ohm / g.capacity + g.ohm
    soc = np.array(run.trace.soc[0])
    columns = (
        1e3 * (drawn.meters.offset_v - np.median(drawn.meters.offset_v)),
        100.0 * (soc - np.median(soc)),
        100.0 * (g.capacity / np.median(g.capacity) - 1.0),
        100.0 * (ohm / np.median(ohm) - 1.0),
    )
    return np.column_stack(columns)


def true_end(drawn: Drawn, run: Run) -> tuple[str | None, tuple[int, ...]]:
    """How the charge ended; the light is the charger's own, whatever the profile says."""
    charge = [k for k, s in enumerate(drawn.plan.stages) if s.kind == "charge"]
    if not charge:
        return "none", ()
    row = int(np.flatnonzero(np.array(run.trace.stage) == charge[-1])[-1])
    volts = run.trace.volts_v[row]
    if run.ended == "ceiling":
        alone = np.sort(volts)[-2] < volts.max() - _NEAR_V
        return "stopped_early", (int(volts.argmax()) + 1,) if alone else ()
    if run.ended != "connected" and volts.max() > drawn.plan.cut_v - 0.012:
        return None, ()  # at its ceiling when unplugged: nobody can tell
    plain = {"connected": "still_charging", "unplugged_cc": "stopped_before_cv"}
    if run.ended in plain:
        return plain[run.ended], ()
    tapered = _tapered(drawn, run, row)
    if tapered is None:
        return None, ()
    return _by_heights(drawn, run, row) if tapered else ("interrupted_in_cv", ())


def _tapered(drawn: Drawn, run: Run, row: int) -> bool | None:
    """Without a current sensor by how long the voltage was held; None too near to either."""
    if drawn.meters.sensor in ("none", "dying"):
        held_s = run.trace.time_s[row] - (run.first_held_s or run.trace.time_s[row])
        return None if abs(held_s - 600.0) < 150.0 else held_s >= 600.0
    if run.ended == "light":
        return True
    return None if run.trace.current_a[row] < 1.15 * drawn.plan.charger.light_a + 0.05 else False


def _ended_too(drawn: Drawn, run: Run, ended: str | None) -> str | None:
    if ended != "still_charging" or drawn.plan.charger.light_at_s is None:
        return None
    return _by_heights(drawn, run, len(run.trace.stage) - 1)[0]


def _by_heights(drawn: Drawn, run: Run, row: int) -> tuple[str | None, tuple[int, ...]]:
    paper = paper_of(drawn.plan.groups.paper)
    values, border, near = run.trace.volts_v[row], paper.full_v - _FULL_WITHIN_V, _NEAR_V
    if paper.chemistry == "lfp":
        values, border, near = run.trace.soc[row], 1.0 - _FULL_WITHIN_SOC, 0.01
    middle, low = float(np.median(values)), float(values.min())
    if abs(middle - border) < near or abs(low - border) < near:
        return None, ()
    if middle < border:
        return "charger_low", ()
    return ("full", ()) if low >= border else ("ended_uneven", (int(values.argmin()) + 1,))


def _reserve(drawn: Drawn, run: Run) -> tuple[float | None, int | None]:
    """Ridden on from the ride's end at its mean load until a group is at empty under its highest five seconds."""
    rides = [s for s in drawn.plan.stages if s.kind == "ride"]
    if not rides or run.after_ride is None or rides[-1].load_a is None:
        return None, None
    load = rides[-1].load_a
    peak_a = float(np.convolve(load, np.ones(5) / 5.0, "valid").min())
    mean_a, g = float(load.mean()), drawn.plan.groups
    empty_v = CHEMISTRIES[paper_of(g.paper).chemistry].empty_v
    cells, soc = run.after_ride[0].copy(), run.after_ride[1].copy()
    scale = g.parallel * g.capacity
    for _ in range(400):
        tried = cells.copy()
        tried.step((peak_a - g.leak_a) / scale, 5.0)
        volts = tried.volts((peak_a - g.leak_a) / scale)[0] + peak_a * g.ohm
        if not volts.min() > empty_v:  # a model without a voltage is empty too
            return round(float(np.median(soc)), 4), int(np.nanargmin(volts)) + 1
        for _ in range(6):
            cells.step((mean_a - g.leak_a) / scale, 10.0)
        soc = soc + mean_a / scale * 60.0 / 3600.0 / run.model.ah
    return None, None


def _even(run: Run) -> bool:
    if paper_of(run.plan.groups.paper).chemistry == "lfp":
        return bool(np.ptp(run.soc) <= _TARGET_SOC)
    return bool(np.ptp(run.volts_v) <= _TARGET_V)


def _nearly(run: Run) -> bool:
    """Stands still just above the target: nobody could tell."""
    if paper_of(run.plan.groups.paper).chemistry == "lfp":
        return bool(np.ptp(run.soc) <= 1.5 * _TARGET_SOC)
    return bool(np.ptp(run.volts_v) <= 1.5 * _TARGET_V)


def _balancing(run: Run) -> tuple[str, float | None]:
    """Run on as it is until the spread has been at the target for ten minutes, for 30 hours at most."""
    if run.ended != "connected":
        return "none", None
    if _even(run):
        return "even", 0.0
    board = run.plan.board
    step_s = 5.0 if board.period_s % 10 or board.pause_s % 10 else 10.0
    begun, since, checked, closing = run.now_s, None, run.now_s, np.ptp(run.volts_v)
    while run.now_s < begun + 1.25 * _DAY_S:
        run.on(60.0, step_s)
        if not _even(run):
            since = None
        elif since is None:
            since = run.now_s - 30.0
        if since is not None and run.now_s - since >= _STAYS_S:
            left = since - begun
            return ("time", left) if left <= _DAY_S else ("over_24_h", left)
        if run.now_s - checked >= 3 * 3600.0:
            checked, before, closing = run.now_s, closing, np.ptp(run.volts_v)
            if before - closing < 2e-4:
                return ("near" if _nearly(run) else "never"), None
    return ("near" if _nearly(run) else "over_24_h"), None
