"""evenstring import: a table of numbers becomes a recording."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.commands.table_options import table_options, wishes_of
from evenstring.errors import UsageError
from evenstring.io.files import new_file, refuse_existing
from evenstring.io.table import Plan, import_table, preview
from evenstring.profile import load_profile
from evenstring.text import plain

__all__ = ["command"]


@click.command("import", epilog="Example: evenstring import charge.csv --pack pack.toml -o charge.frames")
@click.argument("table", type=click.Path(path_type=Path))
@click.option("--pack", required=True, type=click.Path(path_type=Path), help="Pack profile (pack.toml).")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
@click.option("--dry-run", is_flag=True, help="Show what each column is taken for, and the first rows; make nothing.")
@table_options
def command(
    table: Path,
    pack: Path,
    output: Path | None,
    force: bool,
    dry_run: bool,
    roles: tuple[str, ...],
    units: tuple[str, ...],
    **more: str | None,
) -> None:
    """Make a recording from TABLE: CSV text of any kind, or a workbook (.xlsx).

    It guesses separator, decimal mark, time, groups, current, temperatures and units, and shows what it took each
    column for. The plainest table has the columns t_s, g1..gN in volts, current_a (charging is positive), temp1_c.
    An empty cell is a reading that was not taken.
    """
    profile = load_profile(pack)
    wishes = wishes_of(roles, units, more["start"], more["zone"] or "", more["dates"])
    if dry_run:
        plan, rows = preview(table, profile, wishes)
        _show(plan)
        for row in rows:
            click.echo("  " + plain(" | ".join(row), 160))
        return
    if output is None:
        raise UsageError("say with -o which recording to make, or --dry-run to see what the table is taken for")
    refuse_existing(output, force)
    with new_file(output, force) as out:
        plan, made = import_table(table, profile, out, wishes, show=_show)
    for note in made.notes:
        click.echo(f"note: {plain(note, 300)}")
    start = "" if made.start is None else f", from {made.start:%Y-%m-%d %H:%M:%S} UTC"
    click.echo(
        f"{plain(output)}: {made.scans:,} scans of {profile.groups} groups, {made.duration_s / 60:,.1f} min{start}"
    )


def _show(plan: Plan) -> None:
    click.echo(f"{plain(plan.where)}: taken as")
    for line in plan.lines():
        click.echo(f"  {plain(line, 300)}")
