"""evenstring wiring: which lead goes where, and whether hand-meter readings allow the plug to go in."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.errors import InputError
from evenstring.hardware.cautions import WIRING
from evenstring.hardware.wiring import check_readings, drawing, parse_readings, tap_list
from evenstring.profile import PackProfile, load_profile

__all__ = ["command"]


@click.command("wiring", epilog="Example: evenstring wiring --groups 20 --check meter.csv")
@click.option("--groups", type=click.IntRange(1, 40), help="Groups of the string.")
@click.option("--pack", type=click.Path(path_type=Path), help="Pack profile, for groups and limits.")
@click.option("--draw", is_flag=True, help="Draw the string as well.")
@click.option("--check", "readings", type=click.Path(path_type=Path), help="Table with the columns tap and volts.")
@click.pass_context
def command(ctx: click.Context, groups: int | None, pack: Path | None, draw: bool, readings: Path | None) -> None:
    """List the sense leads in fitting order and, with --check, judge hand-meter readings of them.

    Ends with 1 when a reading is out of order.
    """
    if pack is None and groups is None:
        raise click.UsageError("give --groups N or --pack pack.toml")
    profile = load_profile(pack) if pack else PackProfile(groups=groups or 1)
    number = groups or profile.groups
    click.echo(WIRING + "\n")
    click.echo(f"{'tap':>3} {'pin':>3}  {'line':<4} {'relay':>5}  {'volts against tap 0':<20}  where")
    for tap in tap_list(number, profile.discard_v, profile.full_v):
        volts = f"{tap.low_v:.1f} to {tap.high_v:.1f}"
        click.echo(f"{tap.number:>3} {tap.pin:>3}  {tap.line:<4} {tap.relay:>5}  {volts:<20}  {tap.place}")
    if draw:
        click.echo("\n" + drawing(number))
    if readings:
        problems = check_readings(_read(readings), number, profile.discard_v, profile.ceiling_v)
        for problem in problems:
            click.echo(f"wrong: {problem}")
        if problems:
            click.echo("Do not plug in. Find the cause on the pack side first.")
            ctx.exit(1)
        click.echo(
            "Each step lies within the limits. Next: monitor off and unplugged from every computer, then the plug."
        )


def _read(file: Path) -> dict[int, float]:
    try:
        return parse_readings(file.read_text(encoding="utf-8"), str(file))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot read these readings ({error}); give a CSV table") from error
