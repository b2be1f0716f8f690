"""evenstring wiring: which lead goes where, whether readings allow the plug to go in, and a walk through the tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from evenstring.commands.say import say
from evenstring.errors import InputError
from evenstring.hardware.cautions import WIRING
from evenstring.hardware.meter_check import all_measured, at_the_edge, check_readings
from evenstring.hardware.procedures import WALKS, Step, procedure
from evenstring.hardware.reference import reference_design
from evenstring.hardware.walk import HEAD, answer_row, next_step, parse_answer, parse_answers, refused
from evenstring.hardware.wiring import drawing, tap_list
from evenstring.io.table.hand_table import by_place, read_hand_table
from evenstring.profile import PackProfile, load_profile

__all__ = ["command", "problems_in"]

_NEEDS = "tap and volts (black probe on tap 0), or group and volts (pin to next pin); mV are taken as well"


@click.command("wiring", epilog="Example: evenstring wiring --groups 20 --check meter.csv")
@click.option("--groups", type=click.IntRange(1, 40), help="Groups of the string.")
@click.option("--pack", type=click.Path(path_type=Path), help="Pack profile, for groups and limits.")
@click.option("--draw", is_flag=True, help="Draw the string as well.")
@click.option(
    "--check",
    "readings",
    type=click.Path(path_type=Path),
    help="Hand-meter readings: columns tap and volts (black probe on tap 0), or group and volts (pin to next pin).",
)
@click.option("--walk", type=click.Choice(WALKS), help="Go through a test step by step: bench, first time, each year.")
@click.option(
    "-o", "output", type=click.Path(path_type=Path), help="Where --walk keeps the answers; goes on from there."
)
@click.pass_context
def command(
    ctx: click.Context,
    groups: int | None,
    pack: Path | None,
    draw: bool,
    readings: Path | None,
    walk: str | None,
    output: Path | None,
) -> None:
    """List the sense leads in fitting order; judge hand-meter readings (--check); walk through a test (--walk).

    Ends with 1 when a reading is out of order, or a step does not pass or is not answered.
    """
    if pack is None and groups is None:
        raise click.UsageError("give --groups N or --pack pack.toml")
    profile = load_profile(pack) if pack else PackProfile(groups=groups or 1)
    number = groups or profile.groups
    say(WIRING + "\n")
    if walk:
        ctx.exit(_walk(walk, number, output or Path(f"{walk}.csv")))
    _list(number, profile, draw)
    if readings:
        ctx.exit(_check(readings, number, profile))


def _list(number: int, profile: PackProfile, draw: bool) -> None:
    ohm = reference_design(number).series.ohm
    say(f"Each lead: fuse, then {ohm:,.0f} ohm in two resistors, both at the cell; then the wire.\n")
    say(f"{'tap':>3} {'pin':>3}  {'line':<4} {'relay':>5}  {'volts against tap 0':<20}  where")
    for tap in tap_list(number, profile.discard_v, profile.full_v):
        volts = f"{tap.low_v:.1f} to {tap.high_v:.1f}"
        say(f"{tap.number:>3} {tap.pin:>3}  {tap.line:<4} {tap.relay:>5}  {volts:<20}  {tap.place}")
    if draw:
        say("\n" + drawing(number))


def problems_in(file: Path, number: int, profile: PackProfile, tell: Callable[[str], None] = say) -> tuple[str, ...]:
    """What is wrong with the hand-meter readings of a table; `tell` takes what else there is to say of it.

    Raises:
        InputError: it is no such table.
    """
    table = read_hand_table(file, _NEEDS)
    if table.unused:
        tell(f"{file}: columns not used: {', '.join(table.unused)}")
    readings, problems = all_measured(by_place(table), table.by_group, number)
    if readings is None:
        return problems
    problems = check_readings(readings, profile.discard_v, profile.ceiling_v)
    for group in () if problems else at_the_edge(readings, profile.discard_v, profile.ceiling_v):
        tell(f"look: {group}")
    return problems


def _check(file: Path, number: int, profile: PackProfile) -> int:
    problems = problems_in(file, number, profile)
    for problem in problems:
        say(f"wrong: {problem}")
    if problems:
        say("Do not plug in. Find the cause on the pack side first.")
        return 1
    say("Each group lies within the limits. Next: monitor off and unplugged from every computer, then the plug.")
    return 0


def _walk(name: str, groups: int, file: Path) -> int:
    """Ask what is not answered yet, keep each answer at once; stops at the first that does not pass."""
    steps = procedure(name, groups)
    answers = parse_answers(_read(file), steps, str(file)) if file.exists() else {}
    if answers:
        say(f"{file}: {len(answers)} of {len(steps)} steps are answered; going on from there.")
    while True:
        bad = refused(steps, answers)
        if bad:
            say(f"STOP at {bad.key}: passes with {bad.limits()}.{f' {bad.if_not}.' if bad.if_not else ''}")
            say(f"Nothing after it is done before it passes; then remove its line from {file} and go on.")
            return 1
        step = next_step(steps, answers)
        if step is None:
            say(f"All {len(steps)} steps passed and are kept in {file}. That is what was measured, no certificate.")
            return 0
        text = _ask(step, steps.index(step) + 1, len(steps))
        if text is None:
            say(f"\nLeft at step {steps.index(step) + 1} of {len(steps)}; the same command goes on from there.")
            return 1
        _keep(file, answer_row(step, text))
        answers[step.key] = parse_answer(step, text) or 0.0


def _ask(step: Step, number: int, of: int) -> str | None:
    """An answer that is one, or None when there is nobody to ask any more."""
    say(f"\n{number}/{of}  {step.do}\n      passes with {step.limits()}")
    while True:
        try:
            text = str(
                click.prompt("      " + (step.unit or "y/n"), prompt_suffix=": ", default="", show_default=False)
            )
        except click.Abort:
            return None
        if parse_answer(step, text) is not None:
            return text
        say(f"      {'a number' if step.asks_number else 'y or n'}, please")


def _keep(file: Path, row: str) -> None:
    try:
        with file.open("a", encoding="utf-8") as f:
            f.write(row if f.tell() else HEAD + row)
    except OSError as error:
        raise InputError(f"{file}: cannot keep the answers there ({error}); give another file with -o") from error


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot read these answers ({error}); give a CSV table") from error
