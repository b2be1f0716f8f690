"""evenstring import: a table of numbers becomes a recording."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.commands.job_options import job_option
from evenstring.commands.pack_options import GivenPack, pack_options
from evenstring.commands.say import say
from evenstring.commands.table_options import show_notes, show_plan, table_options
from evenstring.errors import UsageError
from evenstring.io.files import new_file, refuse_existing
from evenstring.io.table import Wishes, import_table, preview
from evenstring.text import plain
from evenstring.wire.encode import Counter, message
from evenstring.workshop.job import Job, job_toml

__all__ = ["command"]


@click.command("import", epilog="Example: evenstring import charge.csv --pack pack.toml -o charge.frames")
@click.argument("table", type=click.Path(path_type=Path))
@pack_options
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
@click.option("--dry-run", is_flag=True, help="Show what each column is taken for, and the first rows; make nothing.")
@job_option
@table_options
def command(
    table: Path,
    given: GivenPack,
    output: Path | None,
    force: bool,
    dry_run: bool,
    job: Job | None,
    wishes: Wishes,
) -> None:
    """Make a recording from TABLE: CSV text of any kind, or a workbook (.xlsx).

    It guesses separator, decimal mark, time, groups, current, temperatures and units, and shows what it took each
    column for. The plainest table has the columns t_s, g1..gN in volts, current_a (charging is positive), temp1_c.
    An empty cell is a reading that was not taken.
    """
    profile = given.profile()
    if profile is None:
        raise UsageError("a table does not say its pack: give --pack pack.toml, or --groups N and --chemistry NAME")
    if dry_run:
        plan, rows = preview(table, profile, wishes)
        show_plan(plan)
        for row in rows:
            say("  " + plain(" | ".join(row), 160))
        return
    if output is None:
        raise UsageError("say with -o which recording to make, or --dry-run to see what the table is taken for")
    refuse_existing(output, force)
    with new_file(output, force) as out:
        if job is not None:
            out.write(message("MARK_JOB", Counter().next(), 0, toml=job_toml(job)))
        plan, made = import_table(table, profile, out, wishes)
    show_plan(plan)
    show_notes(made)
    start = "" if made.start is None else f", from {made.start:%Y-%m-%d %H:%M:%S} UTC"
    shape = f"{made.scans:,} scans of {profile.groups} groups, {made.duration_s / 60:,.1f} min"
    say(f"{plain(output)}: {shape}{start}")
