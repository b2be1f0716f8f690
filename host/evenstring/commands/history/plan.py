"""evenstring plan: stop at 80 %, or charge to full and leave it on? For this pack, over the next year."""

from __future__ import annotations

import textwrap
import time
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from evenstring.commands.history.book_options import book_to_read
from evenstring.commands.history.plan_options import (
    InLogbook,
    Page,
    in_logbook_options,
    page_options,
    year_options,
)
from evenstring.commands.pack_options import GivenPack, pack_options, recordings_of
from evenstring.commands.say import say, say_json
from evenstring.commands.table_options import table_options
from evenstring.errors import InputError, UsageError
from evenstring.io.files import make_folder, refuse_existing, write_new
from evenstring.io.load import load_recordings, profile_of
from evenstring.io.table import Wishes
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.store.rows import Listed
from evenstring.logbook.store.whose import heading
from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.likes import leaks_now
from evenstring.logbook.trends.months_page import headline as months_headline
from evenstring.logbook.trends.standing import standing
from evenstring.plan.answer import CAUTION, STORAGE, Asked, Plan, answer, dated, made_plan, ranged, rests_on, row
from evenstring.plan.display import DEAD, told_by_display
from evenstring.plan.first import First, first_of
from evenstring.plan.plan_page import plan_page
from evenstring.plan.state import state_of
from evenstring.report.material import Material, gather_material
from evenstring.report.next_steps import next_step
from evenstring.report.reasons import headline, sentence
from evenstring.report.report_json import plain_values

__all__ = ["asked_first", "command", "known_leaks"]

F64 = NDArray[np.float64]
_PAGE = "plan.html"
_WIDE = 79  # characters of a terminal's line: common practice
_NOT_YET = ("do_not_charge", "inspect")  # verdicts under which no habit of charging is spoken of: our choice
_STANDS = ("discard", "last_report")  # warnings of a logbook under which none is either: our choice
_DEAD = 0.05  # probability of a dead group from which nobody should charge on: our choice
_LEAST_PAIRS = 2  # of rests; one alone may be a slip: our choice


@click.command("plan", epilog="Example: evenstring plan may.frames june.frames --pack pack.toml")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@pack_options
@click.option("--display-v", type=click.FloatRange(1.0, 400.0), help="What the vehicle's display shows after a charge.")
@in_logbook_options
@year_options
@page_options(_PAGE)
@click.option("--json", "as_json", is_flag=True, help="As JSON, and nothing else.")
@table_options
def command(  # one argument an option, or a few that belong together
    files: tuple[Path, ...],
    given: GivenPack,
    display_v: float | None,
    kept: InLogbook,
    asked: Asked,
    page: Page,
    as_json: bool,
    wishes: Wishes,
) -> None:
    """Say what a year brings under each habit of charging: from recordings of one pack, or its logbook (--name).

    Without any: what the display's pack voltage tells (--display-v and --groups).
    """
    if page.folder:
        refuse_existing(page.folder / _PAGE, page.force)
    history = None
    if kept.name is not None or kept.folder is not None:
        files, history = _in_logbook(kept, files)
    if not files:
        _by_display(display_v, given, as_json)
        return
    with recordings_of(files, given, wishes) as recordings:
        session, parts = load_recordings(recordings)
    material = gather_material(session, profile_of(session, given.profile(session.groups)), parts)
    refused = _refusal(material, history)
    if refused is not None:
        _not_yet(*refused, as_json)
        return
    leaks = None if history is None else known_leaks(history)
    plan = made_plan(state_of(material, leaks), asked, asked_first(material, history))
    if page.folder:
        make_folder(page.folder)
        write_new(page.folder / _PAGE, plan_page(plan, material.profile.name).encode(), page.force)
    if as_json:
        say_json(_numbers(plan))
        return
    for line in _lines(plan):
        say(line)
    if page.folder:
        say(f"\nThe page: {page.folder / _PAGE}")


def _in_logbook(kept: InLogbook, files: tuple[Path, ...]) -> tuple[tuple[Path, ...], History]:
    """The newest recording that tells the groups' charge, and what all of them tell."""
    if kept.name is None:
        raise UsageError("which pack of the logbook? Give --name; `evenstring logbook list` shows them")
    if files:
        raise UsageError("give files, or --name of a pack in the logbook; not both")
    with book_to_read(kept.folder) as book:
        packs = book.packs(kept.name)
        if not packs:
            raise InputError(f"the logbook has no pack {kept.name}")
        if len(packs) > 1:
            raise UsageError(f"which one? By its name or number: {'; '.join(map(heading, packs))}")
        listed = list(book.of_pack(packs[0]))
        history = history_of([r.entry for r in listed], book.cleared(packs[0]))
    there = [r for r in listed if r.path.is_file()]
    if not there:
        raise InputError(f"no recording of {kept.name} is where it was: a plan looks at the newest one again")
    return (max(there, key=_worth).path,), history


def _worth(row: Listed) -> tuple[bool, float]:
    return any(v is not None for v in row.entry.departure_mv), row.start_s or 0.0


def known_leaks(history: History) -> tuple[F64, F64] | None:
    """% of capacity a week and its uncertainty, each group; None where too few rests tell."""
    found = leaks_now(history, group_changes(history))
    return None if found is None or found.pairs < _LEAST_PAIRS else (found.percent_week, found.u)


def asked_first(material: Material, history: History | None) -> First | None:
    """What comes before any habit: by the logbook where a group changed, else by the report of the recording."""
    if history is not None and len(history):
        for one in standing(history, float(history.end_s[-1])):
            if one.kind == "change":
                return First(months_headline(history, (one,)), one.do, one.said[0].upper() + one.said[1:], grave=True)
    return first_of(material)


def _refusal(material: Material, history: History | None) -> tuple[list[str], str] | None:
    """Why no habit of charging is spoken of now, and what to do instead."""
    verdict = material.found.verdict
    if verdict.action in _NOT_YET:
        return [f"{headline(verdict)}.", *map(sentence, verdict.reasons)], next_step(material)
    stands = [] if history is None else [one for one in standing(history, time.time(), ()) if one.kind in _STANDS]
    return (["Its logbook warns.", *(one.said for one in stands)], f"{stands[0].do}.") if stands else None


def _not_yet(said: list[str], do: str, as_json: bool) -> None:
    if as_json:
        say_json({"habits": [], "no_plan": said})
        return
    say(f"No plan yet. {said[0]}")
    for reason in said[1:]:
        say(f"  - {reason}")
    say(f"Now: {do}")


def _numbers(plan: Plan) -> dict[str, Any]:
    return {
        "next_charge": plain_values(answer(plan)),
        "habits": [row(plan, one) for one in plan.ahead],
        "least_balancing": None if plan.least is None else plain_values(plan.least),
        "assumed": list(plan.state.assumed),
        "leak_known": plan.state.leak is not None,
        "sag_known": plan.state.sag_known,
        "limit_mv": plan.asked.limit_mv,
    }


def _lines(plan: Plan) -> list[str]:
    said = answer(plan)
    head = [] if plan.first is None else [f"{said.headline}."]
    lines = [*head, *_wrapped(f"Next charge: {said.do}."), *_wrapped(f"{said.why}."), ""]
    lines.append(f"{'after a year':24s}{'spread at full, mV':>19s}{'range lost':>15s}{'aged':>9s}{'h/week':>8s}")
    for told in (row(plan, one) for one in plan.ahead):
        low, middle, high = told["spread_mv"]
        less, _, more = told["lost_to_spread_percent"]
        aged = told["lost_to_ageing_percent"]
        spread, lost = ranged(low, middle, high), _between(less, more)
        last = "" if aged is None else f"{aged:.1f} %"
        lines.append(f"{told['habit']:24s}{spread:>19s}{lost:>15s}{last:>9s}{told['charger_h_per_week']:>8.1f}")
    lines.append("")
    for what, first in (("empty under load", "empty"), ("its ceiling in a charge", "ceiling")):
        lines += _first_times(plan, what, first)
    return [*lines, "", *(line for said_too in (*rests_on(plan), STORAGE, CAUTION) for line in _wrapped(said_too))]


def _between(low: float, high: float) -> str:
    """Per cent, one number where both are the same."""
    said = [f"{value:.1f}" for value in (low, high)]
    return f"{' to '.join(dict.fromkeys(said))} %"


def _first_times(plan: Plan, what: str, first: str) -> list[str]:
    when = {one.name: dated(getattr(one, first), plan.state.start_s) for one in plan.ahead}
    if len(set(when.values())) == 1:
        return [f"First time a group is at {what}: under each habit {next(iter(when.values()))}."]
    return [f"First time a group is at {what}:", *(f"  {name:24s}{date}" for name, date in when.items())]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDE)


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
