"""evenstring plan: stop at 80 %, or charge to full and leave it on? For this pack, over the next year."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from evenstring.chemistry import CHEMISTRIES
from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.say import say, say_json
from evenstring.commands.table_options import table_options
from evenstring.errors import UsageError
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.plan.ageing import capacity_lost
from evenstring.plan.display import DEAD, told_by_display
from evenstring.plan.habits import DAYS, HOLD_H, Outlook, least_balancing, outlooks
from evenstring.plan.state import PackState, state_of
from evenstring.report.material import Material, gather_material
from evenstring.report.next_steps import next_step
from evenstring.report.reasons import headline, sentence
from evenstring.report.report_json import plain_values

__all__ = ["command"]

_LIMIT_MV = 30.0  # a spread up to which nothing is felt on a ride: common practice
_CAUTION = (
    "Stay with a pack while it charges, or somebody who would notice; never charge a group that was below its discard"
    " voltage."
)
_NOT_YET = ("do_not_charge", "inspect")  # verdicts under which no habit of charging is spoken of: our choice
_DEAD = 0.05  # probability of a dead group from which nobody should charge on: our choice


@click.command("plan", epilog="Example: evenstring plan may.frames june.frames --pack pack.toml")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@pack_options
@click.option("--display-v", type=click.FloatRange(1.0, 400.0), help="What the vehicle's display shows after a charge.")
@click.option("--hold-h", type=click.FloatRange(0.0, 24.0), default=HOLD_H, help="Hours on the charger after full.")
@click.option("--ride", "ride_share", type=click.FloatRange(0.01, 1.0), default=0.3, help="Share ridden a day.")
@click.option("--limit-mv", type=click.FloatRange(1.0, 500.0), default=_LIMIT_MV, help="Spread that is too much.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
@table_options
def command(  # one argument an option, all named by click
    files: tuple[Path, ...],
    given: GivenPack,
    display_v: float | None,
    hold_h: float,
    ride_share: float,
    limit_mv: float,
    as_json: bool,
    wishes: Wishes,
) -> None:
    """Say what a year brings under each habit of charging, from one recording or several of one pack.

    Without any: what the display's pack voltage tells (--display-v and --groups).
    """
    if not files:
        _by_display(display_v, given, as_json)
        return
    with recordings_of(files, given, wishes) as recordings:
        session, parts = load_recordings(recordings)
    material = gather_material(session, profile_of(session, given.profile(session.groups)), parts)
    verdict = material.found.verdict
    if verdict.action in _NOT_YET:
        said = [headline(verdict), *map(sentence, verdict.reasons)]
        if as_json:
            say_json({"habits": [], "no_plan": said})
            return
        say(f"No plan yet. {headline(verdict)}.")
        for reason in said[1:]:
            say(f"  - {reason}")
        say(f"Now: {next_step(material)}")
        return
    _by_recordings(material, (hold_h, ride_share, limit_mv), as_json)


def _by_recordings(material: Material, asked: tuple[float, float, float], as_json: bool) -> None:
    hold_h, ride_share, limit_mv = asked
    state = state_of(material)
    ahead = outlooks(state, hold_h, ride_share)
    least = least_balancing(state, limit_mv, ride_share)
    told = {
        "habits": [_row(state, one, ride_share) for one in ahead],
        "least_balancing": None if least is None else plain_values(least),
        "leak_known": state.leak is not None,
        "limit_mv": limit_mv,
    }
    if as_json:
        say_json(told)
        return
    for line in _lines(state, told, ahead, limit_mv):
        say(line)


def _row(state: PackState, one: Outlook, ride_share: float) -> dict[str, Any]:
    """One habit; ageing beside the drift."""
    top = one.habit.stop_soc if one.habit.full_every != 1 else 1.0
    lost = capacity_lost(state.chemistry, top, ride_share, DAYS)
    return {
        "habit": one.name,
        "spread_mv": [round(float(v), 1) for v in one.spread_mv[-1]],
        "lost_to_spread_percent": [round(float(v), 2) for v in one.gap_percent],
        "lost_to_ageing_percent": round(100.0 * lost, 1),
        "ceiling_day": one.ceiling_day,
        "charger_h_per_week": round(one.charger_h_per_week, 1),
    }


def _lines(state: PackState, told: dict[str, Any], ahead: tuple[Outlook, ...], limit_mv: float) -> list[str]:
    least = told["least_balancing"]
    lines = [_answer(ahead, least, limit_mv), ""]
    lines.append(f"{'after a year':24s}{'spread at rest, mV':>19s}{'range lost':>15s}{'aged':>9s}{'h/week':>8s}")
    for row in told["habits"]:
        low, middle, high = row["spread_mv"]
        less, _, more = row["lost_to_spread_percent"]
        spread, lost = f"{middle:.0f} ({low:.0f} to {high:.0f})", f"{less:.1f} to {more:.1f} %"
        lines.append(
            f"{row['habit']:24s}{spread:>19s}{lost:>15s}{row['lost_to_ageing_percent']:>7.1f} %"
            f"{row['charger_h_per_week']:>8.1f}"
        )
    lines += [""] + [
        f"{row['habit']}: from day {row['ceiling_day']} a group would end the charge at its ceiling."
        for row in told["habits"]
        if row["ceiling_day"] is not None
    ]
    if state.leak is None:
        lines.append(
            "Drift is assumed: one recording tells none. Two rests some weeks apart make these intervals narrow."
        )
    lines.append(
        "Storage of weeks: leave it at 50 to 60 %; on coming back charge to full and leave it on for 2 to 3 h."
    )
    if not CHEMISTRIES[state.chemistry].judged_by_charge:
        lines.append("Ageing: a published NMC model at 25 °C, below its tests: compare habits by it, not years.")
    return [*lines, _CAUTION]


def _answer(ahead: tuple[Outlook, ...], least: dict[str, Any] | None, limit_mv: float) -> str:
    """The first line: what to do at the next charge."""
    never = next(o for o in ahead if o.habit.full_every == 0)
    if float(never.spread_mv[-1, 1]) <= limit_mv and float(never.spread_mv[-1, 2]) <= limit_mv:
        within = f"Stopping at 80 % leaves this pack within {limit_mv:.0f} mV for a year"
        return f"{within}: charge to full when you need the range."
    if least is None:
        never_is = f"No habit keeps this pack within {limit_mv:.0f} mV"
        return f"{never_is}: it may drift faster than its board balances. Have it inspected."
    pause, hold = int(least["full_every"]), float(least["hold_h"])
    often = "every time" if pause == 1 else f"once in {pause} times"
    return (
        f"Charge to full {often} and leave it on for {hold:g} h after the light: that keeps this pack within"
        f" {limit_mv:.0f} mV. Between, stopping at 80 % spares the cells."
    )


def _by_display(display_v: float | None, given: GivenPack, as_json: bool) -> None:
    if display_v is None or given.groups is None:
        raise UsageError("give recordings, or --display-v and --groups: what the display shows after a finished charge")
    profile = given.profile()
    full_v = 4.2 if profile is None else profile.full_v
    told = told_by_display(display_v, given.groups, full_v)
    if as_json:
        say_json([plain_values(t) for t in told])
        return
    of = f"{given.groups} groups at {full_v:.2f} V"
    less_v = given.groups * full_v - display_v
    say(f"{display_v:.1f} V are {less_v:.1f} V less than {of}; a display is good to about ±1 V.")
    if not told:
        say("No cause known here fits: count the groups again.")
    for t in told:
        low, high = t.under_full_v
        say(f"  {100 * t.probability:3.0f} %  {t.cause} (would be {low:.1f} to {high:.1f} V less)")
    say("A pack voltage cannot show which group, nor a spread of less than a volt.")
    dead = sum(t.probability for t in told if t.cause == DEAD)
    if not told or dead > _DEAD:
        say("A dead group is possible, and charging on can start a fire.")
        say("Do not charge or ride it until every group was read.")
    say("Measure next: each group, at rest after a finished charge. Never leave it on the charger alone.")
