"""evenstring logbook dataset: a whole logbook as Parquet, for whoever outgrows one machine."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.commands.history.book_options import book_to_read, where_option
from evenstring.commands.say import say
from evenstring.logbook.data_set import TABLES, write_data_set
from evenstring.report.words import counted

__all__ = ["command"]


@click.command("dataset", epilog="Example: evenstring logbook dataset club")
@click.argument("output", metavar="OUT", type=click.Path(path_type=Path))
@where_option
@click.option("--force", is_flag=True, help="Replace an older data set of that name.")
def command(output: Path, folder: Path | None, force: bool) -> None:
    """Write all packs and recordings as a Parquet data set into the new folder OUT, partitioned by pack and year."""
    with book_to_read(folder) as book:
        count = write_data_set(book.recordings, output, force=force)
    say(f"{counted(count, 'recording')} in {output}: {', '.join(TABLES)}")
