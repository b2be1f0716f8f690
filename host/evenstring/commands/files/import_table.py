"""evenstring import: a table of numbers becomes a recording."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.io.files import refuse_existing, write_new
from evenstring.io.table_csv import read_table, table_frames
from evenstring.profile import load_profile

__all__ = ["command"]


@click.command("import", epilog="Example: evenstring import charge.csv --pack pack.toml -o charge.frames")
@click.argument("table", type=click.Path(path_type=Path))
@click.option("--pack", required=True, type=click.Path(path_type=Path), help="Pack profile (pack.toml).")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Recording to make.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
def command(table: Path, pack: Path, output: Path, force: bool) -> None:
    """Make a recording from TABLE, a CSV file.

    Columns: t_s, g1..gN in volts, optional current_a (charging is positive), temp1_c... An empty cell is a reading
    that was not taken.
    """
    profile = load_profile(pack)
    refuse_existing(output, force)
    numbers = read_table(table, profile.groups)
    write_new(output, table_frames(numbers, profile, table.name), force)
    click.echo(f"{output}: {len(numbers.time_s)} scans of {profile.groups} groups")
